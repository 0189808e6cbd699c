"""How evenly each pit burns: near, middle and far, one small picture per pit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pitstats.analysis.results import Evenness
from pitstats.figures.style import EMBER, LINE, SOFT, house_style, two_in_a_row, wrapped
from pitstats.study.percent import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PARTS = ("near", "middle", "far")
# Above 100% the value of a bar that reaches it has room below the title.
_TOP = 1.22
# Half the height of a mark, as a share.
_MARK = 0.06


def plot_evenness(evenness: Evenness, zones: pd.DataFrame | None = None) -> Figure:
    """Draw the burn rates of the near, middle and far third of every pit.

    Parameters
    ----------
    evenness : Evenness
        As returned by `compare_evenness`.
    zones : pandas.DataFrame, optional
        `GratePatterns.zones` of burned items: what each bake saw in the thirds.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit on one scale: diamonds are long-run rates, bars their
        intervals, thin lines single bakes. A third without graded items is left empty
        and says so.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_evenness(ps.compare_evenness(ps.demo_study("one_bake_each")))
    >>> len(figure.axes)
    2
    """
    rows = evenness.table.to_dict("records")
    with house_style():
        figure, panels = two_in_a_row(len(rows), height=2.5)
        for axes, row in zip(panels, rows, strict=True):
            if zones is not None:
                _draw_bakes(axes, zones[zones["pit"] == row["pit"]])
            _draw_pit(axes, row)
        figure.supylabel("Share of items burned")
    return figure


def _draw_bakes(axes: Axes, zones: pd.DataFrame) -> None:
    """What each bake saw, as a line from the near to the far third."""
    seen = zones.pivot_table(index="bake", columns="zone", values="inside", sort=False)
    for _, bake in seen.reindex(columns=list(_PARTS)).iterrows():
        shares = bake.to_numpy(dtype=float)
        axes.plot(range(3), shares, "o-", color=LINE, markersize=4, gid="bake")


def _draw_pit(axes: Axes, row: dict[Any, Any]) -> None:
    from matplotlib.ticker import PercentFormatter

    rates = np.array([row[part] for part in _PARTS], dtype=float)
    low = np.array([row[f"{part}_low"] for part in _PARTS], dtype=float)
    high = np.array([row[f"{part}_high"] for part in _PARTS], dtype=float)
    at = np.arange(3)
    axes.plot(at, rates, color=SOFT, linewidth=0.8)
    axes.vlines(at, low, high, color=EMBER, alpha=0.35, linewidth=9)
    # A mark at 0% or 100% is drawn whole.
    axes.plot(
        at, rates, "D", color=EMBER, markersize=8, gid="rates", clip_on=False, zorder=3
    )
    for x, (rate, top) in enumerate(zip(rates, high, strict=True)):
        if math.isnan(rate):
            axes.text(x, 0.5, "no items", ha="center", color=SOFT, rotation=90)
        else:
            axes.annotate(
                percent(rate),
                (x, top),
                # Above the bar, and above the mark where the bar ends within it.
                xytext=(0, 7 if top - rate < _MARK else 2),
                textcoords="offset points",
                ha="center",
                va="bottom",
                gid="value",
            )
    axes.set_xticks(at, list(_PARTS))
    axes.set_xlim(-0.5, 2.5)
    axes.set_ylim(0, _TOP)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0])
    axes.spines["left"].set_bounds(0, 1)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.grid(axis="y")
    axes.set_title(wrapped(row["pit"], 16))


def plot_curves(curves: pd.DataFrame) -> Figure:
    """Draw the burn probability along the grate for every pit, with bands.

    Parameters
    ----------
    curves : pandas.DataFrame
        As returned by `BurnModel.distance_curve`: ``pit, distance, estimate, conf_low,
        conf_high, n_items``.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit on one scale, from wall to wall; the curve ends with the
        places of the pit's items and is dotted where it had none between them. Items
        at one place are a mark with its interval.

    Examples
    --------
    >>> import pitstats as ps
    >>> model = ps.fit_burn_model(
    ...     ps.demo_study("unfair_order"), "pit * (distance + hump(distance))")
    >>> len(ps.plot_curves(model.distance_curve()).axes)
    3
    """
    pits = list(dict.fromkeys(curves["pit"].tolist()))
    with house_style():
        figure, panels = two_in_a_row(len(pits), height=2.2)
        for axes, pit in zip(panels, pits, strict=True):
            _draw_curve(axes, str(pit), curves[curves["pit"] == pit])
        figure.supylabel("Probability of burning")
    return figure


def _draw_curve(axes: Axes, pit: str, curve: pd.DataFrame) -> None:
    from matplotlib.ticker import PercentFormatter

    at = curve["distance"].to_numpy(dtype=float)
    rate = curve["estimate"].to_numpy(dtype=float)
    low, high = (curve[end].to_numpy(dtype=float) for end in ("conf_low", "conf_high"))
    if len(at) == 1:
        axes.vlines(at, low, high, color=EMBER, alpha=0.2, linewidth=9, gid="band")
        axes.plot(at, rate, "D", color=EMBER, markersize=8, clip_on=False, gid="curve")
    else:
        known = curve["n_items"].to_numpy(dtype=int) > 0
        axes.fill_between(
            at, low, high, color=EMBER, alpha=0.2, linewidth=0, gid="band"
        )
        axes.plot(at, rate, color=EMBER, linestyle=":", linewidth=1.4)
        own = np.where(known, rate, np.nan)
        axes.plot(at, own, color=EMBER, linewidth=2, gid="curve")
    axes.set_xlim(0, 1)
    axes.set_xticks([0.0, 0.5, 1.0], ["firebox\nwall", "middle", "far\nwall"])
    axes.set_ylim(0, 1)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    axes.grid(axis="y")
    axes.set_title(wrapped(pit, 16))
