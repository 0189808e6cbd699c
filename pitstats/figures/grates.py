"""Maps of the grates and bars of the grades."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from textwrap import fill
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from pitstats.figures.style import (
    BROWNING,
    HATCH,
    INK,
    SOFT,
    browning_steps,
    house_style,
    ink_on,
    shorten,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

#: Colors for heat and for what is wanted; like `BROWNING` each grows darker all the way
#: and so keeps its order in gray and to every kind of color vision.
HEAT = ("#fbf3e4", "#f6c28b", "#e07f5b", "#a83a58", "#481042")
WANTED = ("#f3f5ec", "#c3d9bd", "#7db08b", "#377862", "#10383a")

# Inches. Left: room for "firebox end" and the numbers of the rows.
_WIDTH, _LEFT, _RIGHT, _BESIDE = 5.6, 0.95, 0.08, 0.28
_TITLE, _UNDER, _SCALE = 0.34, 0.28, 0.88
_LARGEST_CELL = 0.62


@dataclass(frozen=True, kw_only=True)
class MapScale:
    """What the colors of a map mean; one scale serves all maps that are compared.

    Parameters
    ----------
    label : str
        What the cells show, with its unit.
    low, high : float
        Values at the palest and the darkest color; beyond them the color stays.
    palette : tuple of str, default browning
        Colors from palest to darkest.
    steps : tuple of str, default ()
        Names of ordered categories with the values 0, 1, ...; empty for numbers.
    percent : bool, default False
        Whether values between 0 and 1 are written in per cent.

    See Also
    --------
    share_scale, step_scale, number_scale : The usual scales.
    """

    label: str
    low: float
    high: float
    palette: tuple[str, ...] = BROWNING
    steps: tuple[str, ...] = ()
    percent: bool = False

    def colors(self, values: Iterable[float]) -> list[tuple[float, float, float]]:
        """Color of each value, as red, green and blue between 0 and 1."""
        values = np.asarray(list(values), dtype=float)
        width = self.high - self.low
        place = (values - self.low) / width if width > 0 else np.full(len(values), 0.5)
        place = np.clip(np.nan_to_num(place, nan=0.0), 0.0, 1.0)
        table = _palette(self.palette)
        knots = np.linspace(0, 1, len(table))
        parts = [np.interp(place, knots, channel) for channel in table.T]
        return [(float(r), float(g), float(b)) for r, g, b in zip(*parts, strict=True)]


def _palette(names: Sequence[str]) -> np.ndarray:
    return np.array(
        [[int(name[i : i + 2], 16) / 255 for i in (1, 3, 5)] for name in names]
    )


def share_scale(label: str, palette: tuple[str, ...] = BROWNING) -> MapScale:
    """Scale for shares, always from 0 to 100%."""
    return MapScale(label=label, low=0.0, high=1.0, palette=palette, percent=True)


def step_scale(names: Sequence[str], label: str) -> MapScale:
    """Scale for ordered categories such as grades, palest first."""
    last = max(len(names) - 1, 1)
    return MapScale(label=label, low=0.0, high=float(last), steps=tuple(names))


def number_scale(
    values: Iterable[float], label: str, palette: tuple[str, ...] = HEAT
) -> MapScale:
    """Scale for numbers, from the least to the greatest of all maps to be compared."""
    known = np.asarray(list(values), dtype=float)
    known = known[np.isfinite(known)]
    low, high = (known.min(), known.max()) if len(known) else (0.0, 1.0)
    return MapScale(label=label, low=float(low), high=float(high), palette=palette)


class MapPanel(NamedTuple):
    """One grate to draw: its title and its cells."""

    title: str
    cells: pd.DataFrame


def draw_grate(
    axes: Axes,
    cells: pd.DataFrame,
    *,
    value: str,
    scale: MapScale,
    label: str | None = None,
    title: str = "",
    font_size: float = 11,
) -> None:
    """Draw one grate cell by cell: the firebox end on the left, row 1 at the bottom.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where to draw. `plot_cell_maps` places axes so that cells are square and of one
        size; axes of one's own need ``set_aspect("equal")``.
    cells : pandas.DataFrame
        One row per cell of the grate: ``row``, ``column`` (1 = door side; 1 = nearest
        the firebox), the value, and optionally the label and ``n_missing``. Cells
        whose value is NaN are hatched; a cell with a value of which some items were
        lost (``n_missing`` above 0) has a hatched strip.
    value : str
        Column with the value, in the units of the scale.
    scale : MapScale
        Shared by all maps that are compared.
    label : str, optional
        Column with the text written into each cell; nothing is written without it.
    title : str, default ""
        Text above the grate.
    font_size : float, default 11
        Size of the labels, in points.

    Examples
    --------
    >>> import pandas as pd
    >>> from matplotlib.figure import Figure
    >>> from pitstats.figures.grates import draw_grate, share_scale
    >>> cells = pd.DataFrame({"row": 1, "column": [1, 2], "share": [0.5, None]})
    >>> axes = Figure().subplots()
    >>> draw_grate(axes, cells, value="share", scale=share_scale("burned"))
    >>> [patch.get_hatch() for patch in axes.patches]
    [None, '////']
    """
    n_rows, n_columns = int(cells["row"].max()), int(cells["column"].max())
    # Set first: artists that are added later need not look for new limits.
    axes.set_xlim(0, n_columns)
    # As on the printed grids: the door side and row 1 at the bottom.
    axes.set_ylim(0, n_rows)
    axes.set_axis_off()
    labels = _Labels(font_size)
    colors = scale.colors(cells[value])
    for cell, color in zip(cells.to_dict("records"), colors, strict=True):
        known = not np.isnan(float(cell[value]))
        _draw_cell(axes, cell, color if known else None)
        text = str(cell[label]) if label and known else ""
        labels.add(cell["column"] - 0.5, cell["row"] - 0.5, text, ink_on(color))
    labels.draw(axes, "labels")
    _number_cells(axes, n_rows, n_columns, max(9.0, font_size - 1))
    # A height of its own spares the search for one among the tick labels.
    axes.set_title(title, fontsize=min(13, font_size + 2), y=1.0)
    axes.plot(
        [0, 0],
        [0, n_rows],
        color=INK,
        linewidth=5,
        solid_capstyle="butt",
        clip_on=False,
        scalex=False,
        scaley=False,
    )


def _number_cells(axes: Axes, n_rows: int, n_columns: int, size: float) -> None:
    """Write the numbers of rows and columns, and which end is the firebox."""
    rows = _Labels(size, align="right", shift=(-6.0, 0.0))
    for row in range(1, n_rows + 1):
        rows.add(0, row - 0.5, "door 1" if row == 1 else str(row), SOFT)
    rows.draw(axes, "rows")
    columns = _Labels(size, shift=(0.0, -5.0 - size / 2))
    for column in range(1, n_columns + 1):
        columns.add(column - 0.5, 0, str(column), SOFT)
    columns.draw(axes, "columns")
    axes.annotate(
        "firebox\nend",
        (0, n_rows / 2),
        xytext=(-6 - 3.2 * size, 0),
        textcoords="offset points",
        rotation=90,
        ha="right",
        va="center",
        fontsize=size,
        annotation_clip=False,
        gid="firebox",
    )


def cell_labels(axes: Axes) -> list[str]:
    """Texts that `draw_grate` wrote into the cells, in the order of the cells."""
    return [
        text
        for collection in axes.collections
        if collection.get_gid() == "labels"
        for text in str(collection.get_label()).split("\n")
    ]


class _Labels:
    """Short texts drawn as shapes, all of a map at once.

    A text object is laid out anew for every picture of it; a map has hundreds.
    """

    def __init__(
        self,
        size: float,
        *,
        align: str = "center",
        shift: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        self._style = (size, align, shift)
        self._at: list[tuple[float, float]] = []
        self._texts: list[str] = []
        self._inks: list[str] = []

    def add(self, x: float, y: float, text: str, ink: str) -> None:
        """Take up a text at a place in the coordinates of the axes."""
        if text:
            self._at.append((x, y))
            self._texts.append(text)
            self._inks.append(ink)

    def draw(self, axes: Axes, gid: str) -> None:
        """Draw everything as one artist; its texts stand in its label."""
        from matplotlib.collections import PathCollection
        from matplotlib.transforms import IdentityTransform

        if not self._at:
            return
        shapes = PathCollection(
            [_shape_of(text, *self._style) for text in self._texts],
            sizes=[1.0],
            transform=IdentityTransform(),
            offsets=self._at,
            offset_transform=axes.transData,
            facecolors=self._inks,
            linewidths=0,
            clip_on=False,
            gid=gid,
            label="\n".join(self._texts),
        )
        axes.add_artist(shapes)


@lru_cache(maxsize=2048)
def _shape_of(text: str, size: float, align: str, shift: tuple[float, float]) -> Path:
    """Outline of a text around (0, 0), in points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path
    from matplotlib.textpath import TextPath

    outline = TextPath((0, 0), text, size=size, prop=FontProperties())
    ends = outline.get_extents()
    left = -ends.x1 if align == "right" else -(ends.x0 + ends.x1) / 2
    # Half the height of a capital, so that all labels stand on one line.
    move = np.array([left + shift[0], shift[1] - 0.365 * size])
    return Path(outline.vertices + move, outline.codes)


