"""Maps of the grates and bars of the grades."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import compress
from textwrap import fill
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from pitstats.figures.style import (
    BROWNING,
    HATCH,
    INK,
    SOFT,
    blend,
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
# The legend stands this far above the lower edge.
_FOOT = 0.3
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
        return blend(self.palette, place)


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


class Place(NamedTuple):
    """Where a grate stands: its lower left corner and the side of a cell."""

    left: float
    bottom: float
    side: float

    def at(self, column: float, row: float) -> tuple[float, float]:
        """Turn a place on the grate, counted in cells, into one of the axes."""
        return self.left + self.side * column, self.bottom + self.side * row


_AT_ORIGIN = Place(0.0, 0.0, 1.0)


def draw_grate(
    axes: Axes,
    cells: pd.DataFrame,
    *,
    value: str,
    scale: MapScale,
    label: str | None = None,
    title: str = "",
    font_size: float = 11,
    place: Place = _AT_ORIGIN,
    leftmost: bool = True,
) -> None:
    """Draw one grate cell by cell: the firebox end on the left, row 1 at the bottom.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where to draw, with its limits set; several grates may share it.
        `plot_cell_maps` draws on a sheet whose unit is the inch.
    cells : pandas.DataFrame
        One row per cell of the grate: ``row``, ``column`` (1 = door side; 1 = nearest
        the firebox), the value, and optionally the label, ``n_missing`` and
        ``bar_low`` with ``bar_high``. Cells whose value is NaN are hatched; a cell
        with a value of which some items were lost (``n_missing`` above 0) has a
        hatched strip. A bar lies in its cell from low to high, the width of the cell
        standing for 0 to 1.
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
    place : Place, optional
        Where the grate stands, in units of the axes.
    leftmost : bool, default True
        Number the rows and name the firebox end; the first grate of a row of them
        does so for all.

    Examples
    --------
    >>> import pandas as pd
    >>> from matplotlib.figure import Figure
    >>> from pitstats.figures.grates import draw_grate, share_scale
    >>> cells = pd.DataFrame({"row": 1, "column": [1, 2], "share": [0.5, None]})
    >>> axes = Figure().subplots()
    >>> draw_grate(axes, cells, value="share", scale=share_scale("burned"))
    >>> [c.get_hatch() for c in axes.collections if c.get_gid() in ("cells", "unknown")]
    [None, '////']
    """
    n_rows, n_columns = int(cells["row"].max()), int(cells["column"].max())
    known = cells[value].notna().to_numpy()
    colors = scale.colors(cells[value])
    inks = [ink_on(color) for color in colors]
    _draw_cells(axes, cells, known, colors, place)
    labels = _Labels(font_size, place)
    for row, column, text, ink, has_value in zip(
        cells["row"], cells["column"], _texts(cells, label), inks, known, strict=True
    ):
        if has_value:
            labels.add(column - 0.5, row - 0.5, text, ink)
    labels.draw(axes, "labels")
    if "bar_low" in cells:
        _draw_bars(axes, cells[known], list(compress(inks, known)), place)
    small = max(9.0, font_size - 1)
    columns = _Labels(small, place, shift=(0.0, -5.0 - small / 2))
    for column in range(1, n_columns + 1):
        columns.add(column - 0.5, 0, str(column), SOFT)
    columns.draw(axes, "columns")
    if leftmost:
        _number_rows(axes, n_rows, small, place)
    axes.annotate(
        title,
        place.at(0, n_rows),
        xytext=(0, 6),
        textcoords="offset points",
        fontsize=min(13, font_size + 2),
        fontweight="bold",
        annotation_clip=False,
        gid="title",
    )
    axes.plot(
        *zip(place.at(0, 0), place.at(0, n_rows), strict=True),
        color=INK,
        linewidth=5,
        solid_capstyle="butt",
        clip_on=False,
        scalex=False,
        scaley=False,
    )


def _texts(cells: pd.DataFrame, label: str | None) -> list[str]:
    return cells[label].astype(str).tolist() if label else [""] * len(cells)


def _number_rows(axes: Axes, n_rows: int, size: float, place: Place) -> None:
    """Write the numbers of the rows, and which end is the firebox."""
    rows = _Labels(size, place, align="right", shift=(-6.0, 0.0))
    for row in range(1, n_rows + 1):
        rows.add(0, row - 0.5, "door 1" if row == 1 else str(row), SOFT)
    rows.draw(axes, "rows")
    for line, away in (("firebox", 5.0), ("end", 3.8)):
        name = _Labels(size, place, upright=True, shift=(-6 - away * size, 0.0))
        name.add(0, n_rows / 2, line, INK)
        name.draw(axes, "firebox")


class _Labels:
    """Short texts drawn as shapes, all of a map at once.

    A text object is laid out anew for every picture of it; a map has hundreds.
    """

    def __init__(
        self,
        size: float,
        place: Place,
        *,
        align: str = "center",
        shift: tuple[float, float] = (0.0, 0.0),
        upright: bool = False,
    ) -> None:
        self._style = (size, align, shift, upright)
        self._place = place
        self._at: list[tuple[float, float]] = []
        self._texts: list[str] = []
        self._inks: list[str] = []

    def add(self, column: float, row: float, text: str, ink: str) -> None:
        """Take up a text at a place on the grate, counted in cells."""
        if text:
            self._at.append(self._place.at(column, row))
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
def _shape_of(
    text: str, size: float, align: str, shift: tuple[float, float], upright: bool
) -> Path:
    """Outline of a text around (0, 0), in points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path
    from matplotlib.textpath import TextPath

    outline = TextPath((0, 0), text, size=size, prop=FontProperties())
    ends = outline.get_extents()
    left = -ends.x1 if align == "right" else -(ends.x0 + ends.x1) / 2
    # Half the height of a capital, so that all labels stand on one line.
    points = outline.vertices + np.array([left, -0.365 * size])
    if upright:
        points = np.column_stack([-points[:, 1], points[:, 0]])
    return Path(points + np.array(shift), outline.codes)


