"""Files and formulas damaged at random, and what must come of them."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TypeAlias

import numpy as np
from PIL import Image

import pitstats as ps
from pitstats.analysis.model.formula import parse_formula
from pitstats.report.photos import read_photo
from pitstats.study.demo import demo_folder

Attempt: TypeAlias = Callable[[np.random.Generator, Path], str]

_ODD = [
    "", " ", "NA", "-1", "1e400", "9" * 400, "=1+1", "'=1", "\u202eabc", "a\u200bb",
    "\x00", "\x1b[2J", '"', '""', "\n", ",", ";", "é", "\ud83d\ude00", "Total", "350F",
    "50 %", "12 min", "2026-11-28", "TRUE", "<script>", "../../x", "x" * 40_000,
]  # fmt: skip


@cache
def _tables() -> dict[str, bytes]:
    folder = demo_folder("one_bake_each")
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@cache
def _workbook() -> bytes:
    from pitstats.study.workbook_files import workbook_bytes

    study = ps.demo_study("one_bake_each")
    return workbook_bytes(study.settings, study.tables)


def _cut(rng: np.random.Generator, data: bytes) -> bytes:
    """Bytes flipped, cut out, doubled or put in."""
    found = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        place = int(rng.integers(0, len(found) + 1))
        length = int(rng.integers(1, 40))
        kind = rng.integers(0, 4)
        if kind == 0:
            del found[place : place + length]
        elif kind == 1:
            found[place:place] = found[place : place + length]
        elif kind == 2:
            found[place:place] = rng.integers(0, 256, length).astype("u1").tobytes()
        elif place < len(found):
            found[place] ^= int(rng.integers(1, 256))
    return bytes(found)


def _odd_cells(rng: np.random.Generator, data: bytes) -> bytes:
    """Cells that hold what no such cell should."""
    lines = data.decode("utf-8").split("\r\n")
    for _ in range(int(rng.integers(1, 4))):
        row = int(rng.integers(0, len(lines)))
        cells = lines[row].split(",")
        cells[int(rng.integers(0, len(cells)))] = str(rng.choice(_ODD))
        lines[row] = ",".join(cells)
    return "\r\n".join(lines).encode("utf-8", "replace")


def folder(rng: np.random.Generator, place: Path) -> str:
    """Damage one file of a folder: problems, or a study that reads back the same."""
    tables = dict(_tables())
    name = str(rng.choice(sorted(tables)))
    way = _cut if rng.random() < 0.5 else _odd_cells
    tables[name] = way(rng, tables[name])
    (place / "s").mkdir()
    for file, data in tables.items():
        (place / "s" / file).write_bytes(data)
    return _read_and_write(place / "s", place / "again")


def _read_and_write(source: Path, target: Path) -> str:
    try:
        study = ps.read_study(source)
    except ps.InvalidStudyError as error:
        if len(str(error)) > 200_000:
            return "a message of more than 200 KB"
        return "" if error.problems else "refused without a problem"
    ps.write_study(study, target)
    return "" if ps.read_study(target) == study else "changed by writing and reading"


def workbook(rng: np.random.Generator, place: Path) -> str:
    """Damage the bytes of a workbook, or of one part of it."""
    data = _workbook()
    if rng.random() < 0.3:
        data = _cut(rng, data)
    else:
        out = io.BytesIO()
        with (
            zipfile.ZipFile(io.BytesIO(data)) as source,
            zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
        ):
            names = source.namelist()
            chosen = names[int(rng.integers(0, len(names)))]
            for name in names:
                part = source.read(name)
                target.writestr(name, _cut(rng, part) if name == chosen else part)
        data = out.getvalue()
    (place / "s.xlsx").write_bytes(data)
    return _read_and_write(place / "s.xlsx", place / "again")


def photograph(rng: np.random.Generator, place: Path) -> str:
    """Damage a picture of any kind: a small copy, or a sentence."""
    kind = str(rng.choice(["JPEG", "PNG", "WEBP", "GIF", "TIFF", "BMP", "AVIF"]))
    pixels = rng.integers(0, 256, (24, 32, 3)).astype("u1")
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, format=kind)
    (place / "a.jpg").write_bytes(_cut(rng, buffer.getvalue()))
    photo = read_photo(place, "A1", "a.jpg")
    told = photo.problem.startswith("The photograph 'a.jpg' of bake A1")
    return "" if bool(photo.jpeg) != told else "neither a copy nor a sentence"


_PIECES = [
    "pit", "distance", "across", "grate", "+", "-", "*", ":", "/", "(", ")", "**", "2",
    "log(", "C(", "bs(", "poly(", "I(", "np.", "`my wind`", "__import__('os')", ".",
    "lambda", "[0]", "=", ",", "df", "'a'", "0", "1", "~", ";", "\n", "é", "exec(",
]  # fmt: skip


def formula(rng: np.random.Generator, place: Path) -> str:
    """Put pieces of formulas together: terms of known columns, or a sentence."""
    pieces = rng.choice(_PIECES, int(rng.integers(1, 14)))
    text = str(rng.choice(["", " "])).join(str(piece) for piece in pieces)
    try:
        parsed = parse_formula(text)
    except ps.DesignError as error:
        return "" if len(str(error)) < 1000 else "a long message"
    code = " ".join(c for term in parsed.terms for c in term)
    return "code of its own" if "__" in code.replace("Q('__import__')", "") else ""


ATTEMPTS: dict[str, Attempt] = {
    "folders": folder,
    "workbooks": workbook,
    "photographs": photograph,
    "formulas": formula,
}
