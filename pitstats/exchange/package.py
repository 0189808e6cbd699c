"""A study with its results in one zip, the same bytes from the same input."""

from __future__ import annotations

import io
import re
import sys
import zipfile
from collections.abc import Iterable, Mapping
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from pitstats.exchange.crate import NAME as CRATE_NAME
from pitstats.exchange.crate import describe_crate
from pitstats.exchange.data_package import describe_tables, digest, json_bytes
from pitstats.exchange.result_tables import RESULTS, result_tables, table_bytes
from pitstats.study.atomic import write_file
from pitstats.study.csv_text import write_csv
from pitstats.study.dictionary import data_dictionary
from pitstats.study.folder_files import folder_texts

if TYPE_CHECKING:
    from pitstats.study.study import Study

FORMAT, FORMAT_VERSION = "pitstats package", 1
MANIFEST = "manifest.json"
PLAN = "plan.json"
UNANSWERED = "results/unanswered.csv"
#: What a package says where nobody stated a license.
NO_LICENSE = "No license was stated; ask the authors before using it further."
# The calendar of zip files begins here; the time of writing would change the bytes.
_NO_TIME = (1980, 1, 1, 0, 0, 0)
_VERSIONED = ("pitstats", "numpy", "scipy", "pandas", "statsmodels")


def write_package(
    study: Study,
    path: str | Path,
    *,
    published: date | None = None,
    license_text: str = NO_LICENSE,
    report: bytes | None = None,
    plan: bytes | None = None,
    overwrite: bool = False,
) -> Path:
    """Write a study with its results to one zip that others can check.

    Parameters
    ----------
    study : Study
        What to pack.
    path : path-like
        The zip; ``.zip`` is added where it is missing.
    published : datetime.date, optional
        Date of publication that the metadata state; today if not given.
    license_text : str, optional
        Under which license others may use the data, in words or as an address.
    report : bytes, optional
        HTML page of the report, packed as ``report.html``.
    plan : bytes, optional
        ``plan.json`` as it was frozen before the bakes.
    overwrite : bool, default False
        Whether a file of that name may be replaced.

    Returns
    -------
    pathlib.Path
        The zip.

    Raises
    ------
    ExistsError
        If the file is there and ``overwrite`` is False.
    WriteError
        If it cannot be written.

    Notes
    -----
    The zip holds the record (``study/``), the results worked out from it
    (``results/``, six digits), the data dictionary, ``datapackage.json`` (Data Package
    v2), ``ro-crate-metadata.json`` (RO-Crate 1.1), the versions of the packages that
    computed, and ``manifest.json`` with the SHA-256 of every file. The same input gives
    the same bytes. Photographs stay out: they may show people and places.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> ps.write_package(study, "four_pits.zip")  # doctest: +SKIP
    PosixPath('four_pits.zip')
    """
    further = {
        name: data
        for name, data in (("report.html", report), (PLAN, plan))
        if data is not None
    }
    files = package_files(
        study,
        published=published or date.today(),
        license_text=license_text,
        further=further,
    )
    target = Path(path)
    if target.suffix.lower() != ".zip":
        target = target.with_name(f"{target.name}.zip")
    write_file(target, zip_bytes(files), overwrite=overwrite)
    return target


def package_files(
    study: Study,
    *,
    published: date,
    license_text: str = NO_LICENSE,
    further: Mapping[str, bytes] | None = None,
    names: Iterable[str] = tuple(RESULTS),
) -> dict[str, bytes]:
    """Every file of a package by its path, with the manifest of all of them."""
    names = tuple(names)
    files = {f"study/{name}": data for name, data in folder_texts(study).items()}
    tables, reasons = result_tables(study, names)
    for name, table in tables.items():
        files[f"results/{name}.csv"] = table_bytes(table)
    files[UNANSWERED] = write_csv(["result", "reason"], reasons.items())
    files["data_dictionary.md"] = data_dictionary().encode()
    files["versions.json"] = json_bytes(_versions())
    files |= dict(further or {})
    settings = study.settings
    files["datapackage.json"] = describe_tables(files, settings, slug(settings.title))
    files[CRATE_NAME] = describe_crate(files, settings, published, license_text)
    files[MANIFEST] = manifest_bytes(files, names)
    return files


def manifest_bytes(files: Mapping[str, bytes], names: Iterable[str]) -> bytes:
    """List every file with its hash, and the results that were asked for."""
    hashes = {path: digest(data) for path, data in files.items() if path != MANIFEST}
    return json_bytes(
        {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "results": list(names),
            "sha256": hashes,
        }
    )


def zip_bytes(files: Mapping[str, bytes]) -> bytes:
    """Put files into a zip in one way only: sorted, without times, not compressed.

    Not compressed, since libraries that compress differ in the bytes they make.
    """
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        for path in sorted(files):
            entry = zipfile.ZipInfo(path, date_time=_NO_TIME)
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, files[path])
    return made.getvalue()


def slug(title: str) -> str:
    """Name for files and packages: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:60] or "study"


def _versions() -> dict[str, str]:
    found = {"python": ".".join(map(str, sys.version_info[:3]))}
    for name in _VERSIONED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            from pitstats import __version__

            found[name] = __version__ if name == "pitstats" else "unknown"
    return found
