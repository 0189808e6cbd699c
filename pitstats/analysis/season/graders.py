"""Do the graders of a season see alike? Every item graded twice, over all studies."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.grading.agreement import agreement_row
from pitstats.analysis.grading.regrading import UNNAMED, join_regrades
from pitstats.analysis.season.read import Season
from pitstats.study.grading import deciding_code
from pitstats.study.study import Study

OTHERS, THEMSELVES = "others", "own first grades"
#: Bakes below which an interval over bakes says nothing.
FEWEST_BAKES = 3
_LIMITS = ("kappa_low", "kappa_high", "weighted_low", "weighted_high")
_COLUMNS = (
    *("grader", "against", "n_studies", "n_bakes", "n_items", "agree"),
    *("n_darker", "n_paler", "kappa", "kappa_low", "kappa_high"),
    *("weighted_kappa", "weighted_low", "weighted_high", "note"),
)


def season_graders(season: Season, conf_level: float = 0.95) -> pd.DataFrame:
    """Compare the graders of a season on the items that were graded twice.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    pandas.DataFrame
        One row per named grader: ``grader, against`` ("others", or "own first grades"
        where one person graded the same items twice), ``n_studies, n_bakes, n_items,
        agree`` (share of equal grades), ``n_darker, n_paler`` (items to which the
        grader gave the darker or paler grade; against own first grades, the second
        time), ``kappa, weighted_kappa`` with intervals, and a ``note``. Limits are NaN
        (unknown) below three bakes.

    Notes
    -----
    The deciding face is compared over the faces that both gradings recorded, in kept
    bakes that count in the season, of studies on the scale that holds most second
    gradings. Names that are equal are one person. Intervals leave out one bake at a
    time; see `stats.cohen_kappa`.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.season_graders(ps.read_season("my_season"))  # doctest: +SKIP
    """
    pairs = _pairs(season)
    rows = []
    for grader in dict.fromkeys([*pairs["first_grader"], *pairs["regrader"]]):
        by_first = pairs["first_grader"] == grader
        by_second = pairs["regrader"] == grader
        # In pairs with others the grader's own grade stands last.
        turned = pairs.rename(columns={"first": "second", "second": "first"})
        others = [turned[by_first & ~by_second], pairs[by_second & ~by_first]]
        own = pairs[by_first & by_second]
        for against, graded in ((OTHERS, pd.concat(others)), (THEMSELVES, own)):
            if len(graded):
                rows.append(
                    {"grader": grader, "against": against} | _row(graded, conf_level)
                )
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _pairs(season: Season) -> pd.DataFrame:
    """Deciding grade of every item by both named graders, on one scale."""
    parts = list(_pairs_by_study(season))
    columns = ["study", "bake", "first_grader", "regrader", "scale", "first", "second"]
    pairs = pd.concat([pd.DataFrame(columns=columns), *parts], ignore_index=True)
    if len(pairs):
        pairs = pairs[pairs["scale"] == pairs["scale"].value_counts().index[0]]
    return pairs


def _pairs_by_study(season: Season) -> Iterator[pd.DataFrame]:
    counted = season.bakes.groupby("study")["bake"].agg(set)
    for name in season.regraded:
        if name in counted.index:
            pairs = _pairs_of(season.studies[name])
            named = (pairs[["first_grader", "regrader"]] != UNNAMED).all(axis=1)
            known = pairs[["first", "second"]].notna().all(axis=1)
            kept = pairs[named & known & pairs["bake"].isin(counted[name])]
            if len(kept):
                yield kept.assign(study=name)


def _pairs_of(study: Study) -> pd.DataFrame:
    regrading = join_regrades(study)
    first, second = (deciding_code(own, study.settings) for own in regrading.shared())
    return regrading.pairs[["bake", "first_grader", "regrader"]].assign(
        scale=" < ".join(study.settings.grades), first=first, second=second
    )


def _row(graded: pd.DataFrame, conf_level: float) -> dict[str, Any]:
    first, second = (graded[name].to_numpy(dtype=int) for name in ("first", "second"))
    bakes = graded["study"] + "\x1f" + graded["bake"].astype("str")
    scale = range(graded["scale"].iloc[0].count(" < ") + 1)
    row = agreement_row(first, second, bakes.to_numpy(dtype=str), scale, conf_level)
    if bakes.nunique() < FEWEST_BAKES:
        row |= dict.fromkeys(_LIMITS, np.nan)
        row["note"] = f"fewer than {FEWEST_BAKES} bakes"
    return row | {
        "n_studies": graded["study"].nunique(),
        "n_darker": int((second > first).sum()),
        "n_paler": int((second < first).sum()),
    }
