"""Grates as cells: cut to one real size, and matched between pits of different size."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.study.places import MAIN_GRATE
from pitstats.study.schema import CELL, LARGEST_GRATE

#: Rows and columns of the only grate of a pit, or of each of its grates by name.
GrateSizes: TypeAlias = tuple[int, int] | Mapping[str, tuple[int, int]]

_SIZES = ("rows", "columns")


@dataclass(frozen=True, kw_only=True)
class Grate:
    """One grate of one pit, cut into cells; NaN where a number is not stated.

    Attributes
    ----------
    pit, grate : str
        Names.
    rows, columns : int
        Row 1 is nearest the door, column 1 nearest the firebox.
    cell_length, cell_width : float
        Real size of a cell away from the firebox and across.
    level : float
        Height in the pit, 1 is the lowest grate.
    notes : str
        Anything else.
    """

    pit: str
    grate: str
    rows: int
    columns: int
    cell_length: float = math.nan
    cell_width: float = math.nan
    level: float = math.nan
    notes: str = ""

    @property
    def n_cells(self) -> int:
        """Cells of the grate."""
        return self.rows * self.columns

    @property
    def name(self) -> str:
        """The grate as a sentence calls it."""
        return f"grate '{self.grate}' of pit '{self.pit}'"


@dataclass(frozen=True)
class GrateCut:
    """Rows and columns that a usable grate area holds, and what is left over.

    Attributes
    ----------
    rows, columns : int
        Whole cells across the grate and away from the firebox.
    spare_length, spare_width : float
        What is left unused, in the unit of the sizes given.
    """

    rows: int
    columns: int
    spare_length: float
    spare_width: float


def cut_grate(
    length: float,
    width: float,
    *,
    cell_length: float,
    cell_width: float | None = None,
    clearance: float = 0.0,
) -> GrateCut:
    """Cut a grate into whole cells of one real size, the same size for every pit.

    Parameters
    ----------
    length, width : float
        Size of the grate away from the firebox and across it, in any one unit.
    cell_length, cell_width : float
        Size of a cell in the same unit; a square cell if only the length is given.
    clearance : float, default 0
        Strip left free along all four walls.

    Returns
    -------
    GrateCut
        Rows, columns and the rest.

    Raises
    ------
    DesignError
        If a size is not above 0, or no cell fits.

    Examples
    --------
    >>> cut_grate(30, 18, cell_length=4, clearance=1)
    GrateCut(rows=4, columns=7, spare_length=0.0, spare_width=0.0)
    """
    cell_width = cell_length if cell_width is None else cell_width
    for name, size in (
        ("length", length),
        ("width", width),
        ("cell_length", cell_length),
        ("cell_width", cell_width),
    ):
        if not (math.isfinite(size) and size > 0):
            raise ArgumentError(f"{name} is {size:g}. Give a size above 0.")
    if not (math.isfinite(clearance) and clearance >= 0):
        raise ArgumentError(f"clearance is {clearance:g}. Give 0 or more.")
    free_length, free_width = length - 2 * clearance, width - 2 * clearance
    # 12.0 / 0.1 must be 120 cells although the quotient is a hair below.
    columns = math.floor(free_length / cell_length + 1e-9)
    rows = math.floor(free_width / cell_width + 1e-9)
    if rows < 1 or columns < 1:
        raise DesignError(
            f"no cell of {cell_length:g} by {cell_width:g} fits a grate of {length:g} "
            f"by {width:g} with {clearance:g} left free along the walls. Choose "
            "smaller cells or less clearance."
        )
    return GrateCut(
        rows=rows,
        columns=columns,
        spare_length=max(0.0, round(free_length - columns * cell_length, 9)),
        spare_width=max(0.0, round(free_width - rows * cell_width, 9)),
    )


def read_grates(grates: pd.DataFrame | Mapping[str, GrateSizes]) -> list[Grate]:
    """Read grates from a table or from sizes by pit, and check them."""
    table = grates if isinstance(grates, pd.DataFrame) else _from_mapping(grates)
    absent = [name for name in ("pit", *_SIZES) if name not in table.columns]
    if absent:
        raise DesignError(
            f"the grates have no column {' and '.join(absent)}. Give pit, rows and "
            "columns of every grate."
        )
    if table.empty:
        raise DesignError("there is no grate. Give rows and columns of every pit.")
    records: list[dict[str, Any]] = [
        {str(name): value for name, value in record.items()}
        for record in table.to_dict("records")
    ]
    n_grates = Counter(_text(record["pit"]) for record in records)
    read = [_read_grate(record, n_grates) for record in records]
    for (pit, name), count in Counter((g.pit, g.grate) for g in read).items():
        if count > 1:
            raise DesignError(
                f"grate '{name}' of pit '{pit}' is given {count} times. Rename or "
                "delete one."
            )
    return read


def _from_mapping(grates: Mapping[str, GrateSizes]) -> pd.DataFrame:
    rows: list[tuple[Any, ...]] = []
    for pit, sizes in grates.items():
        named = sizes if isinstance(sizes, Mapping) else {"": sizes}
        for grate, size in named.items():
            if not isinstance(size, Sequence) or len(size) != 2:
                raise DesignError(
                    f"pit '{pit}' has the grate size {size!r}. Give (rows, columns), "
                    "or a name with (rows, columns) for each grate."
                )
            rows.append((pit, grate, *size))
    return pd.DataFrame(rows, columns=["pit", "grate", *_SIZES])


def _read_grate(record: dict[str, Any], n_grates: Counter[str]) -> Grate:
    pit, name = _text(record["pit"]), _text(record.get("grate"))
    if not pit:
        raise DesignError("a grate has no pit. Name the pit it belongs to.")
    if not name and n_grates[pit] > 1:
        raise DesignError(f"pit '{pit}' has several grates. Name each of them.")
    name = name or MAIN_GRATE
    where = f"grate '{name}' of pit '{pit}'"
    rows, columns = (_whole(record[key], key, where) for key in _SIZES)
    lengths = {
        key: _number(record.get(key), key, where)
        for key in ("cell_length", "cell_width", "level")
    }
    return Grate(
        pit=pit,
        grate=name,
        rows=rows,
        columns=columns,
        notes=_text(record.get("notes")),
        **lengths,
    )


def _text(value: object) -> str:
    absent = value is None or value is pd.NA or value != value
    return "" if absent else str(value).strip()


def _whole(value: object, key: str, where: str) -> int:
    number = _number(value, key, where)
    if not (1 <= number <= LARGEST_GRATE and number.is_integer()):
        raise DesignError(
            f"{where} has {_text(value) or 'no number of'} {key}. Give a whole number "
            f"from 1 to {LARGEST_GRATE}."
        )
    return int(number)


def _number(value: object, key: str, where: str) -> float:
    text = _text(value)
    if not text:
        return math.nan
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not (math.isfinite(number) and number > 0):
        raise DesignError(f"{where} has {key} {text!r}. Give a number above 0.")
    return number


def cell_sizes(grates: Sequence[Grate], unit: str | None) -> tuple[bool, str]:
    """Tell whether all cells have one real size, and say it in a sentence."""
    unit = f" {unit}" if unit else ""
    sizes = [(g.cell_length, g.cell_width) for g in grates]
    if not np.isfinite(sizes).all():
        return True, (
            "The real size of the cells is not stated for every grate, so equal "
            "spacing between pits could not be checked: measure it, and cut all grates "
            "into cells of one size."
        )
    length, width = sizes[0]
    if np.allclose(sizes, sizes[0], rtol=1e-6, atol=0):
        return True, f"All cells are {length:g}{unit} long and {width:g}{unit} wide."
    listed = "; ".join(
        f"{g.name}: {g.cell_length:g} by {g.cell_width:g}{unit}" for g in grates
    )
    return False, f"The cells differ in real size ({listed})."


def cell_table(grates: Sequence[Grate]) -> pd.DataFrame:
    """List every cell with its scaled and real position."""
    parts = []
    for grate in grates:
        rows, columns = np.divmod(np.arange(grate.n_cells), grate.columns)
        parts.append(
            pd.DataFrame(
                {
                    "pit": grate.pit,
                    "grate": grate.grate,
                    "level": grate.level,
                    "row": rows + 1,
                    "column": columns + 1,
                    "distance": (columns + 0.5) / grate.columns,
                    "across": (rows + 0.5) / grate.rows,
                    "distance_length": (columns + 0.5) * grate.cell_length,
                }
            )
        )
    cells = pd.concat(parts, ignore_index=True)
    cells["comparable"] = _everywhere(cells, comparable_cells(grates))
    return cells


def comparable_cells(grates: Sequence[Grate]) -> pd.DataFrame:
    """Match cells of different pits that lie at the same scaled position.

    Notes
    -----
    Two cells match when the center of each lies inside the other, both grates scaled to
    length and width 1. A cell then matches at most one cell of another grate. Grates
    are matched by level where both have one, otherwise by name.
    """
    found = [
        (a.pit, a.grate, row_a, column_a, b.pit, b.grate, row_b, column_b, max(gaps))
        for a, b in combinations(grates, 2)
        if a.pit != b.pit and _same_place(a, b)
        for row_a, row_b, row_gap in _matches(a.rows, b.rows)
        for column_a, column_b, column_gap in _matches(a.columns, b.columns)
        for gaps in [(row_gap, column_gap)]
    ]
    names = [f"{name}_{end}" for end in "ab" for name in CELL]
    return pd.DataFrame(found, columns=[*names, "gap"])


def _same_place(a: Grate, b: Grate) -> bool:
    if math.isnan(a.level) or math.isnan(b.level):
        return a.grate == b.grate
    return a.level == b.level


def _matches(n_a: int, n_b: int) -> list[tuple[int, int, float]]:
    """Match two rulers of equal length with `n_a` and `n_b` marks."""
    a = (np.arange(n_a) + 0.5) / n_a
    b = (np.arange(n_b) + 0.5) / n_b
    gap = np.abs(a[:, None] - b[None, :])
    # Strictly inside: a center on the border of a cell belongs to two cells.
    inside = gap < 0.5 / max(n_a, n_b) - 1e-9
    return [
        (int(i) + 1, int(j) + 1, round(float(gap[i, j]), 9))
        for i, j in zip(*np.nonzero(inside), strict=True)
    ]


def _everywhere(cells: pd.DataFrame, pairs: pd.DataFrame) -> list[bool]:
    """Tell for each cell whether it has a match in every other pit."""
    others: dict[tuple[Any, ...], set[str]] = {}
    for here, there in ("ab", "ba"):
        names = [f"{name}_{here}" for name in CELL]
        for *place, other in pairs[[*names, f"pit_{there}"]].itertuples(index=False):
            others.setdefault(tuple(place), set()).add(other)
    n_others = cells["pit"].nunique() - 1
    places = cells[CELL].itertuples(index=False)
    return [len(others.get(tuple(place), ())) == n_others for place in places]
