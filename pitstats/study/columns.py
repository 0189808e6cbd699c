"""One table after the other: headers matched, cells read, each column checked.

The cell checks are our own rather than a validation library's. Tried with pandera 0.35
on two cores: it does report every failing cell with its row, but its import (0.16 to
0.26 s) and its passes over the tables (0.15 s for the first study) cost more than
reading and checking a whole study does here, every `Study` is checked when it is made,
and the tolerant reading below has to know each failing cell anyway.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable
from functools import cache, partial
from typing import cast

import numpy as np
import pandas as pd

from pitstats.study.cells import (
    ABSENT,
    AMBIGUOUS_COMMA,
    COMMA,
    DTYPES,
    INVISIBLE,
    NOT_RECORDED,
    Cell,
    cell_text,
    counted,
    empty_column,
    listing,
    number_text,
    own_numbers,
    quote,
    read_text,
    reader,
    rounded,
    texts,
    visible,
)
from pitstats.study.form import column_letter
from pitstats.study.problems import ProblemLog
from pitstats.study.schema import (
    LARGEST_WHOLE,
    TEMPERATURES,
    Column,
    Table,
)
from pitstats.study.settings import Settings
from pitstats.study.similar_names import difference, skeleton
from pitstats.study.units import with_unit

_HEADERS_SHOWN = 5
ROWS_OF_TITLE = 5  # in which headers that do not stand on top are looked for


def read_table(
    table: Table, frame: pd.DataFrame, settings: Settings, log: ProblemLog
) -> pd.DataFrame:
    """Read one table of cells into typed columns and check each of them."""
    if not len(frame) and list(frame.columns) in ([], list(table.column_names)):
        return _not_there(table).copy()
    below = _row_of_headers(table, frame)
    found = {} if below else match_headers(table, frame, log)
    if len(frame.columns) and not set(found).intersection(table.column_names):
        shown = ", ".join(quote(name) for name in [*found][:_HEADERS_SHOWN])
        found = {}
        log.lose(table.name, *table.column_names)
        log.problem(
            f"the headers stand in row {below}; they are looked for in the first row. "
            "Delete what is above them."
            if below
            else f"none of its headers is known: found {shown or 'none'}. The first "
            f"row names the columns: {', '.join(table.column_names)}.",
            table.name,
        )
    found = _without_blank_rows(found, frame.index)
    index = found[next(iter(found))].index if found else frame.index[:0]
    columns: dict[str, pd.Series] = {}
    blank = cache(partial(empty_column, index=index))
    for column in table.columns:
        if column.name in found:
            columns[column.name] = _read_column(
                table.name, column, found.pop(column.name), settings, log
            )
        else:
            columns[column.name] = blank(column.kind)
            if column.needed and len(index):
                log.lose(table.name, column.name)
                message = f"there is no such column. Add it: {column.meaning}"
                log.problem(message, table.name, column=column.name)
    for name, cells in found.items():
        columns[name] = _read_own_column(table.name, name, cells, log)
    return pd.DataFrame(columns, index=index)


@cache
def _not_there(table: Table) -> pd.DataFrame:
    """A table that nobody wrote: every column, no rows; most studies lack several."""
    none = pd.RangeIndex(0)
    return pd.DataFrame({c.name: empty_column(c.kind, none) for c in table.columns})


# --- headers ------------------------------------------------------------------------


def match_headers(
    table: Table, frame: pd.DataFrame, log: ProblemLog
) -> dict[str, pd.Series]:
    """Match headers with the columns of the table; the rest are the user's own."""
    found: dict[str, pd.Series] = {}
    at: dict[str, int] = {}
    loose = []
    for position, header in enumerate(frame.columns):
        text = "" if header is None else str(header)
        name = read_header(table, text)
        cells = frame.iloc[:, position]
        if not name:
            _unnamed(table, position, cells, log)
        elif name in found:
            message = (
                f"columns {at[name] + 1} and {position + 1} both have this name: found "
                f"{quote(str(frame.columns[at[name]]))} and {quote(text)}. Rename or "
                "delete one of them."
            )
            log.problem(message, table.name, column=name)
        else:
            found[name], at[name] = cells, position
            if name in table.column_names and name != text.strip():
                loose.append(quote(text))
    if loose:
        log.assume(
            f"{', '.join(loose)} taken for the columns of the same letters", table.name
        )
    _near_misses(table, found, log)
    return found


