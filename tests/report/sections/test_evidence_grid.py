"""Answer, pairs, rates and limits over a grid of evidence: inside it everywhere."""

import re
from dataclasses import replace

import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.numbers import points
from pitstats.report.sections import answer, limits, pairs, rates
from tests.analysis.rates.test_rates import counts_study
from tests.report.evidence import (
    BURNED,
    GRID,
    RELATION,
    SEVERITIES,
    evidence,
    finding,
    names_of_findings,
)
from tests.report.overclaims import overclaims


def results_of(
    n_bakes: int, burned: str, relation: str, *found: ps.Finding, margin: bool = True
) -> ps.StudyResults:
    study, _, _ = evidence(n_bakes, burned, relation, margin=margin)
    results = ps.StudyResults(study)
    results.__dict__["findings"] = found
    return results


def lines_of(results: ps.StudyResults) -> list[str]:
    row = results.comparison.table.iloc[0]
    own = [rates.rate_sentence(results.rates, pit) for pit in ("Quarry", "Ferry")]
    return [answer.answer(results), pairs.pair_sentence(results, row), *own]


def test_the_grid_holds_every_verdict() -> None:
    alone = evidence(1, "some", "clear")[1]
    assert alone.table["verdict"].tolist() == ["one bake each"]
    for burned in BURNED:
        seen = [
            evidence(4, burned, own)[1].table["verdict"].iloc[0] for own in RELATION
        ]
        assert seen == ["differs", "cannot tell", "no difference beyond the margin"]


@pytest.mark.parametrize(
    "case", [c for c in GRID if c[0] in (1, 4)], ids=lambda c: "-".join(map(str, c))
)
def test_every_sentence_stays_inside_its_evidence(case: tuple[int, str, str]) -> None:
    results = results_of(*case)
    row = results.comparison.table.iloc[0]
    lines = lines_of(results)
    for text in lines:
        assert overclaims(text) == [], text
        assert re.search("bake|in these conditions", text), text
        if case[0] == 1:
            assert "in these conditions" not in text
            assert "burned more" not in text
            assert not re.search(r"\bp [=<>]", text)
    said, pair = lines[:2]
    if row["verdict"] == "cannot tell":
        largest = points(max(abs(row["conf_low"]), abs(row["conf_high"])))
        assert "cannot tell" in said
        assert f"more than {largest} either way is excluded" in pair
        assert any("is not 'the same'" in text for text in limits.in_short(results))
    beyond = row["verdict"] == "no difference beyond the margin"
    assert ("No difference larger than" in said) == beyond
    assert ("burned more than" in said) == row["verdict"].startswith("differs")


@pytest.mark.parametrize("relation", RELATION)
def test_no_equivalence_without_a_margin_stated_before(relation: str) -> None:
    for burned in BURNED:
        results = results_of(4, burned, relation, margin=False)
        assert not [t for t in lines_of(results) if "o difference larger than" in t]


@pytest.mark.parametrize("severity", SEVERITIES)
@pytest.mark.parametrize("relation", RELATION)
def test_a_finding_tempers_the_answer(relation: str, severity: str) -> None:
    plain = answer.answer(results_of(4, "some", relation))
    found = finding("order_fixed", severity)
    text = answer.answer(results_of(4, "some", relation, found))
    if severity != "spoils":
        assert text == plain
        return
    assert "in these conditions" not in text
    doubt = "this test cannot tell whether the pits caused that"
    assert (doubt if relation == "clear" else "may hide a difference") in text
    alone = results_of(1, "some", relation, found)
    assert answer.answer(alone) == answer.answer(results_of(1, "some", relation))


def test_questions_and_other_numbers_leave_the_answer_alone() -> None:
    plain = answer.answer(results_of(4, "some", "clear"))
    other = ps.Finding("rotated", "spoils", "Moved.", "Do not.", touches=("map",))
    for found in (finding("ask_cut", "spoils"), other):
        assert answer.answer(results_of(4, "some", "clear", found)) == plain


