"""Tables to fill in: empty, or with a row for every bake and item already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.cells import DTYPES, quote, read_text
from pitstats.study.schema import LARGEST_GRATE, TABLES

#: Rows and columns of each grate of each pit.
GratesOfPits: TypeAlias = Mapping[str, Mapping[str, tuple[int, int]]]

_MOST_BAKES = 200


def afternoon_tables(pits: GratesOfPits, bakes: int) -> dict[str, pd.DataFrame]:
    """All tables, with the rows of bakes that are done but not entered yet."""
    _check(pits, bakes)
    names = [(pit, f"{pit}-{turn}") for turn in range(1, bakes + 1) for pit in pits]
    rows: dict[str, list[dict[str, object]]] = {
        "pits": [{"pit": pit} for pit in pits],
        "grates": [
            {"pit": pit, "grate": grate, "rows": size[0], "columns": size[1]}
            for pit, grates in pits.items()
            for grate, size in grates.items()
        ],
        "bakes": [{"bake": bake, "pit": pit, "status": "kept"} for pit, bake in names],
        "items": [
            {"bake": bake, "grate": grate, "row": row, "column": column}
            for pit, bake in names
            for grate, size in pits[pit].items()
            for row in range(1, size[0] + 1)
            for column in range(1, size[1] + 1)
        ],
    }
    return {
        table.name: pd.DataFrame(
            {
                column.name: pd.Series(
                    [row.get(column.name) for row in rows.get(table.name, [])],
                    dtype=DTYPES[column.kind],
                )
                for column in table.columns
            }
        )
        for table in TABLES
    }


def _check(pits: GratesOfPits, bakes: int) -> None:
    if not 1 <= bakes <= _MOST_BAKES:
        raise DesignError(
            f"bakes is {bakes}; allowed are 1 to {_MOST_BAKES} bakes of each pit."
        )
    for pit, grates in pits.items():
        for name in (pit, *grates):
            if not name.strip() or read_text(name).problem:
                raise DesignError(f"{quote(name)} is no name for a pit or grate.")
        sizes = [number for size in grates.values() for number in size]
        if not sizes or not all(1 <= number <= LARGEST_GRATE for number in sizes):
            raise DesignError(
                f"Pit {quote(pit)} needs grates of 1 to {LARGEST_GRATE} rows and "
                "columns."
            )