def _row_of_headers(table: Table, frame: pd.DataFrame) -> int:
    """Row in which the headers stand instead, below a title; 0 if on top."""
    on_top = columns_named(table, frame.columns)
    for row, cells in frame.head(ROWS_OF_TITLE).iterrows():
        if columns_named(table, cells) > on_top + 1:
            return int(str(row))
    return 0


def columns_named(table: Table, cells: Iterable[object]) -> int:
    """Count the columns of a table that a row of cells names."""
    names = {read_header(table, cell_text(cell)) for cell in cells}
    return len(names.intersection(table.column_names))


def plain_header(text: str) -> str:
    """Header in the letters that names of columns are made of."""
    return re.sub(r"[\s_-]+", "_", text.casefold())


def read_header(table: Table, text: str) -> str:
    """Name of the column that a header means; an unknown header stays as it is."""
    header = read_text(" ".join(visible(text).split())).value or ""
    plain = plain_header(header)
    return plain if plain in table.column_names else header


def _unnamed(table: Table, position: int, cells: pd.Series, log: ProblemLog) -> None:
    filled = [
        (row, text) for row, text in zip(cells.index, texts(cells), strict=True) if text
    ]
    if filled:
        row, text = filled[0]
        log.problem(
            f"column {column_letter(position)} holds values, the first of them "
            f"{quote(text)} in row {row}, but its header is empty or cannot be "
            "printed. Give it a name or delete it.",
            table.name,
        )


def _near_misses(table: Table, found: dict[str, pd.Series], log: ProblemLog) -> None:
    absent = [name for name in table.column_names if name not in found]
    for name in found:
        if name in table.column_names:
            continue
        close = difflib.get_close_matches(name.casefold(), absent, n=1, cutoff=0.8)
        # "grade" for grade_top: the first word of a column that is not there.
        close += [
            other for other in absent if other.startswith(f"{plain_header(name)}_")
        ]
        if close:
            log.assume(
                f"column {quote(name)} kept as a column of your own; rename it if "
                f"{close[0]} was meant",
                table.name,
            )


def _without_blank_rows(
    found: dict[str, pd.Series], index: pd.Index
) -> dict[str, pd.Series]:
    """Leave out rows in which no cell holds anything."""
    blank = np.ones(len(index), dtype=bool)
    for cells in found.values():
        if not blank.any():
            return found
        empty = cells.isna().to_numpy()
        if not pd.api.types.is_numeric_dtype(cells.dtype):
            empty = (texts(cells) == "").to_numpy()
        blank &= empty
    if not blank.any():
        return found
    return {name: cells[~blank] for name, cells in found.items()}


# --- columns of the description -----------------------------------------------------


def _read_column(
    table: str,
    column: Column,
    cells: pd.Series,
    settings: Settings,
    log: ProblemLog,
) -> pd.Series:
    """Read and check one column; what cannot be read becomes missing."""
    typed = _already_typed(column, cells)
    if typed is None:
        typed = _parse(table, column, cells, settings, log)
    return _within_range(table, column, typed, settings, log)


def _already_typed(column: Column, cells: pd.Series) -> pd.Series | None:
    """Take numbers, truth values and nothing as they are: there is nothing to read."""
    if column.needed:
        return None
    if cells.isna().all():
        return empty_column(column.kind, cells.index)
    if column.kind == "yes/no" and pd.api.types.is_bool_dtype(cells.dtype):
        return cells.astype("boolean")
    if column.kind == "number" and pd.api.types.is_float_dtype(cells.dtype):
        values = cells.to_numpy(dtype=float, na_value=np.nan)
        if not np.isinf(values).any():
            return pd.Series(rounded(values), index=cells.index)
    return None


