"""What the checks of a study look at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from pitstats.study.problems import ProblemLog
from pitstats.study.settings import Settings


@dataclass
class Context:
    """What the checks look at: typed tables, indexed by spreadsheet row."""

    tables: dict[str, pd.DataFrame]
    settings: Settings
    log: ProblemLog

    def names(self, table: str, column: str) -> dict[str, int]:
        """Recorded names of a column, each with the first row that has it."""
        found: dict[str, int] = {}
        for row, name in self.recorded(table, column):
            if name is not None:
                found.setdefault(name, row)
        return found

    def recorded(self, table: str, *columns: str) -> Iterator[tuple[Any, ...]]:
        """Rows of a table with their values; a missing value is None."""
        frame = self.tables[table]
        if frame.empty:
            return iter(())
        cells = [_values(frame[column]) for column in columns]
        return zip(frame.index, *cells, strict=True)

    def repeated(
        self, table: str, *columns: str
    ) -> Iterator[tuple[int, tuple[Any, ...], int]]:
        """Rows that name what an earlier one names: row, values and that first row."""
        first: dict[tuple[Any, ...], int] = {}
        for row, *values in self.recorded(table, *columns):
            named = tuple(values)
            if None not in named and first.setdefault(named, row) != row:
                yield row, named, first[named]

    @cached_property
    def bake_pits(self) -> dict[str, str]:
        """Pit of each bake."""
        return {
            bake: pit
            for _, bake, pit in self.recorded("bakes", "bake", "pit")
            if bake is not None and pit is not None
        }


def _values(cells: pd.Series) -> list[Any]:
    missing = cells.isna().tolist()
    return [
        None if lost else value
        for value, lost in zip(cells.tolist(), missing, strict=True)
    ]
