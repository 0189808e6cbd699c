"""Tables of first against second grades, as pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.analysis.grading_agreement import GradingAgreement
from pitstats.analysis.regrading import UNNAMED
from pitstats.figures.style import INK, LINE, SOFT, house_style, ink_on, shorten

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
    from matplotlib.colors import LinearSegmentedColormap

    grades = list(found.settings.grades)
    counts = own["n_items"].to_numpy().reshape(len(grades), len(grades))
    cmap = LinearSegmentedColormap.from_list("counts", ["#ffffff", "#b9b0a3", INK])
    largest = max(int(counts.max()), 1)
    # Square roots, so that single items off the diagonal are seen.
    axes.imshow(np.sqrt(counts / largest), cmap=cmap, vmin=0, vmax=1, aspect="equal")
    for i in range(len(grades)):
        for j in range(len(grades)):
            if counts[i, j] or i == j:
                color = cmap(float(np.sqrt(counts[i, j] / largest)))
                axes.text(
                    j,
                    i,
                    str(counts[i, j]),
                    ha="center",
                    va="center",
                    fontweight="bold" if i == j else "normal",
                    color=ink_on(color[:3]),
                    gid="count",
                )
    _frame_panel(axes, grades, title, found.settings.burned_code)


def _frame_panel(axes: Axes, grades: list[str], title: str, burned_code: int) -> None:
    n = len(grades)
    names = [shorten(grade, 9) for grade in grades]
    axes.set_xticks(range(n), names, fontsize=10, rotation=45, ha="right")
    axes.set_yticks(range(n), names, fontsize=10)
    axes.set_xticks(np.arange(n + 1) - 0.5, minor=True)
    axes.set_yticks(np.arange(n + 1) - 0.5, minor=True)
    axes.grid(which="minor", color=LINE, linewidth=0.8)
    axes.tick_params(which="both", length=0)
    axes.axhline(burned_code - 0.5, color=INK, linewidth=2.4, gid="burned begins")
    axes.axvline(burned_code - 0.5, color=INK, linewidth=2.4, gid="burned begins")
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(SOFT)
    axes.set_title(title)
    axes.set_xlabel("Second grade")
    axes.set_ylabel("First grade")
