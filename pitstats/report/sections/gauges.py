"""The gauge against the grate, and what its offset means in browning rate."""

from __future__ import annotations

import math
from functools import partial

import pandas as pd

from pitstats.analysis.heat.gauge import GaugeComparison
from pitstats.errors import DesignError
from pitstats.figures.probes import plot_gauge_agreement, plot_gauges
from pitstats.report.numbers import (
    degrees,
    level_text,
    measured,
    ranged,
)
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import (
    Answered,
    FirstPage,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections import probes
from pitstats.report.sections.first_page import short_page
from pitstats.report.sections.survey import survey
from pitstats.report.tables import (
    Row,
    across,
    estimate,
    interval,
    table_of,
    written,
)
from pitstats.report.words import ahead, all_pairs, count, one_line

_UNKNOWN = (
    "What lies between the probed cells was not measured.",
    "An offset holds for this gauge where it sits, at these temperatures.",
    "No figure here says whether food is done or safe.",
)
_GAUGE_CAPTION = (
    "How far each pit's own gauge reads from the grate. The thick bar is the interval "
    "of the mean over bakes, the thin one the limits between which a bake's difference "
    "usually lies. With few bakes those limits may lie as far out as the dotted line. "
    "Circles are bakes."
)
_AGREEMENT_CAPTION = (
    "The same differences against the level and against time: points and lines are "
    "readings, one line per bake, circles bakes; across run the mean (thick) and the "
    "limits of agreement of a bake (dashed). A slope on the left can be an offset that "
    "changes with the level, one on the right the lag of the gauge. A degree has the "
    "same height in all panels."
)
_Z_NOTE = (
    "z is the number of kelvin that change the browning rate tenfold. Measured values "
    "lie between about 25 and 60 K, so all three are shown; the choice is a setting, "
    "not a result. This is neither a doneness figure nor a safety figure."
)
_GAUGE_METHOD = (
    "Bias: mean of the bakes' differences with Student's t. Limits of agreement: Bland "
    "and Altman (1986, 1999), with exact intervals from the noncentral t distribution "
    "(Carkeet 2015); for single readings from the variance between and within bakes "
    "(Bland and Altman 2007; Zou 2013). Differences of pits: Welch (1947), for several "
    "pairs Games and Howell (1976). Unit of replication: the bake."
)
_FACTOR_CAPTION = (
    "Browning rate at the grate as a multiple of the rate at the temperature that the "
    "gauge shows (with interval; unit of replication: the bake)"
)


def read_probes(results: ProbeResults) -> FirstPage:
    """How the gauges stand to the grate, one picture, and every question in a line."""
    settings = results.study.settings
    asked = (
        *(probes.probe_series, probes.probed_cells, probes.probed_temperatures),
        *(survey, gauges, browning, probes.sensors),
    )
    title, own = (settings.title, settings.question), [q(results) for q in asked]
    try:
        found = results.gauges
    except DesignError as reason:
        answer = probes.probed_cells(results).answer or str(reason)
        return short_page(title, answer, [], _UNKNOWN, own)
    pairs = gauge_pair_sentences(found)
    answer = " ".join([*gauge_sentences(found), *pairs * (len(pairs) == 1)])
    picture = Picture("gauges", partial(plot_gauges, found), answer, _GAUGE_CAPTION)
    return short_page(title, answer, [picture], _UNKNOWN, own)


@asks("gauges", "gauges", "What does the gauge say of the grate?")
def gauges(results: ProbeResults) -> Answered:
    """Bias and limits of the gauges, against level and time."""
    gauges = results.gauges
    answer = _single_bakes(gauges)
    draw = partial(plot_gauge_agreement, gauges)
    yield answer
    yield gauge_table(gauges)
    yield Picture("agreement", draw, answer, _AGREEMENT_CAPTION)
    yield Sentences([*gauge_pair_sentences(gauges), *gauges.caveats])
    yield Kept("gauge_bakes", gauges.bakes)
    yield Kept("gauge_differences", gauges.differences)
    yield Text(_GAUGE_METHOD, "note")


def _single_bakes(gauges: GaugeComparison) -> str:
    """Where the difference of one bake lies, in the gauge that strays farthest."""
    known = gauges.table.dropna(subset=["lower", "upper"])
    if known.empty:
        return "How far a single bake strays from the mean offset is not known."
    row = known.iloc[int(known[["lower", "upper"]].abs().max(axis=1).argmax())]
    # Both limits are estimates from few bakes: what they leave possible is said too.
    known_to, unit = ranged(measured, row["lower_low"], row["upper_high"]), gauges.unit
    return (
        f"In a single bake the gauge of {one_line(row['pit'])} may read from "
        f"{ranged(measured, row['lower'], row['upper'])} °{unit} off (95% limits of "
        f"agreement; with their intervals {known_to} °{unit})."
    )


@asks("meaning", "browning rate", "What does the offset mean for browning?")
def browning(results: ProbeResults) -> Answered:
    """What the offsets mean in browning rate."""
    gauges = results.gauges
    said = factor_sentences(gauges)
    yield said[0]
    yield Sentences(said[1:])
    yield Table("browning", factor_table(gauges), _FACTOR_CAPTION, gauges.factors)
    yield Text(_Z_NOTE, "note")


def gauge_sentences(gauges: GaugeComparison) -> list[str]:
    """For each pit how far its gauge was from the grate."""
    return [_gauge_sentence(row, gauges) for row in gauges.table.to_dict("records")]


def _gauge_sentence(row: Row, gauges: GaugeComparison) -> str:
    pit, bias = one_line(row["pit"]), float(row["bias"])
    named = (gauges.table["pit"] == row["pit"]).sum() > 1
    name = f"{pit}'s " + (f"gauge '{one_line(row['gauge'])}'" if named else "own gauge")
    bakes = gauges.bakes
    own = (bakes["pit"] == row["pit"]) & (bakes["gauge"] == row["gauge"])
    place = _where(bakes[own])
    grate = f"the grate{place}"
    where = "lower" if bias < 0 else "higher"
    size = degrees(abs(bias), gauges.unit)
    nothing = size == degrees(0.0, gauges.unit)
    read = f"as {grate} did" if nothing else f"{size} {where} than {grate}"
    if row["n_bakes"] == 1:
        return f"In its one bake {name} read {read}."
    low, high = float(row["conf_low"]), float(row["conf_high"])
    level, n_bakes = level_text(gauges.conf_level), count(int(row["n_bakes"]), "bake")
    if math.isnan(low):
        return (
            f"In each of its {n_bakes} {name} read {read}; readings that all agree "
            "give no interval."
        )
    if low < 0 < high:
        ends = f"{ranged(measured, low, high)} °{gauges.unit}"
        read = "as the grate did" if nothing else f"{size} {where}"
        return (
            f"{name}: no offset from the grate is shown{place}; it read {read} on "
            f"average ({level} interval {ends}; {n_bakes})."
        )
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{name} reads {size} {where} than {grate} ({level} interval "
        f"{ranged(measured, near, far)} °{gauges.unit} {where}; {n_bakes})."
    )


def _where(bakes: pd.DataFrame) -> str:
    """Where on the grate, if not all probed cells serve for all bakes; else empty."""
    return " at the cells that its bakes share" * bool(bakes["n_left_out"].any())


def gauge_pair_sentences(gauges: GaugeComparison) -> list[str]:
    """For each pair how much hotter one grate is when both gauges read the same."""
    return [
        _pair_sentence(row, gauges) for row in gauges.differences.to_dict("records")
    ]


def _pair_sentence(row: Row, gauges: GaugeComparison) -> str:
    # A gauge that reads lower than the other hides a hotter grate.
    pair = ahead({**row, "pit_a": row["pit_b"], "pit_b": row["pit_a"]})
    hotter, cooler, amount = pair.more, pair.less, degrees(pair.estimate, gauges.unit)
    pits = gauges.bakes[gauges.bakes["pit"].isin([row["pit_a"], row["pit_b"]])]
    places = _where(pits)
    hotter_by = f"{amount} hotter than {cooler}'s{places}"
    if math.isnan(pair.low):
        return (
            f"At the same gauge reading {hotter}'s grate was {hotter_by} in these "
            "bakes; no interval can be given."
        )
    ends = (
        f"{level_text(gauges.conf_level)} interval "
        f"{ranged(measured, pair.low, pair.high)} °{gauges.unit}"
        f"{all_pairs(len(gauges.differences))}"
    )
    if pair.low < 0:
        return (
            f"These bakes cannot tell whether the gauges of {hotter} and {cooler} are "
            f"off by different amounts. At the same reading {hotter}'s grate was "
            f"{amount} hotter{places} ({ends})."
        )
    return f"At the same gauge reading {hotter}'s grate is {hotter_by} ({ends})."


def factor_sentences(gauges: GaugeComparison) -> list[str]:
    """What the offsets mean in browning rate: for every pair, or the pit there is."""
    level, z = level_text(gauges.conf_level), f"with z {gauges.z:g} K"
    pairs = gauges.pair_factors[gauges.pair_factors["z"] == gauges.z]
    if pairs.empty:
        alone = gauges.factors[gauges.factors["z"] == gauges.z].iloc[0]
        ends = alone["conf_low"], alone["conf_high"]
        fast = _as_fast(alone["factor"], *ends, level)
        return [
            f"At the grate of {one_line(alone['pit'])} faces may brown {fast} its "
            f"gauge tells, {z}."
        ]
    said = []
    for row in pairs.to_dict("records"):
        faster, slower = one_line(row["pit_a"]), one_line(row["pit_b"])
        factor, low, high = row["factor"], row["conf_low"], row["conf_high"]
        if factor < 1:
            faster, slower = slower, faster
            factor, low, high = 1 / factor, 1 / high, 1 / low
        # The offsets of two pits that cannot be told apart give no faster pit either.
        undecided = not (low > 1 or high < 1)
        which = " Which is faster, these bakes cannot tell." * undecided
        said.append(
            f"With both gauges at one reading, faces in {faster} "
            f"{'may' if undecided else 'would'} brown "
            f"{_as_fast(factor, low, high, level)} in {slower}, {z}.{which}"
        )
    return said


def _as_fast(factor: float, low: float, high: float, level: str) -> str:
    told = f"{level} interval {ranged(_times, low, high)}"
    if math.isnan(low):
        told = "no interval from so few bakes"
    return f"{_times(factor)} times ({told}) as fast as"


def _times(factor: float) -> str:
    """Write a factor so that 1.04 does not look like 1."""
    if factor < 1.95:
        return f"{factor:.2f}"
    return f"{factor:.1f}" if factor < 9.95 else f"{factor:.0f}"


def gauge_table(gauges: GaugeComparison) -> Table:
    """Bias and limits of every gauge."""
    return table_of(
        "gauges",
        gauges.table,
        f"Gauge less grate in °{gauges.unit}: mean over bakes with its "
        f"{level_text(gauges.conf_level)} interval, 95% limits of agreement of a "
        "bake's mean with their exact intervals, and of single readings with theirs "
        "(unit of replication: the bake)",
        {
            "Pit": "pit",
            "Gauge": "gauge",
            "Bakes": "n_bakes",
            "Readings": "n_readings",
            "Bias": written(measured, "bias"),
            "Interval": interval(measured),
            "Lower limit (interval)": estimate(measured, "lower"),
            "Upper limit (interval)": estimate(measured, "upper"),
            "Single readings, lower limit": estimate(measured, "reading_lower"),
            "Single readings, upper limit": estimate(measured, "reading_upper"),
        },
    )


def factor_table(gauges: GaugeComparison) -> pd.DataFrame:
    """Factor of the browning rate at the grate against the gauge, for every z."""
    lead, factor = {"Pit": "pit", "Gauge": "gauge"}, estimate(_times, "factor")
    return across(gauges.factors, lead, lambda row: f"z {row['z']:g} K", factor)
