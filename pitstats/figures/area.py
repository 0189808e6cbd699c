"""Smoothed maps beside the counts, and how much of the grate can be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.analysis.places.surface import SurfaceMap
from pitstats.analysis.places.usable_area import UsableArea
from pitstats.figures import marks
from pitstats.figures.grates import MapPanel, plot_cell_maps
from pitstats.figures.map_scale import WANTED, share_scale
from pitstats.figures.style import (
    BROWNING,
    COLUMN,
    EMBER,
    INK,
    SOFT,
    house_style,
    name_rows,
    shorten,
)
from pitstats.study.percent import level_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Wider grates get their two maps one below the other instead of side by side.
_WIDEST_PAIR = 5
_NAME = {"burned": "burned", "underbaked": "under-baked", "good": "good"}


#: Beside a smoothed number that the counts of its own cell contradict.
AGAINST = "\N{NOT EQUAL TO}"


def plot_surface(surface: SurfaceMap) -> Figure:
    """Draw the counts of every cell and, beside them, the smoothed chance.

    Parameters
    ----------
    surface : SurfaceMap
        As returned by `map_surface`.

    Returns
    -------
    matplotlib.figure.Figure
        Two maps per grate on one scale. Counted: items with the outcome / graded
        items. Smoothed: the chance in per cent, and a bar from the low to the high end
        of its interval, the cell's width standing for 0 to 100 %. In brackets: a cell
        without graded items. With an unequal sign: its counts contradict the surface.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_surface(ps.map_surface(ps.demo_study("one_bake_each")))
    >>> [text.get_text() for text in figure.axes[0].texts][:2]
    ['Quarry: counted', 'Quarry: this bake, %']
    """
    good = surface.outcome == "good"
    label = f"{_NAME[surface.outcome]}: share counted; smoothed"
    return _counted_and_smoothed(
        surface.table, label, surface.conf_level, WANTED if good else BROWNING
    )


def plot_chance_good(area: UsableArea) -> Figure:
    """Draw the chance that each cell is good next time, beside the counts.

    Parameters
    ----------
    area : UsableArea
        As returned by `estimate_usable_area`.

    Returns
    -------
    matplotlib.figure.Figure
        As `plot_surface`; darker is better. A pit that was baked once shows its
        chances in this bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> area = ps.estimate_usable_area(ps.demo_study("nothing_burned"))
    >>> figure = ps.plot_chance_good(area)
    >>> figure.axes[0].texts[1].get_text()
    'Quarry: chance next time, %'
    """
    cells = area.cells.rename(columns={"n_good": "n_burned"})
    label = "good: counted; chance next time"
    return _counted_and_smoothed(
        cells, label, area.conf_level, WANTED, "chance next time"
    )


def _counted_and_smoothed(
    table: pd.DataFrame,
    label: str,
    conf_level: float,
    palette: tuple[str, ...],
    what: str = "smoothed",
) -> Figure:
    marked = "contradicts" in table and bool(table["contradicts"].any())
    sign = f"\n{AGAINST}: counts contradict it" if marked else ""
    interval = f"bar: {level_text(conf_level)} interval"
    scale = share_scale(f"{label} ({interval}){sign}", palette)
    several = table.groupby("pit")["grate"].nunique()
    grid: list[list[MapPanel]] = []
    for pit, grate in table[["pit", "grate"]].drop_duplicates().to_numpy().tolist():
        own = table[(table["pit"] == pit) & (table["grate"] == grate)]
        name = shorten(pit, 16)
        if several[pit] > 1:
            name += f", {shorten(grate, 12)}"
        once = bool((own["scope"] == "this bake").any())
        title = "this bake, %" if once else f"{what}, %"
        narrow = own["column"].max() <= _WIDEST_PAIR
        counted = MapPanel(f"{name}: counted", _counted(own))
        beside = MapPanel(title if narrow else f"{name}: {title}", _smoothed(own))
        grid += [[counted, beside]] if narrow else [[counted], [beside]]
    return plot_cell_maps(
        grid, value="value", scale=scale, label="text", largest_cell=0.62
    )


def _counted(cells: pd.DataFrame) -> pd.DataFrame:
    text = [
        f"{burned}/{total}"
        for burned, total in zip(cells["n_burned"], cells["n_items"], strict=True)
    ]
    return cells.assign(value=cells["share"], text=text)


def _smoothed(cells: pd.DataFrame) -> pd.DataFrame:
    text = []
    against = cells["contradicts"] if "contradicts" in cells else [False] * len(cells)
    for share, n_items, odd in zip(
        cells["estimate"], cells["n_items"], against, strict=True
    ):
        number = "" if np.isnan(share) else f"{100 * share:.0f}"
        number += AGAINST if odd else ""
        text.append(f"({number})" if number and not n_items else number)
    # A lost item is shown where items are counted.
    return cells.assign(
        value=cells["estimate"],
        text=text,
        n_missing=0,
        bar_low=cells["conf_low"],
        bar_high=cells["conf_high"],
    )


def plot_usable_area(area: UsableArea) -> Figure:
    """Draw the usable share and area of each pit with their intervals.

    Parameters
    ----------
    area : UsableArea
        As returned by `estimate_usable_area`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit: diamond and wide bar for the long-run value and its interval,
        open circles for bakes, a square for the cells good in every bake so far. The
        lower panel has square length units and the tested area as an upright line;
        it is left out where cell sizes are not recorded.

    Examples
    --------
    >>> import pitstats as ps
    >>> area = ps.estimate_usable_area(ps.demo_study("four_pits"))
    >>> [axes.get_xlabel() for axes in ps.plot_usable_area(area).axes]
    ['Share of tested cells good', 'Area good, sq in']
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import PercentFormatter

    table = area.table
    with_area = bool(table["area"].notna().any())
    n_panels = 1 + with_area
    with house_style():
        figure = Figure(
            figsize=(COLUMN, 1.1 + n_panels * (0.6 + 0.62 * len(table))),
            layout="constrained",
        )
        panels = figure.subplots(n_panels, 1, squeeze=False)[:, 0]
        _draw_rows(panels[0], area, _SHARE_COLUMNS)
        panels[0].set_xlim(-0.025, 1.025)
        panels[0].xaxis.set_major_formatter(PercentFormatter(1.0))
        panels[0].set_xlabel("Share of tested cells good")
        if with_area:
            _draw_rows(panels[1], area, _AREA_COLUMNS)
            largest = float(table["area_tested"].max())
            panels[1].set_xlim(-0.025 * largest, 1.05 * largest)
            panels[1].set_xlabel(f"Area good, {area.unit}")
        _legend(figure, area, with_area)
    return figure


