"""Workbooks to type into: of a plan with all its bakes and cells, or a blank one.

They are study workbooks like any other, and `read_study` reads them back. What they add
is for the person who types: drop-down lists, allowed ranges, units shown in the
headers, a message for every column, frozen headers and gray for what is filled in.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pitstats.errors import WriteError
from pitstats.study.atomic import PathLike, write_file
from pitstats.study.schema import (
    PLACE_COLUMNS,
    SETTINGS,
    TABLES,
    Column,
    Table,
)
from pitstats.study.settings import BLANK, Settings
from pitstats.study.study import Study
from pitstats.study.units import unit_in
from pitstats.study.workbook_files import (
    making_workbook,
    put_text,
    saved,
    workbook_bytes,
)

#: What the workbook of a plan is called, and the folder after the name of the plan.
ENTRY, SHEETS = "entry.xlsx", "-sheets"

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

MISSING_REASONS = ("fallen", "stuck", "torn", "not graded", "lost")

#: Rows below the filled ones that drop-downs and ranges reach, by table.
_ROOM = {"probes": 2000}
_LEAST_ROOM = 100
#: Columns that the plan fills in and that stay in sight when scrolling.
_FIXED = {
    "pits": ("pit",),
    "grates": ("pit", "grate"),
    "bakes": ("bake", "pit", "session", "order"),
    "items": (*PLACE_COLUMNS, "code"),
    "counts": ("bake",),
    "probes": ("bake",),
    "probe_checks": ("probe",),
    "regrades": ("code",),
}
_SHEETS = ("study", "items", *(t.name for t in TABLES if t.name != "items"))
_FILLED = {"items": ("load_rank", "grading_order", "lot"), "bakes": ("lot",)}
_PROMPT, _TITLE = 255, 32  # longest message and title that the file format takes
_LISTS_FROM = 6  # column of the study sheet where the word lists stand
_GRAY = "EDEDED"
_SETTINGS_WIDTHS = {"A": 20, "B": 48, "C": 76}

_HOW_TO = "HOW TO FILL IN THIS WORKBOOK"
_OF_A_PLAN = (
    "This workbook tells which code lies where. Keep it from the grader until all "
    "grading is done.",
    "Items stand in the order of the grading sheets: type the grades from top to "
    "bottom. The arrows in the header sort and filter.",
)
_OF_A_BLANK = (
    "State title, question, temperature_rule and the units above, then each pit, each "
    "bake and each item, one a row.",
    "An item lies in row 1 nearest the door and column 1 nearest the firebox. Delete "
    "the rows of places that held no item.",
)
_OF_ALL = (
    "An item without a grade needs a reason in the column missing: an empty cell is "
    "neither burned nor unburned.",
    "When a bake is done, set its status to kept; a spoiled one to excluded, with its "
    "reason, before it is graded.",
    "Do not rename headers or sheets. Columns of your own are kept.",
)


def write_entry_workbook(
    study: Study, path: PathLike, *, overwrite: bool = False
) -> None:
    """Write a workbook to enter results into.

    Parameters
    ----------
    study : Study
        Usually one whose bakes are planned; results that it holds are kept.
    path : str or path
        A name ending in ``.xlsx``.
    overwrite : bool, default False
        Whether a file that is there may be replaced.

    Raises
    ------
    ExistsError
        If the file exists and may not be replaced.
    WriteError
        If the name does not end in ``.xlsx``, or the file cannot be written. Nothing
        half-written stays behind.

    Notes
    -----
    The header of a column shows its unit by the number format of the cell; its text is
    the plain name of the column, so the workbook reads back. No cell holds a formula,
    and text that looks like one stays text.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.write_entry_workbook(study, "my_test_entry.xlsx")  # doctest: +SKIP
    """
    write_file(entry_target(path), entry_workbook_bytes(study), overwrite=overwrite)


def entry_target(path: PathLike) -> Path:
    """Check the name of an entry workbook."""
    target = Path(path)
    if target.suffix.lower() != ".xlsx":
        raise WriteError(
            f"{target} cannot be written: the name of a workbook ends in .xlsx."
        )
    return target


@making_workbook()
def entry_workbook_bytes(study: Study) -> bytes:
    """Make the content of the entry workbook of a study."""
    study = replace(study, items=_in_grading_order(study))
    data = workbook_bytes(study.settings, study.tables)
    return _dressed(data, study.tables, study.settings, (*_OF_A_PLAN, *_OF_ALL))


@making_workbook()
def start_workbook_bytes(tables: Mapping[str, pd.DataFrame]) -> bytes:
    """Make the content of a blank workbook, with the rows that are known already."""
    data = workbook_bytes(BLANK, tables, blank=True)
    return _dressed(data, tables, BLANK, (*_OF_A_BLANK, *_OF_ALL))


def _dressed(
    data: bytes,
    tables: Mapping[str, pd.DataFrame],
    settings: Settings,
    how_to: tuple[str, ...],
) -> bytes:
    """Add everything that helps typing to a workbook of a study."""
    import openpyxl

    book = openpyxl.load_workbook(io.BytesIO(data))
    lists = _Lists(book["study"])
    for table in TABLES:
        if table.name not in book.sheetnames:
            _add_empty(book, table)
        _dress(book[table.name], table, tables[table.name], settings, lists)
    _dress_settings(book["study"], lists, how_to)
    for position, name in enumerate(_SHEETS):
        book.move_sheet(name, position - book.sheetnames.index(name))
    return saved(book)


def _in_grading_order(study: Study) -> pd.DataFrame:
    """Sort the items as the grading sheets list them."""
    bakes = study.bakes
    sessions = {name: k for k, name in enumerate(bakes["session"].fillna("").unique())}
    session = dict(zip(bakes["bake"], bakes["session"].fillna(""), strict=True))
    items = study.items
    rank = items["bake"].map(session).map(sessions)
    keys = pd.DataFrame({"session": rank, "order": items["grading_order"]})
    return items.loc[keys.sort_values(["session", "order"], kind="stable").index]


class _Lists:
    """Word lists beside the settings, for drop-downs of any length."""

    def __init__(self, sheet: Worksheet) -> None:
        self._sheet = sheet
        self._known: dict[tuple[Any, ...], str] = {}

    def reference(self, words: tuple[Any, ...], title: str) -> str:
        """Write a list, once, and give its place."""
        from openpyxl.utils import get_column_letter

        if words not in self._known:
            column = _LISTS_FROM + len(self._known)
            letter = get_column_letter(column)
            _put(self._sheet.cell(1, column), title)
            self._sheet.column_dimensions[letter].hidden = True
            for row, word in enumerate(words, start=2):
                _put(self._sheet.cell(row, column), word)
            self._known[words] = f"study!${letter}$2:${letter}${len(words) + 1}"
        return self._known[words]


def _put(cell: Any, value: Any) -> None:
    """Store a value; text stays text, whatever it looks like."""
    if isinstance(value, str):
        put_text(cell, value)
    else:
        cell.value = value


def _font(*, bold: bool) -> Any:
    """Make the font of the workbook; without a name some programs take another one."""
    from openpyxl.styles import Font

    return Font(name="Calibri", size=11, bold=bold)


def _add_empty(book: Workbook, table: Table) -> None:
    sheet = book.create_sheet(table.name)
    for position, name in enumerate(table.column_names, start=1):
        _put(sheet.cell(1, position), name)


def _dress(
    sheet: Worksheet,
    table: Table,
    frame: pd.DataFrame,
    settings: Settings,
    lists: _Lists,
) -> None:
    """Add everything that helps typing to one sheet."""
    from openpyxl.utils import get_column_letter

    names = [str(cell.value) for cell in sheet[1]]
    last = len(frame) + 1 + max(_LEAST_ROOM, _ROOM.get(table.name, 0))
    fixed = _FIXED[table.name]
    filled = {*fixed, *_FILLED.get(table.name, ())}
    for position, name in enumerate(names, start=1):
        column = _describe(table, name)
        unit = unit_in(settings, column)
        letter = get_column_letter(position)
        _dress_header(sheet.cell(1, position), column, unit)
        _validate(sheet, f"{letter}2:{letter}{last}", column, unit, settings, lists)
        shown = name + _shown_unit(column, unit)
        sheet.column_dimensions[letter].width = max(len(shown), 5) + 6
        _dress_column(sheet, position, column, len(frame), name in filled)
    n_fixed = next((k for k, name in enumerate(names) if name not in fixed), len(names))
    sheet.freeze_panes = sheet.cell(2, n_fixed + 1)
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(names))}{len(frame) + 1}"
    _set_print(sheet)


def _describe(table: Table, name: str) -> Column:
    if name in table.column_names:
        return table.column(name)
    meanings = {"lot": "Lot of the dough.", "standing_place": "Where the pit stands."}
    return Column(
        name=name, kind="text", meaning=meanings.get(name, "A column of your own.")
    )


def _shown_unit(column: Column, unit: str) -> str:
    """Unit behind the name in the header, unless the name itself tells it."""
    return "" if not unit or column.name.endswith(f"_{unit}") else f" ({unit})"


def _dress_header(cell: Any, column: Column, unit: str) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Side

    cell.font = _font(bold=True)
    shown = _shown_unit(column, unit)
    if shown:  # by the format, so that the text of the cell stays the plain name
        cell.number_format = f'@"{shown}"'
    cell.alignment = Alignment(vertical="center", wrap_text=False)
    cell.border = Border(bottom=Side(style="medium"))
    note = Comment(_message(column, unit), "pitstats", width=320, height=140)
    cell.comment = note


def _message(column: Column, unit: str) -> str:
    parts = [column.meaning]
    if unit:
        parts.append(f"Unit: {unit}.")
    if column.choices:
        parts.append(f"Allowed: {', '.join(column.choices)}.")
    if column.kind == "yes/no":
        parts.append("Allowed: yes, no.")
    if column.needed:
        parts.append("Needed.")
    elif column.when:
        parts.append(f"Needed {column.when}.")
    return " ".join(parts)


def _validate(
    sheet: Worksheet,
    cells: str,
    column: Column,
    unit: str,
    settings: Settings,
    lists: _Lists,
) -> None:
    """Add the drop-down or the range of a column, and its message."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rule = DataValidation(allow_blank=True, showErrorMessage=False)
    if column.kind == "grade":
        rule.type, rule.formula1 = "list", lists.reference(_grades(settings), "grades")
        _refuse(rule, f"Allowed: {', '.join(settings.grades)}.")
    elif column.kind == "yes/no":
        rule.type, rule.formula1 = "list", lists.reference(("yes", "no"), "yes or no")
        _refuse(rule, "Allowed: yes, no.")
    elif column.kind == "choice":
        words = lists.reference(column.choices, column.name)
        rule.type, rule.formula1 = "list", words
        _refuse(rule, f"Allowed: {', '.join(column.choices)}.")
    elif column.name == "missing":  # a suggestion: other reasons may be typed
        words = lists.reference(MISSING_REASONS, "reasons")
        rule.type, rule.formula1 = "list", words
    elif column.kind in ("whole", "number"):
        _limit(rule, column)
    rule.promptTitle = column.name[:_TITLE]
    message = _message(column, unit)
    rule.prompt = message if len(message) <= _PROMPT else message[: _PROMPT - 1] + "…"
    rule.showInputMessage = True
    rule.add(cells)
    sheet.add_data_validation(rule)


