"""A study as one workbook: a sheet of settings and a sheet per table.

Text is always stored as text: whatever a cell begins with, it can never become a
formula, and a code such as 007 keeps its zeros.
"""

from __future__ import annotations

import io
import re
import tempfile
import tomllib
import warnings
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import pandas as pd

from pitstats.errors import WriteError, some
from pitstats.study.cells import clean, quote
from pitstats.study.columns import read_header
from pitstats.study.folder_files import column_texts, meant_table
from pitstats.study.form import Form, setting_name
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import RawStudy, UnreadableError, raw_table
from pitstats.study.reading import (
    MOST_SHEET_CELLS,
    file_bytes,
    measure_workbook,
    too_many_cells,
)
from pitstats.study.schema import (
    SETTING_NAMES,
    SETTINGS,
    TABLES,
    Setting,
    Table,
)
from pitstats.study.settings import Settings
from pitstats.study.switch import reason
from pitstats.study.toml_text import literal

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

_ALWAYS = ("pits", "bakes")
_Rows: TypeAlias = list[tuple[int, list[Any]]]
_LISTS = {setting.name for setting in SETTINGS if setting.kind == "names"}
_HEADER_OF_SETTINGS = ("key", "value", "meaning")
_LONGEST_TEXT = 131_072  # letters in a cell, as in CSV
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*?\bref="([A-Z]+\d+:[A-Z]+\d+)"')
_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
_ESCAPED = re.compile("_x(005F|000D|000A|0009)_")


# --- reading ------------------------------------------------------------------------


def read_workbook(data: bytes, log: ProblemLog) -> RawStudy:
    """Read the sheets of a workbook into cells."""
    sheets, merged = load_sheets(data), _merged_cells(data)
    study = RawStudy()
    log.form = Form("workbook")
    named = log.form.files
    for title in sheets:
        name = title.strip().casefold()
        if name in named and name in ("study", *(table.name for table in TABLES)):
            log.problem(
                f"there are two sheets for it: '{named[name]}' and '{title}'. Put all "
                "rows into one of them and delete the other.",
                name,
            )
        named.setdefault(name, title)
    if "study" in named:
        study.settings = _read_settings(sheets[named["study"]], log)
    else:
        log.problem(
            "there is no sheet called study. It has a key and a value in each row: "
            "title, question, temperature_rule and units.",
            "study",
        )
        log.lose("study", *SETTING_NAMES)
    for table in TABLES:
        if table.name in named:
            _say_merged(merged.get(named[table.name], []), table.name, log)
            records = _squared(sheets[named[table.name]], table, log)
            study.tables[table.name] = raw_table(records)
        elif table.name in _ALWAYS:
            log.problem(
                f"there is no sheet called {table.name}. It has one row for "
                f"{table.one_row}.",
                table.name,
            )
            log.lose(table.name, *table.column_names)
    known = ("study", *(table.name for table in TABLES))
    others = [title for name, title in named.items() if name not in known]
    if others:
        absent = [name for name in known if name not in named]
        shown = [f"{title}{meant_table(title, absent)}" for title in others]
        log.assume(
            f"not read, because the format has no such sheet: {', '.join(shown)}"
        )
    return study


def read_first_sheet(data: bytes, log: ProblemLog) -> tuple[str, _Rows]:
    """Read the title and the cells of the first sheet of any workbook, by row."""
    title, rows = next(iter(load_sheets(data).items()), ("", []))
    _say_merged(_merged_cells(data).get(title, []), "table", log)
    return title, _squared(rows, None, log)


def _merged_cells(data: bytes) -> dict[str, list[str]]:
    """Ranges of merged cells by sheet, which reading cell by cell does not show."""
    import openpyxl

    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        found = {
            name: [ref.decode() for ref in _MERGED.findall(parts.read(name))]
            for name in parts.namelist()
            if "/worksheets/" in name and name.endswith(".xml")
        }
        if not any(found.values()):
            return {}
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    of_sheet = {
        sheet.title: found.get(sheet._worksheet_path.lstrip("/"), [])
        for sheet in book.worksheets
    }
    book.close()
    return of_sheet


def _say_merged(ranges: list[str], name: str, log: ProblemLog) -> None:
    if ranges:
        log.assume(
            f"merged cells ({some(ranges)}) hold their value in "
            "the first one only, and the others are read as empty; split them and "
            "fill in each if all were meant",
            name,
        )


class Wrong:
    """A cell whose value cannot be known, and why."""

    def __init__(self, message: str) -> None:
        self.message = message


def load_sheets(data: bytes) -> dict[str, _Rows]:
    """Load the values of all sheets; a formula gives its stored result."""
    formulas = False
    sheets, formulas = _load_once(data, results=False)
    if formulas:
        results, _ = _load_once(data, results=True)
        for title, rows in sheets.items():
            of_row = dict(results.get(title, []))
            for row, cells in rows:
                for position, cell in enumerate(cells):
                    if isinstance(cell, Wrong) and "formula" in cell.message:
                        found = of_row.get(row, [])
                        value = found[position] if position < len(found) else None
                        cells[position] = cell if value in (None, "") else value
    return sheets