def _draw_cell(
    axes: Axes,
    cell: Mapping[Hashable, Any],
    color: tuple[float, float, float] | None,
) -> None:
    from matplotlib.patches import Rectangle

    corner = (cell["column"] - 1, cell["row"] - 1)
    axes.add_artist(
        Rectangle(
            corner,
            1,
            1,
            facecolor="white" if color is None else color,
            edgecolor=HATCH if color is None else "white",
            linewidth=1.5,
            hatch="////" if color is None else None,
        )
    )
    if color is not None and cell.get("n_missing", 0):
        # A hatched strip: part of the items of this cell were lost.
        axes.add_artist(
            Rectangle(
                (corner[0], corner[1] + 0.84),
                1,
                0.16,
                facecolor="white",
                edgecolor=HATCH,
                linewidth=0.8,
                hatch="/////",
            )
        )


def plot_cell_maps(
    grid: Sequence[Sequence[MapPanel]],
    *,
    value: str,
    scale: MapScale,
    label: str | None = None,
    largest_cell: float = _LARGEST_CELL,
    no_value: str = "no graded item",
) -> Figure:
    """Draw grates in rows and columns, every cell of one size and on one scale.

    Parameters
    ----------
    grid : sequence of sequences of MapPanel
        Rows of panels, for example one row per bake and one column per face.
    value, scale, label
        As for `draw_grate`, the same for all panels.
    largest_cell : float, default 0.62
        Side of a cell in inches, where the width allows it.
    no_value : str
        What a hatched cell means, beside the scale.

    Returns
    -------
    matplotlib.figure.Figure
        5.6 inches wide: its text can be read on a phone, and it fits a printed page.
        The last axes hold the scale.

    Raises
    ------
    ValueError
        If there is no panel.

    Examples
    --------
    >>> import pandas as pd
    >>> cells = pd.DataFrame({"row": 1, "column": [1, 2, 3], "share": [1, 0.5, None]})
    >>> grid = [[MapPanel("Bake 1", cells)], [MapPanel("Bake 2", cells)]]
    >>> figure = plot_cell_maps(grid, value="share", scale=share_scale("burned"))
    >>> [axes.get_title(loc="left") for axes in figure.axes[:-1]]
    ['Bake 1', 'Bake 2']
    """
    from matplotlib.figure import Figure

    rows = [row for row in grid if row]
    if not rows:
        raise ValueError("There is no grate to draw.")
    cell, widest = _cell_side(rows, largest_cell)
    heights = [_row_height(row, cell) for row in rows]
    font_size = _font_size(rows, label, cell)
    with house_style():
        figure = Figure(figsize=(_WIDTH, sum(heights) + _SCALE))
        top = sum(heights) + _SCALE
        for row, height in zip(rows, heights, strict=True):
            left = _LEFT
            for j, panel in enumerate(row):
                n_rows, n_columns = _size(panel)
                high = n_rows * cell
                box = (left, top - _TITLE - high, n_columns * cell, high)
                axes = figure.add_axes(_share_of(figure, box))
                draw_grate(
                    axes,
                    panel.cells,
                    value=value,
                    scale=scale,
                    label=label,
                    title=panel.title,
                    font_size=font_size,
                )
                if j:
                    _leave_to_the_left(axes)
                left += widest[j] * cell + _BESIDE
            top -= height
        _draw_scale(figure, scale, no_value)
    return figure


