"""Slips of a hand that types an afternoon's records, planted with their truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

import pitstats as ps
from pitstats.study.workbook_files import put_text

Rng = np.random.Generator


@dataclass(frozen=True)
class Slip:
    """One cell typed wrong.

    ``certain`` if nothing else than the truth can be meant.
    """

    kind: str
    table: str
    row: int
    column: str
    truth: str
    typed: str
    certain: bool = True


def afternoons() -> ps.Study:
    """Four pits on four days, written down with dates and people."""
    study = ps.demo_study("four_pits")
    days = {f"day {k}": f"2026-10-{12 + k}" for k in range(1, 5)}
    bakes = study.bakes
    return replace(
        study,
        bakes=bakes.assign(
            session=bakes["session"].map(days),
            date=bakes["session"].map(days),
            tender="Alva Reed",
        ),
        items=study.items.assign(minutes=22.5, rise_mm=41.5),
    )


# --- one slip each: from the true text to what was typed ---------------------------


def _swap(text: str, rng: Rng) -> str:
    if len(text) < 4:
        return text
    k = int(rng.integers(1, len(text) - 2))
    return text[:k] + text[k + 1] + text[k] + text[k + 2 :]


def _drop(text: str, rng: Rng) -> str:
    k = int(rng.integers(1, len(text) - 1))
    return text[:k] + text[k + 1 :]


def _wide(text: str, _: Rng) -> str:
    return chr(ord(text[0]) + 0xFEE0) + text[1:]


def _day(text: str, rng: Rng) -> str:
    year, month, day = text.split("-")
    forms = (f"{day}.{month}.{year}", f"Oct {day}, {year}", f"{year}/{month}/{day}")
    return str(rng.choice(forms))


def _either(*forms: str) -> Callable[[str, Rng], str]:
    return lambda text, rng: str(rng.choice(forms)).format(text)


_Plan = tuple[str, str, str, Callable[[str, Rng], str], bool]
#: Name, table, column, slip, and whether it is certain what was meant.
KINDS: tuple[_Plan, ...] = (
    ("grade with a capital", "items", "grade_top", lambda t, _: t.capitalize(), True),
    ("grade in capitals", "items", "grade_bottom", lambda t, _: t.upper(), True),
    ("blanks around a grade", "items", "grade_top", _either(" {}", "{}  "), True),
    ("letters swapped", "items", "grade_top", _swap, True),
    ("letter dropped", "items", "grade_bottom", _drop, True),
    ("invisible in a grade", "items", "grade_top", lambda t, _: f"{t}\u200b", True),
    ("bake in small letters", "items", "bake", lambda t, _: t.lower(), True),
    ("blanks in a bake", "items", "bake", lambda t, _: t.replace("-", " - "), True),
    ("long dash", "items", "bake", lambda t, _: t.replace("-", "\u2013"), True),
    ("wide letter", "items", "bake", _wide, True),
    ("grate in capitals", "items", "grate", lambda t, _: t.upper(), True),
    ("decimal comma", "items", "rise_mm", lambda t, _: t.replace(".", ","), True),
    ("mm beside it", "items", "rise_mm", _either("{} mm", "{}mm"), True),
    ("minutes beside it", "items", "minutes", _either("{} min", "{} minutes"), True),
    ("pit in small letters", "bakes", "pit", lambda t, _: t.lower(), True),
    ("degrees beside it", "bakes", "grate_temp", _either("{}F", "{} °F"), True),
    ("per cent", "bakes", "damper_open", lambda t, _: f"{float(t):.0%}", True),
    ("status", "bakes", "status", _either("Kept", "kept ", "KEPT"), True),
    ("person in capitals", "bakes", "tender", lambda t, _: t.upper(), True),
    ("two blanks", "bakes", "tender", lambda t, _: t.replace(" ", "  "), True),
    ("day in another form", "bakes", "date", _day, True),
    ("session in another form", "bakes", "session", _day, True),
    ("header", "items", "", _either("{} ", " {}"), True),
    ("another word", "items", "grade_top", lambda *_: "charred", False),
    ("burnt", "items", "grade_bottom", lambda *_: "burnt", False),
    ("outside the grate", "items", "row", lambda *_: "17", False),
    ("letter for a digit", "items", "column", lambda *_: "l", False),
    ("no name", "items", "bake", lambda *_: "", False),
    ("no such bake", "items", "bake", lambda t, _: t + "7", False),
    ("per cent as number", "bakes", "intake_open", lambda *_: "50", False),
    ("other unit", "bakes", "indicated_temp", lambda *_: "163C", False),
)


def plant(folder: Path, count: int, rng: Rng) -> list[Slip]:
    """Choose cells of a study folder and what is typed there instead."""
    frames = {
        name: pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        for name in ("bakes", "items")
    }
    used: set[tuple[str, int]] = set()
    slips: list[Slip] = []
    for kind in _turns(count, rng):
        name, table, column, change, certain = kind
        frame = frames[table]
        for place in rng.permutation(len(frame)):
            own, row = column, int(place) + 2
            if not column:  # a header, which stands in row 1
                own, row = str(rng.choice(frame.columns[4:])), 1
            truth = own if row == 1 else str(frame.at[place, own])
            typed = change(truth, rng) if len(truth) > 0 else truth
            # One slip a row; none whose result is no slip, or is another word.
            if typed != truth and (table, row if row > 1 else hash(own)) not in used:
                used.add((table, row if row > 1 else hash(own)))
                slips.append(Slip(name, table, row, own, truth, typed, certain))
                break
    return slips


def _turns(count: int, rng: Rng) -> Iterator[_Plan]:
    """Take every kind in turn; those of bakes, which are few, less often."""
    given = 0
    while given < count:
        for kind in KINDS:
            seldom = kind[1] == "bakes" or not kind[4]
            if given < count and (not seldom or given < len(KINDS)):
                given += 1
                yield kind


def into_folder(folder: Path, slips: list[Slip]) -> None:
    """Type the slips into the files of a study."""
    for table in {slip.table for slip in slips}:
        file = folder / f"{table}.csv"
        frame = pd.read_csv(file, dtype=str, keep_default_na=False, header=None)
        header = list(frame.iloc[0])
        for slip in slips:
            if slip.table == table:
                frame.iat[slip.row - 1, header.index(slip.column)] = slip.typed
        frame.to_csv(file, index=False, header=False)


def into_workbook(book: Path, slips: list[Slip]) -> None:
    """Type the slips into the cells of a workbook."""
    opened = openpyxl.load_workbook(book)
    headers = {
        sheet.title: [cell.value for cell in sheet[1]] for sheet in opened.worksheets
    }
    for slip in slips:
        column = headers[slip.table].index(slip.column) + 1
        put_text(opened[slip.table].cell(slip.row, column), slip.typed)
    opened.save(book)