def test_the_audit_can_give_the_findings_tested_here() -> None:
    names = names_of_findings()
    assert {"one_bake_each", "order_fixed", "lot_with_pit", "no_margin"} <= set(names)


@pytest.mark.parametrize("n_items", [19, 20])
def test_a_pit_that_burned_none_is_among_the_limits(n_items: int) -> None:
    frame = pd.DataFrame(
        {
            "bake": list("abcdef"),
            "pit": ["Quarry"] * 3 + ["Ferry"] * 3,
            "n_items": n_items,
            "n_burned": [0, 0, 0, 4, 6, 5],
        }
    )
    said = limits.in_short(ps.StudyResults(counts_study(frame)))
    assert any(text.startswith(f"Quarry: none of {3 * n_items} seen") for text in said)
    assert not any(text.startswith("Ferry:") for text in said)


def test_the_pair_that_may_differ_most_is_named_where_another_leads() -> None:
    pits = ["A"] * 4 + ["B"] * 4 + ["C"] * 2
    burned = [2, 5, 1, 4, 8, 5, 9, 6, 4, 8]
    said = limits.in_short(
        ps.StudyResults(ps.study_from_counts(pits, [20] * 10, burned))
    )
    assert any("points (A, C) remain possible" in text for text in said)
    two = ps.study_from_counts(pits[:8], [20] * 8, burned[:8])
    assert not any("(A, B)" in text for text in limits.in_short(ps.StudyResults(two)))


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.0, 0.4, "hardly differed"),
        (0.0, 0.76, "may hardly differ or differ as is usual"),
        (0.0, 1.4, "may hardly differ or differ a lot"),
        (0.5, 0.7, "differed about as much as is usual"),
        (0.5, 1.4, "differed as is usual or more"),
        (0.9, 1.4, "differed a lot"),
    ],
)
def test_the_mood_of_fires_is_told_no_surer_than_its_interval(
    low: float, high: float, said: str
) -> None:
    found = ps.StudyResults(evidence(4, "some", "clear")[0]).rates
    sds = found.bake_sd.assign(estimate=0.4, conf_low=low, conf_high=high)
    told = rates.bake_spread_sentences(replace(found, bake_sd=sds))
    assert told[0].startswith(f"Bakes of Quarry {said}: SD 0.40")


def test_a_pit_baked_once_is_spoken_of_in_these_bakes() -> None:
    frame = pd.DataFrame(
        {
            "bake": list("abcdef"),
            "pit": ["A"] * 5 + ["B"],
            "n_items": 30,
            "n_burned": [1, 1, 0, 2, 1, 30],
        }
    )
    results = ps.StudyResults(counts_study(frame))
    text = answer.answer(results)
    assert text.startswith("B burned more than A")
    assert "in these bakes" in text
    assert "in these conditions" not in text
    row = results.comparison.table.iloc[0]
    assert "borrowed" in pairs.pair_sentence(results, row)
    assert "in this bake" in rates.rate_sentence(results.rates, "B")


def test_more_and_less_do_not_depend_on_the_order_of_pits() -> None:
    said = []
    for order in (["A", "B"], ["B", "A"]):
        burned = {"A": [2, 1, 3], "B": [15, 17, 16]}
        rows = [(f"{p}{i}", p, 20, n) for p in order for i, n in enumerate(burned[p])]
        names = ["bake", "pit", "n_items", "n_burned"]
        frame = pd.DataFrame(rows, columns=names)
        said.append(answer.answer(ps.StudyResults(counts_study(frame))))
    assert said[0].startswith("B burned more than A")
    assert re.sub(r"\d+", "", said[0]) == re.sub(r"\d+", "", said[1])


def test_names_of_pits_are_no_claims_of_ours() -> None:
    names = ["never", "Identical twin", "significant $^&"]
    rows = [(f"{p}{i}", p, 20, 3 * k) for k, p in enumerate(names) for i in range(3)]
    frame = pd.DataFrame(rows, columns=["bake", "pit", "n_items", "n_burned"])
    text = answer.answer(ps.StudyResults(counts_study(frame)))
    assert overclaims(text, names) == []
