"""How the figures look: one ink, one ember, readable in print and on a phone."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pitstats.study.cells import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1f1b16"
SOFT = "#6b6359"
LINE = "#d9d2c7"
EMBER = "#a33b12"
HATCH = "#8a8177"

#: Inches. Shown 360 px wide, a text of `SMALLEST` points is 11 px high.
COLUMN = 5.2
SMALLEST = 11.5

# Pale dough to char, in steps of lightness that survive black-and-white print.
BROWNING = ("#f4e6c4", "#e6bf7a", "#c98a3c", "#7d4a1e", "#241710")

# Any as key: matplotlib 3.11 types the names of settings as literals, one by one.
_SETTINGS: dict[Any, Any] = {
    "figure.dpi": 100,
    "savefig.dpi": 200,
    "font.family": "sans-serif",
    # The first one travels with matplotlib: the same picture on every machine.
    "font.sans-serif": ["DejaVu Sans", "Liberation Sans", "Arial", "sans-serif"],
    "font.size": 12,
    "axes.titlesize": 13,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    # Given a height, matplotlib need not look for one among the tick labels.
    "axes.titley": 1.0,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": SOFT,
    "ytick.color": INK,
    "lines.solid_capstyle": "round",
    "patch.edgecolor": "white",
    "patch.force_edgecolor": True,
    "grid.color": LINE,
    "grid.linewidth": 0.8,
    "legend.frameon": False,
    "legend.fontsize": SMALLEST,
    "figure.labelsize": 12,
    "hatch.linewidth": 0.8,
    "hatch.color": HATCH,
    # Names typed by users may hold dollar signs, which must not turn into formulas.
    "text.parse_math": False,
    "text.usetex": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "pitstats",
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw inside this block with the house settings and leave no trace of them.

    What the user set for figures of his own does not reach those of a report.
    """
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        yield


def blend(
    names: Sequence[str], places: npt.ArrayLike
) -> list[tuple[float, float, float]]:
    """Colors between evenly spaced ones.

    Examples
    --------
    >>> blend(("#000000", "#ffffff"), [0.0, 0.5])
    [(0.0, 0.0, 0.0), (0.5, 0.5, 0.5)]
    """
    table = np.array([[int(n[i : i + 2], 16) / 255 for i in (1, 3, 5)] for n in names])
    knots = np.linspace(0, 1, len(table))
    at = np.asarray(places, dtype=float)
    parts = [np.interp(at, knots, channel) for channel in table.T]
    return [(float(r), float(g), float(b)) for r, g, b in zip(*parts, strict=True)]


def browning_steps(n: int) -> list[tuple[float, float, float]]:
    """Colors for ``n`` ordered grades, palest first."""
    return blend(BROWNING, np.linspace(0, 1, n))


def ink_on(color: tuple[float, float, float]) -> str:
    """Black or white, whichever reads better on a color (WCAG relative luminance)."""
    red, green, blue = (
        c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in color[:3]
    )
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return "#ffffff" if luminance < 0.3 else INK


def shorten(text: object, length: int = 26) -> str:
    """Fit a user's text into a label; the tables carry it in full."""
    flat = one_line(text)
    return (
        flat if len(flat) <= length else f"{flat[: length - 1]}\N{HORIZONTAL ELLIPSIS}"
    )


def wrapped(text: object, width: int = 18) -> str:
    r"""Break a user's text over lines rather than cut it.

    Examples
    --------
    >>> wrapped("The long pit behind the barn")
    'The long pit\nbehind the barn'
    """
    return "\n".join(textwrap.wrap(one_line(text), width)) or "?"


def lowest_panels(grid: npt.NDArray[Any], n_panels: int) -> list[Axes]:
    """Panels with none below them; the names of a shared axis belong there.

    Examples
    --------
    >>> lowest_panels(np.array([["a", "b"], ["c", None]]), 3)
    ['b', 'c']
    """
    first = max(n_panels - grid.shape[1], 0)
    return [grid.flat[k] for k in range(first, n_panels)]


def name_rows(
    axes: Axes, labels: Sequence[str], *, above: float = 0.6, below: float = 0.4
) -> None:
    """Name rows from the top down, without a line beside the names."""
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - below, -above)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def one_panel(height: float) -> tuple[Figure, Axes]:
    """A figure with one panel, so many inches high."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(COLUMN, height), layout="constrained")
    axes = figure.subplots()
    # With ticks by the width of the panel, and a width by the last tick's label, the
    # layout hops between two and may end on the one that cuts the label off.
    axes.locator_params(axis="x", nbins=7)
    return figure, axes


def two_in_a_row(n_panels: int, *, height: float) -> tuple[Figure, list[Axes]]:
    """A figure with panels on one scale, two in a row; heights are in inches."""
    from matplotlib.figure import Figure

    n_rows = math.ceil(n_panels / 2)
    size = (COLUMN, 0.6 + height * n_rows)
    figure = Figure(figsize=size, layout="constrained")
    grid = figure.subplots(n_rows, min(n_panels, 2), squeeze=False, sharey=True)
    for axes in grid.flat[n_panels:]:
        axes.remove()
    return figure, grid.flat[:n_panels].tolist()
