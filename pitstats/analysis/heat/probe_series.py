"""Probe readings, cell by cell: mean, swing, minutes beyond limits, and what is odd."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.heat import probe_caveats as notes
from pitstats.analysis.heat.probe_checks import applied_offsets, is_lid, probe_offsets
from pitstats.errors import DesignError
from pitstats.stats.series import (
    correct_lag,
    minutes_above,
    reading_weights,
    still_runs,
    sway,
    weighted_mean,
)
from pitstats.study.html_text import notebook_html
from pitstats.study.study import Study

Floats: TypeAlias = NDArray[np.float64]

ESTIMAND = (
    "mean temperature of each cell over the bake window, weighted with time; it "
    "describes the bake that was measured"
)
METHOD = (
    "straight lines between readings (trapezoid rule), steps longer than a gap and "
    "runs in which a probe stood still left out"
)

CELL_COLUMNS = ("bake", "pit", "grate", "row", "column", "temp", "n_readings")
_MEASURES = (
    "n_probes",
    "min",
    "max",
    "swing",
    "drift",
    "minutes",
    "minutes_above",
    "minutes_below",
    "flags",
)
_PLACE = ["grate", "row", "column"]
_SERIES = ["bake", "probe", *_PLACE]


@dataclass(frozen=True, kw_only=True)
class ProbeRules:
    """Named settings by which a probe series is read; change what does not fit.

    Attributes
    ----------
    time_constant : float, default 35.0
        Seconds in which the probe takes 63.2 % of a step in air. 35 s is derived from
        a published time for a 3 mm sheathed thermocouple in air of 0.2 m/s (90 % in
        80 s); 1.5 mm about 11 s, 6 mm 80 to 87 s. Times given for water do not apply.
    lid_closed : float, default 0.0
        Minute at which the lid was closed; minute 0 is loading.
    settle : float, default 5.0
        Time constants to wait after that (5 reach 99.3 % of a step).
    gap : float, default 1.0
        Steps between readings longer than this many minutes are gaps ...
    gap_factor : float, default 3.0
        ... if they are also longer than this many usual steps of the series.
    stuck_minutes : float, default 5.0
        A reading that does not change for so long stands still.
    stuck_readings : int, default 10
        Fewest readings in such a run, so that a few readings by hand are no run.
    stuck_others : float, default 3.0
        Kelvin by which the other probes of the bake must have moved meanwhile (middle
        one of them) for the probe to be called stuck; also at least two steps of its
        own display, so that a coarse dial is not.
    least_cover : float, default 0.5
        A series that covers less of the window than this share is called short.
    tolerance : float, default 14.0
        Kelvin around the bake's target temperature, where no limits are given.
    """

    time_constant: float = 35.0
    lid_closed: float = 0.0
    settle: float = 5.0
    gap: float = 1.0
    gap_factor: float = 3.0
    stuck_minutes: float = 5.0
    stuck_readings: int = 10
    stuck_others: float = 3.0
    least_cover: float = 0.5
    tolerance: float = 14.0

    def __post_init__(self) -> None:
        """Refuse what cannot be meant."""
        for name in ("gap", "gap_factor", "stuck_minutes", "stuck_readings"):
            if not getattr(self, name) > 0:
                raise DesignError(f"{name} must be above 0.")
        for name in ("time_constant", "settle", "stuck_others", "tolerance"):
            if not getattr(self, name) >= 0:
                raise DesignError(f"{name} must be 0 or more.")
        if not 0 <= self.least_cover <= 1:
            raise DesignError("least_cover is a share: give 0 to 1.")

    @property
    def window_start(self) -> float:
        """Minute from which readings count."""
        return self.lid_closed + self.settle * self.time_constant / 60


@dataclass(frozen=True, kw_only=True, eq=False)
class ProbeSummary:
    """What the probes of a study say, bake by bake.

    Attributes
    ----------
    cells : pandas.DataFrame
        One row per bake and cell that had a grate probe: ``bake, pit, grate, row,
        column, temp, n_readings``, then ``n_probes, min, max, swing, drift`` (per 10
        minutes), ``minutes`` (covered), ``minutes_above, minutes_below, flags``.
        ``temp`` is NaN where the readings cannot be used; ``flags`` is empty or words
        separated by commas.
    table : pandas.DataFrame
        One row per series, lid gauges and probes without a place included: ``bake,
        pit, probe, lid, grate, row, column``, ``temp`` and the other measures of
        ``cells``, ``offset`` (taken off), ``interval`` (usual step in minutes),
        ``noise_factor`` (of a lag correction; else 1).
    bakes : pandas.DataFrame
        One row per bake with readings: ``bake, pit, window_start, window_end, end_by,
        low, high, n_probes, n_lid``.
    offsets : pandas.DataFrame
        Offsets found in the probe check, see `probe_offsets`; may be empty.
    readings : pandas.DataFrame
        Every reading of a kept bake: ``bake, pit, probe, lid, grate, row, column,
        minute, temp`` (offset taken off, lag undone where asked for), ``in_window,
        used``.
    rules : ProbeRules
        The settings.
    unit : str
        "F" or "C".
    lag_corrected : bool
        Whether the lag was undone.
    """

    cells: pd.DataFrame
    table: pd.DataFrame
    bakes: pd.DataFrame
    offsets: pd.DataFrame
    readings: pd.DataFrame = field(repr=False)
    rules: ProbeRules
    unit: str
    lag_corrected: bool
    estimand: str
    method: str
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table of cells."""
        return self.cells.copy()

    def _repr_html_(self) -> str:
        return notebook_html(self.estimand, self.cells, self.caveats)


