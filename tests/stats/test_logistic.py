"""Logistic regression: maximum likelihood, Firth's penalty, standardized rates."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from pitstats import stats

REFERENCE = Path(__file__).parents[1] / "reference"


def load_cases(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))["cases"]


def load_rows(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def endometrial():
    rows = load_rows("endometrial.csv")
    X = [[1.0, *(float(row[key]) for key in ("NV", "PI", "EH"))] for row in rows]
    return np.array([int(row["HG"]) for row in rows]), np.array(X)


def separated_pits():
    rows = load_rows("separated_sim.csv")
    X = [
        [1.0, row["pit"] == "B", row["pit"] == "C", float(row["dist"])] for row in rows
    ]
    return np.array([int(row["burnt"]) for row in rows]), np.array(X, dtype=float)


def pit_sim(interaction=False):
    rows = load_rows("pit_sim1.csv")
    pit = np.array([row["pit"] for row in rows])
    dist = np.array([float(row["dist"]) for row in rows])
    top = np.array([float(row["top"]) for row in rows])
    burned = np.array([int(row["burnt"]) for row in rows])
    bake = np.array([row["bake"] for row in rows])

    def design(level):
        b, c = (level == "B").astype(float), (level == "C").astype(float)
        columns = [np.ones(len(rows)), b, c, dist]
        if interaction:
            columns += [top, b * dist, c * dist]
        return np.column_stack(columns)

    levels = np.array([design(np.full(len(rows), name)) for name in "ABC"])
    return burned, design(pit), levels, bake


FIRTH_DATA = {
    "endometrial": lambda: (*endometrial(), 1),
    "separated_sim": lambda: (*separated_pits(), 1),
    "table_2x2": lambda: (np.array([5, 0]), np.array([[1.0, 0.0], [1.0, 1.0]]), 12),
}


class TestMaximumLikelihood:
    def test_published_spector_and_mazzeo(self):
        # Greene, Econometric Analysis, table of the logit fit of GRADE on GPA, TUCE
        # and PSI: const -13.021 (4.931), 2.826 (1.263), 0.095 (0.142), 2.379
        # (1.065), log-likelihood -12.890.
        from statsmodels.datasets import spector

        data = spector.load_pandas()
        X = np.column_stack([np.ones(32), data.exog.to_numpy()])
        fit = stats.fit_logistic(data.endog.to_numpy(), np.ones(32), X)
        expected = [-13.02135, 2.82611, 0.09516, 2.37869]
        np.testing.assert_allclose(fit.coef, expected, atol=5e-6)
        errors = [4.93132, 1.26294, 0.14155, 1.06456]
        np.testing.assert_allclose(fit.std_error, errors, atol=6e-6)
        assert fit.loglik == pytest.approx(-12.88963, abs=5e-6)
        assert not fit.separated.any()
        assert fit.message == ""

    def test_other_program(self):
        for case, interaction in zip(
            load_cases("g_standardised_probabilities.json"), (False, True), strict=True
        ):
            burned, X, _, _ = pit_sim(interaction)
            fit = stats.fit_logistic(burned, np.ones_like(burned), X)
            np.testing.assert_allclose(fit.coef, list(case["coef"].values()), atol=1e-6)
            np.testing.assert_allclose(
                fit.std_error, list(case["se_model"].values()), atol=1e-5
            )
            assert fit.loglik == pytest.approx(case["loglik"], abs=1e-6)

    def test_grouped_and_single_items_agree(self):
        X = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]])
        burned, total = np.array([3, 5, 9]), np.array([12, 11, 14])
        grouped = stats.fit_logistic(burned, total, X)
        rows = np.repeat(np.arange(3), total)
        single = np.concatenate(
            [np.arange(t) < b for b, t in zip(burned, total, strict=True)]
        ).astype(int)
        fit = stats.fit_logistic(single, np.ones_like(single), X[rows])
        np.testing.assert_allclose(fit.coef, grouped.coef, atol=1e-12)
        np.testing.assert_allclose(fit.std_error, grouped.std_error, atol=1e-12)
        # Their log-likelihoods differ by the binomial coefficients alone.
        from scipy.special import comb

        constant = np.log(comb(total, burned)).sum()
        assert grouped.loglik - fit.loglik == pytest.approx(constant, abs=1e-9)

    def test_burned_and_unburned_mirror_each_other(self):
        burned, X, _, _ = pit_sim()
        one = np.ones_like(burned)
        fit = stats.fit_logistic(burned, one, X)
        mirrored = stats.fit_logistic(1 - burned, one, X)
        np.testing.assert_allclose(mirrored.coef, -fit.coef, atol=1e-10)

    def test_recovers_known_coefficients(self):
        rng = np.random.default_rng(5)
        X = np.column_stack([np.ones(200), rng.uniform(-1, 1, (200, 2))])
        truth = np.array([-0.7, 1.2, -2.0])
        burned = rng.binomial(500, 1 / (1 + np.exp(-X @ truth)))
        fit = stats.fit_logistic(burned, np.full(200, 500), X)
        assert (np.abs(fit.coef - truth) < 4 * fit.std_error).all()

    def test_entries_without_items_change_nothing(self):
        X = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 5.0]])
        fit = stats.fit_logistic([3, 2, 0], [12, 15, 0], X)
        short = stats.fit_logistic([3, 2], [12, 15], X[:2])
        np.testing.assert_allclose(fit.coef, short.coef)


class TestSeparation:
    def test_named_and_not_run_away(self):
        # Heinze & Schemper (2002), Stat Med 21:2409: NV separates quasi-completely;
        # ordinary software stops at 18.2 with a standard error of 1716.
        burned, X = endometrial()
        names = ["intercept", "NV", "PI", "EH"]
        fit = stats.fit_logistic(burned, np.ones_like(burned), X, names=names)
        assert fit.separated.tolist() == [False, True, False, False]
        assert fit.coef[1] == np.inf
        assert np.isnan(fit.std_error[1])
        assert "separated by NV:" in fit.message
        # The others are the limits that maximum likelihood approaches.
        case = load_cases("b_firth_logistic.json")[0]["ml"]
        others = [0, 2, 3]
        expected = np.array(list(case["coef"].values()))[others]
        np.testing.assert_allclose(fit.coef[others], expected, atol=1e-6)
        errors = np.array(list(case["se"].values()))[others]
        np.testing.assert_allclose(fit.std_error[others], errors, atol=1e-5)

    def test_pit_that_burned_nothing(self):
        burned, X = separated_pits()
        fit = stats.fit_logistic(burned, np.ones_like(burned), X)
        assert fit.separated.tolist() == [False, False, True, False]
        assert fit.coef[2] == -np.inf
        case = load_cases("b_firth_logistic.json")[1]["ml"]
        expected = np.array(list(case["coef"].values()))[[0, 1, 3]]
        np.testing.assert_allclose(fit.coef[[0, 1, 3]], expected, atol=1e-6)

    def test_complete_separation_reaches_likelihood_one(self):
        X = np.column_stack([np.ones(6), np.arange(6.0)])
        fit = stats.fit_logistic([0, 0, 0, 1, 1, 1], np.ones(6), X)
        assert fit.separated.all()
        assert fit.coef.tolist() == [-np.inf, np.inf]
        assert fit.loglik == 0.0

    def test_sign_that_cannot_be_told_is_nan(self):
        # Nothing burned in either pit: the pit effect may go either way.
        fit = stats.fit_logistic([0, 0], [12, 12], [[1, 0], [1, 1]])
        assert fit.coef[0] == -np.inf
        assert np.isnan(fit.coef[1])

    def test_nearly_separated_is_not_separated(self):
        X = np.column_stack([np.ones(6), np.arange(6.0)])
        burned, total = [0, 0, 0, 99999, 100000, 100000], [100000] * 6
        fit = stats.fit_logistic(burned, total, X)
        assert fit.separated.all()
        burned[0] = 1
        fit = stats.fit_logistic(burned, total, X)
        assert not fit.separated.any()
        assert np.isfinite(fit.coef).all()


class TestFirth:
    @pytest.mark.parametrize("case", load_cases("b_firth_logistic.json"), ids=str)
    def test_other_program(self, case):
        burned, X, total = FIRTH_DATA[case["id"]]()
        fit = stats.fit_firth_logistic(burned, np.full(len(burned), total), X)
        np.testing.assert_allclose(fit.coef, list(case["coef"].values()), atol=1e-6)
        np.testing.assert_allclose(fit.std_error, list(case["se"].values()), atol=1e-5)
        assert fit.loglik == pytest.approx(case["loglik_at_estimate"], abs=1e-6)
        assert fit.penalized_loglik == pytest.approx(case["penalised_loglik"], abs=1e-6)
        profiles = list(case["profile"]["by_coef"].values())
        ends = [profile["ci"] for profile in profiles]
        np.testing.assert_allclose(fit.profile_interval, ends, atol=1e-3)
        statistics = [profile["plr_chi2"] for profile in profiles]
        np.testing.assert_allclose(fit.profile_statistic, statistics, atol=1e-5)
        p_values = [profile["p"] for profile in profiles]
        np.testing.assert_allclose(fit.profile_p_value, p_values, atol=1e-6)

    def test_published_endometrial(self):
        # Heinze & Schemper (2002), Stat Med 21:2409-2419, example of section 4:
        # NV 2.93 (0.61, 7.85), PI -0.03 (-0.12, 0.04), EH -2.60 (-4.37, -1.23).
        burned, X = endometrial()
        fit = stats.fit_firth_logistic(burned, np.ones_like(burned), X)
        np.testing.assert_allclose(fit.coef[1:], [2.93, -0.03, -2.60], atol=0.005)
        published = [[0.61, 7.85], [-0.12, 0.04], [-4.37, -1.23]]
        np.testing.assert_allclose(fit.profile_interval[1:], published, atol=0.0051)

    def test_saturated_table_adds_a_half_to_each_cell(self):
        fit = stats.fit_firth_logistic([0, 7], [9, 11], [[1, 0], [0, 1]])
        expected = [np.log(0.5 / 9.5), np.log(7.5 / 4.5)]
        np.testing.assert_allclose(fit.coef, expected, atol=1e-8)

    def test_wide_level_gives_wide_interval(self):
        X = [[1, 0], [1, 1]]
        narrow = stats.fit_firth_logistic([5, 0], [12, 12], X, 0.8).profile_interval
        wide = stats.fit_firth_logistic([5, 0], [12, 12], X, 0.99).profile_interval
        assert (wide[:, 0] < narrow[:, 0]).all()
        assert (wide[:, 1] > narrow[:, 1]).all()

    def test_column_units_do_not_matter(self):
        burned, X = endometrial()
        fit = stats.fit_firth_logistic(burned, np.ones_like(burned), X)
        units = np.array([1.0, 1.0, 1e-3, 1e3])
        other = stats.fit_firth_logistic(burned, np.ones_like(burned), X * units)
        np.testing.assert_allclose(other.coef * units, fit.coef, rtol=1e-7)
        np.testing.assert_allclose(
            other.profile_interval * units[:, None], fit.profile_interval, rtol=1e-6
        )

    @pytest.mark.slow
    def test_profile_interval_covers(self):
        # 400 simulated tables of 30 items: a 95 % interval may fall short of 0.95 by
        # its simulation error alone (3 standard errors of 0.011).
        rng = np.random.default_rng(11)
        X = np.column_stack([np.ones(30), np.linspace(-1, 1, 30)])
        truth = np.array([-1.0, 1.5])
        probability = 1 / (1 + np.exp(-X @ truth))
        inside = 0
        for _ in range(400):
            burned = rng.binomial(1, probability)
            interval = stats.fit_firth_logistic(burned, np.ones(30), X).profile_interval
            inside += interval[1, 0] <= truth[1] <= interval[1, 1]
        assert inside / 400 > 0.95 - 3 * 0.011


class TestStandardized:
    @pytest.mark.parametrize("interaction", [False, True])
    @pytest.mark.parametrize(
        ("block", "correction"),
        [
            ("model_vcov", None),
            ("cluster_cr0_vcov", "cr0"),
            ("cluster_cr1_vcov", "cr1"),
        ],
    )
    def test_other_program(self, interaction, block, correction):
        case = load_cases("g_standardised_probabilities.json")[int(interaction)]
        burned, X, levels, bake = pit_sim(interaction)
        one = np.ones_like(burned)
        fit = stats.fit_logistic(burned, one, X)
        covariance = fit.covariance
        if correction is not None:
            robust = stats.fit_cluster_robust(
                burned, one, X, bake, correction=correction
            )
            covariance = robust.covariance
        rates = stats.standardize_probabilities(fit.coef, covariance, levels)
        expected = case["standardised"][block]
        for column, key in [
            ("estimate", "estimate"),
            ("std_error", "se"),
            ("low", "lower"),
            ("high", "upper"),
        ]:
            values = [expected["probs"][name][key] for name in "ABC"]
            np.testing.assert_allclose(getattr(rates, column), values, atol=1e-7)
        for column, key in [
            ("estimate", "estimate"),
            ("std_error", "se"),
            ("low", "lower"),
            ("high", "upper"),
            ("p_value", "p"),
        ]:
            values = [pair[key] for pair in expected["differences"]]
            np.testing.assert_allclose(
                getattr(rates.differences, column), values, rtol=2e-6
            )

    def test_refuses_infinite_coefficients(self):
        fit = stats.fit_logistic([0, 4], [12, 12], [[1, 0], [1, 1]])
        with pytest.raises(ValueError, match="no finite estimate"):
            stats.standardize_probabilities(
                fit.coef, fit.covariance, [[[1, 0]], [[1, 1]]]
            )

    def test_t_interval_is_wider(self):
        fit = stats.fit_logistic([3, 2], [12, 15], [[1, 0], [1, 1]])
        levels = [[[1, 0]], [[1, 1]]]
        normal = stats.standardize_probabilities(fit.coef, fit.covariance, levels)
        t = stats.standardize_probabilities(fit.coef, fit.covariance, levels, df=4)
        assert (t.low < normal.low).all()
        ratio = (t.high - t.estimate) / (normal.high - normal.estimate)
        np.testing.assert_allclose(ratio, 2.776445 / 1.959964, rtol=1e-5)


class TestBadInput:
    @pytest.mark.parametrize("fit", [stats.fit_logistic, stats.fit_firth_logistic])
    @pytest.mark.parametrize(
        ("burned", "total", "X", "message"),
        [
            ([3], [2], [[1]], "entry 0 has 3 burned of 2"),
            ([1.5], [2], [[1]], "whole numbers"),
            ([-1], [2], [[1]], "whole numbers"),
            ([1, 2], [2], [[1]], "one burned count and one total"),
            ([1, np.nan], [2, 2], [[1], [1]], "must not have gaps"),
            ([1, 2], [4, 4], [[1]], "one row of X per entry"),
            ([1, 2], [4, 4], [[1], [np.inf]], "gaps or infinite"),
            (
                [1, 2, 1],
                [4, 4, 4],
                [[1, 1, 0], [1, 0, 1], [1, 1, 0]],
                "column 0, column 1, column 2 of X determine each other",
            ),
        ],
    )
    def test_says_what_is_wrong(self, fit, burned, total, X, message):
        with pytest.raises(ValueError, match=message):
            fit(burned, total, X)

    def test_names_must_fit(self):
        with pytest.raises(ValueError, match="names has 1 entries"):
            stats.fit_logistic([1, 2], [4, 4], [[1, 0], [1, 1]], names=["a"])
