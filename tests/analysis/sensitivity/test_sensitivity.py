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
from pitstats.analysis.sensitivity.sensitivity import _sorted_out as sorted_out
from pitstats.stats.sensors import browning_factor
from pitstats.study.demo import SimulatedPit
from tests.analysis.second_gradings import both, found, rich

ENDS = ["estimate", "conf_low", "conf_high", "simultaneous_low", "simultaneous_high"]


def rows(about: str, alternative: str, table: pd.DataFrame | None = None):
    table = found().members if table is None else table
    own = table[(table["family"] == about) & (table["alternative"] == alternative)]
    return own.reset_index(drop=True)


def counted(bakes: pd.DataFrame) -> ps.Study:
    """Return a study of counts alone."""
    return ps.study_from_counts(
        bakes["pit"].tolist(), bakes["n_items"].tolist(), bakes["n_burned"].tolist()
    )


def in_sessions(bakes: pd.DataFrame) -> ps.Study:
    """Return a study of counts alone whose bakes have sessions."""
    study = counted(bakes)
    sessions = bakes["session"].to_numpy()
    return replace(study, bakes=study.bakes.assign(session=sessions))


def same_as(about: str, alternative: str, study: ps.Study) -> None:
    """Rows of an alternative are what the changed study gives by itself."""
    changed = ps.compare_pits(study).table
    own = rows(about, alternative).set_index(["pit_a", "pit_b"])
    assert len(own)
    changed = changed.set_index(["pit_a", "pit_b"]).loc[own.index]
    assert_allclose(own[ENDS], changed[ENDS])
    assert own["verdict"].tolist() == changed["verdict"].tolist()


def test_every_family_is_there_in_this_study() -> None:
    assert both().leads == "as baked"
    assert found().table["family"].drop_duplicates().tolist() == [
        "as reported",
        families.LAYOUT,
        families.GRATE_HEAT,
        families.BAKE_TIME,
        families.LOAD,
        families.MISSING,
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
    assert not own["tips"].any()


def test_shifts_shares_and_what_tips_follow_from_the_columns() -> None:
    table = found().members
    assert_allclose(table["shift"], table["estimate"] - table["base_estimate"])
    differs = table["verdict"].str.startswith("differs")
    turned = differs & (table["estimate"] * table["base_estimate"] < 0)
    # As baked leads here, so the count and the report are one comparison.
    expected = (table["verdict"] != table["base_verdict"]) | turned
    assert table["tips"].tolist() == expected.tolist()
    assert table["tips"].any()
    assert table["n_items"].gt(0).all()
    reported = both().leading.table.set_index(["pit_a", "pit_b"])
    for row in table.to_dict("records"):
        ends = reported.loc[
            (row["pit_a"], row["pit_b"]), ["simultaneous_low", "simultaneous_high"]
        ]
        half = (ends.iloc[1] - ends.iloc[0]) / 2
        assert row["shift_share"] == pytest.approx(abs(row["shift"]) / half)


def test_one_idea_is_one_row_however_often_it_is_tried() -> None:
    table, members = found().table, found().members
    apart = table[table["family"] != families.LAYOUT]
    assert not apart.duplicated(["pit_a", "pit_b", "family"]).any()
    heat = (
        found().of_pair("North", "South").set_index("family").loc[families.GRATE_HEAT]
    )
    tried = found().members_of("North", "South")
    tried = tried[tried["family"] == families.GRATE_HEAT]
    assert heat["n_members"] == len(tried) == 3
    assert heat["shift_from"] == tried["shift"].min()
    assert heat["shift_to"] == tried["shift"].max()
    sums = table.groupby("family")["n_members"].sum()
    assert sums.to_dict() == members.groupby("family").size().to_dict()


def test_a_row_shows_the_member_that_tips_or_else_the_furthest() -> None:
    members = found().members
    keys = ["pit_a", "pit_b", "family"]
    for row in found().table.to_dict("records"):
        own = members[(members[keys] == [row[k] for k in keys]).all(axis=1)]
        if row["family"] == families.LAYOUT:
            own = own[own["alternative"] == row["alternative"]]
        assert row["tips"] == own["tips"].any()
        among = own[own["tips"]] if row["tips"] else own
        assert row["shift_share"] == among["shift_share"].max()
        assert row["alternative"] in set(among["alternative"])


def test_only_bakes_of_the_two_pits_are_left_out_or_put_back() -> None:
    pit_of = rich().bakes.set_index("bake")["pit"]
    one_out = found().members[found().members["family"] == families.ONE_OUT]
    assert len(one_out)
    for row in one_out.to_dict("records"):
        bake = row["alternative"].removeprefix("without ")
        assert pit_of[bake] in (row["pit_a"], row["pit_b"])
    back = found().members[found().members["family"] == families.EXCLUDED]
    assert len(back) == 2  # of three pairs the two with South
    assert all("South" in (r["pit_a"], r["pit_b"]) for r in back.to_dict("records"))
    pair = found().leading_pair
    kept = rich().bakes[rich().bakes["status"].eq("kept")]
    assert found().n_left_out == kept["pit"].isin(pair).sum()
    own = found().members_of(*pair)
    falls = own.loc[own["family"] == families.ONE_OUT, "tips"].sum()
    assert found().n_falls == falls


def test_what_tips_and_what_moves_furthest_are_named() -> None:
    tried = found().tried()
    assert found().reported["family"] == "as reported"
    assert "as reported" not in set(tried["family"])
    fewer = (families.ONE_OUT, families.SESSION_OUT)
    whole = tried[~tried["family"].isin(fewer)]
    furthest = found().largest_shift
    assert furthest is not None
    assert furthest["shift_share"] == whole["shift_share"].max()
    tipping = found().tipping
    assert (tipping is not None) == whole["tips"].any()
    if tipping is not None:
        assert tipping["shift_share"] == whole.loc[whole["tips"], "shift_share"].max()


def test_nothing_tips_a_difference_that_is_plain() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A"] * 5 + ["B"] * 5, "n_items": 24, "n_burned": [20] * 5 + [2] * 5}
    )
    got = ps.check_sensitivity(counted(bakes))
    assert got.reported["verdict"] == "differs"
    assert got.tipping is None
    assert got.largest_shift is None  # counts alone: only bakes can be left out
    assert (got.n_left_out, got.n_falls) == (10, 0)


