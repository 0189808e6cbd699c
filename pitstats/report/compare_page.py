"""The sections of the comparison report, one call each."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.model.burn_model import distance_curves
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.errors import DesignError
from pitstats.figures.evenness import plot_curves, plot_evenness
from pitstats.report.sensitivity_sections import SensitivitySections
from pitstats.report.wording import evenness as evenness_wording
from pitstats.report.wording import model as model_wording


class ComparisonPage(
    SensitivitySections,
):
    """A page that compares the pits of one study.

    Parameters
    ----------
    study : Study
        What the page is about.
    folder : path-like or None
        Where figures and tables are kept; None or an empty text: show only.
    """

    def show_evenness(self, conf_level: float | None = None) -> None:
        """Near, middle and far of every pit; upper grates and faces where recorded."""
        try:
            evenness = compare_evenness(self._study, conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        self._evenness = evenness
        self._beside("evenness")
        sentences = evenness_wording.evenness_sentences(evenness)
        self.figure(
            "evenness", partial(plot_evenness, evenness), alt=" ".join(sentences)
        )
        self.say_all(sentences)
        self.say(evenness_wording.evenness_pairs_sentence(evenness))
        self.table(
            "evenness",
            evenness_wording.evenness_table(evenness),
            evenness_wording.evenness_caption(evenness),
            values=evenness.table,
        )
        if len(evenness.grates):
            parts = ("lower", "upper", "upper_minus_lower")
            self.table(
                "evenness_grates",
                evenness_wording.contrast_table(evenness.grates, *parts),
                "Upper against lower grate, over the same distances: long-run burn "
                f"rates {evenness_wording.unit_text(evenness)}",
                values=evenness.grates,
            )
        self.say_all(evenness.caveats)
        self.say(evenness_wording.evenness_method(evenness), "note")

    def show_curves(self, conf_level: float | None = None) -> None:
        """Burn probability along the grate, a smooth guide."""
        try:
            curves, caveats = distance_curves(self._study, conf_level=conf_level)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        self.figure(
            "curves",
            partial(plot_curves, curves),
            alt=model_wording.curves_in_words(curves),
            caption=model_wording.CURVES_NOTE,
        )
        self.keep_table("curves", curves)
        self.say_all(caveats)
