"""Is there a pattern on the grates at all? Does it come back, bake after bake."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.places.faces import graded_faces
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.results import FrameResult
from pitstats.errors import DesignError
from pitstats.stats.grate_graph import Adjacency
from pitstats.stats.spatial import (
    MoranTest,
    concordance_test,
    join_count_test,
    moran_test,
)
from pitstats.stats.spatial_power import smallest_zone_difference
from pitstats.study.grading import deciding_code
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

PatternValue = Literal["burned", "grade", "rise"]
Verdict = Literal[
    "repeatable", "in these bakes", "in this bake", "none shown", "cannot be judged"
]

ESTIMAND = (
    "whether cells that are neighbors came out alike within bakes, and whether the "
    "same places stood out in several bakes"
)
METHOD = (
    "Moran's I and join counts (Cliff & Ord 1981), neighbors sharing a {side}, values "
    "shuffled within bakes, every layout listed where there are few and {n} random "
    "ones otherwise (seed {seed}); concordance of bakes, neighbors counted half, {n} "
    "random shuffles; Holm's adjustment for the number of pits"
)
# Enough to tell 0.05 from its neighbors, and quick enough for a report.
_PERMUTATIONS = 1999
_SIMULATIONS = 200
_SIDE = {"rook": "side", "queen": "side or a corner"}

NO_PLACES = (
    "No kept bake has items with a place and a value to compare. A pattern needs row "
    "and column of every item in the table items."
)
ROTATED = (
    "Items were turned or moved during {bakes}, so places mean nothing there; the "
    "test for a pattern leaves that out."
)
SIZE_OF_ONE = (
    "{pit}: only one bake can show a pattern here, so whether it would come back is "
    "not known."
)
LOST_CELLS = "{n} items have no place or nothing to compare; their cells are left out."


@dataclass(frozen=True, kw_only=True, eq=False)
class GratePatterns(FrameResult):
    """Whether each pit shows a pattern on its grates, bake by bake and over bakes.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_telling`` (bakes that can show anything:
        some, but not all cells alike), ``n_cells`` (most in a bake), ``moran``,
        ``moran_expected, p_moran`` (neighbors alike, over bakes), ``concordance,
        p_concordance`` (bakes alike), ``p_pattern`` (either, adjusted),
        ``p_repeat`` (bakes alike, adjusted), ``zone`` (part of the grates that stands
        out most), ``zone_share, other_share, n_standing_out`` (telling bakes in which
        it did), ``verdict``, and ``detectable, strongest`` (see
        `stats.smallest_zone_difference`; NaN unless burned items were counted).
    bakes : pandas.DataFrame
        One row per bake: ``bake, pit, n_items, n_burned, moran, p_moran, exact, bb,
        bb_expected, bw, ww, p_bb`` (joins of burned items; NaN where other values were
        tested).
    zones : pandas.DataFrame
        ``bake, pit, zone, n_inside, n_outside, inside, outside``: mean of the value
        inside and outside of each zone of each bake.
    value : {"burned", "grade", "rise"}
        What was compared: burned or not, ranks of the grades, or mm of rise.
    adjacency : {"rook", "queen"}
        What counted as neighbors.
    seed : int
        Seed of all random shuffles.
    """

    table: pd.DataFrame
    bakes: pd.DataFrame
    zones: pd.DataFrame
    value: str
    adjacency: str
    seed: int
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def map_patterns(
    study: Study,
    value: PatternValue = "burned",
    *,
    adjacency: Adjacency = "rook",
    conf_level: float | None = None,
    seed: int = 1,
) -> GratePatterns:
    """Test whether the grates of each pit show a pattern, and whether it comes back.

    Parameters
    ----------
    study : Study
        A valid study with items on known places.
    value : {"burned", "grade", "rise"}, default "burned"
        Burned or not; the grade of the deciding face by rank within its bake; or the
        rise. Grades are ranked, never averaged as if they were measured.
    adjacency : {"rook", "queen"}, default "rook"
        Neighbors share a side, or a side or a corner.
    conf_level : float, optional
        1 less the level of the tests. When not given, the study's own or, where its
        record names several looks, that of the present look.
    seed : int, default 1
        For the random shuffles.

    Returns
    -------
    GratePatterns

    Raises
    ------
    DesignError
        If no kept bake has placed items with that value, or an argument is not allowed.

    Notes
    -----
    A pit with one telling bake shows a pattern "in this bake" if Moran's I of that bake
    passes. A pit with several shows one if Moran's I over its bakes or the concordance
    of its bakes passes at half the level (Bonferroni). It is "repeatable" if moreover
    the concordance alone passes at the level and the same zone stands out in every
    telling bake; else it is a pattern "in these bakes". p-values are adjusted for the
    number of pits by Holm's method; ``detectable`` allows for them in full.
    "None shown" does not say that there is none: ``detectable`` says what these bakes
    could have shown.

    The zones are the thirds from the firebox to the far end, the halves from the door
    to the back, and each grate where there are several.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = map_patterns(ps.demo_study("one_bake_each"))
    >>> found.table["n_telling"].tolist()
    [1, 1]
    """
    if value not in ("burned", "grade", "rise"):
        raise DesignError(f"value {value!r} is not one of burned, grade, rise.")
    if adjacency not in ("rook", "queen"):
        raise DesignError(f"adjacency {adjacency!r} is not one of rook, queen.")
    _, level = look_and_level(study, conf_level)
    items, caveats = _placed(study, value)
    if items.empty:
        raise DesignError(NO_PLACES)
    zones = _zone_table(study, items)
    rng = np.random.default_rng(seed)
    # Power at the strictest step of Holm's method: not better than promised.
    alpha = (1 - level) / items["pit"].nunique()
    pits = [
        _test_pit(own, zones[zones["pit"] == pit], value, adjacency, alpha, rng)
        for pit, own in _by_pit(study, items)
    ]
    table = _judged(pd.DataFrame([pit.row for pit in pits]), 1 - level)
    once = table.loc[table["n_telling"] == 1, "pit"]
    return GratePatterns(
        table=table,
        bakes=pd.DataFrame([row for pit in pits for row in pit.bakes]),
        zones=zones,
        value=value,
        adjacency=adjacency,
        seed=seed,
        estimand=ESTIMAND,
        method=METHOD.format(side=_SIDE[adjacency], n=_PERMUTATIONS, seed=seed),
        conf_level=level,
        caveats=(*caveats, *(SIZE_OF_ONE.format(pit=pit) for pit in once)),
    )


# --- items and zones ----------------------------------------------------------------


def _placed(study: Study, value: str) -> tuple[pd.DataFrame, list[str]]:
    """Items on known places with the number that is compared; what was left out."""
    items = item_outcomes(study)
    if value == "rise":
        number = items["rise_mm"].to_numpy(dtype=float, na_value=np.nan)
    elif value == "grade":
        number = deciding_code(graded_faces(study, items), study.settings)
    else:
        number = items["burned"].to_numpy(dtype=float, na_value=np.nan)
    items = items.assign(number=number)
    turned = study.bakes.set_index("bake")["rotated"].fillna(False).astype(bool)
    rotated = items["bake"].map(turned).astype(bool)
    caveats = []
    if rotated.any():
        names = ", ".join(dict.fromkeys(items.loc[rotated, "bake"].astype(str)))
        caveats.append(ROTATED.format(bakes=names))
    known = items["row"].notna() & items["column"].notna() & items["number"].notna()
    n_lost = int((~known & ~rotated).sum())
    if n_lost:
        caveats.append(LOST_CELLS.format(n=n_lost))
    placed = items[known & ~rotated]
    if value == "grade" and len(placed):
        ranks = placed.groupby("bake")["number"].rank()
        placed = placed.assign(number=ranks)
    return placed.astype({"row": int, "column": int}), caveats


def _by_pit(study: Study, items: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    for pit in study.pits["pit"]:
        own = items[items["pit"] == pit]
        if len(own):
            yield str(pit), own


def _zone_masks(items: pd.DataFrame) -> Iterator[tuple[str, pd.Series]]:
    third = third_of_grate(items["distance"])
    for name in ("near", "middle", "far"):
        yield name, third.eq(name) & items["distance"].notna()
    if items["row"].nunique() > 1:
        yield "door", items["across"].lt(0.5 - 1e-9)
        yield "back", items["across"].gt(0.5 + 1e-9)
    if items["grate"].nunique() > 1:
        for grate in items["grate"].unique():
            yield f"grate: {grate}", items["grate"].eq(grate)


def _zone_table(study: Study, items: pd.DataFrame) -> pd.DataFrame:
    """Mean of the value inside and outside of each zone, bake by bake."""
    tables = []
    for pit, own in _by_pit(study, items):
        code, bakes = pd.factorize(own["bake"])
        number = own["number"].to_numpy(dtype=float)
        for zone, inside in _zone_masks(own):
            within = inside.to_numpy(dtype=bool)
            n_inside, mean_inside = _count_and_mean(code[within], number[within], bakes)
            n_outside, mean_outside = _count_and_mean(
                code[~within], number[~within], bakes
            )
            tables.append(
                pd.DataFrame(
                    {
                        "bake": bakes,
                        "pit": pit,
                        "zone": zone,
                        "n_inside": n_inside,
                        "n_outside": n_outside,
                        "inside": mean_inside,
                        "outside": mean_outside,
                    }
                )
            )
    return pd.concat(tables, ignore_index=True)


def _count_and_mean(
    code: NDArray[np.intp], number: NDArray[np.float64], bakes: pd.Index
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """How many cells each bake has, and the mean of their numbers; NaN of none."""
    count = np.bincount(code, minlength=len(bakes))
    total = np.bincount(code, number, minlength=len(bakes))
    mean = np.full(len(bakes), np.nan)
    return count, np.divide(total, count, out=mean, where=count > 0)


# --- one pit ------------------------------------------------------------------------


class _PitTests(NamedTuple):
    row: dict[str, object]
    bakes: list[dict[str, object]]


def _test_pit(
    items: pd.DataFrame,
    zones: pd.DataFrame,
    value: str,
    adjacency: Adjacency,
    alpha: float,
    rng: np.random.Generator,
) -> _PitTests:
    moran = _moran(items, adjacency, rng)
    parts = moran.by_bake or ((moran,) if moran.bake else ())
    tests = {test.bake: test for test in parts}
    used = items[items["bake"].isin(tests)]
    row: dict[str, object] = {
        "pit": items["pit"].iloc[0],
        "n_bakes": items["bake"].nunique(),
        "n_telling": len(tests),
        "n_cells": int(items.groupby("bake").size().max()),
        "moran": moran.statistic,
        "moran_expected": moran.expected,
        "p_moran": moran.p_value,
    }
    row |= _concordance_columns(used, adjacency, rng)
    row |= _zone_columns(zones[zones["bake"].isin(tests)])
    row |= _power_columns(used, value, adjacency, alpha, rng)
    bakes = [
        _bake_row(own, tests.get(str(bake)), value, adjacency, rng)
        for bake, own in items.groupby("bake", sort=False)
    ]
    return _PitTests(row, bakes)


def _numbers(items: pd.DataFrame) -> NDArray[np.float64]:
    return items["number"].to_numpy(dtype=float)


def _cells(items: pd.DataFrame) -> dict[str, Any]:
    """Where items lay, by the names that the tests give to that."""
    return {name: items[name].to_numpy() for name in ("row", "column", "grate", "bake")}


def _moran(
    items: pd.DataFrame, adjacency: Adjacency, rng: np.random.Generator
) -> MoranTest:
    try:
        return moran_test(
            _numbers(items),
            **_cells(items),
            adjacency=adjacency,
            n_permutations=_PERMUTATIONS,
            rng=rng,
        )
    except ValueError:
        # No two graded cells are neighbors: nothing can be compared.
        return moran_test(np.zeros((1, 2)))


def _concordance_columns(
    items: pd.DataFrame, adjacency: Adjacency, rng: np.random.Generator
) -> dict[str, float]:
    if items["bake"].nunique() < 2:
        return {"concordance": float("nan"), "p_concordance": float("nan")}
    both = concordance_test(
        _numbers(items),
        **_cells(items),
        adjacency=adjacency,
        n_permutations=_PERMUTATIONS,
        rng=rng,
    )
    return {"concordance": both.statistic, "p_concordance": both.p_value}


def _bake_row(
    items: pd.DataFrame,
    moran: MoranTest | None,
    value: str,
    adjacency: Adjacency,
    rng: np.random.Generator,
) -> dict[str, object]:
    nan = float("nan")
    row: dict[str, object] = {
        "bake": items["bake"].iloc[0],
        "pit": items["pit"].iloc[0],
        "n_items": len(items),
        "n_burned": int((items["burned"] == 1).sum()),
        "moran": moran.statistic if moran else nan,
        "p_moran": moran.p_value if moran else nan,
        "exact": moran.exact if moran else True,
        **dict.fromkeys(("bb", "bb_expected", "bw", "ww", "p_bb"), nan),
    }
    if value == "burned" and moran:
        joins = join_count_test(
            _numbers(items),
            **_cells(items),
            adjacency=adjacency,
            n_permutations=_PERMUTATIONS,
            rng=rng,
        )
        row |= {"bb": joins.bb, "bb_expected": joins.expected[0], "p_bb": joins.p_bb}
        row |= {"bw": joins.bw, "ww": joins.ww}
    return row


def _zone_columns(zones: pd.DataFrame) -> dict[str, object]:
    """Zone that stands out most from the rest of its grates, over the telling bakes."""
    nothing: dict[str, object] = {
        "zone": "",
        "zone_share": np.nan,
        "other_share": np.nan,
        "n_standing_out": 0,
    }
    zones = zones.dropna(subset=["inside", "outside"])
    best, most = nothing, 0.0
    for zone, own in zones.groupby("zone", sort=False):
        gap = own["inside"] - own["outside"]
        noise = np.sqrt((1 / own["n_inside"] + 1 / own["n_outside"]).sum())
        if gap.sum() / noise > most + 1e-9:
            most = gap.sum() / noise
            best = {
                "zone": zone,
                "zone_share": own["inside"].mean(),
                "other_share": own["outside"].mean(),
                "n_standing_out": int((gap > 1e-9).sum()),
            }
    return best


def _power_columns(
    items: pd.DataFrame,
    value: str,
    adjacency: Adjacency,
    alpha: float,
    rng: np.random.Generator,
) -> dict[str, float]:
    none = {"detectable": float("nan"), "strongest": float("nan")}
    if value != "burned" or items.empty:
        return none
    near = third_of_grate(items["distance"]).eq("near").to_numpy()
    if near.all() or not near.any():
        return none
    power = smallest_zone_difference(
        _numbers(items),
        zone=near,
        **_cells(items),
        adjacency=adjacency,
        level=alpha,
        n_simulations=_SIMULATIONS,
        rng=rng,
    )
    return {"detectable": power.difference, "strongest": power.strongest}


# --- verdicts -----------------------------------------------------------------------


def _judged(table: pd.DataFrame, alpha: float) -> pd.DataFrame:
    both = table[["p_moran", "p_concordance"]].min(axis=1, skipna=True)
    either = np.where(table["n_telling"] > 1, np.minimum(2 * both, 1), both)
    table["p_pattern"] = _holm(either)
    table["p_repeat"] = _holm(table["p_concordance"].to_numpy(dtype=float))
    table["verdict"] = [_verdict(row, alpha) for row in table.to_dict("records")]
    return table[
        [
            *("pit", "n_bakes", "n_telling", "n_cells", "moran", "moran_expected"),
            *("p_moran", "concordance", "p_concordance", "p_pattern", "p_repeat"),
            *("zone", "zone_share", "other_share", "n_standing_out", "verdict"),
            *("detectable", "strongest"),
        ]
    ]


def _verdict(row: dict[Hashable, Any], alpha: float) -> Verdict:
    if row["n_telling"] == 0 or np.isnan(row["p_pattern"]):
        return "cannot be judged"
    if row["p_pattern"] > alpha:
        return "none shown"
    if row["n_telling"] == 1:
        return "in this bake"
    everywhere = row["n_standing_out"] == row["n_telling"]
    if row["p_repeat"] <= alpha and everywhere:
        return "repeatable"
    return "in these bakes"


def _holm(p_values: Sequence[float] | np.ndarray) -> np.ndarray:
    """Adjust p-values for their number; NaN stays NaN and does not count.

    References
    ----------
    .. [1] Holm (1979), A simple sequentially rejective multiple test procedure,
       Scandinavian Journal of Statistics 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    out = np.full(len(p), np.nan)
    known = np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out
