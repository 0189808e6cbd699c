"""Results in, tables for readers out: words for columns, text for cells."""

from __future__ import annotations

import math

import pandas as pd

from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.report.wording import one_line, percent
from pitstats.report.wording.numbers import MINUS, NO_VALUE, true_minus
from pitstats.study.study import Study


def signed_points(value: float) -> str:
    """Write a difference in points with its sign.

    Examples
    --------
    >>> signed_points(0.123), signed_points(-0.05), signed_points(-0.004)
    ('+12', '\N{MINUS SIGN}5', '\N{MINUS SIGN}0.4')
    """
    if math.isnan(value):
        return NO_VALUE
    exact = 100 * float(value)
    if abs(exact) < 0.05:
        # Smaller than the error of the draws it may come from.
        return "0"
    # An end close to 0 must not be rounded onto the other side of a verdict.
    text = f"{exact:+.1f}" if 0 < abs(exact) < 0.95 else f"{exact:+.0f}"
    return true_minus(text)


def span(low: float, high: float) -> str:
    """Write an interval of shares in per cent."""
    return NO_VALUE if math.isnan(low) else f"{percent(low)} to {percent(high)}"


def _share_spans(low: pd.Series, high: pd.Series) -> list[str]:
    return [span(lo, hi) for lo, hi in zip(low, high, strict=True)]


def span_points(low: float, high: float) -> str:
    """Write an interval of differences in points."""
    return (
        NO_VALUE
        if math.isnan(low)
        else f"{signed_points(low)} to {signed_points(high)}"
    )


def rate_table(rates: BurnRates) -> pd.DataFrame:
    """Rates of all pits, ready to read.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> frame = rate_table(ps.estimate_burn_rates(ps.demo_study("four_pits")))
    >>> frame.columns[0]
    'Pit'
    """
    table, naive = rates.table, rates.naive
    word = {"burned": "Burned", "underbaked": "Under-baked", "good": "Good"}
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bakes": table["n_bakes"],
            word[rates.outcome]: [
                f"{burned} of {total}"
                for burned, total in zip(
                    table["n_burned"], table["n_items"], strict=True
                )
            ],
            "Missing": table["n_missing"],
            "Long-run share": table["estimate"].map(percent),
            "Interval": _share_spans(table["conf_low"], table["conf_high"]),
            "If each item counted": _share_spans(naive["conf_low"], naive["conf_high"]),
            "Worth (independent items)": [
                "unknown" if pd.isna(value) else f"{value:.0f}"
                for value in table["effective_items"]
            ],
        }
    )


def pair_table(comparison: PitComparison) -> pd.DataFrame:
    """All pairs of pits, ready to read.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pair; differences in percentage points.

    Examples
    --------
    >>> import pitstats as ps
    >>> len(pair_table(ps.compare_pits(ps.demo_study("four_pits"))))
    6
    """
    table, naive = comparison.table, comparison.naive
    columns = {
        "Pair": pair_names(comparison),
        "Difference, points": table["estimate"].map(signed_points),
        "Interval, this pair alone": point_spans(table, "conf"),
    }
    if len(table) > 1:
        columns["Interval, all pairs"] = point_spans(table, "simultaneous")
    columns["If each item counted"] = point_spans(naive, "conf")
    columns["p, adjusted" if len(table) > 1 else "p"] = [
        "none" if p != p else "< 0.001" if p < 0.001 else f"{p:.3f}"
        for p in table["p_adjusted"]
    ]
    columns["Verdict"] = table["verdict"]
    if comparison.one_bake_each:
        # A p-value would look like a verdict where none is given.
        columns.pop("p, adjusted", None)
        columns.pop("p", None)
    return pd.DataFrame(columns)


def ways_table(both: BothWays) -> pd.DataFrame:
    """All pairs counted three ways: items, bakes as baked, bakes on a common layout.

    Parameters
    ----------
    both : BothWays
        As returned by `compare_both_ways`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pair; differences in percentage points.

    Examples
    --------
    >>> import pitstats as ps
    >>> ways_table(ps.compare_both_ways(ps.demo_study("four_pits"))).shape
    (6, 6)
    """
    baked = both.as_baked
    columns = {
        "Pair": pair_names(baked),
        "If each item counted": point_spans(baked.naive, "conf"),
        "As baked": _estimates(baked),
        "Verdict, as baked": baked.table["verdict"],
    }
    if both.common is not None:
        columns["Common layout"] = _estimates(both.common)
        columns["Verdict, common layout"] = both.common.table["verdict"]
    return pd.DataFrame(columns)


