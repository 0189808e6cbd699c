"""Where did items burn? The grates, cell by cell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.heat.probe_series import summarize_probes
from pitstats.analysis.places.grate_map import map_cells, map_temperatures
from pitstats.errors import DesignError
from pitstats.figures.grates import (
    grate_panels,
    map_drawings,
    pairs_of,
    plot_small_grates,
)
from pitstats.figures.map_scale import WANTED, MapScale, number_scale
from pitstats.report.section import Answered, Kept, Part, Picture, Sentences, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.words import listed, one_line
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

RISE_LABEL = "mean rise, mm"
NO_PLACES = "No places were recorded, so there is no map."
RISE_CAPTION = (
    "Mean rise of the items of each cell. Rise and browning tell different things: how "
    "much heat reached the item, and how fast its faces were heated."
)
TEMPERATURE_CAPTION = (
    "Mean temperature of each cell that held a probe, every bake weighing the same."
)


@asks("maps", "cells of the grates", "Which cells burned?", unrecorded="places")
def maps(results: StudyResults) -> Answered:
    """The map of the first page in words, and maps of rise and temperature."""
    study = results.study
    if not has_places(study):
        raise DesignError(NO_PLACES)
    yield ""
    cells, grades = map_cells(study), map_cells(study, "grade")
    yield Text(rotated_note(study), "note")
    yield Sentences(grates_in_words(cells, "share"))
    yield Kept("grates", cells)
    if grades["code"].notna().any():
        yield Kept("grade_maps", grades)
    placed = item_outcomes(study).dropna(subset=["row", "column"])
    if placed["rise_mm"].notna().any():
        rise = map_cells(study, "rise")
        scale = number_scale(rise["rise_mm"], RISE_LABEL, WANTED)
        yield from _maps_of("rise_maps", rise, "rise_mm", scale, RISE_CAPTION)
    heat = _temperatures(study)
    if heat is not None and heat["temp"].notna().any():
        unit = f"\N{DEGREE SIGN}{study.settings.temperature_unit or ''}"
        scale = number_scale(heat["temp"], f"mean temperature, {unit}")
        caption = TEMPERATURE_CAPTION
        yield from _maps_of("temperature_maps", heat, "temp", scale, caption)


def has_places(study: Study) -> bool:
    """Whether a kept bake has an item with a place."""
    places = item_outcomes(study)[["row", "column"]]
    return bool(places.notna().all(axis="columns").any())


def picture(results: StudyResults) -> Picture | None:
    """One small map of each grate; None where no places were recorded."""
    cells = map_cells(results.study)
    if cells.empty:
        return None
    caption = (
        "Burned of graded items in each cell, over kept bakes, not smoothed; thick "
        "edge: firebox end; hatched: nothing graded; strip: some lost."
    )
    draw = partial(plot_small_grates, cells)
    return Picture("grates", draw, map_alt(cells, "share"), caption)


def _temperatures(study: Study) -> pd.DataFrame | None:
    """Mean temperatures of probed cells; None where there are none."""
    if study.probes.empty:
        return None
    try:
        return map_temperatures(study, summarize_probes(study).cells)
    except DesignError:
        # The section about temperatures says why.
        return None


def _maps_of(
    name: str, cells: pd.DataFrame, value: str, scale: MapScale, caption: str
) -> list[Part]:
    """Maps of all pits on one scale, in as many figures as fit a page."""
    rows = pairs_of(grate_panels(cells))
    draws = map_drawings(rows, value=value, scale=scale, no_value="not measured")
    return [*belonging(name, draws, map_alt(cells, value), caption), Kept(name, cells)]


def belonging(
    name: str,
    draws: Sequence[Callable[[], Any]],
    alt: str,
    caption: str,
    beside: str = "",
) -> list[Picture]:
    """Figures that belong together; the words stand with the first."""
    continued = f"{caption.split('.')[0]}, continued."
    first = [Picture(name, draw, alt, caption, beside) for draw in draws[:1]]
    return first + [
        Picture(f"{name}_{i}", draw, continued, continued)
        for i, draw in enumerate(draws[1:], 2)
    ]


def map_alt(cells: pd.DataFrame, value: str) -> str:
    """Describe maps for those who cannot see them, half by half."""
    return " ".join(grates_in_words(cells, value))


def grates_in_words(cells: pd.DataFrame, value: str) -> list[str]:
    """Say what each grate shows, half by half."""
    keys = [name for name in ("bake", "pit", "grate") if name in cells.columns]
    said = []
    for names, own in cells.groupby(keys, sort=False):
        near = own["column"] <= own["column"].max() / 2
        said.append(
            f"{', '.join(map(one_line, names))} grate: firebox half "
            f"{_half_words(own[near], value)}, far half "
            f"{_half_words(own[~near], value)}."
        )
    return said


def _half_words(cells: pd.DataFrame, value: str) -> str:
    known = cells.dropna(subset=value)
    if known.empty:
        return "nothing known"
    if value == "share":
        return f"{known['n_burned'].sum()} of {known['n_items'].sum()} burned"
    if value == "code":
        palest, darkest = known[value].argmin(), known[value].argmax()
        ends = (one_line(known["grade"].iloc[at]) for at in (palest, darkest))
        return f"from {' to '.join(ends)}"
    return f"from {known[value].min():.0f} to {known[value].max():.0f}"


def rotated_note(study: Study) -> str:
    """Say which bakes on the maps were rotated; empty if none was."""
    kept = study.kept
    rotated = kept.loc[kept["rotated"].fillna(False).astype(bool), "bake"]
    if rotated.empty:
        return ""
    return (
        f"Items were turned or moved during {listed(rotated.astype(str).tolist())}, so "
        "their places there mean little; the maps show them where they were recorded."
    )
