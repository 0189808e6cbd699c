"""Smoothed maps and usable area in words, no stronger than their intervals."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.places.usable_area import UsableArea
from pitstats.errors import DesignError
from pitstats.figures.area import plot_chance_good, plot_usable_area
from pitstats.report.numbers import (
    NO_VALUE,
    level_text,
    percent,
    share_span,
    signed_points,
    span,
    span_points,
    true_minus,
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
from pitstats.report.sections.surface import surface_sentences
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, number_word, one_line

_Row = Mapping[Hashable, Any]

CHANCE_CAPTION = (
    "Counted: good items / graded items of the cell. Beside it the chance, in per "
    "cent, that an item there is good in one more bake, whatever that fire is like; "
    "the bar shows how well the cell's long-run chance is known (0 to 100% across the "
    "cell). Cells borrow from their neighbors; in brackets: no graded item there."
)


QUESTION = "How much of the grate can be used?"


_MOST_IN_A_LINE = 4  # pits whose shares fit into one sentence


def section(results: StudyResults) -> Section:
    """Cells in the target grade: share, area, every bake, and next time."""
    try:
        area = results.area
    except DesignError as reason:
        return nothing("area", "usable area", QUESTION, reason)
    said = area_sentences(area)
    draw = partial(plot_usable_area, area)
    body: list[Part] = [
        Picture("usable_area", draw, " ".join(said), usable_area_caption(area)),
        Sentences([*said, *every_sentences(area), *area_pairs_sentences(area)]),
        Table("usable_area", area_table(area), area_caption(area), area.table),
    ]
    if len(area.grates):
        caption = "Each grate apart (unit of replication: the bake)"
        grates = Table("usable_area_grates", grates_table(area), caption, area.grates)
        body.append(grates)
    if len(area.differences):
        caption, pairs = area_pairs_caption(area), area_pairs_table(area)
        body.append(Table("usable_area_pairs", pairs, caption, area.differences))
    if not area.one_bake_each:
        words = " ".join(surface_sentences(area.surface))
        chance = partial(plot_chance_good, area)
        body.append(Picture("chance_good", chance, words, CHANCE_CAPTION))
    body += [
        Kept("chance_good", area.cells),
        Kept("usable_area_next", area.future),
        Kept("usable_area_every", area.every),
        Kept("usable_area_bakes", area.bakes),
        Sentences(area.caveats),
        Text(area_method(area), "note"),
    ]
    answer = in_short(area)
    return Section(id="area", question=QUESTION, answer=answer, body=body, topic="area")


def in_short(area: UsableArea) -> str:
    """Good shares of all pits in a sentence."""
    rows = [row for row in area.table.to_dict("records") if row["n_items"]]
    if area.one_bake_each:
        seen = [f"{one_line(r['pit'])} {r['n_good']} of {r['n_items']}" for r in rows]
        return f"Good in the one bake of each: {listed(seen)} items."
    rows.sort(key=lambda row: -row["estimate"])
    ends = rows if len(rows) <= _MOST_IN_A_LINE else [rows[0], rows[-1]]
    shares = [
        f"{one_line(r['pit'])} "
        f"{share_span(r['estimate'], r['conf_low'], r['conf_high'])}"
        for r in ends
    ]
    if ends is not rows:
        return f"Good cells in the long run: most {shares[0]}, fewest {shares[1]}."
    return f"Good cells in the long run: {listed(shares)}."


def area_sentences(area: UsableArea) -> list[str]:
    """Say for each pit how much of its tested grate is good."""
    return [_of_pit(row, area) for row in area.table.to_dict("records")]


def _of_pit(row: _Row, area: UsableArea) -> str:
    name = one_line(row["pit"])
    if row["n_items"] == 0 or row["cells_tested"] == 0:
        return f"{name}: nothing from which usable area can be told."
    level = level_text(area.conf_level)
    ends = span(row["conf_low"], row["conf_high"])
    basis = f"{count(int(row['n_bakes']), 'bake')}, {row['n_items']} items"
    tested = count(int(row["cells_tested"]), "tested cell")
    if area.one_bake_each or row["n_bakes"] == 1:
        assumed = (
            "width set by assumption, not by these data"
            if area.one_bake_each
            else "bake-to-bake spread borrowed from other pits"
        )
        were = "was" if row["n_good"] == 1 else "were"
        text = (
            f"{name}: in this one bake {row['n_good']} of {row['n_items']} graded "
            f"items {were} good. The long-run share may be anywhere from {ends} "
            f"({level} interval; {assumed})."
        )
    elif row["n_good"] == 0:
        text = (
            f"{name}: none of {row['n_items']} items in "
            f"{count(int(row['n_bakes']), 'bake')} was good; the long-run share could "
            f"still be up to {percent(row['conf_high'])} ({level} interval)"
            f"{_up_to(row, area.unit)}."
        )
    else:
        text = (
            f"{name}: in the long run {percent(row['estimate'])} of the {tested} are "
            f"good ({level} interval {ends}; {basis}){_in_area(row, area.unit)}."
        )
    if row["n_missing"]:
        text += (
            f" With {count(int(row['n_missing']), 'missing item')} left out; had none "
            f"or all of them been good, the share seen would have been "
            f"{percent(row['lowest'])} to {percent(row['highest'])}."
        )
    return text


def _in_area(row: _Row, unit: str) -> str:
    if math.isnan(row["area"]):
        return ""
    return (
        f": {row['area']:.0f} of {row['area_tested']:.0f} {unit} "
        f"({row['area_low']:.0f} to {row['area_high']:.0f})"
    )


def _up_to(row: _Row, unit: str) -> str:
    if math.isnan(row["area"]):
        return ""
    return f", or {row['area_high']:.0f} of {row['area_tested']:.0f} {unit}"


def every_sentences(area: UsableArea) -> list[str]:
    """Say how many cells were good every time, and how many will stay so."""
    lines: list[str] = []
    rows = area.every.to_dict("records")
    once = [str(row["pit"]) for row in rows if row["n_bakes"] == 1]
    for row in rows:
        if row["n_bakes"] >= 2:
            lines.append(f"{_so_far(row)} {_next(row, area)}".strip())
    if once:
        lines.append(
            f"{listed(once)}: one bake cannot show which cells are good every time."
        )
    return lines


def _so_far(row: _Row) -> str:
    name, bakes = one_line(row["pit"]), count(int(row["n_bakes"]), "bake")
    if not row["cells_complete"]:
        text = f"{name}: no cell was graded in all of its {bakes}"
    else:
        cells = count(int(row["cells_complete"]), "cell")
        n_every = int(row["n_every"])
        every = "both bakes" if row["n_bakes"] == 2 else f"all {bakes}"
        number = number_word(n_every)
        text = (
            f"{name}: of {cells} graded in {every}, {number} "
            f"{'were' if n_every > 1 else 'was'} good every time"
        )
    if row["n_highest"] > row["n_lowest"]:
        text += (
            f" (between {row['n_lowest']} and {row['n_highest']} of all its cells, "
            "depending on items that were missing or not placed)"
        )
    return f"{text}."


def _next(row: _Row, area: UsableArea) -> str:
    future = area.future
    own = future[(future["pit"] == row["pit"]) & (future["bakes"] == area.next_bakes)]
    if own.empty:
        return ""
    coming = own.iloc[0]
    times = "bake" if area.next_bakes == 1 else f"{count(area.next_bakes, 'bake')}"
    where = (
        ""
        if math.isnan(coming["area"])
        else f", {coming['area']:.0f} {area.unit} ({coming['area_low']:.0f} to "
        f"{coming['area_high']:.0f})"
    )
    return (
        f"Through the next {times} {percent(coming['estimate'])} of its tested cells "
        f"are expected to be good every time ({level_text(area.conf_level)} interval "
        f"{span(round(coming['conf_low'], 3), round(coming['conf_high'], 3))}){where}."
    )


def area_pairs_sentences(area: UsableArea) -> list[str]:
    """Say which pits differ in usable share and in usable area."""
    table = area.differences
    if table.empty:
        return ["There is no pair of pits to compare in usable area."]
    if area.one_bake_each:
        return ["Which pit has more usable grate cannot be told from one bake each."]
    return [
        _of_measure(table[table["measure"] == measure], measure, area)
        for measure in ("share", "area")
        if (table["measure"] == measure).any()
    ]


def _of_measure(pairs: pd.DataFrame, measure: str, area: UsableArea) -> str:
    level = level_text(area.conf_level)
    allowed = (
        f"{level} intervals that allow for all {len(pairs)} pairs"
        if len(pairs) > 1
        else f"{level} interval"
    )
    start = "By share of the tested cells" if measure == "share" else "By area"
    differs = pairs[pairs["verdict"].str.startswith("differs")]
    if len(pairs) == 1 and differs.empty:
        row = pairs.iloc[0]
        ends = _range(row["simultaneous_low"], row["simultaneous_high"], measure)
        unit = "points" if measure == "share" else area.unit
        return (
            f"{start}, these bakes cannot tell {one_line(row['pit_a'])} from "
            f"{one_line(row['pit_b'])}: {one_line(row['pit_a'])} less "
            f"{one_line(row['pit_b'])} may be {ends} {unit} ({allowed})."
        )
    if differs.empty:
        return f"{start}, these bakes cannot tell any two pits apart ({allowed})."
    parts = [_more(row, measure, area.unit) for row in differs.to_dict("records")]
    rest = len(pairs) - len(differs)
    text = f"{start}, in these conditions {listed(parts)} ({allowed})."
    if rest:
        other = count(rest, "other pair").capitalize()
        text += f" {other} cannot be told apart."
    return text


def _more(row: _Row, measure: str, unit: str) -> str:
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    low, high = float(row["simultaneous_low"]), float(row["simultaneous_high"])
    if row["estimate"] < 0:
        first, second, low, high = second, first, -high, -low
    by = _range(low, high, measure).replace("+", "")
    unit = "points" if measure == "share" else unit
    return f"{first} has more usable grate than {second}, by {by} {unit}"


def _range(low: float, high: float, measure: str) -> str:
    """Write the ends of a difference with their signs, in points or area."""
    if measure.endswith("share"):
        return span_points(float(low), float(high))
    return f"{_signed_area(float(low))} to {_signed_area(float(high))}"


def _signed_area(value: float) -> str:
    """Write an area with its sign; an end near 0 stays on its side of it."""
    text = f"{value:+.1f}" if 0.05 <= abs(value) < 9.95 else f"{value:+.0f}"
    if abs(value) < 0.05:
        return "0"
    return true_minus(text)


def area_table(area: UsableArea) -> pd.DataFrame:
    """Usable share and area of all pits, ready to read."""
    table = area.table
    columns: dict[str, Any] = {
        "Pit": table["pit"].map(one_line),
        "Bakes": table["n_bakes"],
        "Good items": _of(table["n_good"], table["n_items"]),
        "Missing": table["n_missing"],
        "Cells tested": _of(table["cells_tested"], table["cells"]),
    }
    columns |= _estimates(table, area.unit)
    every = area.every.set_index("pit").reindex(table["pit"])
    columns["Good in every bake so far"] = [
        f"{row['n_every']:.0f} of {row['cells_complete']:.0f}"
        if row["n_bakes"] > 1
        else NO_VALUE
        for row in every.to_dict("records")
    ]
    return pd.DataFrame(columns)


def grates_table(area: UsableArea) -> pd.DataFrame:
    """Usable share and area of each grate of pits with several, ready to read."""
    table = area.grates
    columns: dict[str, Any] = {
        "Pit": table["pit"].map(one_line),
        "Grate": table["grate"].map(one_line),
        "Bakes": table["n_bakes"],
        "Good items": _of(table["n_good"], table["n_items"]),
    }
    return pd.DataFrame(columns | _estimates(table, area.unit))


def _of(part: pd.Series, whole: pd.Series) -> list[str]:
    return [f"{n} of {total}" for n, total in zip(part, whole, strict=True)]


def _estimates(table: pd.DataFrame, unit: str) -> dict[str, list[str]]:
    """Columns with the long-run share and the area."""
    rows = table.to_dict("records")
    columns = {
        "Long-run share": [
            f"{percent(row['estimate'])} ({span(row['conf_low'], row['conf_high'])})"
            for row in rows
        ]
    }
    if unit:
        columns[f"Usable area, {unit}"] = [
            NO_VALUE
            if math.isnan(row["area"])
            else f"{row['area']:.0f} ({row['area_low']:.0f} to {row['area_high']:.0f}) "
            f"of {row['area_tested']:.0f}"
            for row in rows
        ]
    return columns


def area_pairs_table(area: UsableArea) -> pd.DataFrame:
    """All pairs by share and by area, ready to read."""
    table = area.differences
    keys = ["pit_a", "pit_b"]
    shown = pd.DataFrame(
        {
            "Pair": [
                f"{one_line(a)} less {one_line(b)}"
                for a, b in table[keys].drop_duplicates().to_numpy().tolist()
            ]
        }
    )
    for measure, unit in (("share", "points"), ("area", area.unit)):
        own = table[table["measure"] == measure]
        if own.empty:
            continue
        own = table[keys].drop_duplicates().merge(own, how="left", on=keys)
        rows = own.to_dict("records")
        shown[f"{measure.capitalize()}, {unit}"] = [
            _difference(row, measure) for row in rows
        ]
        shown[f"Verdict by {measure}"] = own["verdict"].fillna(NO_VALUE)
    return shown


def _difference(row: _Row, measure: str) -> str:
    """Write a difference with the interval that allows for all pairs."""
    value = float(row["estimate"])
    if math.isnan(value):
        return NO_VALUE
    text = signed_points(value) if measure == "share" else _signed_area(value)
    ends = _range(row["simultaneous_low"], row["simultaneous_high"], measure)
    return f"{text} ({ends})"


def area_pairs_caption(area: UsableArea) -> str:
    """Say what the table of pairs shows."""
    n_pairs = len(area.differences[["pit_a", "pit_b"]].drop_duplicates())
    allowed = f" that allow for all {n_pairs} pairs" if n_pairs > 1 else ""
    return (
        f"Pits compared by share and by area, with {level_text(area.conf_level)} "
        f"intervals{allowed} (unit of replication: the bake)."
    )


def area_caption(area: UsableArea) -> str:
    """Say what the table of usable area shows."""
    return (
        "Usable grate: items with every graded face in the target grades, long-run "
        f"share of the tested cells with {level_text(area.conf_level)} interval "
        f"({_unit(area)}). Missing items are neither good nor bad."
    )


def _unit(area: UsableArea) -> str:
    """Name the unit of replication; with one bake each, what sets the width."""
    if area.one_bake_each:
        return "one bake each: width set by assumption, not by these data"
    return "unit of replication: the bake"


def usable_area_caption(area: UsableArea) -> str:
    """Explain the picture of usable area."""
    every = "" if area.one_bake_each else "; square: cells good in every bake so far"
    return (
        "Diamond: long-run share, or area, of tested cells that are good; wide bar: "
        f"its {level_text(area.conf_level)} interval ({_unit(area)}); circles: single "
        f"bakes{every}."
    )


def area_method(area: UsableArea) -> str:
    """Say how the numbers were made."""
    return (
        f"Unit of replication: the bake. Shares: {area.method}. The area is the "
        "long-run share times the tested area."
    )
