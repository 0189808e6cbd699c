"""Every figure can be read on a phone, and nothing in it is cut off.

Those of comparisons are held to it in tests/report/test_every_study.py.
"""

from functools import partial

import numpy as np
from matplotlib.figure import Figure

import pitstats as ps
from pitstats.figures.style import house_style, one_panel
from pitstats.report.section import FirstPage, Picture
from tests.figures.readable import held


def test_figures_of_probes() -> None:
    results = ps.ProbeResults(ps.demo_study("probed_pits"))
    asked = (ps.ask.probe_series, ps.ask.survey, ps.ask.gauges)
    held(ps.pages.read_probes(results), *(own(results) for own in asked))


def test_figures_of_a_plan() -> None:
    found = ps.plan_bakes([2, 3, 4], [12, 24], simulations=100, rng=1)
    held(ps.pages.plan_bakes(ps.PlanResults(found)))


def test_figures_of_a_retest() -> None:
    changes = ps.compare_settings(ps.demo_study("moved_damper"))
    held(ps.pages.retest(changes, "Damper"))


def panel_to(end: float) -> Figure:
    with house_style():
        figure, axes = one_panel(3)
        axes.set_yticks([0], labels=["Quarry: near\nless far"])
        axes.set_xlim(-end, end)
        axes.xaxis.set_major_formatter(lambda x, _: f"{100 * x:+.0f}")
    return figure


def test_the_last_tick_of_an_axis_is_whole_wherever_the_axis_ends() -> None:
    pictures = [
        Picture("panel", partial(panel_to, end), "A panel", "")
        for end in np.arange(0.1, 1.05, 0.013)
    ]
    held(FirstPage(pictures))
