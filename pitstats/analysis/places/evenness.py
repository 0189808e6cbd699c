"""How evenly does each pit burn? Near against far, upper against lower, two faces."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.model.data import with_grates
from pitstats.analysis.model.formula import find_aliases
from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import (
    PAIR_COLUMNS,
    judged,
    pair_rows,
    withheld_caveats,
)
from pitstats.analysis.results import Evenness, PartTables
from pitstats.errors import DesignError
from pitstats.stats.evenness import PartRates, part_rates
from pitstats.study.grading import face_codes
from pitstats.study.outcomes import bake_totals, item_outcomes
from pitstats.study.study import Study

METHOD = (
    "posterior of a logistic model whose bakes differ in level and in their fall along "
    "the grate, by weighted draws; the thirds of each pit are parts of a whole that is "
    "Beta(1/2, 1/2) a priori; between-bake SD of each pit half-normal(1.5) up to 2.5 "
    "(logit scale) with scores correlated by 1/2 between pits, SD of the fall "
    "half-normal(2); other slopes log-F(1,1)"
)
ESTIMAND = (
    "long-run burn rates in the near, middle and far third of each pit's own grates, "
    "averaged over bakes, and the fall from near to far"
)

_THIRDS = ("near", "middle", "far")
_FIRST, _LAST = 0, 2
_STEPS = 12
# Two parts a pit settle sooner than three.
_DRAWS_OF_TWO = 8192


def compare_evenness(study: Study, conf_level: float | None = None) -> Evenness:
    """Compare how evenly the pits burn, from the firebox to the far end.

    Parameters
    ----------
    study : Study
        A valid study with graded items on known places.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    Evenness
        Burn rates of the thirds with their fall, all pairs of pits, and the same for
        upper against lower grates and for bottoms against tops where recorded.

    Raises
    ------
    DesignError
        If no graded item has a place.

    Notes
    -----
    See `stats.part_rates` for the model, its priors and its sources. The thirds are
    those of the pit's own grate; a cell on a border is middle. A third is averaged
    over the pit's own graded items in it, grates allowed for. The fall is a contrast
    within bakes, so one bake can show it, for that bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> evenness = ps.compare_evenness(ps.demo_study("one_bake_each"))
    >>> evenness.table[["near", "middle", "far"]].shape
    (2, 3)
    """
    _, level = look_and_level(study, conf_level)
    items = item_outcomes(study)
    graded = items[items["burned"].notna()]
    placed = with_grates(study, graded[graded["distance"].notna()])
    if placed.empty:
        raise DesignError(
            "No kept bake has graded items with a place on the grate. Evenness needs "
            "row and column of every item in the table items."
        )
    thirds = _thirds(study, placed, level)
    grates, unknown = _grates(study, placed, level)
    both_faces = _with_both_faces(study, graded)
    n_bakes = placed.groupby("pit")["bake"].nunique()
    return Evenness(
        table=thirds.table,
        differences=thirds.differences,
        grates=grates.table,
        grate_differences=grates.differences,
        part_faces=partial(_faces, study, both_faces, level),
        n_bakes=n_bakes.reindex(study.pits["pit"], fill_value=0),
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=tuple(
            dict.fromkeys(
                [
                    *_data_caveats(study, graded, placed),
                    *thirds.caveats,
                    *(notes.LEVELS_UNKNOWN.format(pit=pit) for pit in unknown),
                ]
            )
        ),
    )


class _Entries(NamedTuple):
    """Items for `part_rates`: 0/1 outcomes, codes, and the pits of the codes."""

    burned: NDArray[np.intp]
    pit: NDArray[np.intp]
    bake: NDArray[np.str_]
    part: NDArray[np.intp]
    pits: list[str]

    def rates(
        self,
        level: float,
        X: NDArray[np.float64] | None = None,
        layout: NDArray[np.float64] | None = None,
        n_draws: int | None = None,
    ) -> PartRates:
        total = np.ones_like(self.burned)
        return part_rates(
            self.burned,
            total,
            self.pit,
            self.bake,
            self.part,
            X,
            layout,
            level,
            n_draws=n_draws,
        )

    @property
    def n_bakes(self) -> pd.Series:
        return pd.Series(self.bake).groupby(self.pit).nunique().set_axis(self.pits)


def _entries(
    study: Study, items: pd.DataFrame, part: pd.Series, burned: pd.Series
) -> _Entries:
    pits = [p for p in study.pits["pit"] if p in set(items["pit"])]
    code = {pit: i for i, pit in enumerate(pits)}
    return _Entries(
        burned.to_numpy().astype(np.intp),
        items["pit"].map(code).to_numpy().astype(np.intp),
        items["bake"].to_numpy(dtype=str),
        part.to_numpy().astype(np.intp),
        pits,
    )


# --- thirds -------------------------------------------------------------------------


def _thirds(study: Study, placed: pd.DataFrame, level: float) -> PartTables:
    third = third_of_grate(placed["distance"])
    part = third.map({name: i for i, name in enumerate(_THIRDS)})
    entries = _entries(study, placed, part, placed["burned"])
    X = _grate_columns(placed, entries)
    found = entries.rates(level, X if X.shape[1] else None)
    table = pd.DataFrame({"pit": entries.pits})
    for name, column in zip(_THIRDS, found.parts.estimate.T, strict=True):
        table[name] = column
    table["near_minus_far"] = found.near_minus_far.estimate
    table["conf_low"] = found.near_minus_far.low
    table["conf_high"] = found.near_minus_far.high
    for i, name in enumerate(_THIRDS):
        table[f"{name}_low"] = found.parts.low[:, i]
        table[f"{name}_high"] = found.parts.high[:, i]
    caveats = [notes.ALL_OR_NONE] if found.cap_mass > 0.5 else []
    for pit, row in table.set_index("pit")[list(_THIRDS)].iterrows():
        caveats += [
            notes.THIRD_WITHHELD.format(pit=pit, third=name)
            for name in _THIRDS
            if np.isnan(row[name])
        ]
    pairs = _pairs(found, entries)
    caveats += withheld_caveats(pairs, entries.n_bakes)
    return PartTables(_all_pits(study, table), pairs, (*caveats, *_partly_used(placed)))


def _partly_used(placed: pd.DataFrame) -> list[str]:
    """Say so where a third has items, but not in all of its columns."""
    found = []
    for pit, own in placed.groupby("pit", sort=False):
        used, there = dict.fromkeys(_THIRDS, 0), dict.fromkeys(_THIRDS, 0)
        for _, on_grate in own.groupby("raw_grate"):
            n_columns = int(on_grate["columns"].iloc[0])
            every = pd.Series((np.arange(n_columns) + 0.5) / n_columns)
            distinct = pd.Series(on_grate["distance"].unique())
            for third in _THIRDS:
                used[third] += int((third_of_grate(distinct) == third).sum())
                there[third] += int((third_of_grate(every) == third).sum())
        found += [
            notes.THIRD_PARTLY_USED.format(pit=pit, third=third)
            for third in _THIRDS
            if 0 < used[third] < there[third]
        ]
    return found


def _grate_columns(placed: pd.DataFrame, entries: _Entries) -> NDArray[np.float64]:
    """One column per grate that the thirds of the pits do not determine."""
    names = sorted(placed["grate"].dropna().unique())
    columns = np.column_stack(
        [(placed["grate"] == name).to_numpy(dtype=float) for name in names[1:]]
        or [np.empty((len(placed), 0))]
    )
    third = np.unique(entries.pit * 3 + entries.part, return_inverse=True)[1]
    aliasing = find_aliases(names[1:], columns, third.reshape(-1).astype(np.intp))
    return np.asarray(columns[:, ~aliasing.aliased])


def _all_pits(study: Study, table: pd.DataFrame) -> pd.DataFrame:
    """Rows of all pits of the study, NaN where nothing is known."""
    pits = pd.Index(study.pits["pit"], name="pit")
    return table.set_index("pit").reindex(pits).reset_index()


def _pairs(found: PartRates, entries: _Entries) -> pd.DataFrame:
    """Pairs of pits; the margin concerns rates, so it judges none of these."""
    if len(entries.pits) < 2:
        return pd.DataFrame(columns=list(PAIR_COLUMNS))
    return judged(
        pair_rows(found.differences, entries.pits, entries.pits),
        margin=None,
        n_bakes=entries.n_bakes,
    )


# --- upper and lower grate ----------------------------------------------------------


def _grates(
    study: Study, placed: pd.DataFrame, level: float
) -> tuple[PartTables, list[str]]:
    """Highest against lowest grate, and the pits whose levels are not recorded."""
    ends, unknown = _highest_and_lowest(study, placed)
    columns = _part_columns("lower", "upper", ["lower_grate", "upper_grate"])
    if not ends:
        return _no_parts(columns), unknown
    part = pd.Series(-1, index=placed.index)
    for pit, (low, high) in ends.items():
        own = placed["pit"] == pit
        part[own & (placed["raw_grate"] == low)] = _LAST
        part[own & (placed["raw_grate"] == high)] = _FIRST
    items = placed[part >= 0]
    entries = _entries(study, items, part[part >= 0], items["burned"])
    X, layout = _distances(items, entries)
    found = entries.rates(level, X, layout, _DRAWS_OF_TWO)
    table = _two_parts(found, entries.pits, first="upper", last="lower")
    for i, name in enumerate(("lower_grate", "upper_grate")):
        table[name] = [ends[pit][i] for pit in entries.pits]
    return (
        PartTables(table[columns], _pairs(found, entries), ()),
        unknown,
    )


def _highest_and_lowest(
    study: Study, placed: pd.DataFrame
) -> tuple[dict[str, tuple[str, str]], list[str]]:
    levels = study.grates.set_index(["pit", "grate"])["level"]
    ends, unknown = {}, []
    for pit in study.pits["pit"]:
        used = placed.loc[placed["pit"] == pit, "raw_grate"].unique()
        if len(used) < 2:
            continue
        own = levels[pit].reindex(used)
        if own.isna().any() or own.nunique() < 2:
            unknown.append(str(pit))
            continue
        ordered = own.sort_values()
        ends[str(pit)] = (str(ordered.index[0]), str(ordered.index[-1]))
    return ends, unknown


def _distances(
    items: pd.DataFrame, entries: _Entries
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance as one column per pit, and the stretch that both its grates used."""
    n_pits = len(entries.pits)
    X = np.zeros((len(items), n_pits))
    X[np.arange(len(items)), entries.pit] = items["distance"]
    layout = np.zeros((n_pits, 3, _STEPS, n_pits))
    for p, pit in enumerate(entries.pits):
        own = items[items["pit"] == pit]
        ends = own.groupby("raw_grate")["distance"].agg(["min", "max"])
        low, high = float(ends["min"].max()), float(ends["max"].min())
        if low > high:
            low = high = float(own["distance"].mean())
        layout[p, :, :, p] = np.linspace(low, high, _STEPS)
    return X, layout


