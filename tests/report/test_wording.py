"""The words are chosen by the evidence, and stay as they were agreed."""

import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report import numbers
from pitstats.report.sections import answer, grades
from pitstats.report.sections.maps import map_alt
from pitstats.study.demo import demo_names, simulate_demo


@pytest.mark.parametrize("name", demo_names())
def test_sentences_of_the_demo_studies(name: str, snapshot: SnapshotAssertion) -> None:
    study = simulate_demo(name).study
    results = ps.StudyResults(study)
    findings = results.findings
    lines = [
        answer.answer(results),
        *(f"{f.id} ({f.severity}): {f.message} {f.fix}" for f in findings),
        *grades.grade_sentences(ps.compare_grades(study)),
        map_alt(ps.map_cells(study), "share"),
    ]
    assert lines == snapshot


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0%"), (1.0, "100%"), (0.004, "0.4%"), (0.996, "99.6%"), (0.285, "28%")],
)
def test_percent_never_rounds_to_certainty(value: float, text: str) -> None:
    assert numbers.percent(value) == text


def test_p_values_are_never_zero() -> None:
    assert numbers.p_text(0.0) == "adjusted p < 0.001"
