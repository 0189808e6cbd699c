"""Sections of a report about temperatures at the grate."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.heat.temperatures import compare_temperatures
from pitstats.analysis.heat.uniformity import survey_uniformity
from pitstats.errors import DesignError
from pitstats.figures.temperatures import (
    plot_cell_temperatures,
    plot_survey,
    plot_temperatures,
)
from pitstats.report.sections import survey as survey_words
from pitstats.report.sections import temperatures as words
from pitstats.report.study_page import StudyPage


class TemperatureSections(StudyPage):
    """What the probes say about level, evenness and repeatability of the pits."""

    def _probed_cells(self) -> pd.DataFrame | None:
        """Cell means to use; None: those that the default rules give."""
        return None

    def show_temperatures(self, conf_level: float | None = None) -> None:
        """Level, evenness and repeatability of every pit, and all pairs."""
        if self._study.probes.empty:
            self.say(words.NO_PROBES, "note")
            return
        try:
            comparison = compare_temperatures(
                self._study, cells=self._probed_cells(), conf_level=conf_level
            )
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        self._beside("temperature")
        levels = comparison.levels
        sentences = words.level_sentences(levels)
        self.figure(
            "temperatures", partial(plot_temperatures, levels), alt=" ".join(sentences)
        )
        self.say_all(sentences)
        self.say_all(words.pair_sentences(comparison))
        even = words.evenness_sentences(levels)
        self.figure(
            "cell_temperatures",
            partial(plot_cell_temperatures, levels),
            alt=" ".join(even),
            caption=words.CELLS_CAPTION,
        )
        self.say_all(
            [
                *even,
                *words.repeatability_sentences(levels),
                *words.spread_pair_sentences(comparison),
            ]
        )
        self.table(
            "temperatures",
            words.temperature_table(levels),
            words.temperature_caption(levels),
            values=levels.table,
        )
        self.keep_table("temperature_differences", comparison.table)
        # The caption of the table has said what the levels are averaged over.
        self.say_all(c for c in levels.caveats if c != levels.layout_note)

    def show_survey(self, survey_class: int = 5) -> None:
        """Whether every probed cell stayed near the set point."""
        if self._study.probes.empty:
            self.say(words.NO_PROBES, "note")
            return
        try:
            survey = survey_uniformity(
                self._study, cells=self._probed_cells(), survey_class=survey_class
            )
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        sentences = survey_words.survey_sentences(survey)
        caption = survey_words.survey_caption(survey)
        self.figure(
            "survey",
            partial(plot_survey, survey),
            alt=" ".join(sentences),
            caption=caption,
        )
        self.say_all(sentences)
        if survey.basis == "readings":
            self.say(survey_words.UNEQUAL_SWING, "note")
        self.table(
            "survey", survey_words.survey_table(survey), caption, values=survey.table
        )
        self.say_all(survey.caveats)
