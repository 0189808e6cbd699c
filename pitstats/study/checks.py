"""Tables against each other: what one row alone cannot show.

Every check adds to the same list, so that a cook sees all problems at once. A check
leaves alone what an earlier problem already explains.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from pitstats.errors import some
from pitstats.study.cells import counted, half_day_minutes, listing, number_text, quote
from pitstats.study.columns import read_header, read_table, suggestion
from pitstats.study.context import Context
from pitstats.study.grading import deciding_code, face_codes
from pitstats.study.places import check_places
from pitstats.study.problems import ProblemLog
from pitstats.study.schema import (
    BAKES,
    DERIVED_ITEM_COLUMNS,
    GRADE_COLUMNS,
    PLACE_COLUMNS,
    REFERENCES,
    RESULT_COLUMNS,
    TABLES,
    TEMPERATURES,
)
from pitstats.study.settings import Settings
from pitstats.study.similar_names import say_alike, say_doubtful_days
from pitstats.study.totals import check_totals

# Lids are opened and watches read a little beside the minute.
_MINUTES_OFF = 5


def check_tables(
    raw: Mapping[str, pd.DataFrame], settings: Settings, log: ProblemLog
) -> dict[str, pd.DataFrame]:
    """Read all tables of a study and check them against each other."""
    tables = {
        table.name: read_table(
            table, raw.get(table.name, pd.DataFrame()), settings, log
        )
        for table in TABLES
    }
    context = Context(tables, settings, log)
    _say_no_status(raw.get("bakes", pd.DataFrame()), context)
    for check in _CHECKS:
        check(context)
    return tables


# --- names and references -----------------------------------------------------------


def _check_units(context: Context) -> None:
    """Refuse numbers whose unit cannot be known."""
    for unit, kinds, name in (
        ("temperature_unit", tuple(TEMPERATURES), "temperatures"),
        ("length_unit", ("length",), "lengths"),
    ):
        if getattr(context.settings, unit) or not context.log.has("study", unit):
            continue
        used = [
            f"{column.name} in {table.name}"
            for table in TABLES
            for column in table.columns
            if column.unit in kinds
            and context.tables[table.name][column.name].notna().any()
        ]
        if used:
            allowed = "F or C" if unit == "temperature_unit" else "in or cm"
            message = (
                f"is not stated, but {name} are recorded ({listing(used, 'and')}). "
                f"State {allowed}."
            )
            context.log.problem(message, "study", column=unit)


def _check_rows_exist(context: Context) -> None:
    for name, what in (("pits", "pit"), ("bakes", "bake")):
        lost = not context.log.has(name, what)
        if context.tables[name].empty and not lost:
            context.log.problem(f"holds no {what}. Add a row for each {what}.", name)


def _check_keys(context: Context) -> None:
    """Refuse two rows for one thing."""
    for table, key, what in (
        ("pits", "pit", "pit"),
        ("bakes", "bake", "bake"),
        ("counts", "bake", "the totals of bake"),
    ):
        for row, (name,), first in context.repeated(table, key):
            message = (
                f"{what} {quote(name)} is already in row {first}. Delete one of the "
                "rows, or correct the name."
            )
            context.log.problem(message, table, row, key)


def _check_references(context: Context) -> None:
    """Refuse rows that belong to a pit or bake that is not there."""
    for table, column, target in REFERENCES:
        known = context.names(target, column)
        if not known or not context.log.has(target, column):
            continue
        for row, name in context.recorded(table, column):
            if name is not None and name not in known:
                message = (
                    f"found {quote(name)}, but {target} has no such {column}. "
                    f"{suggestion(name, list(known))} Correct the name, or add the "
                    f"{column} to {target}."
                )
                context.log.problem(message, table, row, column)


# --- bakes --------------------------------------------------------------------------


def _check_bakes(context: Context) -> None:
    """Complete the status of bakes, and check what goes with it."""
    bakes = context.tables["bakes"]
    unreadable = [context.log.knows("bakes", row, "status") for row in bakes.index]
    bakes["status"] = bakes["status"].mask(
        bakes["status"].isna() & ~np.array(unreadable, dtype=bool), "kept"
    )
    for row, status, reason in context.recorded("bakes", "status", "reason"):
        if status == "excluded" and reason is None:
            message = (
                "is empty, but the bake is excluded. Say why, so that readers can "
                "judge it."
            )
            context.log.problem(message, "bakes", row, "reason")
        if status == "kept" and reason is not None:
            message = (
                f"found {quote(reason)}, a reason for leaving the bake out, but its "
                "status is kept or not given, which means kept. Set status to "
                "excluded, or clear the reason."
            )
            context.log.problem(message, "bakes", row, "reason")


def _say_minutes_off(context: Context) -> None:
    """Say which bakes lasted for another time than between their own two clock times.

    Counted within half a day, so that neither midnight nor a missing pm matters.
    """
    for row, minutes, *clock in context.recorded(
        "bakes", "minutes", "loaded_at", "unloaded_at"
    ):
        if minutes is None or None in clock:
            continue
        begin, end = map(half_day_minutes, clock)
        if begin is None or end is None:
            continue
        between = (end - begin) % 720
        off = abs(between - minutes % 720)
        if min(off, 720 - off) > _MINUTES_OFF:
            message = (
                f"{minutes:g} min, but {clock[0]} (loaded_at) to {clock[1]} "
                f"(unloaded_at) are {between} min; all are taken as typed, correct the "
                "one that is wrong"
            )
            context.log.assume(message, "bakes", row, "minutes")


def _say_no_status(typed: pd.DataFrame, context: Context) -> None:
    """Say that all bakes are taken as kept where nobody could have excluded one."""
    bakes = context.tables["bakes"]
    headers = {read_header(BAKES, str(header)) for header in typed.columns}
    if bakes.empty or "status" in headers or "bake" not in headers:
        return
    words = set(BAKES.column("status").choices)
    meant = [
        str(name)
        for name in bakes.columns
        if name not in BAKES.column_names
        and bakes[name].notna().any()
        and {str(word).casefold() for word in bakes[name].dropna()} <= words
    ]
    hint = f"; rename {quote(meant[0])} if it was meant" if meant else ""
    context.log.assume(
        f"there is no column status, so all bakes are taken as kept{hint}", "bakes"
    )


def _check_vents(context: Context) -> None:
    """Refuse the position of a damper or intake that the pit does not have."""
    pits = context.tables["pits"]
    for has, opening, what in (
        ("has_damper", "damper_open", "damper"),
        ("has_intake", "intake_open", "intake"),
    ):
        without = set(pits.loc[pits[has].eq(False).fillna(False), "pit"])
        for row, pit, value in context.recorded("bakes", "pit", opening):
            if value is not None and pit in without:
                message = (
                    f"found {number_text(value)}, but pits says that pit {quote(pit)} "
                    f"has no {what}. Empty the cell, or correct {has} in pits."
                )
                context.log.problem(message, "bakes", row, opening)


def _check_results(context: Context) -> None:
    """Check that each bake has the results its status promises, and in one place."""
    log = context.log
    if not log.has("items", "bake") or not log.has("counts", "bake"):
        return
    items, counts = context.names("items", "bake"), context.names("counts", "bake")
    kept = False
    for row, bake, status in context.recorded("bakes", "bake", "status"):
        if bake in counts and bake in items:
            message = f"bake {quote(bake)} also has rows in items. Keep one of the two."
            log.problem(message, "counts", counts[bake], "bake")
        if status == "planned" and bake in counts:
            message = (
                f"bake {quote(bake)} is planned, but its results are here. Set its "
                "status in bakes to kept or excluded."
            )
            log.problem(message, "counts", counts[bake], "bake")
        if status == "kept" and bake is not None:
            kept = True
            if bake not in items and bake not in counts and (items or counts):
                message = (
                    f"bake {quote(bake)} is kept but has no rows in items or counts. "
                    "Enter its results, or set the status to planned or excluded."
                )
                log.problem(message, "bakes", row, "status")
    if kept and not items and not counts:
        log.problem(
            "there are no results: both items and counts are empty or not there. Enter "
            "one row per item in items, or the totals of each bake in counts.",
            "items",
        )


def _check_counts(context: Context) -> None:
    for row, n_items, *parts in context.recorded(
        "counts", "n_items", "n_burned", "n_raw"
    ):
        for name, value in zip(("n_burned", "n_raw"), parts, strict=True):
            if value is not None and n_items is not None and value > n_items:
                message = (
                    f"found {value}, but only {n_items} items were graded (n_items). "
                    "Correct one of them."
                )
                context.log.problem(message, "counts", row, name)


# --- items --------------------------------------------------------------------------


def _check_cells_differ(context: Context) -> None:
    """Refuse two items on one cell of one bake, and two items with one code."""
    for row, (bake, grate, *cell), first in context.repeated("items", *PLACE_COLUMNS):
        message = (
            f"bake {quote(bake)} already has an item on grate {quote(grate)}, row "
            f"{cell[0]}, column {cell[1]}: see row {first}. Correct the place, or "
            "delete one of the rows."
        )
        context.log.problem(message, "items", row, "column")
    for row, (bake, code), first in context.repeated("items", "bake", "code"):
        message = (
            f"code {quote(code)} of bake {quote(bake)} is already in row {first}. "
            "Correct one of the codes."
        )
        context.log.problem(message, "items", row, "code")


def _check_flags(context: Context) -> None:
    """Refuse a burned mark that the grades contradict."""
    log = context.log
    cuts = ("grades", "burned_from", "face")
    if not log.has("study", *cuts) or context.tables["items"].empty:
        return
    settings, items = context.settings, context.tables["items"]
    deciding = deciding_code(face_codes(items, settings), settings)
    flag = items["burned"].to_numpy(dtype=float, na_value=np.nan)
    graded = np.where(np.isnan(deciding), np.nan, deciding >= settings.burned_code)
    wrong = ~np.isnan(flag) & ~np.isnan(graded) & (flag != graded)
    for row, code, mark in zip(
        items.index[wrong], deciding[wrong], flag[wrong], strict=True
    ):
        grade = quote(settings.grades[int(code)])
        face = "darkest" if settings.face == "worst" else settings.face
        message = (
            f"found {'yes' if mark else 'no'}, but the {face} face is graded {grade}, "
            f"and items count as burned from {quote(settings.burned_from)} on. Correct "
            "the mark or the grade, or leave burned empty."
        )
        log.problem(message, "items", row, "burned")


def _check_planned_items(context: Context) -> None:
    """Refuse results of bakes that are said to be planned only."""
    bakes, items = context.tables["bakes"], context.tables["items"]
    planned = set(bakes.loc[bakes["status"].eq("planned"), "bake"].dropna())
    if not planned or items.empty:
        return
    results = items[[*RESULT_COLUMNS]]
    done = items["bake"].isin(planned) & results.notna().any(axis=1)
    for bake, row in _first_rows(items[done]).items():
        message = (
            f"bake {quote(bake)} is planned, but it has results here. Set its status "
            "in bakes to kept or excluded."
        )
        context.log.problem(message, "items", row, "bake")


def _first_rows(items: pd.DataFrame) -> dict[str, int]:
    """First row of each bake."""
    first = items.drop_duplicates("bake")
    return dict(zip(first["bake"], first.index, strict=True))


def _lacks_a_face(items: pd.DataFrame) -> pd.Series:
    """Whether an item lacks a face that was graded of another item of its bake."""
    graded = items[[*GRADE_COLUMNS]].notna()
    in_bake = graded.groupby(items["bake"], sort=False).transform("any")
    return (in_bake & ~graded).any(axis=1)


def _say_missing(context: Context) -> None:
    """Say how items without a result, or with a result and a reason, are counted."""
    bakes, items = context.tables["bakes"], context.tables["items"]
    if items.empty:
        return
    kept = bakes.loc[bakes["status"].eq("kept"), "bake"].dropna()
    mine = items[items["bake"].isin(kept)]
    results = mine[[*GRADE_COLUMNS, "burned"]].notna().any(axis=1)
    reason = mine["missing"].notna()
    face = context.settings.face
    other_face = results & ~reason & mine["burned"].isna()
    some_faces = other_face & (face == "worst")
    if face == "worst":
        some_faces &= _lacks_a_face(mine)
        other_face &= False
    else:
        other_face &= mine[f"grade_{face}"].isna()
    # A grade that was found but not understood is told already.
    told = [
        any(context.log.knows("items", row, column) for column in RESULT_COLUMNS)
        for row in mine.index
    ]
    reason |= np.array(told, dtype=bool)
    results &= ~np.array(told, dtype=bool)
    some_faces &= ~np.array(told, dtype=bool)
    for rows, text in (
        (
            ~results & ~reason,
            "no grade, burned mark or reason: counted as missing, 'not recorded'",
        ),
        (
            results & reason,
            "a grade or burned mark and a reason in missing: counted as missing",
        ),
        (other_face, f"no grade of the {face}: counted as missing"),
        (
            some_faces,
            "no grade of a face that others of the bake have: counted by the faces "
            "that were graded",
        ),
    ):
        if rows.any():
            found = list(map(str, mine.index[rows]))
            have, row = ("has", "row") if len(found) == 1 else ("have", "rows")
            message = f"{counted(len(found), 'item')} {have} {text}"
            context.log.assume(f"{message} ({row} {some(found)})", "items")


def _check_own_item_columns(context: Context) -> None:
    """Keep columns of the user's own from clashing with those worked out."""
    items = context.tables["items"]
    for name in DERIVED_ITEM_COLUMNS:
        if name in items.columns:
            message = (
                "this name is kept for a value that is worked out from the others. "
                "Rename the column."
            )
            context.log.problem(message, "items", column=name)
    bakes = context.tables["bakes"].dropna(subset=["bake"]).drop_duplicates("bake")
    for name in ("pit", "session"):
        if name not in items.columns:
            continue
        of_bake = dict(zip(bakes["bake"], bakes[name].fillna(""), strict=True))
        for row, bake, value in context.recorded("items", "bake", name):
            text = number_text(value) if isinstance(value, float) else value
            if bake in of_bake and text is not None and text != of_bake[bake]:
                message = (
                    f"found {quote(text)}, but bakes has {quote(of_bake[bake])} for "
                    f"bake {quote(bake)}. Correct one of them, or delete the column."
                )
                context.log.problem(message, "items", row, name)


