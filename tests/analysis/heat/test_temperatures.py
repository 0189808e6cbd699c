"""Pits compared on cell temperatures: level, evenness, repeatability."""

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats as distributions

import pitstats as ps
from pitstats.analysis.heat.place_model import fit_places, place_frame
from pitstats.analysis.heat.spread import (
    Spread,
    difference_of_spreads,
    extremes_of_means,
    spread_of_means,
)
from pitstats.analysis.heat.temperatures import same_probe
from pitstats.errors import DesignError
from pitstats.stats import fit_mixed_linear
from pitstats.study.demo import simulate_demo_probes
from tests.analysis.cell_studies import bakes_study, cell_frame

LEVEL = {"Quarry": 350.0, "Ferry": 335.0, "Mill": 345.0}
FALL = {"Quarry": 40.0, "Ferry": 10.0, "Mill": 0.0}


def two_pits(rng, n_bakes=3, **more):
    study = bakes_study({"Quarry": n_bakes, "Ferry": n_bakes}, **more)
    return study, cell_frame(study, rng, level=LEVEL, fall=FALL)


def test_complete_cells_give_the_t_test_of_welch_on_bake_means(rng):
    study, cells = two_pits(rng)
    found = ps.compare_temperatures(study, cells=cells)
    means = cells.groupby(["pit", "bake"])["temp"].mean()
    t = distributions.ttest_ind(means["Quarry"], means["Ferry"], equal_var=False)
    row = found.table.iloc[0]
    assert row["estimate"] == pytest.approx(
        means["Quarry"].mean() - means["Ferry"].mean()
    )
    ends = t.confidence_interval(0.95)
    assert (row["conf_low"], row["conf_high"]) == pytest.approx((ends.low, ends.high))
    assert row["p_value"] == pytest.approx(t.pvalue)
    # One pair: nothing to allow for.
    assert row["simultaneous_low"] == pytest.approx(row["conf_low"])
    assert row["p_adjusted"] == pytest.approx(row["p_value"])
    bakes = found.levels.bakes.set_index("bake")["estimate"]
    for (_, bake), mean in means.items():
        assert bakes[bake] == pytest.approx(mean)


def test_repeatability_is_the_sd_of_bake_means(rng):
    study, cells = two_pits(rng, n_bakes=4)
    table = ps.estimate_cell_temperatures(study, cells=cells).table.set_index("pit")
    means = cells.groupby(["pit", "bake"])["temp"].mean()
    chi = distributions.chi2(3)
    for pit in ("Quarry", "Ferry"):
        sd = means[pit].std()
        row = table.loc[pit]
        assert row["bake_sd"] == pytest.approx(sd)
        assert row["bake_sd_low"] == pytest.approx(sd * np.sqrt(3 / chi.ppf(0.975)))
        assert row["bake_sd_high"] == pytest.approx(sd * np.sqrt(3 / chi.ppf(0.025)))
    found = ps.compare_temperatures(study, cells=cells).repeatability.iloc[0]
    ratio = means["Quarry"].std() / means["Ferry"].std()
    quantile = distributions.f(3, 3).ppf(0.975)
    assert found["ratio"] == pytest.approx(ratio)
    assert found["conf_low"] == pytest.approx(ratio / np.sqrt(quantile))
    assert found["conf_high"] == pytest.approx(ratio * np.sqrt(quantile))


def test_fall_and_spread_without_scatter():
    study = bakes_study({"Quarry": 3, "Ferry": 2})
    rng = np.random.default_rng(0)
    cells = cell_frame(study, rng, level=LEVEL, fall=FALL, sd_bake=3.0, sd_cell=1e-4)
    table = ps.estimate_cell_temperatures(study, cells=cells).table.set_index("pit")
    # Near columns 1 and 2 of 6 against columns 5 and 6: four steps of a sixth.
    assert table.loc["Quarry", "near_minus_far"] == pytest.approx(40 * 4 / 6, abs=1e-3)
    assert table.loc["Ferry", "near_minus_far"] == pytest.approx(10 * 4 / 6, abs=1e-3)
    column = np.tile(np.arange(6), 2)
    sd = np.std(-40 * column / 6, ddof=1)
    assert table.loc["Quarry", "spread"] == pytest.approx(sd, abs=1e-3)
    assert table.loc["Quarry", "range"] == pytest.approx(40 * 5 / 6, abs=1e-3)
    assert "column 1 on main" in table.loc["Quarry", "hottest"]
    assert "column 6 on main" in table.loc["Quarry", "coldest"]


