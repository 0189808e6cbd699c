"""Tables as a reader takes them in: each column a name, or a way to write a row."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Any, TypeAlias

import pandas as pd

from pitstats.report.numbers import MINUS, NO_VALUE, ranged, with_ends
from pitstats.report.section import Table
from pitstats.report.words import one_line

Row: TypeAlias = Mapping[Hashable, Any]
Writer: TypeAlias = Callable[[Row], str]
Columns: TypeAlias = dict[str, str | Writer]


def shown(table: pd.DataFrame, columns: Columns) -> pd.DataFrame:
    """Write a table of results under the labels of its columns.

    Examples
    --------
    >>> from pitstats.report.numbers import percent
    >>> rates = pd.DataFrame(
    ...     {"pit": ["Mill"], "estimate": 0.2, "conf_low": 0.1, "conf_high": 0.4})
    >>> shown(rates, {"Pit": "pit", "Share": estimate(percent)}).to_dict("records")
    [{'Pit': 'Mill', 'Share': '20% (10% to 40%)'}]
    """
    rows = table.to_dict("records")
    return pd.DataFrame(
        {
            label: _named(table[own]) if isinstance(own, str) else list(map(own, rows))
            for label, own in columns.items()
        }
    )


def table_of(
    name: str,
    rows: pd.DataFrame,
    caption: str,
    columns: Columns,
    kept: pd.DataFrame | None = None,
) -> Table:
    """Put a table of results as a reader takes it in beside its unrounded numbers.

    ``kept`` are the numbers where a reader sees other rows than were worked out.
    """
    return Table(name, shown(rows, columns), caption, rows if kept is None else kept)


def by_pit(table: pd.DataFrame, write: Writer) -> list[str]:
    """Write a row for each pit behind its name, for a sentence."""
    return [f"{one_line(row['pit'])} {write(row)}" for row in table.to_dict("records")]


def highest_first(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in the order of their estimates."""
    return table.sort_values("estimate", ascending=False, kind="stable")


def with_naive(table: pd.DataFrame, naive: pd.DataFrame) -> pd.DataFrame:
    """Put the intervals 'if each item counted' beside those of the same rows."""
    return table.assign(naive_low=naive["conf_low"], naive_high=naive["conf_high"])


def _named(column: pd.Series) -> list[object]:
    """Numbers as they are, what users typed on one line."""
    if pd.api.types.is_numeric_dtype(column):
        return column.tolist()
    return [NO_VALUE if pd.isna(value) else one_line(value) for value in column]


def across(
    table: pd.DataFrame, lead: Mapping[str, str], label: Writer, write: Writer
) -> pd.DataFrame:
    """Write a column for each label, beside the columns that tell rows apart."""
    cells: dict[tuple[str, ...], dict[str, str]] = {}
    for row in table.to_dict("records"):
        first = {title: one_line(row[name]) for title, name in lead.items()}
        cells.setdefault(tuple(first.values()), first)[label(row)] = write(row)
    return pd.DataFrame(list(cells.values()))


def of(part: str, whole: str) -> Writer:
    """Write ``3 of 12``."""
    return lambda row: f"{row[part]:.0f} of {row[whole]:.0f}"


def minus(row: Row | pd.Series) -> str:
    """Name the difference of a pair."""
    return f"{one_line(row['pit_a'])} {MINUS} {one_line(row['pit_b'])}"


def written(write: Callable[[float], str], name: str) -> Writer:
    """Write one number; a dash where it is not known."""
    return lambda row: NO_VALUE if pd.isna(row[name]) else write(row[name])


def estimate(
    write: Callable[[float], str],
    name: str = "estimate",
    ends: str = "",
    unknown: str = NO_VALUE,
) -> Writer:
    """Write an estimate with its interval, from ``ENDS_low`` and ``ENDS_high``.

    Without ``ends`` these are the columns named after the estimate, else ``conf``.
    """

    def write_row(row: Row) -> str:
        own = ends or (name if f"{name}_low" in row else "conf")
        low, high = row[f"{own}_low"], row[f"{own}_high"]
        return unknown if pd.isna(row[name]) else with_ends(write, row[name], low, high)

    return write_row


def interval(write: Callable[[float], str], ends: str = "conf") -> Writer:
    """Write an interval alone."""
    return span_of(write, f"{ends}_low", f"{ends}_high")


def span_of(write: Callable[[float], str], low: str, high: str) -> Writer:
    """Write the span between two columns."""
    return lambda row: ranged(write, row[low], row[high])