# Estimate, its ends, every bake's value, cells good in every bake, and the most.
_SHARE_COLUMNS = ("estimate", "conf_low", "conf_high", "share", "share", "")
_AREA_COLUMNS = ("area", "area_low", "area_high", "area", "area_every", "area_tested")


def _draw_rows(
    axes: Axes, area: UsableArea, columns: tuple[str, str, str, str, str, str]
) -> None:
    estimate, low, high, of_bake, of_every, most = columns
    every = area.every.set_index("pit")[of_every]
    labels = []
    for y, row in enumerate(area.table.to_dict("records")):
        n = int(row["n_bakes"])
        labels.append(f"{shorten(row['pit'], 16)}\n{n} bake{'' if n == 1 else 's'}")
        if np.isnan(row[estimate]):
            axes.text(0, y, "not known", va="center", color=SOFT)
            continue
        at = y - 0.12
        marks.draw_interval(axes, row[low], row[high], at)
        axes.plot(
            row[estimate], at, marker="D", markersize=8, color=EMBER, gid="estimate"
        )
        if most:
            axes.plot(
                [row[most]] * 2, [y - 0.3, y + 0.32], color=INK, lw=1.4, gid="tested"
            )
        own = area.bakes[area.bakes["pit"] == row["pit"]].dropna(subset=[of_bake])
        level = own.groupby(own["share"].round(2)).cumcount()
        marks.draw_bakes(
            axes, own[of_bake], y + 0.2 + 0.08 * level, size=30, clip=False
        )
        seen = float(every.get(row["pit"], np.nan))
        if n > 1 and not np.isnan(seen):
            axes.plot(
                seen,
                at,
                marker="s",
                markersize=7,
                markerfacecolor="white",
                color=INK,
                linestyle="",
                clip_on=False,
                gid="every",
            )
    name_rows(axes, labels, above=0.5)
    axes.grid(axis="x")


def _legend(figure: Figure, area: UsableArea, with_area: bool) -> None:
    handles = [
        marks.estimate_entry("long run"),
        marks.interval_entry(area.conf_level),
        marks.bake_entry(),
    ]
    if area.table["n_bakes"].max() > 1:
        square = {"marker": "s", "markerfacecolor": "white", "linestyle": ""}
        handles.append(marks.entry("good in every bake so far", color=INK, **square))
    if with_area:
        line = {"marker": "|", "markersize": 12, "linestyle": ""}
        handles.append(marks.entry("area tested", color=INK, **line))
    figure.legend(
        handles=handles,
        loc="outside lower left",
        ncols=2,
        handlelength=1.4,
        columnspacing=1.2,
    )
