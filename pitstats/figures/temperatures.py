"""How hot each pit was, cell by cell, and whether cells stayed near the set point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from pitstats.analysis.heat.temperatures import CellTemperatures
from pitstats.analysis.heat.uniformity import UniformitySurvey
from pitstats.figures import marks
from pitstats.figures.style import (
    COLUMN,
    EMBER,
    HATCH,
    INK,
    LINE,
    SMALLEST,
    SOFT,
    house_style,
    one_panel,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WITHIN = "#e9e4da"
_SOMETIMES = "#dfa387"
_OUTSIDE = EMBER
_FILL = {
    "within": _WITHIN,
    "sometimes": _SOMETIMES,
    "outside": _OUTSIDE,
    "no probe": "white",
}
_HOT = "\N{BLACK UP-POINTING TRIANGLE}"
_COLD = "\N{BLACK DOWN-POINTING TRIANGLE}"
_MARKERS = ("o", "s", "^", "v")


def plot_temperatures(levels: CellTemperatures) -> Figure:
    """Draw each pit's level with its interval, and every bake as a circle.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit. Bar: interval with the bake as the unit; diamond: level over
        the common places; open circles: bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> ps.plot_temperatures(levels).axes[0].get_xlabel()
    'Temperature at the grate, °F'
    """
    rows = levels.table.to_dict("records")
    with house_style():
        figure, axes = one_panel(1.5 + 0.85 * len(rows))
        for y, row in enumerate(rows):
            own = levels.bakes[levels.bakes["pit"] == row["pit"]]
            _draw_level(axes, y, row, own["estimate"].dropna().to_numpy(dtype=float))
        axes.set_yticks(range(len(rows)), [shorten(row["pit"], 18) for row in rows])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlabel(f"Temperature at the grate, °{levels.unit}")
        axes.grid(axis="x")
        axes.tick_params(axis="y", length=0)
        axes.margins(x=0.08)
        entries = [
            marks.estimate_entry("level"),
            marks.interval_entry(levels.conf_level),
            marks.bake_entry(),
        ]
        figure.legend(handles=entries, loc="outside lower left", ncols=3)
    return figure


def _draw_level(axes: Axes, y: int, row: dict[Any, Any], bakes: Any) -> None:
    if math.isnan(row["estimate"]):
        axes.text(
            0.02,
            y,
            "nothing measured at the common places",
            transform=axes.get_yaxis_transform(),
            va="center",
            color=SOFT,
        )
        return
    at = y - 0.12
    if not math.isnan(row["conf_low"]):
        marks.draw_interval(axes, row["conf_low"], row["conf_high"], at)
    axes.plot(row["estimate"], at, "D", color=EMBER, markersize=9, gid="estimate")
    marks.write_above(axes, f"{row['estimate']:.0f}", row["estimate"], at)
    # Every other circle a little lower, so that near equal ones both show.
    lower = 0.1 * (np.argsort(np.argsort(bakes)) % 2)
    marks.draw_bakes(axes, bakes, y + 0.2 + lower, size=44)


def plot_cell_temperatures(levels: CellTemperatures) -> Figure:
    """Draw the temperature of every probed cell against its distance from the firebox.

    Parameters
    ----------
    levels : CellTemperatures
        As returned by `estimate_cell_temperatures`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit on one scale: marks are cells averaged over bakes, with
        intervals, shaped by grate; the level of the pit is a dashed line. How far
        bakes shift all cells of a pit together is left to `plot_temperatures`.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = ps.estimate_cell_temperatures(ps.demo_study("probed_pits"))
    >>> len(ps.plot_cell_temperatures(levels).axes)
    2
    """
    from matplotlib.figure import Figure

    pits = [p for p in levels.table["pit"] if (levels.cells["pit"] == p).any()]
    n_rows = math.ceil(len(pits) / 2)
    with house_style():
        figure = Figure(figsize=(COLUMN, 0.9 + 2.3 * n_rows), layout="constrained")
        grid = figure.subplots(n_rows, 2, squeeze=False, sharey=True)
        level = levels.table.set_index("pit")["estimate"]
        for axes, pit in zip(grid.flat, pits, strict=False):
            own = levels.cells[levels.cells["pit"] == pit]
            _draw_cells(axes, own, float(level[pit]))
            axes.set_title(shorten(pit, 20))
        for axes in grid.flat[len(pits) :]:
            axes.remove()
        figure.supylabel(f"Cell temperature, °{levels.unit}")
    return figure


def _draw_cells(axes: Axes, own: pd.DataFrame, level: float) -> None:
    if not math.isnan(level):
        axes.axhline(level, color=SOFT, linewidth=0.9, linestyle="--", gid="level")
    grates = list(dict.fromkeys(own["grate"]))
    for k, grate in enumerate(grates):
        cells = own[own["grate"] == grate]
        axes.vlines(
            cells["distance"],
            cells["conf_low"],
            cells["conf_high"],
            color=EMBER,
            alpha=0.3,
            linewidth=5,
            gid="intervals",
        )
        axes.plot(
            cells["distance"],
            cells["estimate"],
            _MARKERS[k % len(_MARKERS)],
            color=EMBER,
            markerfacecolor=EMBER if k == 0 else "white",
            markersize=8,
            alpha=0.9,
            label=shorten(grate, 14),
            gid="cells",
        )
    axes.set_xlim(0, 1)
    axes.set_xticks([0.0, 0.5, 1.0], ["firebox\nwall", "middle", "far\nwall"])
    axes.margins(y=0.12)
    axes.grid(axis="y")
    if len(grates) > 1:
        axes.legend()


def plot_survey(survey: UniformitySurvey) -> Figure:
    """Draw which cells stayed within the tolerance, one small grate per pit and grate.

    Parameters
    ----------
    survey : UniformitySurvey
        As returned by `survey_uniformity`.

    Returns
    -------
    matplotlib.figure.Figure
        Pale: within in every bake it was probed; middle: outside in some; dark:
        outside in all; with the number of bakes within and an arrow for too hot or too
        cold; hatched: no probe. The firebox is at the left.

    Examples
    --------
    >>> import pitstats as ps
    >>> survey = ps.survey_uniformity(ps.demo_study("probed_pits"))
    >>> [axes.get_title(loc="left") for axes in ps.plot_survey(survey).axes]
    ['Quarry', 'Ferry']
    """
    from matplotlib.figure import Figure

    cells = survey.cells
    panels = list(dict.fromkeys(zip(cells["pit"], cells["grate"], strict=True)))
    sizes = [
        cells[(cells["pit"] == pit) & (cells["grate"] == grate)]
        for pit, grate in panels
    ]
    heights = [0.9 + 0.52 * float(own["row"].max()) for own in sizes]
    with house_style():
        figure = Figure(figsize=(COLUMN, 0.6 + sum(heights)), layout="constrained")
        grid = figure.subplots(len(panels), 1, squeeze=False, height_ratios=heights)[
            :, 0
        ]
        for axes, (pit, grate), own in zip(grid, panels, sizes, strict=True):
            _draw_grate(axes, own)
            several = sum(p == pit for p, _ in panels) > 1
            name = f"{shorten(pit, 20)}, {shorten(grate, 14)}" if several else pit
            axes.set_title(shorten(name, 40))
        _explain_survey(figure)
    return figure


def _draw_grate(axes: Axes, own: pd.DataFrame) -> None:
    from matplotlib.patches import Rectangle

    narrow = int(own["column"].max()) > 7
    for place, states in own.groupby(["row", "column"])["state"]:
        row, column = (int(at) for at in cast(tuple[int, int], place))
        probed = states[states != "no probe"]
        within = int((probed == "within").sum())
        kind = _kind(len(probed), within)
        axes.add_patch(
            Rectangle(
                (column - 0.5, row - 0.5),
                1,
                1,
                facecolor=_FILL[kind],
                edgecolor=LINE if kind == "no probe" else "white",
                hatch="///" if kind == "no probe" else None,
                linewidth=1.5,
                gid=kind,
            )
        )
        if kind != "no probe":
            axes.text(
                column,
                row,
                _cell_text(probed, within, narrow=narrow),
                ha="center",
                va="center",
                fontsize=SMALLEST,
                color="white" if kind == "outside" else INK,
            )
    n_rows, n_columns = int(own["row"].max()), int(own["column"].max())
    axes.set_xlim(0.3, n_columns + 0.5)
    # As on all maps: the door side and row 1 at the bottom.
    axes.set_ylim(0.5, n_rows + 0.5)
    # The firebox wall, drawn as what it is.
    axes.plot([0.4, 0.4], [0.5, n_rows + 0.5], color=INK, linewidth=6, gid="firebox")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_xlabel(
        f"firebox at the left, door side below; {_HOT} too hot, {_COLD} too cold",
        fontsize=SMALLEST,
    )
    for side in axes.spines.values():
        side.set_visible(False)


def _kind(n_probed: int, n_within: int) -> str:
    if n_probed == 0:
        return "no probe"
    if n_within == n_probed:
        return "within"
    return "sometimes" if n_within else "outside"


def _cell_text(probed: pd.Series[str], within: int, *, narrow: bool) -> str:
    said = " ".join(probed)
    arrow = f" {_HOT}" if "above" in said else ""
    arrow += f" {_COLD}" if "below" in said else ""
    if narrow:
        return f"{within}/{len(probed)}\n{arrow.strip()}".strip()
    return f"{within} of {len(probed)}{arrow}"


def _explain_survey(figure: Figure) -> None:
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=_WITHIN, label="within in every bake"),
        Patch(facecolor=_SOMETIMES, label="outside in some"),
        Patch(facecolor=_OUTSIDE, label="outside in all"),
        Patch(facecolor="white", edgecolor=HATCH, hatch="///", label="no probe"),
    ]
    figure.legend(
        handles=handles,
        loc="outside lower left",
        ncols=2,
    )