def test_celsius_shifts_levels_and_not_differences(rng):
    study, cells = two_pits(rng)
    celsius = bakes_study({"Quarry": 3, "Ferry": 3}, unit="C", target=176.0)
    in_celsius = cells.assign(temp=(cells["temp"] - 32) / 1.8)
    hot = ps.compare_temperatures(study, cells=cells)
    cool = ps.compare_temperatures(celsius, cells=in_celsius)
    assert cool.levels.unit == "C"
    levels = hot.levels.table, cool.levels.table
    for name in ("estimate", "conf_low", "conf_high"):
        np.testing.assert_allclose(levels[1][name], (levels[0][name] - 32) / 1.8)
        np.testing.assert_allclose(cool.table[name], hot.table[name] / 1.8)
        np.testing.assert_allclose(
            cool.spreads[name], hot.spreads[name] / 1.8, rtol=1e-6
        )
    for name in ("spread", "range", "near_minus_far", "bake_sd", "bake_sd_high"):
        np.testing.assert_allclose(levels[1][name], levels[0][name] / 1.8, rtol=1e-6)


def test_order_of_rows_does_not_matter_and_pairs_turn_round(rng):
    study, cells = two_pits(rng)
    first = ps.compare_temperatures(study, cells=cells)
    mixed = cells.sample(frac=1, random_state=3)
    turned = replace(study, pits=study.pits.iloc[::-1])
    second = ps.compare_temperatures(turned, cells=mixed)
    assert second.table.loc[0, "pit_a"] == "Ferry"
    np.testing.assert_allclose(second.table["estimate"], -first.table["estimate"])
    np.testing.assert_allclose(second.table["conf_low"], -first.table["conf_high"])
    np.testing.assert_allclose(second.table["p_value"], first.table["p_value"])


def test_more_than_two_pits_are_allowed_for(rng):
    study = bakes_study({"Quarry": 3, "Ferry": 3, "Mill": 3})
    cells = cell_frame(study, rng, level=LEVEL, fall=FALL)
    found = ps.compare_temperatures(study, cells=cells)
    table = found.table
    assert list(zip(table["pit_a"], table["pit_b"], strict=True)) == [
        ("Quarry", "Ferry"),
        ("Quarry", "Mill"),
        ("Ferry", "Mill"),
    ]
    assert (table["simultaneous_low"] < table["conf_low"]).all()
    assert (table["p_adjusted"] >= table["p_value"]).all()
    excludes = (table["simultaneous_low"] > 0) | (table["simultaneous_high"] < 0)
    assert ((table["p_adjusted"] < 0.05) == excludes).all()
    assert (table["verdict"].str.startswith("differs") == excludes).all()
    # Sidak's level for each of the three.
    means = cells.groupby(["pit", "bake"])["temp"].mean()
    for row in table.to_dict("records"):
        two = means[row["pit_a"]], means[row["pit_b"]]
        t = distributions.ttest_ind(*two, equal_var=False)
        ends = t.confidence_interval(0.95 ** (1 / 3))
        own = row["simultaneous_low"], row["simultaneous_high"]
        assert own == pytest.approx(tuple(ends))


def test_margin_gives_the_other_verdicts(rng):
    study = bakes_study({"Quarry": 6, "Ferry": 6})
    level = {"Quarry": 350.0, "Ferry": 350.0}
    cells = cell_frame(study, rng, level=level, sd_bake=1.0)
    found = ps.compare_temperatures(study, cells=cells, margin=10.0)
    assert found.table["verdict"].tolist() == ["no difference beyond the margin"]
    with pytest.raises(DesignError, match="must be above 0 degrees"):
        ps.compare_temperatures(study, cells=cells, margin=0)


