"""How evenly each pit burns: near, middle and far, one small picture per pit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from pitstats.analysis.results import Evenness
from pitstats.figures.style import EMBER, LINE, SOFT, house_style, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PARTS = ("near", "middle", "far")


def plot_evenness(evenness: Evenness) -> Figure:
    """Draw the burn rates of the near, middle and far third of every pit.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit on one scale: diamonds are long-run rates, bars their
        intervals. A third without graded items is left empty and says so.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_evenness(ps.compare_evenness(ps.demo_study("one_bake_each")))
    >>> len(figure.axes)
    2
    """
    from matplotlib.figure import Figure

    rows = evenness.table.to_dict("records")
    n_rows = math.ceil(len(rows) / 2)
    with house_style():
        figure = Figure(figsize=(7.2, 0.6 + 2.3 * n_rows), layout="constrained")
        grid = figure.subplots(n_rows, 2, squeeze=False, sharey=True)
        for axes, row in zip(grid.flat, rows, strict=False):
            _draw_pit(axes, row)
        for axes in grid.flat[len(rows) :]:
            axes.remove()
        figure.supylabel("Share of items burned", fontsize=12)
    return figure


def _draw_pit(axes: Axes, row: dict[Any, Any]) -> None:
    from matplotlib.ticker import PercentFormatter

    rates = np.array([row[part] for part in _PARTS], dtype=float)
    low = np.array([row[f"{part}_low"] for part in _PARTS], dtype=float)
    high = np.array([row[f"{part}_high"] for part in _PARTS], dtype=float)
    at = np.arange(3)
    axes.plot(at, rates, color=SOFT, linewidth=0.8)
    axes.vlines(at, low, high, color=EMBER, alpha=0.35, linewidth=9)
    axes.plot(at, rates, "D", color=EMBER, markersize=8, gid="rates")
    for x, (rate, top) in enumerate(zip(rates, high, strict=True)):
        if math.isnan(rate):
            axes.text(x, 0.5, "no items", ha="center", color=SOFT, rotation=90)
        else:
            axes.text(x, top + 0.02, f"{100 * rate:.0f}%", ha="center", va="bottom")
    axes.set_xticks(at, ["near\nfirebox", "middle", "far\nend"])
    axes.set_xlim(-0.5, 2.5)
    axes.set_ylim(0, 1.09)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0])
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.grid(axis="y", color=LINE, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_title(shorten(row["pit"], 22))
