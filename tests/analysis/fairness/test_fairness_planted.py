"""Planted mistakes are found by the right detector; fair designs are left alone."""

from collections import Counter
from functools import cache

import pytest

import pitstats as ps
from pitstats.analysis.fairness import MISTAKES
from tests.analysis.planted import PLANTED, clean, fair_study

#: `test_two_hundred_fair_designs` counted these among 200 fair designs on 25 November
#: 2026 (seed 20261125): none that spoils; the ones that weaken, by detector.
FALSE_ALARMS = {"weather_with_pit": 3, "layouts_differ": 1}


@cache
def findings(mistake: str) -> tuple[ps.Finding, ...]:
    return tuple(ps.audit_fairness(PLANTED[mistake][2]()))


@pytest.mark.parametrize("mistake", PLANTED)
def test_a_planted_mistake_is_found_by_its_detector(mistake: str) -> None:
    expected, severity, _ = PLANTED[mistake]
    found = {finding.id: finding for finding in findings(mistake)}
    assert expected in found
    assert found[expected].severity == severity
    spoilers = {f.id for f in found.values() if f.severity == "spoils"}
    assert spoilers <= {expected}


def test_the_fair_study_has_nothing_that_weakens_it() -> None:
    found = ps.audit_fairness(fair_study())
    assert [finding.id for finding in found if finding.severity != "note"] == []


def alarms(numbers: range) -> Counter[tuple[str, str]]:
    return Counter(
        (finding.severity, finding.id)
        for number in numbers
        for finding in ps.audit_fairness(clean(number))
        if finding.severity != "note"
    )


def test_some_fair_designs_raise_no_alarm_that_spoils() -> None:
    assert not [name for severity, name in alarms(range(2)) if severity == "spoils"]


@pytest.mark.slow
def test_two_hundred_fair_designs() -> None:
    found = alarms(range(200))
    assert not [name for severity, name in found if severity == "spoils"]
    assert {name: n for (_, name), n in found.items()} == FALSE_ALARMS


# --- the table of usual mistakes ------------------------------------------------------


def test_every_usual_mistake_has_a_detector_or_a_reason_and_a_question() -> None:
    assert len(MISTAKES) == 21
    assert len({mistake.name for mistake in MISTAKES}) == 21
    for mistake in MISTAKES:
        if not mistake.detectors:
            assert mistake.prevented, mistake.name
            assert mistake.question, mistake.name


def test_every_detector_of_the_table_is_planted_or_asked_for() -> None:
    planted = {expected for expected, _, _ in PLANTED.values()}
    named = {name for mistake in MISTAKES for name in mistake.detectors}
    assert named - planted == {"ask_gauges", "ask_looks"}


def test_questions_of_the_table_are_asked() -> None:
    asked = {f.message for f in ps.audit_fairness(fair_study()) if f.is_question}
    for mistake in MISTAKES:
        if mistake.question:
            question = mistake.question.format(burned_from="burned", unit="F")
            assert question in asked


def test_a_finding_says_all_that_a_reader_needs() -> None:
    for mistake in PLANTED:
        for finding in findings(mistake):
            assert finding.message[-1] in ".?"
            assert finding.fix.endswith((".", ")")), finding.id
            assert finding.why.endswith("."), finding.id
            assert finding.touches, finding.id
            assert finding.wording or finding.is_question, finding.id
            assert finding.short or finding.is_question, finding.id
            assert len(finding.short) < 70, finding.short