def test_missing_cells_are_allowed_for(rng):
    study, cells = two_pits(rng)
    # The hot end of one bake is lost; a plain mean of that bake would be too low.
    lost = (cells["bake"] == "Quarry1") & (cells["column"] <= 3)
    cells.loc[lost, "temp"] = np.nan
    found = ps.estimate_cell_temperatures(study, cells=cells)
    bakes = found.bakes.set_index("bake")
    seen = cells[cells["bake"] == "Quarry1"]["temp"].mean()
    assert bakes.loc["Quarry1", "n_cells"] == 6
    # The fall is 40 over the grate: half of it lies between the halves' middles.
    assert bakes.loc["Quarry1", "estimate"] - seen == pytest.approx(10, abs=2.5)
    assert any("left out here: 6" in text for text in found.caveats)


def test_a_bake_without_any_cell_is_named(rng):
    study, cells = two_pits(rng)
    cells.loc[cells["bake"] == "Ferry2", "temp"] = np.nan
    found = ps.estimate_cell_temperatures(study, cells=cells)
    assert found.table.set_index("pit").loc["Ferry", "n_bakes"] == 2
    assert any("Ferry2" in text for text in found.caveats)


def test_excluded_and_planned_bakes_do_not_count(rng):
    study, cells = two_pits(rng, n_bakes=4)
    bakes = study.bakes.copy()
    bakes.loc[bakes["bake"] == "Quarry4", ["status", "reason"]] = ["excluded", "rain"]
    counts = study.counts[study.counts["bake"] != "Ferry4"]
    bakes.loc[bakes["bake"] == "Ferry4", "status"] = "planned"
    part = replace(study, bakes=bakes, counts=counts)
    found = ps.estimate_cell_temperatures(part, cells=cells)
    assert found.table["n_bakes"].tolist() == [3, 3]
    assert not {"Quarry4", "Ferry4"} & set(found.bakes["bake"])


def test_different_grids_are_compared_on_a_curve():
    rng = np.random.default_rng(5)
    study = bakes_study({"Quarry": 4, "Ferry": 4}, {"Quarry": (2, 6), "Ferry": (3, 5)})
    cells = cell_frame(study, rng, level=LEVEL, fall=FALL, sd_bake=1.0, sd_cell=0.5)
    found = ps.compare_temperatures(study, cells=cells)
    assert "curve" in found.levels.layout_note
    assert any("smooth curve" in text for text in found.caveats)
    row = found.table.iloc[0]
    assert row["estimate"] == pytest.approx(15, abs=2)
    assert row["conf_low"] < 15 < row["conf_high"]


def test_unequal_stretches_are_compared_where_both_were_measured():
    # Ferry was measured in its firebox half only, where its fall makes it hotter
    # than on the average of its grate.
    rng = np.random.default_rng(6)
    study = bakes_study({"Quarry": 4, "Ferry": 4})
    fall = {"Quarry": 0.0, "Ferry": 40.0}
    cells = cell_frame(study, rng, level=LEVEL, fall=fall, sd_bake=0.5, sd_cell=0.5)
    cells = cells[(cells["pit"] == "Quarry") | (cells["column"] <= 3)]
    found = ps.compare_temperatures(study, cells=cells)
    # Over the near half: Quarry 350, Ferry 335 + 40/4.
    assert found.table.loc[0, "estimate"] == pytest.approx(350 - 345, abs=1.5)
    assert "6 probed cells" in found.levels.layout_note


def test_no_place_in_common():
    rng = np.random.default_rng(7)
    study, cells = two_pits(rng)
    near = (cells["pit"] == "Quarry") & (cells["column"] <= 2)
    far = (cells["pit"] == "Ferry") & (cells["column"] >= 5)
    found = ps.compare_temperatures(study, cells=cells[near | far])
    assert found.table.empty
    assert found.levels.table["estimate"].isna().all()
    assert (found.levels.table["bake_sd"] > 0).all()
    assert any("No stretch" in text for text in found.caveats)


