"""What to buy and how long it takes: packs, fuel, hours and people of a plan."""

from __future__ import annotations

import math
import numbers
from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.layout import Layout
from pitstats.study.cells import counted, listing
from pitstats.study.html_text import notebook_html
from pitstats.study.study import Study

COMMON = "common practice"
STATED = "stated"
PLAN = "from the plan"
PLAN_AND_COMMON = f"{PLAN} and {COMMON}"

#: Helpers of a blind test; the grader must be nobody who sees the pits baking.
COMMON_PEOPLE = {"fire tender": 1, "loader and recorder": 1, "grader": 1}


@dataclass(frozen=True, kw_only=True, eq=False)
class ShoppingList:
    """What a planned test needs.

    Attributes
    ----------
    table : pandas.DataFrame
        ``what, amount, unit, basis, source``, one row per thing to buy, to provide or
        to allow for. `basis` shows the sum; `source` is "from the plan", "stated" or
        "common practice" (a default that can be changed).
    sentence : str
        The list in one sentence.
    caveats : tuple of str
        What was left out because nothing was stated.
    """

    table: pd.DataFrame
    sentence: str
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return notebook_html(self.sentence, self.table, self.caveats, "{:g}")


def shopping_list(
    plan: Layout | Study,
    *,
    pack_size: int,
    spare_share: float | None = None,
    fuel_per_bake: Mapping[str, tuple[float, str]] | None = None,
    fuel_per_session: Mapping[str, tuple[float, str]] | None = None,
    settle_minutes: float | None = None,
    bake_minutes: float | None = None,
    seconds_per_item: float | None = None,
    between_minutes: float | None = None,
    cool_minutes: float | None = None,
    grade_seconds: float | None = None,
    people: Mapping[str, int] | None = None,
) -> ShoppingList:
    """List packs, fuel, hours and people for the planned bakes.

    Parameters
    ----------
    plan : Layout or Study
        Only bakes with status "planned" count.
    pack_size : int
        Items in a pack; packs are bought whole.
    spare_share : float, optional
        Spare items, as a share of the items needed, for torn ones and a dry run. 0.1
        is common practice.
    fuel_per_bake, fuel_per_session : mapping, optional
        Amount and unit of each fuel, such as ``{"split wood": (4, "kg")}``, for every
        bake, and for every session on top (to light the pits and to bring them to
        heat). Nothing is assumed.
    settle_minutes : float, optional
        From lighting to a steady pit, counted once per session because the pits are lit
        together; 60 is common practice.
    bake_minutes : float, optional
        Length of a bake; if not given, the planned ``minutes`` of the bakes, and 25
        (common practice) where these are empty.
    seconds_per_item : float, optional
        To place one item, and again to take it off; 5 is common practice.
    between_minutes : float, optional
        From the end of a bake to a steady pit again; 30 is common practice.
    cool_minutes : float, optional
        From unloading to grading, after the last bake; 10 is common practice.
    grade_seconds : float, optional
        To grade one item; 20 is common practice. Second gradings count too.
    people : mapping, optional
        Helpers by role; a fire tender, a loader who also records and a grader who sees
        no pit are common practice.

    Returns
    -------
    ShoppingList
        A table, a sentence and what was left out.

    Raises
    ------
    DesignError
        If no bake is planned, or a number makes no sense.

    Notes
    -----
    Packs are worked out lot by lot if the plan names lots. Bakes of a session are taken
    to follow one another; bake in several pits at once and the hours shrink.

    Examples
    --------
    >>> from pitstats.planning.layout import randomize_layout
    >>> layout = randomize_layout({"Oak": (3, 6), "Creek": (3, 5)}, bakes=2, seed=11)
    >>> needs = shopping_list(layout, pack_size=8,
    ...                       fuel_per_bake={"split wood": (4, "kg")})
    >>> needs.table.loc[:1, ["what", "amount", "unit", "basis"]]
                 what  amount   unit                              basis
    0  packs of dough    10.0  packs  66 items + 10% spare, 8 to a pack
    1      split wood    16.0     kg                     4 kg x 4 bakes
    """
    study = plan.study if isinstance(plan, Layout) else plan
    bakes = study.bakes[study.bakes["status"].eq("planned")]
    items = study.items[study.items["bake"].isin(bakes["bake"])]
    if bakes.empty or items.empty:
        raise DesignError(
            "no bake with items is planned in this study. Draw a layout first, or set "
            "the status of the bakes to planned."
        )
    packs = _packs(items, _whole(pack_size, "pack_size"), spare_share)
    fuels = _fuels(bakes, fuel_per_bake or {}, fuel_per_session or {})
    times = _Times(
        settle=_default(settle_minutes, 60, "settle_minutes"),
        bake=_default(bake_minutes, 25, "bake_minutes"),
        handling=_default(seconds_per_item, 5, "seconds_per_item"),
        between=_default(between_minutes, 30, "between_minutes"),
        cool=_default(cool_minutes, 10, "cool_minutes"),
        grading=_default(grade_seconds, 20, "grade_seconds"),
    )
    again = study.regrades["code"].dropna()
    hours = _hours(bakes, items, set(again), times)
    helpers = _people(people, sum(row[1] for row in hours))
    table = pd.DataFrame(
        [*packs, *fuels, *hours, *helpers],
        columns=["what", "amount", "unit", "basis", "source"],
    )
    return ShoppingList(
        table=table,
        sentence=_sentence(packs, fuels, hours, helpers, len(bakes)),
        caveats=_caveats(fuels, table),
    )


