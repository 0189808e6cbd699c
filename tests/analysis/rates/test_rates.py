"""Rates from a study: counts, intervals, missing items, other outcomes."""

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.study.demo import simulate_demo


def counts_study(bakes: pd.DataFrame, **settings: object) -> ps.Study:
    """A study of counts only; ``bakes`` has bake, pit, n_items, n_burned."""
    return ps.Study(
        settings=ps.Settings(
            title="Counts", question="?", temperature_rule="same grate", **settings
        ),
        pits=pd.DataFrame({"pit": bakes["pit"].unique()}),
        bakes=bakes[["bake", "pit"]],
        counts=bakes[["bake", "n_items", "n_burned"]],
    )


def house_example() -> ps.Study:
    burned = [2, 5, 8, 4, 9, 11]
    return counts_study(
        pd.DataFrame(
            {
                "bake": [f"b{i}" for i in range(6)],
                "pit": ["A"] * 3 + ["B"] * 3,
                "n_items": 20,
                "n_burned": burned,
            }
        )
    )


def test_columns_are_those_promised() -> None:
    rates = ps.estimate_burn_rates(house_example())
    assert list(rates.table.columns) == [
        "pit",
        "n_bakes",
        "n_items",
        "n_burned",
        "n_missing",
        "estimate",
        "conf_low",
        "conf_high",
        "effective_items",
    ]


def test_agrees_with_the_brute_force_reference() -> None:
    # tests/reference/own_spread.json, case "three bakes each".
    table = ps.estimate_burn_rates(house_example()).table
    np.testing.assert_allclose(table["estimate"], [0.27749, 0.41150], atol=0.001)
    np.testing.assert_allclose(table["conf_low"], [0.12120, 0.21429], atol=0.003)
    np.testing.assert_allclose(table["conf_high"], [0.51328, 0.64172], atol=0.003)


def test_how_repeatable_each_pit_is() -> None:
    # tests/reference/own_spread.json, case "three bakes each".
    spreads = ps.estimate_burn_rates(house_example()).bake_sd
    assert spreads.columns.tolist() == [
        "pit",
        "n_bakes",
        "estimate",
        "conf_low",
        "conf_high",
    ]
    np.testing.assert_allclose(spreads["estimate"], [0.78359, 0.77046], atol=0.002)
    np.testing.assert_allclose(spreads["conf_high"], [1.99424, 1.96029], atol=0.003)


def test_a_pit_baked_once_does_not_show_how_repeatable_it_is() -> None:
    bakes = pd.DataFrame(
        {"bake": list("abcd"), "pit": list("ABBB"), "n_items": 18, "n_burned": 4}
    )
    spreads = ps.estimate_burn_rates(counts_study(bakes)).bake_sd.set_index("pit")
    assert spreads.loc["A", ["estimate", "conf_low", "conf_high"]].isna().all()
    assert spreads.loc["B"].notna().all()
    assert spreads["n_bakes"].to_dict() == {"A": 1, "B": 3}


def test_naive_interval_is_wilsons_on_the_pooled_items() -> None:
    # R 4.2.2: prop.test(15, 60, correct = FALSE) gives 0.1576 to 0.3725.
    naive = ps.estimate_burn_rates(house_example()).naive
    from statsmodels.stats.proportion import proportion_confint

    expected = proportion_confint(15, 60, method="wilson")
    np.testing.assert_allclose(
        naive.loc[0, ["conf_low", "conf_high"]].astype(float), expected, atol=1e-9
    )


def test_effective_items_never_exceed_the_graded_ones() -> None:
    table = ps.estimate_burn_rates(house_example()).table
    assert (table["effective_items"] <= table["n_items"]).all()
    assert table["effective_items"].round().tolist() == [19, 19]


def test_row_order_of_bakes_does_not_matter() -> None:
    study = house_example()
    order = [3, 0, 5, 1, 4, 2]
    shuffled = ps.Study(
        settings=study.settings,
        pits=study.pits,
        bakes=study.bakes.iloc[order],
        counts=study.counts.iloc[order[::-1]],
    )
    a = ps.estimate_burn_rates(study).table
    b = ps.estimate_burn_rates(shuffled).table
    np.testing.assert_allclose(a["conf_low"], b["conf_low"], atol=1e-9)
    np.testing.assert_allclose(a["estimate"], b["estimate"], atol=1e-9)


def test_missing_items_widen_the_range_and_are_never_unburned() -> None:
    study = simulate_demo("four_pits").study
    rates = ps.estimate_burn_rates(study)
    quarry = rates.table.set_index("pit").loc["Quarry"]
    assert quarry["n_missing"] == 2
    assert quarry["n_items"] + quarry["n_missing"] == 72
    span = rates.missing_range.set_index("pit").loc["Quarry"]
    assert span["observed"] == pytest.approx(quarry["n_burned"] / quarry["n_items"])
    assert span["lowest"] == pytest.approx(quarry["n_burned"] / 72)
    assert span["highest"] == pytest.approx((quarry["n_burned"] + 2) / 72)
    assert span["conf_low"] <= quarry["conf_low"]
    assert span["conf_high"] >= quarry["conf_high"]
    assert any("left out" in caveat for caveat in rates.caveats)