def alternative(table: pd.DataFrame | None, reason: str = "") -> families.Alternative:
    return families.Alternative(family="f", alternative="a", table=table, reason=reason)


def test_what_cannot_be_set_beside_anything_is_listed_with_its_reason() -> None:
    verdict = pd.DataFrame({"verdict": ["differs"]})
    none = pd.DataFrame({"verdict": ["one bake each"]})
    given = [
        alternative(verdict),
        alternative(None, "nothing recorded"),
        alternative(pd.DataFrame()),
        alternative(none),
    ]
    usable, not_tried = sorted_out(given, {"counted": verdict})
    assert usable == given[:1]
    assert [reason for *_, reason in not_tried] == [
        "nothing recorded",
        "fewer than two pits have graded items",
        "it leaves one bake of each pit, which gives no verdict",
    ]
    # Where no verdict was given to begin with, none is lost.
    usable, not_tried = sorted_out(given, {"counted": none})
    assert usable == [given[0], given[3]]
    assert len(not_tried) == 2


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
    same_as(families.SESSION_OUT, "without session day 3", replace(rich(), bakes=bakes))


def test_a_session_of_one_bake_is_left_out_once() -> None:
    burned = [9, 12, 8, 3, 5, 2]
    study = ps.study_from_counts(["A"] * 3 + ["B"] * 3, [20] * 6, burned)
    for days, told, n_tried in (("abcdef", "all", 0), ("abcabd", "2 of 4", 2)):
        bakes = study.bakes.assign(session=list(days))
        got = ps.check_sensitivity(replace(study, bakes=bakes), refit=False)
        left_out = got.not_tried.query("family == @families.SESSION_OUT")
        assert left_out["alternative"].tolist() == [told]
        assert len(got.session_falls) == n_tried


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
    own = rows(families.LOAD, "load ranks 1 to 12 only", got.members)
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
    name = table.loc[table["family"] == families.GRADING, "alternative"].iloc[0]
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
    own = found().members_of("North", "South")
    own = own[own["family"] == families.GRATE_HEAT].set_index("alternative")
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
        table = ps.check_sensitivity(study, refit=False).members
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
    base = rows(families.LAYOUT, "shared places, no model", got.members)
    counts = ways.rates.bakes
    assert base["n_items"].item() == counts["n_items"].sum()
    as_baked = rows(families.LAYOUT, "as baked, all places", got.members)
    assert_allclose(as_baked["estimate"], ways.as_baked.table["estimate"])
    assert as_baked["tips"].item()
    one_out = got.members[got.members["family"] == families.ONE_OUT]
    assert_allclose(one_out["base_estimate"], base["estimate"].item())
    # Both pits had 18 items a bake and their load ranks.
    reasons = dict(zip(got.not_tried["family"], got.not_tried["reason"], strict=True))
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
    assert not got.table["tips"].any()
    assert families.ONE_OUT in set(got.not_tried["family"])


