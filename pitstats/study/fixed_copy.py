"""A corrected copy of a study, beside the original, with a list of every change."""

from __future__ import annotations

import csv
import os
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pitstats.errors import ExistsError, InvalidStudyError, WriteError
from pitstats.study.atomic import PathLike
from pitstats.study.cells import cell_text
from pitstats.study.csv_text import bare, harmless, typed_rows, write_csv, write_typed
from pitstats.study.files import read_typed
from pitstats.study.fix import Change, Fixes, TypedTable
from pitstats.study.folder_files import CHANGES_FILE
from pitstats.study.form import Form
from pitstats.study.frozen_plan import plan_path
from pitstats.study.photos import UnusableError, inside
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.schema import BY_NAME
from pitstats.study.settings_checks import plain_settings, read_settings
from pitstats.study.switch import Switch, switching
from pitstats.study.workbook_files import (
    Wrong,
    load_book,
    load_sheets,
    making_workbook,
    put_text,
    put_typed,
)

_HEADER = ("table", "row", "column", "from", "to", "why")
_WORD = "a word that the settings know"
_PLAIN = "commas, UTF-8"


@dataclass(frozen=True)
class FixedCopy:
    """What a corrected copy holds.

    Attributes
    ----------
    changes : tuple of Change
        Every change; nothing was written if there is none.
    listing : Path
        File that lists them.
    form : Form
        Where the user finds what was changed.
    """

    changes: tuple[Change, ...]
    listing: Path
    form: Form


def write_fixed_copy(path: PathLike, dest: PathLike) -> FixedCopy:
    """Write a copy of a study in which all that is certain is written plainly.

    Words that differ from allowed ones in capitals or spaces only, names that only one
    known name can mean, units and per cent beside numbers, decimal commas, days and
    headers. Whatever may mean two things stays. The original is left as it is.

    Parameters
    ----------
    path : str or path
        A study folder or workbook, with problems or without.
    dest : str or path
        Name of the copy: a folder for a folder, a workbook for a workbook. Nothing may
        be there.

    Returns
    -------
    FixedCopy
        With every change; nothing was written if there is none. In a folder
        ``changes.csv`` lists them, beside a workbook ``NAME-changes.csv``.

    Raises
    ------
    InvalidStudyError
        If the study cannot be opened at all.
    ExistsError
        If something is there already.
    WriteError
        If the copy cannot be written; nothing half-written stays behind.

    Examples
    --------
    >>> write_fixed_copy("my_test", "my_test_fixed").changes  # doctest: +SKIP
    """
    source, target = Path(path), Path(dest)
    study = _TypedStudy(source)
    listing = target / CHANGES_FILE
    if not source.is_dir():
        listing = target.with_name(f"{target.stem}-{CHANGES_FILE}")
        if target.suffix.lower() != source.suffix.lower():
            raise WriteError(
                f"{target} cannot be written: the copy of a workbook is a workbook "
                f"too, and its name ends in {source.suffix}."
            )
    elif target.suffix.lower() in (".xlsx", ".xlsm"):
        raise WriteError(
            f"{target} cannot be written: the copy of a folder is a folder."
        )
    taken = (
        [target, listing] if source.is_dir() else [target, listing, plan_path(target)]
    )
    copy = FixedCopy(tuple(study.changes), listing, study.form)
    if not copy.changes:
        _refuse(*taken)
        return copy
    # Refused inside, so that what a dead run left is cleared away all the same.
    with switching(target) as switch:
        _refuse(*taken)
        if source.is_dir():
            _write_folder(study, switch)
        else:
            _write_workbook(study, switch, target, listing)
    return copy


def can_fix(path: PathLike) -> bool:
    """Whether a corrected copy of a study would hold any change."""
    try:
        return any(True for _ in _TypedStudy(Path(path)).changes)
    except InvalidStudyError:
        return False


def _refuse(*targets: Path) -> None:
    for target in targets:
        if os.path.lexists(target):
            raise ExistsError(
                f"{target} is there already. A corrected copy never replaces anything: "
                "choose another name."
            )