# --- top and bottom -----------------------------------------------------------------


def _with_both_faces(study: Study, graded: pd.DataFrame) -> pd.DataFrame:
    """Items of which top and bottom were graded."""
    both = ~np.isnan(face_codes(graded, study.settings)[:, :2]).any(axis=1)
    return graded.iloc[np.flatnonzero(both)]


def _faces(study: Study, own: pd.DataFrame, level: float) -> PartTables:
    """Bottoms against tops of items of which both were graded."""
    columns = _part_columns("top", "bottom", ["n_items"])
    if own.empty:
        return _no_parts(columns)
    burned = face_codes(own, study.settings)[:, :2] >= study.settings.burned_code
    items = pd.concat([own, own])
    part = pd.Series(np.repeat([_LAST, _FIRST], len(own)), index=items.index)
    outcome = pd.Series(burned.T.reshape(-1), index=items.index)
    entries = _entries(study, items, part, outcome)
    found = entries.rates(level, n_draws=_DRAWS_OF_TWO)
    table = _two_parts(found, entries.pits, first="bottom", last="top")
    table["n_items"] = own.groupby("pit").size().reindex(entries.pits).to_numpy()
    pairs = _pairs(found, entries)
    return PartTables(table[columns], pairs, (notes.FACES_TOGETHER,))


