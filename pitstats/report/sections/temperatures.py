"""How hot was it at the grate: level, evenness, repeatability, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Hashable
from functools import partial
from typing import Any, NamedTuple

import pandas as pd

from pitstats.analysis.heat.temperatures import CellTemperatures, TemperatureComparison
from pitstats.errors import DesignError
from pitstats.figures.temperatures import plot_cell_temperatures, plot_temperatures
from pitstats.report.numbers import (
    between,
    degrees,
    level_text,
    measured,
    p_text,
    with_interval,
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

NO_PROBES = "No probe readings are on record, so nothing is said about temperatures."
CELLS_CAPTION = (
    "Every mark is a probed cell, averaged over the bakes of its pit, with its "
    "interval; bakes shift all cells of a pit together, so the pattern within a pit is "
    "surer than the bars suggest if the heat lies alike in every bake. The dashed line "
    "is the pit's level over the places compared."
)


QUESTION = "How hot was it at the grate?"


def section(results: StudyResults) -> Section:
    """Level, evenness and repeatability of every pit, and all pairs."""
    if results.study.probes.empty:
        return nothing("temperatures", "temperatures", QUESTION, NO_PROBES)
    try:
        comparison = results.temperatures
    except DesignError as reason:
        return nothing("temperatures", "temperatures", QUESTION, reason)
    beside = read_with(results.findings, "temperature")
    return Section(
        id="temperatures",
        question=QUESTION,
        answer=in_short(comparison.levels),
        body=[*([Text(beside, "note")] if beside else []), *body(comparison)],
        topic="temperatures",
    )


def in_short(levels: CellTemperatures) -> str:
    """Levels of all pits in a sentence."""
    said = []
    for row in levels.table.to_dict("records"):
        if row["n_bakes"] == 0 or math.isnan(row["estimate"]):
            continue
        level = f"{one_line(row['pit'])} {degrees(row['estimate'], levels.unit)}"
        known = not math.isnan(row["conf_low"])
        ends = f" ({between(row['conf_low'], row['conf_high'], '').strip()})" * known
        said.append(level + (ends or " in its one bake"))
    return f"On average {listed(said)}." if said else "No pit's level can be told."


def body(comparison: TemperatureComparison) -> list[Part]:
    """What is shown of temperatures, here and on the page about probes."""
    levels = comparison.levels
    sentences, even = level_sentences(levels), evenness_sentences(levels)
    return [
        Picture(
            "temperatures", partial(plot_temperatures, levels), " ".join(sentences)
        ),
        Sentences([*sentences, *pair_sentences(comparison)]),
        Picture(
            "cell_temperatures",
            partial(plot_cell_temperatures, levels),
            " ".join(even),
            CELLS_CAPTION,
        ),
        Sentences(
            [
                *even,
                *repeatability_sentences(levels),
                *spread_pair_sentences(comparison),
                # The caption of the table says what the levels are averaged over.
                *(c for c in levels.caveats if c != levels.layout_note),
            ]
        ),
        Table(
            "temperatures",
            temperature_table(levels),
            temperature_caption(levels),
            levels.table,
        ),
        Kept("temperature_differences", comparison.table),
    ]


def level_sentences(levels: CellTemperatures) -> list[str]:
    """Say how hot each pit was, over which bakes, and how sure that is."""
    return [_level(row, levels) for row in levels.table.to_dict("records")]


def _level(row: dict[Hashable, Any], levels: CellTemperatures) -> str:
    name, unit = one_line(row["pit"]), levels.unit
    if row["n_bakes"] == 0:
        return f"{name}: no usable probe reading at a known place."
    if math.isnan(row["estimate"]):
        cells = count(int(row["n_cells"]), "probed cell")
        return f"{name}: its {cells} share no place with the other pits."
    cells = _averaged_over(int(row["n_cells"]), levels)
    level = degrees(row["estimate"], unit)
    bakes = count(int(row["n_bakes"]), "bake")
    if math.isnan(row["conf_low"]):
        where = "in its one bake" if row["n_bakes"] == 1 else f"over its {bakes}"
        return (
            f"{name} averaged {level} {where} ({cells}); how far another bake would be "
            "from that is not known."
        )
    ends = between(row["conf_low"], row["conf_high"], f"°{unit}")
    return (
        f"{name} averaged {level} over {bakes} ({level_text(levels.conf_level)} "
        f"interval {ends}; {cells})."
    )


def _averaged_over(n_cells: int, levels: CellTemperatures) -> str:
    """Name the base of a level: cells, or a curve along a stretch."""
    probed = count(n_cells, "probed cell")
    if levels.shape == "curve":
        several = (levels.table["n_bakes"] > 0).sum() > 1
        shared = "all pits used" if several else "was used"
        return f"a curve along the stretch that {shared}, fitted to {probed}"
    if len(levels.places) != n_cells:
        return f"{len(levels.places)} of its {probed}, those that all pits share"
    return probed


def evenness_sentences(levels: CellTemperatures) -> list[str]:
    """Say how far apart the cells of each pit are."""
    rows = levels.table.to_dict("records")
    return [_even(row, levels) for row in rows if row["n_cells"] > 1]


def _even(row: dict[Hashable, Any], levels: CellTemperatures) -> str:
    name, unit = one_line(row["pit"]), f"°{levels.unit}"
    level = level_text(levels.conf_level)
    where = (
        f"hottest at {one_line(row['hottest'])}, coldest at {one_line(row['coldest'])}"
    )
    if math.isnan(row["range_low"]):
        bakes = "its one bake" if row["n_bakes"] == 1 else "these bakes"
        return (
            f"In {bakes} the probed cells of {name} lay {measured(row['range'])} "
            f"{unit} apart, probe errors included ({where}).{_fall(row, unit)}"
        )
    ends = between(row["range_low"], row["range_high"], unit)
    text = (
        f"The probed cells of {name} lie up to {measured(row['range'])} {unit} apart "
        f"({level} interval {ends}; {where}). Their SD is {measured(row['spread'])} "
        f"{unit} ({between(row['spread_low'], row['spread_high'], unit)})"
    )
    return f"{text}.{_fall(row, unit)}"


def _fall(row: dict[Hashable, Any], unit: str) -> str:
    if math.isnan(row["near_minus_far_low"]):
        return ""
    low, high = row["near_minus_far_low"], row["near_minus_far_high"]
    size = abs(row["near_minus_far"])
    if low > 0 or high < 0:
        hot, cold = ("firebox", "far") if low > 0 else ("far", "firebox")
        if high < 0:
            low, high = -high, -low
        return (
            f" Its {hot} third is {measured(size)} {unit} hotter than its {cold} "
            f"third ({between(low, high, unit)})."
        )
    return (
        " Which end of the grate is hotter is not shown (firebox third less far third "
        f"{between(low, high, unit)})."
    )


def repeatability_sentences(levels: CellTemperatures) -> list[str]:
    """Say how far the average of each pit moves from bake to bake."""
    unit, level = f"°{levels.unit}", level_text(levels.conf_level)
    said = []
    for row in levels.table.to_dict("records"):
        if math.isnan(row["bake_sd_low"]):
            continue
        ends = between(row["bake_sd_low"], row["bake_sd_high"], unit)
        bakes = count(int(row["n_bakes"]), "bake")
        said.append(
            f"From bake to bake the average of {one_line(row['pit'])} scattered with "
            f"an SD of {measured(row['bake_sd'])} {unit} ({level} interval {ends}, "
            f"from {bakes})."
        )
    return said


def pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say for each pair of pits which is hotter, as far as the bakes show it."""
    return difference_sentences(
        comparison.table,
        comparison.conf_level,
        HOTTER,
        unit=f"°{comparison.levels.unit}",
        margin=comparison.margin,
    )