# --- second gradings ----------------------------------------------------------------


def _check_regrades(context: Context) -> None:
    """Check that each second grading says which item it is about."""
    if context.tables["items"].empty:
        _refuse_regrades(context)
        return
    items = list(context.recorded("items", "code", *PLACE_COLUMNS))
    codes = Counter(code for _, code, *_ in items if code is not None)
    of_bakes = Counter((code, bake) for _, code, bake, *_ in items)
    places = {tuple(place) for _, _, *place in items}
    bakes = {place[0] for place in places}
    for row, code, *place in context.recorded("regrades", "code", *PLACE_COLUMNS):
        bake, whole = place[0], None not in place
        if bake is not None and bake not in bakes:
            continue  # told already, or told of the items
        message, column = "", "code"
        if whole:
            if tuple(place) not in places:
                column = "bake"
                message = (
                    f"there is no item of bake {quote(bake)} on grate "
                    f"{quote(place[1])}, row {place[2]}, column {place[3]}. Correct "
                    "the place."
                )
        elif code is None:
            message = (
                "says neither the code nor the whole place (bake, grate, row, column). "
                "Fill in one of them."
            )
        elif bake is None:
            message = _code_message(code, codes[code], list(codes))
        elif of_bakes[code, bake] != 1:
            message = (
                f"found {quote(code)}, but no item of bake {quote(bake)} has this "
                "code. Correct one of them."
            )
        if message:
            context.log.problem(message, "regrades", row, column)


