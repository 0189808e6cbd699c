"""The gauge against the grate, and what its offset means in browning rate."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.heat.gauge import (
    INDICATED_AND_PROBES,
    LID_AND_PROBES,
    MEANS,
    GaugeComparison,
)
from pitstats.errors import DesignError
from pitstats.figures.probes import plot_gauge_agreement, plot_gauges
from pitstats.report.numbers import (
    degrees,
    entry,
    level_text,
    measured,
    measured_span,
    signed_degrees,
)
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import (
    FirstPage,
    Heading,
    Kept,
    Part,
    Picture,
    Pictures,
    Section,
    Sentences,
    Table,
    Text,
    Title,
    nothing,
)
from pitstats.report.sections import probes
from pitstats.report.sections.first_page import every_question
from pitstats.report.words import count, listed, one_line

_SOURCE_SHORT = {
    LID_AND_PROBES: "readings of both",
    INDICATED_AND_PROBES: "mean and probes",
    MEANS: "means",
}
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


def first_page(results: ProbeResults) -> FirstPage:
    """How the gauges stand to the grate, one picture, and every question in a line."""
    settings = results.study.settings
    asked = (
        *(probes.series, probes.cells, probes.temperatures, probes.survey),
        *(section, meaning, probes.sensors),
    )
    body: list[Part] = [Title(settings.title, settings.question), *_answer(results)]
    return FirstPage(
        [
            *body,
            Heading("What cannot be said"),
            Sentences(_UNKNOWN),
            *every_question([own(results) for own in asked]),
        ]
    )


def _answer(results: ProbeResults) -> list[Part]:
    try:
        gauges = results.gauges
    except DesignError as reason:
        cells = probes.cells(results)
        return [Text(cells.answer or str(reason), "answer")]
    said = gauge_sentences(gauges)
    pairs = gauge_pair_sentences(gauges)
    if len(pairs) == 1:
        said = [*said, *pairs]
    draw = partial(plot_gauges, gauges)
    picture = Picture("gauges", draw, " ".join(said), _GAUGE_CAPTION)
    return [Text(" ".join(said), "answer"), Pictures([picture])]


def section(results: ProbeResults) -> Section:
    """Bias and limits of the gauges, against level and time."""
    question = "What does the gauge say of the grate?"
    try:
        gauges = results.gauges
    except DesignError as reason:
        return nothing("gauges", "gauges", question, reason)
    words, title = " ".join(gauge_sentences(gauges)), gauge_table_caption(gauges)
    draw = partial(plot_gauge_agreement, gauges)
    caption = "Gauge and grate of every bake (means over the bake window)"
    return Section(
        id="gauges",
        question=question,
        answer=_single_bakes(gauges),
        body=[
            Table("gauges", gauge_table(gauges), title, gauges.table),
            Picture("agreement", draw, words, _AGREEMENT_CAPTION),
            Sentences([*gauge_pair_sentences(gauges), *gauges.caveats]),
            Table("gauge_bakes", bakes_table(gauges), caption, gauges.bakes),
            Kept("gauge_differences", gauges.differences),
            Text(_GAUGE_METHOD, "note"),
        ],
    )


def _single_bakes(gauges: GaugeComparison) -> str:
    """Where the difference of one bake lies, in the gauge that strays farthest."""
    known = gauges.table.dropna(subset=["lower", "upper"])
    if known.empty:
        return "How far a single bake strays from the mean offset is not known."
    row = known.iloc[int(known[["lower", "upper"]].abs().max(axis=1).argmax())]
    return (
        f"In a single bake the gauge of {one_line(row['pit'])} may read from "
        f"{signed_degrees(row['lower'])} to {signed_degrees(row['upper'])} "
        f"°{gauges.unit} off (95% limits of agreement)."
    )


def meaning(results: ProbeResults) -> Section:
    """What the offsets mean in browning rate."""
    question = "What does the offset mean for browning?"
    try:
        gauges = results.gauges
    except DesignError as reason:
        return nothing("meaning", "browning rate", question, reason)
    said = factor_sentences(gauges)
    table = Table("browning", factor_table(gauges), _FACTOR_CAPTION, gauges.factors)
    return Section(
        id="meaning",
        question=question,
        answer=said[0][0] if said else _alone(gauges),
        body=[
            Sentences([" ".join(own) for own in said]),
            table,
            Text(_Z_NOTE, "note"),
        ],
    )


def _alone(gauges: GaugeComparison) -> str:
    """Browning at the grate against the gauge where there is no second pit."""
    chosen = gauges.factors[gauges.factors["z"] == gauges.z].iloc[0]
    times = _factor(chosen, flip=False, level=level_text(gauges.conf_level))
    return (
        f"At the grate of {one_line(chosen['pit'])} faces may brown {times} as fast as "
        f"its gauge tells, with z {gauges.z:g} K."
    )


def gauge_sentences(gauges: GaugeComparison) -> list[str]:
    """For each pit how far its gauge was from the grate."""
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
        ends = measured_span(low, high, gauges.unit)
        read = "as the grate did" if nothing else f"{size} {where}"
        return (
            f"{name}: no offset from the grate is shown{place}; it read {read} on "
            "average "
            f"({level} interval {ends}; {bakes})."
        )
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{name} reads {size} {where} than {grate} ({level} interval "
        f"{measured_span(near, far, gauges.unit)} {where}; {bakes})."
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


def gauge_pair_sentences(gauges: GaugeComparison) -> list[str]:
    """For each pair how much hotter one grate is when both gauges read the same."""
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
            f"{cooler}'s{places} in these bakes; {why} no interval can be given."
        )
    level = level_text(gauges.conf_level)
    joint = ", allowing for all pairs" if len(gauges.differences) > 1 else ""
    ends = f"{level} interval {measured_span(low, high, gauges.unit)}{joint}"
    if low < 0:
        return (
            f"These bakes cannot tell whether the gauges of {hotter} and {cooler} are "
            f"off by different amounts. At the same reading {hotter}'s grate was "
            f"{amount} hotter{places} ({ends})."
        )
    return (
        f"At the same gauge reading {hotter}'s grate is {amount} hotter than "
        f"{cooler}'s{places} ({ends})."
    )


def factor_sentences(gauges: GaugeComparison) -> list[list[str]]:
    """What the offsets mean in browning rate: sentences for every pair of pits."""
    pairs = gauges.pair_factors.groupby(["pit_a", "pit_b"], sort=False)
    return [_pair_factors(str(a), str(b), own, gauges) for (a, b), own in pairs]


def _pair_factors(
    a: str, b: str, own: pd.DataFrame, gauges: GaugeComparison
) -> list[str]:
    chosen = own[own["z"] == gauges.z].iloc[0]
    flip = bool(chosen["factor"] < 1)
    faster, slower = (b, a) if flip else (a, b)
    level = level_text(gauges.conf_level)
    others = [
        f"{_factor(row, flip=flip, level=level)} with z {row['z']:g} K"
        for _, row in own.iterrows()
        if row["z"] != gauges.z
    ]
    # The offsets of two pits that cannot be told apart give no faster pit either.
    undecided = chosen["conf_low"] <= 1 <= chosen["conf_high"]
    told = "may" if undecided else "would"
    said = [
        f"With both gauges at one reading, faces in {one_line(faster)} {told} brown "
        f"{_factor(chosen, flip=flip, level=level)} as fast as in {one_line(slower)} "
        f"with z {gauges.z:g} K."
    ]
    if others:
        said.append(f"Other z give {listed(others)}.")
    if undecided:
        said.append("These bakes cannot tell which is faster.")
    if math.isnan(chosen["conf_low"]):
        said.append(
            "One of the pits was measured in one bake only, so no interval can be "
            "given."
            if _one_bake_only([a, b], gauges)
            else "The bakes of one of the pits all agree, so no interval can be given."
        )
    return said


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
            entry(value)
            if math.isnan(low)
            else f"{measured(value)} ({measured_span(low, high)})"
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
            "Bias": table["bias"].map(entry),
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


def bakes_table(gauges: GaugeComparison) -> pd.DataFrame:
    """Gauge and grate of every bake, ready to read."""
    bakes = gauges.bakes
    return pd.DataFrame(
        {
            "Bake": bakes["bake"].map(one_line),
            "Pit": bakes["pit"].map(one_line),
            f"Gauge, °{gauges.unit}": bakes["indicated"].map(entry),
            f"Grate, °{gauges.unit}": bakes["grate"].map(entry),
            "Gauge less grate": bakes["difference"].map(entry),
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
    return [
        measured_span(lo, hi) for lo, hi in zip(table[low], table[high], strict=True)
    ]
