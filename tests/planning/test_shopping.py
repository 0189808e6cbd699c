"""Packs, fuel, hours and people: sums worked by hand, nothing assumed in silence."""

import inspect

import pytest

from pitstats.errors import DesignError
from pitstats.planning.layout import randomize_layout
from pitstats.planning.shopping import COMMON, STATED, shopping_list

PITS = {"Oak": (3, 6), "Creek": (3, 5)}


@pytest.fixture(scope="module")
def layout():
    return randomize_layout(PITS, bakes=2, regrade_share=0.2, seed=1)


def row(needs, what):
    return needs.table[needs.table["what"] == what].iloc[0]


def test_packs_are_bought_whole_with_spares(layout):
    # 66 items and a tenth more are 72.6: ten packs of eight hold 80, nine hold 72.
    assert row(shopping_list(layout, pack_size=8), "packs of dough")["amount"] == 10
    none = shopping_list(layout, pack_size=11, spare_share=0)
    assert row(none, "packs of dough")["amount"] == 6
    assert row(none, "packs of dough")["source"] == STATED


def test_packs_are_worked_out_by_lot():
    layout = randomize_layout(PITS, bakes=2, lots={"L1": 40, "L2": 40}, seed=1)
    needs = shopping_list(layout, pack_size=8, spare_share=0)
    packs = needs.table[needs.table["unit"] == "packs"]
    assert packs.set_index("what")["amount"].to_dict() == {
        "packs of dough, lot L1": 5.0,
        "packs of dough, lot L2": 5.0,
    }


def test_fuel_is_what_the_user_states(layout):
    needs = shopping_list(
        layout,
        pack_size=8,
        fuel_per_bake={"split wood": (4, "kg"), "charcoal": (0.5, "kg")},
        fuel_per_session={"charcoal": (2, "kg")},
    )
    assert row(needs, "split wood")["amount"] == 16
    charcoal = row(needs, "charcoal")
    assert charcoal["amount"] == 0.5 * 4 + 2 * 2
    assert charcoal["basis"] == "0.5 kg x 4 bakes + 2 kg x 2 sessions"
    assert "16 kg of split wood" in needs.sentence
    bare = shopping_list(layout, pack_size=8)
    assert any("No fuel is listed" in line for line in bare.caveats)
    assert not any("No fuel is listed" in line for line in needs.caveats)


def test_hours_are_the_sum_of_the_stated_times(layout):
    needs = shopping_list(
        layout,
        pack_size=8,
        settle_minutes=50,
        bake_minutes=20,
        seconds_per_item=4,
        between_minutes=15,
        cool_minutes=10,
        grade_seconds=30,
        people={"cook": 1},
    )
    # Per session two bakes with 33 items, 7 of them graded twice: 50 + 2 * 20 +
    # 2 * 33 * 4 / 60 + 15 + 10 + 40 * 30 / 60 = 139.4 minutes.
    assert row(needs, "session 1")["amount"] == pytest.approx(139.4 / 60, abs=0.05)
    assert row(needs, "session 1")["source"] == STATED
    assert row(needs, "cook")["amount"] == 1


def test_planned_minutes_of_the_bakes_are_used(layout):
    long = randomize_layout(PITS, bakes=2, planned={"minutes": 85}, seed=1)
    difference = (
        row(shopping_list(long, pack_size=8), "session 1")["amount"]
        - row(shopping_list(layout, pack_size=8), "session 1")["amount"]
    )
    assert difference == pytest.approx(2.0, abs=0.11)  # 2 bakes of 85 instead of 25


def test_every_default_is_marked(layout):
    needs = shopping_list(layout, pack_size=8)
    assert needs.table["source"].str.contains(COMMON).all()
    assert any("common practice" in line for line in needs.caveats)
    defaults = {
        name: parameter.default
        for name, parameter in inspect.signature(shopping_list).parameters.items()
        if parameter.default is not inspect.Parameter.empty
    }
    assert all(default is None for default in defaults.values())


def test_only_planned_bakes_count(layout):
    study = layout.study
    assert shopping_list(study, pack_size=8).sentence == (
        shopping_list(layout, pack_size=8).sentence
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"pack_size": 0}, "pack_size is 0. Give a whole number of 1 or more"),
        ({"pack_size": 7.5}, "pack_size is 7.5"),
        ({"spare_share": -0.1}, "spare_share is -0.1"),
        ({"bake_minutes": float("inf")}, "bake_minutes is inf"),
        ({"fuel_per_bake": {"wood": 4}}, "Give an amount and its unit"),
        ({"fuel_per_bake": {"wood": ("four", "kg")}}, "amount of wood is 'four'"),
        ({"people": {"cook": -1}}, "people as cook is -1"),
    ],
)
def test_numbers_that_make_no_sense_are_refused(layout, change, message):
    with pytest.raises(DesignError, match=message):
        shopping_list(layout, **({"pack_size": 8} | change))


def test_a_study_without_planned_bakes_is_refused(layout):
    from dataclasses import replace

    study = layout.study
    done = replace(
        study,
        bakes=study.bakes.assign(status="excluded", reason="rain"),
    )
    with pytest.raises(DesignError, match="no bake with items is planned"):
        shopping_list(done, pack_size=8)


def test_shown_in_a_notebook(layout):
    shown = shopping_list(
        layout, pack_size=8, fuel_per_bake={"<i>wood": (1, "kg")}
    )._repr_html_()
    assert "<i>wood" not in shown
    assert "packs of dough" in shown
