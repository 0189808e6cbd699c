"""Temperatures in words: how hot, how even, how repeatable, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any, NamedTuple

import pandas as pd

from pitstats.analysis.heat.temperatures import CellTemperatures, TemperatureComparison
from pitstats.analysis.heat.uniformity import UniformitySurvey
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import (
    NO_VALUE,
    count,
    degrees,
    level_text,
    listed,
    measured,
    one_line,
    p_text,
    true_minus,
)

NO_PROBES = "No probe readings are on record, so nothing is said about temperatures."
CELLS_CAPTION = (
    "Every mark is a probed cell, averaged over the bakes of its pit, with its "
    "interval; bakes shift all cells of a pit together, so the pattern within a pit is "
    "surer than the bars suggest if the heat lies alike in every bake. The dashed line "
    "is the pit's level over the places compared."
)
UNEQUAL_SWING = (
    "A cell passes only if its lowest and its highest reading in the bake window stay "
    "inside the band, so a fire that swings fails it as surely as a cold corner does."
)


def between(low: float, high: float, unit: str) -> str:
    """Write an interval, with digits enough to tell its ends apart.

    Examples
    --------
    >>> between(-3.04, 12.9, "°F"), between(352.31, 353.04, "°F")
    ('\u22123.0 to 13 °F', '352.3 to 353.0 °F')
    """
    write = tenths if abs(high - low) < 3 else measured
    return f"{write(low)} to {write(high)} {unit}"


def tenths(value: float) -> str:
    """Write a number with one digit behind the point; never minus zero.

    Examples
    --------
    >>> tenths(-2.31), tenths(-0.04)
    ('\u22122.3', '0.0')
    """
    text = "0.0" if abs(value) < 0.05 else f"{value:.1f}"
    return true_minus(text)


@passes
def level_sentences(levels: CellTemperatures) -> list[str]:
    """Say how hot each pit was, over which bakes, and how sure that is.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    list of str
        One sentence per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> level_sentences(levels)[0]
    'Quarry averaged 348 °F over four bakes (95% interval ... seven probed cells).'
    """
    return [_level(row, levels) for row in levels.table.to_dict("records")]


def _level(row: dict[Hashable, Any], levels: CellTemperatures) -> str:
    name, unit = one_line(row["pit"]), levels.unit
    if row["n_bakes"] == 0:
        return f"{name}: no usable probe reading at a known place."
    if math.isnan(row["estimate"]):
        cells = count(int(row["n_cells"]), "probed cell")
        return f"{name}: its {cells} share no place with the other pits."
    cells = _averaged_over(int(row["n_cells"]), levels)
    level = degrees(row["estimate"], unit)
    bakes = count(int(row["n_bakes"]), "bake")
    if math.isnan(row["conf_low"]):
        where = "in its one bake" if row["n_bakes"] == 1 else f"over its {bakes}"
        return (
            f"{name} averaged {level} {where} ({cells}); how far another bake would be "
            "from that is not known."
        )
    ends = between(row["conf_low"], row["conf_high"], f"°{unit}")
    return (
        f"{name} averaged {level} over {bakes} ({level_text(levels.conf_level)} "
        f"interval {ends}; {cells})."
    )


def _averaged_over(n_cells: int, levels: CellTemperatures) -> str:
    """Name the base of a level: cells, or a curve along a stretch."""
    probed = count(n_cells, "probed cell")
    if levels.shape == "curve":
        several = (levels.table["n_bakes"] > 0).sum() > 1
        shared = "all pits used" if several else "was used"
        return f"a curve along the stretch that {shared}, fitted to {probed}"
    if len(levels.places) != n_cells:
        return f"{len(levels.places)} of its {probed}, those that all pits share"
    return probed


@passes
def evenness_sentences(levels: CellTemperatures) -> list[str]:
    """Say how far apart the cells of each pit are.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    list of str
        One sentence per pit with two cells or more.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> evenness_sentences(levels)[0]
    'The probed cells of Quarry lie up to 37 °F apart (95% interval ...).'
    """
    rows = levels.table.to_dict("records")
    return [_even(row, levels) for row in rows if row["n_cells"] > 1]


def _even(row: dict[Hashable, Any], levels: CellTemperatures) -> str:
    name, unit = one_line(row["pit"]), f"°{levels.unit}"
    level = level_text(levels.conf_level)
    where = (
        f"hottest at {one_line(row['hottest'])}, coldest at {one_line(row['coldest'])}"
    )
    if math.isnan(row["range_low"]):
        bakes = "its one bake" if row["n_bakes"] == 1 else "these bakes"
        return (
            f"In {bakes} the probed cells of {name} lay {measured(row['range'])} "
            f"{unit} apart, probe errors included ({where}){_fall(row, unit)}."
        )
    ends = between(row["range_low"], row["range_high"], unit)
    text = (
        f"The probed cells of {name} lie up to {measured(row['range'])} {unit} apart "
        f"({level} interval {ends}; {where}); their SD is {measured(row['spread'])} "
        f"{unit} ({between(row['spread_low'], row['spread_high'], unit)})"
    )
    return text + _fall(row, unit) + "."


def _fall(row: dict[Hashable, Any], unit: str) -> str:
    if math.isnan(row["near_minus_far_low"]):
        return ""
    low, high = row["near_minus_far_low"], row["near_minus_far_high"]
    size = abs(row["near_minus_far"])
    if low > 0 or high < 0:
        hot, cold = ("firebox", "far") if low > 0 else ("far", "firebox")
        if high < 0:
            low, high = -high, -low
        return (
            f"; its {hot} third is {measured(size)} {unit} hotter than its {cold} "
            f"third ({between(low, high, unit)})"
        )
    return (
        "; which end of the grate is hotter is not shown (firebox third less far third "
        f"{between(low, high, unit)})"
    )


@passes
def repeatability_sentences(levels: CellTemperatures) -> list[str]:
    """Say how far the average of each pit moves from bake to bake.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    list of str
        One sentence per pit with two bakes or more.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> repeatability_sentences(levels)[1]
    'From bake to bake the average of Ferry scattered with an SD of 4.2 °F (...).'
    """
    unit, level = f"°{levels.unit}", level_text(levels.conf_level)
    said = []
    for row in levels.table.to_dict("records"):
        if math.isnan(row["bake_sd_low"]):
            continue
        ends = between(row["bake_sd_low"], row["bake_sd_high"], unit)
        bakes = count(int(row["n_bakes"]), "bake")
        said.append(
            f"From bake to bake the average of {one_line(row['pit'])} scattered with "
            f"an SD of {measured(row['bake_sd'])} {unit} ({level} interval {ends}, "
            f"from {bakes})."
        )
    return said


@passes
def pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say for each pair of pits which is hotter, as far as the bakes show it.

    Parameters
    ----------
    comparison : TemperatureComparison
        As returned by `compare_temperatures`.

    Returns
    -------
    list of str
        One sentence per pair.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.compare_temperatures(ps.demo_study("probed_pits"))
    >>> pair_sentences(found)
    ['Quarry is hotter at the grate than Ferry by 31 °F (95% interval ...).']
    """
    return difference_sentences(
        comparison.table,
        comparison.conf_level,
        HOTTER,
        unit=f"°{comparison.levels.unit}",
        margin=comparison.margin,
    )


