"""The pages: which sections, in which chapters, in which order."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from pitstats.report import ask
from pitstats.report.section import FirstPage, Section
from pitstats.report.sections.first_page import first_page
from pitstats.report.sections.gauges import read_probes as read_probes
from pitstats.report.sections.not_asked import reasons
from pitstats.report.sections.plan import plan_bakes as plan_bakes
from pitstats.report.sections.retest import retest as retest
from pitstats.report.sections.season import season as season
from pitstats.report.study_results import StudyResults


class Chapter(NamedTuple):
    """Sections under one heading, in the order in which they are read."""

    title: str
    sections: tuple[Callable[[StudyResults], Section], ...]


COMPARE_PITS = (
    Chapter("Which pit burns more?", (ask.pairs, ask.rates, ask.ranks, ask.grades)),
    Chapter(
        "How fair and how firm is that?",
        (ask.fairness, ask.design, ask.sensitivity, ask.grading),
    ),
    Chapter(
        "Where does it burn?",
        (ask.maps, ask.patterns, ask.evenness, ask.faces, ask.surface, ask.area),
    ),
    Chapter("Heat and rise", (ask.temperatures, ask.settings, ask.rise)),
    Chapter("Every bake", (ask.bakes, ask.bake_maps)),
    Chapter(
        "Limits, method and next steps",
        (ask.limits, ask.next_steps, ask.method, ask.checklist, ask.safety),
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


def not_asked(results: StudyResults) -> Section:
    """What this record cannot speak to, with the reasons."""
    return reasons(_all(results))


def noise_check(results: StudyResults, simulations: int = 1000) -> FirstPage:
    """First page of the check of a difference that somebody saw."""
    new_test = ask.new_test(results, simulations)
    others = (ask.usual_mistake, ask.pairs, ask.rates, ask.limits, ask.method)
    return first_page(results, [*(own(results) for own in others), new_test])