Row = tuple[str, float, str, str, str]


@dataclass(frozen=True)
class _Value:
    """A number and where it comes from."""

    number: float
    source: str


@dataclass(frozen=True, kw_only=True)
class _Times:
    settle: _Value
    bake: _Value
    handling: _Value
    between: _Value
    cool: _Value
    grading: _Value

    def source(self) -> str:
        """Common practice as soon as one of the times is."""
        values = [getattr(self, name) for name in self.__dataclass_fields__]
        common = any(value.source == COMMON for value in values)
        return COMMON if common else STATED


def _default(value: float | None, usual: float, name: str) -> _Value:
    if value is None:
        return _Value(usual, COMMON)
    return _Value(_amount(value, name), STATED)


def _amount(value: object, name: str) -> float:
    real = isinstance(value, numbers.Real) and not isinstance(value, bool)
    if not (real and math.isfinite(cast(float, value)) and cast(float, value) >= 0):
        raise ArgumentError(f"{name} is {value!r}. Give a number of 0 or more.")
    return float(cast(float, value))


def _whole(value: object, name: str) -> int:
    number = _amount(value, name)
    if number < 1 or not number.is_integer():
        raise ArgumentError(f"{name} is {value!r}. Give a whole number of 1 or more.")
    return int(number)


def _packs(items: pd.DataFrame, size: int, spare_share: float | None) -> list[Row]:
    spare = _default(spare_share, 0.1, "spare_share")
    lot = items["lot"] if "lot" in items else pd.Series(index=items.index, dtype="str")
    rows: list[Row] = []
    for name, count in lot.fillna("").value_counts(sort=False).items():
        amount = math.ceil(round(count * (1 + spare.number) / size, 9))
        what = f"packs of dough, lot {name}" if name else "packs of dough"
        basis = f"{count} items + {spare.number:.0%} spare, {size} to a pack"
        source = COMMON if spare.source == COMMON else STATED
        rows.append((what, float(amount), "packs", basis, source))
    return rows