class MoreThan(NamedTuple):
    """How a difference between two pits is put; ``{first}`` has the higher value.

    Attributes
    ----------
    shown : str
        The difference as a statement.
    open : str
        The question that is left open.
    apart : str
        The difference as a quantity.
    """

    shown: str
    open: str
    apart: str


HOTTER = MoreThan(
    shown="{first} is hotter at the grate than {second}",
    open="which of {first} and {second} is hotter at the grate",
    apart="{first} less {second}",
)


@passes
def difference_sentences(
    table: pd.DataFrame,
    conf_level: float,
    words: MoreThan,
    *,
    unit: str,
    margin: float | None,
) -> list[str]:
    """One sentence per pair of pits, chosen by its verdict.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns of `PAIR_COLUMNS`.
    conf_level : float
        Level of the intervals.
    words : MoreThan
        How the difference is put.
    unit : str
        As it stands behind a number.
    margin : float or None
        Smallest difference that would change advice.

    Returns
    -------
    list of str
    """
    return [
        _difference(row, len(table), level_text(conf_level), words, unit, margin)
        for row in table.to_dict("records")
    ]


def _difference(
    row: dict[Hashable, Any],
    n_pairs: int,
    level: str,
    words: MoreThan,
    unit: str,
    margin: float | None,
) -> str:
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    low, high = row["simultaneous_low"], row["simultaneous_high"]
    size = f"{measured(abs(row['estimate']))} {unit}"
    if row["estimate"] < 0:
        first, second, low, high = second, first, -high, -low
    shown, question, apart = (
        # The names are the users': braces in them are no places to fill in.
        text.replace("{first}", first).replace("{second}", second)
        for text in words
    )
    if math.isnan(low):
        return (
            f"{first} and {second} were {size} apart in these bakes ({apart}); with so "
            "few bakes nothing shows whether that would recur."
        )
    allow = f", allowing for all {n_pairs} pairs" if n_pairs > 1 else ""
    ends = f"{level} interval {between(low, high, unit)}{allow}; "
    ends += p_text(row["p_adjusted"], adjusted=n_pairs > 1)
    limit = f"the stated margin of {measured(margin or 0.0)} {unit}"
    if row["verdict"] == "differs":
        return f"{shown} by {size} ({ends})."
    if row["verdict"] == "differs, within the margin":
        return f"{shown} by {size} ({ends}), less than {limit}."
    if row["verdict"] == "no difference beyond the margin":
        return (
            f"{first} and {second} differ by less than {limit} ({apart}: {size}; "
            f"{ends})."
        )
    return f"This test cannot tell {question} ({apart}: {size}; {ends})."


