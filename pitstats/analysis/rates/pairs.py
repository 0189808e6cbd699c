"""All pairs of pits as rows of a table, and the verdict of each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from pitstats.analysis.caveats import FEW_BESIDE_MANY, ONE_BESIDE_FEW
from pitstats.stats.estimates import PairEstimates
from pitstats.stats.unequal_means import MeanDifferences

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
SEPARATED = ("differs", "differs, within the margin")
"""Verdicts that tell two pits apart."""

CANNOT_TELL = "cannot tell"
WITHOUT_VERDICT = (CANNOT_TELL, "one bake each")
"""What stands in the place of a verdict that further bakes may bring."""


def pair_rows(
    differences: PairEstimates | MeanDifferences,
    names: Sequence[str],
    pits: Sequence[str],
) -> pd.DataFrame:
    """Rows in the order of the pits wanted, whatever order the arrays stand in."""
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


def seen_ahead(table: pd.DataFrame, by: pd.Series | None = None) -> pd.DataFrame:
    """See every pair from the pit that is ahead: one direction on a page.

    Examples
    --------
    >>> pairs = pd.DataFrame({"pit_a": ["Mill"], "pit_b": ["Ferry"], "estimate": -0.2,
    ...                       "conf_low": -0.5, "conf_high": 0.1})
    >>> seen_ahead(pairs).to_dict("records")[0]["conf_high"]
    0.5
    """
    behind = (table["estimate"] if by is None else by) < 0
    return seen_from_the_other_pit(table, behind.to_numpy())


def seen_from_the_other_pit(
    table: pd.DataFrame, turn: np.ndarray | None = None
) -> pd.DataFrame:
    """Exchange the pits of pairs, all or those to turn; differences change sign."""
    rows = slice(None) if turn is None else turn
    spans = [
        (low, f"{low.removesuffix('low')}high")
        for low in map(str, table.columns)
        if low.endswith("_low")
    ]
    spans += [("shift_from", "shift_to")] * ("shift_from" in table)
    seen = table.copy()
    for one, other in (("pit_a", "pit_b"), *spans):
        seen.loc[rows, [one, other]] = table.loc[rows, [other, one]].to_numpy()
    signed = [name for name in ("estimate", "base_estimate", "shift") if name in table]
    seen.loc[rows, [*signed, *(end for span in spans for end in span)]] *= -1.0
    return seen


def largest_difference(pairs: pd.DataFrame) -> pd.Series:
    """The pair that differs most."""
    return pairs.iloc[int(pairs["estimate"].abs().argmax())]


FEWEST_BESIDE_ONE = 3
"""Bakes that one pit of a pair needs for a verdict when the other was baked once."""


def withheld_pairs(table: pd.DataFrame, n_bakes: pd.Series) -> list[bool]:
    """Pairs with a pit baked once whose other pit has too few bakes for a verdict.

    A pit baked once borrows its spread between bakes. Against two bakes that is too
    little to hold the level; against three or more of another pit it held.

    Examples
    --------
    >>> pairs = pd.DataFrame({"pit_a": ["A", "A", "B"], "pit_b": ["B", "C", "C"]})
    >>> withheld_pairs(pairs, pd.Series({"A": 1, "B": 2, "C": 3}))
    [True, False, False]
    """
    return [
        too_few_bakes(int(n_bakes[a]), int(n_bakes[b]))
        for a, b in zip(table["pit_a"], table["pit_b"], strict=True)
    ]


MANY_TIMES = 3
"""Times as many bakes of one pit as of the other at which a verdict gets its caveat.

