"""What the probes read: series, cells, survey, and how far off a probe may be."""

from __future__ import annotations

import math
from functools import partial

import pandas as pd

from pitstats.analysis.heat.probe_series import ProbeSummary, kelvin_in
from pitstats.errors import DesignError
from pitstats.figures.probes import MOST_PANELS, plot_series
from pitstats.report.numbers import (
    degrees,
    measured,
    ranged,
    signed_degrees,
)
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import (
    Answered,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections import temperatures as _temperatures
from pitstats.report.tables import interval, shown, written
from pitstats.report.words import count, listed, one_line
from pitstats.stats.sensors import SensorBudget
from pitstats.study.schema import CELL

_SERIES_CAPTION = (
    "Every probe over time, darkest nearest the firebox, lid gauge dashed. Shaded "
    "minutes lie outside the bake window; crosses are readings that are left out. One "
    "scale for all bakes."
)
_SWING_NOTE = (
    "Swing: distance between the 5% and the 95% point of the readings around the "
    "straight line through them, weighted with time; there is no standard for it, the "
    "definition is a choice. Drift: slope of that line over ten minutes."
)
_SERIES_METHOD = (
    "Between readings the temperature is taken to run straight; gaps and readings of "
    "stuck probes are left out. Means describe the bakes that were measured."
)
_NO_BUDGET = (
    "No sensor class, display step or reference thermometer is stated, so no "
    "uncertainty of the probes is worked out; the intervals above hold for the "
    "instruments as they were."
)


@asks("series", "probe readings", "What did the probes read?")
def probe_series(results: ProbeResults) -> Answered:
    """Every probe over time, the window, and what is odd."""
    summary = results.series
    alt = "Every reading of every probe over time, bake by bake."
    said = (window_note(summary), offsets_sentence(summary), lag_sentence(summary))
    yield window_sentence(summary)
    yield Picture("series", partial(plot_series, summary), alt, _SERIES_CAPTION)
    yield Text(panels_sentence(summary), "note")
    yield Sentences([*said, *summary.caveats])
    yield Kept("readings", summary.readings)
    yield Kept("series", summary.table)
    yield Kept("probe_offsets", summary.offsets)


@asks("cells", "probed cells", "How hot was each cell?")
def probed_cells(results: ProbeResults) -> Answered:
    """Mean, swing and minutes beyond limits of every probed cell."""
    summary = results.series
    if summary.cells["temp"].notna().sum() == 0:
        raise DesignError("No usable reading of a grate probe has a place.")
    caption = (
        "Probed cells, averaged over the bakes in which they were measured "
        f"(°{summary.unit}; minutes per bake)"
    )
    yield _cells_in_short(summary)
    yield Table("cells", cells_table(summary), caption, summary.cells)
    yield Text(limits_sentence(summary))
    yield Text(_SWING_NOTE, "note")
    yield Text(_SERIES_METHOD, "note")


def _cells_in_short(summary: ProbeSummary) -> str:
    means = summary.cells.groupby(CELL)["temp"].mean()
    ends = f"{ranged(measured, means.min(), means.max())} °{summary.unit}"
    return f"On average the probed cells lay from {ends} in these bakes."


@asks("temperatures", "temperatures", _temperatures.QUESTION)
def probed_temperatures(results: ProbeResults) -> Answered:
    """Level, evenness and repeatability of every pit, by these rules for probes."""
    yield from _temperatures.told(results)


@asks("sensors", "the error of a probe", "How far off may a probe be?")
def sensors(results: ProbeResults) -> Answered:
    """How far off a single probe may be, from its class or its check."""
    unit, budget = results.series.unit, _budget(results)
    if isinstance(budget, str):
        yield ""
        yield Text(budget)
        return
    off = f"{kelvin_in(unit) * budget.expanded:.1f} °{unit}"
    yield f"A single probe may be off by {off} (expanded uncertainty)."
    yield Sentences(budget_sentences(budget, unit))


def _budget(results: ProbeResults) -> SensorBudget | str:
    """The uncertainty of a probe, or why its class gives none."""
    try:
        return results.budget
    except DesignError:
        raise
    except ValueError as reason:
        if not results.sensor:
            raise DesignError(_NO_BUDGET) from reason
        return str(reason)


def window_sentence(summary: ProbeSummary) -> str:
    """Which minutes count."""
    ends = summary.bakes["window_end"]
    until = (
        f"minute {ends.iloc[0]:.3g}"
        if ends.nunique() == 1
        else f"the end of each bake (minute {ends.min():.3g} to {ends.max():.3g})"
    )
    return f"Readings count from minute {summary.rules.window_start:.1f} to {until}."


def window_note(summary: ProbeSummary) -> str:
    """By which settings they count."""
    rules = summary.rules
    by_last = int((summary.bakes["end_by"] == "last reading").sum())
    taken = 100 * (1 - math.exp(-rules.settle))
    closing = (
        f" For {count(by_last, 'bake')} no length is recorded; the last reading ends "
        "the window."
    )
    return (
        f"The first minute that counts is {rules.settle:g} time constants of "
        f"{rules.time_constant:g} s after the lid was closed at minute "
        f"{rules.lid_closed:g}. By then a probe has taken {taken:.1f}% of a step."
        f"{closing * bool(by_last)}"
    )


def limits_sentence(summary: ProbeSummary) -> str:
    """Which limits the minutes above and below belong to."""
    pairs = summary.bakes[["low", "high"]].dropna().drop_duplicates()
    if pairs.empty:
        return (
            "Neither limits nor target temperatures are given, so no minutes above or "
            "below are counted."
        )
    if len(pairs) == 1:
        low, high = (degrees(value, summary.unit) for value in pairs.iloc[0])
        return f"Minutes are counted below {low} and above {high}."
    return (
        "Minutes are counted below and above limits that differ from bake to bake, "
        "around each bake's target temperature."
    )


def offsets_sentence(summary: ProbeSummary) -> str:
    """What the probe check found and what was done with it."""
    offsets, unit = summary.offsets, summary.unit
    grate = set(summary.table.loc[~summary.table["lid"], "probe"])
    used = offsets[offsets["probe"].isin(grate)]
    if used.empty:
        return "No offsets are taken off the readings."
    ends = ranged(signed_degrees, used["offset"].min(), used["offset"].max())
    against = listed(dict.fromkeys(used["reference"]))
    return (
        f"{count(len(used), 'probe').capitalize()} were checked at one place against "
        f"the {against}: they read from {ends} °{unit} off, and that is taken off "
        "their readings."
    )


def lag_sentence(summary: ProbeSummary) -> str:
    """What it costs that the lag was undone; empty where it was not."""
    if not summary.lag_corrected:
        return ""
    factor = float(summary.table.loc[~summary.table["lid"], "noise_factor"].median())
    return (
        f"The lag of the probes (time constant {summary.rules.time_constant:g} s) is "
        f"undone. That multiplies the noise of single readings by {factor:.1f}; means "
        "over the window are hardly touched by it, ranges are."
    )


def panels_sentence(summary: ProbeSummary) -> str:
    """How many bakes the picture leaves out; empty if none."""
    n = len(summary.bakes)
    return f"The picture shows the first {MOST_PANELS} bakes of {n}." * (
        n > MOST_PANELS
    )


def cells_table(summary: ProbeSummary) -> pd.DataFrame:
    """Probed cells averaged over bakes, ready to read."""
    pits = list(dict.fromkeys(summary.cells["pit"]))
    means = ("temp", "swing", "drift", "minutes_below", "minutes_above")
    cells = summary.cells.groupby(CELL, as_index=False).agg(
        **{name: (name, "mean") for name in means},
        n_bakes=("temp", "count"),
        temp_low=("temp", "min"),
        temp_high=("temp", "max"),
    )
    cells = cells.sort_values("pit", key=lambda own: own.map(pits.index), kind="stable")
    return shown(
        cells,
        {
            "Pit": "pit",
            "Cell": lambda row: (
                f"{one_line(row['grate'])} row {row['row']}, column {row['column']}"
            ),
            "Bakes": "n_bakes",
            f"Mean, °{summary.unit}": written(measured, "temp"),
            "Bakes from ... to": interval(measured, "temp"),
            "Swing": written(measured, "swing"),
            "Drift in 10 min": written(measured, "drift"),
            "Minutes below": written(measured, "minutes_below"),
            "Minutes above": written(measured, "minutes_above"),
        },
    )


def budget_sentences(budget: SensorBudget, unit: str) -> list[str]:
    """What the error of a probe is made of, and what it leaves out."""
    scale = kelvin_in(unit)
    parts = [f"{name} {scale * value:.1f}" for name, value in budget.parts.items()]
    return [
        f"Standard uncertainties in °{unit}: {listed(parts)}; coverage factor "
        f"{budget.coverage_factor:g}.",
        "A sensor class speaks of sensors as new, and nothing here covers what the "
        "place of a probe adds: radiation, a bar, cold dough beside it.",
    ]
