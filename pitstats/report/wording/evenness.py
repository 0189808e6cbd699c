"""Evenness in words: where a pit burns more, and whether pits differ in it."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import pandas as pd

from pitstats.analysis.results import Evenness
from pitstats.report.numbers import signed_points, span, span_points
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import (
    count,
    level_text,
    listed,
    one_line,
    percent,
    points,
)


def evenness_sentences(evenness: Evenness) -> list[str]:
    """Say for each pit where on its grate it burns more.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.

    Returns
    -------
    list of str
        One sentence per pit; where the interval of the fall spans 0, the smallest fall
        or rise that the data exclude.

    Examples
    --------
    >>> import pitstats as ps
    >>> evenness = ps.compare_evenness(ps.demo_study("four_pits"))
    >>> evenness_sentences(evenness)[0].startswith("Quarry burned more at its firebox")
    True
    """
    return [_of_pit(row, evenness) for row in evenness.table.to_dict("records")]


def _of_pit(row: dict[Hashable, Any], evenness: Evenness) -> str:
    name = one_line(row["pit"])
    if math.isnan(row["near"]) or math.isnan(row["far"]):
        return f"{name}: no graded items at one end of its grate, so no fall is given."
    level = level_text(evenness.conf_level)
    numbers = (
        f"{percent(row['near'])} near, {percent(row['middle'])} in the middle, "
        f"{percent(row['far'])} far"
    )
    low, high = float(row["conf_low"]), float(row["conf_high"])
    ends = f"{level} interval {span_points(low, high)} points"
    fall = f"near minus far {signed_points(row['near_minus_far'])} points, {ends}"
    n_bakes = int(evenness.n_bakes[row["pit"]])
    if n_bakes == 1:
        return sentence(f"{name}, estimated from this bake: {numbers} ({fall}).")
    basis = f"averaged over {count(n_bakes, 'bake')}; {fall}"
    if low > 0 or high < 0:
        end = "firebox" if low > 0 else "far"
        return sentence(
            f"{name} burned more at its {end} end in these conditions: {numbers} "
            f"({basis})."
        )
    return sentence(
        f"{name}: this test cannot tell whether it burns more near or far in these "
        f"conditions: {numbers} ({basis}). A fall or rise larger than "
        f"{points(max(-low, high))} is excluded."
    )


def zone_sentences(evenness: Evenness, ends: pd.DataFrame) -> list[str]:
    """Name the end of a grate that burned more in every bake.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.
    ends : pandas.DataFrame
        As returned by `count_ends`, of the same study.

    Returns
    -------
    list of str
        One sentence for each pit that was baked twice or more, of which one end burned
        a larger share in every bake and the interval of the fall excludes 0. A zone
        seen in one bake is not named.

    Examples
    --------
    >>> import pitstats as ps
    >>> from pitstats.analysis.places.end_counts import count_ends
    >>> study = ps.demo_study("unequal_layouts")
    >>> zones = zone_sentences(ps.compare_evenness(study), count_ends(study))
    >>> zones[0].startswith("Quarry: repeatably hotter near the firebox")
    True
    """
    found = []
    for row in evenness.table.to_dict("records"):
        own = ends[ends["pit"] == row["pit"]]
        own = own[(own["near_items"] > 0) & (own["far_items"] > 0)]
        near = own["near_burned"] / own["near_items"]
        far = own["far_burned"] / own["far_items"]
        if len(own) < 2 or len(own) < int(evenness.n_bakes[row["pit"]]):
            continue
        for end, more in (
            ("firebox", row["conf_low"] > 0 and (near > far).all()),
            ("far end", row["conf_high"] < 0 and (far > near).all()),
        ):
            if more:
                found.append(_zone(one_line(row["pit"]), end, len(own)))
    return found


def _zone(name: str, end: str, n_bakes: int) -> str:
    other = "far" if end == "firebox" else "near"
    this = "near" if end == "firebox" else "far"
    return sentence(
        f"{name}: repeatably hotter near the {end} in these conditions, as far as "
        f"burning shows it: in each of {count(n_bakes, 'bake')} a larger share of the "
        f"items in the {this} third burned than in the {other} third."
    )


def evenness_pairs_sentence(evenness: Evenness) -> str:
    """Say which pits differ in how their burning falls along the grate.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.

    Returns
    -------
    str
        One or two sentences; where no pair is separated, the smallest difference that
        the data exclude.

    Examples
    --------
    >>> import pitstats as ps
    >>> evenness = ps.compare_evenness(ps.demo_study("one_bake_each"))
    >>> evenness_pairs_sentence(evenness)
    'Whether the pits differ in evenness cannot be told from one bake each.'
    """
    table = evenness.differences
    if table.empty:
        return "There is no pair of pits to compare in evenness."
    if (table["verdict"] == "one bake each").all():
        return sentence(
            "Whether the pits differ in evenness cannot be told from one bake each."
        )
    differs = table[table["verdict"].str.startswith("differs")]
    if differs.empty:
        ends = table[["simultaneous_low", "simultaneous_high"]].abs().to_numpy()
        return sentence(
            "This test cannot tell whether the pits differ in how their burning falls "
            "from the firebox to the far end in these conditions. Differences in that "
            f"fall larger than {points(float(ends.max()))} are excluded, averaged over "
            "bakes."
        )
    pairs = [_steeper(row) for row in differs.to_dict("records")]
    level = level_text(evenness.conf_level)
    allowed = (
        f" ({level} intervals that allow for all {len(table)} pairs)"
        if len(table) > 1
        else f" ({level} interval)"
    )
    return sentence(
        f"In these conditions, averaged over bakes, burning fell from near to far "
        f"{listed(pairs)}{allowed}."
    )


def _steeper(row: dict[Hashable, Any]) -> str:
    low, high = float(row["simultaneous_low"]), float(row["simultaneous_high"])
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    if row["estimate"] < 0:
        first, second, low, high = second, first, -high, -low
    return (
        f"more steeply in {first} than in {second} by {span_points(low, high)} points"
    )


def evenness_table(evenness: Evenness) -> pd.DataFrame:
    """Rates of the thirds, ready to read.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> evenness_table(ps.compare_evenness(ps.demo_study("one_bake_each"))).shape
    (2, 6)
    """
    table = evenness.table
    columns: dict[str, Any] = {
        "Pit": table["pit"].map(one_line),
        "Bakes": table["pit"].map(evenness.n_bakes),
    }
    for part, label in (("near", "Near"), ("middle", "Middle"), ("far", "Far")):
        columns[label] = _rates(table, part)
    columns["Near minus far, points"] = [
        f"{signed_points(fall)} ({span_points(low, high)})"
        for fall, low, high in zip(
            table["near_minus_far"], table["conf_low"], table["conf_high"], strict=True
        )
    ]
    return pd.DataFrame(columns)


def _rates(table: pd.DataFrame, name: str) -> list[str]:
    return [
        "no items" if pd.isna(rate) else f"{percent(rate)} ({span(low, high)})"
        for rate, low, high in zip(
            table[name], table[f"{name}_low"], table[f"{name}_high"], strict=True
        )
    ]


def contrast_table(
    table: pd.DataFrame, first: str, second: str, contrast: str
) -> pd.DataFrame:
    """Two rates of each pit and their difference, ready to read.

    Parameters
    ----------
    table : pandas.DataFrame
        ``pit``, both names with their ``_low`` and ``_high``, the contrast and its
        ``conf_low, conf_high``.
    first, second, contrast : str
        Column names.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> faces = ps.compare_evenness(ps.demo_study("one_bake_each")).faces
    >>> contrast_table(faces, "top", "bottom", "bottom_minus_top").columns[-1]
    'bottom minus top, points'
    """
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            first: _rates(table, first),
            second: _rates(table, second),
            f"{contrast.replace('_', ' ')}, points": [
                f"{signed_points(value)} ({span_points(low, high)})"
                for value, low, high in zip(
                    table[contrast], table["conf_low"], table["conf_high"], strict=True
                )
            ],
        }
    )


def evenness_caption(evenness: Evenness) -> str:
    """Say what the table of thirds shows."""
    return (
        "Long-run burn rate in each third of the pit's own grates "
        f"{unit_text(evenness)}"
    )


def unit_text(evenness: Evenness) -> str:
    """Level and unit of replication, for captions."""
    level = level_text(evenness.conf_level)
    return f"({level} intervals; unit of replication: the bake)"


def evenness_method(evenness: Evenness) -> str:
    """Describe the method behind the thirds, and what of it was not measured."""
    return (
        f"Evenness: {evenness.method}. How often the intervals of this model cover the "
        "truth was not measured yet over a range of settings, nor were more than two "
        "pits and shared sessions tried."
    )
