"""How hot, how even and how repeatable: pits compared on cell temperatures."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.heat.common_places import common_places, end_places
from pitstats.analysis.heat.place_contrasts import (
    contrasts_over_bakes,
    level_interval,
    levels_over,
    pair_table,
)
from pitstats.analysis.heat.place_model import Shape, fit_places, place_frame
from pitstats.analysis.heat.probe_checks import applied_offsets, probe_offsets
from pitstats.analysis.heat.probe_series import cell_label, summarize_probes
from pitstats.analysis.heat.spread import (
    UNKNOWN,
    Spread,
    difference_of_spreads,
    extremes_of_means,
    ratio_of_spreads,
    spread_of_means,
)
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.results import FrameResult
from pitstats.errors import ArgumentError, DesignError
from pitstats.stats.linear_contrast import spread_interval
from pitstats.study.schema import CELL
from pitstats.study.study import Study

ESTIMAND = (
    "mean temperature of each pit over bakes and over the places named, in degrees of "
    "the study"
)
METHOD = (
    "one level a bake and Student's t over the bakes of each pit, by its own mixed "
    "linear model where a bake lacks cells; pairs with every pit's own scatter, by "
    "Satterthwaite's degrees of freedom (Cochran and Cox's t where a pit has two "
    "bakes; Student's t of the differences where pits shared all sessions), all pairs "
    "at Sidak's level; near less far third likewise from one difference a bake; cells "
    "of a pit by a linear model with its bakes as a random effect, restricted maximum "
    "likelihood and Kenward-Roger degrees of freedom"
)

ONE_BAKE_EACH = (
    "No pit was measured in more than one bake. One bake cannot show how much bakes of "
    "a pit differ, so levels are given without intervals and hold for these bakes only."
)
ONE_BAKE = (
    "{pit} was measured in one bake, which cannot show how far its bakes scatter: its "
    "level has no interval, and no pair with it a verdict."
)
NO_CELLS = "{pit} has no usable probe reading at a known place, so no level is given."
ONE_CELL = "{pit} was measured at a single place; nothing is known about its evenness."
SAME_PATTERN = (
    "Intervals of the SD and the range over cells, and of single cells, take the heat "
    "to lie alike in every bake; where it does not they are too short."
)
ON_A_CURVE = (
    "The probes did not sit at the same places in all pits, so levels rest on a smooth "
    "curve fitted to each pit along its grate."
)
FEW_READINGS = (
    "With so few readings a smooth curve was fitted to each pit along its grate; "
    "levels and what the ends of a grate differ by rest on it."
)
LOST_CELLS = "Cell means without a usable reading or a place, left out here: {n}."
LOST_BAKES = "These kept bakes have no usable cell temperature: {bakes}."
PLAIN_SD = (
    "{pit}: with so few readings the spread over its cells is the plain SD of the cell "
    "means, probe errors included, for the bakes measured; it has no interval."
)

SAME_PROBE = (
    "Every cell kept the same probe in all bakes, so what a probe reads too high or "
    "too low stays in the differences between cells and in the levels; a standard "
    "thermocouple of type K may be off by {limit} (ASTM E230). Swap probes between "
    "bakes, or check them at one place."
)

_SPREADS = ("spread", "range", "near_minus_far", "bake_sd")


@dataclass(frozen=True, kw_only=True, eq=False)
class CellTemperatures(FrameResult):
    """Level, evenness and repeatability of every pit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_cells, n_readings, estimate, conf_low,
        conf_high, df`` (level over the common places), ``spread`` (SD between the
        true cell temperatures of the pit), ``range`` (hottest less coldest cell),
        ``near_minus_far`` (thirds of the pit's own grates) and ``bake_sd`` (SD of a
        bake's average over the pit's cells), each with its ``_low`` and ``_high``;
        ``hottest`` and ``coldest`` cell in words. NaN where nothing is known.
    cells : pandas.DataFrame
        One row per pit and cell: ``pit, grate, row, column, distance, across, n_bakes,
        estimate, conf_low, conf_high``; intervals hold for the average of bakes.
    bakes : pandas.DataFrame
        One row per bake: ``bake, pit, session, n_cells, estimate``: its level over the
        common places, missing cells allowed for.
    places : pandas.DataFrame
        ``grate, distance, across, cell_weight``: the common places.
    layout_note : str
        What the levels are averaged over, in a sentence.
    shape : {"cells", "curve"}
        Whether the levels are averages of cells or of a curve fitted to each pit.
    unit : str
        "F" or "C".
    """

    table: pd.DataFrame
    cells: pd.DataFrame
    bakes: pd.DataFrame
    places: pd.DataFrame = field(repr=False)
    layout_note: str
    shape: Shape
    unit: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class TemperatureComparison(FrameResult):
    """All pairs of pits: level, evenness and repeatability.

    Attributes
    ----------
    table : pandas.DataFrame
        Level of ``pit_a`` less level of ``pit_b``, with the columns of
        `PitComparison.table`.
    spreads : pandas.DataFrame
        ``pit_a, pit_b, estimate, conf_low, conf_high``: SD over the cells of
        ``pit_a`` less that of ``pit_b``; the intervals allow for all pairs.
    repeatability : pandas.DataFrame
        ``pit_a, pit_b, ratio, conf_low, conf_high``: bake SD of ``pit_a`` over that
        of ``pit_b``; the intervals allow for all pairs.
    levels : CellTemperatures
        What the pairs are made of.
    """

    table: pd.DataFrame
    spreads: pd.DataFrame
    repeatability: pd.DataFrame
    levels: CellTemperatures
    margin: float | None
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def estimate_cell_temperatures(
    study: Study,
    *,
    cells: pd.DataFrame | None = None,
    conf_level: float | None = None,
) -> CellTemperatures:
    """Estimate level, evenness and repeatability of every pit from its probes.

    Parameters
    ----------
    study : Study
        A valid study.
    cells : pandas.DataFrame, optional
        Mean temperature of each cell in each bake: ``bake, pit, grate, row, column,
        temp, n_readings``; from the study's probes when not given.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    CellTemperatures

    Raises
    ------
    DesignError
        If no kept bake has a usable cell temperature.

    Notes
    -----
    A bake counts once, however many probes it had. Levels are averaged over the cells
    that all pits share if these are at least half of each pit's cells, otherwise along
    the stretch that all pits share. The SD over the cells has the error of their means
    taken out. ``bake_sd`` comes from each pit's own bakes by chi-square, which is
    exact with complete cells.

    Examples
    --------
    >>> import pandas as pd
    >>> from pitstats.study import Settings, Study
    >>> study = Study(
    ...     settings=Settings(title="T", question="Q", temperature_rule="tuned",
    ...                       temperature_unit="F"),
    ...     pits=pd.DataFrame({"pit": ["A", "B"]}),
    ...     grates=pd.DataFrame(
    ...         {"pit": ["A", "B"], "grate": "main", "rows": 1, "columns": 2}),
    ...     bakes=pd.DataFrame({"bake": list("1234"), "pit": list("AABB")}),
    ...     counts=pd.DataFrame({"bake": list("1234"), "n_items": 2, "n_burned": 1}),
    ... )
    >>> cells = pd.DataFrame({
    ...     "bake": list("11223344"), "pit": list("AAAABBBB"), "grate": "main",
    ...     "row": 1, "column": [1, 2] * 4, "n_readings": 60,
    ...     "temp": [371, 349, 362, 344, 333, 334, 341, 338]})
    >>> found = estimate_cell_temperatures(study, cells=cells)
    >>> found.table[["pit", "estimate", "near_minus_far"]].round(1)
      pit  estimate  near_minus_far
    0   A     356.5            20.0
    1   B     336.5             1.0
    """
    _, level = look_and_level(study, conf_level)
    return _Estimates(study, cells, level).result()


def compare_temperatures(
    study: Study,
    *,
    cells: pd.DataFrame | None = None,
    margin: float | None = None,
    conf_level: float | None = None,
) -> TemperatureComparison:
    """Compare the pits on temperature, pair by pair.

    Parameters
    ----------
    study : Study
        A valid study.
    cells : pandas.DataFrame, optional
        As for `estimate_cell_temperatures`.
    margin : float, optional
        Smallest difference of levels that would change advice, in degrees of the
        study, stated before the bake.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    TemperatureComparison

    Raises
    ------
    DesignError
        If no kept bake has a usable cell temperature, or the margin is not above 0.

    Notes
    -----
    Differences of SDs recover variances from the two intervals, ratios follow the F
    distribution; with more than two pits both use Bonferroni's level. Ratios take
    bakes of the two pits to be independent; shared sessions make them careful. Levels
    are compared by `stats.mean_differences`: every pit has its own scatter, and no
    verdict is given where the one that scatters more was measured in two bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.compare_temperatures(ps.demo_study("probed_pits"))
    >>> found.table[["pit_a", "pit_b", "estimate", "verdict"]].round(0)
        pit_a  pit_b  estimate  verdict
    0  Quarry  Ferry      31.0  differs
    """
    if margin is not None and not margin > 0:
        raise ArgumentError(f"margin is {margin:g}; it must be above 0 degrees.")
    _, level = look_and_level(study, conf_level)
    estimates = _Estimates(study, cells, level)
    table, pair_notes = pair_table(
        estimates.levels, estimates.bakes, level, margin=margin
    )
    levels = estimates.result()
    return TemperatureComparison(
        table=table,
        spreads=estimates.spread_pairs(),
        repeatability=estimates.repeatability_pairs(),
        levels=levels,
        margin=margin,
        estimand="difference of the levels of two pits, first less second",
        method=METHOD,
        conf_level=level,
        caveats=(*levels.caveats, *pair_notes),
    )


def cell_means(study: Study, cells: pd.DataFrame | None) -> pd.DataFrame:
    """Cell means of the kept bakes: those given, or those of the study's probes."""
    if cells is None:
        cells = summarize_probes(study).cells
    needed = ["bake", "grate", "row", "column", "temp"]
    lacking = [name for name in needed if name not in cells.columns]
    if lacking:
        raise DesignError(
            f"The cell means lack the column {', '.join(lacking)}. They need bake, "
            "grate, row, column and temp."
        )
    return cells if "n_readings" in cells else cells.assign(n_readings=1)


