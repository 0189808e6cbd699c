"""Where did items burn? The grates, cell by cell."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.places.grate_map import map_cells
from pitstats.figures.grates import plot_small_grates
from pitstats.report.section import Picture
from pitstats.report.study_results import StudyResults
from pitstats.report.wording.maps import map_alt


def picture(results: StudyResults) -> Picture | None:
    """One small map of each grate; None where no places were recorded."""
    cells = map_cells(results.study)
    if cells.empty:
        return None
    words = map_alt(cells, "share")
    caption = (
        "Burned of graded items in each cell, over all kept bakes, not smoothed; thick "
        "edge: firebox end; hatched: nothing graded."
    )
    return Picture("grates", partial(plot_small_grates, cells), words, caption)
