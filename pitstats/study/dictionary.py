"""The data dictionary, written from the descriptions of tables and columns.

``python -m pitstats.study.dictionary`` writes it anew to ``data/data_dictionary.md``;
a test holds the file against the descriptions.
"""

from __future__ import annotations

import sys
from pathlib import Path

from pitstats.study.cells import listing
from pitstats.study.schema import (
    LARGEST_WHOLE,
    SETTINGS,
    TABLES,
    TEMPERATURES,
    Column,
    Setting,
    Table,
)

_INTRODUCTION = """\
# Data dictionary

A study is a folder with `study.toml` and one CSV file per table (UTF-8, commas, a
header row), or one `.xlsx` workbook with a sheet `study` (key, value) and one sheet
per table. `study.toml`, `pits` and `bakes` are always needed; kept bakes need rows in
`items` or `counts`. An empty cell means *not recorded*. Columns of your own are kept:
as numbers if every cell can only be a number, else as text (007 stays 007).

This page is generated from `pitstats/study/schema.py`.
"""

_CLOSING = """\
## Worked out, never typed

| name | meaning |
|---|---|
| `distance` | from the firebox wall (0) to the far wall (1): (column - ½)/columns |
| `across` | place across the grate, from the door side (0): (row - ½)/rows |
| `distance_length` | distance from the firebox wall in the study's length unit |
| `underbaked`, `good` | outcome of an item by `raw_to` and `target_grades` |
"""


def data_dictionary() -> str:
    """Describe settings, tables and columns as a Markdown page."""
    parts = [_INTRODUCTION, _settings(), *(_table(table) for table in TABLES), _CLOSING]
    return "\n".join(parts)


def _settings() -> str:
    lines = [
        "## study.toml",
        "",
        "| key | holds | needed | default | meaning |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| `{setting.name}`{_where(setting)} | {_holds(setting)} | "
        f"{'yes' if setting.needed else ''} | "
        f"{setting.default} | {setting.meaning} |"
        for setting in SETTINGS
    ]
    return "\n".join(lines) + "\n"


def _where(setting: Setting) -> str:
    """Table of study.toml in which a key stands, if any."""
    return f" (`{setting.key}` in `[{setting.group}]`)" if setting.group else ""


def _holds(setting: Setting) -> str:
    kinds = {
        "text": "text",
        "choice": listing([f'"{choice}"' for choice in setting.choices]),
        "names": "list of grade names",
        "name": "a grade name",
        "number": "number",
        "looks": "increasing whole numbers",
        "spread": "number",
        "when": "yes, no or a day",
    }
    return kinds[setting.kind]


def _table(table: Table) -> str:
    lines = [
        f"## {table.name}",
        "",
        f"One row is {table.one_row}. Needed: {table.when}."
        + (f" No two rows share {_key(table)}." if table.key else ""),
        "",
        "| column | holds | unit | needed | meaning |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| `{column.name}` | {_cell(column)} | {_unit(column)} | {_needed(column)} | "
        f"{column.meaning} |"
        for column in table.columns
    ]
    return "\n".join(lines) + "\n"


def _key(table: Table) -> str:
    return listing([f"`{name}`" for name in table.key], "and")


def _cell(column: Column) -> str:
    if column.kind == "choice":
        return listing(column.choices)
    words = {"yes/no": "yes or no", "whole": "whole number", "clock": "time of day"}
    return words.get(column.kind, column.kind) + _range(column)


def _range(column: Column) -> str:
    if column.above is not None:
        return f" above {column.above:g}"
    if column.unit in TEMPERATURES:
        (low, high), _ = TEMPERATURES[column.unit]
        return f" ({low:g} to {high:g} °C)"
    if column.low is None or column.high is None:
        return ""
    if column.high == LARGEST_WHOLE:
        return f" from {column.low:g}"
    return f" {column.low:g} to {column.high:g}"


def _unit(column: Column) -> str:
    if "temperature" in column.unit:
        return "`temperature_unit`"
    return "`length_unit`" if column.unit == "length" else column.unit


def _needed(column: Column) -> str:
    return "yes" if column.needed else column.when


def main(arguments: list[str]) -> None:
    """Write the data dictionary to the path given, or to its usual place."""
    path = Path(arguments[0] if arguments else "data/data_dictionary.md")
    path.write_text(data_dictionary(), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
