"""Pairs of pits: intervals, verdicts and their agreement with each other."""

import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.rates.pairs import verdicts
from pitstats.study.demo import simulate_demo
from tests.analysis.rates.test_rates import counts_study, house_example


def test_columns_are_those_promised() -> None:
    assert list(ps.compare_pits(house_example()).table.columns) == [
        "pit_a",
        "pit_b",
        "estimate",
        "conf_low",
        "conf_high",
        "simultaneous_low",
        "simultaneous_high",
        "p_value",
        "p_adjusted",
        "verdict",
    ]


def test_agrees_with_the_brute_force_reference() -> None:
    # tests/reference/own_spread.json, case "three bakes each".
    row = ps.compare_pits(house_example()).table.iloc[0]
    assert row["estimate"] == pytest.approx(-0.13401, abs=0.001)
    assert row["conf_low"] == pytest.approx(-0.41307, abs=0.003)
    assert row["conf_high"] == pytest.approx(0.16612, abs=0.003)
    assert 0.3 < row["p_value"] < 0.35


@pytest.mark.parametrize(
    ("bakes", "verdict"), [("ABB", "cannot tell"), ("ABBB", "differs")]
)
def test_a_pit_baked_once_needs_three_bakes_beside_it(bakes, verdict) -> None:
    table = pd.DataFrame(
        {"bake": [f"b{i}" for i in range(len(bakes))], "pit": list(bakes)}
    )
    table["n_items"] = 40
    table["n_burned"] = [0, *[39] * (len(bakes) - 1)]
    found = ps.compare_pits(counts_study(table))
    assert found.table["simultaneous_high"].item() < 0
    assert found.table["verdict"].item() == verdict
    told = any("three or more bakes. None is given" in c for c in found.caveats)
    assert told == (verdict == "cannot tell")


@pytest.mark.parametrize(("n_a", "n_b", "told"), [(2, 6, True), (2, 5, False)])
def test_a_verdict_of_few_bakes_beside_many_says_what_that_risks(
    n_a, n_b, told
) -> None:
    table = pd.DataFrame({"pit": [*"A" * n_a, *"B" * n_b], "n_items": 20})
    table["bake"] = [f"b{i}" for i in range(len(table))]
    table["n_burned"] = [4, *[9] * (len(table) - 1)]
    caveats = ps.compare_pits(counts_study(table)).caveats
    assert any("at least 3 times as often" in c for c in caveats) == told


def test_naive_interval_is_newcombes() -> None:
    # Pooled 24/60 - 15/60, hybrid score, bakes ignored: 0.15 (-0.0174, 0.3064);
    # Newcombe 1998, Stat Med 17:873, method 10, computed for this example.
    naive = ps.compare_pits(house_example()).naive.iloc[0]
    assert naive["conf_low"] == pytest.approx(-0.3064, abs=5e-5)
    assert naive["conf_high"] == pytest.approx(0.0174, abs=5e-5)


def test_pairs_follow_the_order_of_the_pits_table() -> None:
    study = house_example()
    swapped = ps.Study(
        settings=study.settings,
        pits=study.pits.iloc[::-1],
        bakes=study.bakes,
        counts=study.counts,
    )
    a, b = ps.compare_pits(study).table.iloc[0], ps.compare_pits(swapped).table.iloc[0]
    assert (b["pit_a"], b["pit_b"]) == ("B", "A")
    assert b["estimate"] == pytest.approx(-a["estimate"])
    assert b["conf_low"] == pytest.approx(-a["conf_high"])
    assert b["conf_high"] == pytest.approx(-a["conf_low"])


@pytest.mark.parametrize(
    ("low", "high", "margin", "one", "expected"),
    [
        (0.01, 0.4, None, False, "differs"),
        (-0.4, -0.01, 0.15, False, "differs"),
        (0.01, 0.1, 0.15, False, "differs, within the margin"),
        (-0.1, 0.1, 0.15, False, "no difference beyond the margin"),
        (-0.1, 0.1, None, False, "cannot tell"),
        (-0.1, 0.2, 0.15, False, "cannot tell"),
        (0.0, 0.2, None, False, "cannot tell"),
        (0.2, 0.4, 0.15, True, "one bake each"),
    ],
)
def test_verdicts(
    low: float, high: float, margin: float | None, one: bool, expected: str
) -> None:
    found = verdicts(
        pd.Series([low]), pd.Series([high]), margin=margin, one_bake_each=one
    )
    assert found == [expected]


def test_verdicts_follow_the_simultaneous_interval_and_the_adjusted_p() -> None:
    comparison = ps.compare_pits(simulate_demo("four_pits").study)
    table = comparison.table
    excludes = (table["simultaneous_low"] > 0) | (table["simultaneous_high"] < 0)
    assert (excludes == table["verdict"].str.startswith("differs")).all()
    assert (excludes == (table["p_adjusted"] < 0.05)).all()
    assert (table["simultaneous_low"] <= table["conf_low"]).all()
    assert (table["simultaneous_high"] >= table["conf_high"]).all()
    # A pair that only its own interval separates must exist for this to be a test.
    alone = (table["conf_low"] > 0) | (table["conf_high"] < 0)
    assert (alone & ~excludes).any()


def test_the_margin_turns_a_narrow_interval_into_no_difference() -> None:
    bakes = pd.DataFrame(
        {
            "bake": [f"b{i}" for i in range(16)],
            "pit": ["A", "B"] * 8,
            "n_items": 200,
            "n_burned": [20, 21, 19, 20] * 4,
        }
    )
    table = ps.compare_pits(counts_study(bakes, margin=0.15)).table
    assert table["verdict"].tolist() == ["no difference beyond the margin"]


def test_one_bake_each_is_computed_but_not_judged() -> None:
    comparison = ps.compare_pits(simulate_demo("one_bake_each").study)
    assert comparison.one_bake_each
    row = comparison.table.iloc[0]
    assert row["conf_low"] < row["estimate"] < row["conf_high"]
    assert row["conf_high"] - row["conf_low"] > 0.7
    assert row[["p_value", "p_adjusted"]].isna().all()


def test_fewer_than_two_pits_is_refused_in_words() -> None:
    bakes = pd.DataFrame(
        {"bake": ["a", "b"], "pit": ["A", "A"], "n_items": 9, "n_burned": [1, 2]}
    )
    with pytest.raises(ps.DesignError, match="at least two pits"):
        ps.compare_pits(counts_study(bakes))


def test_unequal_layouts_are_a_caveat() -> None:
    comparison = ps.compare_pits(simulate_demo("four_pits").study)
    assert any("same places" in caveat for caveat in comparison.caveats)
    fair = ps.compare_pits(simulate_demo("unfair_order").study)
    assert not any("same places" in caveat for caveat in fair.caveats)