class _Estimates:
    """The fits of one study and what is read off them."""

    def __init__(
        self, study: Study, cells: pd.DataFrame | None, conf_level: float
    ) -> None:
        self.study, self.level = study, conf_level
        self.given = cell_means(study, cells)
        self.frame = place_frame(study, self.given, "temp")
        if self.frame.empty:
            raise DesignError(
                "No kept bake has a usable temperature at a known place. Record grate, "
                "row and column of every probe in the table probes."
            )
        every = [str(pit) for pit in study.pits["pit"]]
        self.model = fit_places(self.frame, every)
        self.pits = self.model.pits
        self.layout = common_places(self.frame, self.pits, "probed cells")
        self.bakes, self.levels = levels_over(self.frame, self.model, self.layout)
        self._spreads: dict[tuple[str, float], Spread] = {}

    def result(self) -> CellTemperatures:
        every = pd.Index(self.study.pits["pit"], name="pit")
        rows = [self._row(pit) for pit in self.pits]
        table = pd.DataFrame(rows).set_index("pit").reindex(every).reset_index()
        counts = ["n_bakes", "n_cells", "n_readings"]
        table[counts] = table[counts].fillna(0).astype(int)
        return CellTemperatures(
            table=table,
            cells=pd.concat([self._cells(p) for p in self.pits], ignore_index=True),
            bakes=self._bakes(),
            places=self.layout.places,
            layout_note=self.layout.note,
            shape=self.layout.shape,
            unit=self.study.settings.temperature_unit or "F",
            estimand=ESTIMAND,
            method=METHOD,
            conf_level=self.level,
            caveats=tuple(self._caveats()),
        )

    def _row(self, pit: str) -> dict[str, Any]:
        own = self.model.cells(pit)
        given = self.given[self.given["bake"].isin(self.frame["bake"])]
        of_pit = given["bake"].map(self.study.bakes.set_index("bake")["pit"]) == pit
        row: dict[str, Any] = {
            "pit": pit,
            "n_bakes": int(self.model.n_bakes[pit]),
            "n_cells": len(own),
            "n_readings": int(given.loc[of_pit, "n_readings"].sum()),
            **level_interval(self.levels, pit, self.level),
        }
        apart, hottest, coldest = self._extremes(pit, own)
        every = (
            self.spread(pit, self.level),
            apart,
            self._near_minus_far(pit),
            self.bake_sd(pit)[0],
        )
        for name, value in zip(_SPREADS, every, strict=True):
            row |= {name: value.estimate}
            row |= {f"{name}_low": value.low, f"{name}_high": value.high}
        return row | {"hottest": hottest, "coldest": coldest}

    def spread(self, pit: str, conf_level: float) -> Spread:
        """SD between the cells of a pit."""
        key = (pit, conf_level)
        if key not in self._spreads:
            self._spreads[key] = self._spread(pit, conf_level)
        return self._spreads[key]

    def _spread(self, pit: str, conf_level: float) -> Spread:
        if self.model.shape == "curve":
            own = self.frame[self.frame["pit"] == pit]
            plain = float(own.groupby("bake")["y"].std().mean())
            return Spread(plain, float("nan"), float("nan"))
        rows = self.model.rows(pit, self.model.cells(pit))
        return spread_of_means(self.model.fit(pit), rows, conf_level)

    def _extremes(self, pit: str, own: pd.DataFrame) -> tuple[Spread, str, str]:
        if self.model.shape == "curve":
            # One reading a cell and bake at most: the readings themselves.
            readings = self.frame[self.frame["pit"] == pit]
            means = readings.groupby(["raw_grate", "row", "column"])["y"].mean()
            values = means.to_numpy(dtype=float)
            apart = Spread(float(np.ptp(values)), float("nan"), float("nan"))
            places = list(means.index)
            hot, cold = places[int(values.argmax())], places[int(values.argmin())]
            apart = apart if len(means) > 1 else UNKNOWN
            return apart, cell_label(*hot), cell_label(*cold)
        rows = self.model.rows(pit, own)
        found = extremes_of_means(self.model.fit(pit), rows, self.level)
        names = own[["raw_grate", "row", "column"]].itertuples(index=False, name=None)
        cells = [cell_label(*place) for place in names]
        return found.range, cells[found.highest], cells[found.lowest]

    @cached_property
    def _falls(self) -> pd.DataFrame:
        """Near less far third of every pit that has cells in both."""
        ends = {pit: end_places(self.model.cells(pit)) for pit in self.pits}
        sides = {pit: two for pit, two in ends.items() if two is not None}
        if not sides:
            return pd.DataFrame()
        return contrasts_over_bakes(self.model, sides, self.level)

    def _near_minus_far(self, pit: str) -> Spread:
        if pit not in self._falls.index:
            return UNKNOWN
        names = ["estimate", "conf_low", "conf_high"]
        middle, low, high = self._falls.loc[pit, names].to_numpy(dtype=float)
        return Spread(float(middle), float(low), float(high))

    def bake_sd(self, pit: str) -> tuple[Spread, float]:
        """SD of a bake's average over the pit's cells, and its degrees of freedom."""
        if int(self.model.n_bakes[pit]) < 2:
            return UNKNOWN, float("nan")
        weights = [1 / len(self.model.cells(pit)), 1.0]
        interval, sd, df = spread_interval(self.model.fit(pit), weights, self.level)
        return Spread(sd, float(interval.low), float(interval.high)), df

    def _cells(self, pit: str) -> pd.DataFrame:
        own = self.model.cells(pit)
        found = self.model.contrast(pit, self.model.rows(pit, own))
        low, high = found.interval(self.level)
        places = ["raw_grate", "row", "column", "distance", "across"]
        table = own[[*places, "n_bakes"]]
        table = table.rename(columns={"raw_grate": "grate"})
        table = table.assign(estimate=found.estimate, conf_low=low, conf_high=high)
        table.insert(0, "pit", pit)
        return table

    def _bakes(self) -> pd.DataFrame:
        """Level of every bake over the common places, missing cells allowed for."""
        table = self.bakes.copy()
        alone = table["session"].str.startswith("\0")
        table["session"] = table["session"].mask(alone, None)
        order = {bake: k for k, bake in enumerate(self.study.bakes["bake"])}
        return table.sort_values("bake", key=lambda b: b.map(order), ignore_index=True)

    def spread_pairs(self) -> pd.DataFrame:
        """Differences of the SDs over the cells."""
        level = self._pair_level()
        found = {pit: self.spread(pit, level) for pit in self.pits}
        rows = [
            (a, b, *difference_of_spreads(found[a], found[b]))
            for a, b in combinations(self.pits, 2)
        ]
        names = ["pit_a", "pit_b", "estimate", "conf_low", "conf_high"]
        return pd.DataFrame(rows, columns=names)

    def repeatability_pairs(self) -> pd.DataFrame:
        """Ratios of the bake SDs."""
        level = self._pair_level()
        found = {pit: self.bake_sd(pit) for pit in self.pits}
        rows = []
        for a, b in combinations(self.pits, 2):
            first, second = ((found[pit][0].estimate, found[pit][1]) for pit in (a, b))
            rows.append((a, b, *ratio_of_spreads(first, second, level)))
        names = ["pit_a", "pit_b", "ratio", "conf_low", "conf_high"]
        return pd.DataFrame(rows, columns=names)

    def _pair_level(self) -> float:
        n_pairs = max(1, len(self.pits) * (len(self.pits) - 1) // 2)
        return 1 - (1 - self.level) / n_pairs

    def _caveats(self) -> list[str]:
        found = [*self._about_bakes(), *self._about_cells()]
        if self.layout.places.empty:
            found.append(self.layout.note)
        elif self.layout.shape == "curve":
            found.append(FEW_READINGS if self.layout.shared else ON_A_CURVE)
        if self.model.shape == "cells" and self.model.n_bakes.max() > 1:
            several = any(len(self.model.cells(pit)) > 1 for pit in self.pits)
            found += [SAME_PATTERN] if several else []
        return found

    def _about_bakes(self) -> list[str]:
        n_bakes = self.model.n_bakes
        once = [str(pit) for pit in n_bakes.index[n_bakes == 1]]
        if n_bakes.max() <= 1:
            found = [ONE_BAKE_EACH]
        else:
            found = [ONE_BAKE.format(pit=pit) for pit in once]
        missing = [p for p in self.study.pits["pit"] if p not in self.pits]
        found += [NO_CELLS.format(pit=pit) for pit in missing]
        return found + lost_bakes(self.study, self.given, self.frame)

    def _about_cells(self) -> list[str]:
        n_cells = {pit: len(self.model.cells(pit)) for pit in self.pits}
        found = [ONE_CELL.format(pit=pit) for pit, n in n_cells.items() if n == 1]
        if self.model.shape == "curve":
            several = [pit for pit, n in n_cells.items() if n > 1]
            found += [PLAIN_SD.format(pit=pit) for pit in several]
        kept = self.study.kept["bake"]
        found += same_probe(self.study)
        n_lost = int(self.given["bake"].isin(kept).sum()) - len(self.frame)
        return found + ([LOST_CELLS.format(n=n_lost)] if n_lost else [])


def lost_bakes(study: Study, given: pd.DataFrame, frame: pd.DataFrame) -> list[str]:
    """Name kept bakes that were measured, or could have been, and give nothing."""
    kept = study.kept["bake"]
    known = set(given["bake"]) | set(study.probes["bake"])
    lost = kept[kept.isin(known) & ~kept.isin(frame["bake"])]
    return [LOST_BAKES.format(bakes=", ".join(map(str, lost)))] if len(lost) else []


def same_probe(study: Study) -> list[str]:
    """Say so where no cell was measured by more than one probe."""
    kept = study.kept[["bake", "pit"]]
    where = ["bake", "probe", "grate", "row", "column"]
    series = study.probes[where].drop_duplicates()
    placed = series.merge(kept, on="bake").dropna(subset=["row", "column"])
    cells = placed.groupby(CELL)
    if placed.empty or (cells["probe"].nunique() > 1).any():
        return []
    checked = set(applied_offsets(probe_offsets(study)))
    if set(placed["probe"]) <= checked:
        # What they read too high or too low was measured and taken off.
        return []
    if (cells["bake"].nunique() == 1).all():
        # One bake: nothing could have been swapped.
        return []
    unit = study.settings.temperature_unit or "F"
    limit = "4 °F" if unit == "F" else "2.2 °C"
    return [SAME_PROBE.format(limit=limit)]
