"""Take what the page for the phone handed out into a study: whole or not at all."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pitstats.errors import GradeFileError, some
from pitstats.study.atomic import PathLike
from pitstats.study.blind_plan import bake_numbers, plan_id
from pitstats.study.cells import listing, number_text, quote, read_number
from pitstats.study.edits import EditedTable, OpenStudy, opened
from pitstats.study.form_table import read_form_table
from pitstats.study.grade_file import (
    GradedItem,
    GradeFile,
    Sheet,
    TimedBake,
    read_grade_file,
)
from pitstats.study.raw import UnreadableError
from pitstats.study.schema import FACES, GRADE_COLUMNS, PLACE_COLUMNS, RESULT_COLUMNS

_COUNTED = ("first", "second", "timed", "changed", "same")
_MOST_LISTED = 30


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordedGrades:
    """What was taken into a study, sheet by sheet.

    Attributes
    ----------
    table : pandas.DataFrame
        ``file, sheet, kind, person, first, second, timed, changed, same``: items that
        got their first grading, items graded once more, bakes that were timed, entries
        of the same sheet that say more than before, and those that were there already.
    notes : tuple of str
        What else changed or is still open, one sentence each.
    """

    table: pd.DataFrame
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table, one row per sheet."""
        return self.table.copy()


def record_grades(
    study: PathLike, files: Sequence[PathLike] | PathLike, *, replace: bool = False
) -> RecordedGrades:
    """Record the files that ``grade.html`` handed out in a study on disk.

    Parameters
    ----------
    study : str or path
        Folder or workbook of the study whose sheets were written.
    files : sequence of str or path
        The files, in any number. Of two states of one sheet the later one counts. A
        name that ends in ``.csv`` is the table that a form collector exported of
        ``grade_form.xlsx``.
    replace : bool, default False
        Whether values that differ from what is recorded may replace it.

    Returns
    -------
    RecordedGrades
        What was recorded. What the study held already is counted as ``same``.

    Raises
    ------
    GradeFileError
        If a file is not whole or of another plan, version or code, or if it contradicts
        what is recorded. Lists every reason; nothing was changed.
    InvalidStudyError
        If the study has problems as it is.
    WriteError
        If the study cannot be written; it stays as it was.
    BusyError
        If another run is writing the study.

    Notes
    -----
    The first grading of an item goes to ``items``. If an item was graded before by
    another sheet, the new grades are a second grading and go to ``regrades``, as does
    everything that was entered as a second grading. A planned bake that gets grades is
    set to kept. A column ``sheet`` keeps the id of the sheet that a row came from, by
    which a file given twice is noticed. Cells of the study that are not concerned stay
    as they were typed.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.record_grades("my_test", ["grades_ann.json"])  # doctest: +SKIP
    """
    paths = [files] if isinstance(files, str | os.PathLike) else list(files)
    with opened(Path(study), "bakes", "items", "regrades") as tables:
        book = _Book(tables, replace=replace)
        for sheet in _latest(_read_all(paths, book), book):
            book.take(sheet)
        if book.problems:
            raise GradeFileError(book.problems)
        book.say_open_bakes()
        tables.save()
    return RecordedGrades(table=book.table(), notes=tuple(book.notes))


def _read_all(paths: Iterable[PathLike], book: _Book) -> list[GradeFile]:
    found = []
    for path in map(Path, paths):
        try:
            file = _read(path, book)
        except UnreadableError as error:
            book.problems.append(f"{path.name}: {error}")
            continue
        except OSError as error:
            reason = error.strerror or error
            book.problems.append(f"{path.name}: it cannot be opened: {reason}.")
            continue
        if file.plan != book.plan:
            book.problems.append(
                f"{path.name}: it belongs to the plan {quote(file.plan)}, but this "
                f"study is the plan {quote(book.plan)}. Give the study whose sheets "
                "were written together with the page; a plan is another one as soon "
                "as codes, places or the order of bakes differ."
            )
            continue
        if file.invisible:
            book.notes.append(
                f"{path.name}: invisible characters in its texts were left out."
            )
        found.append(file)
    return found


def _read(path: Path, book: _Book) -> GradeFile:
    """Read what the page handed out, or the table of a form collector."""
    if path.suffix.lower() != ".csv":
        return read_grade_file(path)
    file, left_out = read_form_table(path, book.codes, book.settings.grades)
    if left_out:
        book.notes.append(
            f"{path.name}: columns that are none of the form's were left out: "
            f"{some(map(quote, left_out), _MOST_LISTED)}."
        )
    return file


def _latest(files: Iterable[GradeFile], book: _Book) -> list[Sheet]:
    """Keep the last state of every sheet, in the order of the files."""
    latest: dict[str, Sheet] = {}
    for sheet in (sheet for file in files for sheet in file.sheets):
        known = latest.setdefault(sheet.sheet, sheet)
        if known is sheet or known == sheet:
            continue
        first, last = sorted((known, sheet), key=lambda state: state.changes)
        latest[sheet.sheet] = last
        book.notes.append(
            f"{first.file} holds an earlier state of a sheet of {quote(last.person)}; "
            f"{last.file} was taken."
        )
    return list(latest.values())


