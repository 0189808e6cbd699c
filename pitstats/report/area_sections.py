"""Sections about smoothed maps and usable area."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.places.surface import map_surface
from pitstats.analysis.places.usable_area import estimate_usable_area
from pitstats.errors import DesignError
from pitstats.figures.area import plot_chance_good, plot_surface, plot_usable_area
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import area as wording


class AreaSections(StudyPage):
    """Where a pit burns once noise is smoothed, and how much grate is usable."""

    def show_surface(self, conf_level: float | None = None) -> None:
        """Smoothed chance of burning beside the counts of every cell."""
        try:
            surface = map_surface(self._study, "burned", conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        sentences = wording.surface_sentences(surface)
        self.figure(
            "surface",
            partial(plot_surface, surface),
            alt=" ".join(sentences),
            caption=wording.SURFACE_CAPTION,
        )
        self.keep_table("surface", surface.table)
        self.say_all([*sentences, wording.EXTREMES])
        self.say_all(surface.caveats)

    def show_usable_area(self, conf_level: float | None = None) -> None:
        """Cells in the target grade: share, area, every bake, and next time."""
        try:
            area = estimate_usable_area(self._study, conf_level=conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        sentences = wording.area_sentences(area)
        self.figure(
            "usable_area",
            partial(plot_usable_area, area),
            alt=" ".join(sentences),
            caption=wording.usable_area_caption(area),
        )
        self.say_all([*sentences, *wording.every_sentences(area)])
        self.say_all(wording.area_pairs_sentences(area))
        self.table(
            "usable_area",
            wording.area_table(area),
            wording.area_caption(area),
            values=area.table,
        )
        if len(area.grates):
            self.table(
                "usable_area_grates",
                wording.grates_table(area),
                "Each grate apart, where a pit has several "
                "(unit of replication: the bake)",
                values=area.grates,
            )
        if len(area.differences):
            self.table(
                "usable_area_pairs",
                wording.area_pairs_table(area),
                wording.area_pairs_caption(area),
                values=area.differences,
            )
        chances = wording.surface_sentences(area.surface)
        self.figure(
            "chance_good",
            partial(plot_chance_good, area),
            alt=" ".join(chances),
            caption=wording.CHANCE_CAPTION,
        )
        self.keep_table("chance_good", area.cells)
        self.keep_table("usable_area_next", area.future)
        self.keep_table("usable_area_every", area.every)
        self.keep_table("usable_area_bakes", area.bakes)
        self.say_all(area.caveats)
        self.say(wording.area_method(area), "note")
