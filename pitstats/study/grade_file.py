"""The file that the page for the phone hands out: read whole, or refused in words.

The file is JSON. A sum over its content stands at its end, so that a file that lost or
changed a letter on its way is refused instead of being believed. Text around it, as
mail programs add, does no harm.
"""

from __future__ import annotations

import json
import os
import re
import stat
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from pitstats.study.cells import clean, quote, read_number, read_text, visible
from pitstats.study.raw import UnreadableError
from pitstats.study.schema import FACES

FORMAT, VERSION = "pitstats grades", 1
KINDS = ("first", "second", "times")
#: A file of ten thousand items with long notes stays below it.
LARGEST_BYTES = 8_000_000

_SHEET_ID = re.compile(r"s[0-9a-z]{6,20}")
_SUM = re.compile(r"[0-9a-f]{8}")
_LARGEST_COUNT = 10**9


@dataclass(frozen=True, kw_only=True)
class GradedItem:
    """What was entered for one code; "" where nothing was."""

    code: str
    grades: dict[str, str]
    missing: str = ""
    rise_mm: str = ""
    photo: str = ""
    notes: str = ""


@dataclass(frozen=True, kw_only=True)
class TimedBake:
    """When one bake was loaded and unloaded, as a clock shows it."""

    session: int
    bake: int
    loaded_at: str = ""
    unloaded_at: str = ""
    notes: str = ""

    @property
    def minutes(self) -> float | None:
        """Length of the bake, if both times are known."""
        if not (self.loaded_at and self.unloaded_at):
            return None
        begin, end = map(datetime.fromisoformat, (self.loaded_at, self.unloaded_at))
        return round((end - begin).total_seconds() / 60, 2)


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What one person entered in one go: grades of a session, or times of bakes."""

    sheet: str
    kind: str
    person: str
    changes: int
    file: str
    session: int = 0
    blind: bool = True
    items: tuple[GradedItem, ...] = ()
    bakes: tuple[TimedBake, ...] = ()


@dataclass(frozen=True, kw_only=True)
class GradeFile:
    """A file as it was handed out."""

    name: str
    plan: str
    sheets: tuple[Sheet, ...] = field(default=())
    invisible: bool = False


def read_grade_file(path: Path) -> GradeFile:
    """Read a file that the page for the phone handed out."""
    name = path.name
    content = _checked(_json(file_text(path)))
    known = _Reader(content, "")
    plan = known.text("plan")
    sheets = tuple(_sheet(_Reader(s, "its sheets"), name) for s in known.list("sheets"))
    known.end("format", "version", "handed_out")
    twice = {sheet.sheet for sheet in sheets}
    if len(twice) < len(sheets):
        raise UnreadableError("it holds one sheet twice. Hand the file out again.")
    hidden = holds_invisible(canonical(content).decode("utf-8", "replace"))
    return GradeFile(name=name, plan=plan, sheets=sheets, invisible=hidden)


def holds_invisible(text: str) -> bool:
    """Tell whether a text holds characters that studies leave out."""
    inside = f".{text}."
    return visible(inside) != inside


# --- bytes, text, JSON --------------------------------------------------------------


def file_text(path: Path) -> str:
    """Read a regular file of a size that such files have."""
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    with os.fdopen(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise UnreadableError("this is not a file. Give the file itself.")
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise UnreadableError(
            f"it is larger than {LARGEST_BYTES // 1_000_000} MB, which no file of "
            "grades is. Give the file that the page handed out."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableError(_NOT_OURS) from None


_NOT_OURS = (
    "this is not a file that grade.html handed out. Give the file itself, not a "
    "photograph or a print of it."
)
_NOT_WHOLE = (
    "it is not whole, or was changed after the page handed it out. Hand it out again, "
    "and send it as a file rather than as text of a message."
)


def _json(text: str) -> dict[str, Any]:
    begin, end = text.find("{"), text.rfind("}")
    if begin < 0 or '"format"' not in text:
        raise UnreadableError(_NOT_OURS)
    try:
        found = json.loads(
            text[begin : end + 1],
            object_pairs_hook=_once,
            parse_constant=_refused,
            parse_float=_refused,
        )
    except (ValueError, RecursionError):
        raise UnreadableError(_NOT_WHOLE) from None
    assert isinstance(found, dict)  # it began with a brace
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice")
    return found


def _refused(text: str) -> None:
    raise ValueError(f"{text} is no number of this format")


def canonical(content: dict[str, Any]) -> bytes:
    """Write content the one way that the sum is made over."""
    text = json.dumps(content, ensure_ascii=False, separators=(",", ":"))
    return text.encode("utf-8", "surrogatepass")


def check_sum(content: dict[str, Any]) -> str:
    """Sum of a file's content, which stands at its end."""
    return f"{zlib.crc32(canonical(content)):08x}"


