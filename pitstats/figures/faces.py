"""Faces of items compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pitstats.analysis.places.faces import FaceComparison
from pitstats.figures.style import (
    COLUMN,
    EMBER,
    INK,
    SMALLEST,
    SOFT,
    house_style,
    name_rows,
    shorten,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
            figsize=(COLUMN, (0.95 + 0.22 * most) * len(contrasts) + 0.2),
            layout="constrained",
        )
        panels = figure.subplots(len(contrasts), 1, squeeze=False)[:, 0]
        for axes, name in zip(panels, contrasts, strict=True):
            _draw_contrast(axes, table[table["contrast"] == name])
    return figure


def _draw_contrast(axes: Axes, own: pd.DataFrame) -> None:
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
    name_rows(axes, labels)
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        weight = "bold" if row["part"] == "all" else "normal"
        tick.set(fontsize=SMALLEST, fontweight=weight)
    axes.set_xlim(-105, 105)
    axes.set_title(f"{first} and {second}", fontsize=12)
    axes.set_xlabel(
        f"\N{LEFTWARDS ARROW} {second} darker | {first} darker \N{RIGHTWARDS ARROW}"
        "   (points of items)",
        fontsize=SMALLEST,
    )
    axes.grid(axis="x")