def _draw_cells(
    axes: Axes,
    cells: pd.DataFrame,
    known: npt.NDArray[np.bool_],
    colors: Sequence[tuple[float, float, float]],
    place: Place,
) -> None:
    """Draw the cells that have a value, those that have none, and what was lost."""
    from matplotlib.collections import PolyCollection

    corners = np.stack([cells["column"] - 1.0, cells["row"] - 1.0], axis=1)
    lost = np.zeros_like(known)
    if "n_missing" in cells:
        lost = known & (cells["n_missing"].to_numpy() > 0)
    strip = np.array([[0, 0.84], [1, 0.84], [1, 1], [0, 1]])
    for gid, of, shape, face, edge, wide, hatch in (
        ("cells", known, _SQUARE, list(compress(colors, known)), "white", 1.5, None),
        ("unknown", ~known, _SQUARE, "white", HATCH, 1.5, "////"),
        ("lost", lost, strip, "white", HATCH, 0.8, "/////"),
    ):
        if not np.any(of):
            continue
        outlines = corners[of][:, None, :] + shape
        boxes = PolyCollection(
            [[place.at(x, y) for x, y in outline] for outline in outlines],
            facecolors=face,
            edgecolors=edge,
            linewidths=wide,
            hatch=hatch,
            clip_on=False,
            gid=gid,
        )
        axes.add_artist(boxes)


_SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
# The bar of a cell: how high it lies, and its room on either side.
_BAR_AT, _BAR_ROOM = 0.13, 0.06


def _draw_bars(
    axes: Axes, cells: pd.DataFrame, inks: Sequence[str], place: Place
) -> None:
    """Draw a bar into every cell; the width of the cell stands for 0 to 1."""
    from matplotlib.collections import LineCollection

    left = cells["column"].to_numpy(dtype=float) - 1 + _BAR_ROOM
    at = cells["row"].to_numpy(dtype=float) - 1 + _BAR_AT
    wide = 1 - 2 * _BAR_ROOM
    low, high = cells["bar_low"].to_numpy(), cells["bar_high"].to_numpy()
    for gid, start, end, width, alpha in (
        ("range", left, left + wide, 0.6, 0.5),
        ("intervals", left + wide * low, left + wide * high, 3.2, 1.0),
    ):
        lines = LineCollection(
            [
                [place.at(x, y), place.at(till, y)]
                for x, till, y in zip(start, end, at, strict=True)
            ],
            colors=inks,
            linewidths=width,
            alpha=alpha,
            clip_on=False,
            gid=gid,
        )
        axes.add_artist(lines)


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
        All grates and the scale share one axes, whose unit is the inch.

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
    >>> titles = [t for t in figure.axes[0].texts if t.get_gid() == "title"]
    >>> [title.get_text() for title in titles]
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
        high = sum(heights) + _SCALE
        figure = Figure(figsize=(_WIDTH, high))
        # Axes are dear: one sheet for all grates is drawn in half the time.
        sheet = figure.add_axes((0, 0, 1, 1))
        sheet.set_xlim(0, _WIDTH)
        sheet.set_ylim(0, high)
        sheet.set_axis_off()
        top = high
        for row, height in zip(rows, heights, strict=True):
            left = _LEFT
            for j, panel in enumerate(row):
                bottom = top - _TITLE - _size(panel)[0] * cell
                draw_grate(
                    sheet,
                    panel.cells,
                    value=value,
                    scale=scale,
                    label=label,
                    title=panel.title,
                    font_size=font_size,
                    place=Place(left, bottom, cell),
                    leftmost=j == 0,
                )
                left += widest[j] * cell + _BESIDE
            top -= height
        _draw_scale(sheet, scale, no_value)
    return figure


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


