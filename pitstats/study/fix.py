"""What can be written plainly for certain: every change of it, cell by cell.

Nothing is certain here that the checks do not know already: words that they read in
spite of capitals, spaces and units, and names that only one known name can mean.
Whatever may mean two things stays as it is, and stays a question.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from pitstats.study.cells import (
    ABSENT,
    CASE,
    COMMA,
    INVISIBLE,
    LINE_BREAK,
    MARKS,
    Cell,
    clean,
    number_text,
    visible,
)
from pitstats.study.columns import read_header, read_words
from pitstats.study.schema import REFERENCES, Column, Table
from pitstats.study.settings import Settings
from pitstats.study.similar_names import (
    ALIKE_NAMES,
    alike_key,
    only_day,
)
from pitstats.study.units import PERCENT, UNITS

_WHY = {
    COMMA: "a decimal comma",
    MARKS: "marks of thousands",
    ABSENT: "means: not recorded",
    CASE: "capital letters, spaces or quote marks",
    UNITS: "the unit stands in the settings",
    PERCENT: "per cent, as a share of 1",
}
_BLANKS = "blanks around it"
_ALIKE = "the same name but for capitals, spaces or forms of letters"
_RESULT = "a formula: its result"
_SLIP = "one letter off the only word that is near"
_DAY = "can be this day only"
#: Columns that name something of another table, and columns of days.
_REFERENCES = (*REFERENCES, ("regrades", "code", "items"))
_DAYS = (("bakes", "session"), ("bakes", "date"))
_SHORTEST_SLIP, _FAR = 4, 3


@dataclass(frozen=True)
class Change:
    """One cell that is written otherwise.

    Parameters
    ----------
    table : str
        Its table, or ``"study"``.
    row : int or None
        Row as a spreadsheet counts it; None for the file as a whole.
    column : str
        Its column, or the key of a setting; empty for the file as a whole.
    old, new : str
        What stood there, and what stands there now.
    why : str
        Why the new text means the same.
    """

    table: str
    row: int | None
    column: str
    old: str
    new: str
    why: str


@dataclass
class TypedTable:
    """Cells of one table exactly as typed, by row; the first filled row is the header.

    Where a formula has a result, ``typed`` holds the result and ``formulas`` what was
    typed, by row and position.
    """

    table: Table
    typed: dict[int, list[str]]
    formulas: dict[tuple[int, int], str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Find the header and what each of its cells names."""
        self.header = min(self.typed, default=1)
        cells = self.typed.get(self.header, [])
        names = [read_header(self.table, cell) for cell in cells]
        self.names = [
            name if name not in names[:k] else "" for k, name in enumerate(names)
        ]

    def column(self, name: str) -> Iterator[tuple[int, int, str]]:
        """Rows, positions and typed texts of one column; none if it is not there."""
        if name in self.names:
            position = self.names.index(name)
            for row, cells in self.typed.items():
                if row != self.header:
                    yield row, position, (*cells, *[""] * (position + 1))[position]


