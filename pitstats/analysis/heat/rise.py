"""How far items rose, by pit, grate and place: how fast the heat came in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.heat.common_places import common_places, matched_places
from pitstats.analysis.heat.place_contrasts import (
    contrasts_over_bakes,
    level_interval,
    levels_over,
    pair_table,
)
from pitstats.analysis.heat.place_model import PlaceModel, fit_places, place_frame
from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.results import FrameResult
from pitstats.errors import ArgumentError, DesignError
from pitstats.stats.linear_contrast import spread_interval
from pitstats.study.study import Study

ESTIMAND = "mean rise of an item in mm, over bakes and over the places named"
METHOD = (
    "one level a bake and Student's t over the bakes of each pit, by its own mixed "
    "linear model where a bake lacks cells; pairs with every pit's own scatter, by "
    "Satterthwaite's degrees of freedom (Cochran and Cox's t where a pit has two "
    "bakes; Student's t of the differences where pits shared all sessions), all pairs "
    "at Sidak's level; what places differ by within a pit likewise from one difference"
    " a bake; thirds by a linear model with the pit's bakes as a random effect, "
    "restricted maximum likelihood and Kenward-Roger degrees of freedom"
)

ONE_BAKE_EACH = (
    "No pit has rises from more than one bake. Levels are given without intervals and "
    "hold for these bakes only; what differs between places within a bake keeps its "
    "interval."
)
ONE_BAKE = (
    "{pit} has rises from one bake, which cannot show how far its bakes scatter: its "
    "numbers have no intervals, and no pair with it a verdict."
)
SAME_PATTERN = (
    "Intervals of the thirds take the heat to lie alike in every bake; where it does "
    "not they are too short. The differences between places do not rest on that."
)
NO_RISE = "{pit} has no item with a rise at a known place, so nothing is given for it."
NOT_MEASURED = (
    "{n} of {total} items of the bakes with rises have none recorded, or no place, and "
    "are left out."
)
NO_BAKES = "No rise was recorded in these bakes: {bakes}."
ON_A_CURVE = (
    "Too few items share places for every cell to have a mean of its own; rises rest "
    "on a smooth curve fitted to each pit along its grate."
)
_PARTS = ("near", "middle", "far")


@dataclass(frozen=True, kw_only=True, eq=False)
class RiseComparison(FrameResult):
    """Rise of the items of every pit, by place, and all pairs of pits.

    Attributes
    ----------
    table : pandas.DataFrame
        All pairs, rise of ``pit_a`` less rise of ``pit_b`` in mm, with the columns of
        `PitComparison.table`.
    levels : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_items, estimate, conf_low, conf_high, df``
        (over the common places), ``bake_sd, bake_sd_low, bake_sd_high``.
    parts : pandas.DataFrame
        One row per pit and third of its grates: ``pit, part, n_items, estimate,
        conf_low, conf_high``.
    effects : pandas.DataFrame
        One row per pit and contrast within it: ``pit, effect`` ("near_minus_far",
        "door_minus_wall", "upper_minus_lower"), ``estimate, conf_low, conf_high,
        p_value``. They are differences within bakes, so one bake can show them, for
        that bake.
    bakes : pandas.DataFrame
        One row per bake: ``bake, pit, n_items, mean``.
    n_bakes : pandas.Series
        Bakes with rises, by pit.
    """

    table: pd.DataFrame
    levels: pd.DataFrame
    parts: pd.DataFrame
    effects: pd.DataFrame
    bakes: pd.DataFrame = field(repr=False)
    n_bakes: pd.Series
    layout_note: str
    margin: float | None
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def compare_rise(
    study: Study, *, margin: float | None = None, conf_level: float | None = None
) -> RiseComparison:
    """Compare how far items rose, between pits and between places.

    Parameters
    ----------
    study : Study
        A valid study with ``rise_mm`` of items on known places.
    margin : float, optional
        Smallest difference in mm that would change advice, stated before the bake.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    RiseComparison

    Raises
    ------
    DesignError
        If no kept bake has a rise at a known place, or the margin is not above 0.

    Notes
    -----
    Rise and browning tell different things: rise shows how much heat an item took up
    before it set, browning how fast its faces were heated. Items of one bake share
    its fire, so the bake is the unit of replication.

    Examples
    --------
    >>> import pitstats as ps
    >>> rise = ps.compare_rise(ps.demo_study("probed_pits"))
    >>> rise.levels[["pit", "n_items", "estimate"]].round(1)
          pit  n_items  estimate
    0  Quarry       72      49.7
    1   Ferry       58      45.0
    """
    if margin is not None and not margin > 0:
        raise ArgumentError(f"margin is {margin:g}; it must be above 0 mm.")
    _, level = look_and_level(study, conf_level)
    frame = place_frame(study, study.items, "rise_mm")
    if frame.empty:
        raise DesignError(
            "No item of a kept bake has a rise at a known place. Enter rise_mm, grate, "
            "row and column in the table items."
        )
    every = [str(pit) for pit in study.pits["pit"]]
    model = fit_places(frame, every)
    layout = common_places(frame, model.pits, "cells with items")
    bakes, levels = levels_over(frame, model, layout)
    table, pair_notes = pair_table(levels, bakes, level, margin=margin)
    found = [*_caveats(study, model), *pair_notes]
    return RiseComparison(
        table=table,
        levels=_levels(every, model, levels, level),
        parts=_parts(model, level),
        effects=_effects(study, model, level),
        bakes=_bakes(frame),
        n_bakes=model.n_bakes.reindex(every, fill_value=0),
        layout_note=layout.note,
        margin=margin,
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=tuple(found if len(layout.places) else [*found, layout.note]),
    )


def _levels(
    every: list[str], model: PlaceModel, levels: pd.DataFrame, level: float
) -> pd.DataFrame:
    found = []
    for pit in model.pits:
        own = model.frame[model.frame["pit"] == pit].reset_index(drop=True)
        row: dict[str, Any] = {"pit": pit, "n_bakes": int(model.n_bakes[pit])}
        row["n_items"] = len(own)
        row |= level_interval(levels, pit, level)
        row |= _bake_sd(model, pit, len(own) / row["n_bakes"], level)
        found.append(row)
    table = pd.DataFrame(found).set_index("pit")
    table = table.reindex(pd.Index(every, name="pit")).reset_index()
    counts = ["n_bakes", "n_items"]
    table[counts] = table[counts].fillna(0).astype(int)
    return table


def _bake_sd(
    model: PlaceModel, pit: str, items_per_bake: float, level: float
) -> dict[str, float]:
    """SD of a bake's mean rise over the pit's cells, from its own bakes."""
    names = ("bake_sd", "bake_sd_low", "bake_sd_high")
    if model.n_bakes[pit] < 2:
        return dict.fromkeys(names, np.nan)
    interval, sd, _ = spread_interval(model.fit(pit), [1 / items_per_bake, 1.0], level)
    return dict(zip(names, (sd, *map(float, interval)), strict=True))


def _parts(model: PlaceModel, level: float) -> pd.DataFrame:
    """Mean rise in the near, middle and far third of every pit's own grates."""
    rows = []
    for pit in model.pits:
        cells = model.cells(pit)
        third = third_of_grate(cells["distance"])
        for part in _PARTS:
            places = cells[third == part]
            row: dict[str, Any] = {"pit": pit, "part": part}
            row["n_items"] = int(places["n_readings"].sum())
            ends = (np.nan, np.nan, np.nan)
            if len(places):
                found = model.contrast(pit, model.mean_row(pit, places)[None])
                low, high = found.interval(level)
                ends = (float(found.estimate[0]), float(low[0]), float(high[0]))
            names = ("estimate", "conf_low", "conf_high")
            rows.append(row | dict(zip(names, ends, strict=True)))
    return pd.DataFrame(rows)


