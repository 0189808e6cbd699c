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
    text = " ".join(found.earlier.sentences)
    assert "the plain answer leads" in text
    assert "moodier than the earlier ones" in text
    assert set(found.earlier.sentences) <= set(found.caveats)


def test_a_borrowed_spread_leads_only_when_asked() -> None:
    undeclared = study(TWO, earlier_sd=0.3)
    plain = ps.compare_pits(undeclared)
    assert plain.earlier is None
    declared = study(TWO, earlier_sd=0.3, earlier_declared="2026-05-01")
    found = ps.compare_pits(declared)
    assert found.table.equals(plain.table)
    asked = ps.compare_pits(declared, earlier=True)
    assert asked.table.equals(found.earlier.borrowed)
    assert "the plain answer leads all the same" in " ".join(found.caveats)
    assert ps.compare_pits(declared, earlier=False).earlier is None


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
    with pytest.raises(ps.DesignError, match=r"Add \[earlier\] sd"):
        ps.compare_pits(study(TWO), earlier=True)
    with pytest.raises(ps.DesignError, match="as baked"):
        ps.compare_pits(ps.demo_study("four_pits"), layout="common", earlier=True)
    single = ps.compare_pits(study([[2], [9]], earlier_sd=0.3), earlier=True)
    assert set(single.table["verdict"]) == {"one bake each"}
