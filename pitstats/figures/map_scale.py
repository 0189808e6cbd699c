"""What the colors of a map mean, and the legend that says so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from pitstats.figures.style import (
    BROWNING,
    HATCH,
    INK,
    SMALLEST,
    blend,
    ink_on,
    wrapped,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes

#: Colors for heat and for what is wanted; like `BROWNING` each grows darker all the way
#: and so keeps its order in gray and to every kind of color vision.
HEAT = ("#fbf3e4", "#f6c28b", "#e07f5b", "#a83a58", "#481042")
WANTED = ("#f3f5ec", "#c3d9bd", "#7db08b", "#377862", "#10383a")


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


def draw_legend(
    sheet: Axes, scale: MapScale, no_value: str, corner: tuple[float, float]
) -> None:
    """Draw the colors with their values, and what a hatched cell means."""
    from matplotlib.patches import Rectangle

    left, foot = corner
    draw = _draw_steps if scale.steps else _draw_ramp
    free = left + draw(sheet, scale, left, foot)
    box = (free, foot + 0.22)
    sheet.add_artist(
        Rectangle(box, 0.26, 0.17, facecolor="white", edgecolor=HATCH, hatch="/////")
    )
    at = (free + 0.33, foot + 0.305)
    sheet.text(*at, fill(no_value, 9), va="center", fontsize=SMALLEST, linespacing=1.0)
    sheet.text(left, foot - 0.05, scale.label, va="top", fontsize=SMALLEST)


def _draw_ramp(sheet: Axes, scale: MapScale, left: float, foot: float) -> float:
    """Draw a ramp of numbers; returns how far it reaches, in inches."""
    from matplotlib.image import BboxImage
    from matplotlib.transforms import Bbox, TransformedBbox

    long, n_colors = 2.5, 50
    at = np.linspace(scale.low, scale.high, n_colors)
    corners = [[left, foot + 0.22], [left + long, foot + 0.39]]
    ramp = BboxImage(TransformedBbox(Bbox(corners), sheet.transData), zorder=0)
    ramp.set_data(np.array(scale.colors(at))[None, :, :])
    sheet.add_artist(ramp)
    n_ticks = 3 if scale.percent else 4
    for share in np.linspace(0, 1, n_ticks):
        text = scale_text(scale, scale.low + share * (scale.high - scale.low))
        align = "left" if share == 0 else "right" if share == 1 else "center"
        place = (left + share * long, foot + 0.18)
        sheet.text(*place, text, ha=align, va="top", fontsize=SMALLEST)
    return long + 0.2


def scale_text(scale: MapScale, value: float) -> str:
    """Write a value as the scale of a map shows it."""
    if scale.percent:
        return f"{100 * value:.0f}%"
    return f"{value:.0f}" if scale.high - scale.low >= 8 else f"{value:.1f}"


def _draw_steps(sheet: Axes, scale: MapScale, left: float, foot: float) -> float:
    """Draw boxes with the names of steps; returns how far they reach, in inches."""
    from matplotlib.patches import Rectangle

    wide = 2.9 / len(scale.steps)
    marks = step_marks(scale.steps)
    colors = scale.colors(range(len(scale.steps)))
    for i, (name, mark, color) in enumerate(
        zip(scale.steps, marks, colors, strict=True)
    ):
        corner = (left + i * wide, foot + 0.17)
        sheet.add_artist(
            Rectangle(corner, wide, 0.22, facecolor=color, edgecolor=INK, lw=0.6)
        )
        middle = left + (i + 0.5) * wide
        sheet.text(
            middle,
            foot + 0.28,
            mark,
            ha="center",
            va="center",
            fontsize=SMALLEST,
            color=ink_on(color),
        )
        sheet.text(
            middle,
            foot + 0.14,
            wrapped(name, max(3, int(wide / 0.095))),
            ha="center",
            va="top",
            fontsize=SMALLEST,
            linespacing=1.0,
        )
    return 3.0


def step_marks(names: Sequence[str]) -> list[str]:
    """Shortest beginnings that tell names apart, for cells with little room."""
    for length in (1, 2):
        marks = [name.strip()[:length].capitalize() for name in names]
        if len(set(marks)) == len(marks) and all(marks):
            return marks
    return [str(i + 1) for i in range(len(names))]
