"""Pits compared over the same places: layouts, support, caveats."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.results import PitComparison
from pitstats.study.demo import SimulatedPit, simulate_demo, simulate_study
from tests.analysis.rates.test_rates import counts_study, house_example

DEMOS = ("four_pits", "one_bake_each", "nothing_burned", "unfair_order")


def made(*pits: SimulatedPit, bakes: int = 3, seed: int = 5) -> ps.Study:
    rng = np.random.default_rng(seed)
    return simulate_study(pits, bakes=bakes, sd_bake=0.4, rng=rng).study


def compared(study: ps.Study, **options: object) -> PitComparison:
    options.setdefault("layout", "common")
    return ps.compare_pits(study, **options)  # type: ignore[arg-type]


def says(result: PitComparison, words: str) -> bool:
    return any(words in caveat for caveat in result.caveats)


@pytest.mark.parametrize("name", DEMOS)
def test_same_shape_as_the_comparison_from_counts(name: str) -> None:
    study = ps.demo_study(name)
    common, counted = compared(study), ps.compare_pits(study)
    assert list(common.table.columns) == list(counted.table.columns)
    assert list(common.rates.columns) == list(counted.rates.columns)
    pd.testing.assert_frame_equal(common.naive, counted.naive)
    same = ["pit", "n_bakes", "n_items", "n_burned", "n_missing"]
    pd.testing.assert_frame_equal(common.rates[same], counted.rates[same])
    assert common.one_bake_each == counted.one_bake_each
    assert (common.layout, counted.layout) == ("common", "as baked")
    assert counted.formula is None


def test_complete_layouts_move_the_answer_little() -> None:
    # Every pit of this study used its whole grate, so places explain no difference.
    study = ps.demo_study("unfair_order")
    common, counted = compared(study).table, ps.compare_pits(study).table
    assert (common["estimate"] - counted["estimate"]).abs().max() < 0.02


@pytest.mark.parametrize("name", ["four_pits", "nothing_burned"])
def test_no_covariates_is_the_exact_grid_within_monte_carlo_error(name: str) -> None:
    study = ps.demo_study(name)
    alone = ps.Study(**{**study.tables, "bakes": study.bakes.drop(columns="session")},
                     settings=study.settings)  # fmt: skip
    model = compared(alone, formula="pit")
    exact = ps.compare_pits(alone)
    for column in ("estimate", "conf_low", "conf_high"):
        gap = model.table[column] - exact.table[column]
        assert gap.abs().max() < 0.015
        assert (model.rates[column] - exact.rates[column]).abs().max() < 0.015
    assert (model.table["verdict"] == exact.table["verdict"]).all()
    assert "No session effect" in model.session_note


def test_swapping_the_pits_turns_every_sign() -> None:
    study = ps.demo_study("one_bake_each")
    swapped = ps.Study(
        **{**study.tables, "pits": study.pits.iloc[::-1]}, settings=study.settings
    )
    a, b = compared(study).table.iloc[0], compared(swapped).table.iloc[0]
    assert (a["pit_a"], a["pit_b"]) == (b["pit_b"], b["pit_a"])
    # Quasi-random points are dealt to the pits in their order: ends of intervals that
    # are 0.9 wide agree to 0.025.
    assert a["estimate"] == pytest.approx(-b["estimate"], abs=0.005)
    assert a["conf_low"] == pytest.approx(-b["conf_high"], abs=0.025)
    assert a["conf_high"] == pytest.approx(-b["conf_low"], abs=0.025)


def test_the_order_of_the_rows_does_not_matter(rng: np.random.Generator) -> None:
    study = ps.demo_study("nothing_burned")
    order = rng.permutation(len(study.items))
    shuffled = ps.Study(
        **{
            **study.tables,
            "items": study.items.iloc[order],
            "bakes": study.bakes.iloc[::-1],
        },
        settings=study.settings,
    )
    pd.testing.assert_frame_equal(
        compared(study).table, compared(shuffled).table, rtol=1e-9
    )


def true_rate(pit: pd.Series, distance: np.ndarray, sd: float) -> float:
    """Long-run rate of a simulated pit over places, by its own quadrature."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)
    eta = pit["intercept"] + pit["slope"] * distance[:, None] + sd * nodes
    return float((1 / (1 + np.exp(-eta)) @ weights).mean() / weights.sum())


def test_unequal_layouts_turn_the_ranking_round_and_the_model_puts_it_right() -> None:
    study, truth = simulate_demo("unequal_layouts")
    counted, common = ps.compare_pits(study), compared(study)
    assert common.cells is not None
    places = common.cells["distance"].to_numpy()
    rates = truth.rates.set_index("pit")
    true = [true_rate(rates.loc[pit], places, truth.sd_bake) for pit in rates.index]
    difference = true[0] - true[1]
    assert difference > 0.1
    raw = counted.rates["n_burned"] / counted.rates["n_items"]
    assert raw[0] - raw[1] < -0.1
    assert counted.table["estimate"].iloc[0] < -0.1
    assert says(counted, "same places")
    row = common.table.iloc[0]
    assert row["verdict"] == "differs"
    assert row["estimate"] == pytest.approx(difference, abs=0.05)
    assert row["conf_low"] < difference < row["conf_high"]
    covers = (common.rates["conf_low"] < true) & (true < common.rates["conf_high"])
    assert covers.all()
    assert says(common, "only part of the grate")


