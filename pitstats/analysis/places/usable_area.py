"""How much of the grate can be used: cells in the target grade, as share and area."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from pitstats.analysis import caveats as notes
from pitstats.analysis.places.surface import (
    CountedCells,
    SurfaceMap,
    count_cells,
    map_surface,
    model_notes,
)
from pitstats.analysis.rates.compare import pair_table
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import PAIR_COLUMNS, judged, pair_rows
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.rates.rates import (
    METHOD,
    estimate_shares,
    shares_with_missing,
)
from pitstats.analysis.results import BurnRates, FrameResult
from pitstats.errors import ArgumentError
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.weighted_draws import summarize_pairs
from pitstats.study.schema import CELL
from pitstats.study.study import Study

ESTIMAND = (
    "long-run share of tested cells whose item is good (every graded face in the "
    "target grades), averaged over bakes, and the area of those cells"
)
SHARE_METHOD = METHOD.replace("burn rates", "shares of good items")
MAX_FUTURE = 5

NO_CELL_SIZE = (
    "{pits}: cell_length and cell_width are not both recorded for every grate, so the "
    "usable area is given as a share only."
)
UNEQUAL_CELLS = (
    "{pits}: cells of different size. The share counts cells; the area comes from the "
    "smooth surface, which weighs each cell by its size."
)
UNTESTED = (
    "{pit}: {n} of {total} cells had no graded item. Share and area speak of the "
    "tested cells only."
)
UNEVEN_TEST = (
    "{pit}: not every tested cell was graded equally often, so cells with more graded "
    "items weigh more in its share."
)
UNPLACED = (
    "Graded items without a place on the grate, counted in the share, not in the "
    "cells: {n}."
)
MORE_BAKES_FEWER = (
    "The number of cells good in every bake falls with every further bake, so it is "
    "not compared between pits with different numbers of bakes; the chance of staying "
    "good through the same number of coming bakes is."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class UsableArea(FrameResult):
    """Cells in the target grade: shares, areas, cell by cell, and pit against pit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_items, n_good, n_missing, lowest, highest,
        estimate, conf_low, conf_high, cells, cells_tested, area_tested, area,
        area_low, area_high``. ``estimate`` is the long-run share of good items with
        its interval; ``lowest`` and ``highest`` are the shares seen if none or all
        missing items had been good. ``area`` is that share of ``area_tested``, in
        square length units; NaN where cell sizes are not recorded.
    grates : pandas.DataFrame
        The same per ``pit, grate``, for pits with two grates or more.
    every : pandas.DataFrame
        One row per pit: ``pit, n_bakes`` (with graded items), ``cells_complete``
        (graded in all of them), ``n_every`` (of those, good in all of them),
        ``n_lowest, n_highest`` (of all its cells with items, if every item that is
        missing or was not placed had been bad, or good), ``share, area_every``.
    future : pandas.DataFrame
        ``pit, bakes, estimate, conf_low, conf_high, area, area_low, area_high``: mean
        chance that a tested cell is good in each of the next 1 to 5 bakes, from the
        surface. Not given for a pit that was baked once.
    cells : pandas.DataFrame
        One row per cell, columns of `SurfaceMap.table` with ``n_good`` for
        ``n_burned``, and ``every``: whether the cell was good in every bake of its
        pit ("yes", "no", or "unknown" where an item is missing). ``estimate`` is the
        chance that the cell is good in the next bake, a fire like any other of the
        pit; for a pit baked once, in this bake.
    differences : pandas.DataFrame
        ``measure`` ("share", "area", "every share", "every area") with the columns of
        `PitComparison.table`.
    bakes : pandas.DataFrame
        One row per bake: ``bake, pit, n_items, n_good, n_missing, share, area``;
        ``area`` is that share of the pit's tested area.
    surface : SurfaceMap
        The surface behind ``cells``.
    unit : str
        Square length unit, ``"sq in"`` or ``"sq cm"``; empty without cell sizes.
    next_bakes : int
        Coming bakes in "every share" and "every area".
    """

    table: pd.DataFrame
    grates: pd.DataFrame
    every: pd.DataFrame
    future: pd.DataFrame
    cells: pd.DataFrame
    differences: pd.DataFrame
    bakes: pd.DataFrame
    unit: str
    next_bakes: int
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    surface: SurfaceMap = field(repr=False)

    @property
    def one_bake_each(self) -> bool:
        """Whether no pit was baked more than once, so that no verdict is given."""
        return bool(self.table["n_bakes"].max() <= 1)


def estimate_usable_area(
    study: Study, *, next_bakes: int = 3, conf_level: float | None = None
) -> UsableArea:
    """Estimate how much of each pit's grates bakes to the target grade.

    Parameters
    ----------
    study : Study
        A valid study with graded items on known places.
    next_bakes : int, default 3
        Coming bakes, 1 to 5, for "good in every one of the next bakes".
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    UsableArea

    Raises
    ------
    DesignError
        If no kept bake has placed items with grades, or an argument is not allowed.

    Notes
    -----
    The unit of replication is the bake. The long-run share is that of
    `estimate_shares`; the area is the share times the area of the tested cells.
    "Good in every coming bake" is the mean over tested cells of ``p ** m``, ``p`` the
    long-run chance of a cell in a draw of `map_surface`; bakes to come are independent
    given the surface. Missing items count as missing, neither good nor bad.

    Examples
    --------
    >>> import pitstats as ps
    >>> area = ps.estimate_usable_area(ps.demo_study("four_pits"))
    >>> area.unit
    'sq in'
    >>> bool((area.table["area"] <= area.table["area_tested"]).all())
    True
    """
    if next_bakes not in range(1, MAX_FUTURE + 1):
        raise ArgumentError(
            f"next_bakes is {next_bakes}; it must be a whole number from 1 to "
            f"{MAX_FUTURE}."
        )
    _, level = look_and_level(study, conf_level)
    counted = count_cells(study, "good")
    surface = map_surface(study, "good", level)
    shares = estimate_shares(study, "good", level)
    cells = _cells(surface, counted)
    draws = _draws(shares, surface, cells, level)
    unit = f"sq {study.settings.length_unit}" if cells["area"].notna().any() else ""
    table = _pit_table(shares, cells, draws, level)
    return UsableArea(
        table=table,
        grates=_grate_table(counted, cells, level),
        every=_every_table(cells, counted),
        future=_future(draws, level),
        cells=cells.drop(columns=["tested", "complete"]),
        differences=_differences(draws, next_bakes, level),
        bakes=_bake_table(shares, table),
        unit=unit,
        next_bakes=next_bakes,
        estimand=ESTIMAND,
        method=f"{SHARE_METHOD}. Cells: {surface.method}",
        conf_level=level,
        caveats=_caveats(shares, counted, cells, table),
        surface=surface,
    )


def _cells(surface: SurfaceMap, counted: CountedCells) -> pd.DataFrame:
    """Cells with their area and whether each was good in every bake of its pit."""
    cells = surface.table.rename(columns={"n_burned": "n_good"})
    size = counted.cells[["cell_length", "cell_width"]].astype(float)
    cells["area"] = size["cell_length"].to_numpy() * size["cell_width"].to_numpy()
    cells["tested"] = cells["n_items"] > 0
    items = counted.items
    graded = items[items["outcome"].notna()]
    # A bake that was lost as a whole is no bake of the pit here.
    lost = items[items["outcome"].isna() & items["bake"].isin(graded["bake"])]
    by_cell = pd.DataFrame(
        {
            "in_bakes": graded.groupby(CELL)["bake"].nunique(),
            "worst": graded.groupby(CELL)["outcome"].min(),
            "lost": lost.groupby(CELL).size(),
        }
    )
    seen = cells[CELL].merge(by_cell.reset_index(), how="left", on=CELL)
    n_bakes = cells["pit"].map(counted.n_bakes)
    complete = seen["in_bakes"].eq(n_bakes) & seen["lost"].isna()
    every = np.where(seen["worst"] < 1, "no", np.where(complete, "yes", "unknown"))
    cells["every"] = pd.Series(every, index=cells.index, dtype="str")
    cells["complete"] = complete
    return cells


class _Draws(NamedTuple):
    """Joint draws for pits with tested cells, in the order of the study.

    Attributes
    ----------
    bakes : pandas.DataFrame
        Bakes that carry the outcome, as `bake_posterior` wants them.
    n_bakes : pandas.Series
        Their number per pit.
    area : dict of str to ndarray
        Draws of the area good in the long run; pits without cell sizes are left out.
    alike : dict of str to bool
        Whether the area is the share times the tested area: cells of one size.
    cells, areas : dict of str to ndarray
        Draws of the tested cells' chances, and the areas of these cells.
    extreme : dict of str to int
        0 for pits without a good item, 1 for those with no other; the rest are left
        out.
    """

    bakes: pd.DataFrame
    n_bakes: pd.Series
    area: dict[str, FloatArray]
    alike: dict[str, bool]
    cells: dict[str, FloatArray]
    areas: dict[str, FloatArray]
    extreme: dict[str, int]


def _draws(
    shares: BurnRates, surface: SurfaceMap, cells: pd.DataFrame, level: float
) -> _Draws:
    """Draws of areas from the counts of bakes, or from the surface."""
    own_bakes = shares.bakes
    used = own_bakes["n_burned"].notna() & (own_bakes["n_items"] > 0)
    n_bakes = shares.table.set_index("pit")["n_bakes"]
    chances: dict[str, FloatArray] = {}
    areas: dict[str, FloatArray] = {}
    for pit in shares.table["pit"]:
        own = (cells["pit"].eq(pit) & cells["tested"]).to_numpy()
        if own.any():
            chances[pit] = surface.draws[:, own]
            areas[pit] = cells.loc[own, "area"].to_numpy(dtype=float)
    alike = {pit: _one_size(area) for pit, area in areas.items()}
    posterior = bake_posterior(own_bakes[used], level)
    # The surface has fewer draws; all pits take as many as the one with the fewest.
    n_draws = None if all(alike.values()) else len(surface.draws)
    rates = posterior.fixed_draws(n_draws).T
    rate = dict(zip(posterior.pits, rates, strict=True))
    area = {
        pit: rate[pit] * own.sum() if alike[pit] else chances[pit] @ own
        for pit, own in areas.items()
        if not np.isnan(own).any()
    }
    share = own_bakes[used].groupby("pit")[["n_burned", "n_items"]].sum()
    extreme = {
        str(pit): int(good > 0)
        for pit, good, total in share.itertuples()
        if good in (0, total)
    }
    return _Draws(own_bakes[used], n_bakes, area, alike, chances, areas, extreme)


def _one_size(areas: FloatArray) -> bool:
    """Whether all cells are equally large, as far as is known."""
    return bool(np.isnan(areas).any() or np.ptp(areas) <= 1e-9 * areas.max())


def _pit_table(
    shares: BurnRates, cells: pd.DataFrame, draws: _Draws, level: float
) -> pd.DataFrame:
    """Shares with their areas, one row per pit."""
    table = shares.table.rename(columns={"n_burned": "n_good"})
    table = table.drop(columns="effective_items")
    seen = shares_with_missing(shares.table)
    for name in ("lowest", "highest"):
        table.insert(int(np.flatnonzero(table.columns == "estimate")[0]), name, 0.0)
        table[name] = seen[name].to_numpy()
    of_pit = cells.groupby("pit")
    table["cells"] = table["pit"].map(of_pit.size()).fillna(0).astype(int)
    tested = cells[cells["tested"]].groupby("pit")["area"]
    table["cells_tested"] = table["pit"].map(tested.size()).fillna(0).astype(int)
    table["area_tested"] = table["pit"].map(tested.sum(min_count=1))
    known = table["pit"].isin(draws.area)
    table.loc[~known, "area_tested"] = np.nan
    for area, share in _AREA_OF.items():
        table[area] = table["area_tested"] * table[share]
    tail = (1 - level) / 2
    for pit, drawn in draws.area.items():
        if not draws.alike[pit]:
            ends = np.quantile(drawn, [tail, 1 - tail])
            row = table["pit"] == pit
            table.loc[row, list(_AREA_OF)] = [float(drawn.mean()), *map(float, ends)]
            # As for the share: none good may mean none, all good may mean all.
            table.loc[row & (table["n_good"] == 0), "area_low"] = 0.0
            all_good = row & (table["n_good"] == table["n_items"])
            table.loc[all_good, "area_high"] = table["area_tested"]
    return table


_AREA_OF = {"area": "estimate", "area_low": "conf_low", "area_high": "conf_high"}


def _grate_table(
    counted: CountedCells, cells: pd.DataFrame, level: float
) -> pd.DataFrame:
    """The same per grate, for pits with tested cells on two grates or more.

    Grates enter the posterior as pits do: with rates of their own and a common SD
    between bakes.
    """
    graded = counted.items[counted.items["outcome"].notna()]
    bakes = (
        graded.groupby(["pit", "grate", "bake"], sort=False)["outcome"]
        .agg(n_items="size", n_burned="sum")
        .reset_index()
    )
    several = bakes.groupby("pit")["grate"].nunique()
    wanted = set(several.index[several > 1])
    columns = ["pit", "grate", "n_bakes", "n_items", "n_good", "estimate"]
    columns += ["conf_low", "conf_high", "cells_tested", "area_tested", *_AREA_OF]
    if not wanted:
        return pd.DataFrame(columns=columns)
    labels = list(zip(bakes["pit"], bakes["grate"], strict=True))
    names = {label: str(i) for i, label in enumerate(dict.fromkeys(labels))}
    # Grates stand in for pits here, so a session that holds two says nothing of days.
    posterior = bake_posterior(
        bakes.assign(pit=[names[label] for label in labels], session=None), level
    )
    place = {name: i for i, name in enumerate(posterior.pits)}
    rates = posterior.result.rates
    rows = []
    for (pit, grate), name in names.items():
        if pit not in wanted:
            continue
        own = bakes[(bakes["pit"] == pit) & (bakes["grate"] == grate)]
        here = cells[
            (cells["pit"] == pit) & (cells["grate"] == grate) & cells["tested"]
        ]
        area = float(here["area"].sum(skipna=False))
        ends = [
            float(values[place[name]])
            for values in (rates.estimate, rates.low, rates.high)
        ]
        counts = [len(own), int(own["n_items"].sum()), int(own["n_burned"].sum())]
        rows.append(
            [pit, grate, *counts, *ends, len(here), area, *(area * e for e in ends)]
        )
    return pd.DataFrame(rows, columns=columns)


def _every_table(cells: pd.DataFrame, counted: CountedCells) -> pd.DataFrame:
    """Cells good in every bake so far, and how missing items could change that."""
    placed = cells[cells["n_items"] + cells["n_missing"] > 0]
    rows = []
    for pit, own in placed.groupby("pit", sort=False):
        good = own["every"] == "yes"
        complete = int(own["complete"].sum())
        unknown = int((own["every"] == "unknown").sum())
        rows.append(
            {
                "pit": pit,
                "n_bakes": int(counted.n_bakes[pit]),
                "cells_complete": complete,
                "n_every": int(good.sum()),
                "n_lowest": int((good & (own["n_missing"] == 0)).sum()),
                "n_highest": int(good.sum()) + unknown,
                "share": good.sum() / complete if complete else np.nan,
                "area_every": float(own.loc[good, "area"].sum())
                if own["area"].notna().all()
                else np.nan,
            }
        )
    return pd.DataFrame(rows)


def _future(draws: _Draws, level: float) -> pd.DataFrame:
    """Mean chance of a tested cell to be good in each of the next bakes."""
    tail = (1 - level) / 2
    rows = []
    for pit, chance in draws.cells.items():
        if draws.n_bakes[pit] < 2:
            continue
        for m in range(1, MAX_FUTURE + 1):
            row: dict[str, object] = {"pit": pit, "bakes": m}
            for prefix, drawn, most in (
                ("", (chance**m).mean(axis=1), 1.0),
                ("area", chance**m @ draws.areas[pit], draws.areas[pit].sum()),
            ):
                low, high = np.quantile(drawn, [tail, 1 - tail])
                # As for shares: an end is open where none or all were good.
                low = 0.0 if draws.extreme.get(pit) == 0 else low
                high = most if draws.extreme.get(pit) == 1 else high
                row[prefix or "estimate"] = float(drawn.mean())
                row[f"{prefix or 'conf'}_low"] = float(low)
                row[f"{prefix or 'conf'}_high"] = float(high)
            rows.append(row)
    columns = ["pit", "bakes", "estimate", "conf_low", "conf_high", *_AREA_OF]
    return pd.DataFrame(rows, columns=columns)


def _differences(draws: _Draws, next_bakes: int, level: float) -> pd.DataFrame:
    """All pairs of pits by share, by area, and through the coming bakes."""
    often = [pit for pit in draws.cells if draws.n_bakes[pit] > 1]
    every = {pit: draws.cells[pit] ** next_bakes for pit in often}
    measures = {
        "area": draws.area,
        "every share": {pit: own.mean(axis=1) for pit, own in every.items()},
        "every area": {
            pit: own @ draws.areas[pit]
            for pit, own in every.items()
            if pit in draws.area
        },
    }
    frames = []
    pits = list(draws.cells)
    if len(pits) > 1:
        bakes = draws.bakes[draws.bakes["pit"].isin(pits)]
        frames.append(pair_table(bakes, pits, level, None).assign(measure="share"))
    for measure, columns in measures.items():
        if len(columns) < 2:
            continue
        n_draws = len(next(iter(columns.values())))
        table = pair_rows(
            summarize_pairs(
                np.stack(list(columns.values())), np.full(n_draws, 1 / n_draws), level
            ),
            list(columns),
            list(columns),
        )
        table = judged(table, margin=None, n_bakes=draws.n_bakes)
        frames.append(table.assign(measure=measure))
    names = ["measure", *PAIR_COLUMNS]
    if not frames:
        return pd.DataFrame(columns=names)
    joined: pd.DataFrame = pd.concat(frames, ignore_index=True)[names]
    return joined


def _bake_table(shares: BurnRates, table: pd.DataFrame) -> pd.DataFrame:
    """Share of every bake, and that share of its pit's tested area."""
    columns = {"n_burned": "n_good"}
    bakes = shares.bakes.rename(columns=columns)
    bakes = bakes[["bake", "pit", "n_items", "n_good", "n_missing", "share"]].copy()
    tested = table.set_index("pit")["area_tested"]
    bakes["area"] = bakes["share"] * bakes["pit"].map(tested)
    return bakes


