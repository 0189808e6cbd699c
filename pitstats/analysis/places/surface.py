"""A smooth surface over every grate, to stand beside the counts of its cells."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.places.grate_map import map_cells
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.rates import Outcome
from pitstats.analysis.results import FrameResult
from pitstats.errors import DesignError
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.surface import SurfaceRates, surface_rates
from pitstats.stats.surface_check import cells_against_surface
from pitstats.study.outcomes import item_outcomes
from pitstats.study.schema import CELL
from pitstats.study.study import Study

#: Share of truly smooth grates on which some cell may be marked.
MARK_LEVEL = 0.1
_ESTIMAND = {
    "burned": "chance that an item in this cell burns",
    "underbaked": "chance that an item in this cell is under-baked",
    "good": "chance that an item in this cell is good, every graded face in the target "
    "grades",
}
METHOD = (
    "posterior of a smooth surface (Gaussian process, Matern 3/2, over real distances "
    "within a grate) with an effect for every bake; long-run rate of a grate Beta(1/2, "
    "1/2) and between-bake SD uniform on 0 to 2.5 a priori"
)

SMOOTHED = (
    "The surface is smoothed: every cell borrows from its neighbors on the grate, more "
    "so where few bakes are on record. A single cell unlike all around it is pulled "
    "toward them and can be missed, interval and all: read the surface beside the "
    "counts, not in their place."
)
MARKED = (
    "Cells are marked whose own counts contradict the surface, at a level that marks "
    "some cell on one in ten grates that truly are smooth; a cell without a mark can "
    "still differ from its surface."
)
SAME_SHAPE = (
    "It is taken that a hotter or cooler fire moves all cells of a pit alike; a hot "
    "spot that wanders from bake to bake is not in the model."
)
ONE_BAKE_SURFACE = (
    "{pit} was baked once: its surface speaks of that bake and its fire, not of the "
    "next one."
)
UNTESTED_CELLS = (
    "{pit}: {n} of {total} cells had no item that counts here; what the surface shows "
    "there comes from the other cells and is wide."
)
GRATE_WITHOUT_ITEMS = (
    "{pit}: nothing on grate '{grate}' counts here, so no surface is given."
)
SQUARE_CELLS = (
    "{pits}: the size of the cells is not recorded for every grate; the surface takes "
    "them as square. Fill in cell_length and cell_width in {grates}."
)
GRADES_UNKNOWN = (
    "{n} bakes have graded items whose grades do not tell {outcome} from not; they are "
    "left out here: {bakes}."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SurfaceMap(FrameResult):
    """Smoothed chance of every cell, with its uncertainty and its counts.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per cell of every grate of the pits with placed items: ``pit, grate,
        level, row, column, estimate, conf_low, conf_high, n_items, n_burned,
        n_missing, share, scope, p_contradicts, contradicts``. ``n_items`` counts graded
        items over bakes, ``n_burned`` those with the outcome; ``share`` is their plain
        ratio. ``scope`` is ``"long run"`` where the estimate is averaged over bakes to
        come, ``"this bake"`` for a pit that was baked once. NaN on a grate without
        counted items.
        ``p_contradicts`` is how easily the other cells allow for the cell's own count,
        adjusted for all cells of the grate, and ``contradicts`` whether that is below
        `MARK_LEVEL` (in a pit with two bakes or more): then read the counts there, not
        the surface.
    n_bakes : pandas.Series
        Bakes behind the surface, per pit.
    outcome : {"burned", "underbaked", "good"}
        What was counted.
    draws : ndarray, shape (draws, rows of the table)
        Joint posterior draws of the long-run chance; NaN where nothing is given.
    """

    table: pd.DataFrame
    n_bakes: pd.Series
    outcome: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    draws: NDArray[np.float64] = field(repr=False)


def map_surface(
    study: Study, outcome: Outcome = "burned", conf_level: float | None = None
) -> SurfaceMap:
    """Smooth the cells of every grate, with an interval for each cell.

    Parameters
    ----------
    study : Study
        A valid study with items on known places.
    outcome : {"burned", "underbaked", "good"}, default "burned"
        What to map.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    SurfaceMap
        One row per cell, counts beside the surface.

    Raises
    ------
    DesignError
        If no kept bake has an item with a place and this outcome, or an argument is
        not allowed.

    Notes
    -----
    The unit of replication is the bake. See `stats.surface_rates` for the model and
    its sources. In simulated studies of 2 to 6 bakes (flat, linear, steep-then-flat
    and one-hot-spot grates together) the surface came closer to the true chance of a
    cell than the raw share, and its 95 % band covered 97 % of the cells. A lone hot
    cell amid cold ones is not caught: its band held the truth in about four of ten
    simulated studies. Both are kept in ``tests/calibration/surface.json``. A cell whose
    own counts contradict the surface is marked (`stats.cells_against_surface`).

    Examples
    --------
    >>> import pitstats as ps
    >>> surface = ps.map_surface(ps.demo_study("one_bake_each"))
    >>> set(surface.table["scope"])
    {'this bake'}
    """
    if outcome not in _ESTIMAND:
        allowed = ", ".join(_ESTIMAND)
        raise DesignError(f"outcome {outcome!r} is not one of {allowed}.")
    _, level = look_and_level(study, conf_level)
    counted = count_cells(study, outcome)
    fitted = _fit(study, counted, level)
    table = _table(counted, fitted, level)
    return SurfaceMap(
        table=table,
        n_bakes=counted.n_bakes,
        outcome=outcome,
        estimand=_ESTIMAND[outcome],
        method=METHOD,
        conf_level=level,
        caveats=(
            *_caveats(study, counted, outcome),
            *((MARKED,) if table["contradicts"].any() else ()),
            *_accuracy(fitted.result),
        ),
        draws=fitted.spread_out(fitted.result.draws, len(table)),
    )


class CountedCells(NamedTuple):
    """Cells with their counts, and the items behind them.

    Attributes
    ----------
    cells : pandas.DataFrame
        ``pit, grate, level, row, column, n_items, n_burned, n_missing, share,
        cell_length, cell_width`` of the pits with placed items.
    items : pandas.DataFrame
        Placed items of the counted bakes: `CELL`, ``bake`` and ``outcome`` (1, 0, or
        NaN where it is missing).
    n_bakes : pandas.Series
        Bakes with counted items, per pit of ``cells``.
    unknown : tuple of str
        Bakes left out because their grades do not tell the outcome.
    n_unplaced : int
        Graded items without a place.
    """

    cells: pd.DataFrame
    items: pd.DataFrame
    n_bakes: pd.Series
    unknown: tuple[str, ...]
    n_unplaced: int


def count_cells(study: Study, outcome: Outcome) -> CountedCells:
    """Count an outcome in every cell of every grate."""
    items = item_outcomes(study)
    items["outcome"] = items[outcome].astype(float)
    has_place = items["row"].notna() & items["column"].notna()
    placed = items[has_place]
    unclear = items["burned"].notna() & items["outcome"].isna()
    unknown = tuple(items.loc[unclear, "bake"].drop_duplicates())
    used = placed.loc[~placed["bake"].isin(unknown), [*CELL, "bake", "outcome"]]
    if used["outcome"].notna().sum() == 0:
        raise DesignError(
            "No kept bake has items with a place on the grate and a grade that tells "
            f"{outcome} from not, so its cells cannot be mapped. Fill in row, column "
            "and grades in the table items."
        )
    counts = (
        used.assign(
            n_items=used["outcome"].notna().astype(int),
            n_burned=(used["outcome"] == 1).astype(int),
            n_missing=used["outcome"].isna().astype(int),
        )
        .groupby(CELL, sort=False)[["n_items", "n_burned", "n_missing"]]
        .sum()
        .reset_index()
    )
    grid = map_cells(study)[[*CELL[:2], "level", *CELL[2:]]]
    cells = grid.merge(counts, how="left", on=CELL)
    numbers = ["n_items", "n_burned", "n_missing"]
    cells[numbers] = cells[numbers].fillna(0).astype(int)
    cells["share"] = cells["n_burned"] / cells["n_items"].where(cells["n_items"] > 0)
    sizes = study.grates[["pit", "grate", "cell_length", "cell_width"]]
    cells = cells.merge(sizes, how="left", on=["pit", "grate"])
    graded = used[used["outcome"].notna()]
    n_bakes = graded.groupby("pit", sort=False)["bake"].nunique()
    pits = [pit for pit in study.pits["pit"] if pit in set(cells["pit"])]
    n_unplaced = int((items["burned"].notna() & ~has_place).sum())
    n_bakes = n_bakes.reindex(pits, fill_value=0)
    return CountedCells(cells, used, n_bakes, unknown, n_unplaced)


class _Fitted(NamedTuple):
    """A surface and the rows of the table that it is about."""

    result: SurfaceRates
    rows: NDArray[np.intp]

    def spread_out(self, draws: FloatArray, n_rows: int) -> NDArray[np.float64]:
        """Draws for all rows of the table, NaN where nothing was fitted."""
        out = np.full((len(draws), n_rows), np.nan)
        out[:, self.rows] = draws
        return out


def _fit(study: Study, counted: CountedCells, level: float) -> _Fitted:
    """Fit the cells of all grates with counted items, all pits together."""
    cells = counted.cells
    tested = cells.groupby(["pit", "grate"])["n_items"].transform("sum") > 0
    rows = np.flatnonzero(tested.to_numpy())
    own = cells.iloc[rows].reset_index(drop=True)
    graded = counted.items[counted.items["outcome"].notna()]
    position = own[CELL].assign(cell=np.arange(len(own)))
    graded = graded.merge(position, how="left", on=CELL)
    pit_code, grate_code = _codes(own["pit"]), _codes(own["pit"] + "\n" + own["grate"])
    length, width = _cell_sizes(own)
    place = np.column_stack(
        [(own["column"] - 0.5) * length, (own["row"] - 0.5) * width]
    ).astype(float)
    result = _cached(
        tuple(graded["outcome"].astype(int)),
        tuple(graded["bake"]),
        tuple(graded["cell"].astype(int)),
        tuple(map(tuple, place.round(9).tolist())),
        grate_code,
        pit_code,
        level,
    )
    return _Fitted(result, rows)


def _codes(labels: pd.Series) -> tuple[int, ...]:
    return tuple(int(code) for code in pd.factorize(labels)[0])


def _cell_sizes(
    cells: pd.DataFrame,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Length and width of cells; square where only one or none is recorded."""
    length = cells["cell_length"].to_numpy(dtype=float, na_value=np.nan)
    width = cells["cell_width"].to_numpy(dtype=float, na_value=np.nan)
    length = np.where(np.isnan(length), np.where(np.isnan(width), 1.0, width), length)
    return length, np.where(np.isnan(width), length, width)


