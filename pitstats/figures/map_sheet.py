"""A sheet of grates, drawn cell by cell: the firebox end on the left, row 1 below.

Axes are dear, and so is every artist: all grates of a figure share one sheet, and what
looks alike on all of them is one artist. Texts in cells are shapes, because a text
object is laid out anew for every picture of it and a sheet has hundreds.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import compress
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from pitstats.figures.style import HATCH, INK, SOFT, ink_on

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path

    from pitstats.figures.map_scale import MapScale

Point = tuple[float, float]

_SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
_STRIP = ((0.0, 0.84), (1.0, 0.84), (1.0, 1.0), (0.0, 1.0))
# Line width and hatch of the boxes, each kind drawn over the one before.
_BOXES: dict[str, tuple[float, str | None]] = {
    "cells": (1.5, None),
    "unknown": (1.5, "////"),
    "lost": (0.8, "/////"),
}
# Width of the mark of the firebox end, beside the cells: no label touches it.
_EDGE = 0.1
# The bar of a cell: how high it lies, and its room on either side.
_BAR_AT, _BAR_ROOM = 0.13, 0.06


class Place(NamedTuple):
    """Where a grate stands: its lower left corner and the side of a cell."""

    left: float
    bottom: float
    side: float

    def at(self, column: float, row: float) -> tuple[float, float]:
        """Turn a place on the grate, counted in cells, into one of the axes."""
        return self.left + self.side * column, self.bottom + self.side * row


class _Boxes:
    """Boxes of one kind on all grates."""

    def __init__(self) -> None:
        self.outlines: list[list[Point]] = []
        self.colors: list[object] = []
        self.per_grate: list[int] = []

    def add(
        self,
        cells: pd.DataFrame,
        shape: Sequence[Point],
        place: Place,
        colors: Sequence[object] | None = None,
    ) -> None:
        """Take up one box per cell of a grate; white without colors."""
        self.outlines += [
            [place.at(column - 1 + x, row - 1 + y) for x, y in shape]
            for column, row in zip(cells["column"], cells["row"], strict=True)
        ]
        self.colors += ["white"] * len(cells) if colors is None else list(colors)
        self.per_grate.append(len(cells))

    def draw(self, axes: Axes, kind: str) -> None:
        """Draw all boxes as one artist; its label counts them, a line per grate."""
        from matplotlib.collections import PolyCollection

        if not self.outlines:
            return
        width, hatch = _BOXES[kind]
        axes.add_artist(
            PolyCollection(
                self.outlines,
                facecolors=self.colors,
                edgecolors=HATCH if hatch else "white",
                linewidths=width,
                hatch=hatch,
                clip_on=False,
                gid=kind,
                label="\n".join(map(str, self.per_grate)),
            )
        )


class _Texts:
    """Short texts of one kind on all grates."""

    def __init__(self) -> None:
        self._at: list[Point] = []
        self._shapes: list[Path] = []
        self._inks: list[str] = []
        self._words: list[str] = []

    def add(
        self,
        texts: Sequence[tuple[Point, str, str]],
        size: float,
        *,
        align: str = "center",
        shift: Point = (0.0, 0.0),
        upright: bool = False,
    ) -> None:
        """Take up the texts of a grate: where, what and in which ink."""
        some = [text for text in texts if text[1]]
        self._at += [at for at, _, _ in some]
        self._shapes += [_shape_of(t, size, align, shift, upright) for _, t, _ in some]
        self._inks += [ink for _, _, ink in some]
        self._words.append("\t".join(text for _, text, _ in some))

    def draw(self, axes: Axes, kind: str) -> None:
        """Draw all texts as one artist; they stand in its label, a line per grate."""
        from matplotlib.collections import PathCollection
        from matplotlib.transforms import IdentityTransform

        if not self._at:
            return
        shapes = PathCollection(
            self._shapes,
            sizes=[1.0],
            transform=IdentityTransform(),
            offsets=self._at,
            offset_transform=axes.transData,
            facecolors=self._inks,
            linewidths=0,
            clip_on=False,
            gid=kind,
            label="\n".join(self._words),
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
    # The points of the outline reach as far as it does, and need no look at its curves.
    across = outline.vertices[outline.codes != Path.CLOSEPOLY, 0]
    left = -across.max() if align == "right" else -(across.min() + across.max()) / 2
    # Half the height of a capital, so that all labels stand on one line.
    points = outline.vertices + np.array([left, -0.365 * size])
    if upright:
        points = np.column_stack([-points[:, 1], points[:, 0]])
    return Path(points + np.array(shift), outline.codes)


class MapSheet:
    """Grates to be drawn on one axes.

    Parameters
    ----------
    font_size : float
        Size of the labels in the cells, in points.
    title_size : float, default 13
        Size of the titles above the grates, in points.

    Examples
    --------
    >>> import pandas as pd
    >>> from matplotlib.figure import Figure
    >>> from pitstats.figures.map_scale import share_scale
    >>> cells = pd.DataFrame({"row": 1, "column": [1, 2], "share": [0.5, None]})
    >>> sheet = MapSheet(11.0)
    >>> sheet.add("A", cells, Place(0, 0, 1), value="share", scale=share_scale("x"))
    >>> axes = Figure().subplots()
    >>> sheet.draw(axes)
    >>> [c.get_hatch() for c in axes.collections if c.get_gid() in ("cells", "unknown")]
    [None, '////']
    """

    def __init__(self, font_size: float, *, title_size: float = 13.0) -> None:
        self._size, self._title_size = font_size, title_size
        self._boxes = {kind: _Boxes() for kind in _BOXES}
        self._texts = {k: _Texts() for k in ("labels", "columns", "rows", "firebox")}
        self._titles: list[tuple[Point, str]] = []
        self._edges: list[list[Point]] = []
        self._bars: dict[str, list[list[Point]]] = {"range": [], "intervals": []}
        self._bar_inks: list[str] = []

    def add(
        self,
        title: str,
        cells: pd.DataFrame,
        place: Place,
        *,
        value: str,
        scale: MapScale,
        label: str | None = None,
        leftmost: bool = True,
    ) -> None:
        """Take up one grate."""
        known = cells[value].notna().to_numpy()
        with_value = cells[known]
        colors = list(compress(scale.colors(cells[value]), known))
        inks = [ink_on(color) for color in colors]
        self._boxes["cells"].add(with_value, _SQUARE, place, colors)
        self._boxes["unknown"].add(cells[~known], _SQUARE, place)
        if "n_missing" in cells:
            lost = with_value[with_value["n_missing"] > 0]
            self._boxes["lost"].add(lost, _STRIP, place)
        words = with_value[label].astype(str) if label else [""] * len(with_value)
        middles = [
            place.at(column - 0.5, row - 0.5)
            for column, row in zip(with_value["column"], with_value["row"], strict=True)
        ]
        self._texts["labels"].add(
            list(zip(middles, words, inks, strict=True)), self._size
        )
        if "bar_low" in cells:
            self._add_bars(with_value, inks, place)
        n_rows = int(cells["row"].max())
        self._number_columns(int(cells["column"].max()), place)
        if leftmost:
            self._number_rows(n_rows, place)
        self._titles.append((place.at(0, n_rows), title))
        beside = ((-_EDGE, 0.0), (0.0, 0.0), (0.0, n_rows), (-_EDGE, n_rows))
        self._edges.append([place.at(x, y) for x, y in beside])

    def _add_bars(self, cells: pd.DataFrame, inks: Sequence[str], place: Place) -> None:
        wide = 1 - 2 * _BAR_ROOM
        for column, row, low, high in zip(
            *(cells[name] for name in ("column", "row", "bar_low", "bar_high")),
            strict=True,
        ):
            left, at = column - 1 + _BAR_ROOM, row - 1 + _BAR_AT
            for kind, start, end in (("range", 0.0, 1.0), ("intervals", low, high)):
                ends = [place.at(left + wide * x, at) for x in (start, end)]
                self._bars[kind].append(ends)
        self._bar_inks += inks

    @property
    def _small(self) -> float:
        return max(9.0, self._size - 1)

    def _number_columns(self, n: int, place: Place) -> None:
        texts = [(place.at(j - 0.5, 0), str(j), SOFT) for j in range(1, n + 1)]
        self._texts["columns"].add(
            texts, self._small, shift=(0.0, -5.0 - self._small / 2)
        )

    def _number_rows(self, n: int, place: Place) -> None:
        """Write the numbers of the rows, and which end is the firebox."""
        texts = [
            (place.at(0, i - 0.5), "door 1" if i == 1 else str(i), SOFT)
            for i in range(1, n + 1)
        ]
        self._texts["rows"].add(texts, self._small, align="right", shift=(-6.0, 0.0))
        for line, away in (("firebox", 5.0), ("end", 3.8)):
            self._texts["firebox"].add(
                [(place.at(0, n / 2), line, INK)],
                self._small,
                shift=(-6 - away * self._small, 0.0),
                upright=True,
            )

    def draw(self, axes: Axes) -> None:
        """Draw all grates."""
        from matplotlib.collections import LineCollection, PolyCollection

        for kind, boxes in self._boxes.items():
            boxes.draw(axes, kind)
        for kind, texts in self._texts.items():
            texts.draw(axes, kind)
        lines = (
            ("range", self._bars["range"], self._bar_inks, 0.6, 0.5),
            ("intervals", self._bars["intervals"], self._bar_inks, 3.2, 1.0),
        )
        for kind, segments, colors, width, alpha in lines:
            if segments:
                axes.add_artist(
                    LineCollection(
                        segments,
                        colors=colors,
                        linewidths=width,
                        alpha=alpha,
                        clip_on=False,
                        gid=kind,
                    )
                )
        edges = PolyCollection(
            self._edges, facecolors=INK, linewidths=0, clip_on=False, gid="edges"
        )
        axes.add_artist(edges)
        for at, title in self._titles:
            axes.annotate(
                title,
                at,
                xytext=(0, 6),
                textcoords="offset points",
                fontsize=self._title_size,
                fontweight="bold",
                annotation_clip=False,
                gid="title",
            )
