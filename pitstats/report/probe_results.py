"""Everything that is worked out from probes and gauges, each once and when asked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from pitstats.analysis.heat.gauge import Z_DEFAULT, GaugeComparison, compare_gauges
from pitstats.analysis.heat.probe_series import (
    ProbeRules,
    ProbeSummary,
    kelvin_in,
    summarize_probes,
)
from pitstats.analysis.heat.temperatures import (
    TemperatureComparison,
    compare_temperatures,
)
from pitstats.analysis.heat.uniformity import UniformitySurvey, survey_uniformity
from pitstats.errors import DesignError
from pitstats.report.study_results import StudyResults
from pitstats.stats.sensors import SensorBudget, sensor_uncertainty
from pitstats.study.study import Study


@dataclass(frozen=True, eq=False)
class ProbeResults:
    """Results about gauges, grates and cells for the sections of a page.

    Parameters
    ----------
    study : Study
        With probe readings, or with the means of gauge and grate of its bakes.
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
    survey_class : int, default 5
        Tolerance of the survey, 1 to 6.
    sensor : str, default ""
        Class of the probes, one of `stats.SENSOR_CLASSES`; empty: not stated.
    display_step : float, default 0
        Step of the display, in the study's unit.
    reference_error : float, default 0
        Largest error of the reference thermometer of the probe check, in the study's
        unit; 0: not stated, and the check is not used for the error of a probe.

    Examples
    --------
    >>> import pitstats as ps
    >>> results = ps.ProbeResults(ps.demo_study("probed_pits"))
    >>> ps.ask.survey(results).question
    'Did every cell stay near the set point?'
    """

    study: Study
    rules: ProbeRules | None = None
    low: float | None = None
    high: float | None = None
    lag: bool = False
    z: float = Z_DEFAULT
    conf_level: float | None = None
    survey_class: int = 5
    sensor: str = ""
    display_step: float = 0.0
    reference_error: float = 0.0

    @property
    def about(self) -> str:
        """Title of the study and where it was read from, to tell pages apart."""
        return StudyResults(self.study).about

    @cached_property
    def series(self) -> ProbeSummary:
        """Every probe in every bake."""
        return summarize_probes(
            self.study, rules=self.rules, low=self.low, high=self.high, lag=self.lag
        )

    @cached_property
    def _series_or_none(self) -> ProbeSummary | None:
        try:
            return self.series
        except DesignError:
            return None

    @property
    def _cells(self) -> pd.DataFrame | None:
        series = self._series_or_none
        return None if series is None else series.cells

    @cached_property
    def gauges(self) -> GaugeComparison:
        """Gauges against the grate."""
        return compare_gauges(
            self.study,
            summary=self._series_or_none,
            z=self.z,
            conf_level=self.conf_level,
        )

    @cached_property
    def temperatures(self) -> TemperatureComparison:
        """Pits against each other at the grate."""
        level = self.conf_level
        return compare_temperatures(self.study, cells=self._cells, conf_level=level)

    @cached_property
    def survey(self) -> UniformitySurvey:
        """Every probed cell against the set point."""
        asked = self.survey_class
        return survey_uniformity(self.study, cells=self._cells, survey_class=asked)

    @cached_property
    def budget(self) -> SensorBudget:
        """How far off a single probe may be; `ValueError` without anything stated."""
        summary = self.series
        scale = kelvin_in(summary.unit)
        errors = summary.offsets["std_error"].dropna()
        checked = self.reference_error > 0 and len(errors) > 0
        mean = float(summary.table["temp"].mean())
        return sensor_uncertainty(
            (mean - 32) * 5 / 9 if summary.unit == "F" else mean,
            self.sensor or None,
            check=float(errors.max()) / scale if checked else None,
            reference=self.reference_error / scale,
            resolution=self.display_step / scale,
        )