def test_grates_with_other_names_are_matched_by_level():
    rng = np.random.default_rng(8)
    grates = pd.DataFrame(
        {
            "pit": ["Quarry", "Ferry"],
            "grate": ["main", "lower"],
            "rows": 2,
            "columns": 6,
            "level": 1,
        }
    )
    study = bakes_study({"Quarry": 3, "Ferry": 3}, grates=grates)
    cells = cell_frame(study, rng, level=LEVEL)
    found = ps.compare_temperatures(study, cells=cells)
    assert np.isfinite(found.table.loc[0, "conf_low"])
    assert set(found.levels.cells["grate"]) == {"main", "lower"}


def test_one_bake_each_gives_levels_and_no_verdict(rng):
    study, cells = two_pits(rng, n_bakes=1)
    found = ps.compare_temperatures(study, cells=cells)
    assert found.table["verdict"].tolist() == ["one bake each"]
    assert found.table["conf_low"].isna().all()
    assert found.levels.table["conf_low"].isna().all()
    assert np.isfinite(found.levels.table["estimate"]).all()
    # What differs within a bake is known for that bake.
    assert np.isfinite(found.levels.table["near_minus_far_low"]).all()
    assert found.levels.table["bake_sd"].isna().all()
    assert any("One bake cannot show" in text for text in found.caveats)


def test_a_pit_with_one_bake_has_a_level_and_no_verdict(rng):
    study = bakes_study({"Quarry": 3, "Ferry": 1})
    cells = cell_frame(study, rng, level=LEVEL, fall=FALL)
    found = ps.compare_temperatures(study, cells=cells)
    row = found.table.iloc[0]
    assert np.isfinite(row["estimate"])
    assert np.isnan(row["conf_low"])
    assert row["verdict"] == "cannot tell"
    assert any("Ferry was measured in one bake" in text for text in found.caveats)
    levels = found.levels.table.set_index("pit")
    assert np.isfinite(levels.loc["Quarry", "conf_low"])
    assert np.isnan(levels.loc["Ferry", "conf_low"])
    assert found.repeatability["ratio"].isna().all()


def test_the_level_of_a_pit_owes_nothing_to_the_scatter_of_another(rng):
    study, cells = two_pits(rng, n_bakes=4)
    shaken = cells.copy()
    shift = {f"Ferry{k}": 40.0 * (-1) ** k for k in range(1, 5)}
    shaken["temp"] += shaken["bake"].map(shift).fillna(0.0)
    before, after = (
        ps.estimate_cell_temperatures(study, cells=c).table.set_index("pit")
        for c in (cells, shaken)
    )
    ends = ["conf_low", "conf_high", "spread_low", "spread_high", "bake_sd"]
    assert after.loc["Quarry", ends].tolist() == pytest.approx(
        before.loc["Quarry", ends].tolist()
    )
    assert after.loc["Ferry", "bake_sd"] > 5 * before.loc["Ferry", "bake_sd"]


def test_each_pit_is_fitted_as_another_program_fits_it_alone(rng):
    from statsmodels.regression.mixed_linear_model import MixedLM

    study, cells = two_pits(rng, n_bakes=5)
    cells = cells[rng.random(len(cells)) > 0.15]
    model = fit_places(place_frame(study, cells, "temp"), ["Quarry", "Ferry"])
    for pit in model.pits:
        own = model.frame[model.frame["pit"] == pit]
        X = model.rows(pit, own)
        with warnings.catch_warnings():
            # It warns of its own optimizers before it gets there.
            warnings.simplefilter("ignore")
            other = MixedLM(own["y"].to_numpy(), X, own["bake"].to_numpy()).fit()
        fit = model.fit(pit)
        np.testing.assert_allclose(fit.coef, other.fe_params, rtol=1e-5)
        # Its optimizer stops at four digits of the variances.
        assert fit.group_sd == pytest.approx(float(other.cov_re[0, 0]) ** 0.5, rel=1e-3)
        assert fit.residual_sd == pytest.approx(other.scale**0.5, rel=1e-3)


