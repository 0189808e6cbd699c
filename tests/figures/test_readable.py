"""Every figure can be read on a phone, and nothing in it is cut off.

Those of comparisons are held to it in tests/report/test_every_study.py.
"""

import pitstats as ps
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