Own spreads cannot be learned from few bakes: in the simulated pairs of
``tests/calibration/before_after.md`` false calls stay at 8 % or less up to here, and
reach `FALSE_CALLS_AT_WORST` beyond.
"""

FALSE_CALLS_AT_WORST = 14
"""Largest share of false calls beyond `MANY_TIMES`, percent."""


def unequal_effort(table: pd.DataFrame, n_bakes: pd.Series) -> list[bool]:
    """Pairs with a verdict of which one pit was baked `MANY_TIMES` as often.

    Examples
    --------
    >>> pairs = pd.DataFrame({"pit_a": ["A", "A", "B"], "pit_b": ["B", "C", "C"]})
    >>> unequal_effort(pairs, pd.Series({"A": 2, "B": 4, "C": 8}))
    [False, True, False]
    """
    counts = [
        sorted((int(n_bakes[a]), int(n_bakes[b])))
        for a, b in zip(table["pit_a"], table["pit_b"], strict=True)
    ]
    return [
        not too_few_bakes(few, many) and many >= MANY_TIMES * few > 0
        for few, many in counts
    ]


def few_beside_many(table: pd.DataFrame, n_bakes: pd.Series) -> list[str]:
    """Pits whose few bakes stand beside many of another, by `unequal_effort`.

    Examples
    --------
    >>> pairs = pd.DataFrame({"pit_a": ["A", "B"], "pit_b": ["B", "C"]})
    >>> few_beside_many(pairs, pd.Series({"A": 2, "B": 7, "C": 4}))
    ['A']
    """
    pairs = table.loc[unequal_effort(table, n_bakes), ["pit_a", "pit_b"]]
    few = [min(pair, key=lambda pit: n_bakes[pit]) for pair in pairs.to_numpy()]
    return list(dict.fromkeys(map(str, few)))


def withheld_caveats(table: pd.DataFrame, n_bakes: pd.Series) -> list[str]:
    """What to say of pairs without a verdict; nothing where no pit has two bakes."""
    named = _named(table, withheld_pairs(table, n_bakes))
    if not named or n_bakes.max() < 2:
        return []
    return [ONE_BESIDE_FEW.format(pairs=named)]


def unequal_effort_caveats(table: pd.DataFrame, n_bakes: pd.Series) -> list[str]:
    """What to say of verdicts about pits with few bakes beside many."""
    few = few_beside_many(table, n_bakes)
    if not few:
        return []
    named = _named(table, unequal_effort(table, n_bakes))
    worst = {"times": MANY_TIMES, "percent": FALSE_CALLS_AT_WORST}
    return [FEW_BESIDE_MANY.format(pairs=named, few=" and ".join(few), **worst)]


def _named(table: pd.DataFrame, chosen: list[bool]) -> str:
    pairs = table.loc[chosen, ["pit_a", "pit_b"]].itertuples(index=False)
    return ", ".join(f"{a} and {b}" for a, b in pairs)


def too_few_bakes(first: int, second: int) -> bool:
    """Whether a pair with these numbers of bakes gets no verdict."""
    return min(first, second) <= 1 and max(first, second) < FEWEST_BESIDE_ONE


def verdicts(
    low: pd.Series[float],
    high: pd.Series[float],
    *,
    margin: float | None,
    one_bake_each: bool,
    withheld: Sequence[bool] | None = None,
) -> list[str]:
    """Turn intervals for differences into the five verdicts."""
    if one_bake_each:
        return ["one bake each"] * len(low)
    return [
        CANNOT_TELL if without else verdict(lo, hi, margin)
        for lo, hi, without in zip(
            low, high, withheld or [False] * len(low), strict=True
        )
    ]


def judged(
    table: pd.DataFrame,
    *,
    margin: float | None,
    n_bakes: pd.Series,
) -> pd.DataFrame:
    """Add verdicts from the deciding intervals; without one there is no p-value.

    One bake of each pit says nothing about the spread: a p-value would rest on what
    is assumed of it, and look like a verdict. The same holds for pairs of
    `withheld_pairs`.
    """
    one_bake_each = bool(n_bakes.max() <= 1)
    withheld = withheld_pairs(table, n_bakes)
    found = verdicts(
        table["simultaneous_low"],
        table["simultaneous_high"],
        margin=margin,
        one_bake_each=one_bake_each,
        withheld=withheld,
    )
    judged = table.assign(verdict=found)
    untold = [one_bake_each or without for without in withheld]
    judged.loc[untold, ["p_value", "p_adjusted"]] = np.nan
    return judged


def verdict(low: float, high: float, margin: float | None) -> str:
    """Verdict of one interval of a pair with bakes enough for one."""
    excludes_zero = low > 0 or high < 0
    inside = margin is not None and -margin < low and high < margin
    if excludes_zero:
        return "differs, within the margin" if inside else "differs"
    return "no difference beyond the margin" if inside else CANNOT_TELL