def test_intervals_hold_the_true_rates_of_the_demo_studies() -> None:
    held = []
    for name in (*DEMOS, "unequal_layouts"):
        study, truth = simulate_demo(name)
        common = compared(study)
        assert common.cells is not None
        places = common.cells["distance"].to_numpy()
        rates = common.rates.set_index("pit")
        for _, pit in truth.rates.iterrows():
            if np.isfinite(pit["intercept"]):
                true = true_rate(pit, places, truth.sd_bake)
            else:
                true = 0.0
            row = rates.loc[pit["pit"]]
            held.append(row["conf_low"] <= true <= row["conf_high"])
    # Thirteen intervals at 95 %: two misses would be worth a look.
    assert len(held) == 13
    assert sum(held) >= 12


def test_a_pit_without_places_has_no_rate_and_is_told() -> None:
    study = ps.demo_study("four_pits")
    column = study.items["column"]
    items = study.items.assign(
        column=column.where(~study.items["bake"].str.startswith("Ferry"))
    )
    result = compared(
        ps.Study(**{**study.tables, "items": items}, settings=study.settings)
    )
    rates = result.rates.set_index("pit")
    assert np.isnan(rates.loc["Ferry", "estimate"])
    assert rates["estimate"].notna().sum() == 3
    assert len(result.table) == 3
    assert says(result, "Ferry: no graded item can enter the model")
    assert says(result, "nothing recorded in distance, left out of the model: 59.")


class TestCommonLayout:
    def test_equal_columns_are_the_places(self) -> None:
        result = compared(ps.demo_study("unfair_order"))
        assert result.cells is not None
        assert result.cells["distance"].tolist() == pytest.approx(
            (np.arange(6) + 0.5) / 6
        )
        assert result.cells["cell_weight"].sum() == pytest.approx(1)

    def test_unequal_columns_are_twelve_steps(self) -> None:
        result = compared(ps.demo_study("four_pits"))
        assert result.cells is not None
        assert len(result.cells) == 12
        assert set(result.cells["grate"]) == {"main"}
        assert says(result, "leaves out upper")

    def test_only_the_stretch_that_all_pits_used(self) -> None:
        study = made(
            SimulatedPit(pit="A", rate=0.3, columns_used={"main": [1, 2, 3, 4]}),
            SimulatedPit(pit="B", rate=0.3, columns_used={"main": [3, 4, 5, 6]}),
        )
        result = compared(study)
        assert result.cells is not None
        assert result.cells["distance"].tolist() == pytest.approx([2.5 / 6, 3.5 / 6])
        assert says(result, "0.33 to 0.67")
        assert "0.33 to 0.67" in result.layout_note

    def test_no_place_in_common_is_refused_in_words(self) -> None:
        study = made(
            SimulatedPit(pit="A", rate=0.3, columns_used={"main": [1, 2]}),
            SimulatedPit(pit="B", rate=0.3, columns_used={"main": [5, 6]}),
        )
        with pytest.raises(ps.DesignError, match="No place was used in all pits"):
            compared(study)

    def test_a_gap_is_named_and_counted(self) -> None:
        study = made(
            SimulatedPit(pit="A", rate=0.3),
            SimulatedPit(pit="B", rate=0.3, columns_used={"main": [1, 2, 5, 6]}),
        )
        result = compared(study)
        assert says(result, "B had no graded items in the middle third")
        assert result.support is not None
        bare = result.support[result.support["n_items"] == 0]
        assert set(bare["pit"]) == {"B"}
        assert bare["distance"].tolist() == pytest.approx([2.5 / 6, 3.5 / 6])

    def test_grates_without_a_common_name_go_by_their_place(self) -> None:
        study = made(
            SimulatedPit(pit="A", rate=0.3),
            SimulatedPit(pit="B", rate=0.3, grates={"lower": (2, 6), "upper": (2, 6)}),
        )
        result = compared(study)
        assert result.cells is not None
        assert set(result.cells["grate"]) == {"grate 1 from below"}

    def test_two_common_grates_count_by_their_cells(self) -> None:
        both = {"main": (3, 6), "upper": (1, 6)}
        study = made(
            SimulatedPit(pit="A", rate=0.3, grates=both),
            SimulatedPit(pit="B", rate=0.3, grates=both),
        )
        result = compared(study)
        assert result.formula == "pit * distance + grate"
        assert result.cells is not None
        shares = result.cells.groupby("grate")["cell_weight"].sum()
        assert shares.to_dict() == pytest.approx({"main": 0.75, "upper": 0.25})


