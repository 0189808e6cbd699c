from __future__ import annotations

from dataclasses import replace

import pytest

import pitstats as ps
from pitstats.study.study import Study


def study(burned: list[list[int]], **stated: object) -> Study:
    bakes = [(pit, y) for pit, own in zip("ABC", burned, strict=False) for y in own]
    made = ps.study_from_counts(
        [pit for pit, _ in bakes], [16] * len(bakes), [y for _, y in bakes]
    )
    return replace(made, settings=replace(made.settings, **stated))


TWO = [[2, 3], [7, 9]]


def test_borrowing_stands_beside_the_plain_answer() -> None:
    plain = ps.compare_pits(study(TWO))
    found = ps.compare_pits(study(TWO, earlier_sd=0.3), earlier=True)
    assert found.earlier.plain.equals(plain.table)
    assert found.table.equals(found.earlier.borrowed)
    row, before = found.table.iloc[0], plain.table.iloc[0]
    assert row["conf_high"] - row["conf_low"] < before["conf_high"] - before["conf_low"]
    assert 0 < found.earlier.unknown_weight < 1
    assert found.rates["estimate"].to_numpy() == pytest.approx(
        found.earlier.rates["estimate"].to_numpy()
    )
    assert "borrowed with prior weight 0.5" in found.method
    text = " ".join(found.earlier.sentences)
    assert "was not declared before the bakes; the borrowed answer leads" in text
    assert "twice as moody as the earlier ones (spread 0.6)" in text
    assert set(found.earlier.sentences) <= set(found.caveats)


def test_a_borrowed_spread_leads_only_when_declared_or_asked_for() -> None:
    plain = ps.compare_pits(study(TWO)).table
    undeclared = ps.compare_pits(study(TWO, earlier_sd=0.3))
    assert undeclared.table.equals(plain)
    assert not undeclared.earlier.leads
    assert "the plain answer leads" in " ".join(undeclared.caveats)
    declared = study(TWO, earlier_sd=0.3, earlier_declared="2026-05-01")
    found = ps.compare_pits(declared)
    assert found.table.equals(undeclared.earlier.borrowed)
    assert found.earlier.plain.equals(plain)
    assert "declared before the bakes; the borrowed answer leads" in " ".join(
        found.caveats
    )
    assert ps.compare_pits(declared, earlier=False).earlier is None


def test_ranks_and_what_comes_next_follow_the_answer_that_leads() -> None:
    found = ps.compare_pits(
        study([*TWO, [4, 5]], earlier_sd=0.3, earlier_declared="yes")
    )
    assert found.draws.pits == ("A", "B", "C")
    mean = found.draws.weights @ found.draws.rates
    assert mean == pytest.approx(found.rates["estimate"].to_numpy(), abs=0.01)


def test_shared_sessions_borrow_nothing() -> None:
    made = study([[2, 3, 4], [7, 9, 8]], earlier_sd=0.3, earlier_declared="yes")
    bakes = made.bakes.assign(session=["1", "2", "3"] * 2)
    shared = replace(made, bakes=bakes)
    found = ps.compare_pits(shared)
    assert found.earlier is None
    assert any("Nothing was borrowed" in caveat for caveat in found.caveats)
    with pytest.raises(ps.DesignError, match="Nothing was borrowed"):
        ps.compare_pits(shared, earlier=True)


def test_new_bakes_that_contradict_the_old_spread_refuse_it() -> None:
    wild = study([[0, 15, 1, 16], [2, 16, 0, 14]], earlier_sd=0.2)
    found = ps.compare_pits(wild, earlier=True)
    assert found.earlier.refused
    assert found.table.equals(found.earlier.plain)
    assert "nothing was borrowed" in found.earlier.sentences[0]


def test_three_pits_keep_their_allowance_for_all_pairs() -> None:
    found = ps.compare_pits(study([*TWO, [4, 5]], earlier_sd=0.4), earlier=True)
    table = found.table
    assert (table["simultaneous_low"] <= table["conf_low"] + 1e-9).all()
    assert (table["p_adjusted"] >= table["p_value"] - 1e-9).all()
    excludes = (table["simultaneous_low"] > 0) | (table["simultaneous_high"] < 0)
    assert ((table["p_adjusted"] < 0.05) == excludes).all()


def test_what_cannot_be_borrowed_is_refused_in_words() -> None:
    with pytest.raises(ps.DesignError, match=r"State \[earlier\] sd"):
        ps.compare_pits(study(TWO), earlier=True)
    with pytest.raises(ps.DesignError, match="as baked"):
        ps.compare_pits(ps.demo_study("four_pits"), layout="common", earlier=True)
    single = ps.compare_pits(study([[2], [9]], earlier_sd=0.3), earlier=True)
    assert set(single.table["verdict"]) == {"one bake each"}


def test_both_answers_are_told_from_the_pit_that_burned_more() -> None:
    found = ps.compare_pits(study(TWO, earlier_sd=0.3), earlier=True)
    assert found.table["estimate"].item() < 0  # A less B
    told = found.earlier.sentences[0]
    low, high = (
        f"{-100 * found.table[f'simultaneous_{end}'].item():+.0f}".replace(
            "-", "\u2212"
        )
        for end in ("high", "low")
    )
    assert told.startswith("B minus A: with a spread between bakes of 0.3 known")
    assert f"({low} to {high} points); without it" in told
