"""Sections of a report about the rise of the items."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.heat.rise import compare_rise
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.analysis.results import Evenness
from pitstats.errors import DesignError
from pitstats.figures.rise import plot_rise
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import rise as words


class RiseSections(StudyPage):
    """How far items rose, by pit and place, beside browning."""

    def show_rise(
        self, conf_level: float | None = None, evenness: Evenness | None = None
    ) -> None:
        """Rise by pit and by thirds of the grate, with the burned shares beside it.

        Parameters
        ----------
        conf_level : float, optional
            The study's own level when not given.
        evenness : Evenness, optional
            Saves working out the burned shares again.
        """
        if self._study.items["rise_mm"].isna().all():
            self.say(words.NO_RISE, "note")
            return
        try:
            rise = compare_rise(self._study, conf_level=conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        evenness = evenness or self._burned_by_thirds(rise.conf_level)
        sentences = [*words.rise_sentences(rise), *words.place_sentences(rise)]
        self.say(words.BESIDE_BROWNING)
        self.figure(
            "rise",
            partial(plot_rise, rise, evenness),
            alt=" ".join(sentences),
            caption=words.FIGURE_CAPTION,
        )
        self.say_all([*sentences, *words.rise_pair_sentences(rise)])
        self.table(
            "rise", words.rise_table(rise), words.rise_caption(rise), values=rise.levels
        )
        self.keep_table("rise_places", rise.effects)
        self.keep_table("rise_differences", rise.table)
        self.say_all(rise.caveats)

    def _burned_by_thirds(self, conf_level: float) -> Evenness | None:
        """Burned shares to stand beside the rises, where there are any."""
        shown = self._evenness
        if shown is not None and shown.conf_level == conf_level:
            return shown
        try:
            return compare_evenness(self._study, conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return None
