"""Sentences over a grid of evidence: as agreed, and inside it everywhere."""

import re

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.analysis.places.end_counts import count_ends
from pitstats.report import wording
from pitstats.report.wording import evenness as evenness_wording
from pitstats.report.wording import guard
from tests.analysis.rates.test_rates import counts_study
from tests.report.evidence import (
    BAKES,
    BURNED,
    GRID,
    RELATION,
    SEVERITIES,
    evidence,
    finding,
    names_of_findings,
)

PITS = ("Quarry", "Ferry")
UNIT = re.compile(r"\bbakes?\b")
CONDITIONS = re.compile(r"in these conditions|in these bakes|in this bake|one bake")
CLAIM = re.compile(r"burn(?:s|ed) more")


def result_sentences(
    comparison: ps.PitComparison,
    rates: ps.BurnRates,
    findings: list[ps.Finding] | None = None,
) -> list[str]:
    found = findings or []
    return [
        wording.title(comparison, findings=found),
        wording.answer(comparison, findings=found),
        wording.answer(comparison, as_set_up=True, findings=found),
        wording.headline_number(comparison, found)[1],
        wording.pair_sentence(comparison, *PITS, found),
        wording.naive_sentence(comparison),
        *(wording.rate_sentence(rates, pit) for pit in PITS),
    ]


def test_the_grid_holds_every_verdict() -> None:
    verdicts = {evidence(*case)[1].table["verdict"].iloc[0] for case in GRID}
    assert verdicts >= {
        "differs",
        "cannot tell",
        "no difference beyond the margin",
        "one bake each",
    }
    for n_bakes, burned in ((4, "none"), (4, "some"), (4, "all")):
        seen = [
            evidence(n_bakes, burned, relation)[1].table["verdict"].iloc[0]
            for relation in RELATION
        ]
        assert seen == ["differs", "cannot tell", "no difference beyond the margin"]


@pytest.mark.parametrize("n_bakes", BAKES)
def test_title_and_lead(n_bakes: int, snapshot: SnapshotAssertion) -> None:
    shown = {}
    for burned in BURNED:
        for relation in RELATION:
            _, comparison, rates = evidence(n_bakes, burned, relation)
            shown[f"{burned} burned, {relation}"] = [
                wording.title(comparison),
                wording.answer(comparison),
                wording.rate_sentence(rates, "Quarry"),
            ]
    assert shown == snapshot


@pytest.mark.parametrize("relation", RELATION)
@pytest.mark.parametrize("n_bakes", [1, 4])
def test_caption_limits_and_method(
    n_bakes: int, relation: str, snapshot: SnapshotAssertion
) -> None:
    _, comparison, rates = evidence(n_bakes, "none", relation)
    weak = [finding("order_fixed", "spoils"), finding("not_blind", "note")]
    assert {
        "captions": [
            wording.pairs_caption(comparison),
            wording.rates_caption(rates),
            wording.rates_table_caption(rates),
        ],
        "limits": wording.limits(comparison, rates, weak),
        "method": wording.method(comparison, rates)[:1],
    } == snapshot


@pytest.mark.parametrize("severity", SEVERITIES)
def test_lead_beside_a_finding(severity: str, snapshot: SnapshotAssertion) -> None:
    found = [finding("order_fixed", severity)]
    shown = {}
    for relation in RELATION:
        _, comparison, _ = evidence(4, "some", relation)
        shown[relation] = [
            wording.title(comparison, findings=found),
            wording.answer(comparison, as_set_up=True, findings=found),
            wording.pair_sentence(comparison, *PITS, found),
        ]
    assert shown == snapshot


@pytest.mark.parametrize("case", GRID, ids=lambda case: "-".join(map(str, case)))
def test_every_sentence_stays_inside_its_evidence(
    case: tuple[int, str, str],
) -> None:
    n_bakes = case[0]
    _, comparison, rates = evidence(*case)
    verdict = comparison.table["verdict"].iloc[0]
    for text in result_sentences(comparison, rates):
        assert guard.overclaims(text) == []
        assert UNIT.search(text), text
        assert CONDITIONS.search(text), text
        if n_bakes == 1 and CLAIM.search(text):
            assert re.search(r"in th(?:is|ese) bakes?\b", text), text
        if n_bakes == 1:
            assert "in these conditions" not in text, text
    answer = wording.answer(comparison)
    pair = wording.pair_sentence(comparison, *PITS)
    if verdict == "cannot tell":
        low, high = comparison.table.loc[0, ["conf_low", "conf_high"]]
        largest = wording.points(max(abs(low), abs(high)))
        for text in (answer, pair):
            assert "cannot tell" in text
            assert f"larger than {largest}, whichever pit is ahead, are excl" in text
    assert ("No difference larger than" in answer) == (
        verdict == "no difference beyond the margin"
    )
    assert ("burned more than" in answer) == verdict.startswith("differs")
    if n_bakes > 1:
        assert "averaged over bakes" in answer
        assert "averaged over bakes" in pair


