"""What the checks of a study look at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from pitstats.study.findings import Findings
from pitstats.study.settings import Settings


@dataclass
class Context:
    """What the checks look at: typed tables, indexed by spreadsheet row."""

    tables: dict[str, pd.DataFrame]
    settings: Settings
    findings: Findings

    def names(self, table: str, column: str) -> dict[str, int]:
        """Recorded names of a column, each with the first row that has it."""
        cells = self.tables[table][column].dropna().drop_duplicates()
        return dict(zip(cells, cells.index, strict=True))

    def recorded(self, table: str, *columns: str) -> Iterator[tuple[Any, ...]]:
        """Rows of a table with their values; a missing value is None."""
        frame = self.tables[table]
        cells = [frame[c].astype(object).where(frame[c].notna(), None) for c in columns]
        return zip(frame.index, *cells, strict=True)

    def bake_pits(self) -> dict[str, str]:
        """Pit of each bake."""
        bakes = self.tables["bakes"][["bake", "pit"]].dropna()
        return dict(zip(bakes["bake"], bakes["pit"], strict=True))
