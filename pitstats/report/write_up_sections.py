"""Sections for the write-up: ranks of several pits, and the reporting checklist."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from pitstats.analysis.fairness import Finding
from pitstats.analysis.rates.ranks import rank_pits
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.errors import DesignError
from pitstats.figures.ranks import plot_ranks
from pitstats.report.checklist import SOURCES, reporting_checklist
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import ranks as words
from pitstats.report.wording.numbers import one_line


class WriteUpSections(StudyPage):
    """Sections that keep a write-up inside its evidence."""

    def show_ranks(
        self, comparison: PitComparison, findings: Sequence[Finding] = ()
    ) -> None:
        """Ranks of three pits or more, with their uncertainty or not at all.

        Parameters
        ----------
        comparison : PitComparison
            The leading comparison of the report.
        findings : sequence of Finding, default ()
            From `audit_fairness`.
        """
        try:
            ranks = rank_pits(self._study, comparison)
        except DesignError as reason:
            self.say(f"No ranking is shown. {one_line(reason)}", "note")
            return
        sentences = words.rank_sentences(ranks, findings)
        self.say(sentences[0])
        self.figure(
            "ranks",
            partial(plot_ranks, ranks),
            alt=words.ranks_in_words(ranks),
            caption=words.FIGURE_CAPTION,
        )
        self.table(
            "ranks",
            words.ranks_table(ranks),
            words.ranks_caption(ranks),
            values=ranks.table,
        )
        self.keep_table("rank_chances", ranks.chances)
        self.say_all([*sentences[1:], *ranks.caveats])
        self.say(words.ranks_method(ranks), "note")

    def show_checklist(
        self,
        comparison: PitComparison,
        rates: BurnRates,
        findings: Sequence[Finding] = (),
    ) -> None:
        """The reporting checklist, filled from the study.

        Parameters
        ----------
        comparison : PitComparison
            The leading comparison of the report.
        rates : BurnRates
            Rates of the study.
        findings : sequence of Finding, default ()
            From `audit_fairness`.
        """
        frame = reporting_checklist(self._study, comparison, rates, findings)
        shown = frame[["topic", "item", "answer", "guideline"]].rename(
            columns=str.capitalize
        )
        open_items = int((~frame["recorded"]).sum())
        self.table(
            "reporting_checklist",
            shown,
            f"Reporting checklist, {len(frame)} items; {open_items} of them not "
            "recorded",
            values=frame,
        )
        self.say(SOURCES, "note")
