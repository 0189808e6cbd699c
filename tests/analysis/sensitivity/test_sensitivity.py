"""Every alternative is the comparison of a study changed by hand, and says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import pitstats as ps
from pitstats.analysis.sensitivity import alternatives as families
from pitstats.analysis.sensitivity.equal_browning import compare_at_equal_dose
from pitstats.stats.sensors import browning_factor
from pitstats.study.demo import SimulatedPit
from tests.analysis.second_gradings import both, found, rich

ENDS = ["estimate", "conf_low", "conf_high", "simultaneous_low", "simultaneous_high"]


def rows(about: str, alternative: str, table: pd.DataFrame | None = None):
    table = found().table if table is None else table
    own = table[(table["about"] == about) & (table["alternative"] == alternative)]
    return own.reset_index(drop=True)


def counted(bakes: pd.DataFrame) -> ps.Study:
    """Return a study of counts alone."""
    return ps.study_from_counts(
        bakes["pit"].tolist(), bakes["n_items"].tolist(), bakes["n_burned"].tolist()
    )


def same_as(about: str, alternative: str, study: ps.Study) -> None:
    """Rows of an alternative are what the changed study gives by itself."""
    changed = ps.compare_pits(study).table
    own = rows(about, alternative)
    assert_allclose(own[ENDS], changed[ENDS])
    assert own["verdict"].tolist() == changed["verdict"].tolist()


def test_every_family_is_there_in_this_study() -> None:
    assert both().leads == "as baked"
    assert found().table["about"].drop_duplicates().tolist() == [
        "as reported",
        families.LAYOUT,
        families.GRATE_HEAT,
        families.BAKE_TIME,
        families.LOAD,
        families.MISSING,
        families.CUT,
        families.FACE,
        families.GRADING,
        families.EXCLUDED,
        families.ONE_OUT,
        families.SESSION_OUT,
    ]
    assert found().not_tried.empty


def test_the_first_rows_are_the_leading_comparison() -> None:
    own = rows("as reported", "as reported")
    assert_allclose(own[ENDS], both().leading.table[ENDS])
    assert_allclose(own["shift"], 0)
    assert not own["changes"].any()


def test_shift_and_change_follow_from_the_columns() -> None:
    table = found().table
    assert_allclose(table["shift"], table["estimate"] - table["base_estimate"])
    differs = table["verdict"].str.startswith("differs")
    turned = differs & (table["estimate"] * table["base_estimate"] < 0)
    expected = (table["verdict"] != table["base_verdict"]) | turned
    assert table["changes"].tolist() == expected.tolist()
    assert table["changes"].any()
    assert table["n_items"].gt(0).all()


def test_what_stands_is_the_verdict_as_reported() -> None:
    table = found().table
    reported = both().leading.table.set_index(["pit_a", "pit_b"])
    for row in table.to_dict("records"):
        verdict, estimate = reported.loc[
            (row["pit_a"], row["pit_b"]), ["verdict", "estimate"]
        ]
        same_side = row["estimate"] * estimate >= 0 or verdict == "cannot tell"
        assert row["stands"] == (row["verdict"] == verdict and same_side)
    assert table.loc[table["about"] == "as reported", "stands"].all()
    assert not table["stands"].all()


def test_another_cut_is_near_the_study_with_that_cut() -> None:
    # Another cut comes from the model of all grades, the study with it from its own
    # counts alone, which is wider and may lie a little to the side.
    for cut in ("golden", "dark"):
        settings = replace(rich().settings, burned_from=cut, target_grades=("light",))
        alone = ps.compare_pits(replace(rich(), settings=settings)).table
        own = rows(families.CUT, f"burned from '{cut}' or darker")
        assert_allclose(own["estimate"], alone["estimate"], atol=0.06)
        assert_allclose(own["conf_low"], alone["conf_low"], atol=0.15)
        assert_allclose(own["conf_high"], alone["conf_high"], atol=0.15)


def test_another_face_is_the_study_with_that_face() -> None:
    for face in ("top", "bottom"):
        changed = replace(rich(), settings=replace(rich().settings, face=face))
        same_as(families.FACE, f"the {face} decides", changed)


def test_an_excluded_bake_put_back_is_the_study_without_the_exclusion() -> None:
    bakes = rich().bakes.copy()
    bakes["status"] = "kept"
    bakes["reason"] = None
    same_as(families.EXCLUDED, "South-5 put back", replace(rich(), bakes=bakes))


def test_a_bake_left_out_is_the_study_with_it_excluded() -> None:
    bakes = rich().bakes.copy()
    bakes.loc[bakes["bake"] == "North-2", ["status", "reason"]] = ["excluded", "try"]
    same_as(families.ONE_OUT, "without North-2", replace(rich(), bakes=bakes))


def test_a_session_left_out_is_the_study_without_it() -> None:
    bakes = rich().bakes.copy()
    bakes.loc[bakes["session"] == "day 3", ["status", "reason"]] = ["excluded", "try"]
    same_as(families.SESSION_OUT, "without day 3", replace(rich(), bakes=bakes))


def test_missing_items_of_every_pair_go_to_the_two_ends() -> None:
    study = rich()
    items = study.items.copy()
    pit = items["bake"].map(study.bakes.set_index("bake")["pit"])
    lost = items["missing"].notna()
    a, b = "North", "South"
    # West stands with South or with North; both assignments are tried by hand.
    wanted = rows(families.MISSING, f"all missing of {a} burned, none of {b}")
    assert wanted[["pit_a", "pit_b"]].to_numpy().tolist() == [[a, b]]
    by_hand = []
    for others in (True, False):
        filled = items.copy()
        filled["burned"] = filled["burned"].astype(object)
        burned = pit.map({a: True, b: False, "West": others})
        filled.loc[lost, "burned"] = burned[lost]
        filled.loc[lost, "missing"] = None
        table = ps.compare_pits(replace(study, items=filled)).table
        by_hand.append(table.loc[(table["pit_a"] == a) & (table["pit_b"] == b), ENDS])
    gaps = [np.abs(hand.to_numpy() - wanted[ENDS].to_numpy()).max() for hand in by_hand]
    assert min(gaps) < 1e-9
    low = rows(families.MISSING, f"all missing of {b} burned, none of {a}")
    assert low["estimate"].item() < wanted["estimate"].item()


def test_load_rank_is_the_model_with_it() -> None:
    model = ps.compare_pits(rich(), layout="common", formula="pit + load_rank")
    assert_allclose(rows(families.LOAD, "at equal load rank")[ENDS], model.table[ENDS])


def test_shared_load_ranks_are_the_study_without_the_later_items() -> None:
    pits = [
        SimulatedPit(pit="Small", rate=0.3, grates={"main": (3, 4)}),
        SimulatedPit(pit="Large", rate=0.3, grates={"main": (5, 4)}),
    ]
    study = ps.simulate_study(pits, bakes=3, rng=np.random.default_rng(4)).study
    got = ps.check_sensitivity(study, refit=False)
    assert got.counted == "counted as baked"
    early = study.items[study.items["load_rank"] <= 12]
    changed = ps.compare_pits(replace(study, items=early)).table
    own = rows(families.LOAD, "load ranks 1 to 12 only", got.table)
    assert_allclose(own[ENDS], changed[ENDS])


def test_second_grades_are_the_study_with_those_grades() -> None:
    study = rich()
    items = study.items.copy()
    place = {
        key: i for i, key in enumerate(zip(items["bake"], items["code"], strict=True))
    }
    kim = study.regrades[study.regrades["grader"] == "Kim"]
    for again in kim.to_dict("records"):
        i = place[again["bake"], again["code"]]
        for face in ("grade_top", "grade_bottom"):
            items.loc[i, face] = again[face]
    table = found().table
    name = table.loc[table["about"] == families.GRADING, "alternative"].iloc[0]
    same_as(families.GRADING, name, replace(study, items=items))


# --- temperature ----------------------------------------------------------------------


def test_a_browning_factor_of_one_is_the_exact_posterior() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [9, 12, 3, 5]}
    )
    study = counted(bakes)
    (same,) = compare_at_equal_dose(
        bakes, ["A", "B"], [{"A": 1.0, "B": 1.0}], level=0.95, margin=None
    )
    # 16,384 fixed draws against the exact sums.
    assert_allclose(same[ENDS], ps.compare_pits(study).table[ENDS], atol=0.004)


def test_the_published_factors() -> None:
    # 10 ** (dT / z), computed from the definition: 50 F at z 33 K is 6.95, 10 F at
    # 45 K is 1.33.
    assert_allclose(browning_factor(50 / 1.8, 33), 6.95, atol=0.005)
    assert_allclose(browning_factor(10 / 1.8, 45), 1.33, atol=0.005)


def test_equal_heat_moves_against_the_hotter_pit_and_more_for_a_smaller_z() -> None:
    own = found().of_pair("North", "South")
    own = own[own["about"] == families.GRATE_HEAT].set_index("alternative")
    shift = own["shift"]
    order = [f"all grates alike, z {z} K" for z in (25, 35, 60)]
    assert shift[order].is_monotonic_increasing
    assert (shift < 0).all()


def test_turning_the_pits_turns_the_heat_adjustment() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [9, 12, 3, 5]}
    )
    one, other = (
        compare_at_equal_dose(
            bakes, pits, [{"A": 2.0, "B": 0.5}], level=0.9, margin=None
        )[0].iloc[0]
        for pits in (["A", "B"], ["B", "A"])
    )
    assert_allclose(one["estimate"], -other["estimate"])
    assert_allclose(one["conf_low"], -other["conf_high"])


@pytest.mark.slow
def test_a_planted_offset_is_taken_out_again() -> None:
    """Two pits of one kind, one 15 K hotter; odds follow browning with z 35 K."""
    rng = np.random.default_rng(11)
    z, hotter = 35.0, 15.0
    odds = 0.25 * browning_factor(hotter, z)
    raw, adjusted = [], []
    for _ in range(25):
        pits = [
            SimulatedPit(pit="A", rate=odds / (1 + odds), slope=0.0),
            SimulatedPit(pit="B", rate=0.2, slope=0.0),
        ]
        study = ps.simulate_study(pits, bakes=6, sd_bake=0.3, rng=rng).study
        bakes = study.bakes.copy()
        bakes["grate_temp"] = np.where(bakes["pit"] == "A", 325 + 1.8 * hotter, 325.0)
        study = replace(study, bakes=bakes)
        table = ps.check_sensitivity(study, refit=False).table
        own = table[table["alternative"] == "all grates alike, z 35 K"]
        raw.append(own["base_estimate"].item())
        adjusted.append(own["estimate"].item())
    # Scatter of one study about 0.06, of the mean 0.012.
    assert np.mean(raw) > 0.12
    assert abs(np.mean(adjusted)) < 0.04


# --- which comparison leads, and thin data --------------------------------------------


def test_a_common_layout_that_leads_is_counted_on_its_own_places() -> None:
    study = ps.demo_study("unequal_layouts")
    ways = ps.compare_both_ways(study)
    got = ps.check_sensitivity(study, both=ways, refit=False)
    assert got.counted == "counted on the places that all pits share"
    base = rows(families.LAYOUT, "shared places, no model", got.table)
    counts = ways.rates.bakes
    assert base["n_items"].item() == counts["n_items"].sum()
    as_baked = rows(families.LAYOUT, "as baked, all places", got.table)
    assert_allclose(as_baked["estimate"], ways.as_baked.table["estimate"])
    assert as_baked["changes"].item()
    one_out = got.table[got.table["about"] == families.ONE_OUT]
    assert_allclose(one_out["base_estimate"], base["estimate"].item())
    # Both pits had 18 items a bake and their load ranks.
    reasons = dict(zip(got.not_tried["about"], got.not_tried["reason"], strict=True))
    assert reasons[families.LOAD] == "all pits were loaded alike, ranks up to 18"


def test_a_pair_can_be_seen_from_either_side() -> None:
    one, other = found().of_pair("North", "West"), found().of_pair("West", "North")
    assert_allclose(one["estimate"], -other["estimate"])
    assert_allclose(one["simultaneous_low"], -other["simultaneous_high"])
    assert other["pit_a"].unique().tolist() == ["West"]
    more, less = found().leading_pair
    assert found().of_pair(more, less)["estimate"].iloc[0] > 0


def test_one_bake_each_has_no_verdict_to_change() -> None:
    got = ps.check_sensitivity(ps.demo_study("one_bake_each"))
    assert set(got.table["verdict"]) == {"one bake each"}
    assert not got.table["changes"].any()
    assert families.ONE_OUT in set(got.not_tried["about"])


def test_counts_only() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [9, 12, 3, 5]}
    )
    got = ps.check_sensitivity(counted(bakes))
    # Two bakes each, one left out: the other pit still has two.
    assert {"as reported", families.ONE_OUT} <= set(got.table["about"])
    reasons = dict(zip(got.not_tried["about"], got.not_tried["reason"], strict=True))
    assert reasons[families.CUT] == "no grades are recorded"
    assert reasons[families.GRATE_HEAT].startswith("no grate temperature")
    assert reasons[families.SESSION_OUT] == "none is recorded"


def bare(study: ps.Study, **tables: pd.DataFrame) -> ps.Study:
    """Return the study with nothing optional in it."""
    bakes = study.bakes[["bake", "pit"]]
    items = study.items[["bake", "grate", "row", "column", "grade_top", "missing"]]
    made = {"bakes": bakes, "items": items} | tables
    return replace(study, grates=study.grates, **made)


def test_nothing_optional_recorded() -> None:
    got = ps.check_sensitivity(bare(ps.demo_study("unfair_order")))
    assert set(got.not_tried["about"]) == {
        families.GRATE_HEAT,
        families.BAKE_TIME,
        families.LOAD,
        families.MISSING,
        families.FACE,
        families.GRADING,
        families.EXCLUDED,
        families.SESSION_OUT,
    }
    assert set(got.table["about"]) == {
        "as reported",
        families.LAYOUT,
        families.CUT,
        families.ONE_OUT,
    }


def test_nothing_burned_in_one_pit() -> None:
    got = ps.check_sensitivity(ps.demo_study("nothing_burned"), refit=False)
    assert got.table[ENDS].notna().all(axis=None)


def test_a_bake_of_which_everything_is_missing_counts_at_the_ends() -> None:
    study = ps.demo_study("unfair_order")
    items = study.items.copy()
    lost = items["bake"] == "Mill-2"
    items.loc[lost, ["grade_top", "grade_bottom"]] = None
    items.loc[lost, "missing"] = "torn"
    got = ps.check_sensitivity(replace(study, items=items), refit=False).table
    name = "all missing of Mill burned, none of Quarry"
    assert rows(families.MISSING, name, got)["n_bakes"].item() == 6
    reported = rows("as reported", "as reported", got)
    pairs = reported.set_index(["pit_a", "pit_b"])["n_bakes"]
    assert pairs["Quarry", "Mill"] == 5


def test_one_pit_is_refused_in_words() -> None:
    bakes = pd.DataFrame({"pit": ["A", "A"], "n_items": 20, "n_burned": [9, 12]})
    with pytest.raises(ps.DesignError, match="at least two pits"):
        ps.check_sensitivity(counted(bakes))


def test_the_level_reaches_every_row() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [9, 12, 3, 5]}
    )
    study = counted(bakes)
    wide = ps.check_sensitivity(study)
    narrow = ps.check_sensitivity(study, conf_level=0.8)
    assert narrow.conf_level == 0.8
    width = [t.table["conf_high"] - t.table["conf_low"] for t in (wide, narrow)]
    assert (width[1] < width[0]).all()
    ways = ps.compare_both_ways(study)
    again = ps.check_sensitivity(study, both=ways, conf_level=0.8)
    assert_allclose(again.table["conf_low"], narrow.table["conf_low"])


def test_many_bakes_leave_out_the_ends_only() -> None:
    n = families.MOST_LEFT_OUT // 2 + 1
    rng = np.random.default_rng(2)
    bakes = pd.DataFrame(
        {
            "pit": ["A"] * n + ["B"] * n,
            "n_items": 12,
            "n_burned": rng.binomial(12, 0.3, size=2 * n),
        }
    )
    got = ps.check_sensitivity(counted(bakes))
    assert (got.table["about"] == families.ONE_OUT).sum() <= 4
    assert any("more than 24 bakes" in text for text in got.caveats)


def test_grates_of_other_names_are_counted_on_the_shared_places_too() -> None:
    study = ps.demo_study("unequal_layouts")
    grates, items = study.grates.copy(), study.items.copy()
    grates.loc[grates["pit"] == "Quarry", "grate"] = "only"
    of_bake = items["bake"].map(study.bakes.set_index("bake")["pit"])
    items.loc[of_bake == "Quarry", "grate"] = "only"
    renamed = replace(study, grates=grates, items=items)
    got, plain = (ps.check_sensitivity(s, refit=False) for s in (renamed, study))
    own, other = (
        rows(families.LAYOUT, "shared places, no model", t.table) for t in (got, plain)
    )
    assert own["n_items"].item() == other["n_items"].item() > 0
    assert_allclose(own["estimate"], other["estimate"])


def test_probes_stand_in_for_a_grate_temperature_that_was_not_noted() -> None:
    study = ps.demo_study("probed_pits")
    bare = replace(study, bakes=study.bakes.assign(grate_temp=np.nan))
    noted, probed = (
        ps.check_sensitivity(s).table.query("about == 'grate temperature'")
        for s in (study, bare)
    )
    assert len(probed) == len(noted) == 3
    assert probed["estimate"].to_numpy() == pytest.approx(
        noted["estimate"].to_numpy(), abs=0.02
    )