def _refuse(rule: Any, message: str) -> None:
    rule.showErrorMessage = True
    rule.errorTitle = "Not allowed here"
    rule.error = message[:_PROMPT]


def _grades(settings: Settings) -> tuple[Any, ...]:
    """Names of the grades, and their numbers unless names are numbers themselves."""
    names = settings.grades
    if any(name.strip().replace(".", "").isdigit() for name in names):
        return names
    return (*names, *range(len(names)))


def _limit(rule: Any, column: Column) -> None:
    """Restrict a column to its range."""
    rule.type = "whole" if column.kind == "whole" else "decimal"
    low = column.low if column.above is None else column.above
    high = column.high
    shown = "a whole number" if column.kind == "whole" else "a number"
    if low is not None and high is not None:
        rule.operator = "between"
        rule.formula1, rule.formula2 = f"{low:g}", f"{high:.0f}"
        _refuse(rule, f"Allowed: {shown} from {low:g} to {high:.0f}.")
    elif low is not None:
        above = column.above is not None
        rule.operator = "greaterThan" if above else "greaterThanOrEqual"
        rule.formula1 = f"{low:g}"
        _refuse(rule, f"Allowed: {shown} {'above' if above else 'of'} {low:g}.")
    else:  # no range: any number, but no text
        rule.operator = "between"
        rule.formula1, rule.formula2 = "-1000000", "1000000"
        _refuse(rule, f"Allowed: {shown} without unit.")


