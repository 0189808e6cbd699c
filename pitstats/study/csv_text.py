"""CSV as people save it: encodings, separators, ragged rows."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable
from functools import partial
from itertools import islice
from typing import Any

import pandas as pd

from pitstats.errors import some
from pitstats.study.cells import changed_texts, quote
from pitstats.study.columns import ROWS_OF_TITLE, columns_named
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import UnreadableError, raw_table
from pitstats.study.reading import measure_table
from pitstats.study.schema import Table

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_SEPARATOR_LINE = re.compile(r'"?sep=([,;\t])"?\r?\n?', re.IGNORECASE)
_FORMULA = re.compile("'*[=+\\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
_SAVE_AS = "Save it as CSV UTF-8 from your spreadsheet program."


def decode(data: bytes) -> tuple[str, str]:
    """Decode a text file."""
    if data.startswith(b"PK\x03\x04"):
        raise UnreadableError(
            f"this is a workbook or zip file, not a text file. {_SAVE_AS}"
        )
    for mark in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        if data.startswith(mark):
            return _decode_strictly(data, "utf-16"), "UTF-16"
    if b"\x00" in data:
        return _decode_wide(data)
    try:
        return data.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return _decode_strictly(data, "cp1252"), "Windows-1252"


def _decode_strictly(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise UnreadableError(
            f"this is not readable text (near byte {error.start:,}). {_SAVE_AS}"
        ) from error


def _decode_wide(data: bytes) -> tuple[str, str]:
    """Decode UTF-16 without a mark: every other byte of plain text is zero."""
    for offset, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        zeros = data[offset::2].count(0)
        if len(data) % 2 == 0 and zeros > 0.4 * len(data) / 2:
            text = _decode_strictly(data, encoding)
            if "\x00" not in text:
                return text, "UTF-16"
    raise UnreadableError(f"this is not a text file: it holds zero bytes. {_SAVE_AS}")


def read_csv(
    table: Table, data: bytes, log: ProblemLog, *, titled: bool = False
) -> pd.DataFrame:
    """Split a CSV file into cells, with the rows a spreadsheet would show.

    ``titled`` leaves out what stands above the headers.
    """
    text, encoding = decode(data)
    if encoding:
        log.assume(f"text encoding {encoding} assumed", table.name)
    separator, text = _separator(table, text)
    if separator != ",":
        log.assume(f"separated by {_SEPARATORS[separator]}", table.name)
    records = _records(text, separator)
    if titled:
        records = below_title(table, records, log)
    _say_swallowed(table, records, separator, log)
    if not records:
        raise UnreadableError(
            f"the file is empty. Its first line names the columns: "
            f"{', '.join(table.column_names)}."
        )
    return raw_table(_squared(table, records, log))


def _separator(table: Table, text: str) -> tuple[str, str]:
    """Find the separator that makes most sense of the header."""
    stated = _SEPARATOR_LINE.match(text)
    if stated:
        return stated[1], text[stated.end() :]
    filled = (line for line in io.StringIO(text, newline=None) if line.strip(" ,;\t\n"))

    def known(line: str, separator: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([line], delimiter=separator), [])
        except csv.Error:  # a header longer than any cell may be
            return 0, 0
        return columns_named(table, cells), len(cells)

    lines = list(islice(filled, ROWS_OF_TITLE + 1)) or [""]
    # The first row is the header, unless only one below it names a column.
    named = (line for line in lines if any(known(line, s)[0] for s in _SEPARATORS))
    header = next(named, lines[0])
    return max(_SEPARATORS, key=partial(known, header)), text


def below_title(
    table: Table, records: list[tuple[int, list[Any]]], log: ProblemLog
) -> list[tuple[int, list[Any]]]:
    """Leave out the rows above the headers, and say so."""
    named = [columns_named(table, cells) for _, cells in records[: ROWS_OF_TITLE + 1]]
    start = named.index(max(named)) if named else 0
    if start:
        log.assume(
            f"the headers stand in row {records[start][0]}; what is above them was "
            "left out",
            table.name,
        )
    return records[start:]


def _records(text: str, separator: str) -> list[tuple[int, list[str]]]:
    """Split text into numbered records, leaving out blank ones."""
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=separator,
        strict=True,
        skipinitialspace=separator != "\t",
    )
    records: list[tuple[int, list[str]]] = []
    row = 0
    try:
        for row, cells in enumerate(reader, start=1):
            if any(cell and not cell.isspace() for cell in cells):
                records.append((row, [bare(cell) for cell in cells]))
                measure_table(len(records), len(records[0][1]))
    except csv.Error as error:
        raise UnreadableError(
            f"the quote marks from row {row + 1} on do not fit together ({error}). A "
            "text that holds a quote mark is put in quotes, with the mark doubled."
        ) from error
    return records


def typed_rows(table: Table, data: bytes) -> tuple[list[list[str]], list[str]]:
    """Split a CSV file into all its rows as typed, with what is unusual of the file.

    Row by row as `read_csv` does, blank rows, blanks and marks included.
    """
    text, encoding = decode(data)
    separator, text = _separator(table, text)
    unusual = [encoding] if encoding else []
    if separator != ",":
        unusual.append(_SEPARATORS[separator])
    rows, exact = (
        list(
            csv.reader(
                io.StringIO(text, newline=""),
                delimiter=separator,
                skipinitialspace=skip,
            )
        )
        for skip in (separator != "\t", False)
    )
    same = len(rows) == len(exact)
    for k, cells in enumerate(rows):
        # A blank before a quote mark makes another row of it, unless it is skipped.
        if same and [c.strip() for c in cells] == [c.strip() for c in exact[k]]:
            rows[k] = exact[k]
    return rows, unusual


def write_typed(rows: Iterable[Iterable[str]]) -> bytes:
    """Write rows as they were typed."""
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode("utf-8")


def _say_swallowed(
    table: Table,
    records: list[tuple[int, list[str]]],
    separator: str,
    log: ProblemLog,
) -> None:
    """Say where a quote mark that was not closed has taken rows into one text."""
    width = len(records[0][1]) if records else 0
    for row, cells in records:
        lines = [line for cell in cells for line in cell.split("\n")[1:]]
        rows = sum(line.count(separator) >= max(width - 2, 1) for line in lines)
        if rows:
            message = (
                f"a quote mark opens a text that runs over {rows} more "
                f"{'line' if rows == 1 else 'lines'} that look like rows. Delete the "
                "quote mark, or close it in its own row."
            )
            log.problem(message, table.name, row)


def _squared(
    table: Table, records: list[tuple[int, list[str]]], log: ProblemLog
) -> list[tuple[int, list[str]]]:
    """Give every record as many cells as the header has."""
    width = len(records[0][1])
    short = []
    out = [records[0]]
    for row, cells in records[1:]:
        rest = [cell for cell in cells[width:] if cell.strip()]
        if rest:
            message = (
                f"has {len(cells)} cells but the header has {width}; the cell "
                f"{quote(rest[0])} has no column. Put texts that hold a separator in "
                "quotes."
            )
            log.problem(message, table.name, row)
        if len(cells) < width:
            short.append(row)
        out.append((row, (cells + [""] * width)[:width]))
    if short:
        log.assume(
            f"cells missing at the end of {_rows(short)} read as empty", table.name
        )
    return out


def _rows(rows: list[int]) -> str:
    return f"row{'s' * (len(rows) > 1)} {some(map(str, rows), 5)}"


def harmless(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would run as a formula.

    Numbers stay as they are; `bare` takes the apostrophe off again.
    """
    if _FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return f"'{text}"
    return text


def bare(text: str) -> str:
    """Take off the apostrophe that `harmless` put before a text."""
    marked = text.startswith("'") and harmless(text[1:]) == text
    return text[1:] if marked else text


def harmless_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Table whose texts and headers a spreadsheet takes as text."""
    return changed_texts(frame, harmless)


def write_csv(header: Iterable[str], rows: Iterable[Iterable[str]]) -> bytes:
    """Write a table as RFC 4180 describes: UTF-8, commas, CRLF, quotes where needed.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([harmless(name) for name in header])
    writer.writerows([harmless(cell) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8")
