"""How far items rose, beside how many burned: two things that heat does."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.analysis.heat.rise import RiseComparison
from pitstats.analysis.results import Evenness
from pitstats.figures.style import EMBER, INK, LINE, SOFT, house_style, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PARTS = ("near", "middle", "far")
_ENDS = ("_low", "_high")


def plot_rise(rise: RiseComparison, evenness: Evenness | None = None) -> Figure:
    """Draw the rise by thirds of the grate, beside the burned share where given.

    Parameters
    ----------
    rise : RiseComparison
        As returned by `compare_rise`.
    evenness : Evenness, optional
        As returned by `compare_evenness` of the same study.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit with rises: left the rise in mm, right the share burned, each
        column on one scale; diamonds with intervals.

    Examples
    --------
    >>> import pitstats as ps
    >>> rise = ps.compare_rise(ps.demo_study("probed_pits"))
    >>> len(ps.plot_rise(rise).axes)
    2
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    pits = list(dict.fromkeys(rise.parts["pit"]))
    n_columns = 1 if evenness is None else 2
    with house_style():
        figure = Figure(figsize=(7.2, 0.9 + 2.1 * len(pits)), layout="constrained")
        grid = figure.subplots(len(pits), n_columns, squeeze=False, sharey="col")
        for axes, pit in zip(grid[:, 0], pits, strict=True):
            own = rise.parts[rise.parts["pit"] == pit].set_index("part")
            own = own.reindex(list(_PARTS))
            _draw(
                axes, [own[c] for c in ("estimate", "conf_low", "conf_high")], "{:.0f}"
            )
            axes.set_title(shorten(pit, 20))
            axes.margins(y=0.25)
            axes.set_ylabel("Rise, mm")
            axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        if evenness is not None:
            _draw_burned(list(grid[:, 1]), pits, evenness)
    return figure


def _draw_burned(grid: list[Axes], pits: list[str], evenness: Evenness) -> None:
    from matplotlib.ticker import PercentFormatter

    table = evenness.table.set_index("pit")
    for axes, pit in zip(grid, pits, strict=True):
        row = table.loc[pit]
        values = [
            pd.Series([row[f"{part}{end}"] for part in _PARTS]) for end in ("", *_ENDS)
        ]
        _draw(axes, values, "{:.0%}")
        axes.set_ylim(0, 1.15)
        axes.set_yticks([0, 0.5, 1.0])
        axes.yaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_ylabel("Burned")


def _draw(axes: Axes, columns: list[pd.Series[float]], text: str) -> None:
    """Draw estimates with their low and high ends."""
    at = np.arange(3)
    values, low, high = (column.to_numpy(dtype=float) for column in columns)
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
            text.format(value),
            (x, value if math.isnan(top) else top),
            xytext=(0, 5 if not math.isnan(top) else 9),
            textcoords="offset points",
            ha="center",
            color=INK,
        )
    axes.set_xticks(at, ["near\nfirebox", "middle", "far\nend"])
    axes.set_xlim(-0.5, 2.5)
    axes.grid(axis="y", color=LINE, linewidth=0.8)
    axes.set_axisbelow(True)
