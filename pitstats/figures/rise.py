"""How far items rose, third by third."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.analysis.heat.rise import RiseComparison
from pitstats.figures.style import EMBER, INK, SOFT, house_style, two_in_a_row, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PARTS = ("near", "middle", "far")


def plot_rise(rise: RiseComparison) -> Figure:
    """Draw the rise by thirds of the grate.

    Parameters
    ----------
    rise : RiseComparison
        As returned by `compare_rise`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit with rises, on one scale: diamonds with intervals.

    Examples
    --------
    >>> import pitstats as ps
    >>> rise = ps.compare_rise(ps.demo_study("probed_pits"))
    >>> len(ps.plot_rise(rise).axes)
    2
    """
    from matplotlib.ticker import MaxNLocator

    pits = list(dict.fromkeys(rise.parts["pit"]))
    with house_style():
        figure, panels = two_in_a_row(len(pits), height=2.1)
        for axes, pit in zip(panels, pits, strict=True):
            own = rise.parts[rise.parts["pit"] == pit].set_index("part")
            _draw(axes, own.reindex(list(_PARTS)))
            axes.set_title(wrapped(pit, 16))
            axes.margins(y=0.25)
            axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        figure.supylabel("Rise, mm")
    return figure


def _draw(axes: Axes, parts: pd.DataFrame) -> None:
    """Draw estimates with their low and high ends."""
    at = np.arange(3)
    values, low, high = (
        parts[name].to_numpy(dtype=float)
        for name in ("estimate", "conf_low", "conf_high")
    )
    axes.plot(at, values, color=SOFT, linewidth=0.8)
    axes.vlines(at, low, high, color=EMBER, alpha=0.35, linewidth=9)
    axes.plot(at, values, "D", color=EMBER, markersize=8, gid="estimates")
    for x, (value, top) in enumerate(zip(values, high, strict=True)):
        if math.isnan(value):
            axes.annotate(
                "none",
                (x, 0.5),
                xycoords=axes.get_xaxis_transform(),
                ha="center",
                color=SOFT,
                rotation=90,
            )
            continue
        axes.annotate(
            f"{value:.0f}",
            (x, value if math.isnan(top) else top),
            xytext=(0, 5 if not math.isnan(top) else 9),
            textcoords="offset points",
            ha="center",
            color=INK,
        )
    axes.set_xticks(at, ["near", "middle", "far"])
    axes.set_xlim(-0.5, 2.5)
    axes.grid(axis="y")
