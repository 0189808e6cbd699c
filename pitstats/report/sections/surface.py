"""Where does it burn once noise is smoothed, and how well that is known."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.places.surface import SurfaceMap
from pitstats.errors import DesignError
from pitstats.figures.area import plot_surface
from pitstats.report.numbers import percent, ranged
from pitstats.report.section import Answered, Kept, Picture, Sentences, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.words import listed, one_line

ONE_BAKE = "a smoothed map of one bake each would show the day, not the pit"
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


@asks(
    "surface",
    "smoothed map",
    "Where does it burn, smoothed?",
    unrecorded="a smoothed map",
)
def surface(results: StudyResults) -> Answered:
    """Smoothed chance of burning beside the counts of every cell."""
    surface = results.surface
    if max(surface.n_bakes) <= 1:
        raise DesignError(ONE_BAKE)
    answer = in_short(surface)
    yield answer
    yield Picture("surface", partial(plot_surface, surface), answer, SURFACE_CAPTION)
    yield Sentences([*contradictions(surface), EXTREMES, *surface.caveats])
    yield Kept("surface", surface.table)


def in_short(surface: SurfaceMap) -> str:
    """Range of the smoothed chances, pit by pit."""
    known = surface.table.dropna(subset="estimate")
    ends = known.groupby("pit", sort=False)["estimate"].agg(["min", "max"])
    said = []
    for pit, low, high in zip(ends.index, ends["min"], ends["max"], strict=True):
        alike = percent(low) == percent(high)
        reach = f"{percent(low)} in all" if alike else ranged(percent, low, high)
        said.append(f"{one_line(pit)} {reach}")
    return f"Between cells {listed(said)}; no single cell is known closely."


def contradictions(surface: SurfaceMap) -> list[str]:
    """Name the cells whose own counts contradict the surface, grate by grate."""
    against = surface.table[surface.table["contradicts"]]
    return [
        f"{one_line(pit)}, {one_line(grate)} grate: the counts contradict the smooth "
        f"surface in {listed(_cells(own))}; read the counts there, not the surface."
        for (pit, grate), own in against.groupby(["pit", "grate"], sort=False)
    ]


def _cells(cells: pd.DataFrame) -> list[str]:
    return [
        f"column {row['column']}, row {row['row']} ({row['n_burned']} of "
        f"{row['n_items']} counted, smoothed {percent(row['estimate'])})"
        for row in cells.to_dict("records")
    ]
