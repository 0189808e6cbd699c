"""All pairs of pits as rows of a table, and the verdict of each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from pitstats.stats.bake_model import DifferenceSummary
from pitstats.stats.weighted_draws import PairSummaries

PAIR_COLUMNS = (
    "pit_a",
    "pit_b",
    "estimate",
    "conf_low",
    "conf_high",
    "simultaneous_low",
    "simultaneous_high",
    "p_value",
    "p_adjusted",
    "verdict",
)


def pair_rows(
    differences: DifferenceSummary | PairSummaries,
    names: Sequence[str],
    pits: Sequence[str],
) -> pd.DataFrame:
    """Rows in the order of the pits wanted, whatever order the arrays stand in.

    Parameters
    ----------
    differences : DifferenceSummary or PairSummaries
        Arrays with one entry per pair.
    names : sequence of str
        Pit of each code in the arrays.
    pits : sequence of str
        All of ``names``, in the order wanted.

    Returns
    -------
    pandas.DataFrame
        `PAIR_COLUMNS` without the verdict.
    """
    row = {
        (names[a], names[b]): i
        for i, (a, b) in enumerate(zip(differences.a, differences.b, strict=True))
    }
    pairs = list(combinations(pits, 2))
    index = np.array([row.get(p, row.get(p[::-1], -1)) for p in pairs], dtype=np.intp)
    sign = np.array([1.0 if p in row else -1.0 for p in pairs])
    frame = pd.DataFrame(pairs, columns=["pit_a", "pit_b"], dtype="str")
    frame["estimate"] = sign * differences.estimate[index]
    ends = {
        "conf": (differences.low, differences.high),
        "simultaneous": (differences.simultaneous_low, differences.simultaneous_high),
    }
    for prefix, (low, high) in ends.items():
        first, second = sign * low[index], sign * high[index]
        frame[f"{prefix}_low"] = np.minimum(first, second)
        frame[f"{prefix}_high"] = np.maximum(first, second)
    frame["p_value"] = differences.p_value[index]
    frame["p_adjusted"] = differences.p_adjusted[index]
    return frame


def verdicts(
    low: pd.Series[float],
    high: pd.Series[float],
    *,
    margin: float | None,
    one_bake_each: bool,
) -> list[str]:
    """Turn intervals for differences into the five verdicts.

    Parameters
    ----------
    low, high : pandas.Series of float
        Interval ends, one per pair.
    margin : float or None
        Smallest difference that would change advice, stated before the bake.
    one_bake_each : bool
        Whether no pit was baked more than once; no verdict is given then.

    Returns
    -------
    list of str
        ``"differs"``, ``"differs, within the margin"``, ``"no difference beyond the
        margin"``, ``"cannot tell"`` or ``"one bake each"``.

    Examples
    --------
    >>> import pandas as pd
    >>> verdicts(
    ...     pd.Series([0.1, -0.05]), pd.Series([0.4, 0.08]),
    ...     margin=0.1, one_bake_each=False,
    ... )
    ['differs', 'no difference beyond the margin']
    """
    return [
        _verdict(lo, hi, margin, one_bake_each)
        for lo, hi in zip(low, high, strict=True)
    ]


def judged(
    table: pd.DataFrame, *, margin: float | None, one_bake_each: bool
) -> pd.DataFrame:
    """Add verdicts from the deciding intervals; without one there is no p-value.

    One bake of each pit says nothing about the spread: a p-value would rest on what
    is assumed of it, and look like a verdict.
    """
    found = verdicts(
        table["simultaneous_low"],
        table["simultaneous_high"],
        margin=margin,
        one_bake_each=one_bake_each,
    )
    blank = {"p_value": np.nan, "p_adjusted": np.nan} if one_bake_each else {}
    return table.assign(verdict=found, **blank)


def _verdict(low: float, high: float, margin: float | None, one_bake_each: bool) -> str:
    if one_bake_each:
        return "one bake each"
    excludes_zero = low > 0 or high < 0
    inside = margin is not None and -margin < low and high < margin
    if excludes_zero:
        return "differs, within the margin" if inside else "differs"
    return "no difference beyond the margin" if inside else "cannot tell"