def _parse(
    table: str,
    column: Column,
    cells: pd.Series,
    settings: Settings,
    log: ProblemLog,
) -> pd.Series:
    words = _visible(table, column.name, texts(cells), log)
    graded = ("study", "grades") not in log.lost
    meanings = read_words(column, words, settings, graded=graded)
    values = []
    notes: Counter[str] = Counter()
    for row, text in zip(words.index, words, strict=True):
        cell = meanings[text]
        values.append(cell.value)
        if cell.problem:
            log.problem(cell.problem, table, row, column.name)
        elif cell.note:
            notes[cell.note] += 1
        elif column.needed and not text and not log.knows(table, row, column.name):
            message = (
                f"the cell is empty, but it is needed: {column.meaning} Fill it in."
            )
            log.problem(message, table, row, column.name)
    for note, count in notes.items():
        log.assume(f"{note} ({counted(count, 'cell')})", table, None, column.name)
    if column.kind == "number":
        values = [np.nan if value is None else value for value in values]
    return pd.Series(values, index=cells.index, dtype=DTYPES[column.kind])


def read_words(
    column: Column, words: Iterable[str], settings: Settings, *, graded: bool = True
) -> dict[str, Cell]:
    """What each text of a column means; ``graded`` if the list of grades is known."""
    read = reader(column, settings if graded else None)
    meanings = {
        text: _meaning(column, text, with_unit(column, text, read, settings))
        if text
        else Cell()
        for text in dict.fromkeys(words)
    }
    _settle_commas(meanings)
    return meanings


def _visible(table: str, column: str, words: pd.Series, log: ProblemLog) -> pd.Series:
    """Leave out what cannot be seen, and say in how many cells."""
    known = {text: visible(text) for text in dict.fromkeys(words)}
    count = sum(known[text] != text for text in words)
    if not count:
        return words
    log.assume(f"{INVISIBLE} ({counted(count, 'cell')})", table, None, column)
    return pd.Series([known[text] for text in words], words.index, dtype=object)


def _meaning(column: Column, text: str, cell: Cell) -> Cell:
    """Take NA and the like as not recorded; say what to do about the rest."""
    if column.kind == "text" or not cell.problem:
        return cell
    if text.casefold() in NOT_RECORDED and not column.needed:
        return Cell(note=ABSENT)
    unit = f" The column is in {column.unit}." * (column.unit in ("mm", "min"))
    return Cell(problem=f"{cell.problem}{unit} {_advice(column)}")


def _advice(column: Column) -> str:
    if column.needed:
        return "Correct the cell."
    return "Correct the cell, or leave it empty if it was not recorded."


def _settle_commas(meanings: dict[str, Cell]) -> None:
    """Decide what 1,500 means: only its neighbors in the column can tell."""
    doubtful = [t for t, cell in meanings.items() if cell.note == AMBIGUOUS_COMMA]
    commas = any(cell.note == COMMA for cell in meanings.values())
    points = any("." in text for text, cell in meanings.items() if not cell.problem)
    for text in doubtful:
        if commas and not points:
            meanings[text] = Cell(value=meanings[text].value, note=COMMA)
        else:
            meanings[text] = Cell(
                problem=(
                    f"found {quote(text)}, which may mean "
                    f"{number_text(meanings[text].value)} or {text.replace(',', '')}. "
                    "Write it without the comma."
                )
            )


def _within_range(
    table: str,
    column: Column,
    typed: pd.Series,
    settings: Settings,
    log: ProblemLog,
) -> pd.Series:
    """Report numbers outside what is possible and take them out."""
    if column.kind not in ("number", "whole"):
        return typed
    low, high = _bounds(column, settings)
    values = typed.to_numpy(dtype=float, na_value=np.nan)
    with np.errstate(invalid="ignore"):
        wrong = (values < low) | (values > high)
        if column.above is not None:
            wrong |= values <= column.above
    if not wrong.any():
        return typed
    for row, value in zip(typed.index[wrong], values[wrong], strict=True):
        log.problem(_range_message(column, value, settings), table, row, column.name)
    return typed.mask(wrong)


