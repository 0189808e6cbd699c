"""Which pit burns more, and is it more than luck? All pairs of pits."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from pitstats.analysis import caveats as notes
from pitstats.analysis.coverage import layouts_differ
from pitstats.analysis.posterior import BakePosterior, bake_posterior
from pitstats.analysis.rates import METHOD, checked_level, estimate_burn_rates
from pitstats.analysis.results import PitComparison
from pitstats.errors import DesignError
from pitstats.stats.intervals import newcombe_difference
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study

ESTIMAND = "difference of long-run burn rates, first pit minus second"


def compare_pits(study: Study, *, conf_level: float | None = None) -> PitComparison:
    """Compare the long-run burn rates of all pairs of pits.

    Parameters
    ----------
    study : Study
        A valid study with graded items in at least two pits.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    PitComparison
        One row per pair. With more than two pits the verdicts follow the
        simultaneous intervals.

    Raises
    ------
    DesignError
        If fewer than two pits have graded items.

    Notes
    -----
    ``p_value`` belongs to one pair on its own; ``p_adjusted`` allows for all pairs and
    is below ``1 - conf_level`` exactly when the simultaneous interval excludes 0.

    Examples
    --------
    >>> import pitstats as ps
    >>> comparison = ps.compare_pits(ps.demo_study("one_bake_each"))
    >>> set(comparison.table["verdict"])
    {'one bake each'}
    """
    level = checked_level(study, conf_level)
    rates = estimate_burn_rates(study, level)
    totals = bake_totals(study)
    graded = totals[(totals["n_items"] > 0) & totals["n_burned"].notna()]
    pits = [p for p in study.pits["pit"] if p in set(graded["pit"])]
    if len(pits) < 2:
        raise DesignError(
            f"A comparison needs graded items in at least two pits; {len(pits)} of "
            f"{len(study.pits)} pits have any. Add bakes of another pit, or use the "
            "rates of the one pit alone."
        )
    n_bakes = rates.table.set_index("pit")["n_bakes"]
    table = pair_table(graded, pits, level, study.settings.margin)
    found = list(rates.caveats)
    if layouts_differ(study):
        found.append(notes.LAYOUTS_DIFFER)
    return PitComparison(
        table=table,
        naive=_naive_differences(rates.table, pits, level),
        n_bakes=n_bakes,
        layout="as baked",
        margin=study.settings.margin,
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=tuple(found),
        rates=rates.table,
    )


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


def _verdict(low: float, high: float, margin: float | None, one_bake_each: bool) -> str:
    if one_bake_each:
        return "one bake each"
    excludes_zero = low > 0 or high < 0
    inside = margin is not None and -margin < low and high < margin
    if excludes_zero:
        return "differs, within the margin" if inside else "differs"
    return "no difference beyond the margin" if inside else "cannot tell"


def pair_table(
    bakes: pd.DataFrame, pits: list[str], level: float, margin: float | None
) -> pd.DataFrame:
    """Intervals and verdicts of all pairs, from bakes with their counts.

    Parameters
    ----------
    bakes : pandas.DataFrame
        ``pit, n_items, n_burned``, one row per bake with graded items.
    pits : list of str
        All pits of ``bakes``, in the order wanted.
    level : float
        Level of the intervals.
    margin : float or None
        Smallest difference that would change advice.

    Returns
    -------
    pandas.DataFrame
        The columns of `PitComparison.table`.

    Examples
    --------
    >>> import pandas as pd
    >>> bakes = pd.DataFrame(
    ...     {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [1, 2, 15, 17]}
    ... )
    >>> pair_table(bakes, ["A", "B"], 0.95, None)["verdict"].tolist()
    ['differs']
    """
    table = _differences(bake_posterior(bakes, level), pits)
    table["verdict"] = verdicts(
        table["simultaneous_low"],
        table["simultaneous_high"],
        margin=margin,
        one_bake_each=int(bakes.groupby("pit").size().max()) <= 1,
    )
    return table


def _differences(posterior: BakePosterior, pits: list[str]) -> pd.DataFrame:
    """Rows in the order of the pits' table, whatever order the bakes stand in."""
    diff = posterior.result.differences
    names = posterior.pits
    row = {
        (names[a], names[b]): i
        for i, (a, b) in enumerate(zip(diff.a, diff.b, strict=True))
    }
    columns: dict[str, list[float]] = {
        name: []
        for name in (
            "estimate",
            "conf_low",
            "conf_high",
            "simultaneous_low",
            "simultaneous_high",
            "p_value",
            "p_adjusted",
        )
    }
    pairs = list(combinations(pits, 2))
    for a, b in pairs:
        i, sign = (row[a, b], 1.0) if (a, b) in row else (row[b, a], -1.0)
        columns["estimate"].append(sign * float(diff.estimate[i]))
        _append_ends(columns, "conf", sign, diff.low[i], diff.high[i])
        _append_ends(
            columns,
            "simultaneous",
            sign,
            diff.simultaneous_low[i],
            diff.simultaneous_high[i],
        )
        columns["p_value"].append(float(diff.p_value[i]))
        columns["p_adjusted"].append(float(diff.p_adjusted[i]))
    return pd.DataFrame(
        {
            "pit_a": [a for a, _ in pairs],
            "pit_b": [b for _, b in pairs],
            **columns,
        }
    )


def _append_ends(
    columns: dict[str, list[float]],
    prefix: str,
    sign: float,
    low: np.float64,
    high: np.float64,
) -> None:
    ends = sorted((sign * float(low), sign * float(high)))
    columns[f"{prefix}_low"].append(ends[0])
    columns[f"{prefix}_high"].append(ends[1])


def _naive_differences(
    rates: pd.DataFrame, pits: list[str], level: float
) -> pd.DataFrame:
    counts = rates.set_index("pit")[["n_burned", "n_items"]]
    rows = []
    for a, b in combinations(pits, 2):
        burned, total = counts.loc[[a, b], "n_burned"], counts.loc[[a, b], "n_items"]
        low, high = newcombe_difference(burned.to_numpy(), total.to_numpy(), level)
        rows.append((a, b, float(low), float(high)))
    return pd.DataFrame(rows, columns=["pit_a", "pit_b", "conf_low", "conf_high"])