def _dress_column(
    sheet: Worksheet, position: int, column: Column, n_rows: int, filled: bool
) -> None:
    from openpyxl.styles import Alignment, PatternFill

    gray = PatternFill("solid", fgColor=_GRAY)
    for row in range(2, n_rows + 2):
        cell = sheet.cell(row, position)
        cell.alignment = Alignment(horizontal="left")
        if column.kind in ("text", "clock"):
            cell.number_format = "@"
        if filled and cell.value is not None:
            cell.fill = gray


def _set_print(sheet: Worksheet) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"
    sheet.print_options.gridLines = True


def _dress_settings(sheet: Worksheet, lists: _Lists, how_to: tuple[str, ...]) -> None:
    """Add drop-downs and the instructions to the sheet of settings."""
    from openpyxl.worksheet.datavalidation import DataValidation

    rows = {str(sheet.cell(row, 1).value): row for row in _rows(sheet)}
    for setting in SETTINGS:
        if setting.kind == "choice" and setting.name in rows:
            words = lists.reference(setting.choices, setting.name)
            rule = DataValidation(type="list", formula1=words, allow_blank=True)
            _refuse(rule, f"Allowed: {', '.join(setting.choices)}.")
            rule.add(f"B{rows[setting.name]}")
            sheet.add_data_validation(rule)
    start = max(rows.values()) + 2
    for row, line in enumerate((_HOW_TO, *how_to), start=start):
        _put(sheet.cell(row, 3), line)
    for letter, width in _SETTINGS_WIDTHS.items():
        sheet.column_dimensions[letter].width = width
    for row in range(1, sheet.max_row + 1):
        _wrap(sheet, row, bold=row in (1, start))
    sheet.print_area = f"A1:C{sheet.max_row}"
    _set_print(sheet)


def _wrap(sheet: Worksheet, row: int, *, bold: bool) -> None:
    """Wrap a row of settings and make it high enough for all its text."""
    from openpyxl.styles import Alignment

    lines = 1
    for letter, width in _SETTINGS_WIDTHS.items():
        cell = sheet[f"{letter}{row}"]
        cell.alignment = Alignment(wrap_text=True, vertical="top", horizontal="left")
        cell.font = _font(bold=bold)
        lines = max(lines, -(-len(str(cell.value or "")) // (width - 2)))
    # A spreadsheet row cannot be higher than 409 points.
    sheet.row_dimensions[row].height = min(15 * lines + 2, 409)


def _rows(sheet: Worksheet) -> Iterator[int]:
    """Rows of the settings that have a key."""
    return (r for r in range(2, sheet.max_row + 1) if sheet.cell(r, 1).value)
