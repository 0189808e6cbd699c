"""Marks that figures share: the same thing looks the same, in a legend too."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pitstats.figures.style import EMBER, SOFT
from pitstats.study.percent import level_text

if TYPE_CHECKING:
    import numpy.typing as npt
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D


def draw_interval(
    axes: Axes,
    low: float,
    high: float,
    y: float,
    *,
    alpha: float = 0.35,
    label: str | None = None,
) -> None:
    """Draw the wide bar of an interval."""
    axes.plot(
        [low, high],
        [y, y],
        color=EMBER,
        linewidth=7,
        alpha=alpha,
        solid_capstyle="butt",
        gid="interval",
        label=label,
    )


def draw_bakes(
    axes: Axes,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    size: npt.ArrayLike,
    edge: str = SOFT,
    clip: bool = True,
) -> None:
    """Draw bakes as open circles above whatever else lies there."""
    axes.scatter(
        x,
        y,
        s=size,
        facecolor="white",
        edgecolor=edge,
        linewidth=1.2,
        zorder=3,
        clip_on=clip,
        gid="bakes",
    )


def write_above(
    axes: Axes, text: str, x: float, y: float, *, side: str = "center", up: float = 8
) -> None:
    """Write a number above its mark, ``up`` points away."""
    axes.annotate(
        text,
        (x, y),
        xytext=(0, up),
        textcoords="offset points",
        ha=side,
        fontweight="bold",
    )


def entry(label: str, **looks: Any) -> Line2D:
    """Entry of a legend that looks like a line or a mark."""
    from matplotlib.lines import Line2D

    return Line2D([], [], label=label, **looks)


def estimate_entry(label: str) -> Line2D:
    """Entry of a legend for the diamond of an estimate."""
    return entry(label, color=EMBER, marker="D", linestyle="")


def interval_entry(conf_level: float) -> Line2D:
    """Entry of a legend for the wide bar of an interval."""
    label = f"{level_text(conf_level)} interval"
    return entry(label, color=EMBER, alpha=0.35, linewidth=7)


def bake_entry() -> Line2D:
    """Entry of a legend for the open circle of a bake."""
    looks = {"color": SOFT, "marker": "o", "markerfacecolor": "white", "linestyle": ""}
    return entry("one bake", **looks)
