"""The pages: which sections, in which chapters, in which order."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from pitstats.analysis.retest.compare import SettingComparison
from pitstats.report import ask
from pitstats.report.plan_results import PlanResults
from pitstats.report.probe_results import ProbeResults
from pitstats.report.season_results import SeasonResults
from pitstats.report.section import FirstPage, Section
from pitstats.report.sections import gauges as _gauges
from pitstats.report.sections import plan as _plan
from pitstats.report.sections import retest as _retest
from pitstats.report.sections import season as _season
from pitstats.report.sections.first_page import first_page
from pitstats.report.sections.not_asked import reasons
from pitstats.report.study_results import StudyResults


class Chapter(NamedTuple):
    """Sections under one heading, in the order in which they are read."""

    title: str
    sections: tuple[Callable[[StudyResults], Section], ...]


COMPARE_PITS = (
    Chapter(
        "Which pit burns more?",
        (ask.pairs, ask.rates, ask.ranks, ask.grades),
    ),
    Chapter(
        "How fair and how firm is that?",
        (
            *(ask.fairness, ask.design),
            *(ask.sensitivity, ask.grading),
        ),
    ),
    Chapter(
        "Where does it burn?",
        (
            *(ask.maps, ask.patterns, ask.evenness),
            *(ask.faces, ask.surface, ask.area),
        ),
    ),
    Chapter("Heat and rise", (ask.temperatures, ask.settings, ask.rise)),
    Chapter("Every bake", (ask.bakes, ask.bake_maps)),
    Chapter(
        "Limits, method and next steps",
        (
            *(ask.limits, ask.next_steps, ask.method),
            *(ask.checklist, ask.safety),
        ),
    ),
)


def _all(results: StudyResults) -> list[Section]:
    return [own(results) for chapter in COMPARE_PITS for own in chapter.sections]


def compare_pits(results: StudyResults) -> FirstPage:
    """First page of the comparison: the answer, and every question in one line.

    Examples
    --------
    >>> import pitstats as ps
    >>> page = compare_pits(ps.StudyResults(ps.demo_study("one_bake_each")))
    >>> page.body[1].text.startswith("This test cannot say which pit burns more")
    True
    """
    return first_page(results, _all(results))


def season(results: SeasonResults) -> FirstPage:
    """First page of a season: rates, pairs and every question in one line."""
    return _season.first_page(results)


def plan_bakes(results: PlanResults) -> FirstPage:
    """First page of plans: how many bakes it takes."""
    return _plan.first_page(results)


def read_probes(results: ProbeResults) -> FirstPage:
    """First page about probes: what the gauge says of the grate."""
    return _gauges.first_page(results)


def retest(changes: SettingComparison, title: str) -> FirstPage:
    """First page of a re-test: whether the change helped."""
    return _retest.first_page(changes, title)


def not_asked(results: StudyResults) -> Section:
    """What this record cannot speak to, with the reasons."""
    return reasons(_all(results))


def noise_check(results: StudyResults, simulations: int = 1000) -> FirstPage:
    """First page of the check of a difference that somebody saw."""
    new_test = ask.new_test(results, simulations)
    others = (ask.usual_mistake, ask.pairs, ask.rates, ask.limits, ask.method)
    return first_page(results, [*(own(results) for own in others), new_test])