@passes
def spread_pair_sentences(comparison: TemperatureComparison) -> list[str]:
    """Say which pits differ in evenness or repeatability, as far as it is shown.

    Parameters
    ----------
    comparison : TemperatureComparison
        As returned by `compare_temperatures`.

    Returns
    -------
    list of str
        At most two sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.compare_temperatures(ps.demo_study("probed_pits"))
    >>> spread_pair_sentences(found)[0]
    'The probed cells lie farther apart in Quarry than in Ferry (SD over the cells).'
    """
    said = []
    known = comparison.spreads.dropna()
    if len(known):
        shown = [_more(row, row["estimate"], 0.0) for row in known.to_dict("records")]
        said.append(
            _summary(shown, "the probed cells lie farther apart", "SD over the cells")
        )
    known = comparison.repeatability.dropna()
    if len(known):
        shown = [_more(row, row["ratio"], 1.0) for row in known.to_dict("records")]
        said.append(_summary(shown, "the bakes scatter more", "SD of a bake's average"))
    return said


def _more(row: dict[Hashable, Any], value: float, nothing: float) -> str | None:
    """The pair in words where its interval excludes no difference, else None."""
    if row["conf_low"] <= nothing <= row["conf_high"]:
        return None
    first, second = one_line(row["pit_a"]), one_line(row["pit_b"])
    if value < nothing:
        first, second = second, first
    return f"in {first} than in {second}"


def _summary(pairs: list[str | None], more: str, measure: str) -> str:
    shown = [pair for pair in pairs if pair is not None]
    allow = f"{measure}; intervals allow for all pairs" if len(pairs) > 1 else measure
    if shown:
        return f"{more[0].upper()}{more[1:]} {listed(shown)} ({allow})."
    return f"These bakes do not show in which pit {more} ({allow})."


def temperature_table(levels: CellTemperatures) -> pd.DataFrame:
    """Level, evenness and repeatability, ready to read.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> temperature_table(levels).columns[3]
    'Level, °F'
    """
    table, unit = levels.table, f"°{levels.unit}"
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bakes": table["n_bakes"],
            "Cells probed": table["n_cells"],
            f"Level, {unit}": with_interval(table, "estimate", "conf"),
            f"SD over cells, {unit}": with_interval(table, "spread"),
            f"Hottest less coldest cell, {unit}": with_interval(table, "range"),
            f"Near less far third, {unit}": with_interval(table, "near_minus_far"),
            f"SD between bakes, {unit}": with_interval(table, "bake_sd"),
        }
    )


