"""The bakes before and after a change as two pits of a study of their own.

A changed pit becomes two pits, "A (after)" and "A (before)", on the cells that both
sides graded. Every analysis that compares pits then answers for the change as well,
with the same rules and the same words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

AFTER, BEFORE = "after", "before"
_CELL = ["grate", "row", "column"]


@dataclass(frozen=True, kw_only=True)
class Sides:
    """A study in which the sides of a change stand as pits.

    Attributes
    ----------
    study : Study
        The two sides of every changed pit, and the pits that were not changed.
    pits : tuple of str
        The changed pits, by their own names.
    n_unmatched : int
        Items left out because the other side graded nothing in their cell.
    """

    study: Study
    pits: tuple[str, ...]
    n_unmatched: int


def side_name(pit: str, side: str) -> str:
    """Name of one side of a changed pit."""
    return f"{pit} ({side})"


def make_sides(study: Study, side_of: Mapping[str, str]) -> Sides:
    """Split the pits with bakes on both sides; ``side_of`` names the side of a bake."""
    kept = study.bakes[study.bakes["status"] != "planned"]
    side = kept["bake"].map(dict(side_of))
    counted = kept[(kept["status"] == "kept") & side.notna()]
    both = counted.groupby("pit", sort=False)["bake"].agg(
        lambda bakes: {side_of[bake] for bake in bakes} == {AFTER, BEFORE}
    )
    changed = tuple(str(pit) for pit in both.index[both.astype(bool)])
    if not changed:
        raise DesignError(
            "No pit has kept bakes both before and after the change, so there is "
            "nothing to set against each other. Bake the changed pit again."
        )
    both_sides = counted[counted["pit"].isin(changed)]
    items, n_unmatched = _matched(study, side_of, changed)
    counted_bakes = {*items["bake"], *study.counts["bake"]}
    lost = both_sides[~both_sides["bake"].isin(counted_bakes)]
    if len(lost):
        raise DesignError(
            f"Bake {lost['bake'].iloc[0]!r} has no item in a cell that the other side "
            "graded, so there is nothing to set it against. Record both sides by cell, "
            "or both in totals."
        )
    names = {
        (bake, pit): side_name(pit, side_of[bake])
        for bake, pit in zip(kept["bake"], kept["pit"], strict=True)
        if pit in changed and bake in side_of
    }
    bakes = kept.assign(
        pit=[
            names.get((bake, pit), pit)
            for bake, pit in zip(kept["bake"], kept["pit"], strict=True)
        ]
    )
    bakes = bakes[~bakes["pit"].isin(changed)]
    wanted = set(bakes["bake"])
    items = items[items["bake"].isin(wanted)]
    others: dict[str, Any] = {
        name: frame[frame["bake"].isin(wanted)]
        for name, frame in study.tables.items()
        if name in ("counts", "probes")
    }
    others["regrades"] = _of_items(study.regrades, items)
    return Sides(
        study=replace(
            study,
            pits=_doubled(study.pits, changed),
            grates=_doubled(study.grates, changed),
            bakes=bakes,
            items=items,
            **others,
            assumptions=(),
        ),
        pits=changed,
        n_unmatched=n_unmatched,
    )


def _of_items(regrades: pd.DataFrame, items: pd.DataFrame) -> pd.DataFrame:
    """Second gradings of these items, found by their codes or by their places."""
    place = ["bake", *_CELL]
    places = pd.MultiIndex.from_frame(items[place])
    by_code = regrades["code"].isin(items["code"].dropna())
    by_place = pd.MultiIndex.from_frame(regrades[place]).isin(places)
    return regrades[by_code | (regrades["code"].isna() & by_place)]


def _doubled(frame: pd.DataFrame, changed: tuple[str, ...]) -> pd.DataFrame:
    """Rows about a changed pit once for each side, after first."""
    rest = frame[~frame["pit"].isin(changed)]
    parts = [
        own.assign(pit=side_name(pit, side))
        for pit in changed
        for own in [frame[frame["pit"] == pit]]
        for side in (AFTER, BEFORE)
    ]
    return pd.concat([*parts, rest], ignore_index=True)


def _matched(
    study: Study, side_of: Mapping[str, str], changed: tuple[str, ...]
) -> tuple[pd.DataFrame, int]:
    """Items of changed pits only in cells that both sides graded."""
    if study.items.empty:
        return study.items, 0
    graded = item_outcomes(study)
    graded = graded[graded["burned"].notna() & graded["pit"].isin(changed)]
    placed = graded.dropna(subset=["row", "column"])
    side = placed["bake"].map(dict(side_of))
    cells = placed.assign(side=side).groupby(["pit", *_CELL])["side"].nunique()
    shared = set(cells.index[cells == 2])
    pit = study.items["bake"].map(study.bakes.set_index("bake")["pit"])
    cell = zip(pit, *(study.items[name] for name in _CELL), strict=True)
    keep = [
        key[0] not in changed or any(pd.isna(part) for part in key) or key in shared
        for key in cell
    ]
    return study.items[keep], len(keep) - sum(keep)
