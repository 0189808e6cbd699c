"""Titles of grates that stand side by side: none runs into the next."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from pitstats.figures.style import SMALLEST, shorten

# Inches between a title and the next one.
_GAP = 0.2
_STEP = 0.5
# What is left of a part of a title at the least, with its ellipsis.
_SHORTEST = 3


class TitledRows(NamedTuple):
    """Where columns of grates begin, and what stands above each grate.

    Attributes
    ----------
    titles : list of list of str
        Row by row; shortened where nothing else helped.
    lefts : list of float
        Left edge of each column of grates, in inches.
    size : float
        Font size of all titles, in points.
    """

    titles: list[list[str]]
    lefts: list[float]
    size: float


def fit_titles(
    titles: Sequence[Sequence[str]],
    widths: Sequence[Sequence[float]],
    *,
    left: float,
    right: float,
    beside: float,
    size: float,
) -> TitledRows:
    """Give every column of grates the room that its longest title needs.

    Where the titles do not fit between the edges, all of them are set smaller, down to
    `SMALLEST` points; then the longest are shortened, part by part, so that "Hearth,
    upper, top" keeps its end.

    Notes
    -----
    Widths are those of the font in use: call this in the style of the figure.

    Examples
    --------
    >>> fitted = fit_titles(
    ...     [["A", "B"], ["A long title", "C"]], [[1.0, 1.0], [0.5, 0.5]],
    ...     left=1.0, right=5.5, beside=0.3, size=13)
    >>> fitted.lefts[1] > 2.3, fitted.size, fitted.titles[1]
    (True, 13.0, ['A long title', 'C'])
    """
    words = [list(row) for row in titles]
    points = max(float(size), SMALLEST)
    while True:
        lefts = _lefts(words, widths, left, beside, points)
        if _all_inside(words, widths, lefts, right, points):
            break
        if points > SMALLEST:
            points = max(SMALLEST, points - _STEP)
        elif not _shorten_one(words, lefts, right):
            break
    return TitledRows(words, lefts, points)


def _lefts(
    titles: list[list[str]],
    widths: Sequence[Sequence[float]],
    left: float,
    beside: float,
    size: float,
) -> list[float]:
    """Left edges of the columns; a grate that stands alone in its row needs none."""
    lefts = [left]
    for j in range(max(map(len, titles)) - 1):
        grates = [own[j] + beside for own in widths if len(own) > j + 1]
        texts = [_wide(own[j], size) + _GAP for own in titles if len(own) > j + 1]
        lefts.append(lefts[-1] + max(grates + texts))
    return lefts


def _all_inside(
    titles: list[list[str]],
    widths: Sequence[Sequence[float]],
    lefts: list[float],
    right: float,
    size: float,
) -> bool:
    """Whether the last grate of each row, and its title, end before the edge."""
    return all(
        lefts[len(row) - 1] + max(own[-1], _wide(row[-1], size)) <= right + 1e-9
        for row, own in zip(titles, widths, strict=True)
    )


def _shorten_one(titles: list[list[str]], lefts: list[float], right: float) -> bool:
    """Take a letter off the widest title that is in the way; False if none is."""
    in_the_way = []
    for i, row in enumerate(titles):
        ends = [*(at - _GAP for at in lefts[1 : len(row)]), right]
        for j, title in enumerate(row):
            wide = _wide(title, SMALLEST)
            if lefts[j] + wide >= ends[j] - 1e-9 and _shortened(title) != title:
                in_the_way.append((wide, i, j))
    if not in_the_way:
        return False
    _, i, j = max(in_the_way)
    titles[i][j] = _shortened(titles[i][j])
    return True


def _shortened(title: str) -> str:
    """Take one letter off the longest part of a title."""
    parts = re.split(r"(, |: )", title)
    longest = max(range(0, len(parts), 2), key=lambda k: len(parts[k]))
    length = len(parts[longest])
    if length > _SHORTEST:
        parts[longest] = shorten(parts[longest], length - 1)
    return "".join(parts)


@lru_cache(maxsize=1024)
def _wide(title: str, size: float) -> float:
    """Width of a title in bold, in inches."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(weight="bold", size=size)
    wide, _, _ = text_to_path.get_text_width_height_descent(title, font, ismath=False)
    return float(wide) / 72
