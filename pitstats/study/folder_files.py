"""A study as a folder of plain files."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from pitstats.errors import some
from pitstats.study.atomic import write_folder
from pitstats.study.cells import number_text
from pitstats.study.csv_text import read_csv, write_csv
from pitstats.study.form import Form
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import RawStudy, UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.schema import SETTING_NAMES, TABLE_NAMES, TABLES
from pitstats.study.settings import BLANK
from pitstats.study.study import Study
from pitstats.study.toml_text import read_toml, write_toml

#: What a corrected copy lists its changes in; no table of the study.
CHANGES_FILE = "changes.csv"
_SETTINGS_FILE = "study.toml"
_ENDINGS = (".csv", ".tsv", ".txt")
_ALWAYS = ("pits", "bakes")


def read_folder(path: Path, log: ProblemLog) -> RawStudy:
    """Read the files of a study folder into cells."""
    names = sorted(entry.name for entry in path.iterdir())
    study = RawStudy()
    log.form = Form("folder")
    used = set()
    try:
        file = _find(path, names, "study", (".toml",))
        if file is None:
            raise UnreadableError(
                f"there is no {_SETTINGS_FILE} in the folder. It states title, "
                f"question, temperature_rule and units.{_similar('study', names)}"
                f"{_workbooks(names)}"
            )
        log.form.files["study"] = file.name
        study.settings = read_toml(_bytes(file), log)
    except UnreadableError as error:
        log.problem(str(error), "study")
        log.lose("study", *SETTING_NAMES)
    for table in TABLES:
        try:
            file = _find(path, names, table.name, _ENDINGS)
            if file is not None:
                used.add(file.name)
                log.form.files[table.name] = file.name
                study.tables[table.name] = read_csv(table, _bytes(file), log)
            elif table.name in _ALWAYS:
                raise UnreadableError(
                    f"there is no {table.name}.csv in the folder. It has one row for "
                    f"{table.one_row}.{_similar(table.name, names)}"
                )
        except UnreadableError as error:
            log.problem(str(error), table.name)
            log.lose(table.name, *table.column_names)
    _say_unused(names, used, log)
    return study


def _find(
    path: Path, names: list[str], stem: str, endings: tuple[str, ...]
) -> Path | None:
    """Find the file of a table, whatever its capitals."""
    wanted = {stem + ending for ending in endings}
    found = [name for name in names if name.lower() in wanted]
    if len(found) > 1:
        raise UnreadableError(
            f"there are several files for it: {', '.join(found)}. Keep one."
        )
    return path / found[0] if found else None


def _bytes(file: Path) -> bytes:
    """Read a file of the study, which must lie in its folder."""
    if file.is_dir():
        raise UnreadableError(
            f"{file.name} is a folder, not a file. Put the file in its place."
        )
    try:
        return file_bytes(file, file.parent)
    except OSError as error:
        raise UnreadableError(
            f"{file.name} cannot be opened: {error.strerror}. Close it in other "
            "programs and check that you may read it."
        ) from error


def _similar(stem: str, names: list[str]) -> str:
    stems = {Path(name).stem.lower(): name for name in reversed(names)}
    close = difflib.get_close_matches(stem, list(stems), n=1, cutoff=0.75)
    if not close:
        return ""
    return f" Was '{stems[close[0]]}' meant? Then rename it."


def _workbooks(names: list[str]) -> str:
    """Say which workbooks lie where a study was looked for."""
    whole = (name for name in names if not name.startswith((".", "~")))
    found = [name for name in whole if name.lower().endswith(".xlsx")]
    it = "workbook" if len(found) == 1 else "workbooks"
    return f" The {it} {some(found)} in it can be given by path." if found else ""


def _say_unused(names: list[str], used: set[str], log: ProblemLog) -> None:
    """Say which tables in the folder were left alone."""
    rest = [
        name
        for name in names
        if name.lower().endswith((".csv", ".tsv")) and name not in {*used, CHANGES_FILE}
    ]
    known = [name for name in rest if Path(name).stem.lower() in TABLE_NAMES]
    others = [name for name in rest if name not in known]
    if others:
        found = {Path(name).stem.lower() for name in used}
        absent = [name for name in TABLE_NAMES if name not in found]
        shown = [f"{name}{meant_table(Path(name).stem, absent)}" for name in others]
        log.assume(
            f"not read, because the format has no such table: {', '.join(shown)}"
        )


def meant_table(name: str, absent: list[str]) -> str:
    """Remark beside a file or sheet of unknown name that may be a missing table.

    Examples
    --------
    >>> meant_table("Item", ["items", "counts"])
    ' (rename it if items was meant)'
    >>> meant_table("weather", ["items", "counts"])
    ''
    """
    close = difflib.get_close_matches(name.strip().lower(), absent, n=1, cutoff=0.75)
    return f" (rename it if {close[0]} was meant)" if close else ""


def column_texts(cells: pd.Series) -> list[str]:
    """Write a typed column as text; a missing value is empty."""
    dtype = cells.dtype
    if isinstance(dtype, pd.BooleanDtype):
        words: dict[object, str] = {True: "yes", False: "no"}
        return [words.get(value, "") for value in cells.astype(object)]
    if pd.api.types.is_float_dtype(dtype):
        return ["" if np.isnan(value) else number_text(value) for value in cells]
    return ["" if pd.isna(value) else str(value) for value in cells]


def folder_texts(study: Study) -> dict[str, bytes]:
    """Content of every file of a study folder; tables without rows are left out."""
    files = {_SETTINGS_FILE: write_toml(study.settings).encode("utf-8")}
    for name, frame in study.tables.items():
        if len(frame):
            files[f"{name}.csv"] = _csv(frame)
    return files


def blank_texts(tables: Mapping[str, pd.DataFrame]) -> dict[str, bytes]:
    """Content of a blank study: settings to fill in, tables with what is known."""
    files = {_SETTINGS_FILE: write_toml(BLANK, blank=True).encode("utf-8")}
    for name, frame in tables.items():
        files[f"{name}.csv"] = _csv(frame)
    return files


def _csv(frame: pd.DataFrame) -> bytes:
    columns = [column_texts(frame[column]) for column in frame.columns]
    return write_csv(frame.columns, zip(*columns, strict=True))


def table_files(path: Path, tables: Iterable[str], *more: str) -> list[str]:
    """Names of the files of some tables in a folder, and of others named in full."""
    ours = {*more, *(name + ending for name in tables for ending in _ENDINGS)}
    if not path.is_dir():
        return []
    return [
        entry.name
        for entry in path.iterdir()
        if entry.name.lower() in ours and not entry.is_dir()
    ]


def study_files(path: Path) -> list[str]:
    """Names of the files in a folder that would be read as parts of a study."""
    return table_files(path, TABLE_NAMES, _SETTINGS_FILE)


def write_study_folder(
    path: Path,
    files: dict[str, bytes],
    *,
    overwrite: bool = False,
    only_made: bool = False,
) -> None:
    """Write the files of a study; those of an earlier study there are replaced.

    With ``only_made`` a table that pitstats did not write, or that was changed since,
    is refused instead.
    """
    there = study_files(path)
    write_folder(
        path,
        files,
        kind="study",
        overwrite=overwrite,
        replaced=() if only_made else there,
        unless_changed=there if only_made else (),
    )
