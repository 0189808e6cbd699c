"""What is to be seen on a figure of maps, grate by grate."""

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure


def drawn(figure: Figure, gid: str) -> list[Artist]:
    """Artists of one kind, in the order of the grates."""
    (sheet,) = figure.axes
    return [artist for artist in sheet.get_children() if artist.get_gid() == gid]


def titles_of(figure: Figure) -> list[str]:
    """Titles of all grates."""
    return [text.get_text() for text in drawn(figure, "title")]


def labels_of(figure: Figure) -> list[list[str]]:
    """Texts in the cells of each grate."""
    return [str(own.get_label()).split("\n") for own in drawn(figure, "labels")]


def boxes_of(figure: Figure, gid: str = "cells") -> list[np.ndarray]:
    """Outlines of the cells of each grate in inches, shape (cells, corners, 2)."""
    return [
        np.array([path.vertices[:4] for path in boxes.get_paths()])
        for boxes in drawn(figure, gid)
    ]
