"""Probe readings and gauges in words."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from pitstats.analysis.heat.gauge import (
    INDICATED_AND_PROBES,
    LID_AND_PROBES,
    MEANS,
    GaugeComparison,
)
from pitstats.analysis.heat.probe_series import ProbeSummary, kelvin_in
from pitstats.figures.probes import MOST_PANELS
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import (
    NO_VALUE,
    count,
    degrees,
    level_text,
    listed,
    measured,
    one_line,
    true_minus,
)
from pitstats.stats.sensors import SensorBudget

_GRATE = ["pit", "grate", "row", "column"]

_SOURCE_SHORT = {
    LID_AND_PROBES: "readings of both",
    INDICATED_AND_PROBES: "mean and probes",
    MEANS: "means",
}

SERIES_CAPTION = (
    "Every probe over time, darkest nearest the firebox, lid gauge dashed. Shaded "
    "minutes lie outside the bake window; crosses are readings that are left out. One "
    "scale for all bakes."
)
SWING_NOTE = (
    "Swing: distance between the 5% and the 95% point of the readings around the "
    "straight line through them, weighted with time; there is no standard for it, the "
    "definition is a choice. Drift: slope of that line over ten minutes."
)
GAUGE_CAPTION = (
    "How far each pit's own gauge reads from the grate. The thick bar is the interval "
    "of the mean over bakes, the thin one the limits between which a bake's difference "
    "usually lies; with few bakes those limits may lie as far out as the dotted line. "
    "Circles are bakes."
)
AGREEMENT_CAPTION = (
    "The same differences against the level and against time: points and lines are "
    "readings, one line per bake, circles bakes; across run the mean (thick) and the "
    "limits of agreement of a bake (dashed). A slope on the left can be an offset that "
    "changes with the level, one on the right the lag of the gauge. A degree has the "
    "same height in all panels."
)
Z_NOTE = (
    "z is the number of kelvin that change the browning rate tenfold. Measured values "
    "lie between about 25 and 60 K, so all three are shown; the choice is a setting, "
    "not a result. This is neither a doneness figure nor a safety figure."
)
GAUGE_METHOD = (
    "Bias: mean of the bakes' differences with Student's t. Limits of agreement: Bland "
    "and Altman (1986, 1999), with exact intervals from the noncentral t distribution "
    "(Carkeet 2015); for single readings from the variance between and within bakes "
    "(Bland and Altman 2007; Zou 2013). Differences of pits: Welch (1947), for several "
    "pairs Games and Howell (1976). Unit of replication: the bake."
)
SERIES_METHOD = (
    "Between readings the temperature is taken to run straight; gaps and readings of "
    "stuck probes are left out. Means describe the bakes that were measured."
)


def _entry(value: float) -> str:
    """Write a number into a table."""
    return measured(value, NO_VALUE)


def _span(low: float, high: float, unit: str = "") -> str:
    if math.isnan(low):
        return NO_VALUE
    return f"{measured(low)} to {measured(high)}" + (f" °{unit}" if unit else "")


# --- probe series -------------------------------------------------------------------


@passes
def window_sentence(summary: ProbeSummary) -> str:
    """Say which minutes count, and by which settings.

    Parameters
    ----------
    summary : ProbeSummary
        As returned by `summarize_probes`.

    Returns
    -------
    str
        Two sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> summary = ps.summarize_probes(ps.demo_study("probed_pits"))
    >>> window_sentence(summary).startswith("Readings count from minute 2.9")
    True
    """
    rules, bakes = summary.rules, summary.bakes
    ends = bakes["window_end"]
    until = (
        f"minute {ends.iloc[0]:.3g}"
        if ends.nunique() == 1
        else f"the end of each bake (minute {ends.min():.3g} to {ends.max():.3g})"
    )
    by_last = int((bakes["end_by"] == "last reading").sum())
    closing = ""
    if by_last:
        closing = (
            f" For {count(by_last, 'bake')} no length is recorded; the last reading "
            "ends the window."
        )
    return (
        f"Readings count from minute {rules.window_start:.1f} to {until}: "
        f"{rules.settle:g} time constants of {rules.time_constant:g} s after the lid "
        f"was closed at minute {rules.lid_closed:g}. By then a probe has taken "
        f"{100 * (1 - math.exp(-rules.settle)):.1f}% of a step.{closing}"
    )


@passes
def limits_sentence(summary: ProbeSummary) -> str:
    """Say which limits the minutes above and below belong to."""
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


@passes
def offsets_sentence(summary: ProbeSummary) -> str:
    """Say what the probe check found and what was done with it."""
    offsets, unit = summary.offsets, summary.unit
    grate = set(summary.table.loc[~summary.table["lid"], "probe"])
    used = offsets[offsets["probe"].isin(grate)]
    if used.empty:
        return "No offsets are taken off the readings."
    low, high = float(used["offset"].min()), float(used["offset"].max())
    against = listed(list(dict.fromkeys(used["reference"])))
    return (
        f"{count(len(used), 'probe').capitalize()} were checked at one place against "
        f"the {against}: they read from {_signed(low)} to {_signed(high)} °{unit} off, "
        "and that is taken off their readings."
    )


def _signed(value: float) -> str:
    return true_minus(f"{value:+.1f}")


@passes
def lag_sentence(summary: ProbeSummary) -> str:
    """Say whether the lag was undone and what that costs, or would."""
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


@passes
def panels_sentence(summary: ProbeSummary) -> str:
    """Say how many bakes the picture leaves out; empty if none."""
    more = len(summary.bakes) - MOST_PANELS
    return (
        f"The picture shows the first {MOST_PANELS} bakes of {more + MOST_PANELS}."
        * (more > 0)
    )


@passes
def series_in_words(summary: ProbeSummary) -> str:
    """Describe the picture of the series for those who cannot see it."""
    parts = []
    for bake, own in summary.table.groupby("bake", sort=False):
        grate = own.loc[~own["lid"], "temp"].dropna()
        lid = own.loc[own["lid"], "temp"].dropna()
        text = f"{one_line(bake)}: {count(int((~own['lid']).sum()), 'grate probe')}"
        if len(grate):
            low, high = float(grate.min()), float(grate.max())
            text += f", means {_span(low, high, summary.unit)}"
        if len(lid):
            text += f", lid gauge {degrees(float(lid.mean()), summary.unit)}"
        parts.append(f"{text}.")
    return " ".join(parts)


@passes
def cells_sentences(summary: ProbeSummary) -> list[str]:
    """Say for each pit how hot its probed cells were."""
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
    """Probed cells averaged over bakes, ready to read.

    Parameters
    ----------
    summary : ProbeSummary
        As returned by `summarize_probes`.

    Returns
    -------
    pandas.DataFrame
        One row per cell of each pit; temperatures in the study's unit.

    Examples
    --------
    >>> import pitstats as ps
    >>> cells_table(ps.summarize_probes(ps.demo_study("probed_pits"))).shape
    (14, 9)
    """
    grouped = summary.cells.groupby(_GRATE, sort=True)
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
                f"Mean, °{summary.unit}": _entry(float(seen.mean())),
                "Bakes from ... to": _span(float(seen.min()), float(seen.max())),
                "Swing": _entry(float(own["swing"].mean())),
                "Drift in 10 min": _entry(float(own["drift"].mean())),
                "Minutes below": _entry(float(own["minutes_below"].mean())),
                "Minutes above": _entry(float(own["minutes_above"].mean())),
            }
        )
    frame = pd.DataFrame(rows).sort_values("_order", kind="stable")
    return frame.drop(columns="_order").reset_index(drop=True)


# --- gauges -------------------------------------------------------------------------


@passes
def gauge_sentences(gauges: GaugeComparison) -> list[str]:
    """Say for each pit how far its gauge was from the grate.

    Parameters
    ----------
    gauges : GaugeComparison
        As returned by `compare_gauges`.

    Returns
    -------
    list of str
        One sentence per pit and gauge.

    Examples
    --------
    >>> import pitstats as ps
    >>> first = gauge_sentences(ps.compare_gauges(ps.demo_study("probed_pits")))[0]
    >>> first.split(" (")[0]
    "Quarry's own gauge reads 26 °F lower than the grate"
    """
    several = gauges.table["pit"].duplicated(keep=False)
    return [
        _gauge_sentence(row, gauges, named=bool(more))
        for row, more in zip(gauges.table.to_dict("records"), several, strict=True)
    ]


def _gauge_sentence(
    row: Mapping[Hashable, Any], gauges: GaugeComparison, *, named: bool
) -> str:
    pit, bias = one_line(row["pit"]), float(row["bias"])
    name = (
        f"{pit}'s gauge '{one_line(row['gauge'])}'" if named else f"{pit}'s own gauge"
    )
    place = _where(row, gauges)
    grate = f"the grate{place}"
    where = "lower" if bias < 0 else "higher"
    size = degrees(abs(bias), gauges.unit)
    nothing = size == degrees(0.0, gauges.unit)
    if row["n_bakes"] == 1:
        if nothing:
            return f"In its one bake {name} read as {grate} did."
        return f"In its one bake {name} read {size} {where} than {grate}."
    low, high = float(row["conf_low"]), float(row["conf_high"])
    level, bakes = level_text(gauges.conf_level), count(int(row["n_bakes"]), "bake")
    if math.isnan(low):
        read = f"as {grate} did" if nothing else f"{size} {where} than {grate}"
        return (
            f"In each of its {bakes} {name} read {read}; readings that all agree give "
            "no interval."
        )
    if low < 0 < high:
        ends = _span(low, high, gauges.unit)
        read = "as the grate did" if nothing else f"{size} {where}"
        return (
            f"{name}: no offset from the grate is shown{place}; it read {read} on "
            "average "
            f"({level} interval {ends}; {bakes})."
        )
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{name} reads {size} {where} than {grate} ({level} interval "
        f"{_span(near, far, gauges.unit)} {where}; {bakes})."
    )


def _where(row: Mapping[Hashable, Any], gauges: GaugeComparison) -> str:
    """Where on the grate, if not all probed cells serve for all bakes; else empty."""
    bakes = gauges.bakes
    own = bakes[(bakes["pit"] == row["pit"]) & (bakes["gauge"] == row["gauge"])]
    if not own["n_left_out"].any():
        return ""
    cells = own["n_cells"]
    if cells.min() < cells.max():
        return " at the cells that its bakes share"
    if cells.max() == 1:
        return " at the one cell that its bakes share"
    return f" at the {count(int(cells.max()), 'cell')} that its bakes share"


def _one_bake_only(pits: list[Any], gauges: GaugeComparison) -> bool:
    """Whether a single bake is why a pair has no interval; else all bakes agree."""
    own = gauges.table[gauges.table["pit"].isin(pits)]
    return bool(own.groupby("pit")["n_bakes"].max().min() == 1)


@passes
def gauge_pair_sentences(gauges: GaugeComparison) -> list[str]:
    """Say for each pair how much hotter one grate is when both gauges read the same."""
    return [
        _pair_sentence(row, gauges) for row in gauges.differences.to_dict("records")
    ]


def _pair_sentence(row: Mapping[Hashable, Any], gauges: GaugeComparison) -> str:
    # A gauge that reads lower than the other hides a hotter grate.
    hotter, cooler = one_line(row["pit_a"]), one_line(row["pit_b"])
    size = -float(row["estimate"])
    low, high = -float(row["simultaneous_high"]), -float(row["simultaneous_low"])
    if size < 0:
        hotter, cooler, size, low, high = cooler, hotter, -size, -high, -low
    amount = degrees(size, gauges.unit)
    pits = gauges.bakes[gauges.bakes["pit"].isin([row["pit_a"], row["pit_b"]])]
    shared = " at the probed cells that each pit's bakes share"
    places = shared if pits["n_left_out"].any() else ""
    if math.isnan(low):
        single = _one_bake_only([row["pit_a"], row["pit_b"]], gauges)
        why = "with one bake of a pit" if single else "where all bakes of a pit agree"
        return (
            f"At the same gauge reading {hotter}'s grate was {amount} hotter than "
            f"{cooler}'s{places} in the bakes that were measured; {why} no interval "
            "can be given."
        )
    level = level_text(gauges.conf_level)
    joint = ", allowing for all pairs" if len(gauges.differences) > 1 else ""
    ends = f"{level} interval {_span(low, high, gauges.unit)}{joint}"
    if low < 0:
        return (
            f"Whether the gauges of {hotter} and {cooler} are off by different amounts "
            f"cannot be told (grate of {hotter} {amount} hotter{places} at the same "
            f"reading; {ends})."
        )
    return (
        f"At the same gauge reading {hotter}'s grate is {amount} hotter than "
        f"{cooler}'s{places} ({ends})."
    )


@passes
def factor_sentences(gauges: GaugeComparison) -> list[str]:
    """Say what the offsets mean in browning rate, for every z shown.

    Examples
    --------
    >>> import pitstats as ps
    >>> gauges = ps.compare_gauges(ps.demo_study("probed_pits"))
    >>> len(factor_sentences(gauges))
    1
    """
    sentences = []
    for (a, b), own in gauges.pair_factors.groupby(["pit_a", "pit_b"], sort=False):
        chosen = own[own["z"] == gauges.z].iloc[0]
        flip = bool(chosen["factor"] < 1)
        faster, slower = (b, a) if flip else (a, b)
        level = level_text(gauges.conf_level)
        main = _factor(chosen, flip=flip, level=level)
        others = [
            f"{_factor(row, flip=flip, level=level)} with z {row['z']:g} K"
            for _, row in own.iterrows()
            if row["z"] != gauges.z
        ]
        open_end = ""
        if math.isnan(chosen["conf_low"]):
            open_end = (
                " One of the pits was measured in one bake only, so no interval can be "
                "given."
                if _one_bake_only([a, b], gauges)
                else " The bakes of one of the pits all agree, so no interval can be "
                "given."
            )
        # The offsets of two pits that cannot be told apart give no faster pit either.
        undecided = chosen["conf_low"] <= 1 <= chosen["conf_high"]
        told = "may" if undecided else "would"
        doubt = " These bakes cannot tell which is faster." if undecided else ""
        sentences.append(
            f"With both gauges at one reading, faces in {one_line(faster)} {told} "
            f"brown {main} as fast as in {one_line(slower)} with z {gauges.z:g} K; "
            f"{listed(others)}.{doubt}{open_end}"
        )
    return sentences


def _factor(row: pd.Series[Any], *, flip: bool, level: str) -> str:
    factor, low, high = (float(row[k]) for k in ("factor", "conf_low", "conf_high"))
    if flip:
        factor, low, high = 1 / factor, 1 / high, 1 / low
    ends = (
        ""
        if math.isnan(low)
        else f" ({level} interval {_times(low)} to {_times(high)})"
    )
    return f"{_times(factor)} times{ends}"


def _times(factor: float) -> str:
    """Write a factor so that 1.04 does not look like 1."""
    if factor < 1.95:
        return f"{factor:.2f}"
    return f"{factor:.1f}" if factor < 9.95 else f"{factor:.0f}"


def gauge_table(gauges: GaugeComparison) -> pd.DataFrame:
    """Bias and limits of every gauge, ready to read."""
    table = gauges.table

    def limit(name: str) -> list[str]:
        return [
            _entry(value)
            if math.isnan(low)
            else f"{measured(value)} ({_span(low, high)})"
            for value, low, high in zip(
                table[name], table[f"{name}_low"], table[f"{name}_high"], strict=True
            )
        ]

    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Gauge": table["gauge"].map(one_line),
            "Bakes": table["n_bakes"],
            "Readings": table["n_readings"],
            "Bias": table["bias"].map(_entry),
            "Interval": _spans(table, "conf_low", "conf_high"),
            "Lower limit (interval)": limit("lower"),
            "Upper limit (interval)": limit("upper"),
            "Single readings, lower limit": limit("reading_lower"),
            "Single readings, upper limit": limit("reading_upper"),
        }
    )


def gauge_table_caption(gauges: GaugeComparison) -> str:
    """Caption of `gauge_table`."""
    level = level_text(gauges.conf_level)
    return (
        f"Gauge less grate in °{gauges.unit}: mean over bakes with its {level} "
        "interval, 95% limits of agreement of a bake's mean with their exact "
        "intervals, and of single readings with theirs (unit of replication: the bake)"
    )


def factor_table(gauges: GaugeComparison) -> pd.DataFrame:
    """Factor of the browning rate at the grate against the gauge, for every z."""
    rows = []
    for (pit, gauge), own in gauges.factors.groupby(["pit", "gauge"], sort=False):
        row = {"Pit": one_line(pit), "Gauge": one_line(gauge)}
        for factor in own.to_dict("records"):
            low, high = float(factor["conf_low"]), float(factor["conf_high"])
            ends = "" if math.isnan(low) else f" ({_times(low)} to {_times(high)})"
            row[f"z {factor['z']:g} K"] = f"{_times(factor['factor'])}{ends}"
        rows.append(row)
    return pd.DataFrame(rows)


FACTOR_CAPTION = (
    "Browning rate at the grate as a multiple of the rate at the temperature that the "
    "gauge shows (with interval; unit of replication: the bake)"
)


def bakes_table(gauges: GaugeComparison) -> pd.DataFrame:
    """Gauge and grate of every bake, ready to read."""
    bakes = gauges.bakes
    return pd.DataFrame(
        {
            "Bake": bakes["bake"].map(one_line),
            "Pit": bakes["pit"].map(one_line),
            f"Gauge, °{gauges.unit}": bakes["indicated"].map(_entry),
            f"Grate, °{gauges.unit}": bakes["grate"].map(_entry),
            "Gauge less grate": bakes["difference"].map(_entry),
            "From": _origins(bakes),
        }
    )


def _origins(bakes: pd.DataFrame) -> list[str]:
    """What each level is from, with the cells that were filled in or left out."""
    said = []
    columns = ["source", "n_cells", "n_filled", "n_left_out"]
    for source, n_cells, n_filled, n_left_out in bakes[columns].to_numpy():
        text = _SOURCE_SHORT[source]
        if n_filled:
            text += f"; {n_filled} of {n_cells} cells filled in from other bakes"
        if n_left_out:
            text += f"; {count(n_left_out, 'cell')} left out, probed in this bake only"
        said.append(text)
    return said


def _spans(table: pd.DataFrame, low: str, high: str) -> list[str]:
    return [_span(lo, hi) for lo, hi in zip(table[low], table[high], strict=True)]


NO_BUDGET = (
    "No sensor class, display step or reference thermometer is stated, so no "
    "uncertainty of the probes is worked out; the intervals above hold for the "
    "instruments as they were."
)


@passes
def budget_sentence(budget: SensorBudget, unit: str) -> str:
    """Say how far off a single probe may be, and why.

    Parameters
    ----------
    budget : SensorBudget
        In kelvin.
    unit : str
        "F" or "C"; a difference is multiplied by 1.8 alone.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> from pitstats import stats
    >>> budget_sentence(stats.sensor_uncertainty(177, others=1.0), "F")[:45]
    'A single probe may be off by 3.6 °F (expanded'
    """
    scale = kelvin_in(unit)
    parts = [f"{name} {scale * value:.1f}" for name, value in budget.parts.items()]
    return (
        f"A single probe may be off by {scale * budget.expanded:.1f} °{unit} (expanded "
        f"uncertainty, coverage factor {budget.coverage_factor:g}; standard "
        f"uncertainties in °{unit}: {listed(parts)}). A sensor class speaks of sensors "
        "as new, and nothing here covers what the place of a probe adds: radiation, a "
        "bar, cold dough beside it."
    )