def _leave_to_the_left(axes: Axes) -> None:
    """Take away what the first map of a row says for all of them."""
    for artist in [*axes.texts, *axes.collections]:
        if artist.get_gid() in ("firebox", "rows"):
            artist.remove()


def _cell_side(
    rows: Sequence[Sequence[MapPanel]], largest: float
) -> tuple[float, list[int]]:
    """Side of a cell in inches, and the most columns of each column of panels."""
    across = max(map(len, rows))
    widest = [
        max(_size(row[j])[1] for row in rows if j < len(row)) for j in range(across)
    ]
    room = _WIDTH - _LEFT - _RIGHT - _BESIDE * (across - 1)
    return min(largest, room / sum(widest)), widest


def _row_height(row: Sequence[MapPanel], cell: float) -> float:
    return _TITLE + _UNDER + cell * max(_size(panel)[0] for panel in row)


def _font_size(
    grid: Sequence[Sequence[MapPanel]], label: str | None, cell: float
) -> float:
    """Largest size at which the longest label fits into a cell, in points."""
    longest = 2
    if label:
        longest = max(
            [2, *(p.cells[label].str.len().max() for row in grid for p in row)]
        )
    return float(min(11.0, 0.85 * 72 * cell / (0.62 * longest)))


def _size(panel: MapPanel) -> tuple[int, int]:
    return int(panel.cells["row"].max()), int(panel.cells["column"].max())