class _Book:
    """The tables of a study, with everything that files say about them."""

    def __init__(self, study: OpenStudy, *, replace: bool) -> None:
        self._replace, self.settings = replace, study.settings
        self.problems: list[str] = []
        self.notes: list[str] = []
        self._lines: list[dict[str, object]] = []
        tables = study.tables
        self._bakes, self._items = tables["bakes"], tables["items"]
        self._regrades = tables["regrades"]
        bakes = study.frames["bakes"]
        self.plan = plan_id(bakes, study.frames["items"])
        numbers = bake_numbers(bakes)
        self._bake_row = {cells["bake"]: row for row, cells in self._bakes.rows.items()}
        self._bake_at = {place: self._bake_row[bake] for bake, place in numbers.items()}
        self._planned = {
            row
            for row, cells in self._bakes.rows.items()
            if cells["status"] == "planned"
        }
        items = self._items.rows
        codes = Counter(cells["code"] for cells in items.values())
        self.codes = [code for code in codes if code]
        self._item_at = {
            (numbers[cells["bake"]][0], cells["code"]): row
            for row, cells in items.items()
            if cells["code"]
        }
        self._own_code = {row for row, c in items.items() if codes[c["code"]] == 1}
        self._touched: set[str] = set()

    def table(self) -> pd.DataFrame:
        about = ["file", "sheet", "kind", "person"]
        return pd.DataFrame(self._lines, columns=[*about, *_COUNTED])

    def take(self, sheet: Sheet) -> None:
        """Take up one sheet, or say why that cannot be."""
        count: Counter[str] = Counter()
        conflicts: list[str] = []
        if sheet.kind == "times":
            self._take_times(sheet, count, conflicts)
        elif not self._refused(sheet):
            for entry in sheet.items:
                row = self._item_at[sheet.session, entry.code]
                clash = self._take_item(sheet, entry, row, count)
                if clash:
                    conflicts.append(f"{quote(entry.code)} ({listing(clash, 'and')})")
        if conflicts:
            self.problems.append(
                f"{sheet.file}, sheet of {quote(sheet.person)}: the study holds other "
                f"values: {some(conflicts, _MOST_LISTED)}. Leave the file out to keep "
                "them, or take what the file says with replace=True."
            )
        line: dict[str, object] = {name: count[name] for name in _COUNTED}
        about = {name: getattr(sheet, name) for name in ("file", "sheet", "kind")}
        self._lines.append(about | {"person": sheet.person} | line)

    def _refused(self, sheet: Sheet) -> bool:
        """Say which codes and grades the study does not know."""
        where = f"{sheet.file}, sheet of {quote(sheet.person)}"
        count = Counter(entry.code for entry in sheet.items)
        unknown = [c for c in count if (sheet.session, c) not in self._item_at]
        twice = [code for code in count if count[code] > 1]
        used = Counter(name for e in sheet.items for name in e.grades.values())
        other = [name for name in used if name not in self.settings.grades]
        if unknown:
            self.problems.append(
                f"{where}: the study has no such codes in session {sheet.session}: "
                f"{some(map(quote, unknown), _MOST_LISTED)}. Nothing of the file was "
                "recorded."
            )
        if twice:
            self.problems.append(
                f"{where}: these codes stand twice: {some(twice, _MOST_LISTED)}."
            )
        for name in other:
            self.problems.append(
                f"{where}: {used[name]} faces are graded {quote(name)}; grades of this "
                f"study are {listing(self.settings.grades)}. Name the grades in the "
                "study settings as they were when the page was written."
            )
        return bool(unknown or twice or other)

    # --- items ----------------------------------------------------------------------

    def _take_item(
        self, sheet: Sheet, entry: GradedItem, row: int, count: Counter[str]
    ) -> list[str]:
        """Take one entry as first or second grading; return what contradicts it."""
        values = _values(entry)
        if not any(values.values()) and not self._has(row, entry.code, sheet):
            return []  # entered and taken back before it was ever handed out
        graded = any(self._items.get(row, name) for name in RESULT_COLUMNS)
        first = sheet.kind == "first" and not graded
        table = self._items
        if not first and table.get(row, "sheet") != sheet.sheet:
            table, row = self._regrades, self._regrade_row(row, sheet)
        was = table.get(row, "sheet")
        clash, changed = self._put(table, row, values, sheet, "grader")
        if first and any(values[name] for name in (*GRADE_COLUMNS, "missing")):
            self._bake_is_graded(table.get(row, "bake"), sheet)
        new = "first" if first else "second"
        count["same" if not changed else "changed" if was else new] += 1
        return clash

    def _has(self, item: int, code: str, sheet: Sheet) -> bool:
        """Tell whether something of this sheet is recorded for a code."""
        again = (c for c in self._regrades.rows.values() if c.get("code") == code)
        rows = (self._items.rows[item], *again)
        return any(cells.get("sheet") == sheet.sheet for cells in rows)

    def _put(
        self,
        table: EditedTable,
        row: int,
        values: dict[str, str],
        sheet: Sheet,
        person: str,
    ) -> tuple[list[str], bool]:
        """Fill in cells; those that hold something else are kept and told."""
        clash, changed = [], False
        same_sheet = table.get(row, "sheet") == sheet.sheet
        wanted = {name: v for name, v in values.items() if v or same_sheet}
        wanted |= {person: sheet.person, "sheet": sheet.sheet}
        for name, value in wanted.items():
            old = table.get(row, name)
            if old == value:
                continue
            if old and not self._replace:
                clash.append(f"{name} {quote(old)}, here {quote(value)}")
                continue
            if old:
                what = table.get(row, "code") or table.get(row, "bake")
                self.notes.append(
                    f"{table.name} {quote(what)}: {name} was {quote(old)} and is now "
                    f"{quote(value)}."
                )
            table.set(row, name, value)
            changed = True
        return clash, changed

    def _regrade_row(self, item: int, sheet: Sheet) -> int:
        """Row of a second grading: its own, else a planned blank one, else a new."""
        code, bake = (self._items.get(item, name) for name in ("code", "bake"))
        own = item in self._own_code
        blank = None
        for row, cells in self._regrades.rows.items():
            if cells.get("code") != code or cells.get("bake") not in (
                (None, "", bake) if own else (bake,)
            ):
                continue
            if cells.get("sheet") == sheet.sheet:
                return row
            filled = any(
                cells.get(name) for name in ("grader", "sheet", *GRADE_COLUMNS)
            )
            blank = row if blank is None and not filled else blank
        if blank is not None:
            return blank
        row = self._regrades.add()
        self._regrades.set(row, "code", code)
        if not own:
            for name in PLACE_COLUMNS:
                self._regrades.set(row, name, self._items.get(item, name))
        return row

    def _bake_is_graded(self, bake: str, sheet: Sheet) -> None:
        row = self._bake_row[bake]
        self._touched.add(bake)
        if self._bakes.get(row, "status") == "planned":
            self._bakes.set(row, "status", "kept")
            self.notes.append(f"bake {quote(bake)} was planned and is now kept.")
        if not self._bakes.get(row, "grader"):
            self._bakes.set(row, "grader", sheet.person)
        if not self._bakes.get(row, "blind"):
            self._bakes.set(row, "blind", "yes" if sheet.blind else "no")
        elif not sheet.blind and self._bakes.get(row, "blind") == "yes":
            self._bakes.set(row, "blind", "no")
            self.notes.append(
                f"bake {quote(bake)} was to be graded blind; {quote(sheet.person)} "
                "knew which items were whose, so blind is now no."
            )

    def say_open_bakes(self) -> None:
        """Say which of the bakes that were touched have items without a result."""
        for bake in sorted(self._touched):
            own = [c for c in self._items.rows.values() if c["bake"] == bake]
            left = sum(not any(c.get(name) for name in RESULT_COLUMNS) for c in own)
            if left:
                self.notes.append(
                    f"bake {quote(bake)}: {left} of {len(own)} items have no grade "
                    "yet; until they do, they count as missing."
                )

    # --- times ----------------------------------------------------------------------

    def _take_times(
        self, sheet: Sheet, count: Counter[str], conflicts: list[str]
    ) -> None:
        for entry in sheet.bakes:
            row = self._bake_at.get((entry.session, entry.bake))
            if row is None:
                self.problems.append(
                    f"{sheet.file}: the study has no bake {entry.bake} in session "
                    f"{entry.session}. Nothing of the file was recorded."
                )
                continue
            clash, changed = self._put(
                self._bakes, row, self._times(entry, row), sheet, "recorder"
            )
            count["timed" if changed else "same"] += 1
            if clash:
                name = quote(self._bakes.get(row, "bake"))
                conflicts.append(f"bake {name} ({listing(clash, 'and')})")

    def _times(self, entry: TimedBake, row: int) -> dict[str, str]:
        """Cells of a timed bake; a length that was only planned gives way."""
        values = {"loaded_at": entry.loaded_at, "unloaded_at": entry.unloaded_at}
        if entry.minutes is not None:
            values["minutes"] = minutes = number_text(entry.minutes)
            planned = self._bakes.get(row, "minutes")
            timed = self._bakes.get(row, "unloaded_at")
            if row in self._planned and planned not in ("", minutes) and not timed:
                self._bakes.set(row, "minutes", minutes)
                self.notes.append(
                    f"bake {quote(self._bakes.get(row, 'bake'))}: {planned} minutes "
                    f"were planned, {minutes} were timed."
                )
        notes = self._bakes.get(row, "notes")
        if entry.notes and entry.notes not in notes:
            self._bakes.set(row, "notes", f"{notes}\n{entry.notes}".strip())
        return values


def _values(entry: GradedItem) -> dict[str, str]:
    """Cells of an item, "" for what was not entered."""
    rise = read_number(entry.rise_mm).value if entry.rise_mm else None
    grades = {f"grade_{face}": entry.grades.get(face, "") for face in FACES}
    return grades | {
        "missing": entry.missing,
        "rise_mm": "" if rise is None else number_text(rise),
        "photo": entry.photo,
        "notes": entry.notes,
    }
