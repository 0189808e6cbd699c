"""From what stands in a cell to a value: tolerant where the meaning is plain.

Everything a spreadsheet may hold (text, numbers, dates, truth values) is first turned
into text, then read by the kind of its column. What cannot be read for certain is
never guessed: the cell becomes a problem that says what was found and what is allowed.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from pitstats.study.schema import LARGEST_WHOLE, LONGEST_TEXT, Column
from pitstats.study.settings import Settings

YES = frozenset({"yes", "y", "true", "t", "1", "1.0"})
NO = frozenset({"no", "n", "false", "f", "0", "0.0"})
#: Words for "not recorded" outside text columns, where NA may well be a name.
NOT_RECORDED = frozenset({"na", "n/a", "n.a.", "nan", "null", "<na>", "-"})

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d{1,3})?", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")
_COMMA_OF_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_BOTH_MARKS_POINT = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d+")
_BOTH_MARKS_COMMA = re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d+")
_PLAIN_NUMBER = re.compile(r"-?(0|[1-9]\d*)(\.\d+)?")
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})([:.h](?P<minute>[0-5]\d)(:[0-5]\d(\.\d+)?)?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?",
    re.IGNORECASE,
)
# As telephones and spreadsheets write a moment: 2026-05-02 14:05, with or without zone.
_DAY_AND_CLOCK = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
_FIRST_SHEET_YEAR = 1904  # spreadsheets count days from 1900 or 1904
# Control characters, lone surrogates and the two non-characters no file format keeps.
_UNPRINTABLE = re.compile("[\x00-\x08\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
#: What takes no place on the screen, or turns the order of letters around. A joiner
#: between letters beyond the Latin ones is part of how they are written, and stays.
_INVISIBLE = re.compile(
    "[\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b\u200e\u200f"
    "\u202a-\u202e\u2060-\u206f\u3164\ufeff\uffa0\ufff9-\ufffb\U000e0000-\U000e0fff]"
    "|(?<![\u0370-\U0010ffff])[\u200c\u200d]|[\u200c\u200d](?![\u0370-\U0010ffff])"
)
LINE_BREAK = re.compile("\r\n|[\r\x0b\x0c]")
# Everything that counts as blank in Unicode, and the byte order mark.
_AROUND = "".join(filter(str.isspace, map(chr, range(0x3001)))) + "\ufeff"

# The largest double with 15 digits; anything above would round to infinity.
_LARGEST_NUMBER = 1.79769313486231e308

COMMA = "decimal commas read as decimal points"
AMBIGUOUS_COMMA = "may be a decimal comma or a mark of thousands"
MARKS = "marks of thousands left out of numbers"
ABSENT = "cells such as NA or - read as not recorded"
INVISIBLE = "invisible characters left out"
CASE = "words that differ from the allowed ones only in capital letters or spaces"


@dataclass(frozen=True)
class Cell:
    """What one text means in one column.

    ``value`` is None when nothing is recorded or nothing could be read; ``problem``
    says what was found and what is allowed; ``note`` names what was assumed.
    """

    value: Any = None
    problem: str = ""
    note: str = ""


def refused(found: object, allowed: str) -> Cell:
    """Say what was found and what is allowed."""
    return Cell(problem=f"found {quote(found)}; allowed {allowed}")


def quote(text: object, longest: int = 60) -> str:
    """Show what was found, on one line and not too long."""
    shown = escaped(one_line(text))
    return f"'{shown[:longest]}…'" if len(shown) > longest else f"'{shown}'"


def escaped(text: str) -> str:
    r"""Show control characters and invisible ones by their numbers; lines stay."""
    shown = _UNPRINTABLE.sub(_number_of, text)
    return _INVISIBLE.sub(_number_of, shown)


def _number_of(found: re.Match[str]) -> str:
    return "".join(f"<U+{ord(letter):04X}>" for letter in found[0])


def visible(text: str) -> str:
    """Leave out what cannot be seen, which would make two names of one."""
    return _INVISIBLE.sub("", text).strip(_AROUND) if not text.isascii() else text


def one_line(text: object) -> str:
    """Return a user's text on one line, otherwise as typed."""
    return " ".join(str(text).split())


