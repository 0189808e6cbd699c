"""A figure on a slide: title, sentence, unit of replication, name of the study."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING

from pitstats.figures.printing import print_figure
from pitstats.figures.style import INK, SOFT, house_style
from pitstats.study.cells import one_line

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SIZE, _DPI = (19.2, 10.8), 100
# Where the picture goes, in shares of the slide: left, bottom, width, height.
_ROOM = (0.36, 0.06, 0.61, 0.88)
# Points, share of a point that a letter takes on average, weight and ink.
_TEXTS = (
    (40.0, 0.68, "bold", INK),
    (27.0, 0.56, "normal", INK),
    (19.0, 0.56, "normal", SOFT),
)
_TEXT_INCHES, _TEXT_SHARE = 6.1, 0.82


def slide_png(
    figure: Figure, *, title: str, sentence: str, unit: str, study: str
) -> bytes:
    """Put a figure on a slide of 1920 x 1080 pixels."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from PIL import Image

    width, height = (figure.get_size_inches() * figure.dpi).tolist()
    room = (_ROOM[2] * _SIZE[0] * _DPI, _ROOM[3] * _SIZE[1] * _DPI)
    scale = min(room[0] / width, room[1] / height)
    with house_style():
        slide = Figure(figsize=_SIZE, dpi=_DPI, facecolor="white")
        y = 0.93
        for text, size, weight, color in _fitted(title, sentence, unit):
            slide.text(
                *(0.03, y, text),
                fontsize=size,
                fontweight=weight,
                color=color,
                va="top",
                linespacing=1.25,
            )
            y -= _height(text, size) + 0.05
        slide.text(0.03, 0.05, textwrap.shorten(study, 70), fontsize=19, color=SOFT)
        canvas = FigureCanvasAgg(slide)
        canvas.draw()  # type: ignore[no-untyped-call]
        image = Image.frombuffer("RGBA", (1920, 1080), bytes(canvas.buffer_rgba()))  # type: ignore[no-untyped-call]
    picture = Image.open(io.BytesIO(print_figure(figure, dpi=scale * 100).png))
    picture.thumbnail((int(room[0]), int(room[1])))
    left = int(_ROOM[0] * 1920 + (room[0] - picture.width) / 2)
    top = int((1080 - picture.height) / 2)
    image = image.convert("RGB")
    image.paste(picture.convert("RGB"), (left, top))
    file = io.BytesIO()
    image.save(file, format="png", optimize=True)
    return file.getvalue()


def _fitted(*texts: str) -> list[tuple[str, float, str, str]]:
    """Break texts over lines, all of them smaller where that takes too much room."""
    for percent in range(100, 30, -5):
        found = []
        for text, (points, letter, weight, color) in zip(texts, _TEXTS, strict=True):
            size = points * percent / 100
            columns = int(_TEXT_INCHES * 72 / (size * letter))
            lines = textwrap.wrap(one_line(text), columns)
            found.append(("\n".join(lines), size, weight, color))
        if sum(_height(text, size) + 0.05 for text, size, *_ in found) < _TEXT_SHARE:
            break
    return found


def _height(text: str, size: float) -> float:
    """Height of lines of a text, as a share of the slide."""
    return (text.count("\n") + 1) * size * 1.45 / 72 / _SIZE[1]