# --- shared -------------------------------------------------------------------------


def _part_columns(last: str, first: str, more: list[str]) -> list[str]:
    ends = [f"{name}_{end}" for name in (last, first) for end in ("low", "high")]
    fall = f"{first}_minus_{last}"
    return ["pit", *more, last, first, fall, "conf_low", "conf_high", *ends]


def _no_parts(columns: list[str]) -> PartTables:
    return PartTables(
        pd.DataFrame(columns=columns), pd.DataFrame(columns=list(PAIR_COLUMNS)), ()
    )


def _two_parts(
    found: PartRates, pits: Sequence[str], *, first: str, last: str
) -> pd.DataFrame:
    """Rates of two parts and their difference, first less last."""
    table = pd.DataFrame({"pit": list(pits)})
    for name, i in ((last, _LAST), (first, _FIRST)):
        table[name] = found.parts.estimate[:, i]
        table[f"{name}_low"] = found.parts.low[:, i]
        table[f"{name}_high"] = found.parts.high[:, i]
    table[f"{first}_minus_{last}"] = found.near_minus_far.estimate
    table["conf_low"] = found.near_minus_far.low
    table["conf_high"] = found.near_minus_far.high
    return table


def _data_caveats(
    study: Study, graded: pd.DataFrame, placed: pd.DataFrame
) -> list[str]:
    found = []
    n_bakes = placed.groupby("pit")["bake"].nunique()
    once = [pit for pit in study.pits["pit"] if n_bakes.get(pit, 0) == 1]
    found += [notes.IN_THIS_BAKE.format(pit=pit) for pit in once]
    missing = [pit for pit in study.pits["pit"] if pit not in n_bakes.index]
    found += [notes.NO_PLACED_ITEMS.format(pit=pit) for pit in missing]
    totals = bake_totals(study)
    counts = totals.loc[totals["source"] == "counts", "bake"]
    if len(counts):
        listed = ", ".join(map(str, counts))
        found.append(notes.NO_PLACES.format(n=len(counts), bakes=listed))
    n_unplaced = len(graded) - len(placed)
    if n_unplaced:
        found.append(notes.ITEMS_UNPLACED.format(n=n_unplaced))
    n_missing = int(totals["n_missing"].sum())
    if n_missing:
        found.append(notes.MISSING_LEFT_OUT.format(n=n_missing))
    return found
