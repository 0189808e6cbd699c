"""Near, middle and far; upper and lower; top and bottom."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.results import Evenness
from pitstats.stats import part_rates
from pitstats.study.demo import SimulatedPit, simulate_study
from tests.analysis.rates.test_rates import house_example

COLUMNS = ["pit", "near", "middle", "far", "near_minus_far", "conf_low", "conf_high"]


def says(result: Evenness, words: str) -> bool:
    return any(words in caveat for caveat in result.caveats)


def made(*pits: SimulatedPit, bakes: int = 3, seed: int = 7) -> ps.Study:
    rng = np.random.default_rng(seed)
    return simulate_study(pits, bakes=bakes, sd_bake=0.4, rng=rng).study


@pytest.fixture(scope="module")
def four_pits() -> Evenness:
    return ps.compare_evenness(ps.demo_study("four_pits"))


def test_columns_are_those_promised(four_pits: Evenness) -> None:
    table = four_pits.table
    assert list(table.columns)[:7] == COLUMNS
    for third in ("near", "middle", "far"):
        assert (table[f"{third}_low"] <= table[third]).all()
        assert (table[third] <= table[f"{third}_high"]).all()
    fall = table["near"] - table["far"]
    assert table["near_minus_far"].to_numpy() == pytest.approx(fall.to_numpy())
    counted = ps.compare_pits(ps.demo_study("nothing_burned")).table
    assert list(four_pits.differences.columns) == list(counted.columns)
    assert len(four_pits.differences) == 6


def test_is_the_array_function_on_the_thirds() -> None:
    study = ps.demo_study("unfair_order")
    found = ps.compare_evenness(study).table.set_index("pit")
    items = study.items.merge(study.bakes[["bake", "pit"]], on="bake")
    burned = (items["grade_top"] == "burned") | (items["grade_bottom"] == "burned")
    # Six columns: 1 and 2 near, 3 and 4 middle, 5 and 6 far.
    third = (items["column"].astype(int) - 1) // 2
    expected = part_rates(
        burned.astype(int),
        np.ones(len(items)),
        items["pit"].map({"Orchard": 0, "Quarry": 1, "Mill": 2}),
        items["bake"],
        third,
    )
    names = ["near", "middle", "far"]
    assert found[names].to_numpy() == pytest.approx(expected.parts.estimate)
    assert found["conf_low"].to_numpy() == pytest.approx(expected.near_minus_far.low)


def test_differences_turn_round_with_the_pits() -> None:
    study = ps.demo_study("nothing_burned")
    swapped = ps.Study(
        **{**study.tables, "pits": study.pits.iloc[::-1]}, settings=study.settings
    )
    a = ps.compare_evenness(study).differences.iloc[0]
    b = ps.compare_evenness(swapped).differences.iloc[0]
    assert (a["pit_a"], a["pit_b"]) == (b["pit_b"], b["pit_a"])
    # Little burned, so that few draws count.
    assert a["estimate"] == pytest.approx(-b["estimate"], abs=0.015)
    assert a["conf_low"] == pytest.approx(-b["conf_high"], abs=0.02)


def test_upper_grate_where_a_pit_has_two(four_pits: Evenness) -> None:
    # Only Mill has two grates in this demo; its upper one burns more (+0.8 logit).
    row = four_pits.grates.iloc[0]
    assert four_pits.grates["pit"].tolist() == ["Mill"]
    assert (row["lower_grate"], row["upper_grate"]) == ("main", "upper")
    assert row["conf_low"] < row["upper_minus_lower"] < row["conf_high"]
    assert row["upper_minus_lower"] == pytest.approx(row["upper"] - row["lower"])
    assert row["upper"] > row["lower"]


def test_faces_are_counted_apart(four_pits: Evenness) -> None:
    faces = four_pits.faces.set_index("pit")
    study = ps.demo_study("four_pits")
    items = study.items.merge(study.bakes[["bake", "pit"]], on="bake")
    graded = items.dropna(subset=["grade_top", "grade_bottom"])
    assert faces["n_items"].to_dict() == graded.groupby("pit").size().to_dict()
    top = graded["grade_top"].eq("burned").groupby(graded["pit"]).mean()
    bottom = graded["grade_bottom"].eq("burned").groupby(graded["pit"]).mean()
    assert (faces["top"] - top).abs().max() < 0.03
    assert (faces["bottom"] - bottom).abs().max() < 0.03
    assert four_pits.face_caveats[0].startswith("Top and bottom of one item")
    assert not says(four_pits, "Top and bottom of one item")


def test_recovers_a_steep_fall_and_a_flat_pit() -> None:
    study = made(
        SimulatedPit(pit="Steep", rate=0.35, slope=-6.0),
        SimulatedPit(pit="Flat", rate=0.35, slope=0.0),
        bakes=8,
        seed=11,
    )
    found = ps.compare_evenness(study)
    table = found.table.set_index("pit")
    assert table.loc["Steep", "conf_low"] > 0.3
    assert abs(table.loc["Flat", "near_minus_far"]) < 0.2
    assert found.differences["verdict"].tolist() == ["differs"]


@pytest.mark.parametrize(
    ("bakes", "says"), [((1, 2), "cannot tell"), ((1, 3), "differs")]
)
def test_a_pit_baked_once_asks_three_bakes_of_the_other(
    bakes: tuple[int, int], says: str
) -> None:
    # Falls of +0.9 and -0.9: the interval lies far from 0 in both designs.
    pits = [
        SimulatedPit(pit=name, rate=0.5, slope=slope)
        for name, slope in (("Steep", -14.0), ("Turned", 14.0))
    ]
    rng = np.random.default_rng(5)
    study = simulate_study(pits, bakes=bakes, sd_bake=0.1, rng=rng).study
    evenness = ps.compare_evenness(study)
    assert any("verdict only beside" in c for c in evenness.caveats) == (
        says == "cannot tell"
    )
    found = evenness.differences.loc[0]
    assert min(abs(found["conf_low"]), abs(found["conf_high"])) > 0.2
    assert found["verdict"] == says
    assert np.isnan(found["p_value"]) == (says == "cannot tell")


def test_nothing_burned_starts_at_zero() -> None:
    table = ps.compare_evenness(ps.demo_study("nothing_burned")).table
    ferry = table.set_index("pit").loc["Ferry"]
    assert ferry[["near_low", "middle_low", "far_low"]].tolist() == [0, 0, 0]
    assert ferry["conf_low"] < 0 < ferry["conf_high"]


def test_one_bake_speaks_of_that_bake() -> None:
    found = ps.compare_evenness(ps.demo_study("one_bake_each"))
    assert says(found, "for this bake only")
    assert found.differences["verdict"].tolist() == ["one bake each"]
    assert found.table["conf_low"].notna().all()


def test_a_third_without_items_is_withheld() -> None:
    study = made(
        SimulatedPit(pit="A", rate=0.3),
        SimulatedPit(pit="B", rate=0.3, columns_used={"main": [1, 2, 3]}),
    )
    found = ps.compare_evenness(study)
    row = found.table.set_index("pit").loc["B"]
    assert row[["far", "far_low", "near_minus_far", "conf_low"]].isna().all()
    assert row[["near", "middle"]].notna().all()
    assert says(found, "B had no graded items in its far third")
    assert says(found, "B used only part of its middle third")
    assert found.differences["estimate"].isna().all()
    assert found.differences["verdict"].tolist() == ["cannot tell"]


def test_a_single_pit_has_no_pairs() -> None:
    found = ps.compare_evenness(made(SimulatedPit(pit="A", rate=0.3)))
    assert len(found.table) == 1
    assert found.differences.empty


def test_grates_under_other_names_and_unknown_levels() -> None:
    study = made(
        SimulatedPit(pit="A", rate=0.3),
        SimulatedPit(pit="B", rate=0.3, grates={"low": (2, 6), "high": (2, 6)}),
    )
    assert ps.compare_evenness(study).grates["pit"].tolist() == ["B"]
    bare = ps.Study(
        **{**study.tables, "grates": study.grates.drop(columns="level")},
        settings=study.settings,
    )
    found = ps.compare_evenness(bare)
    assert found.grates.empty
    assert says(found, "levels of its grates are not recorded")


def test_totals_are_named_and_left_out() -> None:
    study = ps.demo_study("nothing_burned")
    added = pd.DataFrame({"bake": ["extra"], "pit": ["Ferry"]})
    counts = pd.DataFrame({"bake": ["extra"], "n_items": [12], "n_burned": [1]})
    both = ps.Study(
        **{
            **study.tables,
            "bakes": pd.concat([study.bakes, added], ignore_index=True),
            "counts": counts,
        },
        settings=study.settings,
    )
    found = ps.compare_evenness(both)
    assert says(found, "left out here (1): extra")
    pd.testing.assert_frame_equal(found.table, ps.compare_evenness(study).table)


def test_totals_alone_are_refused_in_words() -> None:
    with pytest.raises(ps.DesignError, match="row and column of every item"):
        ps.compare_evenness(house_example())
