"""A mark in a workbook that tells whether anybody has typed into it since.

The mark holds a hash of all cells and stands where workbooks keep an identifier. A
program that drops it on saving makes the workbook count as changed, which is the safe
side.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from pathlib import Path

from pitstats.errors import ExistsError
from pitstats.study.cells import cell_text
from pitstats.study.raw import UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.workbook_files import load_sheets

_PROPERTIES = "docProps/core.xml"
_MARK = re.compile(rb"<dc:identifier[^>]*>pitstats ([0-9a-f]{64})</dc:identifier>")


def marked(data: bytes) -> bytes:
    """Put the mark into a workbook."""
    mark = f"<dc:identifier>pitstats {_cells_hash(data)}</dc:identifier>".encode()
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for member in source.infolist():
            content = source.read(member)
            if member.filename == _PROPERTIES:
                end = content.rindex(b"</")
                content = content[:end] + mark + content[end:]
            target.writestr(member, content)
    return out.getvalue()


def _is_unchanged(path: Path) -> bool:
    """Tell whether a workbook is as pitstats wrote it."""
    try:
        data = file_bytes(path)
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            if book.getinfo(_PROPERTIES).file_size > 100_000:
                return False
            found = _MARK.search(book.read(_PROPERTIES))
        return found is not None and found[1].decode() == _cells_hash(data)
    except (OSError, KeyError, zipfile.BadZipFile, UnreadableError):
        return False


def refuse_changed(path: Path) -> None:
    """Refuse to replace a workbook that somebody has typed into, or made."""
    if path.is_file() and not _is_unchanged(path):
        raise ExistsError(
            f"{path} was not written by pitstats, or was changed since, and is never "
            "overwritten. Move it away, or choose another name."
        )


def _cells_hash(data: bytes) -> str:
    sheets = {
        title: [(row, [cell_text(cell) for cell in cells]) for row, cells in rows]
        for title, rows in load_sheets(data).items()
    }
    text = json.dumps(sheets, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
