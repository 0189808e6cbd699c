"""The sections of the report on probes and gauges, one call each."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pandas as pd

from pitstats.analysis.heat.gauge import Z_DEFAULT, GaugeComparison, compare_gauges
from pitstats.analysis.heat.probe_series import (
    ProbeRules,
    ProbeSummary,
    kelvin_in,
    summarize_probes,
)
from pitstats.errors import DesignError
from pitstats.figures.probes import plot_gauge_agreement, plot_gauges, plot_series
from pitstats.report import wording
from pitstats.report.temperature_sections import TemperatureSections
from pitstats.report.wording import probes as probe_wording
from pitstats.stats.sensors import sensor_uncertainty
from pitstats.study.study import Study


class ProbePage(TemperatureSections):
    """A page about gauges, grates and cells.

    Parameters
    ----------
    study : Study
        What the page is about.
    folder : path-like or None
        Where figures and tables are kept; None or an empty text: show only.
    """

    def __init__(self, study: Study, folder: str | Path | None = None) -> None:
        super().__init__(study, folder)
        self._probes: ProbeSummary | None = None
        self._gauges: GaugeComparison | None = None
        self._no_probes = self._no_gauges = ""

    def measure(
        self,
        rules: ProbeRules | None = None,
        *,
        low: float | None = None,
        high: float | None = None,
        lag: bool = False,
        z: float = Z_DEFAULT,
        conf_level: float | None = None,
    ) -> None:
        """Work out what the other sections show.

        Parameters
        ----------
        rules : ProbeRules, optional
            See `summarize_probes`.
        low, high : float, optional
            Limits for the minutes below and above, in the study's unit.
        lag : bool, default False
            Undo the lag of the probes.
        z : float, default 35.0
            Kelvin for a tenfold change of the browning rate.
        conf_level : float, optional
            Of all intervals; the study's own level when not given.
        """
        try:
            self._probes = summarize_probes(
                self._study, rules=rules, low=low, high=high, lag=lag
            )
        except DesignError as reason:
            self._no_probes = str(reason)
        try:
            self._gauges = compare_gauges(
                self._study, summary=self._probes, z=z, conf_level=conf_level
            )
        except DesignError as reason:
            self._no_gauges = str(reason)

    def _probed_cells(self) -> pd.DataFrame | None:
        return None if self._probes is None else self._probes.cells

    def show_answer(self) -> None:
        """Title, question, how the gauges stand to the grate, one picture."""
        self.title(self._study.settings.title, self._study.settings.question)
        if self._gauges is None:
            sentences = []
            if self._probes is not None:
                sentences = probe_wording.cells_sentences(self._probes)
            self.say(" ".join([*sentences, self._no_gauges]), "answer")
            return
        gauges = self._gauges
        sentences = probe_wording.gauge_sentences(gauges)
        pairs = probe_wording.gauge_pair_sentences(gauges)
        if len(pairs) == 1:
            sentences = [*sentences, *pairs]
        self.say(" ".join(sentences), "answer")
        self.figure(
            "gauges",
            partial(plot_gauges, gauges),
            alt=" ".join(sentences),
            caption=probe_wording.GAUGE_CAPTION,
        )

    def show_series(self) -> None:
        """Every probe over time, the window, and what is odd."""
        if self._probes is None:
            self.say(self._no_probes)
            return
        summary = self._probes
        self.say(probe_wording.window_sentence(summary))
        self.say(probe_wording.offsets_sentence(summary))
        self.say(probe_wording.lag_sentence(summary))
        self.figure(
            "series",
            partial(plot_series, summary),
            alt=probe_wording.series_in_words(summary),
            caption=probe_wording.SERIES_CAPTION,
        )
        more = probe_wording.panels_sentence(summary)
        if more:
            self.say(more, "note")
        self.say_all(summary.caveats)
        self.keep_table("readings", summary.readings)
        self.keep_table("series", summary.table)
        if len(summary.offsets):
            self.keep_table("probe_offsets", summary.offsets)

    def show_cells(self) -> None:
        """Mean, swing and minutes beyond limits of every probed cell."""
        if self._probes is None:
            return
        summary = self._probes
        if summary.cells.empty:
            self.say("No grate probe has a place, so there is no table of cells.")
            return
        self.say_all(probe_wording.cells_sentences(summary))
        self.say(probe_wording.limits_sentence(summary))
        self.table(
            "cells",
            probe_wording.cells_table(summary),
            "Probed cells, averaged over the bakes in which they were measured "
            f"(°{summary.unit}; minutes per bake)",
            values=summary.cells,
        )
        self.say(probe_wording.SWING_NOTE, "note")
        self.say(probe_wording.SERIES_METHOD, "note")

    def show_gauges(self) -> None:
        """Bias and limits of the gauges, against level and time."""
        if self._gauges is None:
            self.say(self._no_gauges)
            return
        gauges = self._gauges
        self.table(
            "gauges",
            probe_wording.gauge_table(gauges),
            probe_wording.gauge_table_caption(gauges),
            values=gauges.table,
        )
        self.figure(
            "agreement",
            partial(plot_gauge_agreement, gauges),
            alt=" ".join(probe_wording.gauge_sentences(gauges)),
            caption=probe_wording.AGREEMENT_CAPTION,
        )
        self.say_all(probe_wording.gauge_pair_sentences(gauges))
        self.table(
            "gauge_bakes",
            probe_wording.bakes_table(gauges),
            "Gauge and grate of every bake (means over the bake window)",
            values=gauges.bakes,
        )
        self.keep_table("gauge_differences", gauges.differences)
        self.say_all(gauges.caveats)
        self.say(probe_wording.GAUGE_METHOD, "note")

    def show_meaning(self) -> None:
        """What the offsets mean in browning rate."""
        if self._gauges is None:
            self.say(self._no_gauges)
            return
        gauges = self._gauges
        self.say_all(probe_wording.factor_sentences(gauges))
        self.table(
            "browning",
            probe_wording.factor_table(gauges),
            probe_wording.FACTOR_CAPTION,
            values=gauges.factors,
        )
        self.say(probe_wording.Z_NOTE, "note")

    def show_sensors(
        self, sensor: str = "", display_step: float = 0.0, reference_error: float = 0.0
    ) -> None:
        """How far off a single probe may be, from its class or its check.

        Parameters
        ----------
        sensor : str, default ""
            Class of the probes, one of `stats.SENSOR_CLASSES`; empty: not stated.
        display_step : float, default 0
            Step of the display, in the study's unit.
        reference_error : float, default 0
            Largest error of the reference thermometer of the probe check, in the
            study's unit; 0: not stated, and the check is not used here.
        """
        if self._probes is None:
            return
        summary = self._probes
        scale = kelvin_in(summary.unit)
        errors = summary.offsets["std_error"].dropna()
        checked = reference_error > 0 and len(errors) > 0
        mean = float(summary.table["temp"].mean())
        try:
            budget = sensor_uncertainty(
                (mean - 32) * 5 / 9 if summary.unit == "F" else mean,
                sensor or None,
                check=float(errors.max()) / scale if checked else None,
                reference=reference_error / scale,
                resolution=display_step / scale,
            )
        except ValueError as reason:
            self.say(str(reason) if sensor else probe_wording.NO_BUDGET)
            return
        self.say(probe_wording.budget_sentence(budget, summary.unit))

    def show_safety(self) -> None:
        """Cautions for everybody who wants to repeat the test."""
        self.cautions(wording.SAFETY, wording.SAFETY_CLOSING)
