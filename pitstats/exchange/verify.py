"""Work every number of a package out again, and say which file was changed."""

from __future__ import annotations

import io
import json
import lzma
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import pandas as pd

from pitstats.errors import InvalidStudyError, PackageError
from pitstats.exchange.carried import carried_package, is_sealed, seal_holds
from pitstats.exchange.data_package import digest
from pitstats.exchange.package import (
    FORMAT,
    FORMAT_VERSION,
    MANIFEST,
    manifest_bytes,
)
from pitstats.exchange.result_tables import RESULTS, UNANSWERED, result_files
from pitstats.exchange.zip_file import container, entries_of
from pitstats.study.frozen_plan import NAME as PLAN
from pitstats.study.frozen_plan import plan_changes, read_plan

if TYPE_CHECKING:
    from pitstats.study.study import Study

#: The zip as a whole, where a byte outside its files was changed.
CONTAINER = "the zip itself"
PAGE = "the page"
# Six digits are kept, so the last of them may be off by one.
_TOLERANCE = 1.5e-5
_MOST_FILES, _MOST_BYTES = 500, 200_000_000
#: What the standard library raises on a zip that is damaged or made to be.
_NO_ZIP = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    OSError,
    ValueError,
)
_COLUMNS = ["result", "row", "column", "stated", "recomputed", "same"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Verification:
    """What `verify_package` found.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per cell of every result: ``result, row, column, stated, recomputed,
        same``; rows as a spreadsheet counts them. Why a question has no answer is told
        in words and not compared.
    changed : tuple of str
        Files whose bytes are not those that were packed, files that are missing or
        were added; "the zip itself" or "the page" where the change lies outside them.
    problems : tuple of str
        Why results could not be worked out again, if so; a plan changed after it was
        frozen.
    plan : tuple of str
        What differs between the frozen plan and the record, which changes no number.
    same : bool
        Whether nothing was changed and every number came out again.
    """

    table: pd.DataFrame
    changed: tuple[str, ...]
    problems: tuple[str, ...]
    plan: tuple[str, ...] = ()

    @property
    def same(self) -> bool:
        """Whether nothing was changed and every number came out again."""
        return not self.changed and not self.problems and bool(self.table["same"].all())

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        n, differ = len(self.table), int((~self.table["same"].astype(bool)).sum())
        parts = [
            f"{differ} of {n} cells of the result tables came out differently."
            if differ
            else f"All {n} cells of the result tables came out again."
            if n
            else "No number could be worked out again."
        ]
        if self.changed:
            parts.append(f"Changed since it was packed: {', '.join(self.changed)}.")
        else:
            parts.append("No file was changed.")
        if self.plan:
            parts.append(f"Not as planned: {' '.join(self.plan)}")
        return " ".join([*parts, *self.problems])


def verify_package(path: str | Path) -> Verification:
    """Check a package, or a report that carries its data, number by number.

    Parameters
    ----------
    path : path-like
        Zip written by `write_package` or ``pitstats pack``, or the HTML page of a
        report.

    Returns
    -------
    Verification
        ``.same`` (bool), ``.table`` of numbers compared, ``.changed`` files.

    Raises
    ------
    PackageError
        If the file is neither, or too damaged to be read.

    Notes
    -----
    Two things are checked apart. Bytes: each file against the SHA-256 that the
    manifest holds, the manifest and the zip against what the same files would give.
    Numbers: the results are worked out again from the record and compared to one unit
    of the last of the six digits kept.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.verify_package("my_test.zip").same  # doctest: +SKIP
    True
    """
    data = _read(Path(path))
    changed: list[str] = []
    if zipfile.is_zipfile(io.BytesIO(data)):
        files = _unpacked(data)
    else:
        html = data.decode("utf-8", "surrogateescape")
        if not seal_holds(html):
            changed.append(PAGE)
        data, files = _carried(html)
    manifest = _manifest(files)
    changed += _changed(files, manifest, data)
    study, problems = _record(files)
    table = pd.DataFrame(columns=_COLUMNS)
    plan: list[str] = []
    if study is not None:
        problems += [
            f"This version knows no result called {name!r}."
            for name in manifest["results"]
            if name not in RESULTS
        ]
        table = _compared(files, manifest["results"], study)
        plan = plan_changes(files[PLAN], study) if PLAN in files else []
    if PLAN in files and not read_plan(files[PLAN]).intact:
        problems, plan = [*problems, *plan], []
    return Verification(
        table=table,
        changed=tuple(dict.fromkeys(changed)),
        problems=tuple(problems),
        plan=tuple(plan),
    )


def _read(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise PackageError(f"{path}: there is no such file. Check the path.")
        if path.stat().st_size > _MOST_BYTES:
            raise PackageError(f"{path} is larger than any package (200 MB).")
        return path.read_bytes()
    except OSError as error:
        raise PackageError(f"{path} cannot be read: {error.strerror}.") from error


def _carried(html: str) -> tuple[bytes, dict[str, bytes]]:
    """The package inside a page, and its files."""
    try:
        data = carried_package(html)
        return data, _unpacked(data)
    except PackageError as error:
        if not is_sealed(html):
            raise
        raise PackageError(
            "The page was changed since it was made: the data inside it is damaged."
        ) from error


def _unpacked(data: bytes) -> dict[str, bytes]:
    """Read the files of a zip after measuring them."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            size = sum(entry.file_size for entry in entries)
            if len(entries) > _MOST_FILES or size > _MOST_BYTES:
                raise PackageError("The zip holds more than any package does.")
            names = [entry.filename for entry in entries]
            if len(set(names)) < len(names) or any(map(_leads_out, names)):
                raise PackageError("The zip has file names that no package has.")
            return {entry.filename: archive.read(entry) for entry in entries}
    except _NO_ZIP as error:
        raise PackageError(
            "The zip is damaged and cannot be read. Fetch or pack it again."
        ) from error


def _leads_out(name: str) -> bool:
    place = PurePosixPath(name)
    return place.is_absolute() or ".." in place.parts or "\\" in name or not name


def _manifest(files: Mapping[str, bytes]) -> dict[str, Any]:
    """Read the manifest; refuse what this version did not write."""
    try:
        manifest = json.loads(files[MANIFEST])
        known = manifest["format"] == FORMAT and isinstance(manifest["sha256"], dict)
        results = manifest["results"]
    except (KeyError, TypeError, ValueError, RecursionError):
        known, manifest, results = False, {}, []
    if not known or not isinstance(results, list):
        raise PackageError(
            "This is no package that 'pitstats pack' wrote: it has no "
            f"{MANIFEST} that says what is in it."
        )
    if manifest.get("version") != FORMAT_VERSION:
        raise PackageError(
            f"The package is of version {manifest.get('version')!r}; this version of "
            f"pitstats reads version {FORMAT_VERSION}."
        )
    return dict(manifest)


def _changed(
    files: Mapping[str, bytes], manifest: Mapping[str, Any], data: bytes
) -> list[str]:
    stated = manifest["sha256"]
    inside = {path: content for path, content in files.items() if path != MANIFEST}
    changed = sorted(
        path
        for path in inside.keys() | stated.keys()
        if path not in inside or digest(inside[path]) != stated.get(path)
    )
    if not changed and files[MANIFEST] != manifest_bytes(inside, manifest["results"]):
        changed.append(MANIFEST)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if not changed and container(sorted(entries_of(data, archive))) != data:
            changed.append(CONTAINER)
    return changed


def _record(files: Mapping[str, bytes]) -> tuple[Study | None, list[str]]:
    """The record, or why it cannot be read."""
    from pitstats.study.files import read_study

    with tempfile.TemporaryDirectory() as folder:
        for path, content in files.items():
            if path.startswith("study/") and path.count("/") == 1:
                Path(folder, path.removeprefix("study/")).write_bytes(content)
        try:
            return read_study(folder), []
        except InvalidStudyError as error:
            first = error.problems[0]
            return None, [f"The record in it cannot be read: {first}"]


def _compared(
    files: Mapping[str, bytes], names: list[str], study: Study
) -> pd.DataFrame:
    """Every cell of the results, stated and worked out again."""
    made = result_files(study, [n for n in names if n in RESULTS])
    again = {name.removesuffix(".csv"): _cells(data) for name, data in made.items()}
    rows: list[tuple[Any, ...]] = []
    for name, recomputed in again.items():
        stated = _cells(files.get(f"results/{name}.csv", b""))
        rows += _rows(name, stated, recomputed)
    for path in files:
        name = path.removeprefix("results/").removesuffix(".csv")
        if path.startswith("results/") and name not in again:
            rows += _rows(name, _cells(files[path]), pd.DataFrame())
    return pd.DataFrame(rows, columns=_COLUMNS)


def _cells(data: bytes) -> pd.DataFrame:
    """Read a result table as text; what is no table has no cells."""
    try:
        return pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False)
    except (ValueError, pd.errors.ParserError, UnicodeError):
        return pd.DataFrame()


def _rows(
    name: str, stated: pd.DataFrame, again: pd.DataFrame
) -> list[tuple[Any, ...]]:
    columns = dict.fromkeys([*again.columns, *stated.columns])
    if name == UNANSWERED:
        # Another version may put a reason into other words.
        columns.pop("reason", None)
    return [
        (name, row + 2, column, a, b, _alike(a, b))
        for row in range(max(len(stated), len(again)))
        for column in columns
        for a, b in [(_cell(stated, row, column), _cell(again, row, column))]
    ]


def _cell(frame: pd.DataFrame, row: int, column: str) -> str | None:
    if column not in frame.columns or row >= len(frame):
        return None
    return str(frame[column].iat[row])


def _alike(a: str | None, b: str | None) -> bool:
    if a is None or b is None or a == b:
        return a == b
    try:
        x, y = float(a), float(b)
    except ValueError:
        return False
    return abs(x - y) <= _TOLERANCE * max(abs(x), abs(y), 1e-3)
