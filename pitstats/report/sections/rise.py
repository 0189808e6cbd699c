"""Rise in words: how far items rose, and where on the grate."""

from __future__ import annotations

import math
from collections.abc import Hashable
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.heat.rise import RiseComparison
from pitstats.errors import DesignError
from pitstats.figures.rise import plot_rise
from pitstats.report.numbers import level_text, tenths, with_interval
from pitstats.report.section import (
    Kept,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.sections.temperatures import MoreThan, difference_sentences
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, one_line

BESIDE_BROWNING = (
    "Rise and browning tell different things. Rise shows how much heat reached the "
    "item before it set, browning how fast its faces were heated: a face can char in "
    "strong radiation while the item rises like its neighbors."
)
FIGURE_CAPTION = (
    "Left: mean rise in each third of the pit's own grates; right: long-run share "
    "burned there. Bars are intervals; those of the rise take the heat to lie "
    "alike in every bake, those of the shares have the bake as the unit of replication."
)
NO_RISE = "No rise was recorded, so nothing is said about it."

RISE_MORE = MoreThan(
    shown="Items rise more in {first} than in {second}",
    open="in which of {first} and {second} items rise more",
    apart="{first} less {second}",
)

_EFFECTS = {
    "near_minus_far": ("firebox third", "far third"),
    "door_minus_wall": ("door side", "side away from the door"),
    "upper_minus_lower": ("upper grate", "lower grate"),
}


QUESTION = "How far did the items rise?"


def section(results: StudyResults) -> Section:
    """Rise by pit and by thirds of the grate, with the burned shares beside it."""
    if results.study.items["rise_mm"].isna().all():
        return nothing("rise", "rise", QUESTION, NO_RISE)
    try:
        rise = results.rise
    except DesignError as reason:
        return nothing("rise", "rise", QUESTION, reason)
    said = [*rise_sentences(rise), *place_sentences(rise)]
    draw = partial(plot_rise, rise, results.evenness_or_none)
    return Section(
        id="rise",
        question=QUESTION,
        answer=in_short(rise),
        body=[
            Text(BESIDE_BROWNING),
            Picture("rise", draw, " ".join(said), FIGURE_CAPTION),
            Sentences([*said, *rise_pair_sentences(rise), *rise.caveats]),
            Table("rise", rise_table(rise), rise_caption(rise), rise.levels),
            Kept("rise_places", rise.effects),
            Kept("rise_differences", rise.table),
        ],
        topic="rise",
    )


def in_short(rise: RiseComparison) -> str:
    """Mean rise of every pit in a sentence."""
    levels = rise.levels.dropna(subset="estimate")
    shown = with_interval(levels, "estimate", "conf", fine=True)
    named = zip(levels["pit"].map(one_line), shown, strict=True)
    return f"On average, in mm: {listed([f'{pit} {mm}' for pit, mm in named])}."


def rise_sentences(rise: RiseComparison) -> list[str]:
    """Say how far the items of each pit rose."""
    return [_level(row, rise) for row in rise.levels.to_dict("records")]


def _level(row: dict[Hashable, Any], rise: RiseComparison) -> str:
    name = one_line(row["pit"])
    if row["n_items"] == 0:
        return f"{name}: no rise recorded at a known place."
    items = count(int(row["n_items"]), "item")
    if math.isnan(row["estimate"]):
        return f"{name}: its {items} share no place with the other pits."
    level = f"{row['estimate']:.1f} mm"
    if math.isnan(row["conf_low"]):
        return (
            f"Items in the one bake of {name} rose {level} on average ({items}); how "
            "far another bake would be from that is not known."
        )
    return (
        f"Items in {name} rose {level} on average over "
        f"{count(int(row['n_bakes']), 'bake')} ({level_text(rise.conf_level)} interval "
        f"{_mm(row['conf_low'], row['conf_high'])}; {items})."
    )


def _mm(low: float, high: float) -> str:
    return f"{tenths(low)} to {tenths(high)} mm"


def rise_pair_sentences(rise: RiseComparison) -> list[str]:
    """Say for each pair of pits in which items rose farther."""
    return difference_sentences(
        rise.table,
        rise.conf_level,
        RISE_MORE,
        unit="mm",
        margin=rise.margin,
    )


def place_sentences(rise: RiseComparison) -> list[str]:
    """Say where on the grate of each pit items rose farther."""
    rows = rise.effects.dropna(subset=["conf_low"]).to_dict("records")
    said = [_place(row, rise) for row in rows]
    if len(said) > 1:
        said.append(
            f"{count(len(said), 'difference').capitalize()} between places were looked "
            "at; each interval stands for itself, with no adjustment for their number."
        )
    return said


def _place(row: dict[Hashable, Any], rise: RiseComparison) -> str:
    name = one_line(row["pit"])
    first, second = _EFFECTS[str(row["effect"])]
    estimate, low, high = row["estimate"], row["conf_low"], row["conf_high"]
    if estimate < 0:
        first, second, estimate, low, high = second, first, -estimate, -high, -low
    one_bake = rise.n_bakes[row["pit"]] == 1
    start = f"In the one bake of {name}" if one_bake else f"In {name}"
    level = level_text(rise.conf_level)
    ends = f"{level} interval {_mm(low, high)}"
    if low > 0:
        return (
            f"{start} items rose {estimate:.1f} mm more on the {first} than on the "
            f"{second} ({ends})."
        )
    return (
        f"{start} no difference in rise between the {first} and the {second} is shown "
        f"({ends})."
    )


def rise_table(rise: RiseComparison) -> pd.DataFrame:
    """Rise of each pit by thirds of its grate, ready to read."""
    levels = rise.levels
    columns: dict[str, Any] = {
        "Pit": levels["pit"].map(one_line),
        "Bakes": levels["n_bakes"],
        "Items": levels["n_items"],
        "Rise, mm": with_interval(levels, "estimate", "conf", fine=True),
    }
    for part in ("near", "middle", "far"):
        own = rise.parts[rise.parts["part"] == part].set_index("pit")
        own = own.reindex(levels["pit"])
        columns[f"{part.capitalize()} third"] = with_interval(
            own, "estimate", "conf", fine=True
        )
    columns["SD between bakes"] = with_interval(levels, "bake_sd", fine=True)
    return pd.DataFrame(columns)


def rise_caption(rise: RiseComparison) -> str:
    """Say what the table of rises shows."""
    thirds = (
        ", but those of the thirds take the heat to lie alike in every bake"
        if rise.parts["conf_low"].notna().any()
        else ""
    )
    return (
        "Mean rise of items in mm, by pit and by thirds of the pit's own grates "
        f"({level_text(rise.conf_level)} intervals; unit of replication: the "
        f"bake{thirds}). "
        f"{rise.layout_note}"
    )
