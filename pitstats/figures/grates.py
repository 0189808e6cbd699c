"""Maps of the grates and bars of the grades."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pitstats.figures.style import (
    HATCH,
    INK,
    SOFT,
    browning_steps,
    house_style,
    ink_on,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

# Inches: room for "firebox end", for the widest grate, around each grate and for the
# scale.
_LEFT, _MAP_WIDTH, _MAP_GAP, _SCALE_HEIGHT = 1.35, 5.7, 0.75, 0.85


def plot_grates(cells: pd.DataFrame) -> Figure:
    """Draw every grate cell by cell, on one scale for all pits.

    Parameters
    ----------
    cells : pandas.DataFrame
        As returned by `map_cells`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per grate, the firebox end on the left and named. A cell shows
        burned / graded and is shaded by that share; hatched cells lost items or had
        none.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_grates(ps.map_cells(ps.demo_study("one_bake_each")))
    >>> [axes.get_title(loc="left") for axes in figure.axes[:2]]
    ['Quarry', 'Ferry']
    """
    from matplotlib.colors import ListedColormap
    from matplotlib.figure import Figure

    panels = list(cells.groupby(["pit", "level", "grate"], sort=False, dropna=False))
    several = cells.groupby("pit")["grate"].nunique().to_dict()
    cell = min(0.62, _MAP_WIDTH / max(int(own["column"].max()) for _, own in panels))
    heights = [int(own["row"].max()) * cell for _, own in panels]
    total = sum(heights) + len(heights) * _MAP_GAP + _SCALE_HEIGHT
    with house_style():
        cmap = ListedColormap(browning_steps(101))
        figure = Figure(figsize=(_LEFT + _MAP_WIDTH + 0.15, total))
        top = total
        for ((pit, _, grate), own), height in zip(panels, heights, strict=True):
            # Placed by hand so that a cell has one size in all pits.
            top -= height + _MAP_GAP
            width = int(own["column"].max()) * cell
            box = (_LEFT, top + 0.32, width, height)
            axes = figure.add_axes(_share_of(figure, box))
            name = shorten(pit)
            if several[pit] > 1:
                name += f", {shorten(grate)} grate"
            _draw_grate(axes, own, name, cmap)
        _scale(figure, cmap)
    return figure


def _share_of(
    figure: Figure, box: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    """Turn inches (left, bottom, width, height) into shares of the figure."""
    wide, high = figure.get_size_inches()
    return box[0] / wide, box[1] / high, box[2] / wide, box[3] / high


def _draw_grate(axes: Axes, cells: pd.DataFrame, name: str, cmap: Colormap) -> None:
    n_rows = int(cells["row"].max())
    own_columns = int(cells["column"].max())
    for cell in cells.to_dict("records"):
        _draw_cell(axes, cell, cmap)
    axes.set_xlim(0, own_columns)
    # As on the printed grids: the door side and row 1 at the bottom.
    axes.set_ylim(0, n_rows)
    axes.set_title(name)
    axes.set_yticks(
        np.arange(n_rows) + 0.5, ["door 1", *map(str, range(2, n_rows + 1))]
    )
    axes.set_xticks(
        np.arange(own_columns) + 0.5, [str(i + 1) for i in range(own_columns)]
    )
    axes.tick_params(length=0, labelsize=10, colors=SOFT)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_ylabel("firebox\nend", rotation=0, ha="right", va="center", fontsize=11)
    axes.axvline(0, color=INK, linewidth=5)


def _draw_cell(axes: Axes, cell: Mapping[Hashable, Any], cmap: Colormap) -> None:
    from matplotlib.patches import Rectangle

    left, top = cell["column"] - 1, cell["row"] - 1
    tested = cell["n_items"] > 0
    color = cmap(float(cell["share"])) if tested else (1.0, 1.0, 1.0, 1.0)
    axes.add_patch(
        Rectangle(
            (left, top),
            1,
            1,
            facecolor=color,
            edgecolor="white" if tested else HATCH,
            linewidth=1.5,
            hatch=None if tested else "////",
        )
    )
    if tested:
        axes.text(
            left + 0.5,
            top + 0.5,
            f"{cell['n_burned']}/{cell['n_items']}",
            ha="center",
            va="center",
            fontsize=11,
            color=ink_on(color[:3]),
        )
    if tested and cell["n_missing"]:
        # A hatched corner strip: part of the items of this cell were lost.
        axes.add_patch(
            Rectangle(
                (left, top + 0.84),
                1,
                0.16,
                facecolor="white",
                edgecolor=HATCH,
                linewidth=0.8,
                hatch="/////",
            )
        )


def _scale(figure: Figure, cmap: Colormap) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize
    from matplotlib.ticker import PercentFormatter

    bar = figure.colorbar(
        ScalarMappable(Normalize(0, 1), cmap),
        cax=figure.add_axes(_share_of(figure, (_LEFT, 0.62, 4.0, 0.14))),
        orientation="horizontal",
        format=PercentFormatter(1.0),
    )
    bar.set_label("burned / graded items of the cell", loc="left")


def plot_grades(counts: pd.DataFrame) -> Figure:
    """Draw the shares of all grades, one stacked bar per pit.

    Parameters
    ----------
    counts : pandas.DataFrame
        As returned by `count_grades`.

    Returns
    -------
    matplotlib.figure.Figure
        Palest grade first; each bar is labeled with the counts.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_grades(ps.count_grades(ps.demo_study("one_bake_each")))
    >>> figure.axes[0].get_xlabel()
    'Share of graded items'
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import PercentFormatter

    graded = counts[counts["grade"] != "missing"]
    grades = graded["grade"].drop_duplicates().tolist()
    pits = graded["pit"].drop_duplicates().tolist()
    with house_style():
        colors = browning_steps(len(grades))
        figure = Figure(figsize=(7.2, 1.5 + 0.6 * len(pits)), layout="constrained")
        axes = figure.subplots()
        left = np.zeros(len(pits))
        for grade, color in zip(grades, colors, strict=True):
            own = graded[graded["grade"] == grade].set_index("pit").loc[pits]
            share = own["share"].to_numpy()
            axes.barh(
                range(len(pits)),
                share,
                left=left,
                color=color,
                edgecolor=INK,
                linewidth=0.6,
                label=shorten(grade, 14),
            )
            for y, (start, width, n) in enumerate(
                zip(left, share, own["n_items"], strict=True)
            ):
                if width > 0.045:
                    axes.text(
                        start + width / 2,
                        y,
                        str(n),
                        ha="center",
                        va="center",
                        fontsize=11,
                        color=ink_on(color),
                    )
            left = left + share
        axes.set_yticks(range(len(pits)), [shorten(pit) for pit in pits])
        axes.set_ylim(len(pits) - 0.5, -0.5)
        axes.set_xlim(0, 1)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_xlabel("Share of graded items")
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        figure.legend(
            loc="outside lower center",
            ncols=min(len(grades), 5),
            frameon=False,
            fontsize=11,
            handlelength=1.2,
            columnspacing=1.2,
        )
    return figure