def _load_once(data: bytes, *, results: bool) -> tuple[dict[str, _Rows], bool]:
    import openpyxl

    sheets: dict[str, _Rows] = {}
    formulas, n_cells = False, 0
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about styles and dates, not about values
            measure_workbook(data)
            book = openpyxl.load_workbook(
                io.BytesIO(data), read_only=True, data_only=results
            )
            for sheet in book.worksheets:
                sheet.reset_dimensions()
                rows: _Rows = []
                for row, cells in enumerate(sheet.iter_rows(), start=1):
                    # Gaps are filled up: one cell far away makes a row of thousands.
                    n_cells += max(len(cells), 1)
                    if n_cells > MOST_SHEET_CELLS:
                        raise too_many_cells()
                    values = [_value(cell) for cell in cells]
                    if any(value not in (None, "") for value in values):
                        rows.append((row, values))
                    formulas |= any(cell.data_type == "f" for cell in cells)
                sheets[sheet.title] = rows
            book.close()
    except UnreadableError:
        raise
    except Exception as error:  # a damaged file can fail anywhere in the parser
        raise UnreadableError(
            "this file cannot be read as a workbook; it may be damaged or of another "
            "kind. Save it again as .xlsx from your spreadsheet program."
        ) from error
    return sheets, formulas


def _value(cell: Any) -> Any:
    """Value of a cell; truth values as spreadsheets show them."""
    if cell.data_type == "f":
        return Wrong(
            "holds a formula without a stored result. Open and save the workbook in a "
            "spreadsheet program, or type the value."
        )
    if cell.data_type == "e":
        return Wrong(
            f"holds the spreadsheet error {quote(cell.value)}. Correct or empty the "
            "cell."
        )
    if isinstance(cell.value, bool):
        return "TRUE" if cell.value else "FALSE"
    if isinstance(cell.value, str):
        if len(cell.value) > _LONGEST_TEXT:
            return Wrong(
                f"holds a text of {len(cell.value):,} letters; {_LONGEST_TEXT:,} can "
                "be read. Shorten it."
            )
        return clean(_ESCAPED.sub(_unescaped, cell.value))
    return cell.value


def _unescaped(match: re.Match[str]) -> str:
    return chr(int(match[1], 16))


def _squared(rows: _Rows, table: Table | None, log: ProblemLog) -> _Rows:
    """Give all rows the same cells; report those that cannot be known."""
    if not rows:
        return []
    width = max(_filled(cells) for _, cells in rows)
    header = rows[0][1]
    if table is not None:
        names = [read_header(table, _header(cell)) for cell in header]
        log.form.note_headers(table.name, names)
    out = []
    for row, cells in rows:
        cells = (cells + [None] * width)[:width]
        for position, cell in enumerate(cells):
            if isinstance(cell, Wrong):
                column = _header(header[position]) if position < len(header) else ""
                if table is not None:
                    column = read_header(table, column)
                name = "table" if table is None else table.name
                log.problem(cell.message, name, row, column or None)
                cells[position] = None
        out.append((row, cells))
    return out


def _header(cell: Any) -> str:
    return "" if cell is None or isinstance(cell, Wrong) else str(cell)


def _filled(cells: list[Any]) -> int:
    used = [k for k, cell in enumerate(cells, start=1) if cell not in (None, "")]
    return max(used, default=0)


def _read_settings(rows: _Rows, log: ProblemLog) -> dict[str, Any]:
    """Read keys and values from the first two columns."""
    settings: dict[str, Any] = {}
    for row, cells in rows:
        key, value = (*cells, None, None)[:2]
        name = "" if key is None or isinstance(key, Wrong) else str(key).strip()
        if row == rows[0][0] and name.casefold() in ("key", "setting"):
            continue
        log.form.lines.setdefault(setting_name(name), row)
        if isinstance(value, Wrong):
            log.problem(f"row {row} {value.message}", "study", column=name or None)
        elif name in settings:
            log.problem(f"row {row} states it again.", "study", column=name)
        elif name:
            settings[name] = _typed(name, value)
        elif value not in (None, ""):
            log.problem(f"row {row} has {quote(value)} but no key. Name it.", "study")
    return settings


def _typed(name: str, value: Any) -> Any:
    """Value of a setting; lists and the user's own keys may be written as in TOML."""
    if not isinstance(value, str):
        return "" if value is None else value
    if name.casefold() in SETTING_NAMES and name.casefold() not in _LISTS:
        return value
    try:
        found = tomllib.loads(f"value = {value}")
    except (ValueError, RecursionError):
        return value
    return found["value"] if list(found) == ["value"] else value


# --- writing ------------------------------------------------------------------------


