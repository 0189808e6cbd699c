"""A figure on its way to the page: drawn on the spot, or by the process that renders.

While the kernel of a report computes, the process that waits for it has a core to
spare. So the kernel shows a figure as a recipe (which function, which results), and the
renderer puts the picture in its place.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from pitstats.figures.printing import Print


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

    def shown(self) -> Shown:
        """Draw it, keep it as PNG and SVG if it has a place; return the output."""
        printed = self.printed()
        if self.path is not None and printed.svg is not None:
            self.path.with_name(f"{self.path.name}.png").write_bytes(printed.png)
            self.path.with_name(f"{self.path.name}.svg").write_bytes(printed.svg)
        picture = b64encode(printed.png).decode("ascii")
        return Shown(
            {"image/png": picture, "text/plain": self.alt},
            {"image/png": {"alt": self.alt, "caption": self.caption}},
        )