def test_pits_that_shared_all_sessions_are_compared_session_by_session(rng):
    study, cells = two_pits(rng, n_bakes=4)
    bakes = study.bakes.assign(session=study.bakes["bake"].str[-1])
    weather = {"1": -20.0, "2": 0.0, "3": 5.0, "4": 25.0}
    cells["temp"] += cells["bake"].str[-1].map(weather)
    shared = replace(study, bakes=bakes)
    found = ps.compare_temperatures(shared, cells=cells)
    means = cells.groupby(["pit", "bake"])["temp"].mean()
    t = distributions.ttest_rel(means["Quarry"], means["Ferry"])
    row = found.table.iloc[0]
    ends = (row["conf_low"], row["conf_high"])
    assert ends == pytest.approx(tuple(t.confidence_interval()))
    assert any("side by side in every session" in text for text in found.caveats)
    # A bake of one pit alone, and the design no longer pairs them.
    bakes.loc[0, "session"] = "9"
    apart = ps.compare_temperatures(replace(study, bakes=bakes), cells=cells)
    assert not any("side by side" in text for text in apart.caveats)
    assert np.ptp(apart.table.loc[0, ["conf_low", "conf_high"]]) > np.ptp(ends)


def test_no_verdict_where_the_moodier_pit_was_measured_twice(rng):
    study = bakes_study({"Quarry": 2, "Ferry": 6})
    level = {"Quarry": 400.0, "Ferry": 300.0}
    cells = cell_frame(study, rng, level=level, sd_bake=0.3, sd_cell=0.1)
    steady = cells.copy()
    cells.loc[cells["bake"] == "Quarry2", "temp"] += 2.0
    moody = ps.compare_temperatures(study, cells=cells)
    assert moody.table["verdict"].tolist() == ["cannot tell"]
    assert any("because Quarry scatters more" in text for text in moody.caveats)
    # With the two bakes the steadier ones the difference stands.
    steady.loc[steady["bake"] == "Ferry3", "temp"] += 2.0
    steady.loc[steady["bake"] == "Quarry2", "temp"] = (
        steady.loc[steady["bake"] == "Quarry1", "temp"].to_numpy() + 0.1
    )
    calm = ps.compare_temperatures(study, cells=steady)
    assert calm.table["verdict"].tolist() == ["differs"]
    assert not any("no verdict" in text for text in calm.caveats)


def thin(cells):
    return {
        "one probe": cells[(cells["row"] == 1) & (cells["column"] == 1)],
        "one reading": cells.iloc[[0]],
        "one cell mean a pit": cells[
            (cells["row"] == 1)
            & (cells["column"] == 1)
            & cells["bake"].str.endswith("1")
        ],
        "constant": cells.assign(temp=350.0),
        "constant within bakes": cells.assign(
            temp=cells.groupby("bake")["temp"].transform("mean")
        ),
        "one pit only": cells[cells["pit"] == "Ferry"],
        "two cells of one bake": cells.iloc[[0, 5]],
        "moving probe": pd.concat(
            [
                cells[cells["bake"] == bake].iloc[[k]]
                for k, bake in enumerate(dict.fromkeys(cells["bake"]))
            ]
        ),
    }


@pytest.mark.parametrize(("size", "n_bakes"), [((1, 6), 2), ((6, 1), 1), ((2, 3), 1)])
def test_thin_data_give_a_result_or_a_sentence(size, n_bakes):
    study = bakes_study({"Quarry": n_bakes, "Ferry": n_bakes}, size)
    cells = cell_frame(study, np.random.default_rng(9), level=LEVEL)
    cells["min"], cells["max"] = cells["temp"] - 5, cells["temp"] + 5
    for name, own in thin(cells).items():
        found = ps.compare_temperatures(study, cells=own)
        assert found.levels.table["n_bakes"].sum() >= 1, name
        assert isinstance(found._repr_html_(), str)
        survey = ps.survey_uniformity(study, cells=own)
        assert len(survey.table), name
        known = found.levels.table.dropna(subset=["conf_low"])
        assert (known["conf_low"] <= known["estimate"]).all(), name