def with_interval(
    table: pd.DataFrame,
    name: str,
    ends: str | None = None,
    *,
    fine: bool = False,
) -> list[str]:
    """Estimates with their intervals as text; a dash where nothing is known.

    Parameters
    ----------
    table : pandas.DataFrame
        Results.
    name : str
        Column of the estimates.
    ends : str, optional
        Start of the names of the interval columns, before ``_low`` and ``_high``;
        ``name`` itself unless given.
    fine : bool, default False
        Always one digit behind the point; otherwise only where the interval is short.

    Returns
    -------
    list of str
    """
    prefix = ends or name
    said = []
    for value, low, high in zip(
        table[name], table[f"{prefix}_low"], table[f"{prefix}_high"], strict=True
    ):
        text = tenths if fine or high - low < 3 else measured
        said.append(
            NO_VALUE
            if pd.isna(value)
            else text(value)
            + ("" if pd.isna(low) else f" ({text(low)} to {text(high)})")
        )
    return said


def temperature_caption(levels: CellTemperatures) -> str:
    """Say what the table of temperatures shows."""
    cells = (
        ", but those of the SD and the range over cells take the heat to lie alike in "
        "every bake"
        if levels.table[["spread_low", "range_low"]].notna().any(axis=None)
        else ""
    )
    return (
        "Temperature at the grate: level, evenness and repeatability of each pit "
        f"({level_text(levels.conf_level)} intervals; unit of replication: the "
        f"bake{cells}). "
        f"{levels.layout_note}"
    )


@passes
def survey_sentences(survey: UniformitySurvey) -> list[str]:
    """Say how each pit came out of the uniformity survey.

    Parameters
    ----------
    survey : UniformitySurvey
        As returned by `survey_uniformity`.

    Returns
    -------
    list of str
        One sentence per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> survey = ps.survey_uniformity(ps.demo_study("probed_pits"))
    >>> survey_sentences(survey)[1]
    'Ferry: every probed cell stayed within 25 °F of the set point in 3 of its ...'
    """
    return [_surveyed(row, survey) for row in survey.pits.to_dict("records")]


def _surveyed(row: dict[Hashable, Any], survey: UniformitySurvey) -> str:
    name, unit = one_line(row["pit"]), survey.unit
    n, within = int(row["n_bakes"]), int(row["n_bakes_within"])
    if n == 0:
        return f"{name}: no bake could be surveyed."
    band = f"within {measured(survey.tolerance)} °{unit} of the set point"
    every = "every probed cell"
    if n == 1:
        every = every if within else "not every probed cell"
        often = "in its one bake"
    elif within in (0, n):
        often = f"in {'each' if within else 'none'} of its {count(n, 'bake')}"
    else:
        often = f"in {within} of its {n} bakes"
    always = "" if n == 1 else " in every bake"
    met = (
        f"the narrowest class kept throughout is {row['class_met']}"
        if row["class_met"] != "none"
        else "no class was kept throughout"
    )
    return (
        f"{name}: {every} stayed {band} {often}; "
        f"{int(row['n_always_within'])} of {int(row['n_probed'])} probed cells stayed "
        f"there{always}; {met}."
    )


def survey_table(survey: UniformitySurvey) -> pd.DataFrame:
    """The survey bake by bake, ready to read.

    Parameters
    ----------
    survey : UniformitySurvey
        As returned by `survey_uniformity`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> survey = ps.survey_uniformity(ps.demo_study("probed_pits"))
    >>> survey_table(survey).shape
    (8, 7)
    """
    table, unit = survey.table, f"°{survey.unit}"
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bake": table["bake"].map(one_line),
            f"Set point, {unit}": table["set_point"].map(measured),
            "Cells within": [
                f"{n} of {m} probed"
                for n, m in zip(table["n_within"], table["n_probed"], strict=True)
            ],
            f"Lowest to highest, {unit}": [
                NO_VALUE if pd.isna(low) else f"{measured(low)} to {measured(high)}"
                for low, high in zip(table["lowest"], table["highest"], strict=True)
            ],
            f"Farthest from set point, {unit}": [
                NO_VALUE if pd.isna(worst) else true_minus(f"{worst:+.0f}")
                for worst in table["worst"]
            ],
            "Narrowest class kept": table["class_met"],
        }
    )


def survey_caption(survey: UniformitySurvey) -> str:
    """Say what the survey did, and what it does not claim."""
    name = "" if survey.tolerance_name == "own" else f" ({survey.tolerance_name})"
    what = "readings" if survey.basis == "readings" else "means over the bake"
    return (
        f"Cells within {measured(survey.tolerance)} °{survey.unit}{name} of the set "
        f"point, by their {what}; measured after the pattern of published uniformity "
        "surveys for furnaces, as a description of these bakes"
    )
