"""The random layout: a valid planned study, fair draws, refusals in words."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pitstats.errors import DesignError
from pitstats.planning.layout import draw_tables, randomize_layout
from pitstats.planning.layout_plan import check_plan
from pitstats.study.settings import Settings
from pitstats.study.study import Study

TWO_PITS = {"Oak": (3, 4), "Creek": (3, 4)}
UNEQUAL = pd.DataFrame(
    {
        "pit": ["Oak", "Oak", "Creek"],
        "grate": ["low", "high", "low"],
        "rows": [4, 3, 3],
        "columns": [6, 5, 5],
        "cell_length": 4.0,
        "cell_width": 4.0,
        "level": [1, 2, 1],
    }
)
INCHES = {"length_unit": "in", "temperature_rule": "same grate"}


def test_the_plan_is_a_valid_study_without_results():
    layout = randomize_layout(UNEQUAL, settings=INCHES, bakes=2, seed=1)
    study = layout.study
    assert isinstance(study, Study)
    assert (study.bakes["status"] == "planned").all()
    assert len(study.items) == 2 * (4 * 6 + 3 * 5) + 2 * 3 * 5
    results = [
        "grade_top",
        "grade_bottom",
        "grade_side",
        "burned",
        "rise_mm",
        "missing",
    ]
    assert study.items[results].isna().all().all()
    filled = ["bake", "grate", "row", "column", "code", "load_rank", "grading_order"]
    assert study.items[filled].notna().all().all()
    assert study.settings.extra["layout_seed"] == 1
    assert study.settings.extra["layout_rules"] == list(layout.rules)
    assert study.assumptions == ()


def test_same_seed_same_layout_and_another_seed_another():
    first, again, other = (
        randomize_layout(TWO_PITS, lots={"L1": 40, "L2": 40}, seed=seed)
        for seed in (5, 5, 6)
    )
    assert first.study == again.study
    pd.testing.assert_frame_equal(first.items, again.items)
    assert first.study != other.study


def test_the_seed_drawn_from_a_generator_draws_the_layout_again():
    layout = randomize_layout(TWO_PITS, rng=np.random.default_rng(8))
    assert any(f"seed {layout.seed}" in rule for rule in layout.rules)
    assert randomize_layout(TWO_PITS, seed=layout.seed).study == layout.study
    unseeded = {randomize_layout(TWO_PITS, bakes=1).seed for _ in range(3)}
    assert len(unseeded) == 3


def test_one_rule_changes_no_other_draw():
    base = randomize_layout(TWO_PITS, seed=5)
    changed = randomize_layout(TWO_PITS, seed=5, regrade_share=1, lots={"L": 99})
    same = ["bake", "pit", "row", "column", "code", "load_rank", "grading_order"]
    pd.testing.assert_frame_equal(base.items[same], changed.items[same])


def test_every_bake_fills_its_own_cells_and_ranks_them():
    layout = randomize_layout(UNEQUAL, settings=INCHES, seed=2)
    for _, own in layout.items.groupby("bake"):
        assert not own.duplicated(["grate", "row", "column"]).any()
        assert sorted(own["load_rank"]) == list(range(1, len(own) + 1))
        highest = own.groupby("grate")["load_rank"].max()
        if "high" in highest:  # the lower grate is loaded first
            assert highest["low"] < own.loc[own["grate"] == "high", "load_rank"].min()
    for _, own in layout.items.groupby("session"):
        assert sorted(own["grading_order"]) == list(range(1, len(own) + 1))


def test_fewer_items_than_cells_use_all_cells_in_turn():
    layout = randomize_layout(TWO_PITS, bakes=4, items=9, seed=3)
    assert (layout.bakes["n_items"] == 9).all()
    assert (layout.cells["n_used"] == 3).all()
    for _, own in layout.items.groupby("bake"):
        per_column = own["column"].value_counts()
        assert np.ptp(per_column.reindex(range(1, 5), fill_value=0)) <= 1


def test_every_other_cell_leaves_neighbors_empty_and_takes_turns():
    layout = randomize_layout(TWO_PITS, bakes=2, spacing="every other cell", seed=4)
    for _, own in layout.items.groupby("bake"):
        assert ((own["row"] + own["column"]) % 2).nunique() == 1
    assert (layout.cells["n_used"] == 1).all()


def test_items_by_pit_and_equal_spacing_is_suggested():
    layout = randomize_layout(
        {"Oak": (4, 6), "Creek": (3, 5)}, items={"Oak": 12, "Creek": "fill"}, seed=4
    )
    n_items = layout.bakes.groupby("pit")["n_items"].first()
    assert n_items.to_dict() == {"Creek": 15, "Oak": 12}
    assert any("choose: Oak 12, Creek 8" in caveat for caveat in layout.caveats)


def test_lots_are_spread_over_pits_and_bakes():
    layout = randomize_layout(TWO_PITS, bakes=4, lots={"L1": 60, "L2": 40}, seed=4)
    table = layout.lots.pivot(index="lot", columns="pit", values="n_items")
    assert table.to_numpy().sum() == 96
    assert (np.abs(table["Oak"] - table["Creek"]) <= 1).all()
    per_bake = layout.items.groupby("bake")["lot"].value_counts().unstack()
    assert (np.abs(per_bake["L1"] - 12 * 0.6) <= 1.5).all()
    assert (layout.study.bakes["lot"] == "L1 + L2").all()
    assert layout.study.items["lot"].tolist() == layout.items["lot"].tolist()


def test_lots_by_session_are_used_up_in_turn():
    layout = randomize_layout(
        TWO_PITS, lots={"L1": 24, "L2": 36, "L3": 20}, lot_rule="by session", seed=4
    )
    used = layout.items.groupby("session")["lot"].unique().map(sorted).to_dict()
    assert used == {"1": ["L1"], "2": ["L2"], "3": ["L2", "L3"]}
    last = layout.items[layout.items["session"] == "3"].groupby(["pit", "lot"]).size()
    assert set(last) == {6}


def test_one_lot_by_name():
    layout = randomize_layout(TWO_PITS, lots="A-417", seed=4)
    assert (layout.study.bakes["lot"] == "A-417").all()
    assert not any("lot of the dough is not stated" in line for line in layout.caveats)


def test_loading_by_row_starts_at_all_corners_equally_often():
    layout = randomize_layout(TWO_PITS, bakes=4, load_order="row by row", seed=4)
    first = layout.items[layout.items["load_rank"] == 1]
    for _, own in first.groupby("pit"):
        assert len(set(zip(own["row"], own["column"], strict=True))) == 4
        assert sorted(own["column"]) == [1, 1, 4, 4]
        two = own["column"].to_numpy()[:2]
        assert set(two) == {1, 4}


def test_williams_order_over_four_pits_and_sessions():
    pits = dict.fromkeys(["Oak", "Creek", "Barn", "Hill"], (2, 3))
    layout = randomize_layout(pits, bakes=4, seed=4)
    places = layout.bakes.pivot(index="session", columns="order", values="pit")
    for line in (*places.to_numpy(), *places.to_numpy().T):
        assert sorted(line) == sorted(pits)
    assert layout.balance.score == 0


def test_orders_without_balance_say_so_with_their_score():
    layout = randomize_layout(TWO_PITS, bakes=3, seed=4)
    assert layout.balance.score > 0
    told = [*layout.rules, *layout.caveats]
    assert sum(layout.balance.explanation in line for line in told) == 1


def test_standing_places_stay_or_are_shared():
    pits = dict.fromkeys(["Oak", "Creek", "Barn"], (2, 3))
    places = ["by the wall", "middle", "by the gate"]
    fixed = randomize_layout(pits, places=places, seed=4).bakes
    assert (fixed.groupby("pit")["standing_place"].nunique() == 1).all()
    moved = randomize_layout(pits, places=places, place_rule="by session", seed=4)
    table = moved.bakes.pivot(index="session", columns="pit", values="standing_place")
    for line in (*table.to_numpy(), *table.to_numpy().T):
        assert sorted(line) == sorted(places)
    assert moved.study.bakes["standing_place"].notna().all()


def test_share_to_grade_again_is_kept_in_every_session_and_bake():
    layout = randomize_layout(TWO_PITS, regrade_share=0.25, seed=4)
    per_session = layout.items.groupby("session")["regrade"].sum()
    assert (per_session == 6).all()
    assert (layout.items.groupby("bake")["regrade"].sum() == 3).all()
    again = layout.items.loc[layout.items["regrade"], "code"]
    assert set(layout.study.regrades["code"]) == set(again)
    none = randomize_layout(TWO_PITS, regrade_share=0, seed=4)
    assert not none.items["regrade"].any()


def test_planned_settings_go_to_their_bakes():
    layout = randomize_layout(
        TWO_PITS,
        planned={"minutes": 20, "damper_open": {"Oak": 1, "Creek": 0.5}, "plate": None},
        seed=4,
    )
    bakes = layout.study.bakes
    assert (bakes["minutes"] == 20).all()
    by_pit = bakes.groupby("pit")["damper_open"].unique().map(list).to_dict()
    assert by_pit == {"Oak": [1.0], "Creek": [0.5]}
    assert bakes["plate"].isna().all()


def test_the_studys_own_pits_and_settings_are_kept():
    pits = pd.DataFrame(
        {"pit": ["Creek", "Oak"], "flow": ["reverse", "conventional"], "color": "red"}
    )
    settings = Settings(
        title="T", question="Q", temperature_rule="tuned", extra={"place": "yard"}
    )
    study = randomize_layout(TWO_PITS, pits=pits, settings=settings, seed=4).study
    assert study.pits["flow"].tolist() == ["reverse", "conventional"]
    assert study.pits["color"].tolist() == ["red", "red"]
    assert study.settings.extra["place"] == "yard"
    assert study.settings.title == "T"


def test_no_draw_favors_a_pit_or_a_cell():
    # Every cell gets early ranks, early grading, low codes, lot L1 and second gradings
    # as often as any other, and either pit is first as often.
    plan, _ = check_plan(
        grates={"Oak": (2, 3), "Creek": (2, 3)},
        pits=None,
        bakes=3,
        sessions=None,
        items="fill",
        spacing="every cell",
        cells="equal size",
        lots={"L1": 18, "L2": 18},
        lot_rule="mixed",
        load_order="random",
        places=(),
        place_rule="fixed",
        regrade_share=0.25,
        planned={},
        settings=None,
    )
    parts = [draw_tables(plan, seed) for seed in range(150)]
    items = pd.concat([part[1] for part in parts], ignore_index=True)
    cell = [items["pit"], items["row"], items["column"]]
    events = {
        "loaded early": items["load_rank"] <= 3,
        "graded early": items["grading_order"] <= 6,
        "low code": items["code"].astype(int) < 550,
        "first lot": items["lot"] == "L1",
        "graded again": items["regrade"],
    }
    for name, event in events.items():
        table = pd.crosstab(cell, event)
        assert stats.chi2_contingency(table, correction=False).pvalue > 0.001, name
    first = pd.Series([bakes["pit"][0] for bakes, _, _ in parts]).value_counts()
    assert stats.chisquare(first).pvalue > 0.001


def test_codes_do_not_tell_pit_or_bake():
    layout = randomize_layout({"Oak": (8, 10), "Creek": (8, 10)}, bakes=5, seed=12)
    codes = layout.items["code"].astype(int)
    assert codes.is_unique
    assert layout.items["code"].str.fullmatch("[1-9][0-9]{2}").all()
    for by in ("pit", "bake", "column"):
        groups = [group for _, group in codes.groupby(layout.items[by])]
        assert stats.kruskal(*groups).pvalue > 0.001
        last = pd.crosstab(layout.items[by], codes % 10)
        assert stats.chi2_contingency(last).pvalue > 0.001


def test_more_than_999_items_get_four_digits():
    layout = randomize_layout({"Oak": (20, 25), "Creek": (20, 25)}, bakes=1, seed=1)
    assert layout.items["code"].str.fullmatch("[1-9][0-9]{3}").all()


def test_grates_that_differ_are_told_with_their_comparable_cells():
    layout = randomize_layout(UNEQUAL, settings=INCHES, seed=1)
    sentence = next(line for line in layout.caveats if "The grates differ" in line)
    n_oak = int(layout.cells.loc[layout.cells["pit"] == "Oak", "comparable"].sum())
    assert f"Oak {n_oak} of 39" in sentence
    assert len(layout.comparable) == n_oak


def test_cells_of_different_size_are_refused_or_told():
    uneven = UNEQUAL.assign(cell_width=[4, 4, 3])
    with pytest.raises(DesignError, match="differ in real size"):
        randomize_layout(uneven, settings=INCHES)
    layout = randomize_layout(uneven, settings=INCHES, cells="as given", seed=1)
    assert any("differ in real size" in line for line in layout.caveats)


def test_assumptions_are_told():
    caveats = " ".join(randomize_layout(TWO_PITS, bakes=1, seed=1).caveats)
    assert "temperature rule is not stated" in caveats
    assert "lot of the dough is not stated" in caveats
    assert "real size of the cells is not stated" in caveats
    assert "no verdict" in caveats


def test_shown_in_a_notebook_with_names_escaped():
    layout = randomize_layout({"<b>Oak": (2, 2), "Creek": (2, 2)}, seed=1)
    shown = layout._repr_html_()
    assert "<b>Oak" not in shown
    assert "&lt;b&gt;Oak" in shown
    assert f"seed {layout.seed}" in shown


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bakes": 0}, "bakes is 0. Give a whole number of 1 or more"),
        ({"bakes": 2.5}, "bakes is 2.5"),
        ({"bakes": True}, "bakes is True"),
        ({"bakes": "3"}, "bakes is '3'"),
        ({"bakes": {"Oak": 2}}, "says nothing about the pit 'Creek'"),
        ({"bakes": {"Oak": 2, "Crek": 2}}, "names the pit 'Crek'.*'Oak', 'Creek'"),
        (
            {"items": 13},
            "has 12 cells, but 13 items per bake were asked for. Ask for 12",
        ),
        (
            {"items": 7, "spacing": "every other cell"},
            "has 6 cells that the spacing leaves free",
        ),
        ({"items": 0}, "items is 0"),
        ({"items": "all"}, "items is 'all'"),
        ({"sessions": 7}, "7 sessions are more than the 6 bakes"),
        ({"sessions": 0}, "sessions is 0"),
        ({"sessions": "Saturday"}, "Give a number, or a list of names"),
        ({"sessions": ["Sat", "Sat"]}, "names that differ"),
        ({"spacing": "wide"}, "Choose 'every cell' or 'every other cell'"),
        ({"load_order": "columns"}, "Choose 'random' or 'row by row'"),
        ({"lot_rule": "x"}, "Choose 'mixed' or 'by session'"),
        ({"lots": {"L1": 30}}, "hold 30 items, but 72 cells.*Buy 42 more"),
        ({"lots": {}}, "lots is empty"),
        ({"lots": {"L1": 0}}, "size of lot 'L1' is 0"),
        ({"places": ["yard"]}, "2 pits cannot stand on 1 places"),
        ({"places": ["yard", "yard"]}, "places need names that differ"),
        ({"places": "yard"}, "Give a list of names"),
        ({"regrade_share": 1.2}, "regrade_share is 1.2. Give a share from 0 to 1"),
        ({"regrade_share": float("nan")}, "regrade_share is nan"),
        ({"planned": {"minuts": 20}}, "planned holds 'minuts'.*minutes"),
        ({"planned": {"status": "kept"}}, "planned holds 'status'"),
        ({"planned": {"minutes": "long"}}, "no valid study.*'long'"),
        ({"planned": {"target_temp": 325}}, "no valid study.*temperature_unit"),
        ({"settings": {"grades": ("raw",)}}, "no valid study"),
        ({"settings": {"titel": "x"}}, "settings cannot be read.*titel"),
        ({"seed": -1}, "seed is -1"),
        ({"seed": 1.5}, "seed is 1.5"),
        ({"seed": 1, "rng": np.random.default_rng(1)}, "not both"),
        (
            {"pits": pd.DataFrame({"pit": ["Oak"]})},
            "'Creek', which is not among the pits",
        ),
        (
            {"pits": pd.DataFrame({"pit": ["Oak", "Creek", "Barn"]})},
            "the pit 'Barn' has no grate",
        ),
        ({"pits": pd.DataFrame({"name": ["Oak"]})}, "no column pit"),
    ],
)
def test_impossible_plans_say_what_to_change(change, message):
    with pytest.raises(DesignError, match=message):
        randomize_layout(TWO_PITS, **change)


def test_every_other_cell_needs_more_than_one_cell():
    with pytest.raises(DesignError, match="no cell left"):
        randomize_layout({"Oak": (1, 1)}, bakes=2, spacing="every other cell", seed=1)


@pytest.mark.parametrize(
    ("names", "why"),
    [
        (("A", "a"), "differ in capital letters"),
        (("Old Pit", "OldPit"), "differ in spaces"),
    ],
)
def test_pits_of_names_that_look_alike_are_refused(
    names: tuple[str, str], why: str
) -> None:
    with pytest.raises(DesignError, match=f"look like one name. The two {why}"):
        randomize_layout(dict.fromkeys(names, (2, 2)), bakes=2, seed=1)