def test_no_usable_cell_is_said(rng):
    study, cells = two_pits(rng)
    with pytest.raises(DesignError, match="No kept bake has a usable temperature"):
        ps.compare_temperatures(study, cells=cells.assign(temp=np.nan))
    with pytest.raises(DesignError, match="nothing to survey"):
        ps.survey_uniformity(study, cells=cells.assign(temp=np.nan))
    with pytest.raises(DesignError, match="lack the column temp"):
        ps.estimate_cell_temperatures(study, cells=cells.drop(columns="temp"))
    with pytest.raises(DesignError, match="conf_level"):
        ps.estimate_cell_temperatures(study, cells=cells, conf_level=95)


# --- from probe readings, with their truth ------------------------------------------


def test_the_truth_of_the_demo_is_recovered():
    made = simulate_demo_probes("probed_pits")
    found = ps.estimate_cell_temperatures(made.study)
    truth = made.truth.cells.merge(found.cells, on=["pit", "grate", "row", "column"])
    # What the pits had in the bakes measured; bakes shift all cells of a pit alike.
    level = truth.groupby("pit")["temp"].mean()
    table = found.table.set_index("pit")
    for pit, fall in made.truth.pits.set_index("pit")["fall"].items():
        cells = truth[truth["pit"] == pit].drop_duplicates(["row", "column"])
        near = cells.loc[cells["distance"] < 1 / 3, "distance"].mean()
        far = cells.loc[cells["distance"] > 2 / 3, "distance"].mean()
        row = table.loc[pit]
        assert row["near_minus_far"] == pytest.approx(fall * (far - near), abs=1.0)
        sd = (fall * cells["distance"]).std()
        assert row["spread"] == pytest.approx(sd, abs=0.7)
        assert row["conf_low"] < level[pit] < row["conf_high"]
        assert row["bake_sd_low"] < made.truth.sd_bake < row["bake_sd_high"]
    assert any("same probe" in text for text in found.caveats) == (
        made.study.probes.groupby("probe")[["row", "column"]].nunique().max().max() == 1
    )


def test_probes_that_kept_their_cells_are_warned_of_unless_all_were_checked():
    demo = ps.demo_study("probed_pits")
    # One probe to a cell, in every bake.
    placed = demo.probes.dropna(subset=["row", "column"])
    pit = placed["bake"].map(demo.bakes.set_index("bake")["pit"]).astype("str")
    place = placed["row"].astype("str") + "-" + placed["column"].astype("str")
    probes = placed.assign(probe=pit + " " + place)
    check = demo.probe_checks.iloc[[0]]
    checks = pd.concat([check.assign(probe=name) for name in probes["probe"].unique()])
    study = replace(demo, probes=probes, probe_checks=checks)
    assert same_probe(study) == []
    assert len(same_probe(replace(study, probe_checks=checks.iloc[1:]))) == 1


# --- the uniformity survey ----------------------------------------------------------


def surveyed(temps, *, low=None, high=None, unit="F", target=350.0, **settings):
    study = bakes_study({"Quarry": 1}, (1, 4), unit=unit, target=target)
    cells = pd.DataFrame(
        {
            "bake": "Quarry1",
            "pit": "Quarry",
            "grate": "main",
            "row": 1,
            "column": np.arange(1, 1 + len(temps)),
            "temp": temps,
            "n_readings": 60,
        }
    )
    if low is not None:
        cells["min"], cells["max"] = low, high
    return ps.survey_uniformity(study, cells=cells, **settings)


