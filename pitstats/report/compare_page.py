"""The sections of the comparison report, one call each."""

from __future__ import annotations

from functools import cached_property, partial

import pandas as pd

from pitstats.analysis.grading.grade_comparison import compare_grades
from pitstats.analysis.grading.grades import count_grades
from pitstats.analysis.model.burn_model import distance_curves
from pitstats.analysis.model.settings_effect import estimate_setting_effect
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.analysis.rates.rates import estimate_shares
from pitstats.errors import DesignError
from pitstats.figures.evenness import plot_curves, plot_evenness
from pitstats.figures.grates import plot_grades
from pitstats.report import tables, wording
from pitstats.report.old_page import Picture
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
