"""The words are chosen by the evidence, and stay as they were agreed."""

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report import wording
from pitstats.report.sections import grades
from pitstats.report.sections.maps import map_alt
from pitstats.study.demo import demo_names, simulate_demo
from tests.analysis.rates.test_rates import counts_study

STRONG = [1, 2, 1, 2, 11, 12, 13, 12]
EVEN = [20, 21, 19, 20, 21, 20, 20, 19]


def two_pits(
    burned: list[int], n_items: int = 20, margin: float | None = None
) -> ps.Study:
    half = len(burned) // 2
    frame = pd.DataFrame(
        {
            "bake": [f"b{i}" for i in range(len(burned))],
            "pit": ["Quarry"] * half + ["Ferry"] * half,
            "n_items": n_items,
            "n_burned": burned,
        }
    )
    return counts_study(frame, margin=margin)


CASES = {
    "differs": two_pits(STRONG),
    "differs within the margin": two_pits(STRONG, margin=0.95),
    "cannot tell": two_pits([2, 5, 8, 4, 9, 11]),
    "no difference beyond the margin": two_pits(EVEN, 200, margin=0.15),
    "one bake each": two_pits([3, 7]),
    "none burned": two_pits([0, 0, 0, 4, 6, 5]),
}


@pytest.mark.parametrize("case", CASES)
def test_sentences_of_each_kind_of_evidence(
    case: str, snapshot: SnapshotAssertion
) -> None:
    study = CASES[case]
    comparison = ps.compare_pits(study)
    rates = ps.estimate_burn_rates(study)
    lines = [
        wording.answer(comparison),
        wording.answer(comparison, as_set_up=True),
        *wording.headline_number(comparison),
        wording.pair_sentence(comparison, "Ferry", "Quarry"),
        wording.naive_sentence(comparison),
        wording.bake_spread_sentence(rates),
        *(wording.rate_sentence(rates, pit) for pit in ("Quarry", "Ferry")),
        *(wording.effective_sentence(rates, pit) for pit in ("Quarry", "Ferry")),
        *wording.limits(comparison, rates),
    ]
    assert lines == snapshot


@pytest.mark.parametrize("name", demo_names())
def test_sentences_of_the_demo_studies(name: str, snapshot: SnapshotAssertion) -> None:
    study = simulate_demo(name).study
    comparison = ps.compare_pits(study)
    rates = ps.estimate_burn_rates(study)
    findings = ps.audit_fairness(study)
    lines = [
        wording.answer(comparison),
        *wording.headline_number(comparison),
        *(f"{f.id} ({f.severity}): {f.message} {f.fix}" for f in findings),
        wording.missing_sentence(rates),
        *grades.grade_sentences(ps.compare_grades(study)),
        map_alt(ps.map_cells(study), "share"),
        grades.grades_in_words(ps.count_grades(study)),
        *wording.method(comparison, rates),
    ]
    assert lines == snapshot


def test_cannot_tell_names_the_smallest_difference_the_data_exclude() -> None:
    comparison = ps.compare_pits(CASES["cannot tell"])
    row = comparison.table.iloc[0]
    largest = max(abs(row["conf_low"]), abs(row["conf_high"]))
    sentence = wording.pair_sentence(comparison, "Quarry", "Ferry")
    assert f"larger than {wording.points(largest)}" in sentence


def test_the_pit_that_burned_more_is_named_first_whatever_the_sign() -> None:
    mirrored = two_pits(STRONG[4:] + STRONG[:4])
    assert "Quarry burned more than Ferry" in wording.answer(ps.compare_pits(mirrored))
    assert "Ferry burned more than Quarry" in wording.answer(
        ps.compare_pits(CASES["differs"])
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0%"), (1.0, "100%"), (0.004, "0.4%"), (0.996, "99.6%"), (0.285, "28%")],
)
def test_percent_never_rounds_to_certainty(value: float, text: str) -> None:
    assert wording.percent(value) == text


@pytest.mark.parametrize("n_items", [19, 20])
def test_a_pit_that_burned_none_is_among_the_limits(n_items: int) -> None:
    study = two_pits([0, 0, 0, 4, 6, 5], n_items)
    rates = ps.estimate_burn_rates(study)
    sentences = wording.limits(ps.compare_pits(study), rates)
    assert wording.rate_sentence(rates, "Quarry") in sentences
    assert wording.rate_sentence(rates, "Ferry") not in sentences


def test_p_values_are_never_zero() -> None:
    assert wording.p_text(0.0) == "adjusted p < 0.001"