def _effects(study: Study, model: PlaceModel, level: float) -> pd.DataFrame:
    sides: dict[str, dict[str, tuple[pd.DataFrame, pd.DataFrame]]] = {}
    for pit in model.pits:
        for effect, first, second in _contrasts(study, pit, model.cells(pit)):
            sides.setdefault(effect, {})[pit] = (first, second)
    names = ["pit", "effect", "estimate", "conf_low", "conf_high", "p_value"]
    if not sides:
        return pd.DataFrame(columns=names)
    frames = [
        contrasts_over_bakes(model, own, level)
        .rename_axis("pit")
        .reset_index()
        .assign(effect=effect)
        for effect, own in sides.items()
    ]
    table = pd.concat(frames, ignore_index=True)[names]
    at = {pit: k for k, pit in enumerate(model.pits)}
    ordered: pd.DataFrame = table.sort_values(
        "pit", key=lambda pits: pits.map(at), kind="stable", ignore_index=True
    )
    return ordered


def _contrasts(
    study: Study, pit: str, cells: pd.DataFrame
) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """Pairs of groups of cells, alike but for the place that is compared."""
    third = third_of_grate(cells["distance"])
    halves = (cells["across"] < 0.5, cells["across"] > 0.5)
    sides = {
        "near_minus_far": (third == "near", third == "far"),
        "door_minus_wall": halves,
    }
    levels = study.grates[study.grates["pit"] == pit].set_index("grate")["level"]
    level = cells["raw_grate"].map(levels).astype(float)
    if level.nunique() > 1:
        sides["upper_minus_lower"] = (level == level.max(), level == level.min())
    held = {
        "near_minus_far": ["grate", "across"],
        "door_minus_wall": ["grate", "distance"],
        "upper_minus_lower": ["distance", "across"],
    }
    for effect, (one, other) in sides.items():
        first, second = matched_places(cells[one], cells[other], held[effect])
        if len(first) and len(second):
            yield effect, first, second


def _bakes(frame: pd.DataFrame) -> pd.DataFrame:
    grouped = frame.groupby(["bake", "pit"], sort=False)["y"]
    table: pd.DataFrame = grouped.agg(n_items="size", mean="mean").reset_index()
    return table


def _caveats(study: Study, model: PlaceModel) -> list[str]:
    n_bakes = model.n_bakes
    found = []
    if n_bakes.max() <= 1:
        found.append(ONE_BAKE_EACH)
    else:
        once = n_bakes.index[n_bakes == 1]
        found += [ONE_BAKE.format(pit=pit) for pit in once]
    missing = [pit for pit in study.pits["pit"] if pit not in model.pits]
    found += [NO_RISE.format(pit=pit) for pit in missing]
    kept = study.kept["bake"]
    with_rise = set(model.frame["bake"])
    without = [str(bake) for bake in kept if bake not in with_rise]
    if without:
        found.append(NO_BAKES.format(bakes=", ".join(without)))
    total = int(study.items["bake"].isin(with_rise).sum())
    n_lost = total - len(model.frame)
    if n_lost:
        found.append(NOT_MEASURED.format(n=n_lost, total=total))
    if model.shape == "curve":
        found.append(ON_A_CURVE)
    if n_bakes.max() > 1:
        found.append(SAME_PATTERN)
    return found