# The map of a report and the usable area ask for the same surface.
@lru_cache(maxsize=4)
def _cached(
    outcome: tuple[int, ...],
    bake: tuple[str, ...],
    cell: tuple[int, ...],
    place: tuple[tuple[float, float], ...],
    grate: tuple[int, ...],
    pit: tuple[int, ...],
    level: float,
) -> SurfaceRates:
    total = np.ones(len(outcome), dtype=int)
    return surface_rates(outcome, total, np.array(bake), cell, place, grate, pit, level)


def _table(counted: CountedCells, fitted: _Fitted, level: float) -> pd.DataFrame:
    """Counts beside estimates; of a pit that was baked once, those of this bake."""
    table = counted.cells.drop(columns=["cell_length", "cell_width"])
    result, n = fitted.result, len(table)
    once = (table["pit"].map(counted.n_bakes) <= 1).to_numpy()
    here = fitted.spread_out(result.here, n)
    tail = (1 - level) / 2
    ends = np.full((2, n), np.nan)
    ends[:, fitted.rows] = result.low, result.high
    ends[:, once] = np.quantile(here[:, once], [tail, 1 - tail], axis=0)
    # As for rates: an end is open where none or all of the pit's items count.
    of_pit = table.groupby("pit")[["n_items", "n_burned"]].transform("sum")
    none, every = of_pit["n_burned"] == 0, of_pit["n_burned"] == of_pit["n_items"]
    known = ~np.isnan(ends[0])
    ends[0, once & none & known] = 0.0
    ends[1, once & every & known] = 1.0
    estimate = np.full(n, np.nan)
    estimate[fitted.rows] = result.estimate
    estimate[once] = here[:, once].mean(axis=0)
    at = int(np.flatnonzero(table.columns == "n_items")[0])
    for name, values in zip(
        ("conf_high", "conf_low", "estimate"), (ends[1], ends[0], estimate), strict=True
    ):
        table.insert(at, name, values)
    scope = np.where(once, "this bake", "long run")
    table["scope"] = pd.Series(scope, index=table.index, dtype="str")
    rows = fitted.rows
    table["p_contradicts"] = np.nan
    table.loc[table.index[rows], "p_contradicts"] = cells_against_surface(
        result.here,
        table["n_burned"].to_numpy()[rows],
        table["n_items"].to_numpy()[rows],
        np.array(_codes(table["pit"] + "\n" + table["grate"]))[rows],
    )
    # A single item in a cell is its surface's only witness there.
    table["contradicts"] = (table["p_contradicts"] < MARK_LEVEL) & ~once
    return table