@contextmanager
def making_workbook() -> Iterator[None]:
    """Say in a sentence that a workbook cannot be made: its sheets pass the disk."""
    try:
        yield
    except OSError as error:
        raise WriteError(
            "The workbook cannot be made in the folder for temporary files, "
            f"{tempfile.gettempdir()}: {reason(error)}"
        ) from error


@making_workbook()
def workbook_bytes(
    settings: Settings, tables: Mapping[str, pd.DataFrame], *, blank: bool = False
) -> bytes:
    """Write a study as a workbook; a blank one has sheets for tables without rows."""
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    _write_settings(book, settings)
    for table in TABLES:
        frame = tables[table.name]
        if blank or len(frame):
            _write_sheet(book, table, frame)
    return saved(book)


def saved(book: Workbook) -> bytes:
    """Content of a workbook file."""
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def load_book(path: Path) -> Workbook:
    """Load a workbook to change some of its cells; its macros stay."""
    import openpyxl

    data, macros = file_bytes(path), path.suffix.lower() == ".xlsm"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about styles and dates, not about values
        return openpyxl.load_workbook(io.BytesIO(data), keep_vba=macros)


def _setting_cell(setting: Setting, settings: Settings) -> Any:
    value = getattr(settings, setting.name)
    if value is None:
        return ""
    if setting.kind == "looks":
        return ", ".join(map(str, value))
    if setting.kind != "names":
        return value
    if any(name.startswith("[") or "," in name or ";" in name for name in value):
        return literal(list(value))
    return ", ".join(value)


def _write_settings(book: Workbook, settings: Settings) -> None:
    sheet = book.create_sheet("study")
    _lay_out(sheet, [24, 40, 100])
    sheet.append([_cell(sheet, name, bold=True) for name in _HEADER_OF_SETTINGS])
    for setting in SETTINGS:
        value = _setting_cell(setting, settings)
        meaning = setting.meaning
        if setting.choices:
            meaning += f" Allowed: {', '.join(setting.choices)}."
        meaning += " Needed." if setting.needed else f" Default: {setting.default}."
        sheet.append([_cell(sheet, part) for part in (setting.name, value, meaning)])
    for key, value in settings.extra.items():
        text = value
        if not isinstance(value, str) or _typed(key, value) != value:
            text = literal(value)
        sheet.append([_cell(sheet, key), _cell(sheet, text)])


def _write_sheet(book: Workbook, table: Table, frame: pd.DataFrame) -> None:
    sheet = book.create_sheet(table.name)
    _lay_out(sheet, [max(10, len(str(name)) + 3) for name in frame.columns])
    for position, name in enumerate(frame.columns):
        if not pd.api.types.is_numeric_dtype(frame[name].dtype):
            _text_format(sheet, position, table, str(name))
    sheet.append([_cell(sheet, str(name), bold=True) for name in frame.columns])
    columns = [_cells(frame[name]) for name in frame.columns]
    for row in zip(*columns, strict=True):
        sheet.append([_cell(sheet, value) for value in row])


def _lay_out(sheet: Worksheet, widths: list[int]) -> None:
    from openpyxl.utils import get_column_letter

    sheet.freeze_panes = "A2"
    for position, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(position)].width = width


def _text_format(sheet: Worksheet, position: int, table: Table, name: str) -> None:
    """Have text columns take what is typed as text: 007 stays 007, 1/2 stays 1/2."""
    from openpyxl.utils import get_column_letter

    if _kind(table, name) in ("text", "clock"):
        letter = get_column_letter(position + 1)
        sheet.column_dimensions[letter].number_format = "@"


def _kind(table: Table, name: str) -> str:
    """Kind of a column; one of the user's own is text."""
    return next((c.kind for c in table.columns if c.name == name), "text")


def _cells(cells: pd.Series) -> list[Any]:
    """Cells of a column as numbers or text."""
    if pd.api.types.is_integer_dtype(cells.dtype):
        return [None if pd.isna(value) else int(value) for value in cells]
    if pd.api.types.is_float_dtype(cells.dtype):
        return [None if pd.isna(value) else float(value) for value in cells]
    return column_texts(cells)


def _cell(sheet: Worksheet, value: Any, *, bold: bool = False) -> Any:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    if value is None or value == "":
        return None
    if not isinstance(value, str):
        return WriteOnlyCell(sheet, value)
    cell = WriteOnlyCell(sheet)
    put_text(cell, value)
    if bold:
        cell.font = Font(bold=True)
    return cell


def put_text(cell: Any, text: str) -> None:
    """Store text as text, also if it looks like a formula, a number or an error."""
    if not text:
        cell.value = None
        return
    cell.value = _ESCAPE.sub("_x005F_", text)
    cell.data_type = "s"
    cell.number_format = "@"
    cell.quotePrefix = True


def put_typed(cell: Any, text: str, table: Table, column: str) -> None:
    """Store what was typed: a number in a column of numbers, else text."""
    if text and _kind(table, column) in ("number", "whole"):
        with suppress(ValueError):
            cell.value = float(text) if "." in text else int(text)
            return
    put_text(cell, text)