class Fixes:
    """All certain changes of the tables of one study.

    Parameters
    ----------
    tables : mapping of str to TypedTable
        Tables that could be read.
    settings : Settings
        Settings as far as they could be read.
    graded : bool
        Whether the list of grades is known.
    """

    def __init__(
        self, tables: Mapping[str, TypedTable], settings: Settings, *, graded: bool
    ) -> None:
        self.tables = tables
        self._settings = settings
        self._new: dict[tuple[str, int, int], tuple[str, str]] = {}
        for table in tables.values():
            self._fix_header(table)
            for name in filter(None, table.names):
                known = name in table.table.column_names
                kept = Column(name=name, kind="text", meaning="")
                column = table.table.column(name) if known else kept
                self._fix_column(table, column, graded=graded)
        self._fix_names()
        self._fix_days()
        self._fix_formulas()

    def changes(self) -> list[Change]:
        """List all changes, table by table and row by row."""
        order = list(self.tables)
        return [
            Change(
                name,
                row,
                self.tables[name].names[position],
                self.tables[name].formulas.get(
                    (row, position), self.tables[name].typed[row][position]
                ),
                *self._new[name, row, position],
            )
            for name, row, position in sorted(
                self._new, key=lambda place: (order.index(place[0]), *place[1:])
            )
        ]

    def cells(self, name: str) -> dict[tuple[int, int], str]:
        """Changed cells of a table by row and position."""
        return {
            (row, position): new
            for (table, row, position), (new, _) in self._new.items()
            if table == name
        }

    # --- cells that a reader understands ----------------------------------------------

    def _fix_header(self, table: TypedTable) -> None:
        for position, name in enumerate(table.names):
            typed = table.typed[table.header][position]
            if name and name != typed:
                known = name in table.table.column_names
                why = "the name of the column" if known else _BLANKS
                self._set(table.table.name, table.header, position, name, why)

    def _fix_column(self, table: TypedTable, column: Column, *, graded: bool) -> None:
        cells = {
            (row, position): (text, visible(clean(text)))
            for row, position, text in table.column(column.name)
        }
        meanings = read_words(
            column,
            [text for _, text in cells.values()],
            self._settings,
            graded=graded,
        )
        for (row, position), (typed, text) in cells.items():
            new, why = _plain(column, text, meanings[text], self._words(column, graded))
            if new == text:
                why = _BLANKS if clean(typed) == text else INVISIBLE
            if new != LINE_BREAK.sub("\n", typed):
                self._set(table.table.name, row, position, new, why)

    def _words(self, column: Column, graded: bool) -> tuple[str, ...]:
        if column.kind == "grade":
            return self._settings.grades if graded else ()
        return column.choices

    # --- names ------------------------------------------------------------------------

    def _fix_names(self) -> None:
        for table, column, target in _REFERENCES:
            meant = _Meant(self._names(target, column))
            self._name(table, self._cells(table, column), meant)
        self._fix_grates()
        for column, names in ALIKE_NAMES:
            if column not in ("pit", "bake", "grate"):
                self._agree(column, names)

    def _fix_days(self) -> None:
        for table, column in _DAYS:
            for row, position, text in self._cells(table, column):
                day = only_day(text)
                if day and day != text:
                    self._set(table, row, position, day, _DAY)

    def _fix_formulas(self) -> None:
        """Put results in place of formulas: a copy that is saved loses results."""
        for name, table in self.tables.items():
            for row, position in table.formulas:
                if (name, row, position) not in self._new:
                    result = table.typed[row][position]
                    self._set(name, row, position, result, _RESULT)

    def _fix_grates(self) -> None:
        """Write grates as grates names them, else as most rows of the pit do."""
        pits = dict(
            zip(self._names("bakes", "bake"), self._names("bakes", "pit"), strict=False)
        )
        listed = list(
            zip(
                self._names("grates", "pit"),
                self._names("grates", "grate"),
                strict=False,
            )
        )
        rows: dict[str, list[tuple[str, tuple[int, int, str]]]] = {}
        for table in ("items", "probes", "regrades"):
            bakes = self._names(table, "bake")
            for bake, cell in zip(bakes, self._cells(table, "grate"), strict=False):
                rows.setdefault(pits.get(bake, ""), []).append((table, cell))
        for pit, cells in rows.items():
            known = [grate for own, grate in listed if own == pit]
            meant = _Meant(known or [cell[2] for _, cell in cells], free=not known)
            for table, cell in cells:
                self._name(table, [cell], meant)

    def _agree(self, column: str, tables: Iterable[str]) -> None:
        """Write free names alike: as most rows have them, else as the first has it."""
        names = [name for table in tables for name in self._names(table, column)]
        for table in tables:
            self._name(table, self._cells(table, column), _Meant(names, free=True))

    def _name(
        self, table: str, cells: Iterable[tuple[int, int, str]], meant: _Meant
    ) -> None:
        """Write names as the only known ones that they can mean."""
        for row, position, text in cells:
            name = meant.by(text)
            if name != text:
                self._set(table, row, position, name, _ALIKE)

    # --- cells ------------------------------------------------------------------------

    def _cells(self, table: str, column: str) -> list[tuple[int, int, str]]:
        """Cells of a column with the text that they have by now."""
        if table not in self.tables:
            return []
        return [
            (row, position, self._new.get((table, row, position), (text,))[0])
            for row, position, text in self.tables[table].column(column)
        ]

    def _names(self, table: str, column: str) -> list[str]:
        return [text for *_, text in self._cells(table, column)]

    def _set(self, table: str, row: int, position: int, new: str, why: str) -> None:
        """Note a change; a second one of the same cell is told with the first."""
        before = self._new.get((table, row, position))
        reasons = [before[1]] if before and before[1] != _BLANKS else []
        self._new[table, row, position] = (new, "; ".join([*reasons, why]))


class _Meant:
    """Known names, and which of them a text means that is none of them.

    Free names are known by being used: the one that is used most often is meant.
    """

    def __init__(self, names: Iterable[str], *, free: bool = False) -> None:
        self._known = Counter(filter(None, names))
        self._alike: dict[str, list[str]] = {}
        self._free = free
        often = self._known.most_common()
        for name, _ in sorted(often, key=lambda own: (-own[1], len(own[0]))):
            self._alike.setdefault(alike_key(name), []).append(name)

    def by(self, text: str) -> str:
        """The name that a text means; the text itself if that is not sure."""
        if not text or (text in self._known and not self._free):
            return text
        alike = self._alike.get(alike_key(text), [])
        return alike[0] if alike and (self._free or len(alike) == 1) else text


def _plain(
    column: Column, text: str, cell: Cell, words: tuple[str, ...]
) -> tuple[str, str]:
    """How a text is written plainly, and why that is the same."""
    if cell.problem:
        near = _one_letter_off(text, words)
        return (near, _SLIP) if near else (text, "")
    if not cell.note:
        return text, ""
    if cell.value is None:
        return "", _WHY[cell.note]
    number = column.kind in ("number", "whole")
    new = number_text(float(cell.value)) if number else str(cell.value)
    return new, _WHY[cell.note]


def _one_letter_off(text: str, words: tuple[str, ...]) -> str:
    """The only word that one slip of a finger makes this of; "" if none, or not sure.

    All the words that can be meant are known here, and the others must be far away.
    """
    typed = " ".join(text.casefold().split())
    if len(typed) < _SHORTEST_SLIP:
        return ""
    steps = {word: _steps(typed, word.casefold()) for word in words}
    near = [word for word, count in steps.items() if count == 1]
    others = [count for word, count in steps.items() if word not in near]
    return near[0] if len(near) == 1 and min(others, default=_FAR) >= _FAR else ""


def _steps(a: str, b: str) -> int:
    """Letters to add, drop, change or swap with the next to make one text the other.

    References
    ----------
    .. [1] Damerau FJ (1964), A technique for computer detection and correction of
       spelling errors, Communications of the ACM 7:171-176.
    """
    before: list[int] = []
    last = list(range(len(b) + 1))
    for i, letter in enumerate(a, start=1):
        now = [i]
        for j, other in enumerate(b, start=1):
            same = letter == other
            now.append(min(last[j] + 1, now[-1] + 1, last[j - 1] + (not same)))
            if i > 1 and j > 1 and letter == b[j - 2] and a[i - 2] == other:
                now[j] = min(now[j], before[j - 2] + 1)
        before, last = last, now
    return last[-1]