def _caveats(study: Study, counted: CountedCells, outcome: Outcome) -> tuple[str, ...]:
    """Everything to know about a surface."""
    cells = counted.cells
    found = [*model_notes(counted)]
    tested = cells.groupby(["pit", "grate"])["n_items"].transform("sum") > 0
    for pit, own in cells[tested].groupby("pit", sort=False):
        bare = int((own["n_items"] == 0).sum())
        if bare:
            found.append(UNTESTED_CELLS.format(pit=pit, n=bare, total=len(own)))
    unsized = cells[["cell_length", "cell_width"]].isna().any(axis=1)
    if unsized.any():
        pits = ", ".join(cells.loc[unsized, "pit"].drop_duplicates())
        found.append(SQUARE_CELLS.format(pits=pits, grates=study.form.file("grates")))
    kept = study.kept["bake"]
    bakes = kept[kept.isin(study.counts["bake"])]
    if len(bakes):
        found.append(notes.NO_PLACES.format(n=len(bakes), bakes=", ".join(bakes)))
    if counted.unknown:
        found.append(
            GRADES_UNKNOWN.format(
                n=len(counted.unknown),
                outcome=outcome,
                bakes=", ".join(counted.unknown),
            )
        )
    if counted.n_unplaced:
        found.append(notes.ITEMS_UNPLACED.format(n=counted.n_unplaced))
    n_missing = int(cells["n_missing"].sum())
    if n_missing:
        found.append(notes.MISSING_LEFT_OUT.format(n=n_missing))
    return tuple(found)


def _accuracy(result: SurfaceRates) -> tuple[str, ...]:
    return notes.few_draws(float(result.ess.min()))


def model_notes(counted: CountedCells) -> tuple[str, ...]:
    """What to know about the model behind a surface, and where it is silent."""
    found = [SMOOTHED, SAME_SHAPE]
    found += [
        ONE_BAKE_SURFACE.format(pit=pit) for pit, n in counted.n_bakes.items() if n == 1
    ]
    for (pit, grate), own in counted.cells.groupby(["pit", "grate"], sort=False):
        if own["n_items"].sum() == 0:
            found.append(GRATE_WITHOUT_ITEMS.format(pit=pit, grate=grate))
    return tuple(found)