def _bounds(column: Column, settings: Settings) -> tuple[float, float]:
    if column.unit in TEMPERATURES:
        if settings.temperature_unit is None:
            return -np.inf, np.inf
        range_c, _ = TEMPERATURES[column.unit]
        low, high = (_from_celsius(t, settings.temperature_unit) for t in range_c)
        return low, high
    low = -np.inf if column.low is None else column.low
    return low, np.inf if column.high is None else column.high


def _from_celsius(temperature: float, unit: str) -> float:
    return temperature * 9 / 5 + 32 if unit == "F" else temperature


def _to_celsius(temperature: float, unit: str) -> float:
    return (temperature - 32) * 5 / 9 if unit == "F" else temperature


def _range_message(column: Column, value: float, settings: Settings) -> str:
    if column.unit in TEMPERATURES:
        return _temperature_message(column, value, settings)
    found = f"found {number_text(value)}"
    if column.above is not None:
        return f"{found}; allowed is more than {column.above:g}. {_advice(column)}"
    low, high = cast(float, column.low), cast(float, column.high)
    if (low, high) == (0, 1):
        hint = ""
        if 2 <= value <= 100:
            hint = f" Was {number_text(value / 100)} meant?"
        return (
            f"{found}; allowed is 0 (shut) to 1 (fully open).{hint} {_advice(column)}"
        )
    if high == LARGEST_WHOLE and value < low:
        return f"{found}; allowed is {low:g} or more. {_advice(column)}"
    return f"{found}; allowed is {low:g} to {high:,g}. {_advice(column)}"


def _temperature_message(column: Column, value: float, settings: Settings) -> str:
    unit = cast(str, settings.temperature_unit)
    other = "F" if unit == "C" else "C"
    range_c, what = TEMPERATURES[column.unit]
    low, high = (_from_celsius(bound, unit) for bound in range_c)
    found = f"found {number_text(value)} °{unit}"
    if range_c[0] <= _to_celsius(value, other) <= range_c[1]:
        found += f": was °{other} meant?"
    else:
        found += "."
    return (
        f"{found} {what} is between {low:g} and {high:g} °{unit}. Correct the cell, or "
        "temperature_unit in the study settings if all temperatures look wrong."
    )


# --- columns of the user's own ------------------------------------------------------


def _read_own_column(
    table: str, name: str, cells: pd.Series, log: ProblemLog
) -> pd.Series:
    """Keep a column of the user's own: as numbers if all of it are, else as text."""
    if pd.api.types.is_float_dtype(cells.dtype) and cells.notna().any():
        values = cells.to_numpy(dtype=float, na_value=np.nan)
        for row in cells.index[np.isinf(values)]:
            log.problem(
                "found an infinite number. Correct or empty the cell.", table, row, name
            )
        return pd.Series(rounded(values), index=cells.index)
    words = _visible(table, name, texts(cells), log)
    some = [text for text in dict.fromkeys(words) if text]
    numbers, note = own_numbers(some)
    if note:
        log.assume(f"a column of your own, {note}", table, None, name)
    if numbers:
        values = np.array([numbers.get(text, np.nan) for text in words])
        return pd.Series(rounded(values), index=cells.index)
    wrong = {text: read_text(text).problem for text in some}
    if any(wrong.values()):
        for row, text in zip(words.index, words, strict=True):
            if text and wrong[text]:
                log.problem(wrong[text], table, row, name)
    return pd.Series([text or None for text in words], index=cells.index, dtype="str")


def suggestion(found: str, known: list[str]) -> str:
    """Suggest which known name may have been meant, or list the known names."""
    plain = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(found.casefold(), plain, n=1, cutoff=0.75)
    alike = [plain[name] for name in close]
    seen = skeleton(found)
    alike = [name for name in known if skeleton(name) == seen] + alike
    if alike:
        how = difference(found, alike[0])
        return f"Was {quote(alike[0])} meant?{' ' if how else ''}{how}"
    if not known:
        return "There are none."
    shown = [quote(name) for name in known[:8]]
    more = f" and {len(known) - 8} more" if len(known) > 8 else ""
    return f"Known: {listing(shown, 'and') if not more else ', '.join(shown) + more}."