def listing(words: tuple[str, ...] | list[str], last: str = "or") -> str:
    """List words for a sentence."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(n: int, noun: str) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> counted(1, "bake"), counted(3, "bake")
    ('1 bake', '3 bakes')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def rounded(values: np.ndarray) -> np.ndarray:
    """Round to 15 significant digits, which CSV files and workbooks both keep."""
    result = np.array(values, dtype=float)
    with np.errstate(invalid="ignore", over="ignore"):
        short = (np.abs(result) < 1e9) & (np.round(result, 6) == result)
    rest = np.isfinite(result) & ~short
    kept = [float(f"{value:.15g}") for value in result[rest]]
    result[rest] = np.clip(kept, -_LARGEST_NUMBER, _LARGEST_NUMBER)
    return result + 0.0  # a negative zero is a zero


def number_text(value: float) -> str:
    """Write a number so that it reads back the same, without an exponent."""
    return str(np.format_float_positional(value, trim="-"))


def cell_text(value: object) -> str:
    """Turn whatever stands in a cell into text; "" means nothing recorded."""
    if isinstance(value, str):
        return clean(value)
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else _float_text(float(value))
    if isinstance(value, dt.datetime):
        day = value.time() == dt.time() and value.tzinfo is None
        return value.date().isoformat() if day else value.isoformat(" ")
    return clean(str(value))


def _float_text(value: float) -> str:
    if not np.isfinite(value):
        return str(value)
    return number_text(float(f"{value:.15g}") + 0.0)


def clean(text: str) -> str:
    """Strip the blanks around a text and use one kind of line break within it."""
    if "\r" in text or "\x0b" in text or "\x0c" in text:
        text = LINE_BREAK.sub("\n", text)
    return text.strip(_AROUND)


def texts(cells: pd.Series) -> pd.Series:
    """Turn a column of any dtype into clean text, "" where nothing is recorded."""
    if isinstance(cells.dtype, pd.CategoricalDtype):
        cells = cells.astype(object)
    known: dict[tuple[type, Any], str] = {}
    out = []
    for value in cells.to_list():
        try:
            key = (type(value), value)
            if key not in known:
                known[key] = cell_text(value)
            out.append(known[key])
        except TypeError:  # a list or the like, which cannot be a key
            out.append(cell_text(value))
    return pd.Series(out, index=cells.index, dtype=object)


def changed_texts(frame: pd.DataFrame, change: Callable[[str], str]) -> pd.DataFrame:
    """Table with its texts and headers changed; numbers stay."""
    changed = frame.rename(columns=lambda name: change(str(name)))
    for place, dtype in enumerate(frame.dtypes):
        if not pd.api.types.is_numeric_dtype(dtype):
            cells = frame.iloc[:, place]
            changed.isetitem(
                place, [change(c) if isinstance(c, str) else c for c in cells]
            )
    return changed


# --- one reader per kind of column --------------------------------------------------


def read_text(text: str) -> Cell:
    """Read free text."""
    if _UNPRINTABLE.search(text):
        return Cell(
            problem=(
                f"found {quote(text)} with a character that cannot be printed. "
                "Retype the cell."
            )
        )
    if len(text) > LONGEST_TEXT:
        return Cell(
            problem=(
                f"found a text of {len(text):,} characters; a cell holds "
                f"{LONGEST_TEXT:,}. Shorten it, and look for a quote mark that was "
                "opened and not closed."
            )
        )
    return Cell(value=text)


def read_yes_no(text: str) -> Cell:
    """Read yes or no in their usual spellings."""
    word = text.lower()
    if word in YES:
        return Cell(value=True)
    if word in NO:
        return Cell(value=False)
    return refused(text, "are yes and no (also 1/0, true/false, y/n).")


def read_number(text: str, example: str = "12.5") -> Cell:
    """Read a number with a decimal point, or a decimal comma where it must be one."""
    plain = text.replace("\N{MINUS SIGN}", "-")
    if _NUMBER.fullmatch(plain):
        value = float(plain)
        if np.isfinite(value):
            return Cell(value=float(f"{value:.15g}") + 0.0)
    if _COMMA_OF_THOUSANDS.fullmatch(plain):
        return Cell(value=_swap(plain), note=AMBIGUOUS_COMMA)
    if _DECIMAL_COMMA.fullmatch(plain):
        return Cell(value=_swap(plain), note=COMMA)
    if _BOTH_MARKS_POINT.fullmatch(plain):
        return Cell(value=float(plain.replace(",", "")), note=MARKS)
    if _BOTH_MARKS_COMMA.fullmatch(plain):
        return Cell(value=_swap(plain.replace(".", "")), note=MARKS)
    return refused(text, f"is a number without unit, such as {example}.")


def _swap(text: str) -> float:
    return float(f"{float(text.replace(',', '.')):.15g}") + 0.0


def read_whole(text: str) -> Cell:
    """Read a whole number; 3.0 counts, 3.5 does not."""
    cell = read_number(text)
    value = cell.value
    if value is not None and cell.note in ("", COMMA) and float(value).is_integer():
        if abs(value) <= LARGEST_WHOLE:
            return Cell(value=int(value), note=cell.note)
        return refused(text, f"is at most {LARGEST_WHOLE:,}.")
    return refused(text, "is a whole number.")


def half_day_minutes(text: str) -> int | None:
    """Minutes into the half of the day: 2:05, 14:05 and 2:05 pm are one time of it.

    Examples
    --------
    >>> half_day_minutes("14:05"), half_day_minutes("2:05 pm"), half_day_minutes("noon")
    (125, 125, None)
    """
    found = _CLOCK.fullmatch(text)
    if found:
        return int(found["hour"]) % 12 * 60 + int(found["minute"] or 0)
    with suppress(ValueError):
        moment = dt.datetime.fromisoformat(text)
        return moment.hour % 12 * 60 + moment.minute
    return None


def read_clock(text: str) -> Cell:
    """Read a time of day, with its day where one stands before it; kept as typed."""
    found = _CLOCK.fullmatch(text)
    if found:
        hours = range(1, 13) if found["half"] else range(24)
        if int(found["hour"]) in hours and (found["minute"] or found["half"]):
            return Cell(value=text)
    elif _DAY_AND_CLOCK.match(text):
        with suppress(ValueError):
            if dt.datetime.fromisoformat(text).year > _FIRST_SHEET_YEAR:
                return Cell(value=text)
            # 7.05 typed into a cell that shows times: the seventh day, 1:12.
            return Cell(
                problem=f"found {quote(text)}, which a spreadsheet makes of a number "
                "such as 7.05 in a cell for times. Type the time with a colon, as in "
                "7:05."
            )
    return refused(text, "is a time of day, such as 7:05, 19:05 or 7.05 pm.")


def read_choice(text: str, choices: tuple[str, ...]) -> Cell:
    """Read one of a few fixed words."""
    if text in choices:
        return Cell(value=text)
    by_key = {_loose(choice): choice for choice in choices}
    found = by_key.get(_loose(text))
    if found is not None:
        return Cell(value=found, note=CASE)
    return refused(text, f"is {listing(choices)}.{hint(text, choices)}")


def hint(text: str, known: Iterable[str]) -> str:
    """Ask whether a word that is spelled much the same was meant."""
    alike = difflib.get_close_matches(_loose(text), list(known), n=1)
    return f" Was {quote(alike[0])} meant?" if alike else ""


def _loose(text: str) -> str:
    plain = text.replace("\N{RIGHT SINGLE QUOTATION MARK}", "'").casefold()
    return " ".join(plain.split())


def read_grade(text: str, grades: tuple[str, ...]) -> Cell:
    """Read a grade: a name of the list, or its number counted from 0."""
    if text in grades:
        return Cell(value=text)
    loose: dict[str, list[str]] = {}
    for name in grades:
        loose.setdefault(_loose(name), []).append(name)
    alike = loose.get(_loose(text), [])
    if len(alike) == 1:
        return Cell(value=alike[0], note=CASE)
    # Names such as "1" ... "5" would make a number ambiguous: then only names count.
    numbers = ""
    if not any(_NUMBER.fullmatch(name) for name in grades):
        number = read_whole(text)
        if number.value in range(len(grades)):
            return Cell(value=grades[number.value], note=number.note)
        numbers = f" (or its number, 0 to {len(grades) - 1})"
    own = " Add it to grades in the study settings if it is a grade of its own."
    return refused(text, f"is {listing(grades)}{numbers}.{hint(text, grades) or own}")


def reader(column: Column, settings: Settings | None) -> Callable[[str], Cell]:
    """Reader of one column; grades stay text while the grade list is unknown."""
    if column.kind == "choice":
        return lambda text: read_choice(text, column.choices)
    if column.kind == "grade":
        if settings is None:
            return read_text
        grades = settings.grades
        return lambda text: read_grade(text, grades)
    if column.kind == "number" and column.high == 1:
        return lambda text: read_number(text, "0.5")
    simple: dict[str, Callable[[str], Cell]] = {
        "text": read_text,
        "yes/no": read_yes_no,
        "number": read_number,
        "whole": read_whole,
        "clock": read_clock,
    }
    return simple[column.kind]


DTYPES = {
    "text": "str",
    "clock": "str",
    "choice": "str",
    "grade": "str",
    "yes/no": "boolean",
    "whole": "Int64",
    "number": "float64",
}


def empty_column(kind: str, index: pd.Index) -> pd.Series:
    """Column in which nothing is recorded."""
    missing = np.nan if kind == "number" else None
    return pd.Series([missing] * len(index), index=index, dtype=DTYPES[kind])


# --- columns of the user's own ------------------------------------------------------


def is_plain_number(text: str) -> bool:
    """Tell numbers from codes: 12 and 0.5 are numbers, 007 and 1e5 are not."""
    if not _PLAIN_NUMBER.fullmatch(text):
        return False
    digits = text.lstrip("-").replace(".", "").lstrip("0")
    return len(digits) <= 15 or number_text(float(text)) == text


def own_numbers(words: Iterable[str]) -> tuple[dict[str, float], str]:
    """Read a column of the user's own as numbers, if it can only be that."""
    numbers: dict[str, float] = {}
    notes: set[str] = set()
    absent = []
    for text in words:
        if text.casefold() in NOT_RECORDED:
            absent.append(text)
        elif is_plain_number(text):
            numbers[text] = float(text)
        elif text.count(",") == 1 and is_plain_number(text.replace(",", ".")):
            notes.add(read_number(text).note)
            numbers[text] = float(text.replace(",", "."))
        else:
            return {}, ""
    points = any("." in text for text in numbers)
    if AMBIGUOUS_COMMA in notes and (COMMA not in notes or points):
        return {}, ""
    if not numbers:
        return {}, ""
    said = ([COMMA] if notes else []) + ([ABSENT] if absent else [])
    return numbers | dict.fromkeys(absent, float("nan")), " and ".join(said)
