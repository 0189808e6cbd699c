"""Describe the tables of a package as Data Package v2 asks, from the schema."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import sha256
from typing import Any

from pitstats.study.schema import BY_NAME, NAMED_BY, Column, Table
from pitstats.study.settings import Settings
from pitstats.study.units import unit_in

PROFILE = "https://datapackage.org/profiles/2.0/"
_TYPES = {"whole": "integer", "number": "number"}


def describe_tables(files: Mapping[str, bytes], settings: Settings, name: str) -> bytes:
    """Make ``datapackage.json``.

    Notes
    -----
    Written after the Data Package standard [1]_: every CSV file is a resource with its
    size, hash and Table Schema; tables of the study take theirs from the schema that
    also checks them, result tables from their columns.

    References
    ----------
    .. [1] Data Package (v2.0), Data Package, Data Resource, Table Dialect and Table
       Schema, Open Knowledge Foundation (2024).
    """
    package = {
        "$schema": PROFILE + "datapackage.json",
        "name": name,
        "title": settings.title,
        "description": settings.question,
        "resources": [
            _resource(path, data, files, settings)
            for path, data in sorted(files.items())
            if path.endswith(".csv")
        ],
    }
    return json_bytes(package)


def json_bytes(content: Any) -> bytes:
    """Write JSON in one way only, so that equal contents are equal bytes."""
    text = json.dumps(content, indent=2, ensure_ascii=False, sort_keys=True)
    return f"{text}\n".encode()


def digest(data: bytes) -> str:
    """SHA-256 of a file, in hexadecimal."""
    return sha256(data).hexdigest()


def _resource(
    path: str, data: bytes, files: Mapping[str, bytes], settings: Settings
) -> dict[str, Any]:
    folder, _, file = path.partition("/")
    stem = file.removesuffix(".csv")
    table = BY_NAME.get(stem) if folder == "study" else None
    header = data.decode("utf-8").splitlines()[0].split(",")
    schema = (
        {"fields": [{"name": name, "type": "any"} for name in header]}
        if table is None
        else _schema(table, header, files, settings)
    )
    return {
        "$schema": PROFILE + "dataresource.json",
        "name": f"{folder}-{stem}".replace("_", "-"),
        "path": path,
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{digest(data)}",
        "schema": {"$schema": PROFILE + "tableschema.json", **schema},
        **({"description": f"One row is {table.one_row}."} if table else {}),
    }


def _schema(
    table: Table, header: list[str], files: Mapping[str, bytes], settings: Settings
) -> dict[str, Any]:
    known = set(table.column_names)
    fields = [
        _field(table.column(name), settings)
        if name in known
        else {"name": name, "type": "any", "description": "A column of the user's own."}
        for name in header
    ]
    described: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    # A key of several columns may have an empty one, which the standard does not allow.
    if len(table.key) == 1:
        described["primaryKey"] = list(table.key)
    links = [
        {
            "fields": [name],
            "reference": {"resource": f"study-{other}", "fields": [name]},
        }
        for name, other in NAMED_BY.items()
        if name in header and other != table.name and f"study/{other}.csv" in files
    ]
    if links:
        described["foreignKeys"] = links
    return described


def _field(column: Column, settings: Settings) -> dict[str, Any]:
    unit = unit_in(settings, column)
    described: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES.get(column.kind, "string"),
        "description": column.meaning + (f" In {unit}." if unit else ""),
    }
    if column.kind == "yes/no":
        described |= {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]}
    constraints: dict[str, Any] = {}
    if column.needed:
        constraints["required"] = True
    if column.choices:
        constraints["enum"] = list(column.choices)
    if column.kind == "grade":
        constraints["enum"] = list(settings.grades)
    if described["type"] in ("integer", "number"):
        low = column.low if column.low is not None else column.above
        for bound, value in (("minimum", low), ("maximum", column.high)):
            if value is not None:
                whole = described["type"] == "integer"
                constraints[bound] = int(value) if whole else value
    if constraints:
        described["constraints"] = constraints
    return described