class MoreThan(NamedTuple):
    """How a difference between two pits is put; ``{first}`` has the higher value."""

    shown: str
    open: str
    apart: str


HOTTER = MoreThan(
    shown="{first} is hotter at the grate than {second}",
    open="which of {first} and {second} is hotter at the grate",
    apart="{first} less {second}",
)


def difference_sentences(
    table: pd.DataFrame,
    conf_level: float,
    words: MoreThan,
    *,
    unit: str,
    margin: float | None,
) -> list[str]:
    """One sentence per pair of pits, chosen by its verdict."""
    return [
        _difference(row, len(table), level_text(conf_level), words, unit, margin)
        for row in table.to_dict("records")
    ]


def _difference(
    row: dict[Hashable, Any],
    n_pairs: int,
    level: str,
    words: MoreThan,
    unit: str,
    margin: float | None,
) -> str:
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    low, high = row["simultaneous_low"], row["simultaneous_high"]
    size = f"{measured(abs(row['estimate']))} {unit}"
    if row["estimate"] < 0:
        first, second, low, high = second, first, -high, -low
    shown, question, apart = (
        # The names are the users': braces in them are no places to fill in.
        text.replace("{first}", first).replace("{second}", second)
        for text in words
    )
    if math.isnan(low):
        return (
            f"{first} and {second} were {size} apart in these bakes ({apart}); with so "
            "few bakes nothing shows whether that would recur."
        )
    allow = f", allowing for all {n_pairs} pairs" if n_pairs > 1 else ""
    ends = f"{level} interval {between(low, high, unit)}{allow}; "
    ends += p_text(row["p_adjusted"], adjusted=n_pairs > 1)
    limit = f"the stated margin of {measured(margin or 0.0)} {unit}"
    if row["verdict"] == "differs":
        return f"{shown} by {size} ({ends})."
    if row["verdict"] == "differs, within the margin":
        return f"{shown} by {size} ({ends}), less than {limit}."
    if row["verdict"] == "no difference beyond the margin":
        return (
            f"{first} and {second} differ by less than {limit} ({apart}: {size}; "
            f"{ends})."
        )
    return f"This test cannot tell {question} ({apart}: {size}; {ends})."


