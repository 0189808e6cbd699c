"""A study with its results in one zip, the same bytes from the same input."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from pitstats.exchange.crate import NAME as CRATE_NAME
from pitstats.exchange.crate import NO_DAY, describe_crate
from pitstats.exchange.data_package import describe_tables, digest, json_bytes
from pitstats.exchange.result_tables import RESULTS, result_files
from pitstats.exchange.zip_file import zip_bytes
from pitstats.study.atomic import refuse_file, write_file
from pitstats.study.dictionary import data_dictionary
from pitstats.study.folder_files import folder_texts
from pitstats.study.frozen_plan import NAME as PLAN
from pitstats.study.versions import versions

if TYPE_CHECKING:
    from pitstats.study.study import Study

FORMAT, FORMAT_VERSION = "pitstats package", 1
MANIFEST = "manifest.json"
#: What a package says where nobody stated a license.
NO_LICENSE = "No license was stated; ask the authors before using it further."
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}\b")
_VERSIONED = ("pitstats", "numpy", "scipy", "pandas", "statsmodels")


def write_package(
    study: Study,
    path: str | Path,
    *,
    published: date | None = None,
    license_text: str = NO_LICENSE,
    report: bytes | None = None,
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
        Date of publication that the metadata state. If not given: the last session
        that is named by its date (YYYY-MM-DD), else 1980-01-01, said to be unknown.
    license_text : str, optional
        Under which license others may use the data, in words or as an address.
    report : bytes, optional
        HTML page of the report, packed as ``report.html``.
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
    the same bytes. A frozen plan goes along as ``plan.json``. Photographs stay out:
    they may show people and places.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> ps.write_package(study, "four_pits.zip")  # doctest: +SKIP
    PosixPath('four_pits.zip')
    """
    further = {} if report is None else {"report.html": report}
    target = Path(path)
    if target.suffix.lower() != ".zip":
        target = target.with_name(f"{target.name}.zip")
    refuse_file(target, overwrite)
    files = package_files(
        study, published=published, license_text=license_text, further=further
    )
    write_file(target, zip_bytes(files), overwrite=overwrite)
    return target


def package_files(
    study: Study,
    *,
    published: date | None = None,
    license_text: str = NO_LICENSE,
    further: Mapping[str, bytes] | None = None,
    names: Iterable[str] = tuple(RESULTS),
    results: Mapping[str, bytes] | None = None,
) -> dict[str, bytes]:
    """Every file of a package by its path, with the manifest of all of them.

    ``results`` are the files of `result_files` for the same study and names, where they
    are at hand.
    """
    names = tuple(names)
    files = {f"study/{name}": data for name, data in folder_texts(study).items()}
    made = result_files(study, names) if results is None else results
    files |= {f"results/{name}": data for name, data in made.items()}
    files["data_dictionary.md"] = data_dictionary().encode()
    python = ".".join(map(str, sys.version_info[:3]))
    files["versions.json"] = json_bytes({"python": python} | versions(_VERSIONED))
    files |= dict(further or {})
    if study.plan is not None:
        files[PLAN] = study.plan
    settings = study.settings
    files["datapackage.json"] = describe_tables(files, settings, slug(settings.title))
    day = published or last_day(study)
    files[CRATE_NAME] = describe_crate(files, settings, day, license_text)
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


def last_day(study: Study) -> date:
    """The last session of kept bakes that is named by its date; `NO_DAY` if none is."""
    sessions = study.kept["session"].dropna()
    named = [_DAY.match(str(session)) for session in sessions]
    days = [_calendar_day(found[0]) for found in named if found]
    return max((day for day in days if day is not None), default=NO_DAY)


def _calendar_day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def slug(title: str) -> str:
    """Name for files and packages: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:60] or "study"
