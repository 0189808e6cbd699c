"""A figure on its way to the page: drawn on the spot, or by the process that renders.

While the kernel of a report computes, the process that waits for it has a core to
spare. So the kernel shows a figure as a recipe (which function, which results), and the
renderer puts the picture in its place.
"""

from __future__ import annotations

import pickle
from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from concurrent.futures import Future

    from matplotlib.figure import Figure

    from pitstats.figures.printing import Print

RECIPE = "application/vnd.pitstats.drawing"
#: The same for a figure whose place on the page is still to come.
AHEAD = "application/vnd.pitstats.drawing-ahead"


class Shown(NamedTuple):
    """What goes into the output of a cell: content by MIME type, and notes to it."""

    data: dict[str, Any]
    metadata: dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A figure with what is said about it and the place where it is kept.

    Parameters
    ----------
    draw : callable
        Without arguments; returns the figure.
    alt, caption : str
        The figure in words, and the text under it.
    path : pathlib.Path or None
        File to keep it as, without ending; None: not kept.
    """

    draw: Callable[[], Figure]
    alt: str
    caption: str
    path: Path | None

    def printed(self) -> Print:
        """Draw it, and keep nothing yet."""
        from pitstats.figures.printing import print_figure

        return print_figure(self.draw(), svg=self.path is not None)

    def shown(self, begun: Future[Print] | None = None) -> Shown:
        """Draw it, keep it as PNG and SVG if it has a place; return the output.

        Parameters
        ----------
        begun : Future, optional
            The same figure where it is drawn already.
        """
        printed = self.printed() if begun is None else begun.result()
        if self.path is not None and printed.svg is not None:
            self.path.with_name(f"{self.path.name}.png").write_bytes(printed.png)
            self.path.with_name(f"{self.path.name}.svg").write_bytes(printed.svg)
        picture = b64encode(printed.png).decode("ascii")
        return Shown(
            {"image/png": picture, "text/plain": self.alt},
            {"image/png": {"alt": self.alt, "caption": self.caption}},
        )

    def recipe(self, *, ahead: bool = False) -> Shown | None:
        """Return the output that asks the renderer to draw, or None if it could not.

        The renderer knows the functions of pitstats, not those that a notebook defines.

        Parameters
        ----------
        ahead : bool, default False
            Whether the place of the figure is still to come.
        """
        if not isinstance(self.draw, partial):
            return None
        if not self.draw.func.__module__.startswith("pitstats."):
            return None
        try:
            packed = b64encode(pickle.dumps(self)).decode("ascii")
        except (pickle.PicklingError, AttributeError, TypeError):
            return None
        return Shown({AHEAD if ahead else RECIPE: packed, "text/plain": self.alt}, {})


def asked_for(data: Mapping[str, Any], kind: str = RECIPE) -> Drawing | None:
    """Return the drawing that an output asks for, or None if it asks for none.

    Parameters
    ----------
    data : mapping
        Content of a cell's output by MIME type. It comes from the kernel that this
        process started, which is trusted with the same rights.
    kind : str
        `RECIPE` for its place on the page, `AHEAD` for a figure to begin with.
    """
    packed = data.get(kind)
    if packed is None:
        return None
    drawing = pickle.loads(b64decode(packed))
    assert isinstance(drawing, Drawing)
    return drawing
