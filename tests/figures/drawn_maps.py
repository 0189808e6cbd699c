"""What is to be seen on a figure of maps, grate by grate."""

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure


def drawn(figure: Figure, gid: str) -> list[Artist]:
    """Artists of one kind."""
    (sheet,) = figure.axes
    return [artist for artist in sheet.get_children() if artist.get_gid() == gid]


def titles_of(figure: Figure) -> list[str]:
    """Titles of all grates."""
    return [text.get_text() for text in drawn(figure, "title")]


def texts_of(figure: Figure, gid: str = "labels") -> list[list[str]]:
    """Texts in the cells of each grate, or others of one kind."""
    (texts,) = drawn(figure, gid)
    return [line.split("\t") for line in str(texts.get_label()).split("\n")]


def boxes_of(figure: Figure, gid: str = "cells") -> list[np.ndarray]:
    """Outlines of the cells of each grate in inches, shape (cells, corners, 2)."""
    (boxes,) = drawn(figure, gid)
    outlines = np.array([path.vertices[:4] for path in boxes.get_paths()])
    ends = np.cumsum([int(n) for n in str(boxes.get_label()).split("\n")])
    assert ends[-1] == len(outlines)
    return np.split(outlines, ends[:-1])
