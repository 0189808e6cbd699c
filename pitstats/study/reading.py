"""Bytes of files that may be anything: measured before they are read."""

from __future__ import annotations

import io
import os
import re
import stat
import zipfile
from pathlib import Path

from pitstats.study.raw import UnreadableError

MOST_BYTES = 32_000_000
MOST_CELLS, MOST_COLUMNS = 6_000_000, 1_000
#: Of a workbook: unpacked bytes of all its parts and of one that is no table, cells.
_MOST_UNPACKED, _MOST_OF_A_PART, MOST_SHEET_CELLS = 200_000_000, 4_000_000, 2_000_000
_MOST_PARTS, _MOST_TEXTS = 1_000, 400_000
_PIECE = 1 << 20
_CELL, _TEXT = re.compile(rb"<(?:\w+:)?c[\s>/]"), re.compile(rb"<(?:\w+:)?si[\s>/]")


def file_bytes(path: Path, folder: Path | None = None) -> bytes:
    """Read a file that is a plain file, and not too large."""
    try:
        inside = folder is None or path.resolve().is_relative_to(folder.resolve())
    except RuntimeError as error:
        raise UnreadableError(
            f"{path.name} is a link that leads back to itself. Put the file there."
        ) from error
    if not inside:
        raise UnreadableError(
            f"{path.name} is a link to a place outside the folder. Copy the file there "
            "instead."
        )
    # A pipe would wait for a writer for ever, were it not asked to.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
    with os.fdopen(handle, "rb") as file:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise UnreadableError(
                f"{path.name} is no plain file (a pipe, a device or a folder). Put the "
                "file itself there."
            )
        data = file.read(MOST_BYTES + 1) if found.st_size <= MOST_BYTES else None
    if data is None or len(data) > MOST_BYTES:
        raise UnreadableError(
            f"{path.name} is larger than {MOST_BYTES / 1e6:.0f} MB, which no table of "
            "a bake test is. Take out what does not belong, or split the study."
        )
    return data


_BINARY = getattr(os, "O_BINARY", 0)


def measure_table(rows: int, columns: int) -> None:
    """Refuse a table that would fill the memory."""
    if columns > MOST_COLUMNS or rows * columns > MOST_CELLS:
        raise UnreadableError(
            f"it has {rows:,} rows and {columns:,} columns; {MOST_COLUMNS:,} columns "
            f"and {MOST_CELLS:,} cells in all can be read. Take out what does not "
            "belong."
        )


def measure_workbook(data: bytes) -> None:
    """Refuse a workbook that would unpack to more than a bake test can hold."""
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = [p for p in book.infolist() if p.filename.endswith((".xml", ".rels"))]
        total = sum(part.file_size for part in parts)
        if len(parts) > _MOST_PARTS or total > _MOST_UNPACKED:
            raise _too_much(f"unpacks to {total / 1e6:,.0f} MB")
        cells = texts = 0
        for part in parts:
            if "/worksheets/" in part.filename:
                cells += _count(book, part, _CELL, MOST_SHEET_CELLS - cells)
            elif "sharedStrings" in part.filename:
                texts += _count(book, part, _TEXT, _MOST_TEXTS - texts)
            elif part.file_size > _MOST_OF_A_PART:
                raise _too_much(f"has a part of {part.file_size / 1e6:,.0f} MB")


def too_many_cells() -> UnreadableError:
    """Make the sentence about a workbook that has more cells than can be read."""
    return _too_much(f"holds more than {MOST_SHEET_CELLS:,} cells or texts")


def _count(
    book: zipfile.ZipFile, part: zipfile.ZipInfo, what: re.Pattern[bytes], most: int
) -> int:
    """Count marks in a part, piece by piece."""
    count, rest = 0, b""
    with book.open(part) as file:
        while piece := file.read(_PIECE):
            piece = rest + piece
            found = list(what.finditer(piece))
            count += len(found)
            # A mark may lie across two pieces; what was counted must not be again.
            rest = piece[max(found[-1].end() if found else 0, len(piece) - 20) :]
            if count > most:
                raise too_many_cells()
    return count


def _too_much(what: str) -> UnreadableError:
    return UnreadableError(
        f"this workbook {what}, which no bake test needs. Copy the sheets of the study "
        "alone into a new workbook."
    )
