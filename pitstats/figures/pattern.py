"""Patterns bake by bake, and faces of items compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pitstats.analysis.places.faces import FaceComparison
from pitstats.analysis.places.pattern import GratePatterns
from pitstats.figures.style import (
    EMBER,
    INK,
    LINE,
    SOFT,
    house_style,
    lowest_panels,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_THIRDS = ("near", "middle", "far")
_WIDTH = 5.6
_SAID = {
    "repeatable": "repeatable pattern",
    "in these bakes": "pattern in these bakes",
    "in this bake": "pattern in this bake",
    "none shown": "none shown by this test",
    "cannot be judged": "cannot be judged",
}
_MARKS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")


def plot_patterns(patterns: GratePatterns) -> Figure:
    """Draw every bake from the firebox third to the far third, pit by pit.

    Parameters
    ----------
    patterns : GratePatterns
        As returned by `map_patterns`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit with a line for each bake (or a mark where only one third had
        items) and a thick line for their mean; the title says what was found.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = plot_patterns(ps.map_patterns(ps.demo_study("one_bake_each")))
    >>> [axes.get_title(loc="left").splitlines() for axes in figure.axes]
    [['Quarry:', 'none shown by this test'], ['Ferry:', 'none shown by this test']]
    """
    from matplotlib.figure import Figure

    pits = patterns.table["pit"].tolist()
    zones = patterns.zones[patterns.zones["zone"].isin(_THIRDS)]
    with house_style():
        n_rows = -(-len(pits) // 2)
        figure = Figure(figsize=(_WIDTH, 0.5 + 2.3 * n_rows), layout="constrained")
        grid = figure.subplots(
            n_rows, min(2, len(pits)), sharex=True, sharey=True, squeeze=False
        )
        for axes, pit, verdict in zip(
            grid.flat, pits, patterns.table["verdict"], strict=False
        ):
            own = zones[zones["pit"] == pit].pivot_table(
                index="bake", columns="zone", values="inside", sort=False
            )
            _draw_bakes(axes, own.reindex(columns=list(_THIRDS)).to_numpy(dtype=float))
            axes.set_title(f"{shorten(pit, 18)}:\n{_SAID[verdict]}", fontsize=10.5)
        for axes in grid.flat[len(pits) :]:
            axes.remove()
        for axes in lowest_panels(grid, len(pits)):
            axes.tick_params(labelbottom=True)
        _label(figure, grid[0][0], patterns.value)
    return figure


def _draw_bakes(axes: Axes, bakes: np.ndarray) -> None:
    at = np.arange(3)
    for i, values in enumerate(bakes):
        axes.plot(
            at,
            values,
            color=SOFT,
            linewidth=1,
            marker=_MARKS[i % len(_MARKS)],
            markersize=5,
            alpha=0.8,
            gid="bake",
        )
    known = ~np.isnan(bakes)
    mean = np.full(3, np.nan)
    some = known.any(axis=0)
    mean[some] = np.nansum(bakes, axis=0)[some] / known.sum(axis=0)[some]
    axes.plot(at, mean, color=EMBER, linewidth=3, gid="mean", zorder=3)
    axes.set_xticks(at, list(_THIRDS))
    axes.set_xlim(-0.25, 2.25)
    axes.grid(axis="y", color=LINE, linewidth=0.8)


def _label(figure: Figure, axes: Axes, value: str) -> None:
    from matplotlib.ticker import PercentFormatter

    if value == "burned":
        axes.set_ylim(-0.04, 1.04)
        axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    words = {
        "burned": "share burned",
        "grade": "mean rank, dark is high",
        "rise": "rise, mm",
    }
    figure.supylabel(words[value], fontsize=11)
    figure.supxlabel("third of the grate, from the firebox to the far end", fontsize=11)


def plot_faces(faces: FaceComparison) -> Figure:
    """Draw how much more often one face is darker than the other, third by third.

    Parameters
    ----------
    faces : FaceComparison
        As returned by `compare_faces`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per contrast; for each pit the whole grate with its interval in bold,
        the thirds below it.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = plot_faces(ps.compare_faces(ps.demo_study("one_bake_each")))
    >>> figure.axes[0].get_title(loc="left")
    'top and bottom'
    """
    from matplotlib.figure import Figure

    table = faces.table
    contrasts = table["contrast"].unique()
    most = max(len(table[table["contrast"] == name]) for name in contrasts)
    with house_style():
        figure = Figure(
            figsize=(_WIDTH, (0.95 + 0.22 * most) * len(contrasts) + 0.2),
            layout="constrained",
        )
        panels = figure.subplots(len(contrasts), 1, squeeze=False)[:, 0]
        for axes, name in zip(panels, contrasts, strict=True):
            _draw_contrast(axes, table[table["contrast"] == name])
    return figure


def _draw_contrast(axes: Axes, own: object) -> None:
    import pandas as pd

    assert isinstance(own, pd.DataFrame)
    first, second = own[["first", "second"]].iloc[0]
    order = {pit: i for i, pit in enumerate(own["pit"].unique())}
    parts = {"all": 0, "near": 1, "middle": 2, "far": 3}
    rows = sorted(
        own.to_dict("records"), key=lambda r: (order[r["pit"]], parts[r["part"]])
    )
    labels = []
    for y, row in enumerate(rows):
        whole = row["part"] == "all"
        axes.plot(
            [100 * row["darker_low"], 100 * row["darker_high"]],
            [y, y],
            color=EMBER if whole else SOFT,
            linewidth=4 if whole else 1.5,
            solid_capstyle="butt",
            gid="interval",
        )
        axes.plot(
            100 * row["darker_difference"],
            y,
            marker="o",
            color=INK,
            markersize=7 if whole else 4.5,
        )
        labels.append(shorten(row["pit"], 16) if whole else row["part"])
    axes.axvline(0, color=INK, linewidth=1)
    axes.set_yticks(range(len(rows)), labels, fontsize=10)
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        tick.set_fontweight("bold" if row["part"] == "all" else "normal")
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(-105, 105)
    axes.set_title(f"{first} and {second}", fontsize=12)
    axes.set_xlabel(
        f"\N{LEFTWARDS ARROW} {second} darker | {first} darker \N{RIGHTWARDS ARROW}"
        "   (points of items)",
        fontsize=11,
    )
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color=LINE, linewidth=0.8)
    axes.spines["left"].set_visible(False)