def spread_pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say which pits differ in evenness or repeatability, as far as it is shown."""
    said = []
    known = comparison.spreads.dropna()
    if len(known):
        shown = [_more(row, row["estimate"], 0.0) for row in known.to_dict("records")]
        said.append(
            _summary(shown, "the probed cells lie farther apart", "SD over the cells")
        )
    known = comparison.repeatability.dropna()
    if len(known):
        shown = [_more(row, row["ratio"], 1.0) for row in known.to_dict("records")]
        said.append(_summary(shown, "the bakes scatter more", "SD of a bake's average"))
    return said


def _more(row: dict[Hashable, Any], value: float, nothing: float) -> str | None:
    """The pair in words where its interval excludes no difference, else None."""
    if row["conf_low"] <= nothing <= row["conf_high"]:
        return None
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    if value < nothing:
        first, second = second, first
    return f"in {first} than in {second}"


def _summary(pairs: list[str | None], more: str, measure: str) -> str:
    shown = [pair for pair in pairs if pair is not None]
    allow = f"{measure}; intervals allow for all pairs" if len(pairs) > 1 else measure
    if shown:
        return f"{more[0].upper()}{more[1:]} {listed(shown)} ({allow})."
    return f"These bakes do not show in which pit {more} ({allow})."


def temperature_table(levels: CellTemperatures) -> pd.DataFrame:
    """Level, evenness and repeatability, ready to read."""
    table, unit = levels.table, f"°{levels.unit}"
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bakes": table["n_bakes"],
            "Cells probed": table["n_cells"],
            f"Level, {unit}": with_interval(table, "estimate", "conf"),
            f"SD over cells, {unit}": with_interval(table, "spread"),
            f"Hottest less coldest cell, {unit}": with_interval(table, "range"),
            f"Near less far third, {unit}": with_interval(table, "near_minus_far"),
            f"SD between bakes, {unit}": with_interval(table, "bake_sd"),
        }
    )


def temperature_caption(levels: CellTemperatures) -> str:
    """Say what the table of temperatures shows."""
    cells = (
        ", but those of the SD and the range over cells take the heat to lie alike in "
        "every bake"
        if levels.table[["spread_low", "range_low"]].notna().any(axis=None)
        else ""
    )
    return (
        "Temperature at the grate: level, evenness and repeatability of each pit "
        f"({level_text(levels.conf_level)} intervals; unit of replication: the "
        f"bake{cells}). "
        f"{levels.layout_note}"
    )
