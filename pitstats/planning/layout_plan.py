"""What was stated about a layout, checked, with what had to be assumed."""

from __future__ import annotations

import math
import numbers
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias, cast

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.cells import Grate, GrateSizes, cell_sizes, read_grates
from pitstats.study.cells import listing
from pitstats.study.schema import BAKES
from pitstats.study.settings import Settings
from pitstats.study.similar_names import difference, skeleton

Items: TypeAlias = int | Literal["fill"]
Spacing: TypeAlias = Literal["every cell", "every other cell"]
CellSizes: TypeAlias = Literal["equal size", "as given"]
LotRule: TypeAlias = Literal["mixed", "by session"]
LoadOrder: TypeAlias = Literal["random", "row by row"]
PlaceRule: TypeAlias = Literal["fixed", "by session"]

#: Columns of bakes that the layout fills in itself, or that only a bake can fill in.
_NOT_PLANNED = (
    "bake",
    "pit",
    "session",
    "order",
    "date",
    "lot",
    "splits",
    *(column.name for column in BAKES.columns if column.kind == "clock"),
    "status",
    "reason",
)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything stated about a layout, checked; lists follow the order of `pits`."""

    grates: list[Grate]
    pits: list[str]
    pit_table: pd.DataFrame
    bakes: list[int]
    sessions: list[str]
    items: list[Items]
    spacing: Spacing
    lots: dict[str, int] | None
    one_lot: str
    lot_rule: LotRule
    load_order: LoadOrder
    places: list[str]
    place_rule: PlaceRule
    regrade_share: float
    planned: dict[str, list[Any]]
    settings: Settings

    def grates_of(self, pit: str) -> list[Grate]:
        """Grates of a pit in loading order: the lowest first, else as listed."""
        own = [grate for grate in self.grates if grate.pit == pit]
        if any(math.isnan(grate.level) for grate in own):
            return own
        return sorted(own, key=lambda grate: grate.level)


def check_plan(
    *,
    grates: pd.DataFrame | Mapping[str, GrateSizes],
    pits: pd.DataFrame | None,
    bakes: int | Mapping[str, int],
    sessions: int | Sequence[str] | None,
    items: Items | Mapping[str, Items],
    spacing: Spacing,
    cells: CellSizes,
    lots: str | Mapping[str, int] | None,
    lot_rule: LotRule,
    load_order: LoadOrder,
    places: Sequence[str],
    place_rule: PlaceRule,
    regrade_share: float,
    planned: Mapping[str, Any],
    settings: Settings | Mapping[str, Any] | None,
) -> tuple[Plan, list[str]]:
    """Check everything that was stated; also return what had to be assumed."""
    _one_of("spacing", spacing, ("every cell", "every other cell"))
    _one_of("cells", cells, ("equal size", "as given"))
    _one_of("lot_rule", lot_rule, ("mixed", "by session"))
    _one_of("load_order", load_order, ("random", "row by row"))
    _one_of("place_rule", place_rule, ("fixed", "by session"))
    _share("regrade_share", regrade_share)
    read = read_grates(grates)
    names, table = _pit_names(read, pits)
    by_pit = [_count(n, "bakes") for n in _by_pit(bakes, names, "bakes")]
    known, assumed = _settings(settings, names)
    caveats = [*assumed, *_check_cell_sizes(read, cells, known)]
    plan = Plan(
        grates=read,
        pits=names,
        pit_table=table,
        bakes=by_pit,
        sessions=_sessions(sessions, by_pit),
        items=[_items(n) for n in _by_pit(items, names, "items")],
        spacing=spacing,
        lots=_lot_sizes(lots),
        one_lot=lots if isinstance(lots, str) else "",
        lot_rule=lot_rule,
        load_order=load_order,
        places=_places(places, names),
        place_rule=place_rule,
        regrade_share=float(regrade_share),
        planned=_planned(planned, names),
        settings=known,
    )
    if lots is None:
        caveats.append(
            "The lot of the dough is not stated: use one lot for the whole test and "
            "note its code, or state the lots so that each is spread over all pits."
        )
    return plan, caveats


def _one_of(name: str, value: object, allowed: Sequence[str]) -> None:
    if value not in allowed:
        words = " or ".join(f"'{word}'" for word in allowed)
        raise ArgumentError(f"{name} is {value!r}. Choose {words}.")


def _share(name: str, value: object) -> None:
    if not (isinstance(value, numbers.Real) and 0 <= float(value) <= 1):
        raise ArgumentError(
            f"{name} is {value!r}. Give a share from 0 to 1, such as 0.2."
        )


def _count(value: object, name: str) -> int:
    whole = isinstance(value, numbers.Real) and not isinstance(value, bool | np.bool_)
    if not (whole and float(cast(float, value)).is_integer() and cast(int, value) >= 1):
        raise ArgumentError(f"{name} is {value!r}. Give a whole number of 1 or more.")
    return int(cast(int, value))


def _items(value: object) -> Items:
    return "fill" if value == "fill" else _count(value, "items")


def _by_pit(value: Any, pits: Sequence[str], name: str) -> list[Any]:
    """Return one value per pit from one for all or a mapping by pit."""
    if not isinstance(value, Mapping):
        return [value] * len(pits)
    known = ", ".join(f"'{pit}'" for pit in pits)
    for pit in value:
        if pit not in pits:
            raise DesignError(
                f"{name} names the pit '{pit}', but the grates are of {known}. "
                "Correct the name."
            )
    absent = [pit for pit in pits if pit not in value]
    if absent:
        raise DesignError(f"{name} says nothing about the pit '{absent[0]}'. Add it.")
    return [value[pit] for pit in pits]


def _pit_names(
    grates: Sequence[Grate], pits: pd.DataFrame | None
) -> tuple[list[str], pd.DataFrame]:
    of_grates = list(dict.fromkeys(grate.pit for grate in grates))
    alike: dict[str, str] = {}
    for pit in of_grates:
        first = alike.setdefault(skeleton(pit), pit)
        if first != pit:
            raise DesignError(
                f"the pits '{first}' and '{pit}' look like one name. "
                f"{difference(first, pit)} Give them names that nobody mixes up."
            )
    if pits is None:
        return of_grates, pd.DataFrame({"pit": of_grates})
    if "pit" not in pits.columns:
        raise DesignError("the table of pits has no column pit. Name every pit there.")
    names = [str(name).strip() for name in pits["pit"].dropna()]
    for pit in of_grates:
        if pit not in names:
            raise DesignError(
                f"there is a grate of the pit '{pit}', which is not among the pits "
                f"({', '.join(names)}). Correct the name or add the pit."
            )
    for pit in names:
        if pit not in of_grates:
            raise DesignError(
                f"the pit '{pit}' has no grate. Give its rows and columns."
            )
    return names, pits


def _sessions(sessions: int | Sequence[str] | None, bakes: Sequence[int]) -> list[str]:
    if sessions is None:
        sessions = max(bakes)
    if isinstance(sessions, str):
        raise ArgumentError(
            f"sessions is the text {sessions!r}. Give a number, or a list of names."
        )
    if not isinstance(sessions, Sequence):
        sessions = [str(i + 1) for i in range(_count(sessions, "sessions"))]
    names = [str(name).strip() for name in sessions]
    if not names or "" in names or len(set(names)) < len(names):
        raise DesignError("the sessions need names that differ. Correct the list.")
    if len(names) > sum(bakes):
        raise DesignError(
            f"{len(names)} sessions are more than the {sum(bakes)} bakes. Plan fewer "
            "sessions or more bakes."
        )
    return names


def _lot_sizes(lots: str | Mapping[str, int] | None) -> dict[str, int] | None:
    if not isinstance(lots, Mapping):
        return None
    if not lots:
        raise DesignError("lots is empty. Name the lots with their numbers of items.")
    return {
        str(name): _count(size, f"the size of lot '{name}'")
        for name, size in lots.items()
    }


def _places(places: Sequence[str], pits: Sequence[str]) -> list[str]:
    if isinstance(places, str):
        raise ArgumentError(f"places is the text {places!r}. Give a list of names.")
    names = [str(name).strip() for name in places]
    if not names:
        return []
    if len(set(names)) < len(names) or "" in names:
        raise DesignError("the standing places need names that differ. Correct them.")
    if len(names) < len(pits):
        raise DesignError(
            f"{len(pits)} pits cannot stand on {len(names)} places. Name at least "
            f"{len(pits)} places, or leave places out."
        )
    return names


def _planned(planned: Mapping[str, Any], pits: Sequence[str]) -> dict[str, list[Any]]:
    allowed = [name for name in BAKES.column_names if name not in _NOT_PLANNED]
    for name in planned:
        if name not in allowed:
            raise DesignError(
                f"planned holds '{name}', which is no column of bakes that can be set "
                f"beforehand. Choose among {', '.join(allowed)}."
            )
    return {name: _by_pit(value, pits, name) for name, value in planned.items()}


def _settings(
    settings: Settings | Mapping[str, Any] | None, pits: Sequence[str]
) -> tuple[Settings, list[str]]:
    if isinstance(settings, Settings):
        return settings, []
    given = dict(settings or {})
    names = listing(list(pits), "and")
    given.setdefault("title", f"Bake test of {names}")
    given.setdefault("question", f"How do the burn rates of {names} differ?")
    assumed = []
    if "temperature_rule" not in given:
        given["temperature_rule"] = "same indicated"
        assumed.append(
            "The temperature rule is not stated; 'same indicated' (the same reading of "
            "every pit's own gauge) is assumed. State it in the settings."
        )
    try:
        return Settings(**given), assumed
    except TypeError as error:
        raise DesignError(f"the settings cannot be read: {error}.") from None


def _check_cell_sizes(
    grates: Sequence[Grate], rule: CellSizes, settings: Settings
) -> list[str]:
    equal, sentence = cell_sizes(grates, settings.length_unit)
    if not equal and rule == "equal size":
        raise DesignError(
            f"{sentence} Items would stand closer in one pit than in another. Cut "
            "every grate into cells of one size (pitstats.cut_grate works out rows "
            "and columns), or say cells='as given' to accept it."
        )
    stated = all(math.isfinite(g.cell_length + g.cell_width) for g in grates)
    return [] if stated and equal else [sentence]
