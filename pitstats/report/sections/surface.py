"""Where does it burn once noise is smoothed, and how well that is known."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.places.surface import SurfaceMap
from pitstats.errors import DesignError
from pitstats.figures.area import plot_surface
from pitstats.report.numbers import level_text, percent, span
from pitstats.report.section import Kept, Picture, Section, Sentences, nothing
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, one_line

_Row = Mapping[Hashable, Any]
QUESTION = "Where does it burn, smoothed?"
ONE_BAKE = "a smoothed map of one bake each would show the day, not the pit"
_DOING = {
    "burned": "burning",
    "underbaked": "staying under-baked",
    "good": "being good",
}
SURFACE_CAPTION = (
    "For each grate the counts of its cells (items with the outcome / graded items) "
    "and the smoothed chance in per cent. The bar in a cell runs from the low to the "
    "high end of its interval, the width of the cell standing for 0 to 100%. Hatched, "
    "or in brackets: no graded item; a hatched strip: some items were lost."
)
EXTREMES = (
    "Which cell of a grate is highest or lowest is itself uncertain: the extremes of a "
    "surface are picked out of many cells."
)


def section(results: StudyResults) -> Section:
    """Smoothed chance of burning beside the counts of every cell."""
    try:
        surface = results.surface
    except DesignError as reason:
        return nothing("surface", "places", QUESTION, reason)
    if max(surface.n_bakes) <= 1:
        return nothing("surface", "a smoothed map", QUESTION, ONE_BAKE)
    said = surface_sentences(surface)
    draw = partial(plot_surface, surface)
    return Section(
        id="surface",
        question=QUESTION,
        answer=in_short(surface),
        body=[
            Picture("surface", draw, " ".join(said), SURFACE_CAPTION),
            Sentences([*said, EXTREMES, *surface.caveats]),
            Kept("surface", surface.table),
        ],
        topic="smoothed map",
    )


def in_short(surface: SurfaceMap) -> str:
    """Range of the smoothed chances, pit by pit."""
    known = surface.table.dropna(subset="estimate")
    ends = known.groupby("pit", sort=False)["estimate"].agg(["min", "max"])
    said = [
        f"{one_line(pit)} {span(low, high)}"
        for pit, low, high in zip(ends.index, ends["min"], ends["max"], strict=True)
    ]
    return f"Between cells {listed(said)}; no single cell is known closely."


def surface_sentences(surface: SurfaceMap) -> list[str]:
    """Say for each grate how far the smoothed chance runs, and how well it is known."""
    table = surface.table
    several = table.groupby("pit")["grate"].nunique()
    found = []
    for pit, grate in table[["pit", "grate"]].drop_duplicates().to_numpy().tolist():
        own = table[(table["pit"] == pit) & (table["grate"] == grate)]
        name = one_line(pit)
        if int(several[pit]) > 1:
            name += f", {one_line(grate)} grate"
        found.append(_of_grate(name, own, surface, int(surface.n_bakes[pit])))
        found += _against(name, own[own["contradicts"]])
    return found


def _against(name: str, cells: pd.DataFrame) -> list[str]:
    """Name the cells whose own counts contradict the surface."""
    if cells.empty:
        return []
    said = [
        f"{_place(row)} ({int(row['n_burned'])} of {int(row['n_items'])} counted, "
        f"smoothed {percent(row['estimate'])})"
        for row in cells.to_dict("records")
    ]
    return [
        f"{name}: the counts contradict the smooth surface in {listed(said)}; read the "
        "counts there, not the surface."
    ]


def _of_grate(name: str, cells: pd.DataFrame, surface: SurfaceMap, n_bakes: int) -> str:
    known = cells[cells["estimate"].notna()]
    if known.empty:
        return f"{name}: nothing counted, so no surface."
    rows = known.to_dict("records")
    highest = max(rows, key=lambda row: float(row["estimate"]))
    lowest = min(rows, key=lambda row: float(row["estimate"]))
    doing = f"the smoothed chance of {_DOING[surface.outcome]}"
    level = level_text(surface.conf_level)
    if (known["scope"] == "this bake").all():
        start = f"{name}, in this one bake: {doing}"
    else:
        start = f"{name}, averaged over bakes ({count(n_bakes, 'bake')}): {doing}"
    if len(rows) == 1:
        ends = span(highest["conf_low"], highest["conf_high"])
        return f"{start} is {percent(highest['estimate'])} ({level} interval {ends})."
    return (
        f"{start} runs from {percent(lowest['estimate'])} in {_place(lowest)} ({level} "
        f"interval {span(lowest['conf_low'], lowest['conf_high'])}) to "
        f"{percent(highest['estimate'])} in {_place(highest)} "
        f"({span(highest['conf_low'], highest['conf_high'])})."
    )


def _place(cell: _Row) -> str:
    return f"column {int(cell['column'])}, row {int(cell['row'])}"