def _refuse_regrades(context: Context) -> None:
    """Say once that second gradings have no items to belong to."""
    count = len(context.tables["regrades"])
    if count and context.log.has("items", "bake"):
        context.log.problem(
            f"holds {counted(count, 'row')} of second gradings, but items holds no "
            "item that was graded first. Enter the items, or delete these rows.",
            "regrades",
        )


def _code_message(code: str, count: int, known: list[str]) -> str:
    if count == 1:
        return ""
    if not known:
        return (
            f"found {quote(code)}, but no item in items has a code. Fill in the codes "
            "there, or the whole place here."
        )
    if count == 0:
        return (
            f"found {quote(code)}, but no item has this code. "
            f"{suggestion(code, known)} Correct the code."
        )
    return (
        f"found {quote(code)}, but {count} items have this code. Fill in the bake (and "
        "grate, row and column) too."
    )


def _check_looks(context: Context) -> None:
    """Refuse a look after more bakes of a pit than were made of any."""
    taken = context.settings.looks_taken
    known = context.log.has("study", "looks_taken") and context.log.has("bakes", "pit")
    if not taken or not known:
        return
    bakes = context.tables["bakes"]
    most = int(bakes.loc[bakes["status"] != "planned", "pit"].value_counts().max() or 0)
    if taken[-1] > most:
        message = (
            f"names a look after {taken[-1]} bakes of each pit, but no pit has more "
            f"than {most}. Correct the list of looks, or add the bakes that are "
            "missing, also those that were excluded."
        )
        context.log.problem(message, "study", column="looks_taken")


_CHECKS: tuple[Callable[[Context], None], ...] = (
    _check_units,
    _check_rows_exist,
    _check_keys,
    _check_references,
    check_places,
    _check_bakes,
    _say_minutes_off,
    _check_vents,
    _check_results,
    _check_counts,
    _check_cells_differ,
    _check_flags,
    _check_planned_items,
    _say_missing,
    _check_own_item_columns,
    _check_regrades,
    _check_looks,
    check_totals,
    say_alike,
    say_doubtful_days,
)