@pytest.mark.parametrize("relation", RELATION)
@pytest.mark.parametrize("n_bakes", [2, 4])
def test_no_equivalence_without_a_margin_stated_before(
    n_bakes: int, relation: str
) -> None:
    for burned in BURNED:
        _, comparison, rates = evidence(n_bakes, burned, relation, margin=False)
        lines = result_sentences(comparison, rates)
        assert not [t for t in lines if re.search("o difference larger than", t)]
        if comparison.table["verdict"].iloc[0] == "cannot tell":
            assert "are excluded" in wording.answer(comparison)
        limits = " ".join(wording.limits(comparison, rates))
        assert "No margin was stated before the bakes" in limits


@pytest.mark.parametrize("name", names_of_findings())
def test_each_finding_has_its_effect_on_the_words(name: str) -> None:
    for severity in SEVERITIES:
        found = [finding(name, severity)]
        for n_bakes in (1, 4):
            for relation in RELATION:
                _, comparison, rates = evidence(n_bakes, "some", relation)
                lines = [
                    wording.title(comparison, findings=found),
                    wording.answer(comparison, findings=found),
                    wording.pair_sentence(comparison, *PITS, found),
                ]
                for text in lines:
                    own = frozenset({f"what {name} found"})
                    assert guard.overclaims(text, own) == []
                    assert UNIT.search(text)
                _check_temper(comparison, found[0], n_bakes)
                limits = wording.limits(comparison, rates, found)
                counts = severity != "note" and not found[0].is_question
                assert (found[0].message in limits) == counts


def _check_temper(
    comparison: ps.PitComparison, found: ps.Finding, n_bakes: int
) -> None:
    plain = wording.answer(comparison)
    text = wording.answer(comparison, findings=[found])
    if found.is_question or found.severity != "spoils" or n_bakes == 1:
        assert text == plain
        return
    assert found.short in text
    assert "in these conditions" not in text
    if "burned more than" in plain:
        assert "in these bakes" in text
        assert "cannot tell whether that belongs to the pits" in text
        assert "open whether" in wording.title(comparison, findings=[found])
    else:
        assert "may hide a difference" in text


def test_a_finding_without_few_words_is_told_in_full() -> None:
    _, comparison, _ = evidence(4, "some", "clear")
    long = ps.Finding("order_fixed", "spoils", "The order was fixed.", "Turn it.")
    text = wording.answer(comparison, findings=[long])
    assert text.endswith("whether that belongs to the pits: The order was fixed.")


def test_questions_are_no_findings_about_the_pits() -> None:
    _, comparison, rates = evidence(4, "some", "clear")
    asked = finding("ask_cut", "spoils")
    assert wording.answer(comparison, findings=[asked]) == wording.answer(comparison)
    assert asked.message not in wording.limits(comparison, rates, [asked])


def test_a_finding_about_other_numbers_leaves_the_lead_alone() -> None:
    _, comparison, _ = evidence(4, "some", "clear")
    other = ps.Finding("rotated", "spoils", "Moved.", "Do not.", touches=("map",))
    assert wording.answer(comparison, findings=[other]) == wording.answer(comparison)


def test_the_audit_can_give_the_findings_tested_here() -> None:
    names = names_of_findings()
    assert {"one_bake_each", "order_fixed", "lot_with_pit", "no_margin"} <= set(names)
    real = {f.id for n in ps.demo_names() for f in ps.audit_fairness(ps.demo_study(n))}
    stems = [n.split("damper_open")[0] for n in names]
    assert all(
        any(name.startswith(stem) for stem in stems if stem) or "any" in names
        for name in real
    )


# --- which words which evidence allows ------------------------------------------------


def several(rates: dict[str, float], n_bakes: int = 4) -> ps.Study:
    return counts_study(
        pd.DataFrame(
            [
                (f"{pit} {i}", pit, 20, round(20 * rate))
                for pit, rate in rates.items()
                for i in range(n_bakes)
            ],
            columns=["bake", "pit", "n_items", "n_burned"],
        )
    )


def _zone_lines(study: ps.Study) -> list[str]:
    evenness = ps.compare_evenness(study)
    ends = count_ends(study)
    return [
        *evenness_wording.evenness_sentences(evenness),
        *evenness_wording.zone_sentences(evenness, ends),
    ]


def _lines_of(n_bakes: int, burned: str, relation: str) -> list[str]:
    _, comparison, rates = evidence(n_bakes, burned, relation)
    return result_sentences(comparison, rates)