def test_survey_by_hand():
    # Published classes of AMS 2750: 1 +-5 F (3 C) ... 5 +-25 F (14 C), 6 +-50 F (28 C).
    survey = surveyed([350, 360, 330], low=[341, 352, 318], high=[358, 375, 344])
    assert survey.tolerance == 25
    assert survey.tolerance_name == "class 5"
    assert survey.basis == "readings"
    states = survey.cells["state"].tolist()
    # A limit reached exactly is kept; column 4 has no probe.
    assert states == ["within", "within", "below", "no probe"]
    row = survey.table.iloc[0]
    assert (row["n_cells"], row["n_probed"], row["n_within"]) == (4, 3, 2)
    assert (row["lowest"], row["highest"], row["worst"]) == (318, 375, -32)
    assert row["class_met"] == "class 6"
    assert not row["within"]
    assert any("1 of 4 cells had no probe" in text for text in survey.caveats)
    assert any("at most 3 probes" in text for text in survey.caveats)


def test_survey_of_means_and_in_celsius():
    survey = surveyed([176, 180, 170], unit="C", target=175.0, survey_class=2)
    assert survey.tolerance == 6
    assert survey.basis == "means"
    assert survey.table.loc[0, "within"]
    assert survey.table.loc[0, "class_met"] == "class 2"
    assert any("Only means" in text for text in survey.caveats)
    # The published classes are round numbers in each scale, not conversions.
    assert [c.tolerance("F") for c in ps.SURVEY_CLASSES] == [5, 10, 15, 20, 25, 50]
    assert [c.tolerance("C") for c in ps.SURVEY_CLASSES] == [3, 6, 8, 10, 14, 28]


def test_survey_set_points():
    free = surveyed([340, 350, 360], target=None)
    assert free.table.loc[0, "set_point"] == 350
    assert any("no target temperature" in text for text in free.caveats)
    given = surveyed([340, 350, 360], set_point=300.0, tolerance=7.5)
    assert given.tolerance_name == "own"
    assert given.table.loc[0, "class_met"] == "none"
    assert set(given.cells["state"]) == {"above", "no probe"}


def test_survey_never_claims_to_comply():
    survey = surveyed([340, 350, 360])
    words = " ".join([survey.method, survey.estimand, *survey.caveats])
    assert "after the pattern of" in words
    assert "compl" not in words


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ({"survey_class": 7}, "classes are 1"),
        ({"survey_class": 0}, "classes are 1"),
        ({"tolerance": 0}, "above 0 degrees"),
    ],
)
def test_survey_refuses_what_cannot_be_meant(setting, message):
    with pytest.raises(DesignError, match=message):
        surveyed([350, 351], **setting)


# --- spreads ------------------------------------------------------------------------


def balanced_fit(rng, true, n_bakes, sd_cell=3.0):
    m = len(true)
    bake = np.repeat(np.arange(n_bakes), m)
    y = 350 + np.tile(true, n_bakes) + 5 * rng.normal(size=n_bakes)[bake]
    y = y + sd_cell * rng.normal(size=len(y))
    return fit_mixed_linear(y, np.tile(np.eye(m), (n_bakes, 1)), bake)


@pytest.mark.parametrize("seed", range(12))
def test_spread_excludes_zero_exactly_when_the_f_test_does(seed):
    fit = balanced_fit(np.random.default_rng(seed), np.linspace(-2, 2, 5), 3)
    spread = spread_of_means(fit, np.eye(5), 0.90)
    from pitstats.stats import joint_f_test

    test = joint_f_test(fit, np.eye(5)[1:] - np.eye(5)[0])
    assert (spread.low > 0) == (test.p_value < 0.05)


def test_spread_of_well_known_means_is_their_sd():
    true = np.array([-10.0, 0, 4, 6])
    fit = balanced_fit(np.random.default_rng(1), true, 4, sd_cell=1e-3)
    spread = spread_of_means(fit, np.eye(4), 0.95)
    assert spread.estimate == pytest.approx(true.std(ddof=1), abs=1e-2)
    assert spread.low < spread.estimate < spread.high
    assert spread.high - spread.low < 1e-2


def test_a_spread_smaller_than_chance_is_not_taken_for_none():
    y = np.tile([350.0, 350.1, 349.9, 350.0], 3) + np.repeat([0.0, 5, -2], 4)
    y = y + 3 * np.array([1, -1, 0, 0, -1, 0, 1, 0, 0, 1, -1, 0])
    fit = fit_mixed_linear(y, np.tile(np.eye(4), (3, 1)), np.repeat([0, 1, 2], 4))
    spread = spread_of_means(fit, np.eye(4), 0.95)
    assert spread.estimate == 0
    assert spread.low == 0
    assert spread.high > 1


