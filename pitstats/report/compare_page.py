"""The sections of the comparison report, one call each."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, partial

import pandas as pd

from pitstats.analysis.fairness import Finding, settings_differ
from pitstats.analysis.grading.grade_comparison import compare_grades
from pitstats.analysis.grading.grades import count_grades
from pitstats.analysis.model.burn_model import distance_curves
from pitstats.analysis.model.settings_effect import estimate_setting_effect
from pitstats.analysis.next_steps.suggest import suggest_next
from pitstats.analysis.places.end_counts import count_ends
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.analysis.rates.other_methods import compare_methods
from pitstats.analysis.rates.rates import estimate_shares
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.errors import DesignError
from pitstats.figures.evenness import plot_curves, plot_evenness
from pitstats.figures.grates import plot_grades
from pitstats.figures.next_step import plot_next_step
from pitstats.figures.rates import plot_differences, plot_rates
from pitstats.report import tables, wording
from pitstats.report.old_page import Picture
from pitstats.report.sensitivity_sections import SensitivitySections
from pitstats.report.wording import evenness as evenness_wording
from pitstats.report.wording import model as model_wording
from pitstats.report.words import one_line


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

    def show_answer(
        self,
        comparison: PitComparison,
        rates: BurnRates,
        findings: Sequence[Finding] = (),
    ) -> None:
        """Title, question, the answer, one picture, one number.

        The findings stay with the page; every section names those that touch it.
        """
        self._keep_findings(findings)
        self.title(self._study.settings.title, self._study.settings.question)
        as_set_up = settings_differ(self._study)
        answer = wording.answer(comparison, as_set_up=as_set_up, findings=findings)
        self.say(answer, "answer")
        # An unfair test must not have a first screen that reads like a fair one.
        self.findings([f for f in findings if f.severity == "spoils"], brief=True)
        self.figure(
            "rates",
            partial(plot_rates, rates),
            alt=_in_words(rates),
            caption=wording.rates_caption(rates),
        )
        self.number(*wording.headline_number(comparison, findings))
        self._beside("difference", notes=False)

    def show_pairs(self, comparison: PitComparison) -> None:
        """All pairs: picture, table, one sentence each."""
        self._beside("difference")
        self.figure(
            "differences",
            partial(plot_differences, comparison),
            alt=" ".join(_pair_sentences(comparison, self._findings)),
        )
        self.say_all(_pair_sentences(comparison, self._findings))
        self.table(
            "pairs",
            tables.pair_table(comparison),
            wording.pairs_caption(comparison),
            values=comparison.table,
        )
        self.say(wording.naive_sentence(comparison))

    def show_ways(self, both: BothWays) -> None:
        """Naive, as baked and on a common layout, side by side."""
        self.say(wording.ways_sentence(both))
        frames = [both.as_baked.table.assign(layout="as baked")]
        if both.common is not None:
            frames.append(both.common.table.assign(layout="common"))
        self.table(
            "ways",
            tables.ways_table(both),
            "What moves the answer: every pair counted in different ways, in points "
            "(intervals allow for all pairs)",
            values=pd.concat(frames, ignore_index=True),
        )
        methods = compare_methods(self._study, both.as_baked)
        self.table(
            "other_methods",
            tables.methods_table(methods),
            wording.methods_caption(both.as_baked, methods),
            values=methods,
        )

    def show_more_bakes(self, both: BothWays, seed: int) -> None:
        """What to do next, with the chance of a verdict after further bakes."""
        step = suggest_next(self._study, both=both, seed=seed)
        self.say_all([one_line(line) for line in step.sentences])
        if len(step.table) > 1:
            self.figure(
                "next_step",
                partial(plot_next_step, step),
                alt=one_line(step.sentence),
                caption=one_line(step.note),
            )

    def show_rates(self, rates: BurnRates, both: BothWays | None = None) -> None:
        """The rates as a table, and what the items are worth."""
        self._beside("rates")
        if both is not None and both.leads == "common":
            self.table(
                "rates_common_layout",
                tables.rate_table(both.rates),
                wording.rates_table_caption(both.rates),
                values=both.rates.table,
            )
        self.table(
            f"rates_{rates.outcome}",
            tables.rate_table(rates),
            wording.rates_table_caption(rates),
            values=rates.table,
        )
        self.say(wording.bake_spread_sentence(rates))
        self.say_all(
            wording.effective_sentence(rates, pit) for pit in rates.table["pit"]
        )
        self.say(wording.SHRINKAGE, "note")

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
        ends = count_ends(self._study)
        self.say_all(evenness_wording.zone_sentences(evenness, ends))
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

    def show_settings(self, conf_level: float | None = None) -> None:
        """Effects of settings within pits, where they were varied."""
        self._beside("settings")
        bakes = self._study.bakes
        for column in ("damper_open", "intake_open", "plate"):
            if bakes[column].isna().all():
                continue
            if bakes[column].nunique() == 1:
                value = bakes[column].dropna().iloc[0]
                self.say(model_wording.never_varied(column, value))
                continue
            effect = estimate_setting_effect(self._study, column, conf_level=conf_level)
            self.say_all(model_wording.setting_sentences(effect))
            self.say_all(effect.caveats)
            if effect.table["estimate"].notna().any():
                self.keep_table(f"setting_{column}", effect.table)

    def show_bakes(self, rates: BurnRates) -> None:
        """Every bake in a table, excluded ones with their reasons."""
        self.table(
            "bakes",
            tables.bake_table(self._study, rates),
            "Every bake on record, one row per bake",
            values=rates.bakes,
        )

    def show_missing(self, rates: BurnRates) -> None:
        """What missing items could have changed."""
        self.say(wording.missing_sentence(rates))
        if (rates.missing_range["n_missing"] > 0).any():
            self.table(
                "missing",
                tables.missing_table(rates),
                "Missing items and the range each rate could have had",
                values=rates.missing_range,
            )

    def show_grades(self, conf_level: float | None = None) -> None:
        """The grade scale: shares of all grades and outcomes, and other cuts."""
        counts, pictures = self._grades
        if counts.empty:
            self.say("Only burned or not was recorded, so there is no grade scale.")
            return
        self._beside("grades")
        self.pictures(pictures)
        self._keep_grades(counts)
        found = compare_grades(self._study, conf_level)
        self.table(
            "grade_shares",
            tables.grade_table(found),
            wording.grades_table_caption(found),
            values=found.table,
        )
        self.keep_table("grade_differences", found.differences)
        self.keep_table("cuts", found.cuts)
        self.keep_table("cut_differences", found.cut_differences)
        if len(found.scales):
            self.keep_table("grade_scales", found.scales)
        self.say_all([*wording.grade_sentences(found), *found.caveats])
        self.say(f"How: {found.method}.", "note")

    @cached_property
    def _grades(self) -> tuple[pd.DataFrame, list[Picture]]:
        """Grades of all pits, and their bars; no bars without grades."""
        counts = count_grades(self._study)
        if counts.empty:
            return counts, []
        bars = Picture(
            "grades",
            partial(plot_grades, counts),
            wording.grades_in_words(counts),
            wording.grades_caption(self._study.settings),
        )
        return counts, [bars]

    def show_other_outcomes(self, conf_level: float | None = None) -> None:
        """Under-baked and good shares, where no grade tells them with all others."""
        if not self._grades[0].empty:
            return
        for outcome in ("underbaked", "good"):
            try:
                shares = estimate_shares(self._study, outcome, conf_level)
            except DesignError as reason:
                self.say(str(reason), "note")
                continue
            self.table(
                f"rates_{outcome}",
                tables.rate_table(shares),
                wording.rates_table_caption(shares),
                values=shares.table,
            )

    def show_limits(self, comparison: PitComparison, rates: BurnRates) -> None:
        """What cannot be said."""
        self.say_all(wording.limits(comparison, rates, self._findings))

    def show_method(self, comparison: PitComparison, rates: BurnRates) -> None:
        """How the numbers were made, with sources."""
        self.say_all(wording.method(comparison, rates))

    def show_safety(self) -> None:
        """Cautions for everybody who wants to repeat the test."""
        self.cautions(wording.SAFETY, wording.SAFETY_CLOSING)

    def _keep_grades(self, counts: pd.DataFrame) -> None:
        wide = counts.pivot_table(
            index="pit", columns="grade", values="n_items", sort=False, aggfunc="sum"
        )
        self.table(
            "grades",
            wide.rename_axis(columns=None).reset_index().rename(columns={"pit": "Pit"}),
            "Items by grade of the deciding face (missing items are counted apart)",
            values=counts,
        )


def _in_words(rates: BurnRates) -> str:
    return " ".join(wording.rate_sentence(rates, pit) for pit in rates.table["pit"])


def _pair_sentences(
    comparison: PitComparison, findings: Sequence[Finding]
) -> list[str]:
    table = comparison.table
    return [
        wording.pair_sentence(comparison, a, b, findings)
        for a, b in zip(table["pit_a"], table["pit_b"], strict=True)
    ]