def _share_of(
    figure: Figure, box: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """Turn inches (left, bottom, width, height) into shares of the figure."""
    wide, high = figure.get_size_inches()
    return box[0] / wide, box[1] / high, box[2] / wide, box[3] / high


def _draw_scale(figure: Figure, scale: MapScale, no_value: str) -> None:
    """Draw the legend: colors with their values, and what a hatched cell means."""
    from matplotlib.patches import Rectangle

    box = (_LEFT, 0.3, _WIDTH - _LEFT - _RIGHT, 0.4)
    axes = figure.add_axes(_share_of(figure, box))
    axes.set_xlim(0, box[2])
    axes.set_ylim(0, box[3])
    axes.set_axis_off()
    free = _draw_steps(axes, scale) if scale.steps else _draw_ramp(axes, scale)
    axes.add_patch(
        Rectangle(
            (free, 0.22), 0.26, 0.17, facecolor="white", edgecolor=HATCH, hatch="/////"
        )
    )
    meaning = fill(no_value, 11)
    axes.text(free + 0.33, 0.305, meaning, va="center", fontsize=10, linespacing=1.0)
    axes.text(0, -0.05, scale.label, va="top", fontsize=10.5)


def _draw_ramp(axes: Axes, scale: MapScale) -> float:
    """Draw a ramp of numbers; returns where the next thing can stand, in inches."""
    long, n_colors = 2.9, 58
    at = np.linspace(scale.low, scale.high, n_colors)
    image = np.array(scale.colors(at))[None, :, :]
    axes.imshow(image, extent=(0, long, 0.22, 0.39), aspect="auto", zorder=0)
    axes.set_xlim(0, _WIDTH - _LEFT - _RIGHT)
    axes.set_ylim(0, 0.4)
    n_ticks = 5 if scale.percent else 4
    for share in np.linspace(0, 1, n_ticks):
        text = scale_text(scale, scale.low + share * (scale.high - scale.low))
        align = "left" if share == 0 else "right" if share == 1 else "center"
        axes.text(share * long, 0.18, text, ha=align, va="top", fontsize=10)
    return long + 0.2


def scale_text(scale: MapScale, value: float) -> str:
    """Write a value as the scale of a map shows it."""
    if scale.percent:
        return f"{100 * value:.0f}%"
    return f"{value:.0f}" if scale.high - scale.low >= 8 else f"{value:.1f}"


def _draw_steps(axes: Axes, scale: MapScale) -> float:
    """Draw boxes with the names of steps; returns where the next thing can stand."""
    from matplotlib.patches import Rectangle

    wide = 3.3 / len(scale.steps)
    marks = step_marks(scale.steps)
    colors = scale.colors(range(len(scale.steps)))
    for i, (name, mark, color) in enumerate(
        zip(scale.steps, marks, colors, strict=True)
    ):
        axes.add_patch(
            Rectangle(
                (i * wide, 0.17), wide, 0.22, facecolor=color, edgecolor=INK, lw=0.6
            )
        )
        middle = (i + 0.5) * wide
        axes.text(
            middle,
            0.28,
            mark,
            ha="center",
            va="center",
            fontsize=10,
            color=ink_on(color),
        )
        fits = max(3, int(13 * wide))
        axes.text(
            middle, 0.14, shorten(name, fits), ha="center", va="top", fontsize=9.5
        )
    return 3.45


def step_marks(names: Sequence[str]) -> list[str]:
    """Shortest beginnings that tell names apart, for cells with little room.

    Examples
    --------
    >>> step_marks(["raw", "light", "golden", "dark", "burned"])
    ['R', 'L', 'G', 'D', 'B']
    >>> step_marks(["light", "light golden", "gold"])
    ['1', '2', '3']
    """
    for length in (1, 2):
        marks = [name.strip()[:length].capitalize() for name in names]
        if len(set(marks)) == len(marks) and all(marks):
            return marks
    return [str(i + 1) for i in range(len(names))]


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
    >>> [axes.get_title(loc="left") for axes in figure.axes[:2]]
    ['Quarry', 'Ferry']
    """
    return plot_cell_maps(
        [[panel] for panel in grate_panels(_labeled(cells, "share"))],
        value="share",
        scale=share_scale(BURNED_LABEL),
        label="label",
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

    Parameters
    ----------
    panels, value, scale, largest_cell, no_value
        As for `plot_maps`.

    Returns
    -------
    list of callable
        Without arguments; each returns one figure of `plot_maps`.

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
    cell = _cell_side(rows, largest_cell)[0]
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
    """Split cells into one panel per grate, named by pit (and grate).

    Parameters
    ----------
    cells : pandas.DataFrame
        With ``pit, grate, level, row, column``.

    Returns
    -------
    list of MapPanel
        In the order of the cells.
    """
    several = cells.groupby("pit")["grate"].nunique().to_dict()
    groups = cells.groupby(["pit", "level", "grate"], sort=False, dropna=False)
    return [
        MapPanel(_grate_name(pit, grate, several[pit]), own)
        for (pit, _, grate), own in groups
    ]


def pairs_of(panels: Sequence[MapPanel]) -> list[list[MapPanel]]:
    """Put panels two in a row, where both have room for cells that can be read."""
    rows: list[list[MapPanel]] = []
    for panel in panels:
        wide = sum(_size(p)[1] for p in [*(rows[-1] if rows else []), panel])
        if rows and len(rows[-1]) == 1 and wide <= _COLUMNS_A_ROW:
            rows[-1].append(panel)
        else:
            rows.append([panel])
    return rows


_COLUMNS_A_ROW = 14


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
    return f"{shorten(pit, 14)}, {shorten(grate, 10)}" if n_grates > 1 else shorten(pit)


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
    from matplotlib.figure import Figure
    from matplotlib.ticker import PercentFormatter

    graded = counts[counts["grade"] != "missing"]
    grades = graded["grade"].drop_duplicates().tolist()
    pits = graded["pit"].drop_duplicates().tolist()
    with house_style():
        colors = browning_steps(len(grades))
        figure = Figure(figsize=(7.2, 1.5 + 0.6 * len(pits)), layout="constrained")
        axes = figure.subplots()
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
                        fontsize=11,
                        color=ink_on(color),
                    )
            left = left + share
        axes.set_yticks(range(len(pits)), [shorten(pit) for pit in pits])
        axes.set_ylim(len(pits) - 0.5, -0.5)
        axes.set_xlim(0, 1)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_xlabel("Share of graded items")
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        figure.legend(
            loc="outside lower center",
            ncols=min(len(grades), 5),
            frameon=False,
            fontsize=11,
            handlelength=1.2,
            columnspacing=1.2,
        )
    return figure
