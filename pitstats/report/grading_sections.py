"""The section on whether the grading can be trusted."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.grading.agreement import compare_gradings
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.errors import DesignError
from pitstats.figures.agreement import plot_grading_agreement
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import agreement as words


class GradingSections(StudyPage):
    """Sections that hold second gradings against the first."""

    def show_grading_agreement(self, both: BothWays | None = None) -> None:
        """Say how well gradings agree, and what another grader would have concluded.

        Parameters
        ----------
        both : BothWays, optional
            As returned by `compare_both_ways`, if it is at hand.
        """
        if self._study.regrades.empty:
            self.say(words.NOTHING_GRADED_TWICE, "note")
            return
        try:
            found = compare_gradings(self._study, both=both)
        except DesignError as reason:
            self.say(str(reason), "note")
            return
        self._beside("grades")
        self.say_all(words.agreement_sentences(found))
        if len(found.confusion):
            self.figure(
                "grading_agreement",
                partial(plot_grading_agreement, found),
                alt=words.confusion_in_words(found),
                caption=words.CONFUSION_CAPTION,
            )
            self.keep_table("grading_confusion", found.confusion)
        self.table(
            "grading_agreement",
            words.agreement_table(found),
            words.agreement_caption(found),
            values=found.table,
        )
        if len(found.where):
            self.table(
                "grading_where",
                words.where_table(found),
                words.WHERE_CAPTION,
                values=found.where,
            )
        for name in ("burned", "several", "conclusions"):
            frame = getattr(found, name)
            if len(frame):
                self.keep_table(f"grading_{name}", frame)
        self.say_all([*words.conclusion_sentences(found), *found.caveats])
        self.say(f"How: {found.method}.", "note")
