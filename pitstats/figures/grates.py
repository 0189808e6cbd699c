"""Maps of the grates and bars of the grades."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from pitstats.figures.map_scale import (
    MapScale,
    draw_legend,
    scale_text,
    share_scale,
    step_marks,
)
from pitstats.figures.map_sheet import MapSheet, Place
from pitstats.figures.map_titles import fit_titles
from pitstats.figures.style import (
    COLUMN,
    INK,
    SMALLEST,
    browning_steps,
    house_style,
    ink_on,
    name_rows,
    one_panel,
    shorten,
)
from pitstats.study.cells import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Inches. Left: room for "firebox end" and the numbers of the rows.
_WIDTH, _LEFT, _RIGHT, _BESIDE = COLUMN, 0.95, 0.08, 0.28
_TITLE, _UNDER, _SCALE = 0.34, 0.28, 0.88
# The legend stands this far above the lower edge.
_FOOT = 0.3
# Height of each further line below the scale.
_LINE = 0.18
_LARGEST_CELL, _PAIRED_CELL, _SMALL_CELL, _SMALLEST_CELL = 0.62, 0.35, 0.36, 0.32


class MapPanel(NamedTuple):
    """One grate to draw: its title and its cells."""

    title: str
    cells: pd.DataFrame


def plot_cell_maps(
    grid: Sequence[Sequence[MapPanel]],
    *,
    value: str,
    scale: MapScale,
    label: str | None = None,
    largest_cell: float = _LARGEST_CELL,
    no_value: str = "no graded item",
) -> Figure:
    """Draw grates in rows and columns, every cell of one size and on one scale."""
    from matplotlib.figure import Figure

    rows = [row for row in grid if row]
    if not rows:
        raise ValueError("There is no grate to draw.")
    cell = _cell_side(rows, largest_cell)
    heights = [_row_height(row, cell) for row in rows]
    font_size = _font_size(rows, label, cell)
    if font_size < SMALLEST:
        # What nobody could read is left to the colors and the tables.
        label, font_size = None, SMALLEST
    with house_style():
        more = _LINE * scale.label.count("\n")
        high = sum(heights) + _SCALE + more
        figure = Figure(figsize=(_WIDTH, high))
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, _WIDTH)
        axes.set_ylim(0, high)
        axes.set_axis_off()
        fitted = fit_titles(
            [[panel.title for panel in row] for row in rows],
            [[_size(panel)[1] * cell for panel in row] for row in rows],
            left=_LEFT,
            right=_WIDTH - _RIGHT,
            beside=_BESIDE,
            size=min(13.0, font_size + 2),
        )
        sheet = MapSheet(font_size, title_size=fitted.size)
        top = high
        for row, titles, height in zip(rows, fitted.titles, heights, strict=True):
            for j, (panel, title) in enumerate(zip(row, titles, strict=True)):
                bottom = top - _TITLE - _size(panel)[0] * cell
                sheet.add(
                    title,
                    panel.cells,
                    Place(fitted.lefts[j], bottom, cell),
                    value=value,
                    scale=scale,
                    label=label,
                    leftmost=j == 0,
                )
            top -= height
        sheet.draw(axes)
        draw_legend(axes, scale, no_value, (_LEFT, _FOOT + more))
    return figure


def _cell_side(rows: Sequence[Sequence[MapPanel]], largest: float) -> float:
    """Side of a cell in inches."""
    wide = [[_size(panel)[1] for panel in row] for row in rows]
    sides = []
    for row in wide:
        # Columns of grates stand below each other in the rows that have them.
        alike = [own for own in wide if len(own) >= len(row)]
        columns = [max(own[j] for own in alike) for j in range(len(row))]
        room = _WIDTH - _LEFT - _RIGHT - _BESIDE * (len(row) - 1)
        sides.append(room / sum(columns))
    return min(largest, *sides)


def _row_height(row: Sequence[MapPanel], cell: float) -> float:
    return _TITLE + _UNDER + cell * max(_size(panel)[0] for panel in row)


def _font_size(
    grid: Sequence[Sequence[MapPanel]], label: str | None, cell: float
) -> float:
    """Largest size at which the longest label fits into a cell, in points."""
    texts = pd.concat([p.cells[label] for row in grid for p in row]) if label else ()
    return min(12.0, _FILLED * cell / _widest(texts))


def _widest(labels: Iterable[str]) -> float:
    """Width of the widest label in sizes of its letters, at least that of two digits.

    A slash is half as wide as a digit.
    """
    return 0.64 * max([2.0, *(len(text) - 0.5 * text.count("/") for text in labels)])


# Points of an inch of a cell that its label may take.
_FILLED = 0.87 * 72


def _size(panel: MapPanel) -> tuple[int, int]:
    return int(panel.cells["row"].max()), int(panel.cells["column"].max())


def plot_grates(cells: pd.DataFrame) -> Figure:
    """Draw the burned share of every cell of every grate, on one scale for all pits.

    Parameters
    ----------
    cells : pandas.DataFrame
        As returned by `map_cells`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per grate, the firebox end on the left and named. A cell shows
        burned / graded and is shaded by that share; hatched cells lost items or had
        none.

    See Also
    --------
    plot_maps : The same for other values, in figures that fit a page.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_grates(ps.map_cells(ps.demo_study("one_bake_each")))
    >>> [text.get_text() for text in figure.axes[0].texts][:2]
    ['Quarry', 'Ferry']
    """
    return plot_cell_maps(
        [[panel] for panel in grate_panels(_labeled(cells, "share"))],
        value="share",
        scale=share_scale(BURNED_LABEL),
        label="label",
    )


def plot_small_grates(cells: pd.DataFrame) -> Figure:
    """Draw the same small, two grates in a row where cells can still be read."""
    labeled = _labeled(cells, "share")
    cell = max(_SMALLEST_CELL, SMALLEST * _widest(labeled["label"]) / _FILLED)
    return plot_cell_maps(
        pairs_of(grate_panels(labeled), cell),
        value="share",
        scale=share_scale(BURNED_LABEL),
        label="label",
        largest_cell=max(cell, _SMALL_CELL),
    )


BURNED_LABEL = "burned / graded items of the cell"

# A page takes a little more; a figure this high leaves room for words.
_HIGHEST = 7.3


def plot_maps(
    panels: Sequence[Sequence[MapPanel]],
    *,
    value: str,
    scale: MapScale,
    largest_cell: float = 0.5,
    no_value: str = "no graded item",
) -> list[Figure]:
    """Draw rows of maps in as many figures as fit a phone and a printed page.

    Parameters
    ----------
    panels : sequence of sequences of MapPanel
        Rows of grates; the cells carry the value. Labels are made of it.
    value : {"share", "code", "rise_mm", "temp"} or str
        Column to draw.
    scale, largest_cell, no_value
        As for `plot_cell_maps`; the scale serves all figures.

    Returns
    -------
    list of matplotlib.figure.Figure
        Rows of one figure are never split; empty without panels.

    Examples
    --------
    >>> import pitstats as ps
    >>> cells = ps.map_cells(ps.demo_study("four_pits"))
    >>> rows = pairs_of(grate_panels(cells))
    >>> len(plot_maps(rows, value="share", scale=share_scale(BURNED_LABEL)))
    1
    """
    drawings = map_drawings(
        panels,
        value=value,
        scale=scale,
        largest_cell=largest_cell,
        no_value=no_value,
    )
    return [drawing() for drawing in drawings]


def map_drawings(
    panels: Sequence[Sequence[MapPanel]],
    *,
    value: str,
    scale: MapScale,
    largest_cell: float = 0.5,
    no_value: str = "no graded item",
) -> list[Callable[[], Figure]]:
    """Share out rows of maps over figures that are drawn when called.

    Examples
    --------
    >>> import pitstats as ps
    >>> cells = ps.map_cells(ps.demo_study("four_pits"))
    >>> rows = pairs_of(grate_panels(cells))
    >>> len(map_drawings(rows, value="share", scale=share_scale(BURNED_LABEL)))
    1
    """
    rows = [
        [MapPanel(p.title, _labeled(p.cells, value, scale)) for p in row]
        for row in panels
        if row
    ]
    return [
        partial(
            plot_cell_maps,
            own,
            value=value,
            scale=scale,
            label="label",
            largest_cell=largest_cell,
            no_value=no_value,
        )
        for own in _pages(rows, largest_cell)
    ]


def _pages(
    rows: list[list[MapPanel]], largest_cell: float
) -> list[list[list[MapPanel]]]:
    """Share out rows over as few figures as they need, about alike."""
    if not rows:
        return []
    cell = _cell_side(rows, largest_cell)
    ends = np.cumsum([_row_height(row, cell) for row in rows])
    middles = (np.concatenate([[0], ends[:-1]]) + ends) / 2 / ends[-1]
    high = np.diff(ends, prepend=0.0)
    for n_pages in range(1, len(rows) + 1):
        page = (middles * n_pages).astype(int)
        if np.bincount(page, high).max() <= _HIGHEST - _SCALE:
            break
    return [
        [row for row, own in zip(rows, page, strict=True) if own == k]
        for k in dict.fromkeys(page.tolist())
    ]


def grate_panels(cells: pd.DataFrame) -> list[MapPanel]:
    """Split cells into one panel per grate, named by pit (and grate)."""
    several = cells.groupby("pit")["grate"].nunique().to_dict()
    groups = cells.groupby(["pit", "level", "grate"], sort=False, dropna=False)
    return [
        MapPanel(_grate_name(pit, grate, several[pit]), own)
        for (pit, _, grate), own in groups
    ]


def pairs_of(
    panels: Sequence[MapPanel], cell: float = _PAIRED_CELL
) -> list[list[MapPanel]]:
    """Put panels two in a row, where both have room for cells of this size."""
    room = _WIDTH - _LEFT - _RIGHT - _BESIDE
    rows: list[list[MapPanel]] = []
    for panel in panels:
        both = [*(rows[-1] if rows else []), panel]
        wide = sum(_size(p)[1] for p in both)
        long = sum(len(p.title) for p in both)
        if len(both) == 2 and wide * cell <= room and long <= _LETTERS_A_ROW:
            rows[-1].append(panel)
        else:
            rows.append([panel])
    return rows


_LETTERS_A_ROW = 26


def _labeled(
    cells: pd.DataFrame, value: str, scale: MapScale | None = None
) -> pd.DataFrame:
    """Add what is written into the cells: counts, marks of grades, or numbers."""
    if value == "share":
        labels = [
            f"{burned}/{graded}" if graded else ""
            for burned, graded in zip(cells["n_burned"], cells["n_items"], strict=True)
        ]
    elif scale is not None and scale.steps:
        marks = step_marks(scale.steps)
        labels = ["" if np.isnan(v) else marks[int(v)] for v in cells[value]]
    else:
        labels = [
            "" if np.isnan(v) or scale is None else scale_text(scale, v)
            for v in cells[value]
        ]
    return cells.assign(label=labels)


def _grate_name(pit: object, grate: object, n_grates: int) -> str:
    names = [pit, grate] if n_grates > 1 else [pit]
    return ", ".join(map(one_line, names))


def plot_grades(counts: pd.DataFrame) -> Figure:
    """Draw the shares of all grades, one stacked bar per pit.

    Parameters
    ----------
    counts : pandas.DataFrame
        As returned by `count_grades`.

    Returns
    -------
    matplotlib.figure.Figure
        Palest grade first; each bar is labeled with the counts.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_grades(ps.count_grades(ps.demo_study("one_bake_each")))
    >>> figure.axes[0].get_xlabel()
    'Share of graded items'
    """
    from matplotlib.ticker import PercentFormatter

    graded = counts[counts["grade"] != "missing"]
    grades = graded["grade"].drop_duplicates().tolist()
    pits = graded["pit"].drop_duplicates().tolist()
    with house_style():
        colors = browning_steps(len(grades))
        figure, axes = one_panel(1.5 + 0.6 * len(pits))
        left = np.zeros(len(pits))
        for grade, color in zip(grades, colors, strict=True):
            own = graded[graded["grade"] == grade].set_index("pit").loc[pits]
            share = own["share"].to_numpy()
            axes.barh(
                range(len(pits)),
                share,
                left=left,
                color=color,
                edgecolor=INK,
                linewidth=0.6,
                label=shorten(grade, 14),
            )
            for y, (start, width, n) in enumerate(
                zip(left, share, own["n_items"], strict=True)
            ):
                if width > 0.045:
                    axes.text(
                        start + width / 2,
                        y,
                        str(n),
                        ha="center",
                        va="center",
                        fontsize=SMALLEST,
                        color=ink_on(color),
                    )
            left = left + share
        name_rows(axes, [shorten(pit) for pit in pits], above=0.5, below=0.5)
        axes.set_xlim(0, 1)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_xlabel("Share of graded items")
        figure.legend(
            loc="outside lower center",
            ncols=min(len(grades), 5),
            handlelength=1.2,
            columnspacing=1.2,
        )
    return figure
