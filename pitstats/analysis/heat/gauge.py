"""What the pit's own gauge says against the grate: bias, limits, and what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.heat import gauge_caveats as notes
from pitstats.analysis.heat.probe_series import (
    ProbeSummary,
    kelvin_in,
    summarize_probes,
)
from pitstats.analysis.rates.looks import checked_level
from pitstats.analysis.rates.pairs import pair_rows
from pitstats.analysis.results import FrameResult
from pitstats.errors import ArgumentError, DesignError
from pitstats.stats.agreement import Agreement, limits_of_agreement
from pitstats.stats.sensors import browning_factor
from pitstats.stats.unequal_means import welch_differences
from pitstats.study.study import Study

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: Kelvin for a tenfold change of the browning rate: always shown beside the chosen one.
Z_SHOWN = (25.0, 35.0, 60.0)
Z_DEFAULT = 35.0

ESTIMAND = (
    "long-run reading of the pit's own gauge less the temperature at the grate (mean "
    "of the probed cells), bake by bake"
)
METHOD = (
    "mean difference with Student's t over bakes; limits of agreement with exact "
    "intervals over bakes, and for single readings from the variance between and "
    "within bakes; unit of replication: the bake"
)

_PLACE = ["grate", "row", "column"]
# A spread below this many degrees is rounding of the arithmetic, so none at all.
_NO_SPREAD = 1e-6
_TABLE_COLUMNS = (
    "pit",
    "gauge",
    "n_bakes",
    "n_readings",
    "bias",
    "conf_low",
    "conf_high",
    "sd",
    "lower",
    "lower_low",
    "lower_high",
    "upper",
    "upper_low",
    "upper_high",
    "reading_lower",
    "reading_lower_low",
    "reading_lower_high",
    "reading_upper",
    "reading_upper_low",
    "reading_upper_high",
)


_FROM_SPREAD = ("conf_low", "conf_high", *_TABLE_COLUMNS[8:14])


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeComparison(FrameResult):
    """Gauges against the grate, pit by pit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit and gauge: ``pit, gauge, n_bakes, n_readings, bias, conf_low,
        conf_high`` (gauge less grate; NaN interval for one bake), ``sd`` (of a bake's
        difference), ``lower, lower_low, lower_high, upper, upper_low, upper_high``
        (limits of agreement of a bake's mean, with exact intervals), ``reading_lower,
        reading_lower_low, reading_lower_high, reading_upper, reading_upper_low,
        reading_upper_high`` (of a single reading; NaN without readings). Where all
        bakes gave one difference, ``sd`` is 0 and intervals and limits are NaN.
    differences : pandas.DataFrame
        All pairs of pits: ``pit_a, pit_b, estimate`` (bias of ``pit_a`` less bias of
        ``pit_b``), ``conf_low, conf_high, simultaneous_low, simultaneous_high,
        p_value, p_adjusted``.
    factors : pandas.DataFrame
        ``pit, z, factor, conf_low, conf_high``: browning rate at the grate as a
        multiple of the rate at the temperature that the gauge shows.
    pair_factors : pandas.DataFrame
        ``pit_a, pit_b, z, factor, conf_low, conf_high``: browning rate in ``pit_a``
        as a multiple of that in ``pit_b`` when both gauges read the same.
    bakes : pandas.DataFrame
        ``bake, pit, session, order, gauge, indicated, grate, difference, n_readings,
        source``, then ``n_cells`` (that the grate level is a mean of), ``n_filled``
        (of these, filled in from other bakes) and ``n_left_out`` (probed in this bake
        alone), all 0 where the level is not from probes.
    readings : pandas.DataFrame
        ``bake, pit, gauge, minute, indicated, grate, difference``; may be empty.
    z : float
        Kelvin for a tenfold change of the browning rate, as chosen.
    unit : str
        "F" or "C".
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    factors: pd.DataFrame
    pair_factors: pd.DataFrame
    bakes: pd.DataFrame
    readings: pd.DataFrame = field(repr=False)
    z: float
    unit: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def compare_gauges(
    study: Study,
    *,
    summary: ProbeSummary | None = None,
    z: float = Z_DEFAULT,
    conf_level: float | None = None,
) -> GaugeComparison:
    """Compare each pit's own gauge with the grate, and the gauges of the pits.

    Parameters
    ----------
    study : Study
        With lid gauge and grate probes in ``probes``, or ``indicated_temp`` and
        ``grate_temp`` in ``bakes``.
    summary : ProbeSummary, optional
        Result of `summarize_probes`; made with its defaults when not given.
    z : float, default 35.0
        Kelvin for a tenfold change of the browning rate; 25, 35 and 60 are always
        shown as well.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    GaugeComparison
        Bias and limits per pit, differences of pits, and what an offset means.

    Raises
    ------
    DesignError
        If no kept bake has both a gauge and a grate temperature, or ``z`` is not
        above 0.

    Notes
    -----
    A bake with a lid gauge in ``probes`` uses it, minute by minute, against the mean
    of the grate probes at the same minutes; otherwise ``indicated_temp`` against the
    probes, or against ``grate_temp``. Cells that lack readings in part of a bake are
    bridged by how much each cell differs from the pit's mean (least squares, additive
    in bake and cell), so that a lost probe does not move the mean. A cell probed in one
    bake alone would carry that bake's reading into the level of every other, so it is
    left out wherever its bake has cells in common with others. A bake that shares no
    cell with any other is a group to itself, and its level the plain mean of its cells;
    levels of different groups are levels of different places, and the caveats name
    them. See `stats.limits_of_agreement` and `stats.welch_differences`
    for the methods and their sources.

    Bakes that all gave the same difference have no spread to make an interval from:
    readings in whole degrees can agree by chance, and an interval of no width would
    claim that the next bake must agree, too. So none is given there.

    Examples
    --------
    >>> import pitstats as ps
    >>> gauges = ps.compare_gauges(ps.demo_study("probed_pits"))
    >>> (gauges.table["bias"] < 0).tolist()
    [True, False]
    """
    level = checked_level(study, conf_level)
    if not z > 0:
        raise ArgumentError(f"z is {z:g}; it must be above 0 K.")
    if summary is None:
        summary = _summary_if_any(study)
    cells = _sorted_out(summary)
    readings = _readings(summary, cells)
    bakes = _bake_values(study, readings, cells)
    if bakes.empty:
        raise DesignError(notes.NO_PAIRS)
    agreements = {
        (str(pit), str(gauge)): limits_of_agreement(
            own["indicated"], own["grate"], conf_level=level
        )
        for (pit, gauge), own in bakes.groupby(["pit", "gauge"], sort=False)
    }
    table = _table(agreements, readings, level)
    differences = _differences(bakes, table, level)
    unit = study.settings.temperature_unit or "F"
    steps = sorted({*Z_SHOWN, float(z)})
    return GaugeComparison(
        table=table,
        differences=differences,
        factors=_factors(
            table, ["pit", "gauge"], "bias", ("conf_low", "conf_high"), steps, unit
        ),
        pair_factors=_factors(
            differences,
            ["pit_a", "pit_b"],
            "estimate",
            ("simultaneous_low", "simultaneous_high"),
            steps,
            unit,
        ),
        bakes=bakes,
        readings=readings,
        z=float(z),
        unit=unit,
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=notes.gauge_caveats(study, table, bakes, summary, cells),
    )


def gauge_by_bake(study: Study) -> pd.DataFrame:
    """Gauge and grate of every kept bake that has both, as `compare_gauges` pairs them.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = gauge_by_bake(ps.demo_study("probed_pits"))
    >>> (found.groupby("pit", sort=False)["difference"].mean() < 0).tolist()
    [True, False]
    """
    summary = _summary_if_any(study)
    cells = _sorted_out(summary)
    return _bake_values(study, _readings(summary, cells), cells)


def _summary_if_any(study: Study) -> ProbeSummary | None:
    """Summary of the probes, or None where no kept bake has readings."""
    try:
        return summarize_probes(study)
    except DesignError:
        return None


def _readings(summary: ProbeSummary | None, cells: pd.DataFrame) -> pd.DataFrame:
    """Lid gauge and mean of the probed cells at the minutes of the lid gauge."""
    columns = ["bake", "pit", "gauge", "minute", "indicated", "grate", "difference"]
    frames = []
    if summary is not None:
        deviation = _deviation_by_cell(cells)
        for bake, own in summary.readings.groupby("bake", sort=False):
            series = _grate_series(own[~own["lid"]], deviation)
            for gauge, lid in own[own["lid"] & own["used"]].groupby("probe"):
                minute = lid["minute"].to_numpy(dtype=float)
                grate = _mean_at(minute, series, summary.rules.gap)
                frame = pd.DataFrame(
                    {
                        "minute": minute,
                        "indicated": lid["temp"].to_numpy(),
                        "grate": grate,
                    }
                )
                frame = frame.assign(bake=bake, pit=own["pit"].iloc[0], gauge=gauge)
                frames.append(frame.dropna(subset=["grate"]))
    if not frames:
        return pd.DataFrame(columns=columns)
    readings = pd.concat(frames, ignore_index=True)
    readings["difference"] = readings["indicated"] - readings["grate"]
    return readings[columns]


def _deviation_by_cell(cells: pd.DataFrame) -> pd.Series[float]:
    once = cells.dropna(subset=["deviation"]).drop_duplicates(["pit", "cell"])
    return once.set_index(["pit", "cell"])["deviation"]


def _sorted_out(summary: ProbeSummary | None) -> pd.DataFrame:
    """Usable means of grate probes, with group and deviation; NaN if left out."""
    names = ["bake", "pit", *_PLACE, "cell", "temp"]
    if summary is None:
        return pd.DataFrame(columns=[*names, "group", "deviation"])
    series = summary.table[~summary.table["lid"]].dropna(subset=["temp"])
    series = series.assign(cell=_cell_names(series))[names].reset_index(drop=True)
    # Cells of two pits are two cells, whatever they are called.
    cells = series.groupby(["pit", "cell"], sort=False)
    series["group"], series["deviation"] = -1, np.nan
    shared = cells["bake"].transform("nunique") > 1
    linked = shared.groupby(series["bake"]).transform("any")
    used = (shared | ~linked).to_numpy(dtype=bool)
    bake = pd.factorize(series["bake"])[0][used]
    cell = np.asarray(cells.ngroup(), dtype=np.intp)[used]
    group = _linked_bakes(bake, cell)
    deviation = np.empty(group.size)
    temp = series["temp"].to_numpy(dtype=float)[used]
    for own in (group == one for one in np.unique(group)):
        deviation[own] = _deviations(bake[own], cell[own], temp[own])
    series.loc[used, "group"], series.loc[used, "deviation"] = group, deviation
    return series


def _linked_bakes(bake: Ints, cell: Ints) -> Ints:
    """Group of each reading: bakes are linked by the cells they have in common."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if not bake.size:
        return bake
    start = int(bake.max()) + 1
    size = start + int(cell.max()) + 1
    links = coo_array((np.ones(bake.size), (bake, start + cell)), shape=(size, size))
    return np.asarray(connected_components(links, directed=False)[1][bake], np.intp)


def _deviations(bake: Ints, cell: Ints, temp: Floats) -> Floats:
    """Cell effects of an additive fit to linked bakes, less their mean over cells."""
    bakes, at_bake = np.unique(bake, return_inverse=True)
    cells, at_cell = np.unique(cell, return_inverse=True)
    design = np.zeros((temp.size, bakes.size + cells.size))
    rows = np.arange(temp.size)
    design[rows, at_bake] = 1
    design[rows, bakes.size + at_cell] = 1
    effects = np.linalg.lstsq(design, temp, rcond=None)[0][bakes.size :]
    return np.asarray((effects - effects.mean())[at_cell])


def _cell_names(series: pd.DataFrame) -> pd.Series[str]:
    """Name of the cell, or of the probe where no place is recorded."""
    placed = series[["grate", "row", "column"]].notna().all(axis=1)
    names = (
        series["grate"].astype(str)
        + " "
        + series["row"].astype(str)
        + " "
        + series["column"].astype(str)
    )
    return names.where(placed, "probe " + series["probe"])


def _grate_series(
    own: pd.DataFrame, deviation: pd.Series[float]
) -> list[tuple[Floats, Floats]]:
    """Readings of each grate probe of a bake, freed from what its cell differs by."""
    own = own.assign(cell=_cell_names(own))
    series = []
    known = deviation.to_dict()
    for (pit, cell, _), group in own.groupby(["pit", "cell", "probe"], sort=False):
        if (pit, cell) not in known:
            continue
        used = group[group["used"]]
        temp = used["temp"].to_numpy(dtype=float) - known[pit, cell]
        series.append((used["minute"].to_numpy(dtype=float), temp))
    return series


def _mean_at(
    minute: Floats, series: Sequence[tuple[Floats, Floats]], gap: float
) -> Floats:
    """Mean over the probes at given minutes; NaN where none was reading."""
    values = [_value_at(minute, *one, gap) for one in series if one[0].size]
    if not values:
        return np.full(minute.shape, np.nan)
    stacked = np.vstack(values)
    known = ~np.isnan(stacked)
    total = np.where(known, stacked, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _value_at(minute: Floats, times: Floats, temp: Floats, gap: float) -> Floats:
    """Straight line between readings, unless they lie further apart than a gap."""
    value = np.interp(minute, times, temp, left=np.nan, right=np.nan)
    after = np.searchsorted(times, minute).clip(0, times.size - 1)
    before = np.searchsorted(times, minute, side="right").clip(1, times.size) - 1
    usual = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    # A series read by hand every five minutes has no gap of five minutes.
    far = times[after] - times[before] > max(gap, 3 * usual)
    return np.asarray(np.where(far, np.nan, value))


def _bake_values(
    study: Study, readings: pd.DataFrame, cells: pd.DataFrame
) -> pd.DataFrame:
    """Gauge and grate of every kept bake that has both."""
    by_lid = readings.groupby(["bake", "gauge"], sort=False)
    means = by_lid[["indicated", "grate"]].mean()
    means["n_readings"] = by_lid.size()
    probed = _levels(cells)
    single = readings.groupby("pit")["gauge"].agg(["nunique", "first"])
    rows = []
    for bake in study.kept.to_dict("records"):
        name, pit = bake["bake"], bake["pit"]
        here = {"bake": name, "pit": pit} | {k: bake[k] for k in ("session", "order")}
        if name in means.index.get_level_values("bake"):
            for gauge, found in means.loc[name].to_dict("index").items():
                rows.append(
                    here | {"gauge": gauge, "source": notes.LID_AND_PROBES} | found
                )
            continue
        alone = pit in single.index and single.loc[pit, "nunique"] == 1
        gauge = single.loc[pit, "first"] if alone else "own gauge"
        grate = probed.get(name, bake["grate_temp"])
        source = notes.INDICATED_AND_PROBES if name in probed else notes.MEANS
        found = {"indicated": bake["indicated_temp"], "grate": grate, "n_readings": 1}
        if not (pd.isna(found["indicated"]) or pd.isna(grate)):
            rows.append(here | {"gauge": gauge, "source": source} | found)
    columns = ["bake", "pit", "session", "order", "gauge", "indicated", "grate"]
    frame = pd.DataFrame(rows, columns=[*columns, "n_readings", "source"])
    frame.insert(7, "difference", frame["indicated"] - frame["grate"])
    counted = _cells_counted(cells).reindex(frame["bake"]).fillna(0).astype(int)
    counted = counted.reset_index(drop=True).mul(frame["source"] != notes.MEANS, axis=0)
    return pd.concat([frame, counted], axis=1)


def _cells_counted(found: pd.DataFrame) -> pd.DataFrame:
    """Cells of the level of each bake: all, filled in, and probed but left out."""
    used = found[found["group"] >= 0].groupby("bake")
    n_used = used["cell"].nunique()
    of_group = found.groupby("group")["cell"].nunique()
    n_cells = used["group"].first().map(of_group).astype(int)
    left_out = found[found["group"] < 0].groupby("bake")["cell"].nunique()
    return pd.DataFrame(
        {
            "n_cells": n_cells,
            "n_filled": n_cells - n_used,
            "n_left_out": left_out.reindex(n_used.index, fill_value=0),
        }
    )


def _levels(cells: pd.DataFrame) -> dict[str, float]:
    found = cells.dropna(subset=["deviation"])
    means = (found["temp"] - found["deviation"]).groupby(found["bake"]).mean()
    return {str(bake): float(value) for bake, value in means.items()}


def _table(
    agreements: dict[tuple[str, str], Agreement], readings: pd.DataFrame, level: float
) -> pd.DataFrame:
    rows = []
    for (pit, gauge), agreed in agreements.items():
        mine = readings[(readings["pit"] == pit) & (readings["gauge"] == gauge)]
        single: tuple[float, ...] = (np.nan,) * 6
        if len(mine) and mine["bake"].nunique() > 1:
            per_reading = limits_of_agreement(
                mine["indicated"], mine["grate"], mine["bake"], conf_level=level
            )
            lower, upper = per_reading.lower_interval, per_reading.upper_interval
            ends = (per_reading.lower, *lower, per_reading.upper, *upper)
            if per_reading.upper - per_reading.lower > _NO_SPREAD:
                single = tuple(map(float, ends))
        rows.append(
            (
                pit,
                gauge,
                agreed.n_groups,
                len(mine),
                agreed.bias,
                *agreed.bias_interval,
                agreed.sd,
                agreed.lower,
                *agreed.lower_interval,
                agreed.upper,
                *agreed.upper_interval,
                *single,
            )
        )
    table = pd.DataFrame(rows, columns=list(_TABLE_COLUMNS))
    alike = table["sd"] <= _NO_SPREAD
    table.loc[alike, "sd"] = 0.0
    table.loc[alike, list(_FROM_SPREAD)] = np.nan
    return table


def _differences(
    bakes: pd.DataFrame, gauges: pd.DataFrame, level: float
) -> pd.DataFrame:
    """All pairs of pits, each by its gauge with the most bakes."""
    order = gauges.sort_values("n_bakes", ascending=False, kind="stable")
    main = order.drop_duplicates("pit").sort_index()
    chosen = bakes.merge(main[["pit", "gauge"]], on=["pit", "gauge"])
    pits = main["pit"].tolist()
    codes = pd.Index(pits).get_indexer(chosen["pit"])
    found = welch_differences(chosen["difference"].to_numpy(), codes, level)
    table = pair_rows(found, pits, pits)
    # Welch's interval would take a spread of zero at its word.
    alike = set(main.loc[main["sd"] == 0, "pit"])
    unsure = table["pit_a"].isin(alike) | table["pit_b"].isin(alike)
    table.loc[unsure, table.columns[3:]] = np.nan
    return table


def _factors(
    table: pd.DataFrame,
    keys: list[str],
    column: str,
    ends: tuple[str, str],
    steps: Sequence[float],
    unit: str,
) -> pd.DataFrame:
    """What an offset means in browning rate: a gauge that reads low hides heat."""
    frames = []
    for z in steps:
        frame = table[keys].copy()
        frame["z"] = z
        # A difference in °F becomes kelvin by 5/9 alone.
        kelvin = -table[[column, *ends]].astype(float) / kelvin_in(unit)
        frame["factor"] = browning_factor(kelvin[column], z)
        frame["conf_low"] = browning_factor(kelvin[ends[1]], z)
        frame["conf_high"] = browning_factor(kelvin[ends[0]], z)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)