def coverage_of_spreads(rng, n_sets, sd, n_bakes):
    true = np.linspace(-1, 1, 7)
    true = true / true.std(ddof=1) * sd
    hits = np.zeros(2)
    for _ in range(n_sets):
        fit = balanced_fit(rng, true, n_bakes)
        spread = spread_of_means(fit, np.eye(7), 0.95)
        apart = extremes_of_means(fit, np.eye(7), 0.95).range
        hits += [
            spread.low <= sd <= spread.high,
            apart.low <= np.ptp(true) <= apart.high,
        ]
    return hits / n_sets


@pytest.mark.slow
@pytest.mark.parametrize("n_bakes", [2, 4])
@pytest.mark.parametrize("sd", [1.0, 3.0, 20.0])
def test_intervals_of_spreads_cover(n_bakes, sd):
    spread, apart = coverage_of_spreads(np.random.default_rng(3), 1500, sd, n_bakes)
    print(f"SD {sd}, {n_bakes} bakes: SD covers {spread:.3f}, range {apart:.3f}")
    error = 3 * np.sqrt(0.05 * 0.95 / 1500)
    # Near 0 the high end is kept up on purpose.
    assert spread > 0.95 - error
    assert sd < 3 or spread < 0.95 + error
    assert apart > 0.95 - error


def test_intervals_of_spreads_cover_roughly():
    spread, apart = coverage_of_spreads(np.random.default_rng(3), 40, 3.0, 3)
    assert spread > 0.84
    assert apart > 0.84


def test_published_difference_of_spreads_is_recovered():
    # Zou & Donner (2008), Statistics in Medicine 27:1693-1702, equation 3, worked by
    # hand: l = 2, u = 7 and l = 1, u = 3 around 4 and 2.
    found = difference_of_spreads(Spread(4, 2, 7), Spread(2, 1, 3))
    assert found.estimate == 2
    assert found.low == pytest.approx(2 - np.sqrt((4 - 2) ** 2 + (3 - 2) ** 2))
    assert found.high == pytest.approx(2 + np.sqrt((7 - 4) ** 2 + (2 - 1) ** 2))


# --- recovery -----------------------------------------------------------------------


def coverage_of_levels(rng, n_sets, n_bakes, sd_bake):
    study = bakes_study({"Quarry": n_bakes, "Ferry": n_bakes})
    hits = np.zeros(2)
    for _ in range(n_sets):
        cells = cell_frame(study, rng, level=LEVEL, fall=FALL, sd_bake=sd_bake)
        cells = cells.sample(frac=0.7, random_state=rng)
        found = ps.compare_temperatures(study, cells=cells)
        row, sd = found.table.iloc[0], found.levels.table.iloc[0]
        truth = np.hypot(sd_bake, 2 / np.sqrt(12))
        hits[0] += row["conf_low"] <= 15 <= row["conf_high"]
        hits[1] += sd["bake_sd_low"] <= truth <= sd["bake_sd_high"]
    return hits / n_sets


@pytest.mark.slow
@pytest.mark.parametrize(("n_bakes", "sd_bake"), [(2, 5.0), (3, 5.0), (3, 1.0)])
def test_levels_and_bake_sds_cover(n_bakes, sd_bake):
    level, sd = coverage_of_levels(np.random.default_rng(4), 400, n_bakes, sd_bake)
    print(f"{n_bakes} bakes, SD {sd_bake}: difference {level:.3f}, bake SD {sd:.3f}")
    error = 3 * np.sqrt(0.05 * 0.95 / 400)
    assert level > 0.95 - error
    assert sd > 0.95 - error


def test_levels_and_bake_sds_cover_roughly():
    level, sd = coverage_of_levels(np.random.default_rng(4), 5, 3, 5.0)
    assert level > 0.55
    assert sd > 0.55