#: Evidence, what must be said of it, and what must not.
AGREED = {
    "one bake per pit": (
        lambda: _lines_of(1, "some", "clear"),
        r"in this bake",
        r"Ferry burn(?:s|ed) more",
    ),
    "interval spans zero": (
        lambda: _lines_of(3, "some", "unclear"),
        r"[Tt]his test cannot tell",
        r"the same|equal|alike|no difference",
    ),
    "interval inside the margin": (
        lambda: _lines_of(4, "some", "equivalent"),
        r"[Nn]o difference larger than",
        r"identical|the same",
    ),
    "interval clear of zero": (
        lambda: _lines_of(4, "some", "clear"),
        r"Ferry burned more than Quarry in these conditions",
        r"worse|better|best|worst|prove",
    ),
    "0 of n": (
        lambda: _lines_of(4, "none", "clear"),
        r"none of 80 items.*true share could be up to",
        r"never|0%",
    ),
    "settings went with the pit": (
        lambda: _lines_of(4, "some", "clear"),
        r"as set up",
        r"because of|due to",
    ),
    "a zone in every bake": (
        lambda: _zone_lines(ps.demo_study("unequal_layouts")),
        r"repeatably hotter near the firebox",
        r"always|never",
    ),
    "a zone from one bake": (
        lambda: _zone_lines(ps.demo_study("one_bake_each")),
        r"estimated from this bake",
        r"repeatabl|in these conditions|hotter",
    ),
}


@pytest.mark.parametrize("case", AGREED)
def test_allowed_sentences_appear_and_others_do_not(case: str) -> None:
    lines, allowed, forbidden = AGREED[case]
    made = lines()
    assert any(re.search(allowed, text) for text in made)
    assert [text for text in made if re.search(forbidden, text)] == []


# --- several pits ---------------------------------------------------------------------


def test_best_against_worst_is_flagged_as_picked_after_looking() -> None:
    comparison = ps.compare_pits(several({"A": 0.1, "B": 0.3, "C": 0.7, "D": 0.4}))
    number, text = wording.headline_number(comparison)
    assert text.startswith(
        "Largest difference in long-run burn rate, in percentage points, C minus A"
    )
    assert "picked after looking" in text
    assert "picked after looking" in wording.naive_sentence(comparison)
    pair = comparison.table.iloc[wording.largest_difference(comparison)]
    wide = wording.points(max(abs(pair["simultaneous_low"]), 0))
    assert wide.split()[0] in text
    assert number == wording.points(pair["estimate"])


def test_two_pits_are_not_called_picked() -> None:
    comparison = evidence(4, "some", "clear")[1]
    assert "picked" not in " ".join(wording.headline_number(comparison))
    assert "picked" not in wording.naive_sentence(comparison)


def test_pairs_not_separated_come_with_what_is_excluded() -> None:
    comparison = ps.compare_pits(several({"A": 0.05, "B": 0.1, "C": 0.9}))
    table = comparison.table
    unknown = table[table["verdict"] == "cannot tell"]
    assert len(unknown) == 1
    ends = unknown[["simultaneous_low", "simultaneous_high"]].abs().to_numpy().max()
    assert (
        f"For one other pair this test cannot tell; differences larger than "
        f"{wording.points(ends)} are excluded." in wording.answer(comparison)
    )


def test_a_pit_baked_once_is_spoken_of_in_these_bakes() -> None:
    frame = pd.DataFrame(
        {
            "bake": list("abcdef"),
            "pit": ["A"] * 5 + ["B"],
            "n_items": 30,
            "n_burned": [1, 1, 0, 2, 1, 30],
        }
    )
    comparison = ps.compare_pits(counts_study(frame))
    assert comparison.table["verdict"].iloc[0] == "differs"
    text = wording.answer(comparison)
    assert "B burned more than A in these bakes" in text
    assert "borrowed" in text
    assert "in these conditions" not in text
    rates = ps.estimate_burn_rates(counts_study(frame))
    assert "in this bake" in wording.rate_sentence(rates, "B")


def test_more_and_less_do_not_depend_on_the_order_of_pits() -> None:
    one = ps.compare_pits(several({"A": 0.1, "B": 0.8}))
    other = ps.compare_pits(several({"B": 0.8, "A": 0.1}))
    assert wording.title(one) == wording.title(other)


def test_layouts_are_named() -> None:
    study = ps.demo_study("four_pits")
    common = ps.compare_pits(study, layout="common")
    assert "over the places that all pits share" in wording.answer(common)
    cells = common.cells
    assert cells is not None
    own = ps.compare_pits(study, layout=cells[["grate", "distance"]])
    assert own.layout == "own"
    assert "over the cells of the stated layout" in wording.answer(own)
