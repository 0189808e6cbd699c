"""Tables of first against second grades, as pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.analysis.grading.agreement import GradingAgreement
from pitstats.analysis.grading.regrading import UNNAMED
from pitstats.figures.style import (
    INK,
    LINE,
    SMALLEST,
    SOFT,
    house_style,
    ink_on,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# More panels than this cannot be read; the rest stands in the table.
_MOST = 4
_PANEL = 3.5


def plot_grading_agreement(found: GradingAgreement) -> Figure:
    """Draw how often each grade of the first grading met each of the second.

    Parameters
    ----------
    found : GradingAgreement
        As returned by `compare_gradings`.

    Returns
    -------
    matplotlib.figure.Figure
        With one second grader a panel per face and one for the deciding face; with
        several a panel each for the deciding face; at most four. Heavy lines mark
        where burned begins.

    Raises
    ------
    ValueError
        If no face was graded by both.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> again = study.items.head(12)[["code", "grade_top", "grade_bottom"]]
    >>> found = ps.compare_gradings(replace(study, regrades=again))
    >>> figure = ps.plot_grading_agreement(found)
    >>> [axes.get_title(loc="left") for axes in figure.axes]
    ['Top', 'Bottom', 'Deciding face']
    """
    from matplotlib.figure import Figure

    panels = _panels(found.confusion)
    if not panels:
        raise ValueError("no face was graded by both graders; there is no table")
    columns = min(len(panels), 2)
    rows = -(-len(panels) // columns)
    with house_style():
        figure = Figure(
            figsize=(_PANEL * columns + 0.2, _PANEL * rows), layout="constrained"
        )
        grid = figure.subplots(rows, columns, squeeze=False).ravel()
        for axes, (title, own) in zip(grid, panels, strict=False):
            _draw_panel(axes, own, title, found)
        for axes in grid[len(panels) :]:
            axes.remove()
    return figure


def _panels(confusion: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    if confusion.empty:
        return []
    graders = confusion["regrader"].drop_duplicates().tolist()
    if len(graders) > 1:
        deciding = confusion[confusion["face"] == "deciding"]
        return [
            (_name(grader), own)
            for grader, own in deciding.groupby("regrader", sort=False)
        ][:_MOST]
    words = {"deciding": "Deciding face"}
    return [
        (words.get(str(face), str(face).capitalize()), own)
        for face, own in confusion.groupby("face", sort=False)
    ][:_MOST]


def _name(grader: object) -> str:
    return "Not named" if grader == UNNAMED else shorten(grader, 22)


def _draw_panel(
    axes: Axes, own: pd.DataFrame, title: str, found: GradingAgreement
) -> None:
    import seaborn as sns
    from matplotlib.colors import LinearSegmentedColormap

    grades = list(found.settings.grades)
    names = [shorten(grade, 9) for grade in grades]
    counts = own["n_items"].to_numpy().reshape(len(grades), len(grades))
    shown = (counts > 0) | np.eye(len(grades), dtype=bool)
    sns.heatmap(
        # Square roots, so that single items off the diagonal are seen.
        np.sqrt(counts / max(int(counts.max()), 1)),
        vmin=0,
        vmax=1,
        cmap=LinearSegmentedColormap.from_list("counts", ["#ffffff", "#b9b0a3", INK]),
        annot=np.where(shown, counts.astype(str), ""),
        fmt="",
        linewidths=0.8,
        linecolor=LINE,
        cbar=False,
        square=True,
        xticklabels=names,
        yticklabels=names,
        ax=axes,
    )
    faces = np.asarray(axes.collections[0].get_facecolor(), dtype=float)
    for text, (red, green, blue, _) in zip(axes.texts, faces, strict=True):
        text.set_color(ink_on((red, green, blue)))
    for same in axes.texts[:: len(grades) + 1]:
        same.set_fontweight("bold")
    axes.tick_params(length=0, labelsize=SMALLEST)
    axes.tick_params(axis="y", labelrotation=0)
    for label in axes.get_xticklabels():
        label.set(rotation=45, ha="right")
    begins = found.settings.burned_code
    axes.axhline(begins, color=INK, linewidth=2.4, gid="burned begins")
    axes.axvline(begins, color=INK, linewidth=2.4, gid="burned begins")
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(SOFT)
    axes.set_title(title)
    axes.set_xlabel("Second grade")
    axes.set_ylabel("First grade")