def test_excluded_bakes_do_not_enter_and_are_named() -> None:
    study = house_example()
    bakes = study.bakes.copy()
    bakes.loc[0, ["status", "reason"]] = ["excluded", "lid fell"]
    rates = ps.estimate_burn_rates(
        ps.Study(
            settings=study.settings,
            pits=study.pits,
            bakes=bakes,
            counts=study.counts,
        )
    )
    assert rates.table.loc[0, "n_items"] == 40
    assert any("excluded" in caveat for caveat in rates.caveats)


def test_one_bake_each_says_that_the_width_is_assumed() -> None:
    rates = ps.estimate_burn_rates(simulate_demo("one_bake_each").study)
    assert rates.table["effective_items"].isna().all()
    assert any("assumption" in caveat for caveat in rates.caveats)


def test_borrowed_spread_is_said_of_the_pit_with_one_bake() -> None:
    bakes = pd.DataFrame(
        {
            "bake": ["a1", "a2", "b1"],
            "pit": ["A", "A", "B"],
            "n_items": 10,
            "n_burned": [1, 2, 3],
        }
    )
    rates = ps.estimate_burn_rates(counts_study(bakes))
    assert [c for c in rates.caveats if "borrowed" in c] == [
        "B was baked once: its bake-to-bake spread is borrowed from the other pits."
    ]


def test_nothing_burned_has_a_low_end_of_zero_and_an_honest_high_end() -> None:
    table = ps.estimate_burn_rates(simulate_demo("nothing_burned").study).table
    ferry = table.set_index("pit").loc["Ferry"]
    assert ferry["n_burned"] == 0
    assert ferry["conf_low"] == 0
    assert 0.03 < ferry["conf_high"] < 0.2


def test_a_pit_without_bakes_is_listed_without_a_rate() -> None:
    study = house_example()
    pits = pd.DataFrame({"pit": ["A", "B", "C"]})
    rates = ps.estimate_burn_rates(
        ps.Study(
            settings=study.settings, pits=pits, bakes=study.bakes, counts=study.counts
        )
    )
    row = rates.table.set_index("pit").loc["C"]
    assert np.isnan(row["estimate"])
    assert any("Nothing was graded in C" in caveat for caveat in rates.caveats)


def test_shares_of_an_exclusive_scale_add_up_in_the_counts() -> None:
    study = simulate_demo("one_bake_each").study
    grades = ps.count_grades(study)
    for pit, own in grades[grades["grade"] != "missing"].groupby("pit"):
        graded = ps.estimate_burn_rates(study).table.set_index("pit")
        assert own["n_items"].sum() == graded.loc[pit, "n_items"]
        assert own["share"].sum() == pytest.approx(1.0)


@pytest.mark.parametrize("level", [0, 1, -0.5, 95])
def test_an_impossible_level_is_refused_in_words(level: float) -> None:
    with pytest.raises(ps.DesignError, match="between 0 and 1"):
        ps.estimate_burn_rates(house_example(), level)


def test_nothing_to_count_is_said_in_words() -> None:
    with pytest.raises(ps.DesignError, match="good"):
        ps.estimate_shares(house_example(), "good")
    with pytest.raises(ps.DesignError, match="burned, underbaked, good"):
        ps.estimate_shares(house_example(), "golden")  # type: ignore[arg-type]


def test_what_is_missing_to_count_is_named() -> None:
    with pytest.raises(
        ps.DesignError, match=r"the column n_raw of the table counts\.$"
    ):
        ps.estimate_shares(house_example(), "underbaked")
    with pytest.raises(ps.DesignError, match="each item in the table items"):
        ps.estimate_shares(house_example(), "good")
    marks = ps.Study(
        settings=ps.Settings(title="T", question="?", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": ["1"], "pit": ["A"]}),
        items=pd.DataFrame({"bake": ["1"], "burned": [True]}),
    )
    with pytest.raises(ps.DesignError, match=r"Fill in the grades in the table items"):
        ps.estimate_shares(marks, "underbaked")


@pytest.mark.slow
def test_rates_of_simulated_studies_recover_the_truth() -> None:
    rng = np.random.default_rng(20261125)
    covered, total = 0, 0
    for _ in range(150):
        made = ps.simulate_study(
            [
                ps.SimulatedPit(pit="A", rate=0.15),
                ps.SimulatedPit(pit="B", rate=0.35, slope=-1.0),
            ],
            bakes=3,
            sd_bake=0.6,
            rng=rng,
        )
        table = ps.estimate_burn_rates(made.study).table
        truth = made.truth.rates["rate"]
        covered += int(
            ((table["conf_low"] <= truth) & (truth <= table["conf_high"])).sum()
        )
        total += 2
    # 300 intervals claimed at 95%: below 0.91 would be more than 3 SE short.
    assert covered / total >= 0.91
