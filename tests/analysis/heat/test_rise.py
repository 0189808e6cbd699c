"""Rise of items by pit and place."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats as distributions

import pitstats as ps
from pitstats.errors import DesignError
from tests.analysis.cell_studies import bakes_study, cell_frame

LEVEL = {"Quarry": 48.0, "Ferry": 44.0}
FALL = {"Quarry": 6.0, "Ferry": 0.0}


def rise_study(rng, n_bakes=3, size=(3, 6), sd_bake=1.0, sd_cell=2.0, **more):
    bare = bakes_study({"Quarry": n_bakes, "Ferry": n_bakes}, size, **more)
    items = cell_frame(
        bare,
        rng,
        level=LEVEL,
        fall=FALL,
        sd_bake=sd_bake,
        sd_cell=sd_cell,
        value="rise_mm",
    ).drop(columns=["pit", "n_readings"])
    items["rise_mm"] = items["rise_mm"].clip(lower=1.0)
    items = items.assign(grade_top="golden")
    return bakes_study({"Quarry": n_bakes, "Ferry": n_bakes}, size, items=items, **more)


def test_complete_bakes_give_the_t_test_of_welch_on_bake_means(rng):
    study = rise_study(rng)
    rise = ps.compare_rise(study)
    means = study.items.groupby("bake")["rise_mm"].mean()
    pit = means.index.str[:-1]
    two = means[pit == "Quarry"], means[pit == "Ferry"]
    t = distributions.ttest_ind(*two, equal_var=False)
    ends = t.confidence_interval()
    row = rise.table.iloc[0]
    assert (row["conf_low"], row["conf_high"]) == pytest.approx((ends.low, ends.high))
    assert row["p_value"] == pytest.approx(t.pvalue)


def test_a_moody_pit_with_two_bakes_gets_no_verdict():
    moody = ["Quarry", "Quarry", *["Ferry"] * 5]
    study = rise_study(np.random.default_rng(8), n_bakes=5, sd_bake=0.1, sd_cell=0.2)
    bakes = study.bakes.copy()
    late = bakes["bake"].isin(["Quarry3", "Quarry4", "Quarry5"])
    bakes.loc[late, ["status", "reason"]] = ["excluded", "rain"]
    items = study.items.copy()
    items.loc[items["bake"] == "Quarry2", "rise_mm"] += 1.0
    rise = ps.compare_rise(replace(study, bakes=bakes, items=items))
    assert rise.levels["n_bakes"].tolist() == [moody.count(p) for p in LEVEL]
    row = rise.table.iloc[0]
    assert row["verdict"] == "cannot tell"
    assert np.isfinite(row["conf_low"])
    assert any("because Quarry scatters more" in text for text in rise.caveats)


def test_near_minus_far_is_the_paired_contrast(rng):
    study = rise_study(rng, n_bakes=4)
    rise = ps.compare_rise(study)
    effects = rise.effects.set_index(["pit", "effect"])
    items = study.items
    for pit in ("Quarry", "Ferry"):
        own = items[items["bake"].str.startswith(pit)]
        near = own.loc[own["column"] <= 2, "rise_mm"].mean()
        far = own.loc[own["column"] >= 5, "rise_mm"].mean()
        found = effects.loc[(pit, "near_minus_far"), "estimate"]
        assert found == pytest.approx(near - far)
        door = own.loc[own["row"] == 1, "rise_mm"].mean()
        wall = own.loc[own["row"] == 3, "rise_mm"].mean()
        found = effects.loc[(pit, "door_minus_wall"), "estimate"]
        assert found == pytest.approx(door - wall)
    parts = rise.parts.set_index(["pit", "part"])
    assert parts.loc[("Quarry", "near"), "n_items"] == 24
    near = effects.loc[("Quarry", "near_minus_far"), "estimate"]
    apart = parts.loc[("Quarry", "near"), "estimate"]
    assert near == pytest.approx(apart - parts.loc[("Quarry", "far"), "estimate"])


def test_truth_is_recovered():
    rng = np.random.default_rng(2)
    study = rise_study(rng, n_bakes=6, sd_bake=0.3, sd_cell=0.5)
    rise = ps.compare_rise(study)
    assert rise.table.loc[0, "estimate"] == pytest.approx(4, abs=0.6)
    effects = rise.effects.set_index(["pit", "effect"])
    fall = effects.loc[("Quarry", "near_minus_far")]
    # Four of six steps of the fall of 6 mm.
    assert fall["conf_low"] < 4 < fall["conf_high"]
    assert effects.loc[("Ferry", "near_minus_far"), "conf_low"] < 0.0


def test_upper_and_lower_grate_over_the_same_places():
    rng = np.random.default_rng(3)
    grates = pd.DataFrame(
        {
            "pit": ["Quarry", "Quarry", "Ferry"],
            "grate": ["low", "high", "main"],
            "rows": 2,
            "columns": 4,
            "level": [1, 2, 1],
        }
    )
    bare = bakes_study({"Quarry": 3, "Ferry": 3}, grates=grates)
    items = cell_frame(bare, rng, level=LEVEL, sd_cell=0.5, value="rise_mm")
    items.loc[items["grate"] == "high", "rise_mm"] += 5
    items = items.drop(columns=["pit", "n_readings"]).assign(grade_top="golden")
    # The upper grate has no items at its far end.
    items = items[(items["grate"] != "high") | (items["column"] < 4)]
    study = bakes_study({"Quarry": 3, "Ferry": 3}, grates=grates, items=items)
    rise = ps.compare_rise(study)
    effects = rise.effects.set_index(["pit", "effect"])
    found = effects.loc[("Quarry", "upper_minus_lower")]
    assert found["estimate"] == pytest.approx(5, abs=0.7)
    assert ("Ferry", "upper_minus_lower") not in effects.index


def test_one_bake_speaks_of_places_and_not_of_pits(rng):
    study = rise_study(rng, n_bakes=1)
    rise = ps.compare_rise(study)
    assert rise.table["verdict"].tolist() == ["one bake each"]
    assert rise.levels["conf_low"].isna().all()
    effects = rise.effects.set_index(["pit", "effect"])
    assert np.isfinite(effects.loc[("Quarry", "near_minus_far"), "conf_low"])
    assert any("hold for these bakes only" in text for text in rise.caveats)


def test_items_without_rise_are_counted(rng):
    study = rise_study(rng)
    items = study.items.copy()
    items.loc[[0, 5, 40], "rise_mm"] = np.nan
    items.loc[items["bake"] == "Ferry2", "rise_mm"] = np.nan
    rise = ps.compare_rise(replace(study, items=items))
    assert rise.levels.set_index("pit").loc["Ferry", "n_bakes"] == 2
    assert any("3 of 90 items" in text for text in rise.caveats)
    assert any("in these bakes: Ferry2" in text for text in rise.caveats)


def test_a_pit_without_rise_is_named(rng):
    study = rise_study(rng)
    items = study.items.copy()
    items.loc[items["bake"].str.startswith("Ferry"), "rise_mm"] = np.nan
    rise = ps.compare_rise(replace(study, items=items))
    assert rise.table.empty
    assert rise.levels["n_items"].tolist() == [54, 0]
    assert any("Ferry has no item with a rise" in text for text in rise.caveats)


def test_no_rise_at_all_is_said():
    with pytest.raises(DesignError, match="Enter rise_mm"):
        ps.compare_rise(ps.demo_study("one_bake_each"))
    with pytest.raises(DesignError, match="above 0 mm"):
        ps.compare_rise(ps.demo_study("one_bake_each"), margin=-1)


@pytest.mark.parametrize(("size", "n_bakes"), [((1, 8), 1), ((8, 1), 2), ((2, 3), 1)])
def test_thin_data_give_a_result(size, n_bakes):
    study = rise_study(np.random.default_rng(5), n_bakes, size)
    items = study.items
    first = ~items["bake"].duplicated()
    cases = {
        "all": items,
        "one item a bake": items.assign(rise_mm=items["rise_mm"].where(first)),
        "one item": items.assign(rise_mm=items["rise_mm"].where(items.index == 0)),
        "constant": items.assign(rise_mm=40.0),
        "no place": items.assign(row=np.where(first, np.nan, items["row"])),
    }
    for name, changed in cases.items():
        rise = ps.compare_rise(replace(study, items=changed))
        assert rise.levels["n_items"].sum() >= 1, name
        assert isinstance(rise._repr_html_(), str)
