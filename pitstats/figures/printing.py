"""A drawn figure becomes the bytes of a PNG and an SVG."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pitstats.figures.style import house_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DPI = 150
_COLORS = 64


class Print(NamedTuple):
    """One figure as files: ``png`` always, ``svg`` where it was asked for."""

    png: bytes
    svg: bytes | None


def print_figure(figure: Figure, *, svg: bool = False, dpi: float = _DPI) -> Print:
    """Print a figure; the same figure gives the same bytes."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from PIL import Image

    with house_style():
        figure.set_dpi(dpi)
        figure.patch.set(facecolor="white", alpha=1)
        engine = figure.get_layout_engine()
        if engine is not None:
            # `savefig` would work the layout out twice for each file.
            engine.execute(figure)
            figure.set_layout_engine("none")
        picture, drawing = io.BytesIO(), io.BytesIO()
        raster = FigureCanvasAgg(figure)
        raster.draw()  # type: ignore[no-untyped-call]
        pixels = raster.buffer_rgba()  # type: ignore[no-untyped-call]
        # On the white ground of the figure everything is opaque.
        image = Image.fromarray(np.asarray(pixels)[..., :3])
        # A palette holds what few inks and their soft edges need, in a sixth of the
        # bytes.
        method, dither = Image.Quantize.FASTOCTREE, Image.Dither.NONE
        few = image.quantize(_COLORS, method=method, dither=dither)
        # Octree colors are means: paper that is nearly white becomes white again.
        few.putpalette([255 if tone > 252 else tone for tone in few.getpalette() or ()])
        # The last step of compression takes as long again and saves next to nothing.
        few.save(picture, format="png", compress_level=8, dpi=(dpi, dpi))
        if svg:
            canvas = FigureCanvasSVG(figure)
            canvas.print_svg(  # type: ignore[no-untyped-call]
                drawing, metadata={"Date": None}
            )
        return Print(picture.getvalue(), drawing.getvalue() if svg else None)
