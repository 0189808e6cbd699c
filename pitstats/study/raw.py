"""A study as it was found, before anything is understood."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pandas as pd


@dataclass
class RawStudy:
    """Settings and cells as typed.

    Attributes
    ----------
    settings : dict or None
        Keys and values of the settings; None if they could not be read at all.
    tables : dict of str to DataFrame
        Cells of the tables that were found and could be read; the index holds the
        rows as a spreadsheet counts them, the header being row 1.
    """

    settings: dict[str, Any] | None = None
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)


class UnreadableError(Exception):
    """A file that cannot be read; the text says why and what to do."""


def raw_table(records: list[tuple[int, list[Any]]]) -> pd.DataFrame:
    """Make a table of numbered records, the first of which is the header."""
    if not records:
        return pd.DataFrame()
    header = ["" if cell is None else str(cell) for cell in records[0][1]]
    frame = pd.DataFrame(
        [cells for _, cells in records[1:]],
        index=pd.Index([row for row, _ in records[1:]], dtype="int64"),
        columns=range(len(header)),
        dtype=object,
    )
    frame.columns = pd.Index(header, dtype=object)
    return frame