class _TypedStudy:
    """A study as typed, and what can be written plainly in it."""

    def __init__(self, source: Path) -> None:
        self.source, log = source, ProblemLog()
        raw = read_typed(source, log)
        settings = read_settings(raw.settings, log)
        self.form = log.form
        self.unusual: dict[str, list[str]] = {}
        self.exact: dict[str, list[list[str]]] = {}
        self.book: Any = None
        self._read = list(raw.tables)
        typed = self._files() if source.is_dir() else self._sheets()
        tables = {table.table.name: table for table in typed}
        graded = log.has("study", "grades")
        self.fixes = Fixes(tables, settings, graded=graded)
        self.settings = [
            setting
            for setting in plain_settings(raw.settings or {})
            if setting[0] in self.form.lines
        ]
        self.toml = self._fixed_toml(raw.settings) if source.is_dir() else b""

    @property
    def changes(self) -> Iterator[Change]:
        """Every change, that of the way a file is written included."""
        for name, key, old, new in self.settings:
            line = self.form.lines[name]
            for was, now in ((key, name), (old, new)):
                if was != now:
                    yield Change("study", line, name, was, now, _WORD)
        changes = self.fixes.changes()
        for table in dict.fromkeys(change.table for change in changes):
            if self.unusual.get(table):
                old = ", ".join(self.unusual[table])
                yield Change(table, None, "", old, _PLAIN, "how the file is written")
        yield from changes

    def _files(self) -> Iterator[TypedTable]:
        for name in self._read:
            with suppress(UnreadableError, OSError, csv.Error):
                data = file_bytes(self.source / self.form.files[name], self.source)
                rows, self.unusual[name] = typed_rows(BY_NAME[name], data)
                self.exact[name] = rows
                typed = {
                    row: [bare(cell) for cell in cells]
                    for row, cells in enumerate(rows, start=1)
                    if any(cell.strip() for cell in cells)
                }
                yield TypedTable(BY_NAME[name], typed)

    def _sheets(self) -> Iterator[TypedTable]:
        results = load_sheets(file_bytes(self.source))
        with making_workbook():
            self.book = load_book(self.source)
        for name in self._read:
            title = self.form.files[name]
            found = dict(results.get(title, []))
            typed: dict[int, list[str]] = {}
            formulas = {}
            for row, cells in enumerate(self.book[title].iter_rows(), start=1):
                for position, cell in enumerate(cells):
                    known = found.get(row, [])
                    value = known[position] if position < len(known) else None
                    text = "" if isinstance(value, Wrong) else cell_text(value)
                    if cell.data_type == "f" and text:
                        formulas[row, position] = str(cell.value)
                    elif isinstance(cell.value, str) and text:
                        text = cell.value
                    if row in found:
                        typed.setdefault(row, []).append(text)
            yield TypedTable(BY_NAME[name], typed, formulas)

    def _fixed_toml(self, before: dict[str, Any] | None) -> bytes:
        """The settings file with plain words, if that is all that changes in it."""
        if not self.settings:
            return b""
        text = (self.source / self.form.file("study")).read_text("utf-8-sig")
        lines = text.splitlines(keepends=True)
        wanted = dict(before or {})
        for name, key, old, new in self.settings:
            value = wanted.pop(key)
            wanted[name] = new or value
            line = self.form.lines[name] - 1
            typed, equals, rest = lines[line].partition("=")
            rest = rest.replace(old, new, 1) if old else rest
            lines[line] = typed.replace(key, name) + equals + rest
        fixed = "".join(lines)
        with suppress(ValueError):
            if tomllib.loads(fixed) == wanted:
                return fixed.encode("utf-8")
        self.settings = []
        return b""

    def listing(self) -> bytes:
        """The table of changes."""
        rows = [
            (
                c.table,
                "" if c.row is None else str(c.row),
                c.column,
                c.old,
                c.new,
                c.why,
            )
            for c in self.changes
        ]
        return write_csv(_HEADER, rows)


def _write_folder(study: _TypedStudy, switch: Switch) -> None:
    """Write the changed tables, and copy all else that belongs to the study."""
    for name in _belonging(study):
        (switch.new / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(study.source / name, switch.new / name)
    if study.toml:
        (switch.new / study.form.file("study")).write_bytes(study.toml)
    for name, rows in study.exact.items():
        changed = study.fixes.cells(name)
        for (row, position), text in changed.items():
            cells = rows[row - 1]
            cells += [""] * (position + 1 - len(cells))
            cells[position] = harmless(text)
        if changed:
            (switch.new / study.form.files[name]).write_bytes(write_typed(rows))
    (switch.new / CHANGES_FILE).write_bytes(study.listing())
    switch.put_as_whole()


def _belonging(study: _TypedStudy) -> list[str]:
    """Plain files beside the tables, and photographs that the tables name."""
    folder = study.source
    names = [
        entry.name
        for entry in folder.iterdir()
        if entry.is_file() and not entry.is_symlink() and entry.name[0] != "."
    ]
    for table in study.fixes.tables.values():
        for _, _, photo in table.column("photo"):
            with suppress(UnusableError):
                place = inside(folder, photo.strip())
                names.append(place.relative_to(folder.resolve()).as_posix())
    return [name for name in dict.fromkeys(names) if name != CHANGES_FILE]


def _write_workbook(
    study: _TypedStudy, switch: Switch, target: Path, listing: Path
) -> None:
    """Change the cells of a workbook; its sheets, lists and notes stay."""
    for setting, _, _, word in study.settings:
        sheet, row = study.book[study.form.files["study"]], study.form.lines[setting]
        put_text(sheet.cell(row, 1), setting)
        if word:
            put_text(sheet.cell(row, 2), word)
    for name, table in study.fixes.tables.items():
        sheet = study.book[study.form.files[name]]
        for (row, position), text in study.fixes.cells(name).items():
            column = table.names[position] if row != table.header else ""
            put_typed(sheet.cell(row, position + 1), text, BY_NAME[name], column)
    with making_workbook():
        study.book.save(switch.new / target.name)
    (switch.new / listing.name).write_bytes(study.listing())
    names = [target.name, listing.name]
    if plan_path(study.source).is_file():
        names.append(plan_path(target).name)
        shutil.copyfile(plan_path(study.source), switch.new / names[-1])
    switch.put_into(target.parent, [], names)
