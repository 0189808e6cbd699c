"""A season in pictures: every study's rate of every pit, and changes in one pit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pitstats.figures.style import (
    COLUMN,
    EMBER,
    INK,
    SOFT,
    house_style,
    one_panel,
    wrapped,
)
from pitstats.study.percent import signed

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from pitstats.analysis.retest.compare import SettingComparison
    from pitstats.analysis.season.estimate import SeasonEstimate
    from pitstats.analysis.season.read import Season

_MOST_LABELS = 24  # studies of a pit that can be named in one picture


def plot_season(season: Season, estimate: SeasonEstimate) -> Figure:
    """Draw every study's rate of every pit with its interval, and the season's.

    Parameters
    ----------
    season : Season
        From `read_season`.
    estimate : SeasonEstimate
        From `estimate_season`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per pit: thin bars are single studies in their order, the thick bar
        with the diamond is the season.
    """
    from matplotlib.figure import Figure

    rates = season.rates.dropna(subset=["estimate"])
    pits = estimate.table["pit"].tolist()
    own = {pit: rates[rates["pit"] == pit] for pit in pits}
    heights = [0.9 + min(len(own[pit]), _MOST_LABELS) for pit in pits]
    with house_style():
        size = (COLUMN, 0.9 + 0.3 * sum(heights) + 0.35 * len(pits))
        figure = Figure(figsize=size, layout="constrained")
        panels = figure.subplots(
            len(pits), 1, sharex=True, squeeze=False, height_ratios=heights
        )[:, 0]
        for axes, row in zip(panels, estimate.table.to_dict("records"), strict=True):
            _draw_studies(axes, own[str(row["pit"])])
            y = -1.0
            ends = [row["conf_low"], row["conf_high"]]
            axes.plot(ends, [y, y], color=EMBER, linewidth=7, alpha=0.35, gid="season")
            axes.plot(row["estimate"], y, marker="D", markersize=9, color=EMBER)
            axes.set_title(wrapped(str(row["pit"]), 40))
        panels[-1].set_xlabel("Share of items burned")
        panels[-1].set_xlim(0, 1)
        panels[-1].xaxis.set_major_formatter(lambda x, _: f"{100 * x:.0f}%")
    return figure


def _draw_studies(axes: Axes, studies: pd.DataFrame) -> None:
    y = np.arange(len(studies), dtype=float)
    axes.hlines(
        y, studies["conf_low"], studies["conf_high"], color=SOFT, linewidth=2,
        gid="studies",
    )  # fmt: skip
    axes.plot(studies["estimate"], y, "o", color=INK, markersize=5)
    named = len(studies) <= _MOST_LABELS
    labels = [wrapped(str(name), 18) for name in studies["study"]] if named else []
    axes.set_yticks([*(y if named else []), -1.0], labels=[*labels, "season"])
    axes.set_ylim(max(len(studies), 1) - 0.4, -1.7)
    axes.grid(axis="x")
    axes.tick_params(axis="y", length=0)


def plot_changes(changes: SettingComparison) -> Figure:
    """Draw the change of every share in every changed pit, with its interval.

    Parameters
    ----------
    changes : SettingComparison
        From `compare_settings` or `retest`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit and outcome; left of the line means less than before. Usable
        area has another unit and stands in the table only.
    """
    table = changes.table[changes.table["outcome"] != "usable area"]
    one_pit = table["pit"].nunique() == 1
    y = np.arange(len(table), dtype=float)
    with house_style():
        figure, axes = one_panel(1.4 + 0.62 * len(table))
        axes.axvline(0, color=INK, linewidth=1)
        axes.hlines(
            y, table["conf_low"], table["conf_high"], color=EMBER, linewidth=7,
            alpha=0.35, gid="interval",
        )  # fmt: skip
        axes.plot(table["change"], y, "D", color=EMBER, markersize=9, gid="estimate")
        labels = [
            wrapped(str(outcome) if one_pit else f"{pit}: {outcome}", 18)
            for pit, outcome in zip(table["pit"], table["outcome"], strict=True)
        ]
        axes.set_yticks(y, labels=labels)
        axes.set_ylim(len(table) - 0.4, -0.6)
        reach = float(np.nanmax(np.abs(table[["conf_low", "conf_high"]].to_numpy())))
        axes.set_xlim(-1.08 * reach, 1.08 * reach)
        axes.xaxis.set_major_formatter(
            lambda x, _: signed(100 * x) if abs(x) > 0.005 else "0"
        )
        axes.set_xlabel("After minus before, points")
        axes.grid(axis="x")
        axes.tick_params(axis="y", length=0)
    return figure
