"""The same pair of pits by other methods, for readers who would have used them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pandas as pd

from pitstats.analysis.results import PitComparison
from pitstats.stats.clustered import ClusteredFit, fit_cluster_robust, fit_gee
from pitstats.stats.standardized import standardize_probabilities
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study

_TOO_FEW = "needs two bakes of each pit"


def compare_methods(
    study: Study, comparison: PitComparison, pair: tuple[str, str] | None = None
) -> pd.DataFrame:
    """Difference of one pair of pits, by this and by other methods.

    Parameters
    ----------
    study : Study
        A valid study.
    comparison : PitComparison
        Its comparison as baked.
    pair : tuple of str, optional
        The two pits; those that differ most if not given.

    Returns
    -------
    pandas.DataFrame
        One row per method: ``pit_a, pit_b, method, unit, estimate, conf_low,
        conf_high, note``. Intervals are of this pair alone. NaN and a note where a
        method cannot be used.

    Notes
    -----
    Generalized estimating equations with the small-sample covariance of Mancl and
    DeRouen (2001, Biometrics 57:126) and a cluster-robust logistic regression, both
    from statsmodels, with bakes as clusters and t quantiles; differences by the delta
    method. Their intervals can be too short with few bakes (Li and Redden
    2015, BMC Medical Research Methodology 15:38).

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> compare_methods(study, ps.compare_pits(study))["method"].tolist()[0]
    'posterior, bakes as random effects (used here)'
    """
    table = comparison.table
    chosen = table["estimate"].abs().argmax()
    if pair is not None:
        chosen = table[["pit_a", "pit_b"]].isin(pair).all(axis=1).argmax()
    row, naive = table.iloc[int(chosen)], comparison.naive.iloc[int(chosen)]
    pits = [str(row["pit_a"]), str(row["pit_b"])]
    bakes = bake_totals(study)
    own = bakes[bakes["pit"].isin(pits) & (bakes["n_items"] > 0)]
    counts = own.groupby("pit")[["n_burned", "n_items"]].sum().loc[pits]
    share = (counts["n_burned"] / counts["n_items"]).to_numpy(dtype=float)
    ends = tuple(float(row[name]) for name in ("estimate", "conf_low", "conf_high"))
    rows = [
        ("posterior, bakes as random effects (used here)", "bake", *ends, ""),
        (
            "each item counted (Newcombe)",
            "item",
            float(share[0] - share[1]),
            float(naive["conf_low"]),
            float(naive["conf_high"]),
            "ignores shared fires",
        ),
        _clustered("GEE, exchangeable, t", fit_gee, own, pits, comparison.conf_level),
        _clustered(
            "logistic, cluster-robust, t",
            fit_cluster_robust,
            own,
            pits,
            comparison.conf_level,
        ),
    ]
    frame = pd.DataFrame(
        rows, columns=["method", "unit", "estimate", "conf_low", "conf_high", "note"]
    )
    frame.insert(0, "pit_b", pits[1])
    frame.insert(0, "pit_a", pits[0])
    return frame


def _clustered(
    name: str,
    fit: Callable[..., ClusteredFit],
    bakes: pd.DataFrame,
    pits: list[str],
    level: float,
) -> tuple[str, str, float, float, float, str]:
    nothing = (math.nan, math.nan, math.nan)
    if bakes.groupby("pit").size().reindex(pits, fill_value=0).min() < 2:
        return (name, "bake", *nothing, _TOO_FEW)
    design = np.column_stack([bakes["pit"] == pit for pit in pits]).astype(float)
    try:
        found = fit(
            bakes["n_burned"].to_numpy(dtype=int),
            bakes["n_items"].to_numpy(dtype=int),
            design,
            np.arange(len(bakes)),
            level,
        )
    except ValueError:
        return (name, "bake", *nothing, "impossible: a pit burned none or all")
    # One cell per pit: its own column of the design.
    levels = np.eye(2)[:, None, :]
    result = standardize_probabilities(
        found.coef, found.covariance, levels, level, df=found.df
    )
    diff = result.differences
    sign = 1.0 if int(diff.a[0]) == 0 else -1.0
    low, high = sorted((sign * float(diff.low[0]), sign * float(diff.high[0])))
    note = f"t with {found.df:g} df; can be too short with few bakes"
    return (name, "bake", sign * float(diff.estimate[0]), low, high, note)
