"""Change some cells of a study on disk and leave every other one as it was typed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pitstats.errors import InvalidStudyError, WriteError
from pitstats.study.checks import check_tables
from pitstats.study.columns import read_header
from pitstats.study.csv_text import read_csv, write_csv
from pitstats.study.files import read_typed
from pitstats.study.folder_files import column_texts, table_files
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import RawStudy
from pitstats.study.schema import BY_NAME, Table
from pitstats.study.settings import Settings
from pitstats.study.settings_checks import read_settings
from pitstats.study.study import FIRST_ROW
from pitstats.study.switch import Switch, switching
from pitstats.study.workbook_files import (
    load_book,
    put_text,
    put_typed,
    read_workbook,
    saved,
)

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet


@dataclass
class EditedTable:
    """One table as text by spreadsheet row, with the cells that are to change."""

    name: str
    rows: dict[int, dict[str, str]]
    changed: dict[int, dict[str, str]] = field(default_factory=dict)

    def get(self, row: int, column: str) -> str:
        """Text of a cell as it stands now; "" if nothing is recorded."""
        return self.rows[row].get(column, "")

    def set(self, row: int, column: str, text: str) -> None:
        """Change a cell."""
        if self.get(row, column) != text:
            self.rows[row][column] = text
            self.changed.setdefault(row, {})[column] = text

    def add(self) -> int:
        """Add an empty row below the last and return its number."""
        row = max(self.rows, default=FIRST_ROW - 1) + 1
        self.rows[row] = {}
        return row


@contextmanager
def opened(path: Path, *names: str) -> Iterator[OpenStudy]:
    """Open a study on disk to change some of its tables; nobody else does meanwhile."""
    if not path.exists():
        OpenStudy(path)  # says so
    with switching(path) as switch:
        yield OpenStudy(path, *names, switch=switch)


class OpenStudy:
    """A study on disk that is being changed."""

    def __init__(self, path: Path, *names: str, switch: Switch | None = None) -> None:
        self._path, self._switch, log = path, switch, ProblemLog()
        self._raw = read_typed(path, log)
        self._form = log.form
        self.settings = read_settings(self._raw.settings, log)
        self.frames = check_tables(self._raw.tables, self.settings, log)
        if log.problems:
            raise InvalidStudyError(log.ordered(), source=str(path))
        self.tables = {name: _texts(name, self.frames[name]) for name in names}

    def save(self) -> None:
        """Write all changes, or none."""
        changed = [table for table in self.tables.values() if table.changed]
        if not changed:
            return
        log = ProblemLog(form=self._form)
        raw = RawStudy(self._raw.settings, dict(self._raw.tables))
        assert self._switch is not None
        if self._path.is_dir():
            files = {f"{t.name}.csv": _csv(t, self._raw.tables) for t in changed}
            for table in changed:
                data = files[f"{table.name}.csv"]
                raw.tables[table.name] = read_csv(BY_NAME[table.name], data, log)
        else:
            files = {self._path.name: _workbook(self._path, changed)}
            raw = read_workbook(files[self._path.name], log)
        self._check(raw, changed, log)
        for name, data in files.items():
            (self._switch.new / name).write_bytes(data)
        if self._path.is_dir():
            old = table_files(self._path, [table.name for table in changed])
            self._switch.put_into(self._path, old, list(files))
        else:
            os.replace(self._switch.new / self._path.name, self._path)

    def _check(
        self, raw: RawStudy, changed: list[EditedTable], log: ProblemLog
    ) -> None:
        """Read what is about to be written: valid, and every change as it was meant."""
        settings: Settings = read_settings(raw.settings, log)
        frames = check_tables(raw.tables, settings, log)
        if log.problems:
            raise InvalidStudyError(log.ordered(), source=f"{self._path}, as changed")
        for table in changed:
            found = _texts(table.name, frames[table.name]).rows
            for known, row in zip(table.rows.values(), found.values(), strict=True):
                lost = [name for name in known if known[name] != row.get(name, "")]
                if lost:
                    raise WriteError(
                        f"{self._path} cannot keep {known[lost[0]]!r} in the column "
                        f"{lost[0]} of {table.name} as it is. Nothing was written."
                    )


def _texts(name: str, frame: pd.DataFrame) -> EditedTable:
    """Turn a typed table into text by row and column."""
    columns = {str(column): column_texts(frame[column]) for column in frame.columns}
    rows = [
        dict(zip(columns, cells, strict=True))
        for cells in zip(*columns.values(), strict=True)
    ]
    numbers = map(int, frame.index)
    return EditedTable(name, dict(zip(numbers, rows, strict=True)))


def _positions(table: Table, headers: list[str], edits: EditedTable) -> dict[str, int]:
    """Position of every column of a change; columns not there yet follow behind."""
    at = {read_header(table, text): k for k, text in reversed([*enumerate(headers)])}
    for cells in edits.changed.values():
        for column in cells:
            if column not in at:
                at[column] = len(headers)
                headers.append(column)
    return at


def _csv(edits: EditedTable, raw: dict[str, pd.DataFrame]) -> bytes:
    """Write a table anew: the cells as they were typed, but for the changed ones."""
    table = BY_NAME[edits.name]
    old = raw.get(edits.name, pd.DataFrame())
    headers = [str(header) for header in old.columns]
    cells = dict(zip(map(int, old.index), old.to_numpy().tolist(), strict=True))
    at = _positions(table, headers, edits)
    rows = []
    for row in sorted({*cells, *edits.changed}):
        line = ["" if cell is None else str(cell) for cell in cells.get(row, [])]
        line += [""] * (len(headers) - len(line))
        for column, text in edits.changed.get(row, {}).items():
            line[at[column]] = text
        rows.append(line)
    return write_csv(headers, rows)


def _workbook(path: Path, changed: list[EditedTable]) -> bytes:
    """Change cells of a workbook; all its sheets, lists and notes stay."""
    book = load_book(path)
    titles = {title.strip().casefold(): title for title in reversed(book.sheetnames)}
    for edits in changed:
        title = titles.get(edits.name)
        sheet = book.create_sheet(edits.name) if title is None else book[title]
        _change_sheet(sheet, edits)
    return saved(book)


def _change_sheet(sheet: Worksheet, edits: EditedTable) -> None:
    table = BY_NAME[edits.name]
    top = next(
        (
            number
            for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1)
            if any(cell not in (None, "") for cell in cells)
        ),
        1,
    )
    width = sheet.max_column if sheet.max_row > 1 or sheet.cell(1, 1).value else 0
    texts: list[Any] = [sheet.cell(top, k + 1).value for k in range(width)]
    while texts and texts[-1] in (None, ""):
        texts.pop()
    headers = ["" if text is None else str(text) for text in texts]
    n_known = len(headers)
    at = _positions(table, headers, edits)
    for position in range(n_known, len(headers)):
        put_text(sheet.cell(top, position + 1), headers[position])
    for row, cells in edits.changed.items():
        for column, text in cells.items():
            put_typed(sheet.cell(row, at[column] + 1), text, table, column)
