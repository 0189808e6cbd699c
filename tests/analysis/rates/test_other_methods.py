"""The same pair by other methods: what they give, and when they cannot."""

import numpy as np
import pytest

import pitstats as ps
from pitstats.report.numbers import MINUS
from pitstats.report.sections.pairs import methods_table
from tests.analysis.rates.test_rates import house_example


def test_rows_and_units() -> None:
    study = house_example()
    table = ps.compare_methods(study, ps.compare_pits(study))
    assert table["unit"].tolist() == ["bake", "item", "bake", "bake"]
    assert (table[["pit_a", "pit_b"]] == ["A", "B"]).all(axis=None)


def test_values_are_those_of_the_programs_themselves() -> None:
    # Pooled 15/60 - 24/60 = -0.15; Newcombe -0.3064 to 0.0174 (computed for this
    # example from Newcombe 1998, Stat Med 17:873, method 10).
    study = house_example()
    table = ps.compare_methods(study, ps.compare_pits(study)).set_index("method")
    newcombe = table.loc["each item counted (Newcombe)"]
    assert newcombe["estimate"] == pytest.approx(-0.15)
    assert newcombe["conf_low"] == pytest.approx(-0.3064, abs=5e-5)
    gee = table.loc["GEE, exchangeable, t"]
    # Equal bakes: GEE estimates the raw shares, and allows for bakes.
    assert gee["estimate"] == pytest.approx(-0.15, abs=1e-6)
    assert gee["conf_high"] - gee["conf_low"] > 0.33
    assert "4 df" in gee["note"]


def test_swapping_the_pits_turns_the_signs() -> None:
    study = house_example()
    swapped = ps.Study(
        settings=study.settings,
        pits=study.pits.iloc[::-1],
        bakes=study.bakes,
        counts=study.counts,
    )
    one = ps.compare_methods(study, ps.compare_pits(study))
    other = ps.compare_methods(swapped, ps.compare_pits(swapped))
    np.testing.assert_allclose(one["estimate"], -other["estimate"], atol=1e-9)
    np.testing.assert_allclose(one["conf_low"], -other["conf_high"], atol=1e-7)


def test_a_pair_may_be_named() -> None:
    study = ps.demo_study("four_pits")
    table = ps.compare_methods(study, ps.compare_pits(study), ("Mill", "Ferry"))
    assert (table[["pit_a", "pit_b"]] == ["Ferry", "Mill"]).all(axis=None)


def test_the_page_shows_the_pair_that_it_leads_with_as_it_leads_with_it() -> None:
    # As baked this pair differs the other way round: the places had hidden it.
    study = ps.demo_study("unequal_layouts")
    both = ps.compare_both_ways(study)
    assert (
        both.as_baked.table["estimate"].item()
        < 0
        < both.leading.table["estimate"].item()
    )
    table = methods_table(study, both)
    assert table.caption.startswith(f"Quarry {MINUS} Orchard, as baked")
    assert table.shown["Difference, points"].iloc[0].startswith(MINUS)


@pytest.mark.parametrize(
    ("demo", "reason"), [("one_bake_each", "two bakes"), ("nothing_burned", "none")]
)
def test_what_a_method_cannot_do_is_said(demo: str, reason: str) -> None:
    study = ps.demo_study(demo)
    table = ps.compare_methods(study, ps.compare_pits(study))
    assert table["estimate"].isna().tolist() == [False, False, True, True]
    assert table["note"].iloc[2:].str.contains(reason).all()
