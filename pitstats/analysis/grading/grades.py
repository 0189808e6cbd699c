"""The whole grade scale: shares of every grade, and every possible cut for burned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.analysis.rates.compare import pair_table
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.rates.rates import checked_level
from pitstats.study.grading import deciding_code, face_codes
from pitstats.study.outcomes import burned_under_cuts, item_outcomes
from pitstats.study.study import Study

_CUT_COLUMNS = (
    "burned_from",
    "headline",
    "pit",
    "n_bakes",
    "n_items",
    "n_burned",
    "estimate",
    "conf_low",
    "conf_high",
)


def count_grades(study: Study) -> pd.DataFrame:
    """Count items by the grade of the face that decides "burned".

    Parameters
    ----------
    study : Study
        A valid study.

    Returns
    -------
    pandas.DataFrame
        One row per pit and grade, in the order of the pits and of the grade scale:
        ``pit, grade, n_items, share``; the share is of the pit's graded items. The
        last row of a pit, ``grade`` = ``"missing"``, counts items without a grade;
        its share is of all items placed. Pits without grades are left out.

    Examples
    --------
    >>> import pitstats as ps
    >>> counts = count_grades(ps.demo_study("one_bake_each"))
    >>> counts["grade"].drop_duplicates().tolist()
    ['raw', 'light', 'golden', 'dark', 'burned', 'missing']
    """
    items = item_outcomes(study)
    settings = study.settings
    code = deciding_code(face_codes(items, settings), settings)
    code[items["burned"].isna().to_numpy()] = np.nan
    rows = []
    for pit in study.pits["pit"]:
        of_pit = (items["pit"] == pit).to_numpy()
        own, graded = items[of_pit], code[of_pit & ~np.isnan(code)]
        if not len(graded):
            continue
        for step, grade in enumerate(settings.grades):
            n = int((graded == step).sum())
            rows.append((pit, grade, n, n / len(graded)))
        n_missing = int(own["burned"].isna().sum())
        rows.append((pit, "missing", n_missing, n_missing / len(own)))
    return pd.DataFrame(rows, columns=["pit", "grade", "n_items", "share"])


def compare_cuts(study: Study, conf_level: float | None = None) -> pd.DataFrame:
    """Burned share of each pit under every possible cut of the grade scale.

    Parameters
    ----------
    study : Study
        A valid study.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    pandas.DataFrame
        One row per cut and pit: ``burned_from`` (first grade that would count as
        burned), ``headline`` (whether it is the cut stated in the study), ``pit,
        n_bakes, n_items, n_burned, estimate, conf_low, conf_high``. The estimates are
        long-run shares with the bake as the unit, like the headline.

    Examples
    --------
    >>> import pitstats as ps
    >>> cuts = compare_cuts(ps.demo_study("one_bake_each"))
    >>> cuts.loc[cuts["headline"], "burned_from"].unique().tolist()
    ['burned']
    """
    level = checked_level(study, conf_level)
    by_bake = burned_under_cuts(study)
    frames = []
    for cut in study.settings.grades[1:]:
        own = by_bake[(by_bake["cut"] == cut) & (by_bake["n_items"] > 0)]
        if own.empty:
            continue
        posterior = bake_posterior(own, level)
        sums = own.groupby("pit", sort=False)[["n_items", "n_burned"]].sum()
        rates = posterior.result.rates
        frames.append(
            pd.DataFrame(
                {
                    "burned_from": cut,
                    "headline": cut == study.settings.burned_from,
                    "pit": list(posterior.pits),
                    "n_bakes": own.groupby("pit", sort=False).size().to_numpy(),
                    "n_items": sums["n_items"].to_numpy(),
                    "n_burned": sums["n_burned"].to_numpy(),
                    "estimate": rates.estimate,
                    "conf_low": rates.low,
                    "conf_high": rates.high,
                }
            )
        )
    if not frames:
        return pd.DataFrame(columns=list(_CUT_COLUMNS))
    return pd.concat(frames, ignore_index=True)


def compare_cut_verdicts(study: Study, conf_level: float | None = None) -> pd.DataFrame:
    """Compare all pairs of pits under every possible cut of the grade scale.

    Parameters
    ----------
    study : Study
        A valid study.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    pandas.DataFrame
        One row per cut and pair: ``burned_from, headline`` and the columns of
        `compare_pits`. Only bakes with grades can be cut anew; cuts under which fewer
        than two pits have graded items are left out.

    Examples
    --------
    >>> import pitstats as ps
    >>> cuts = compare_cut_verdicts(ps.demo_study("nothing_burned"))
    >>> cuts["burned_from"].tolist()
    ['light', 'golden', 'dark', 'burned']
    """
    level = checked_level(study, conf_level)
    by_bake = burned_under_cuts(study)
    frames = []
    for cut, own in by_bake.groupby("cut", sort=False):
        pits = [pit for pit in study.pits["pit"] if pit in set(own["pit"])]
        if len(pits) < 2:
            continue
        table = pair_table(own, pits, level, study.settings.margin)
        table.insert(0, "burned_from", cut)
        table.insert(1, "headline", cut == study.settings.burned_from)
        frames.append(table)
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