def test_counts_only() -> None:
    bakes = pd.DataFrame(
        {"pit": ["A", "A", "B", "B"], "n_items": 20, "n_burned": [9, 12, 3, 5]}
    )
    got = ps.check_sensitivity(counted(bakes))
    # Two bakes each, one left out: the other pit still has two.
    assert {"as reported", families.ONE_OUT} <= set(got.table["family"])
    reasons = dict(zip(got.not_tried["family"], got.not_tried["reason"], strict=True))
    assert reasons[families.FACE] == "no grades are recorded"
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
    assert set(got.not_tried["family"]) == {
        families.GRATE_HEAT,
        families.BAKE_TIME,
        families.LOAD,
        families.MISSING,
        families.FACE,
        families.GRADING,
        families.EXCLUDED,
        families.SESSION_OUT,
    }
    assert set(got.table["family"]) == {
        "as reported",
        families.LAYOUT,
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
    got = ps.check_sensitivity(replace(study, items=items), refit=False).members
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
    assert (got.members["family"] == families.ONE_OUT).sum() <= 4
    assert any("more than 24 bakes" in text for text in got.caveats)


def test_many_sessions_leave_out_the_ends_only() -> None:
    n = families.MOST_LEFT_OUT + 2
    rng = np.random.default_rng(2)
    bakes = pd.DataFrame(
        {
            "pit": ["A", "B"] * n,
            "session": [f"day {k // 2}" for k in range(2 * n)],
            "n_items": 12,
            "n_burned": rng.binomial(12, 0.3, size=2 * n),
        }
    )
    got = ps.check_sensitivity(in_sessions(bakes))
    tried = got.members.loc[got.members["family"] == families.SESSION_OUT]
    ends = {
        f"without session {own.loc[own['n_burned'].agg(end), 'session']}"
        for _, own in bakes.groupby("pit")
        for end in ("idxmin", "idxmax")
    }
    assert set(tried["alternative"]) == ends


def test_of_very_many_bakes_none_is_left_out_alone() -> None:
    n = families.TOO_SMALL_A_PART + 1
    rng = np.random.default_rng(2)
    bakes = pd.DataFrame(
        {
            "pit": ["A"] * n + ["B"] * 3,
            "session": [f"day {k}" for k in range(n)] + ["day 0", "day 1", "day 1"],
            "n_items": 12,
            "n_burned": rng.binomial(12, 0.3, size=n + 3),
        }
    )
    got = ps.check_sensitivity(in_sessions(bakes))
    tried = got.members.loc[got.members["family"] == families.ONE_OUT, "alternative"]
    assert len(tried) <= 3
    tried = got.members.loc[got.members["family"] == families.SESSION_OUT]
    assert set(tried["alternative"]) == {
        "without session day 0",
        "without session day 1",
    }
    reasons = got.not_tried.set_index("family")
    assert reasons.loc[families.ONE_OUT, "alternative"] == "A"
    assert "too small a part" in reasons.loc[families.ONE_OUT, "reason"]


def test_grates_of_other_names_are_counted_on_the_shared_places_too() -> None:
    study = ps.demo_study("unequal_layouts")
    grates, items = study.grates.copy(), study.items.copy()
    grates.loc[grates["pit"] == "Quarry", "grate"] = "only"
    of_bake = items["bake"].map(study.bakes.set_index("bake")["pit"])
    items.loc[of_bake == "Quarry", "grate"] = "only"
    renamed = replace(study, grates=grates, items=items)
    got, plain = (ps.check_sensitivity(s, refit=False) for s in (renamed, study))
    own, other = (
        rows(families.LAYOUT, "shared places, no model", t.members)
        for t in (got, plain)
    )
    assert own["n_items"].item() == other["n_items"].item() > 0
    assert_allclose(own["estimate"], other["estimate"])


def test_probes_stand_in_for_a_grate_temperature_that_was_not_noted() -> None:
    study = ps.demo_study("probed_pits")
    bare = replace(study, bakes=study.bakes.assign(grate_temp=np.nan))
    noted, probed = (
        ps.check_sensitivity(s).members.query("family == 'grate temperature'")
        for s in (study, bare)
    )
    assert len(probed) == len(noted) == 3
    assert probed["estimate"].to_numpy() == pytest.approx(
        noted["estimate"].to_numpy(), abs=0.02
    )
