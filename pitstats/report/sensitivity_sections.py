"""The section on whether the answer would change."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.sensitivity.sensitivity import Sensitivity
from pitstats.figures.sensitivity import plot_sensitivity
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import sensitivity as words


class SensitivitySections(StudyPage):
    """Sections that make the comparison again under alternatives."""

    def show_firmness(self, found: Sensitivity) -> None:
        """Say in one line, below the answer, how firm its verdict is.

        Parameters
        ----------
        found : Sensitivity
            As returned by `check_sensitivity`.
        """
        said = words.firmness_sentence(found)
        if said:
            self.say(said)

    def show_sensitivity(self, found: Sensitivity) -> None:
        """Say whether another way to make the comparison would change the answer.

        Parameters
        ----------
        found : Sensitivity
            As returned by `check_sensitivity`.
        """
        sentences = words.sensitivity_sentences(found)
        shown = words.sensitivity_table(found)
        self.say_all(sentences)
        if len(shown):
            self.figure(
                "sensitivity",
                partial(plot_sensitivity, found),
                alt=words.sensitivity_in_words(found),
                caption=words.sensitivity_caption(found),
            )
            self.table(
                "sensitivity",
                shown,
                words.sensitivity_table_caption(found),
                values=found.table,
            )
        not_tried = words.not_tried_sentence(found)
        if not_tried:
            self.keep_table("sensitivity_not_tried", found.not_tried)
            self.say(not_tried, "note")
        self.say_all(found.caveats)
        self.say(words.sensitivity_method(found), "note")