def _caveats(
    shares: BurnRates, counted: CountedCells, cells: pd.DataFrame, table: pd.DataFrame
) -> tuple[str, ...]:
    # The table itself gives the range that missing items leave open.
    missing = notes.MISSING.format(n=int(table["n_missing"].sum()))
    found = [note for note in shares.caveats if note != missing]
    found += model_notes(counted)
    if counted.n_unplaced:
        found.append(UNPLACED.format(n=counted.n_unplaced))
    for row in table.to_dict("records"):
        if 0 < row["cells_tested"] < row["cells"]:
            n = row["cells"] - row["cells_tested"]
            found.append(UNTESTED.format(pit=row["pit"], n=n, total=row["cells"]))
    found += _size_notes(cells[cells["tested"]])
    if table["n_bakes"].max() > 1:
        found.append(MORE_BAKES_FEWER)
    return tuple(found)


def _size_notes(tested: pd.DataFrame) -> list[str]:
    """Where cells are unequal, in size or in how often they were tested."""
    found, unsized, unequal = [], [], []
    for pit, own in tested.groupby("pit", sort=False):
        times = own["n_items"] + own["n_missing"]
        if times.min() < times.max():
            found.append(UNEVEN_TEST.format(pit=pit))
        if own["area"].isna().any():
            unsized.append(str(pit))
        elif not _one_size(own["area"].to_numpy(dtype=float)):
            unequal.append(str(pit))
    if unsized:
        found.append(NO_CELL_SIZE.format(pits=", ".join(unsized)))
    if unequal:
        found.append(UNEQUAL_CELLS.format(pits=", ".join(unequal)))
    return found
