"""How hot was it at the grate: level, evenness, repeatability, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from pitstats.analysis.heat.rise import RiseComparison
from pitstats.analysis.heat.temperatures import CellTemperatures, TemperatureComparison
from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.errors import DesignError
from pitstats.figures.temperatures import plot_cell_temperatures, plot_temperatures
from pitstats.report.numbers import (
    NO_VALUE,
    between,
    degrees,
    finely,
    level_text,
    measured,
    p_text,
)
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import (
    Answered,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Columns, Row, Writer, by_pit, table_of
from pitstats.report.words import (
    Ahead,
    ahead,
    all_pairs,
    listed,
    one_line,
    read_with,
    sentence,
)

NO_PROBES = "No probe readings are on record, so nothing is said about temperatures."
CELLS_CAPTION = (
    "Every mark is a probed cell, averaged over the bakes of its pit, with its "
    "interval; bakes shift all cells of a pit together, so the pattern within a pit is "
    "surer than the bars suggest if the heat lies alike in every bake. The dashed line "
    "is the pit's level over the places compared."
)
QUESTION = "How hot was it at the grate?"


@asks("temperatures", "temperatures", QUESTION)
def temperatures(results: StudyResults) -> Answered:
    """Level, evenness and repeatability of every pit, and all pairs."""
    parts = told(results)
    yield next(parts)
    yield Text(read_with(results.findings, "temperature"), "note")
    yield from parts


def in_short(levels: CellTemperatures) -> str:
    """Levels of all pits in a sentence."""

    def level(row: Row) -> str:
        low, high = row["conf_low"], row["conf_high"]
        ends = "in its one bake" if math.isnan(low) else f"({between(low, high)})"
        return f"{degrees(row['estimate'], levels.unit)} {ends}"

    known = levels.table[levels.table["n_bakes"] > 0].dropna(subset="estimate")
    if known.empty:
        return "No pit's level can be told."
    return f"On average {listed(by_pit(known, level))}."


def told(results: StudyResults | ProbeResults) -> Answered:
    """What is said and shown of temperatures, here and on the page about probes."""
    if results.study.probes.empty:
        raise DesignError(NO_PROBES)
    comparison = results.temperatures
    levels = comparison.levels
    answer = in_short(levels)
    yield answer
    yield Picture("temperatures", partial(plot_temperatures, levels), answer)
    yield temperature_table(levels)
    yield Sentences([*pair_sentences(comparison), *spread_pair_sentences(comparison)])
    draw = partial(plot_cell_temperatures, levels)
    alt = "Temperature of every probed cell, pit by pit."
    yield Picture("cell_temperatures", draw, alt, CELLS_CAPTION)
    # The caption of the table says what the levels are averaged over.
    yield Sentences([c for c in levels.caveats if c != levels.layout_note])
    yield Kept("temperature_differences", comparison.table)


def pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say for each pair of pits which is hotter, as far as the bakes show it."""
    return difference_sentences(comparison, HOTTER, f"°{comparison.levels.unit}")


class MoreThan(NamedTuple):
    """How a difference between two pits is put, if it is shown and if it is open."""

    shown: Callable[[Ahead], str]
    open: Callable[[Ahead], str]


HOTTER = MoreThan(
    shown=lambda pair: f"{pair.more} is hotter at the grate than {pair.less}",
    open=lambda pair: f"which of {pair.more} and {pair.less} is hotter at the grate",
)


def difference_sentences(
    comparison: TemperatureComparison | RiseComparison, words: MoreThan, unit: str
) -> list[str]:
    """One sentence per pair of pits, chosen by its verdict."""
    level, n_pairs = level_text(comparison.conf_level), len(comparison.table)
    limit = f"the stated margin of {measured(comparison.margin or 0.0)} {unit}"
    said = []
    for row in comparison.table.to_dict("records"):
        pair = ahead(row)
        size = f"{measured(pair.estimate)} {unit}"
        apart = f"{pair.more} less {pair.less}: {size}"
        if math.isnan(pair.low):
            said.append(
                f"{apart} in these bakes; so few do not show whether that would recur."
            )
            continue
        ends = f"{level} interval {between(pair.low, pair.high)} {unit}"
        ends += f"{all_pairs(n_pairs)}; {p_text(row['p_adjusted'], n_pairs > 1)}"
        if row["verdict"] in SEPARATED:
            less = f", less than {limit}" * (row["verdict"] != "differs")
            said.append(f"{words.shown(pair)} by {size} ({ends}){less}.")
        elif row["verdict"] == "no difference beyond the margin":
            both = f"{pair.more} and {pair.less}"
            said.append(f"{both} differ by less than {limit} ({apart}; {ends}).")
        else:
            open_ = words.open(pair)
            said.append(f"This test cannot tell {open_} ({apart}; {ends}).")
    return said


def spread_pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say which pits differ in evenness or repeatability, as far as it is shown."""
    said = []
    for pairs, none, more in (
        (comparison.spreads, 0.0, "the probed cells lie farther apart (SD over cells)"),
        (comparison.repeatability, 1.0, "the bakes scatter more (SD of their average)"),
    ):
        apart = []
        for row in pairs.dropna().to_dict("records"):
            first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
            if row["conf_low"] > none:
                apart.append(f"in {first} than in {second}")
            elif row["conf_high"] < none:
                apart.append(f"in {second} than in {first}")
        if apart:
            said.append(sentence(f"{more} {listed(apart)}"))
        elif len(pairs.dropna()):
            said.append(f"These bakes do not show in which pit {more}.")
    return said


def temperature_table(levels: CellTemperatures) -> Table:
    """Level, evenness and repeatability of all pits."""
    unit = f"°{levels.unit}"
    caption = (
        "Temperature at the grate: level, evenness and repeatability of each pit "
        f"({level_text(levels.conf_level)} intervals; unit of replication: the bake). "
        f"{levels.layout_note}"
    )
    columns: Columns = {
        "Pit": "pit",
        "Bakes": "n_bakes",
        "Cells probed": "n_cells",
        f"Level, {unit}": estimated("estimate", "conf"),
        f"SD over cells, {unit}": estimated("spread"),
        f"Hottest less coldest cell, {unit}": estimated("range"),
        "Hottest, coldest": _extremes,
        f"Near less far third, {unit}": estimated("near_minus_far"),
        f"SD between bakes, {unit}": estimated("bake_sd"),
    }
    return table_of("temperatures", levels.table, caption, columns)


def _extremes(row: Row) -> str:
    if row["n_cells"] < 2:
        return NO_VALUE
    return "; ".join(one_line(row[end]) for end in ("hottest", "coldest"))


def estimated(name: str, ends: str = "") -> Writer:
    """Write a measured estimate with its interval."""
    low, high = (f"{ends or name}_{end}" for end in ("low", "high"))
    return lambda row: finely(row[name], row[low], row[high])
