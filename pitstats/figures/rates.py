"""The one picture: each pit's rate with its interval, and every bake as a dot."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pitstats.analysis.rates.pairs import seen_ahead
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.figures import marks
from pitstats.figures.style import (
    EMBER,
    INK,
    LINE,
    SOFT,
    house_style,
    name_rows,
    one_panel,
    wrapped,
)
from pitstats.study.percent import MINUS, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_AXIS_LABEL = {
    "burned": "Share of items burned",
    "underbaked": "Share of items under-baked",
    "good": "Share of items baked to target",
}


def plot_rates(rates: BurnRates) -> Figure:
    """Draw each pit's long-run share with its interval, and every bake as a dot.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit. Thick bar: interval with the bake as the unit; thin gray bar:
        interval if every item counted as independent; open circles: bakes, their
        area in proportion to their graded items.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_rates(ps.estimate_burn_rates(ps.demo_study("four_pits")))
    >>> figure.axes[0].get_xlabel()
    'Share of items burned'
    """
    table = rates.table
    n_pits = len(table)
    # One bake each: what was seen leads, and the long run is hardly more than a guess.
    seen_only = bool(table["n_bakes"].max() <= 1)
    with house_style():
        figure, axes = one_panel(1.5 + 0.8 * n_pits)
        for y, (row, naive) in enumerate(
            zip(table.to_dict("records"), rates.naive.to_dict("records"), strict=True)
        ):
            _draw_pit(axes, y, row, naive, seen_only=seen_only)
            own = rates.bakes[rates.bakes["pit"] == row["pit"]].dropna(subset=["share"])
            shares = own["share"].to_numpy(dtype=float)
            size = own["n_items"].astype(float) * 3.5 + 12
            marks.draw_bakes(
                axes, shares, y + 0.26 + _stagger(shares), size=size, clip=False
            )
        _finish(axes, rates)
    return figure


def _draw_pit(
    axes: Axes,
    y: int,
    row: Mapping[Hashable, Any],
    naive: Mapping[Hashable, Any],
    *,
    seen_only: bool,
) -> None:
    if np.isnan(row["estimate"]):
        axes.text(0.01, y - 0.12, "nothing graded", va="center", color=SOFT)
        return
    at, alpha = y - 0.12, 0.12 if seen_only else 0.35
    marks.draw_interval(axes, row["conf_low"], row["conf_high"], at, alpha=alpha)
    if seen_only:
        seen = row["n_burned"] / row["n_items"]
        _number_above(axes, f"{row['n_burned']} of {row['n_items']}", seen, y + 0.26)
        return
    axes.plot(
        [naive["conf_low"], naive["conf_high"]],
        [at, at],
        color=INK,
        linewidth=1.2,
        gid="naive interval",
    )
    axes.plot(
        row["estimate"], at, marker="D", markersize=9, color=EMBER, gid="estimate"
    )
    _number_above(axes, percent(row["estimate"]), row["estimate"], at)


def _number_above(axes: Axes, text: str, x: float, y: float) -> None:
    # At an edge the text would run into the name of the pit, or off the picture.
    side = "left" if x < 0.08 else "right" if x > 0.92 else "center"
    marks.write_above(axes, text, x, y, side=side)


def _stagger(shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """Vertical steps so that bakes with near equal shares do not hide each other."""
    steps = np.zeros(shares.size)
    for before, here in pairwise(np.argsort(shares, kind="stable")):
        near = shares[here] - shares[before] < 0.03
        steps[here] = steps[before] + 1 if near else 0
    # Many bakes share the room that there is.
    most = float(steps.max(initial=0.0))
    return np.asarray(steps * min(0.11, 0.42 / max(most, 1.0)))


def _finish(axes: Axes, rates: BurnRates) -> None:
    from matplotlib.ticker import PercentFormatter

    labels = []
    for row in rates.table.to_dict("records"):
        n_bakes, n_items = row["n_bakes"], row["n_items"]
        bakes = "bake" if n_bakes == 1 else "bakes"
        labels.append(f"{wrapped(row['pit'])}\n{n_bakes} {bakes}, {n_items} items")
    name_rows(axes, labels)
    # Room for the dots of bakes in which none or all burned.
    axes.set_xlim(-0.025, 1.025)
    axes.xaxis.set_major_formatter(PercentFormatter(1.0))
    axes.set_xlabel(_AXIS_LABEL[rates.outcome])
    axes.grid(axis="x")
    handles = [
        marks.estimate_entry("long-run share"),
        marks.interval_entry(rates.conf_level),
        marks.entry("if each item counted", color=INK, linewidth=1.2),
        marks.bake_entry(),
    ]
    if rates.table["n_bakes"].max() <= 1:
        handles = [marks.bake_entry(), marks.interval_entry(rates.conf_level)]
    axes.figure.legend(
        handles=handles,
        loc="outside lower center",
        ncols=2,
        handlelength=1.6,
    )


def plot_differences(comparison: PitComparison) -> Figure:
    """Draw the difference of every pair with its intervals around zero.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pair: thick bar the interval of the pair alone, thin bar the
        interval that allows for all pairs, shaded band the margin if one was stated.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_differences(ps.compare_pits(ps.demo_study("four_pits")))
    >>> len(figure.axes[0].get_yticks())
    6
    """
    table = comparison.table
    with house_style():
        figure, axes = one_panel(1.4 + 0.5 * len(table))
        if comparison.margin is not None:
            axes.axvspan(
                -100 * comparison.margin,
                100 * comparison.margin,
                color=LINE,
                alpha=0.5,
                zorder=0,
                label="stated margin",
            )
        axes.axvline(0, color=INK, linewidth=1)
        # The pit that burned more first: no difference below zero.
        pairs = seen_ahead(table).to_dict("records")
        for y, row in enumerate(pairs):
            axes.plot(
                [100 * row["simultaneous_low"], 100 * row["simultaneous_high"]],
                [y, y],
                color=INK,
                linewidth=1.2,
                gid="simultaneous",
                label="interval, all pairs" if y == 0 and len(table) > 1 else None,
            )
            own = "interval, this pair alone" if y == 0 else None
            low, high = 100 * row["conf_low"], 100 * row["conf_high"]
            marks.draw_interval(axes, low, high, y, label=own)
            axes.plot(
                100 * row["estimate"], y, "D", color=EMBER, markersize=8, gid="estimate"
            )
        labels = [_pair_label(row["pit_a"], row["pit_b"]) for row in pairs]
        name_rows(axes, labels, above=0.5, below=0.5)
        axes.set_xlabel("Points, first pit minus second")
        axes.grid(axis="x")
        figure.legend(loc="outside lower center")
    return figure


def _pair_label(more: object, less: object) -> str:
    between = " " if len(f"{more}{less}") <= 16 else "\n"
    return f"{wrapped(more)} {MINUS}{between}{wrapped(less)}"
