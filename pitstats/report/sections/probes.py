"""What the probes read: series, cells, survey, and how far off a probe may be."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.heat.probe_series import ProbeSummary, kelvin_in
from pitstats.analysis.heat.uniformity import UniformitySurvey
from pitstats.errors import DesignError
from pitstats.figures.probes import MOST_PANELS, plot_series
from pitstats.report.numbers import (
    degrees,
    entry,
    measured,
    measured_span,
    signed_degrees,
)
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import (
    Kept,
    Part,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.sections import survey as _survey
from pitstats.report.sections import temperatures as _temperatures
from pitstats.report.words import count, listed, one_line
from pitstats.stats.sensors import SensorBudget

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


def series(results: ProbeResults) -> Section:
    """Every probe over time, the window, and what is odd."""
    question = "What did the probes read?"
    try:
        summary = results.series
    except DesignError as reason:
        return nothing("series", "probe readings", question, reason)
    words = series_in_words(summary)
    draw = partial(plot_series, summary)
    more = panels_sentence(summary)
    kept = [Kept("readings", summary.readings), Kept("series", summary.table)]
    if len(summary.offsets):
        kept.append(Kept("probe_offsets", summary.offsets))
    said = [window_note(summary), offsets_sentence(summary), lag_sentence(summary)]
    return Section(
        id="series",
        question=question,
        answer=window_sentence(summary),
        body=[
            Picture("series", draw, words, _SERIES_CAPTION),
            *([Text(more, "note")] if more else []),
            Sentences([*said, *summary.caveats]),
            *kept,
        ],
    )


def cells(results: ProbeResults) -> Section:
    """Mean, swing and minutes beyond limits of every probed cell."""
    question, topic = "How hot was each cell?", "probed cells"
    try:
        summary = results.series
    except DesignError as reason:
        return nothing("cells", topic, question, reason)
    if summary.cells["temp"].notna().sum() == 0:
        why = "No usable reading of a grate probe has a place."
        return nothing("cells", topic, question, why)
    caption = (
        "Probed cells, averaged over the bakes in which they were measured "
        f"(°{summary.unit}; minutes per bake)"
    )
    return Section(
        id="cells",
        question=question,
        answer=_cells_in_short(summary),
        body=[
            Sentences([*cells_sentences(summary), limits_sentence(summary)]),
            Table("cells", cells_table(summary), caption, summary.cells),
            Text(_SWING_NOTE, "note"),
            Text(_SERIES_METHOD, "note"),
        ],
    )


def _cells_in_short(summary: ProbeSummary) -> str:
    place = ["pit", "grate", "row", "column"]
    means = summary.cells.groupby(place)["temp"].mean().dropna()
    ends = measured_span(float(means.min()), float(means.max()), summary.unit)
    return f"On average the probed cells lay from {ends} in these bakes."


def temperatures(results: ProbeResults) -> Section:
    """Level, evenness and repeatability of every pit, by these rules for probes."""
    question, topic = _temperatures.QUESTION, "temperatures"
    if results.study.probes.empty:
        return nothing("temperatures", topic, question, _temperatures.NO_PROBES)
    try:
        comparison = results.temperatures
    except DesignError as reason:
        return nothing("temperatures", topic, question, reason)
    return Section(
        id="temperatures",
        question=question,
        answer=_temperatures.in_short(comparison.levels),
        body=_temperatures.body(comparison),
    )


def survey(results: ProbeResults) -> Section:
    """Whether every probed cell stayed near the set point."""
    question, topic = "Did every cell stay near the set point?", "a survey of cells"
    if results.study.probes.empty:
        return nothing("survey", topic, question, _temperatures.NO_PROBES)
    try:
        found = results.survey
    except DesignError as reason:
        return nothing("survey", topic, question, reason)
    answer = _survey_in_short(found)
    return Section(
        id="survey", question=question, answer=answer, body=_survey.body(found)
    )


def _survey_in_short(found: UniformitySurvey) -> str:
    within, n = (int(found.pits[name].sum()) for name in ("n_bakes_within", "n_bakes"))
    return (
        f"Every probed cell stayed within {measured(found.tolerance)} °{found.unit} in "
        f"{within} of {count(n, 'bake')}."
    )


def sensors(results: ProbeResults) -> Section:
    """How far off a single probe may be, from its class or its check."""
    question, topic = "How far off may a probe be?", "the error of a probe"
    try:
        unit, budget = results.series.unit, results.budget
    except DesignError as reason:
        return nothing("sensors", topic, question, reason)
    except ValueError as reason:
        if not results.sensor:
            return nothing("sensors", topic, question, _NO_BUDGET)
        # A class that is not known: say so on the page.
        body: list[Part] = [Text(str(reason))]
        return Section(id="sensors", question=question, body=body, topic=topic)
    off = f"{kelvin_in(unit) * budget.expanded:.1f} °{unit}"
    return Section(
        id="sensors",
        question=question,
        answer=f"A single probe may be off by {off} (expanded uncertainty).",
        body=[Sentences(budget_sentences(budget, unit))],
    )


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
    bakes, unit = summary.bakes, summary.unit
    known = bakes.dropna(subset=["low", "high"])
    if known.empty:
        return (
            "Neither limits nor target temperatures are given, so no minutes above or "
            "below are counted."
        )
    pairs = known[["low", "high"]].drop_duplicates()
    if len(pairs) == 1:
        low, high = (float(value) for value in pairs.iloc[0])
        return (
            f"Minutes are counted below {degrees(low, unit)} and above "
            f"{degrees(high, unit)}."
        )
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
    low, high = float(used["offset"].min()), float(used["offset"].max())
    against = listed(list(dict.fromkeys(used["reference"])))
    return (
        f"{count(len(used), 'probe').capitalize()} were checked at one place against "
        f"the {against}: they read from {signed_degrees(low)} to "
        f"{signed_degrees(high)} °{unit} off, and that is taken off their readings."
    )


def lag_sentence(summary: ProbeSummary) -> str:
    """Whether the lag was undone and what that costs, or would."""
    if not summary.lag_corrected:
        return (
            "The lag of the probes is left in: it hardly moves a mean over the window, "
            "but flattens the swings and delays them by about "
            f"{summary.rules.time_constant:g} s."
        )
    factor = float(summary.table.loc[~summary.table["lid"], "noise_factor"].median())
    return (
        f"The lag of the probes (time constant {summary.rules.time_constant:g} s) is "
        f"undone. That multiplies the noise of single readings by {factor:.1f}; means "
        "over the window are hardly touched by it, ranges are."
    )


def panels_sentence(summary: ProbeSummary) -> str:
    """How many bakes the picture leaves out; empty if none."""
    more = len(summary.bakes) - MOST_PANELS
    return (
        f"The picture shows the first {MOST_PANELS} bakes of {more + MOST_PANELS}."
        * (more > 0)
    )


def series_in_words(summary: ProbeSummary) -> str:
    """Describe the picture of the series for those who cannot see it."""
    parts = []
    for bake, own in summary.table.groupby("bake", sort=False):
        grate = own.loc[~own["lid"], "temp"].dropna()
        lid = own.loc[own["lid"], "temp"].dropna()
        text = f"{one_line(bake)}: {count(int((~own['lid']).sum()), 'grate probe')}"
        if len(grate):
            low, high = float(grate.min()), float(grate.max())
            text += f", means {measured_span(low, high, summary.unit)}"
        if len(lid):
            text += f", lid gauge {degrees(float(lid.mean()), summary.unit)}"
        parts.append(f"{text}.")
    return " ".join(parts)


def cells_sentences(summary: ProbeSummary) -> list[str]:
    """For each pit how hot its probed cells were."""
    sentences = []
    for pit, own in summary.cells.dropna(subset=["temp"]).groupby("pit", sort=False):
        means = own.groupby(["grate", "row", "column"])["temp"].mean()
        n_bakes = own["bake"].nunique()
        here = "in this bake" if n_bakes == 1 else f"in these {count(n_bakes, 'bake')}"
        if len(means) == 1:
            only = degrees(float(means.iloc[0]), summary.unit)
            sentences.append(f"{one_line(pit)}: one probed cell, at {only} {here}.")
            continue
        sentences.append(
            f"{one_line(pit)}: {count(len(means), 'probed cell')}, on average "
            f"{degrees(float(means.mean()), summary.unit)} {here}, from "
            f"{measured(float(means.min()))} ({_cell(means.idxmin())}) to "
            f"{degrees(float(means.max()), summary.unit)} ({_cell(means.idxmax())})."
        )
    return sentences


def _cell(key: Any) -> str:
    grate, row, column = key
    return f"{one_line(grate)} row {row}, column {column}"


def cells_table(summary: ProbeSummary) -> pd.DataFrame:
    """Probed cells averaged over bakes, ready to read."""
    grouped = summary.cells.groupby(["pit", "grate", "row", "column"], sort=True)
    order = {pit: k for k, pit in enumerate(dict.fromkeys(summary.cells["pit"]))}
    rows = []
    for (pit, grate, row, column), own in grouped:
        seen = own["temp"].dropna()
        rows.append(
            {
                "_order": order[pit],
                "Pit": one_line(pit),
                "Cell": _cell((grate, row, column)),
                "Bakes": len(seen),
                f"Mean, °{summary.unit}": entry(float(seen.mean())),
                "Bakes from ... to": measured_span(
                    float(seen.min()), float(seen.max())
                ),
                "Swing": entry(float(own["swing"].mean())),
                "Drift in 10 min": entry(float(own["drift"].mean())),
                "Minutes below": entry(float(own["minutes_below"].mean())),
                "Minutes above": entry(float(own["minutes_above"].mean())),
            }
        )
    frame = pd.DataFrame(rows).sort_values("_order", kind="stable")
    return frame.drop(columns="_order").reset_index(drop=True)


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
