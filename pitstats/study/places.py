"""Grates and places: which grate a row means, how large it is, what lies outside."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from pitstats.study.cells import counted, listing, quote
from pitstats.study.columns import suggestion
from pitstats.study.context import Context
from pitstats.study.schema import PLACE_COLUMNS

MAIN_GRATE = "main"
ASSUMED_SIZE = "size assumed: largest row and column seen"
_PLACED_TABLES = ("items", "probes", "regrades")


def check_places(context: Context) -> None:
    """Complete the grates of the pits and check every place against them."""
    _name_listed_grates(context)
    listed = _listed_grates(context)
    for table in _PLACED_TABLES:
        _name_grates_of_places(context, table, listed)
    _check_grates_differ(context)
    _complete_sizes(context, _largest_places(context))
    sizes = _sizes(context)
    for table in _PLACED_TABLES:
        _check_inside(context, table, sizes)


def _name_listed_grates(context: Context) -> None:
    """Call the only grate of a pit main if it has no name."""
    grates = context.tables["grates"]
    per_pit = Counter(grates["pit"].dropna())
    names = grates["grate"].copy()
    for row, pit, grate in context.recorded("grates", "pit", "grate"):
        if grate is not None or pit is None:
            continue
        if per_pit[pit] == 1:
            names[row] = MAIN_GRATE
        else:
            message = (
                f"is empty, but pit {quote(pit)} has {per_pit[pit]} grates. Name them."
            )
            context.log.problem(message, "grates", row, "grate")
    grates["grate"] = names


def _listed_grates(context: Context) -> dict[str, list[str]]:
    """Grates of each pit that grates lists; None-named ones leave an empty list."""
    listed: dict[str, list[str]] = {}
    for _, pit, grate in context.recorded("grates", "pit", "grate"):
        if pit is not None:
            names = listed.setdefault(pit, [])
            if grate is not None and grate not in names:
                names.append(grate)
    return listed


def _named_grates(context: Context) -> dict[str, list[str]]:
    """Grates of each pit that its items and probes name."""
    named: dict[str, list[str]] = {}
    pits = context.bake_pits
    for table in ("items", "probes"):
        for _, bake, grate in context.recorded(table, "bake", "grate"):
            names = named.setdefault(pits.get(bake, ""), [])
            if grate is not None and grate not in names:
                names.append(grate)
    return named


def _name_grates_of_places(
    context: Context, table: str, listed: dict[str, list[str]]
) -> None:
    """Fill in empty grates where only one can be meant."""
    pits, named = context.bake_pits, _named_grates(context)
    filled: dict[int, str] = {}
    for row, bake, grate, place, column in context.recorded(table, *PLACE_COLUMNS):
        placed = table == "items" or place is not None or column is not None
        pit = pits.get(bake)
        if grate is not None or pit is None or not placed:
            continue
        only = _only_grate(listed.get(pit), named.get(pit, []))
        if only is not None:
            filled[row] = only
            continue
        names = listed.get(pit) or named.get(pit, [])
        others = listing([quote(name) for name in names], "and")
        message = f"is empty, but pit {quote(pit)} has {others}. Say which grate it is."
        context.log.problem(message, table, row, "grate")
    if filled:
        cells = context.tables[table]["grate"].astype(object)
        cells[list(filled)] = list(filled.values())
        context.tables[table]["grate"] = cells.astype("str")
    told = [name for name in filled.values() if name != MAIN_GRATE]
    if told:
        context.log.assume(
            f"grate empty in {counted(len(told), 'row')}, read as the pit's only grate "
            f"({', '.join(sorted(set(told)))})",
            table,
        )


def _only_grate(listed: list[str] | None, named: list[str]) -> str | None:
    """Return the grate that an empty cell must mean, or None if it is not sure."""
    if listed is not None:
        return listed[0] if len(listed) == 1 else None
    return MAIN_GRATE if named in ([], [MAIN_GRATE]) else None


def _check_grates_differ(context: Context) -> None:
    for row, (pit, grate), first in context.repeated("grates", "pit", "grate"):
        message = (
            f"grate {quote(grate)} of pit {quote(pit)} is already in row {first}. "
            "Delete one of the rows, or correct the name."
        )
        context.log.problem(message, "grates", row, "grate")


def _largest_places(context: Context) -> dict[tuple[str, str], dict[str, int]]:
    """Largest row and column seen on each grate of each pit."""
    pits = context.bake_pits
    seen: dict[tuple[str, str], dict[str, int]] = {}
    for table in ("items", "probes"):
        for _, bake, grate, row, column in context.recorded(table, *PLACE_COLUMNS):
            if grate is None or bake not in pits:
                continue
            largest = seen.setdefault((pits[bake], grate), {})
            for name, value in (("rows", row), ("columns", column)):
                if value is not None:
                    largest[name] = max(value, largest.get(name, 0))
    return {place: largest for place, largest in seen.items() if largest}


def _complete_sizes(
    context: Context, seen: dict[tuple[str, str], dict[str, int]]
) -> None:
    """Take sizes that are not stated from the largest row and column seen."""
    context.tables["grates"] = grates = _with_seen_grates(context, list(seen))
    for row, pit, grate, notes, *size in context.recorded(
        "grates", "pit", "grate", "notes", "rows", "columns"
    ):
        stated = dict(zip(("rows", "columns"), size, strict=True))
        taken = {}
        for name, value in stated.items():
            if value is None and name in seen.get((pit, grate), {}):
                taken[name] = seen[pit, grate][name]
                grates.loc[row, name] = taken[name]
            elif value is not None and notes == ASSUMED_SIZE:
                taken[name] = value
        if taken:
            sizes = [
                f"{value} {name.removesuffix('s' * (value == 1))}"
                for name, value in taken.items()
            ]
            words = listing(sizes, "and")
            context.log.assume(
                f"the size of grate {quote(grate)} of pit {quote(pit)} is not stated; "
                f"{words} assumed, the largest seen",
                "grates",
            )


def _with_seen_grates(context: Context, seen: list[tuple[str, str]]) -> pd.DataFrame:
    """Add the grates of pits that grates does not list, in the order of pits."""
    grates = context.tables["grates"].copy()
    order = {pit: k for k, pit in enumerate(context.names("pits", "pit"))}
    listed = set(grates["pit"].dropna())
    new = sorted(
        (place for place in seen if place[0] in order and place[0] not in listed),
        key=lambda place: (order[place[0]], place[1]),
    )
    if not new:
        return grates
    start = int(grates.index.max()) + 1 if len(grates) else 2
    added = pd.DataFrame(index=pd.RangeIndex(start, start + len(new)))
    for name, dtype in grates.dtypes.items():
        added[name] = pd.Series(index=added.index, dtype=dtype)
    added["pit"] = pd.Series([pit for pit, _ in new], index=added.index, dtype="str")
    added["grate"] = pd.Series([name for _, name in new], added.index, dtype="str")
    added["notes"] = pd.Series(ASSUMED_SIZE, index=added.index, dtype="str")
    return added if grates.empty else pd.concat([grates, added])


_Sizes = dict[str, dict[str, tuple[float, float]]]


def _sizes(context: Context) -> _Sizes:
    """Rows and columns of each grate of each pit."""
    sizes: _Sizes = {}
    grates = context.tables["grates"].dropna(subset=["pit", "grate"])
    numbers = grates[["rows", "columns"]].to_numpy(dtype=float, na_value=np.inf)
    for pit, grate, size in zip(grates["pit"], grates["grate"], numbers, strict=True):
        sizes.setdefault(pit, {})[grate] = (size[0], size[1])
    return sizes


def _check_inside(context: Context, table: str, sizes: _Sizes) -> None:
    """Refuse grates that the pit does not have and cells outside them."""
    pits = context.bake_pits
    for row, bake, grate, *place in context.recorded(table, *PLACE_COLUMNS):
        known = sizes.get(pits.get(bake, ""))
        if known is None or grate is None:
            continue
        if grate not in known:
            message = (
                f"found {quote(grate)}, but pit {quote(pits[bake])} has no such grate. "
                f"{suggestion(grate, list(known))} Correct the name, or add the grate "
                "to grates."
            )
            context.log.problem(message, table, row, "grate")
            continue
        for name, value, last in zip(
            ("row", "column"), place, known[grate], strict=True
        ):
            if value is not None and value > last:
                message = (
                    f"found {name} {value}, but grate {quote(grate)} of pit "
                    f"{quote(pits[bake])} has {name}s 1 to {last:g}. Correct the "
                    f"{name}, or the size of the grate in grates."
                )
                context.log.problem(message, table, row, name)
