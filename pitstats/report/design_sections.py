"""Sections on the design of the test: what it cannot separate, and what would."""

from __future__ import annotations

from functools import cached_property

from pitstats.analysis.fairness.extra_bakes import ExtraBakes, suggest_bakes
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import design as words


class DesignSections(StudyPage):
    """Sections about the design, for finished and for planned studies."""

    @cached_property
    def _suggested(self) -> ExtraBakes:
        return suggest_bakes(self._study)

    def show_design(self) -> None:
        """What went with the pits, read off the design alone."""
        design = self._suggested.before
        self.say_all(words.design_sentences(design))
        if len(design.contrasts):
            self.table(
                "design",
                words.design_table(design),
                words.DESIGN_CAPTION,
                values=design.contrasts.drop(columns="rank_lost"),
            )
            self.keep_table("design_factors", design.table)

    def show_extra_bakes(self) -> None:
        """The fewest bakes that would separate what cannot be separated now."""
        more = self._suggested
        self.say_all(words.extra_bakes_sentences(more))
        if len(more.table):
            self.table(
                "extra_bakes",
                words.extra_bakes_table(more),
                words.EXTRA_BAKES_CAPTION,
                values=more.table,
            )