def _fuels(
    bakes: pd.DataFrame,
    per_bake: Mapping[str, tuple[float, str]],
    per_session: Mapping[str, tuple[float, str]],
) -> list[Row]:
    n_bakes = len(bakes)
    n_sessions = bakes["session"].fillna("").nunique()
    total: dict[tuple[str, str], list[tuple[float, str]]] = {}
    for given, count, each in (
        (per_bake, n_bakes, "bakes"),
        (per_session, n_sessions, "sessions"),
    ):
        for name, stated in given.items():
            if not isinstance(stated, tuple | list) or len(stated) != 2:
                raise DesignError(
                    f"the fuel '{name}' is {stated!r}. Give an amount and its unit, "
                    "such as (4, 'kg')."
                )
            amount, unit = _amount(stated[0], f"the amount of {name}"), str(stated[1])
            part = (amount * count, f"{amount:g} {unit} x {count} {each}")
            total.setdefault((name, unit), []).append(part)
    return [
        (
            name,
            sum(amount for amount, _ in parts),
            unit,
            " + ".join(basis for _, basis in parts),
            STATED,
        )
        for (name, unit), parts in total.items()
    ]


def _hours(
    bakes: pd.DataFrame, items: pd.DataFrame, again: set[str], times: _Times
) -> list[Row]:
    rows: list[Row] = []
    for session, own in bakes.groupby(bakes["session"].fillna(""), sort=False):
        there = items[items["bake"].isin(own["bake"])]
        planned = own["minutes"].astype("float64")
        if times.bake.source == STATED:
            planned[:] = times.bake.number
        baking = float(planned.fillna(times.bake.number).sum())
        handling = 2 * len(there) * times.handling.number / 60
        between = (len(own) - 1) * times.between.number
        gradings = len(there) + int(there["code"].isin(again).sum())
        grading = gradings * times.grading.number / 60
        parts = {
            "settle": times.settle.number,
            f"bake ({len(own)})": baking,
            "load and unload": handling,
            "between bakes": between,
            "cool": times.cool.number,
            f"grade ({gradings})": grading,
        }
        basis = ", ".join(f"{name} {value:.0f}" for name, value in parts.items())
        known = planned.notna().all() and times.bake.source == COMMON
        source = PLAN_AND_COMMON if known else times.source()
        what = f"session {session}" if session else "the bakes"
        total = round(sum(parts.values()) / 60, 1)
        rows.append((what, total, "hours", f"minutes: {basis}", source))
    return rows


def _people(people: Mapping[str, int] | None, hours: float) -> list[Row]:
    source = COMMON if people is None else STATED
    rows: list[Row] = []
    for role, count in (COMMON_PEOPLE if people is None else people).items():
        number = _amount(count, f"the number of people as {role}")
        basis = f"{number:g} x {hours:g} hours"
        rows.append((role, number, "people", basis, source))
    return rows


def _sentence(
    packs: list[Row], fuels: list[Row], hours: list[Row], people: list[Row], bakes: int
) -> str:
    n_packs = sum(row[1] for row in packs)
    parts = [f"{n_packs:g} pack{'' if n_packs == 1 else 's'} of dough"]
    parts += [f"{amount:g} {unit} of {name}" for name, amount, unit, *_ in fuels]
    n_people = sum(row[1] for row in people)
    if n_people:
        parts.append(f"{n_people:g} people")
    total, sessions = sum(row[1] for row in hours), len(hours)
    return (
        f"For {bakes} bakes you need {listing(parts, 'and')}, and about {total:.1f} "
        f"hours in {counted(sessions, 'session')}."
    )


def _caveats(fuels: list[Row], table: pd.DataFrame) -> tuple[str, ...]:
    found = []
    if not fuels:
        found.append(
            "No fuel is listed, because none was stated: say how much of each fuel a "
            "bake (fuel_per_bake) and a session (fuel_per_session) take."
        )
    if table["source"].isin([COMMON, PLAN_AND_COMMON]).any():
        found.append(
            "Rows marked common practice rest on defaults; put your own numbers in."
        )
    return tuple(found)
