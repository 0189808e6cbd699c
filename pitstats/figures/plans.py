"""Power curves: the chance to tell pits apart, by bakes and items."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pitstats.figures.style import COLUMN, EMBER, INK, SOFT, house_style
from pitstats.planning.designs import SPREADS
from pitstats.planning.power import BakePlan

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MARKERS = ("o", "s", "^", "D", "v", "P")


def plot_power(plan: BakePlan, *, wanted: float = 0.8) -> Figure:
    """Draw the chance to separate the pits against the number of bakes.

    Parameters
    ----------
    plan : BakePlan
        As returned by `plan_bakes`, with the same bakes and items in every pit.
    wanted : float, default 0.8
        Chance to mark with a line.

    Returns
    -------
    matplotlib.figure.Figure
        One panel for each spread between bakes; one line for each number of items a
        bake, with bars of one Monte-Carlo standard error; dashed, what a formula
        promises if every item counted on its own (for the largest number of items).

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], [12], simulations=200, rng=1)
    >>> len(ps.plot_power(plan).axes)
    1
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import PercentFormatter

    table = plan.table
    spreads = list(dict.fromkeys(table["sd_bake"].tolist()))
    with house_style():
        figure = Figure(
            figsize=(COLUMN, 1.0 + 2.5 * len(spreads)), layout="constrained"
        )
        grid = figure.subplots(len(spreads), 1, squeeze=False, sharex=True)
        for axes, spread in zip(grid[:, 0], spreads, strict=True):
            own = table[table["sd_bake"] == spread]
            _draw_spread(axes, own.to_dict("list"))
            axes.axhline(wanted, color=INK, linewidth=0.8, label="chance wanted")
            axes.set_title(_mood(float(spread)), fontsize=12)
            axes.set_ylim(0, 1)
            axes.yaxis.set_major_formatter(PercentFormatter(1.0))
            axes.grid(axis="y")
        bottom = grid[-1, 0]
        bottom.set_xlabel("Bakes of each pit")
        bottom.set_xticks(sorted({int(b) for b in table["bakes"]}))
        figure.supylabel("Chance to separate the pits")
        handles, labels = grid[0, 0].get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="outside lower center",
            ncols=2,
        )
    return figure


def _mood(spread: float) -> str:
    words = {value: word for word, value in SPREADS.items()}
    name = f"{words[spread]} fires: " if spread in words else ""
    return f"{name}spread between bakes {spread:g}".capitalize()


def _draw_spread(axes: Axes, columns: dict[str, list[float]]) -> None:
    items = np.array(columns["items"], dtype=int)
    bakes = np.array(columns["bakes"], dtype=int)
    power = np.array(columns["power"], dtype=float)
    error = np.array(columns["power_error"], dtype=float)
    naive = np.array(columns["naive_power"], dtype=float)
    sizes = sorted(set(items.tolist()))
    shades = np.linspace(0.45, 1.0, len(sizes))
    for marker, alpha, n in zip(_MARKERS * len(sizes), shades, sizes, strict=False):
        own = items == n
        axes.errorbar(
            bakes[own],
            power[own],
            yerr=error[own],
            color=EMBER,
            alpha=float(alpha),
            marker=marker,
            markersize=6,
            linewidth=1.6,
            label=f"{n} items a bake",
        )
    most = items == sizes[-1]
    axes.plot(
        bakes[most],
        naive[most],
        color=SOFT,
        linestyle="--",
        linewidth=1.2,
        label=f"if each of {sizes[-1]} items counted",
    )