class _Window(NamedTuple):
    """Minutes that count in a bake, and its limits."""

    start: float
    end: float
    low: float
    high: float


def summarize_probes(
    study: Study,
    *,
    rules: ProbeRules | None = None,
    low: float | None = None,
    high: float | None = None,
    lag: bool = False,
) -> ProbeSummary:
    """Summarize the probe readings of every kept bake, cell by cell.

    Parameters
    ----------
    study : Study
        A valid study with probe readings.
    rules : ProbeRules, optional
        Window, gaps, stuck probes; the named defaults when not given.
    low, high : float, optional
        Limits in the study's temperature unit for the minutes below and above. Where
        not given, the bake's target temperature less or plus ``rules.tolerance``;
        NaN where no target is recorded either.
    lag : bool, default False
        Undo the lag of the probes (see `stats.correct_lag`); multiplies the noise of
        single readings by the ``noise_factor`` that is reported.

    Returns
    -------
    ProbeSummary
        ``cells`` for maps and comparisons, ``table`` series by series.

    Raises
    ------
    DesignError
        If no kept bake has a reading.

    Notes
    -----
    The window of a bake runs from the closing of the lid plus five time constants to
    the bake's ``minutes``, or to its last reading where no length is recorded.
    Readings of one probe at one minute are averaged. A series of one reading keeps
    it, flagged. Offsets from the probe check are taken off the grate probes, not off
    lid gauges, whose offset is a question of its own (`compare_gauges`).

    Examples
    --------
    >>> import pitstats as ps
    >>> summary = ps.summarize_probes(ps.demo_study("probed_pits"))
    >>> summary.cells.columns[:7].tolist()
    ['bake', 'pit', 'grate', 'row', 'column', 'temp', 'n_readings']
    """
    rules = rules or ProbeRules()
    if low is not None and high is not None and low > high:
        raise DesignError("The lower limit lies above the upper one; swap them.")
    unit = study.settings.temperature_unit or "F"
    kelvin = kelvin_in(unit)
    offsets = probe_offsets(study)
    readings = _readings(study, offsets)
    if readings.empty:
        raise DesignError(notes.no_readings(study))
    bakes = _windows(study, readings, rules, low, high, kelvin)
    cleaned, table = _summarize(readings, bakes, rules, kelvin, lag=lag)
    return ProbeSummary(
        cells=_cells(table),
        table=table,
        bakes=bakes,
        offsets=offsets,
        readings=cleaned,
        rules=rules,
        unit=unit,
        lag_corrected=lag,
        estimand=ESTIMAND,
        method=METHOD + ("; first-order lag undone" if lag else ""),
        caveats=notes.series_caveats(study, table, bakes, offsets),
    )


def kelvin_in(unit: str) -> float:
    """Degrees of the unit in one kelvin; differences are never shifted by 32.

    Examples
    --------
    >>> kelvin_in("F"), kelvin_in("C")
    (1.8, 1.0)
    """
    return 1.8 if unit == "F" else 1.0


def cell_label(grate: Hashable, row: int, column: int) -> str:
    """Name a cell in words.

    Examples
    --------
    >>> cell_label("main", 2, 6)
    'row 2, column 6 on main'
    """
    return f"row {row}, column {column} on {grate}"


def _readings(study: Study, offsets: pd.DataFrame) -> pd.DataFrame:
    """Readings of kept bakes in order of time, averaged within a minute."""
    kept = study.kept[["bake", "pit"]]
    frame = study.probes.merge(kept, on="bake", how="inner")
    frame = frame.dropna(subset=["minute", "temp", "probe"])
    frame["lid"] = is_lid(frame["probe"])
    taken_off = frame["probe"].map(applied_offsets(offsets)).astype(float).fillna(0.0)
    frame["offset"] = taken_off.mask(frame["lid"], 0.0)
    frame["temp"] = frame["temp"] - frame["offset"]
    keys = ["bake", "pit", "probe", "lid", *_PLACE, "minute", "offset"]
    grouped = frame.groupby(keys, dropna=False, sort=False, observed=True)["temp"]
    merged = grouped.agg(["mean", "size"]).reset_index()
    merged = merged.rename(columns={"mean": "temp", "size": "n_merged"})
    order = {bake: k for k, bake in enumerate(study.bakes["bake"])}
    merged["_order"] = merged["bake"].map(order)
    merged = merged.sort_values(["_order", "minute"], kind="stable")
    return merged.drop(columns="_order").reset_index(drop=True)


