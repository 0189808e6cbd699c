"""How evenly each pit burns: thirds of its own grates, and the fall along them."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pandas as pd

from pitstats.analysis.results import Evenness
from pitstats.errors import DesignError
from pitstats.figures.evenness import plot_curves, plot_evenness
from pitstats.report.numbers import level_text, percent, points, signed_points
from pitstats.report.section import (
    Answered,
    Kept,
    Part,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import estimate, table_of
from pitstats.report.words import (
    farthest_ends,
    intervals_for,
    listed,
    more_span,
    one_line,
    read_with,
    separated_pairs,
)

CURVES_NOTE = (
    "Line and hump per pit: a smooth guide for the eye; the thirds are the measured "
    "statement. Each curve ends with the pit's own items; dotted: the pit had none "
    "there."
)
_CAPTION = "Diamonds: long-run shares with intervals; thin lines: single bakes."
_MEASURED = (
    "In 21 simulated settings of two pits its intervals of near less far held in 90 to "
    "100 of 100 studies, those between pits in 94 or more. More than two pits and "
    "shared sessions were not tried."
)
_ONE_EACH = "One bake of each pit does not tell how evenly it burns."


@asks("evenness", "evenness", "How evenly does each pit burn?")
def evenness(results: StudyResults) -> Answered:
    """Near, middle and far of every pit, upper grates, and curves along the grate."""
    if results.comparison.one_bake_each:
        raise DesignError(_ONE_EACH)
    evenness = results.evenness
    answer = in_short(evenness)
    yield answer
    yield Text(read_with(results.findings, "evenness"), "note")
    draw = partial(plot_evenness, evenness, _bakes(results))
    alt = f"Burned share near, in the middle and far. {answer}"
    yield Picture("evenness", draw, alt, _CAPTION)
    yield evenness_table(evenness)
    yield Text(evenness_pairs_sentence(evenness))
    yield grates_table(evenness)
    yield from _curves(results)
    yield Sentences(evenness.caveats)
    yield Text(f"Evenness: {evenness.method}. {_MEASURED}", "note")


def _bakes(results: StudyResults) -> pd.DataFrame | None:
    """What each bake saw in the thirds, where that is known."""
    try:
        return results.patterns.zones
    except DesignError:
        return None


def _curves(results: StudyResults) -> Iterator[Part]:
    """Burn probability along the grate, where a curve can be drawn."""
    both = results.both
    try:
        curves, caveats = results.curves
    except DesignError as reason:
        # Why there is no layout that pits share is said where they are compared.
        yield Text(str(reason) if str(reason) != both.why_not else "", "note")
        return
    alt = "Burned share along the grate, a curve with its band for each pit."
    yield Picture("curves", partial(plot_curves, curves), alt, CURVES_NOTE)
    yield Kept("curves", curves)
    # What is known of the comparison likewise.
    said = () if both.common is None else both.common.caveats
    yield Sentences([own for own in caveats if own not in said])


def in_short(evenness: Evenness) -> str:
    """Which pits burn more at one end, in one sentence."""
    table = evenness.table
    near = _named(evenness, table[table["conf_low"] > 0])
    far = _named(evenness, table[table["conf_high"] < 0])
    parts = []
    if near:
        parts.append(f"near the firebox than at the far end: {listed(near)}")
    if far:
        parts.append(f"at the far end than near the firebox: {listed(far)}")
    if not parts:
        return "Of no pit can this test tell whether it burns more near or far."
    return f"Burned more {'; '.join(parts)}."


def _named(evenness: Evenness, rows: pd.DataFrame) -> list[str]:
    return [
        one_line(pit) + " in its one bake" * (int(evenness.n_bakes[pit]) == 1)
        for pit in rows["pit"]
    ]


def evenness_pairs_sentence(evenness: Evenness) -> str:
    """Say which pits differ in how their burning falls along the grate."""
    table = evenness.differences
    if table.empty:
        return "There is no pair of pits to compare in evenness."
    if (table["verdict"] == "one bake each").all():
        return "Whether the pits differ in evenness cannot be told from one bake each."
    pairs = []
    for pair in separated_pairs(table):
        by = more_span(pair.low, pair.high).removesuffix(" more")
        pairs.append(f"more steeply in {pair.more} than in {pair.less} by {by}")
    if not pairs:
        # A pit without items in one third has no fall to compare.
        ends = farthest_ends(table)
        if ends.isna().all():
            return (
                "How burning falls cannot be compared: no two pits have graded items "
                "at both ends."
            )
        named = " between pits with items at both ends" * bool(ends.isna().any())
        return (
            "This test cannot tell whether the pits differ in how their burning falls "
            "from the firebox to the far end in these conditions; differences in that "
            f"fall{named} larger than {points(ends.max())} are excluded."
        )
    allowed = intervals_for(evenness.conf_level, len(table))
    fell = f"burning fell from near to far {listed(pairs)}"
    return f"In these conditions {fell} ({allowed})."


def evenness_table(evenness: Evenness) -> Table:
    """Rates of the thirds."""
    n_bakes = evenness.table["pit"].map(evenness.n_bakes)
    return table_of(
        "evenness",
        evenness.table.assign(n_bakes=n_bakes),
        "Long-run burn rate in each third of the pit's own grates "
        f"({level_text(evenness.conf_level)} intervals, each for itself; unit of "
        "replication: the bake)",
        {
            "Pit": "pit",
            "Bakes": "n_bakes",
            "Near": estimate(percent, "near", unknown="no items"),
            "Middle": estimate(percent, "middle", unknown="no items"),
            "Far": estimate(percent, "far", unknown="no items"),
            "Near minus far, points": estimate(signed_points, "near_minus_far"),
        },
    )


def grates_table(evenness: Evenness) -> Table:
    """Rates of both grates of pits that have two."""
    return table_of(
        "evenness_grates",
        evenness.grates,
        "Upper against lower grate, over the same distances "
        f"({level_text(evenness.conf_level)} intervals; unit of replication: the bake)",
        {
            "Pit": "pit",
            "Lower": estimate(percent, "lower"),
            "Upper": estimate(percent, "upper"),
            "Upper minus lower, points": estimate(signed_points, "upper_minus_lower"),
        },
    )
