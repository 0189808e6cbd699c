"""Sections that are not data yet, shown by the old page until they are."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from pitstats.report.compare_page import ComparisonPage
from pitstats.report.section import Old, Section
from pitstats.report.study_results import StudyResults

Show = Callable[[ComparisonPage, StudyResults], object]


def old(id: str, question: str, *shows: Show) -> Callable[[StudyResults], Section]:
    """A section of the old page under its new name."""

    def section(results: StudyResults) -> Section:
        calls = [partial(_show, show, results) for show in shows]
        return Section(id=id, question=question, body=[Old(call) for call in calls])

    return section


def _show(show: Show, results: StudyResults, folder: str | None) -> str:
    from pitstats.report.old_page import collect

    page = ComparisonPage(results.study, folder)
    page._keep_findings(results.findings)
    return collect(partial(show, page, results))


sensitivity = old(
    "sensitivity",
    "Would the answer change?",
    lambda p, r: p.show_sensitivity(r.sensitivity),
)


evenness = old(
    "evenness",
    "How evenly does each pit burn?",
    lambda p, r: p.show_evenness(r.conf_level),
    lambda p, r: p.show_curves(r.conf_level),
)
