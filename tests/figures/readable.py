"""What can be read of a figure on a phone."""

from collections.abc import Iterator

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from pitstats.report.section import FirstPage, Picture, Pictures, Section

PHONE = 360
SMALLEST = 11


def pictures(*shown: Section | FirstPage) -> Iterator[Picture]:
    for own in shown:
        for part in own.body:
            if isinstance(part, Picture):
                yield part
            elif isinstance(part, Pictures):
                yield from part.pictures


def texts_of(figure: Figure) -> list[Text]:
    """Every text that is drawn: ticks beyond the ends of an axis are not."""
    beyond = {
        id(tick.label1)
        for axes in figure.axes
        for axis, (low, high) in (
            (axes.xaxis, sorted(axes.get_xlim())),
            (axes.yaxis, sorted(axes.get_ylim())),
        )
        for tick in axis.get_major_ticks()
        if not low <= tick.get_loc() <= high
    }
    return [
        text
        for text in figure.findobj(Text)
        if isinstance(text, Text)
        and id(text) not in beyond
        and text.get_visible()
        and text.get_text().strip()
    ]


def held(*shown: Section | FirstPage) -> None:
    """Every label of their figures can be read on a phone, and none is cut off."""
    found = list(pictures(*shown))
    assert found
    for picture in found:
        figure = picture.draw()
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        edges = figure.bbox
        for text in texts_of(figure):
            high = text.get_fontsize() / 72 / figure.get_figwidth() * PHONE
            assert high >= SMALLEST - 0.01, (picture.name, text.get_text(), high)
            box = text.get_window_extent(canvas.get_renderer())
            inside = box.x0 >= -1 and box.x1 <= edges.x1 + 1
            assert inside, (picture.name, text.get_text(), box.x0, box.x1)
