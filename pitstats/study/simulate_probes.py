"""Simulated probe readings, gauges and rises whose truth is known.

The scenario is the invented yard of the demo studies. `simulate_probes` adds readings
to a simulated study; the numbers it starts from come back beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.errors import DesignError
from pitstats.study.study import Study

Floats = NDArray[np.float64]

# Chamber air after loading: how far it falls, and minutes to recover by 63 %.
_DIP, _RECOVERY = 40.0, 2.0
# The fire saws up and down between two splits of wood.
_SAW, _SAW_MINUTES = 9.0, 14.0
_LID_TIME_CONSTANT = 60.0
_FINE = 1 / 12  # minutes, the step in which the lag is worked out


@dataclass(frozen=True, kw_only=True)
class ProbedPit:
    """A pit with probes, and the truth about its heat.

    Attributes
    ----------
    pit : str
        Its name, as in the study.
    gauge_offset : float
        Long-run reading of the lid gauge less the mean of the probed cells, in
        degrees of the study.
    fall : float
        Temperature at the firebox wall less that at the far wall.
    cells : sequence of (row, column)
        Where probes lie, on the first grate.
    rise : float, default 48.0
        Mean height of the items in mm, at distance 0.5.
    rise_fall : float, default 4.0
        Height at the firebox wall less that at the far wall, mm.
    """

    pit: str
    gauge_offset: float
    fall: float
    cells: Sequence[tuple[int, int]]
    rise: float = 48.0
    rise_fall: float = 4.0


@dataclass(frozen=True, kw_only=True, eq=False)
class ProbeTruth:
    """What the readings were made from.

    Attributes
    ----------
    pits : pandas.DataFrame
        ``pit, gauge_offset, fall, rise, rise_fall``.
    cells : pandas.DataFrame
        ``bake, pit, grate, row, column, temp``: mean of the air at each probed cell
        from minute 3 to the end of the bake, without lag, offset or noise.
    offsets : mapping of str to float
        What each probe reads too high.
    sd_bake, sd_gauge : float
        SD between bakes of the level of the pit, and of the gauge's own offset.
    stuck, gap : tuple of str
        Bake and probe that stood still, and whose readings have a gap.
    """

    pits: pd.DataFrame
    cells: pd.DataFrame
    offsets: Mapping[str, float] = field(default_factory=dict)
    sd_bake: float = 0.0
    sd_gauge: float = 0.0
    stuck: tuple[str, str] | None = None
    gap: tuple[str, str] | None = None


class SimulatedProbes(NamedTuple):
    """A study with probe readings, together with their truth."""

    study: Study
    truth: ProbeTruth


def simulate_probes(
    study: Study,
    pits: Sequence[ProbedPit],
    *,
    sd_bake: float = 5.0,
    sd_gauge: float = 3.0,
    sd_offset: float = 2.5,
    noise: float = 0.6,
    step: float = 0.5,
    time_constant: float = 35.0,
    faults: bool = False,
    rng: np.random.Generator,
) -> SimulatedProbes:
    """Add probe readings, a lid gauge, a probe check and rises to a study.

    Notes
    -----
    The tender holds the lid gauge near the target; the air at a cell is then the
    level of the bake, plus a straight fall from the firebox wall to the far wall,
    plus the saw of the fire (more of it near the firebox), less what loading took
    away. Probes move one cell further from bake to bake, so that a probe's offset
    does not become a hot cell.
    """
    n_probes = _checked_cells(pits)
    names = [f"p{k}" for k in range(1, n_probes + 1)]
    offsets = dict(zip(names, rng.normal(0, sd_offset, n_probes).round(2), strict=True))
    probes, cells, means = [], [], {}
    for pit in pits:
        own = study.bakes[study.bakes["pit"] == pit.pit]
        for k, bake in enumerate(own.to_dict("records")):
            level = float(bake["target_temp"]) + rng.normal(0, sd_bake)
            gauge_offset = pit.gauge_offset + rng.normal(0, sd_gauge)
            placed = _placed(study, pit, names, shift=k)
            center = float(np.mean([place[-1] for place in placed]))
            air = _Air(
                minutes=float(bake["minutes"]),
                level=level - gauge_offset,
                phase=float(rng.uniform(0, 1)),
                center=center,
            )
            for probe, grate, row, column, distance in placed:
                reading = air.read(
                    pit.fall, distance, time_constant, step, offsets[probe], noise, rng
                )
                place = (grate, row, column)
                probes.append(_rows(bake["bake"], probe, place, reading))
                truth = air.mean(pit.fall, distance)
                cells.append((bake["bake"], pit.pit, *place, truth))
            lid = air.read(
                0.0, center, _LID_TIME_CONSTANT, step, gauge_offset, noise, rng
            )
            lid["temp"] = lid["temp"].round()
            probes.append(_rows(bake["bake"], "lid", (None, None, None), lid))
            means[bake["bake"]] = (lid["temp"].mean(), air.mean(pit.fall, center))
    readings = pd.concat(probes, ignore_index=True)
    stuck = gap = None
    if faults:
        readings, stuck, gap = _with_faults(readings, study, pits)
    made = replace(
        study,
        bakes=_with_means(study.bakes, means),
        items=_with_rise(study, pits, rng),
        probes=readings,
        probe_checks=_check(offsets, rng),
    )
    truth_of_pits = pd.DataFrame(
        [(p.pit, p.gauge_offset, p.fall, p.rise, p.rise_fall) for p in pits],
        columns=["pit", "gauge_offset", "fall", "rise", "rise_fall"],
    )
    return SimulatedProbes(
        made,
        ProbeTruth(
            pits=truth_of_pits,
            cells=pd.DataFrame(
                cells, columns=["bake", "pit", "grate", "row", "column", "temp"]
            ),
            offsets={name: float(value) for name, value in offsets.items()},
            sd_bake=sd_bake,
            sd_gauge=sd_gauge,
            stuck=stuck,
            gap=gap,
        ),
    )


@dataclass(frozen=True, kw_only=True)
class _Air:
    """The air in one bake: its level at the center, and where its saw starts."""

    minutes: float
    level: float
    phase: float
    center: float

    def at(self, minute: Floats, fall: float, distance: float) -> Floats:
        """Temperature at a distance from the firebox over time."""
        turn = (minute / _SAW_MINUTES + self.phase) % 1
        saw = _SAW * (1.4 - 0.8 * distance) * (np.abs(2 * turn - 1) - 0.5) * 2
        # Minutes before loading are not dipped; the exponent is kept from overflowing.
        since = np.maximum(minute, 0.0)
        dip = np.where(minute < 0, 0.0, _DIP * np.exp(-since / _RECOVERY))
        return np.asarray(self.level + fall * (self.center - distance) + saw - dip)

    def mean(self, fall: float, distance: float) -> float:
        """True mean of the air from minute 3 to the end of the bake."""
        minute = np.arange(3.0, self.minutes + _FINE / 2, _FINE)
        return float(self.at(minute, fall, distance).mean())

    def read(
        self,
        fall: float,
        distance: float,
        time_constant: float,
        step: float,
        offset: float,
        noise: float,
        rng: np.random.Generator,
    ) -> pd.DataFrame:
        """What a probe with a lag shows, one row per reading."""
        fine = np.arange(-4.0, self.minutes + _FINE / 2, _FINE)
        gas = self.at(fine, fall, distance)
        share = 1 - np.exp(-_FINE * 60 / time_constant)
        shown = np.empty_like(gas)
        shown[0] = gas[0]
        for k in range(1, gas.size):
            shown[k] = shown[k - 1] + share * (gas[k] - shown[k - 1])
        minute = np.arange(-1.0, self.minutes + step / 2, step)
        temp = np.interp(minute, fine, shown) + offset
        temp += rng.normal(0, noise, minute.size)
        return pd.DataFrame({"minute": minute, "temp": temp.round(1)})


def _checked_cells(pits: Sequence[ProbedPit]) -> int:
    numbers = {len(pit.cells) for pit in pits}
    if len(numbers) != 1 or 0 in numbers:
        raise DesignError(
            "Give every pit the same number of probed cells, at least one."
        )
    return numbers.pop()


def _placed(
    study: Study, pit: ProbedPit, names: Sequence[str], shift: int
) -> list[tuple[str, str, int, int, float]]:
    """Probe, grate, row, column and distance; one cell further in every bake."""
    grate = study.grates[study.grates["pit"] == pit.pit].iloc[0]
    n = len(pit.cells)
    placed = []
    for k, (row, column) in enumerate(pit.cells):
        distance = (column - 0.5) / float(grate["columns"])
        name = names[(k + shift) % n]
        placed.append((name, str(grate["grate"]), row, column, distance))
    return sorted(placed)


def _rows(
    bake: str, probe: str, place: tuple[Any, Any, Any], reading: pd.DataFrame
) -> pd.DataFrame:
    grate, row, column = place
    frame = reading.assign(bake=bake, probe=probe)
    frame["grate"] = pd.Series([grate] * len(frame), dtype="str")
    frame["row"] = pd.array([row] * len(frame), dtype="Int64")
    frame["column"] = pd.array([column] * len(frame), dtype="Int64")
    return frame[["bake", "probe", "grate", "row", "column", "minute", "temp"]]


def _with_faults(
    readings: pd.DataFrame, study: Study, pits: Sequence[ProbedPit]
) -> tuple[pd.DataFrame, tuple[str, str], tuple[str, str]]:
    """Freeze one probe from minute 9 on, and lose minutes 10 to 16 of another."""
    first, last = pits[0].pit, pits[-1].pit
    stuck = (str(study.bakes.loc[study.bakes["pit"] == first, "bake"].iloc[-1]), "p2")
    gap = (str(study.bakes.loc[study.bakes["pit"] == last, "bake"].iloc[0]), "p1")
    frame = readings.copy()
    frozen = (frame["bake"] == stuck[0]) & (frame["probe"] == stuck[1])
    frozen &= frame["minute"] >= 9
    frame.loc[frozen, "temp"] = frame.loc[frozen, "temp"].iloc[0]
    lost = (frame["bake"] == gap[0]) & (frame["probe"] == gap[1])
    lost &= frame["minute"].between(10, 16)
    return frame[~lost].reset_index(drop=True), stuck, gap


def _with_means(
    bakes: pd.DataFrame, means: Mapping[str, tuple[float, float]]
) -> pd.DataFrame:
    """Bakes with what the gauge and the middle of the grate showed on average."""
    frame = bakes.copy()
    mine = frame["bake"].isin(means)
    for k, column in enumerate(("indicated_temp", "grate_temp")):
        values = frame.loc[mine, "bake"].map(lambda bake, k=k: round(means[bake][k]))
        frame.loc[mine, column] = values.astype(float)
    return frame


def _with_rise(
    study: Study, pits: Sequence[ProbedPit], rng: np.random.Generator
) -> pd.DataFrame:
    """Items with their height; lost ones have none."""
    items = study.items.copy()
    pit_of = dict(zip(study.bakes["bake"], study.bakes["pit"], strict=True))
    columns = study.grates.drop_duplicates("pit").set_index("pit")["columns"]
    for pit in pits:
        bakes = [bake for bake, name in pit_of.items() if name == pit.pit]
        for bake in bakes:
            mine = items["bake"].eq(bake) & items["missing"].isna()
            place = items.loc[mine, "column"].astype(float)
            distance = (place - 0.5) / float(columns[pit.pit])
            height = pit.rise + rng.normal(0, 1.5) + pit.rise_fall * (0.5 - distance)
            height += rng.normal(0, 2.5, int(mine.sum()))
            items.loc[mine, "rise_mm"] = height.round(0)
    return items


def _check(offsets: Mapping[str, float], rng: np.random.Generator) -> pd.DataFrame:
    """Three rounds with all probes over boiling water at the yard's height."""
    boiling = 211.2
    rows = [
        (probe, minute, round(boiling + offset + rng.normal(0, 0.3), 1), boiling)
        for minute in (0, 2, 4)
        for probe, offset in offsets.items()
    ]
    return pd.DataFrame(rows, columns=["probe", "minute", "temp", "reference_temp"])
