"""Every figure can be read on a phone, and nothing in it is cut off."""

from collections.abc import Iterator

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

import pitstats as ps
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.section import FirstPage, Picture, Pictures, Section
from tests.report.studies import results_of

PHONE = 360
SMALLEST = 11


def pictures(*shown: Section | FirstPage) -> Iterator[Picture]:
    for own in shown:
        for part in own.body:
            if isinstance(part, Picture):
                yield part
            elif isinstance(part, Pictures):
                yield from part.pictures


def comparison(name: str) -> list[Section | FirstPage]:
    results = results_of(name)
    asked = [own(results) for chapter in COMPARE_PITS for own in chapter.sections]
    return [ps.pages.compare_pits(results), *asked]


def probes(name: str) -> list[Section | FirstPage]:
    results = ps.ProbeResults(ps.demo_study(name))
    asked = (ps.ask.probe_series, ps.ask.survey, ps.ask.gauges)
    return [ps.pages.read_probes(results), *(own(results) for own in asked)]


def plans(_: str) -> list[Section | FirstPage]:
    found = ps.plan_bakes([2, 3, 4], [12, 24], simulations=100, rng=1)
    return [ps.pages.plan_bakes(ps.PlanResults(found))]


def changes(name: str) -> list[Section | FirstPage]:
    return [ps.pages.retest(ps.compare_settings(ps.demo_study(name)), "Damper")]


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


@pytest.mark.parametrize(
    ("pages", "name"),
    [
        *((comparison, name) for name in ("four_pits", "one_bake_each", "probed_pits")),
        *((probes, "probed_pits"), (plans, ""), (changes, "moved_damper")),
    ],
)
def test_labels_of_every_figure_can_be_read_on_a_phone(pages, name):  # type: ignore[no-untyped-def]
    found = list(pictures(*pages(name)))
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