def methods_table(methods: pd.DataFrame) -> pd.DataFrame:
    """One pair by several methods, ready to read.

    Parameters
    ----------
    methods : pandas.DataFrame
        As returned by `compare_methods`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per method; differences in percentage points.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> methods_table(ps.compare_methods(study, ps.compare_pits(study))).shape
    (4, 5)
    """
    return pd.DataFrame(
        {
            "Method": methods["method"],
            "Unit": methods["unit"],
            "Difference, points": methods["estimate"].map(signed_points),
            "Interval": point_spans(methods, "conf"),
            "Note": methods["note"],
        }
    )


def pair_names(comparison: PitComparison) -> list[str]:
    """Name the pairs as they stand in a table: first pit minus second."""
    table = comparison.table
    return [
        f"{one_line(a)} {MINUS} {one_line(b)}"
        for a, b in zip(table["pit_a"], table["pit_b"], strict=True)
    ]


def _estimates(comparison: PitComparison) -> list[str]:
    spans = point_spans(comparison.table, "simultaneous")
    return [
        f"{signed_points(estimate)} ({span})"
        for estimate, span in zip(comparison.table["estimate"], spans, strict=True)
    ]


def point_spans(table: pd.DataFrame, prefix: str) -> list[str]:
    """Write a column of intervals of differences, from ``PREFIX_low`` and ``_high``."""
    return [
        span_points(lo, hi)
        for lo, hi in zip(table[f"{prefix}_low"], table[f"{prefix}_high"], strict=True)
    ]


def bake_table(study: Study, rates: BurnRates) -> pd.DataFrame:
    """Every bake of the study, kept, excluded or still planned.

    Parameters
    ----------
    study : Study
        The study.
    rates : BurnRates
        Its burn rates, for the counts of each bake.

    Returns
    -------
    pandas.DataFrame
        Text, one row per bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> bake_table(study, ps.estimate_burn_rates(study))["Status"].tolist()
    ['kept', 'kept']
    """
    counts = rates.bakes.set_index("bake")
    bakes = study.bakes
    unit = study.settings.temperature_unit
    known = bakes["bake"].isin(counts.index)

    def counted(column: str) -> pd.Series[float]:
        return bakes["bake"].map(counts[column])

    burned, items = counted("n_burned"), counted("n_items")
    columns: dict[str, object] = {
        "Bake": bakes["bake"].map(one_line),
        "Pit": bakes["pit"].map(one_line),
        "Session": bakes["session"].map(_text),
        "Order": bakes["order"].map(_text),
        "Burned": [
            f"{b:.0f} of {n:.0f}" if ok and pd.notna(b) else NO_VALUE
            for b, n, ok in zip(burned, items, known, strict=True)
        ],
        "Share": [
            percent(s) if pd.notna(s) else NO_VALUE for s in counted("share").tolist()
        ],
        "Missing": [
            _text(n) if pd.notna(n) else NO_VALUE for n in counted("n_missing")
        ],
    }
    if bakes["indicated_temp"].notna().any():
        columns[f"Indicated, °{unit}"] = bakes["indicated_temp"].map(_text)
    if bakes["grate_temp"].notna().any():
        columns[f"Grate, °{unit}"] = bakes["grate_temp"].map(_text)
    columns["Status"] = [
        status if pd.isna(reason) else f"{status}: {one_line(reason)}"
        for status, reason in zip(bakes["status"], bakes["reason"], strict=True)
    ]
    return pd.DataFrame(columns)


def _text(value: object) -> str:
    if pd.isna(value):  # type: ignore[call-overload]
        return NO_VALUE
    return f"{value:g}" if isinstance(value, int | float) else one_line(value)


def missing_table(rates: BurnRates) -> pd.DataFrame:
    """Range of each share if none or all of the missing items had burned.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> missing_table(ps.estimate_burn_rates(ps.demo_study("four_pits"))).shape[1]
    5
    """
    frame = rates.missing_range
    return pd.DataFrame(
        {
            "Pit": frame["pit"].map(one_line),
            "Missing items": frame["n_missing"],
            "Share seen, missing left out": frame["observed"].map(percent),
            "Share seen, could have been": _share_spans(
                frame["lowest"], frame["highest"]
            ),
            "Long-run interval, widest": _share_spans(
                frame["conf_low"], frame["conf_high"]
            ),
        }
    )
