"""One picture of every alternative: how far does it move the answer."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

import pandas as pd

from pitstats.analysis.sensitivity.sensitivity import Sensitivity
from pitstats.figures import marks
from pitstats.figures.style import (
    EMBER,
    INK,
    SMALLEST,
    SOFT,
    house_style,
    one_panel,
    shorten,
)
from pitstats.study.percent import MINUS, level_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WRAP = 34


def plot_sensitivity(found: Sensitivity, pair: tuple[str, str] | None = None) -> Figure:
    """Draw how far each alternative moves the difference of one pair of pits.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.
    pair : (str, str), optional
        The pair; the one with the largest difference when not given.

    Returns
    -------
    matplotlib.figure.Figure
        One row per idea. Shaded: the interval as reported, seen from the difference;
        solid line: no difference left. Diamond: the member that tips the answer, else
        the one that moves it furthest, with the range over all members; open and named
        where it tips.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> figure = ps.plot_sensitivity(ps.check_sensitivity(study))
    >>> figure.axes[0].get_xlabel()
    'Moves Quarry \N{MINUS SIGN} Ferry by, points'
    """
    pair = found.leading_pair if pair is None else pair
    own = found.of_pair(*pair)
    reported, rows = own.iloc[0], own.iloc[1:]
    labels = [_label(row) for _, row in rows.iterrows()]
    y, height = _heights(labels)
    with house_style():
        figure, axes = one_panel(2.4 + 0.27 * height)
        _background(axes, reported)
        for place, (_, row) in zip(y, rows.iterrows(), strict=True):
            _draw_row(axes, place, row)
        _finish(axes, y, labels, pair, rows)
        _legend(figure, found)
    return figure


def _label(row: pd.Series) -> str:
    family = shorten(str(row["family"]).capitalize(), 30)
    return f"{family}:\n{fill(shorten(row['alternative'], 66), _WRAP)}"


def _heights(labels: list[str]) -> tuple[list[float], float]:
    """Place of each row from above, in lines of text, and their total."""
    places, top = [], 0.0
    for label in labels:
        lines = label.count("\n") + 1
        places.append(top + lines / 2)
        top += lines + 0.5
    return places, top


def _background(axes: Axes, reported: pd.Series) -> None:
    ends = [
        100 * (reported[f"simultaneous_{end}"] - reported["estimate"])
        for end in ("low", "high")
    ]
    axes.axvspan(*ends, color=EMBER, alpha=0.14, linewidth=0, zorder=0, gid="interval")
    axes.axvline(0, color=SOFT, linewidth=1.2, linestyle=(0, (4, 3)), gid="reported")
    axes.axvline(-100 * reported["estimate"], color=INK, linewidth=1, gid="none left")


def _draw_row(axes: Axes, y: float, row: pd.Series) -> None:
    axes.plot(
        [100 * row["shift_from"], 100 * row["shift_to"]],
        [y, y],
        color=EMBER,
        linewidth=2,
        solid_capstyle="butt",
        gid="range",
    )
    axes.plot(
        100 * row["shift"],
        y,
        "D",
        markersize=7.5,
        color=EMBER,
        markerfacecolor="white" if row["tips"] else EMBER,
        markeredgecolor=INK if row["tips"] else EMBER,
        markeredgewidth=1.6,
        gid="tips" if row["tips"] else "shift",
    )
    if row["tips"]:
        axes.annotate(
            str(row["verdict"]),
            (100 * max(row["shift_to"], row["shift"]), y),
            xytext=(9, 0),
            textcoords="offset points",
            va="center",
            fontsize=SMALLEST,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.8},
            gid="verdict",
            annotation_clip=False,
        )


def _finish(
    axes: Axes,
    y: list[float],
    labels: list[str],
    pair: tuple[str, str],
    rows: pd.DataFrame,
) -> None:
    axes.set_yticks(y, labels, fontsize=12)
    axes.set_ylim((y[-1] if y else 0.0) + 1.8, -0.4)
    first, second = (shorten(name, 16) for name in pair)
    axes.set_xlabel(f"Moves {first} {MINUS} {second} by, points", loc="right")
    low, high = axes.get_xlim()
    if rows["tips"].any():
        # Room on the right for the name of another verdict.
        axes.set_xlim(low, high + 0.3 * (high - low))
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")


def _legend(figure: Figure, found: Sensitivity) -> None:
    from matplotlib.patches import Patch

    level = f"{level_text(found.conf_level)} interval as reported"
    if len(found.leading.table) > 1:
        level += ", all pairs"
    open_diamond = {
        "marker": "D",
        "markerfacecolor": "white",
        "markeredgecolor": INK,
        "markeredgewidth": 1.6,
    }
    handles = [
        marks.entry("moves it by, range", color=EMBER, marker="D", linewidth=2),
        Patch(color=EMBER, alpha=0.14, label=level),
        marks.entry("tips: another verdict", **open_diamond, linestyle=""),
        marks.entry("no difference left", color=INK, linewidth=1),
    ]
    figure.legend(handles=handles, loc="outside lower center", handlelength=1.6)