def _checked(found: dict[str, Any]) -> dict[str, Any]:
    if found.get("format") != FORMAT:
        raise UnreadableError(_NOT_OURS)
    version = found.get("version")
    if version != VERSION or isinstance(version, bool):
        raise UnreadableError(
            f"it is of version {quote(version)} of the format; this pitstats reads "
            f"version {VERSION}. Update pitstats, or hand the file out by the page "
            "that this pitstats wrote."
        )
    content = {key: value for key, value in found.items() if key != "sum"}
    if list(found)[-1] != "sum" or found["sum"] != check_sum(content):
        raise UnreadableError(_NOT_WHOLE)
    return content


# --- content ------------------------------------------------------------------------


class _Reader:
    """Takes the parts of one object; what is absent or of another kind is refused."""

    def __init__(self, found: Any, where: str) -> None:
        self._found: dict[str, Any] = found if isinstance(found, dict) else {}
        self._where = where
        self._left = set(self._found)

    def _take(self, key: str, right: Callable[[Any], bool]) -> Any:
        self._left.discard(key)
        value = self._found.get(key)
        if not right(value):
            place = f" of {self._where}" if self._where else ""
            raise UnreadableError(
                f"{key}{place} is {quote(value)}, which the page never writes. Hand "
                "the file out again."
            )
        return value

    def text(self, key: str) -> str:
        found: str = self._take(key, lambda value: isinstance(value, str))
        cell = read_text(clean(found))
        if cell.problem:
            raise UnreadableError(f"{key}: {cell.problem}")
        return visible(clean(found))

    def count(self, key: str) -> int:
        found: int = self._take(
            key, lambda value: type(value) is int and 0 <= value <= _LARGEST_COUNT
        )
        return found

    def flag(self, key: str) -> bool:
        found: bool = self._take(key, lambda value: isinstance(value, bool))
        return found

    def list(self, key: str) -> list[Any]:
        found: list[Any] = self._take(key, lambda value: isinstance(value, list))
        return found

    def part(self, key: str) -> _Reader:
        found = self._take(key, lambda value: isinstance(value, dict))
        return _Reader(found, key)

    def faces(self) -> dict[str, str]:
        grades = {face: self.text(face) for face in FACES if face in self._found}
        self.end()
        return grades

    def end(self, *passed: str) -> None:
        """Refuse what was not asked for: nothing is dropped without a word."""
        if left := sorted(self._left - set(passed)):
            raise UnreadableError(
                f"it holds {quote(left[0])}, which this pitstats does not know. Update "
                "pitstats, or hand the file out again."
            )


def _sheet(found: _Reader, file: str) -> Sheet:
    kind, sheet = found.text("kind"), found.text("sheet")
    if kind not in KINDS or not _SHEET_ID.fullmatch(sheet):
        raise UnreadableError(
            f"it holds a sheet {quote(sheet)} of kind {quote(kind)}, which this "
            "pitstats does not know. Update pitstats, or hand the file out again."
        )
    person, changes = found.text("person"), found.count("changes")
    if kind == "times":
        bakes = tuple(map(timed_bake_of, found.list("bakes")))
        found.end()
        return Sheet(
            sheet=sheet, kind=kind, person=person, changes=changes, file=file,
            bakes=bakes,
        )  # fmt: skip
    session, blind = found.count("session"), found.flag("blind")
    items = tuple(map(item_of, found.list("items")))
    found.end()
    return Sheet(
        sheet=sheet, kind=kind, person=person, changes=changes, file=file,
        session=session, blind=blind, items=items,
    )  # fmt: skip


def item_of(entry: Any) -> GradedItem:
    """Check one entry of a grading."""
    found = _Reader(entry, "an item")
    code, grades = found.text("code"), found.part("grades").faces()
    texts = {name: found.text(name) for name in ("missing", "rise_mm", "photo")}
    notes = found.text("notes")
    found.end()
    rise = texts["rise_mm"]
    if rise and read_number(rise).value is None:
        raise UnreadableError(
            f"the rise of code {quote(code)} is {quote(rise)}; allowed is a number of "
            "mm, such as 41.5. Correct it on the page and hand the file out again."
        )
    return GradedItem(code=code, grades=grades, notes=notes, **texts)


def timed_bake_of(entry: Any) -> TimedBake:
    """Check the times of one bake."""
    found = _Reader(entry, "a bake")
    bake = TimedBake(
        session=found.count("session"),
        bake=found.count("bake"),
        loaded_at=found.text("loaded_at"),
        unloaded_at=found.text("unloaded_at"),
        notes=found.text("notes"),
    )
    found.end()
    name = f"bake {bake.bake} of session {bake.session}"
    zones = set()
    for moment in filter(None, (bake.loaded_at, bake.unloaded_at)):
        try:
            zones.add(datetime.fromisoformat(moment).tzinfo is None)
        except ValueError:
            zones = {True, False}
        if len(zones) > 1:
            raise UnreadableError(
                f"{name} has the time {quote(moment)}; a time looks like "
                "2026-05-02T14:03:10+02:00. Hand the file out again."
            )
    if bake.minutes is not None and bake.minutes <= 0:
        raise UnreadableError(
            f"{name} ends before it begins ({bake.loaded_at} to {bake.unloaded_at}). "
            "Correct it on the page and hand the file out again."
        )
    return bake
