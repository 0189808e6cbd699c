"""How evenly each pit burns: thirds of its own grates, and the fall along them."""

from __future__ import annotations

import math
from collections.abc import Hashable
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.model.burn_model import distance_curves
from pitstats.analysis.results import Evenness
from pitstats.errors import DesignError
from pitstats.figures.evenness import plot_curves, plot_evenness
from pitstats.report.numbers import (
    level_text,
    percent,
    points,
    signed_points,
    span,
    span_points,
)
from pitstats.report.section import (
    Kept,
    Part,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, one_line, read_with

QUESTION = "How evenly does each pit burn?"
CURVES_NOTE = (
    "Line and hump per pit: a smooth guide for the eye. The thirds above are the "
    "measured statement. Each curve ends with the pit's own items; dotted: the pit had "
    "none there."
)
_ONE_EACH = "One bake of each pit does not tell how evenly it burns."


def section(results: StudyResults) -> Section:
    """Near, middle and far of every pit, upper grates, and curves along the grate."""
    if results.comparison.one_bake_each:
        return nothing("evenness", "evenness", QUESTION, _ONE_EACH)
    try:
        evenness = results.evenness
    except DesignError as reason:
        return nothing("evenness", "evenness", QUESTION, reason)
    beside = read_with(results.findings, "evenness")
    body: list[Part] = [Text(beside, "note")] if beside else []
    said = evenness_sentences(evenness)
    caption = evenness_caption(evenness)
    body += [
        Picture("evenness", partial(plot_evenness, evenness), " ".join(said)),
        Sentences(said),
        Text(evenness_pairs_sentence(evenness)),
        Table("evenness", evenness_table(evenness), caption, evenness.table),
    ]
    if len(evenness.grates):
        shown = contrast_table(evenness.grates, "lower", "upper", "upper_minus_lower")
        caption = (
            "Upper against lower grate, over the same distances: long-run burn rates "
            f"{unit_text(evenness)}"
        )
        body.append(Table("evenness_grates", shown, caption, evenness.grates))
    body += _curves(results)
    body.append(Sentences(evenness.caveats))
    body.append(Text(evenness_method(evenness), "note"))
    answer = in_short(evenness)
    return Section(id="evenness", question=QUESTION, answer=answer, body=body)


def _curves(results: StudyResults) -> list[Part]:
    """Burn probability along the grate, where a curve can be drawn."""
    try:
        curves, caveats = distance_curves(results.study, conf_level=results.conf_level)
    except DesignError as reason:
        return [Text(str(reason), "note")]
    draw = partial(plot_curves, curves)
    return [
        Picture("curves", draw, curves_in_words(curves), CURVES_NOTE),
        Kept("curves", curves),
        Sentences(caveats),
    ]


def in_short(evenness: Evenness) -> str:
    """Which pits burn more at one end, in one sentence."""
    table = evenness.table
    near = [one_line(pit) for pit in table.loc[table["conf_low"] > 0, "pit"]]
    far = [one_line(pit) for pit in table.loc[table["conf_high"] < 0, "pit"]]
    parts = [f"near the firebox: {listed(near)}"] if near else []
    parts += [f"at the far end: {listed(far)}"] if far else []
    if not parts:
        return "Of no pit can this test tell whether it burns more near or far."
    return f"Burned more {'; '.join(parts)}."


def curves_in_words(curves: pd.DataFrame) -> str:
    """Describe the curves for those who cannot see them.

    Examples
    --------
    >>> import pandas as pd
    >>> curves_in_words(pd.DataFrame(
    ...     {"pit": "Mill", "distance": [0.1, 0.5, 0.9], "estimate": [0.5, 0.3, 0.2]}))
    'Mill: 50% at its items nearest the firebox, 30% halfway, 20% at its farthest.'
    """
    parts = []
    for pit, own in curves.groupby("pit", sort=False):
        rate = own["estimate"].to_numpy(dtype=float)
        name = one_line(pit)
        if len(rate) == 1:
            parts.append(
                f"{name}: {percent(rate[0])} at the one distance of its items."
            )
            continue
        parts.append(
            f"{name}: {percent(rate[0])} at its items nearest the firebox, "
            f"{percent(rate[len(rate) // 2])} halfway, {percent(rate[-1])} at its "
            "farthest."
        )
    return " ".join(parts)


def evenness_sentences(evenness: Evenness) -> list[str]:
    """Say for each pit where on its grate it burns more."""
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
        return f"{name}, estimated from this bake: {numbers} ({fall})."
    basis = f"averaged over {count(n_bakes, 'bake')}; {fall}"
    if low > 0 or high < 0:
        end = "firebox" if low > 0 else "far"
        return (
            f"{name} burned more at its {end} end in these conditions: {numbers} "
            f"({basis})."
        )
    return (
        f"{name}: this test cannot tell whether it burns more near or far in these "
        f"conditions: {numbers} ({basis}). A fall or rise larger than "
        f"{points(max(-low, high))} is excluded."
    )


def evenness_pairs_sentence(evenness: Evenness) -> str:
    """Say which pits differ in how their burning falls along the grate."""
    table = evenness.differences
    if table.empty:
        return "There is no pair of pits to compare in evenness."
    if (table["verdict"] == "one bake each").all():
        return "Whether the pits differ in evenness cannot be told from one bake each."
    differs = table[table["verdict"].str.startswith("differs")]
    if differs.empty:
        ends = table[["simultaneous_low", "simultaneous_high"]].abs().to_numpy()
        return (
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
    return (
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
    """Rates of the thirds, ready to read."""
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
    """Two rates of each pit and their difference, ready to read."""
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
        f"Evenness: {evenness.method}. In 21 simulated settings of two pits its "
        "intervals of near less far held in 90 to 100 of 100 studies, those between "
        "pits in 94 or more. More than two pits and shared sessions were not tried."
    )
