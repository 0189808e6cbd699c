"""A drawn figure becomes the bytes of a PNG and an SVG."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

from pitstats.figures.style import house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DPI = 150


class Print(NamedTuple):
    """One figure as files: ``png`` always, ``svg`` where it was asked for."""

    png: bytes
    svg: bytes | None


def print_figure(figure: Figure, *, svg: bool = False) -> Print:
    """Print a figure; the same figure gives the same bytes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        Its layout is worked out here and then stands.
    svg : bool, default False
        Make the SVG too.

    Returns
    -------
    Print
        The bytes of both files.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> print_figure(ps.plot_rates(ps.estimate_burn_rates(study))).png[1:4]
    b'PNG'
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with house_style():
        figure.set_dpi(_DPI)
        figure.set_facecolor("white")
        engine = figure.get_layout_engine()
        if engine is not None:
            # `savefig` would work the layout out twice for each file.
            engine.execute(figure)
            figure.set_layout_engine("none")
        picture, drawing = io.BytesIO(), io.BytesIO()
        FigureCanvasAgg(figure).print_png(picture)  # type: ignore[no-untyped-call]
        if svg:
            canvas = FigureCanvasSVG(figure)
            canvas.print_svg(  # type: ignore[no-untyped-call]
                drawing, metadata={"Date": None}
            )
        return Print(picture.getvalue(), drawing.getvalue() if svg else None)