class TestOwnLayout:
    def test_one_cell(self) -> None:
        study = ps.demo_study("four_pits")
        near = compared(study, layout=pd.DataFrame({"grate": ["main"], "column": [1]}))
        far = compared(
            study, layout=pd.DataFrame({"grate": ["main"], "distance": [0.9]})
        )
        assert near.layout == far.layout == "own"
        # Every pit of this demo burns more near the firebox; Ferry, with the flattest
        # fall and four burned items, does not show it.
        falls = near.rates["estimate"] > far.rates["estimate"]
        assert falls[near.rates["pit"] != "Ferry"].all()

    def test_weights_count(self) -> None:
        study = ps.demo_study("unfair_order")
        cells = pd.DataFrame({"grate": "main", "distance": [0.1, 0.9]})
        near = compared(study, layout=cells.assign(cell_weight=[1.0, 0.0]))
        same = compared(study, layout=cells.iloc[:1])
        assert near.rates["estimate"].tolist() == pytest.approx(
            same.rates["estimate"].tolist(), abs=0.005
        )

    @pytest.mark.parametrize(
        ("cells", "words"),
        [
            (pd.DataFrame({"grate": []}), "no cells"),
            (pd.DataFrame({"grate": ["main"]}), "lack the column distance"),
            (pd.DataFrame({"grate": ["top"], "distance": [0.5]}), "name the grate top"),
            (pd.DataFrame({"grate": ["main"], "column": [40]}), "do not have"),
            (
                pd.DataFrame({"pit": ["Nix"], "grate": ["main"], "distance": [0.5]}),
                "cells of Nix",
            ),
            (
                pd.DataFrame(
                    {"grate": ["main"], "distance": [0.5], "cell_weight": [-1]}
                ),
                "weights",
            ),
        ],
    )
    def test_what_does_not_fit_is_refused_in_words(
        self, cells: pd.DataFrame, words: str
    ) -> None:
        with pytest.raises(ps.DesignError, match=words):
            compared(ps.demo_study("four_pits"), layout=cells)

    def test_an_unknown_layout_lists_the_known_ones(self) -> None:
        with pytest.raises(ps.DesignError, match="'common', 'as baked'"):
            compared(house_example(), layout="Common", formula="pit")


class TestCountsOnly:
    def test_a_formula_of_places_names_the_bakes(self) -> None:
        with pytest.raises(ps.DesignError, match=r"Only totals .*6 bakes \(") as error:
            compared(house_example())
        assert "distance" in str(error.value)
        assert str(error.value).endswith("the comparison from counts stands.")

    def test_where_some_bakes_have_items_it_says_what_takes_in_all(self) -> None:
        study = ps.demo_study("one_bake_each")
        mixed = ps.Study(
            settings=study.settings,
            pits=study.pits,
            bakes=study.bakes,
            items=study.items[study.items["bake"].eq("Quarry-1")],
            counts=pd.DataFrame({"bake": ["Ferry-1"], "n_items": 16, "n_burned": 7}),
        )
        with pytest.raises(ps.DesignError, match=r"of 1 bake \(Ferry-1\)") as error:
            compared(mixed)
        assert "The comparison from counts takes in every bake" in str(error.value)

    def test_a_formula_of_bakes_takes_them_as_binomials(self) -> None:
        # tests/reference/i_bake_rates.json, case three_bakes_each.
        row = compared(house_example(), formula="pit").table.iloc[0]
        assert row["estimate"] == pytest.approx(-0.13390, abs=0.005)
        assert row["conf_low"] == pytest.approx(-0.41524, abs=0.015)
        assert row["conf_high"] == pytest.approx(0.17241, abs=0.015)

    def test_fewer_than_two_pits_is_refused_in_words(self) -> None:
        bakes = pd.DataFrame(
            {"bake": ["a", "b"], "pit": ["A", "A"], "n_items": 9, "n_burned": [1, 2]}
        )
        with pytest.raises(ps.DesignError, match="at least two pits"):
            compared(counts_study(bakes), formula="pit")


def test_items_outside_the_shared_stretch_are_not_counted_inside():
    # Two rows of 16 columns; pit A uses columns 1-12, pit B 5-16: columns 5-12 shared.
    made = ps.simulate_study(
        [
            ps.SimulatedPit(
                pit=pit,
                rate=0.3,
                grates={"main": (2, 16)},
                columns_used={"main": columns},
            )
            for pit, columns in (("A", range(1, 13)), ("B", range(5, 17)))
        ],
        bakes=3,
        rng=np.random.default_rng(3),
    )
    both = ps.compare_both_ways(made.study)
    assert both.leads == "common"
    assert both.rates.table["n_items"].tolist() == [48, 48]


def test_items_on_grates_of_other_names_are_counted():
    study = made(
        SimulatedPit(pit="A", rate=0.3),
        SimulatedPit(pit="B", rate=0.3, grates={"lower": (2, 6), "upper": (2, 6)}),
    )
    both = ps.compare_both_ways(study)
    assert both.leads == "common"
    assert both.rates.table["n_items"].tolist() == [3 * 18, 3 * 12]