def _draw_scale(sheet: Axes, scale: MapScale, no_value: str) -> None:
    """Draw the legend: colors with their values, and what a hatched cell means."""
    from matplotlib.patches import Rectangle

    free = _LEFT + (
        _draw_steps(sheet, scale) if scale.steps else _draw_ramp(sheet, scale)
    )
    box = (free, _FOOT + 0.22)
    sheet.add_artist(
        Rectangle(box, 0.26, 0.17, facecolor="white", edgecolor=HATCH, hatch="/////")
    )
    at = (free + 0.33, _FOOT + 0.305)
    sheet.text(*at, fill(no_value, 11), va="center", fontsize=10, linespacing=1.0)
    sheet.text(_LEFT, _FOOT - 0.05, scale.label, va="top", fontsize=10.5)


def _draw_ramp(sheet: Axes, scale: MapScale) -> float:
    """Draw a ramp of numbers; returns how far it reaches, in inches."""
    from matplotlib.image import BboxImage
    from matplotlib.transforms import Bbox, TransformedBbox

    long, n_colors = 2.9, 58
    at = np.linspace(scale.low, scale.high, n_colors)
    corners = [[_LEFT, _FOOT + 0.22], [_LEFT + long, _FOOT + 0.39]]
    ramp = BboxImage(TransformedBbox(Bbox(corners), sheet.transData), zorder=0)
    ramp.set_data(np.array(scale.colors(at))[None, :, :])
    sheet.add_artist(ramp)
    n_ticks = 5 if scale.percent else 4
    for share in np.linspace(0, 1, n_ticks):
        text = scale_text(scale, scale.low + share * (scale.high - scale.low))
        align = "left" if share == 0 else "right" if share == 1 else "center"
        place = (_LEFT + share * long, _FOOT + 0.18)
        sheet.text(*place, text, ha=align, va="top", fontsize=10)
    return long + 0.2


def scale_text(scale: MapScale, value: float) -> str:
    """Write a value as the scale of a map shows it."""
    if scale.percent:
        return f"{100 * value:.0f}%"
    return f"{value:.0f}" if scale.high - scale.low >= 8 else f"{value:.1f}"


def _draw_steps(sheet: Axes, scale: MapScale) -> float:
    """Draw boxes with the names of steps; returns how far they reach, in inches."""
    from matplotlib.patches import Rectangle

    wide = 3.3 / len(scale.steps)
    marks = step_marks(scale.steps)
    colors = scale.colors(range(len(scale.steps)))
    for i, (name, mark, color) in enumerate(
        zip(scale.steps, marks, colors, strict=True)
    ):
        corner = (_LEFT + i * wide, _FOOT + 0.17)
        sheet.add_artist(
            Rectangle(corner, wide, 0.22, facecolor=color, edgecolor=INK, lw=0.6)
        )
        middle = _LEFT + (i + 0.5) * wide
        sheet.text(
            middle,
            _FOOT + 0.28,
            mark,
            ha="center",
            va="center",
            fontsize=10,
            color=ink_on(color),
        )
        fits = max(3, int(13 * wide))
        below = _FOOT + 0.14
        sheet.text(
            middle, below, shorten(name, fits), ha="center", va="top", fontsize=9.5
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
    >>> [text.get_text() for text in figure.axes[0].texts][:2]
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