def _windows(
    study: Study,
    readings: pd.DataFrame,
    rules: ProbeRules,
    low: float | None,
    high: float | None,
    kelvin: float,
) -> pd.DataFrame:
    """Window and limits of every bake that has readings."""
    rows = []
    recorded = study.bakes.set_index("bake")[["minutes", "target_temp"]]
    stated_values = recorded.astype(float).to_dict("index")
    around = rules.tolerance * kelvin
    for bake, own in readings.groupby("bake", sort=False):
        stated, target = stated_values[bake].values()
        timed = not np.isnan(stated)
        rows.append(
            {
                "bake": bake,
                "pit": own["pit"].iloc[0],
                "window_start": rules.window_start,
                "window_end": stated if timed else float(own["minute"].max()),
                "end_by": "length of the bake" if timed else "last reading",
                "low": target - around if low is None else float(low),
                "high": target + around if high is None else float(high),
                "n_probes": int(own.loc[~own["lid"], "probe"].nunique()),
                "n_lid": int(own.loc[own["lid"], "probe"].nunique()),
            }
        )
    return pd.DataFrame(rows)


class _Series(NamedTuple):
    """Readings of one probe at one place of one bake."""

    minute: Floats
    temp: Floats
    merged: bool
    lid: bool


def _summarize(
    readings: pd.DataFrame,
    bakes: pd.DataFrame,
    rules: ProbeRules,
    kelvin: float,
    *,
    lag: bool,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Summarize all series; and all readings as they were used."""
    columns = ["bake", "window_start", "window_end", "low", "high"]
    windows = {
        bake: _Window(*(float(value) for value in bounds))
        for bake, *bounds in bakes[columns].itertuples(index=False, name=None)
    }
    number = readings.groupby(_SERIES, dropna=False, sort=False).ngroup()
    ordered = readings.iloc[np.argsort(number.to_numpy(), kind="stable")]
    starts = np.flatnonzero(np.diff(np.sort(number.to_numpy()), prepend=-1))
    first = ordered.iloc[starts].reset_index(drop=True)
    series = _split(ordered, starts)
    bake_of = first["bake"].tolist()
    rows, temps, inside, used = [], [], [], []
    for k, own in enumerate(series):
        others = [
            other
            for j, other in enumerate(series)
            if j != k and bake_of[j] == bake_of[k]
        ]
        done = _one_series(own, others, windows[bake_of[k]], rules, kelvin, lag)
        rows.append(done.row)
        temps.append(done.temp)
        inside.append(done.inside)
        used.append(done.used)
    names = ["bake", "pit", "probe", "lid", *_PLACE]
    table = pd.concat([first[names], pd.DataFrame(rows)], axis=1)
    table["offset"] = first["offset"]
    table[["row", "column"]] = table[["row", "column"]].astype("Int64")
    cleaned = ordered[[*names, "minute"]].reset_index(drop=True)
    cleaned["temp"] = np.concatenate(temps)
    cleaned["in_window"] = np.concatenate(inside)
    cleaned["used"] = np.concatenate(used)
    return cleaned, table


def _split(ordered: pd.DataFrame, starts: NDArray[np.intp]) -> list[_Series]:
    names = ("minute", "temp", "n_merged", "lid")
    parts = [np.split(ordered[name].to_numpy(), starts[1:]) for name in names]
    return [
        _Series(minute, temp.astype(float), bool((merged > 1).any()), bool(lid[0]))
        for minute, temp, merged, lid in zip(*parts, strict=True)
    ]


class _Done(NamedTuple):
    """One series summarized: its row, and which readings counted."""

    row: dict[str, object]
    temp: Floats
    inside: NDArray[np.bool_]
    used: NDArray[np.bool_]


def _one_series(
    own: _Series,
    others: list[_Series],
    window: _Window,
    rules: ProbeRules,
    kelvin: float,
    lag: bool,
) -> _Done:
    minute, temp = own.minute, own.temp
    usual = float(np.median(np.diff(minute))) if minute.size > 1 else np.nan
    gap = max(rules.gap, rules.gap_factor * usual) if minute.size > 1 else rules.gap
    inside = (minute >= window.start) & (minute <= window.end)
    stuck, constant = _still(own, others, rules, kelvin)
    noise_factor = 1.0
    if lag and not own.lid:
        temp, noise_factor = correct_lag(minute, temp, rules.time_constant / 60, gap)
    use = inside & ~stuck
    measures = _measures(minute[use], temp[use], window, gap)
    covered = measures["minutes"] >= rules.least_cover * (window.end - window.start)
    flags = {
        "no reading in the window": not inside.any(),
        "stuck": bool((stuck & inside).any()),
        "constant": bool((constant & inside).any()),
        "gap": _gap_inside(minute, window, gap),
        "duplicates": own.merged,
        "one reading": int(use.sum()) == 1,
        "short": int(use.sum()) > 1 and not covered,
    }
    if flags["stuck"] and (flags["short"] or flags["one reading"]):
        # What is left of a broken probe does not speak for the bake.
        measures |= dict.fromkeys(measures.keys() - {"n_readings", "minutes"}, np.nan)
    row = {
        **measures,
        "flags": ", ".join(name for name, found in flags.items() if found),
        "interval": usual,
        "noise_factor": noise_factor,
    }
    return _Done(row, temp, inside, use)


def _measures(
    minute: Floats, temp: Floats, window: _Window, gap: float
) -> dict[str, float]:
    weights = reading_weights(minute, gap)
    covered = float(weights.sum())
    drift, swing = sway(minute, temp, weights)
    above = below = np.nan
    if covered > 0:
        if np.isfinite(window.high):
            above = minutes_above(minute, temp, window.high, gap)
        if np.isfinite(window.low):
            below = minutes_above(minute, -temp, -window.low, gap)
    return {
        "temp": weighted_mean(temp, weights),
        "n_readings": temp.size,
        "min": float(temp.min()) if temp.size else np.nan,
        "max": float(temp.max()) if temp.size else np.nan,
        "swing": swing,
        "drift": 10 * drift,
        "minutes": covered,
        "minutes_above": above,
        "minutes_below": below,
    }


def _still(
    own: _Series, others: list[_Series], rules: ProbeRules, kelvin: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Readings of runs that stand still: while others moved, and while they did not."""
    minute = own.minute
    stuck, constant = np.zeros(minute.size, bool), np.zeros(minute.size, bool)
    runs = still_runs(
        minute,
        own.temp,
        least_minutes=rules.stuck_minutes,
        least_readings=rules.stuck_readings,
    )
    least = max(rules.stuck_others * kelvin, 2 * _display_step(own.temp))
    for start, stop in runs:
        moved = list(_ranges(others, minute[start], minute[stop - 1]))
        alive = bool(moved) and np.median(moved) >= least
        (stuck if alive else constant)[start:stop] = True
    return stuck, constant


def _display_step(temp: Floats) -> float:
    """Smallest step between readings; 0 where the reading did not change at all."""
    steps = np.abs(np.diff(temp))
    # Offsets taken off leave rounding noise behind.
    steps = steps[steps > 1e-6]
    return float(steps.min()) if steps.size else 0.0


def _ranges(others: list[_Series], first: float, last: float) -> Iterator[float]:
    """How far each other probe moved between two minutes."""
    for other in others:
        during = other.temp[(other.minute >= first) & (other.minute <= last)]
        if during.size > 1:
            yield float(np.ptp(during))


def _gap_inside(minute: Floats, window: _Window, gap: float) -> bool:
    """Whether a gap between two readings reaches into the window."""
    before, after = minute[:-1], minute[1:]
    reaches = (after > window.start) & (before < window.end)
    return bool(((after - before > gap) & reaches).any())


def _cells(table: pd.DataFrame) -> pd.DataFrame:
    """Grate probes with a place, one row per bake and cell."""
    placed = table[~table["lid"] & table[_PLACE].notna().all(axis=1)]
    names = [*CELL_COLUMNS, *_MEASURES]
    if placed.empty:
        return pd.DataFrame(columns=names)
    # A broken probe must not stand beside a working one in the same cell.
    keys = ["bake", "pit", *_PLACE]
    grouped = placed.groupby(keys, sort=False, observed=True)
    means = ["temp", "swing", "drift", "minutes", "minutes_above", "minutes_below"]
    cells = grouped[means].mean()
    cells["n_readings"] = grouped["n_readings"].sum()
    cells["n_probes"] = grouped["probe"].nunique()
    cells["min"], cells["max"] = grouped["min"].min(), grouped["max"].max()
    cells["flags"] = grouped["flags"].agg(_joined)
    cells = cells.reset_index()
    cells[["row", "column"]] = cells[["row", "column"]].astype(int)
    return cells[names]


def _joined(flags: pd.Series[str]) -> str:
    found = [flag for text in flags for flag in text.split(", ") if flag]
    return ", ".join(dict.fromkeys(found))
