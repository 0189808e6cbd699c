"""One picture of every alternative: would the answer change."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

import pandas as pd

from pitstats.analysis.sensitivity.sensitivity import AS_REPORTED, Sensitivity
from pitstats.figures.style import EMBER, INK, LINE, SOFT, house_style, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Alternatives of one family that are all shown; of more, the two ends.
_MOST = 4
_WRAP = 29


def plot_sensitivity(found: Sensitivity, pair: tuple[str, str] | None = None) -> Figure:
    """Draw the difference of one pair of pits under every alternative.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.
    pair : (str, str), optional
        The pair; the one with the largest difference when not given.

    Returns
    -------
    matplotlib.figure.Figure
        One row per alternative, grouped by what it is about; of families with more
        than four the lowest and the highest. Bar: the interval that decides. Filled
        diamond: the verdict as reported; open diamond: another verdict, named.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> figure = ps.plot_sensitivity(ps.check_sensitivity(study))
    >>> figure.axes[0].get_xlabel()
    'Points, Quarry \N{MINUS SIGN} Ferry'
    """
    from matplotlib.figure import Figure

    pair = found.leading_pair if pair is None else pair
    rows = _rows(found.of_pair(*pair))
    y, height = _heights([label for label, _ in rows])
    with house_style():
        figure = Figure(figsize=(7.2, 1.6 + 0.25 * height), layout="constrained")
        axes = figure.subplots()
        _background(axes, found, rows)
        for place, (_, row) in zip(y, rows, strict=True):
            if row is not None:
                _draw_row(axes, place, row)
        _finish(axes, y, rows, pair)
        _legend(figure, found)
    return figure


def _rows(own: pd.DataFrame) -> list[tuple[str, pd.Series | None]]:
    """Labels with the row to draw; None for the heading of a family."""
    rows: list[tuple[str, pd.Series | None]] = []
    for about, group in own.groupby("about", sort=False):
        if about == AS_REPORTED:
            rows.append(("As reported", group.iloc[0]))
            continue
        heading = str(about).capitalize()
        if len(group) > _MOST:
            ends = [int(group["estimate"].argmin()), int(group["estimate"].argmax())]
            heading += f" ({len(group)}: ends)"
            group = group.iloc[ends]
        rows.append((heading, None))
        rows += [(_label(row), row) for _, row in group.iterrows()]
    return rows


def _label(row: pd.Series) -> str:
    return fill(shorten(row["alternative"], 58), _WRAP)


def _heights(labels: list[str]) -> tuple[list[float], float]:
    """Place of each row from above, in lines of text, and their total."""
    places, top = [], 0.0
    for label in labels:
        lines = label.count("\n") + 1
        places.append(top + lines / 2)
        top += lines + 0.15
    return places, top


def _background(
    axes: Axes, found: Sensitivity, rows: list[tuple[str, pd.Series | None]]
) -> None:
    margin = found.leading.margin
    if margin is not None:
        axes.axvspan(
            -100 * margin, 100 * margin, color=LINE, alpha=0.45, zorder=0, gid="margin"
        )
    axes.axvline(0, color=INK, linewidth=1)
    reported = rows[0][1]
    if reported is not None:
        axes.axvline(
            100 * reported["estimate"],
            color=SOFT,
            linewidth=1.2,
            linestyle=(0, (4, 3)),
            gid="reported",
        )


def _draw_row(axes: Axes, y: float, row: pd.Series) -> None:
    changed = not row["stands"]
    ends = [100 * row["simultaneous_low"], 100 * row["simultaneous_high"]]
    axes.plot(
        ends,
        [y, y],
        color=SOFT if changed else EMBER,
        alpha=0.35,
        linewidth=6,
        solid_capstyle="butt",
        gid="interval",
    )
    axes.plot(
        100 * row["estimate"],
        y,
        "D",
        markersize=7.5,
        color=EMBER,
        markerfacecolor="white" if changed else EMBER,
        markeredgecolor=INK if changed else EMBER,
        markeredgewidth=1.6,
        gid="changed" if changed else "estimate",
    )
    if changed:
        axes.annotate(
            str(row["verdict"]),
            (max(ends), y),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=11,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.8},
            gid="verdict",
            annotation_clip=False,
        )


def _finish(
    axes: Axes,
    y: list[float],
    rows: list[tuple[str, pd.Series | None]],
    pair: tuple[str, str],
) -> None:
    axes.set_yticks(y, [label for label, _ in rows], fontsize=12)
    for tick, (_, row) in zip(axes.get_yticklabels(), rows, strict=True):
        if row is None or row["about"] == AS_REPORTED:
            tick.set_fontweight("bold")
    axes.set_ylim(y[-1] + 1.2, -0.4)
    first, second = (shorten(name, 16) for name in pair)
    axes.set_xlabel(f"Points, {first} \N{MINUS SIGN} {second}")
    drawn = [row for _, row in rows if row is not None]
    low = min(float(row["simultaneous_low"]) for row in drawn)
    high = max(float(row["simultaneous_high"]) for row in drawn)
    # Room on the right for the name of another verdict.
    room = 0.05 if all(bool(row["stands"]) for row in drawn) else 0.34
    span = high - low
    axes.set_xlim(100 * (low - 0.05 * span), 100 * (high + room * span))
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=LINE, linewidth=0.8)
    axes.set_axisbelow(True)


def _legend(figure: Figure, found: Sensitivity) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    level = f"{100 * found.conf_level:g}% interval"
    if len(found.leading.table) > 1:
        level += ", all pairs"
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=EMBER, marker="D", ls="", label="verdict as reported"),
        Line2D([], [], color=EMBER, alpha=0.35, linewidth=6, label=level),
        Line2D(
            [],
            [],
            marker="D",
            ls="",
            markerfacecolor="white",
            markeredgecolor=INK,
            markeredgewidth=1.6,
            label="another verdict",
        ),
    ]
    if found.leading.margin is not None:
        handles.append(Patch(color=LINE, alpha=0.45, label="margin stated before"))
    figure.legend(
        handles=handles,
        loc="outside lower center",
        ncols=2,
        frameon=False,
        fontsize=11,
        handlelength=1.6,
    )
