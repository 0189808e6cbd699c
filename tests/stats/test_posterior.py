"""The posterior of long-run burn rates with covariates and sessions."""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate
from scipy.special import expit

from pitstats import stats
from pitstats.stats.bake_likelihood import (
    BakeLikelihood,
    group_items,
    likelihood_slope,
    log_likelihood,
)
from pitstats.stats.rate_prior import (
    compact_layout,
    log_rate_prior,
    log_slope_prior,
    marginal_rates,
    prior_slope,
)
from pitstats.stats.spread_prior import OWN as SHIPPED
from pitstats.stats.weighted_draws import pareto_k, truncated_weights, weighted_cdf

REFERENCE = Path(__file__).parents[1] / "reference"


def load(name):
    return json.loads((REFERENCE / name).read_text(encoding="utf-8"))


MODEL = load("j_model_rates.json")
LAYOUT = np.column_stack([MODEL["layout"]["distance"], MODEL["layout"]["upper_rack"]])
CASES = {case["id"]: case for case in MODEL["cases"]}
OWN = load("l_own_spread.json")["cases"]
EXACT = {case["id"]: case for case in load("i_bake_rates.json")["cases"]}


def entries(case):
    X = np.column_stack([case["distance"], case["upper_rack"]])
    burned = np.array(case["burned"])
    return burned, np.ones_like(burned), case["pit"], case["bake"], X


def fit(case, **options):
    return stats.model_rates(
        *entries(case), LAYOUT, case["session"], case["conf_level"], **options
    )


def ends(rows, *names):
    return [[row[name] for name in names] for row in rows]


def columns(summary, *names):
    return np.column_stack([getattr(summary, name) for name in names])


class TestReference:
    @pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
    def test_brute_force_with_covariates(self, case):
        # 131,072 draws; the published error of the ends is below 0.002.
        result = fit(case, spread="common")
        np.testing.assert_allclose(
            columns(result.rates, "low", "high"),
            ends(case["rates"], "low", "high"),
            atol=0.015,
        )
        means = [rate["mean"] for rate in case["rates"]]
        np.testing.assert_allclose(result.rates.estimate, means, atol=0.003)
        found = result.differences
        assert found.a.tolist() == [pair["a"] for pair in case["differences"]]
        assert found.b.tolist() == [pair["b"] for pair in case["differences"]]
        for names in [("low", "high"), ("simultaneous_low", "simultaneous_high")]:
            np.testing.assert_allclose(
                columns(found, *names), ends(case["differences"], *names), atol=0.015
            )
        chance = [pair["probability_a_above_b"] for pair in case["differences"]]
        expected = 2 * np.minimum(chance, 1 - np.array(chance))
        np.testing.assert_allclose(found.p_value, expected, atol=0.02)
        np.testing.assert_allclose(
            result.bake_sd.estimate, case["bake_sd_mean"], atol=0.02
        )
        np.testing.assert_array_equal(
            result.bake_sd.estimate, result.common_sd.estimate
        )
        if case["session"] is None:
            assert result.session_sd is None
        else:
            expected = case["session_sd_mean"]
            assert result.session_sd.estimate == pytest.approx(expected, abs=0.02)

    @pytest.mark.parametrize("name", ["two_pits_four_bakes", "sessions", "four_pits"])
    def test_fewer_draws_hold_too(self, name):
        case = CASES[name]
        result = fit(case, n_draws=2048, spread="common")
        np.testing.assert_allclose(
            columns(result.rates, "low", "high"),
            ends(case["rates"], "low", "high"),
            atol=0.015,
        )

    @pytest.mark.parametrize("case", EXACT.values(), ids=list(EXACT))
    def test_exact_grid_without_covariates(self, case):
        result = stats.model_rates(
            case["burned"],
            case["total"],
            case["pit"],
            range(len(case["pit"])),
            spread="common",
        )
        np.testing.assert_allclose(
            columns(result.rates, "low", "high"),
            ends(case["rates"], "low", "high"),
            atol=0.015,
        )
        np.testing.assert_allclose(
            columns(result.differences, "low", "high"),
            ends(case["differences"], "low", "high"),
            atol=0.015,
        )
        p_values = [pair["p_value"] for pair in case["differences"]]
        np.testing.assert_allclose(result.differences.p_value, p_values, atol=0.015)
        np.testing.assert_allclose(
            result.bake_sd.estimate, case["sd_bake"]["mean"], atol=0.01
        )
        np.testing.assert_allclose(
            result.bake_sd.high, case["sd_bake"]["high"], atol=0.03
        )

    @pytest.mark.parametrize(
        "case",
        [c for c in OWN if (c["rho"], c["margin"]) == (SHIPPED.rho, SHIPPED.margin)],
        ids=lambda case: case["id"],
    )
    def test_brute_force_with_a_spread_for_each_pit(self, case):
        burned, total = np.concatenate(case["burned"]), np.concatenate(case["total"])
        pit = np.repeat(range(len(case["burned"])), [len(c) for c in case["burned"]])
        result = stats.model_rates(burned, total, pit, range(len(pit)))
        expected = np.array(case["rates"])
        # The reference keeps plain quantiles where nothing burned.
        low = np.where(result.rates.low == 0, expected[:, 1], result.rates.low)
        found = np.column_stack([result.rates.estimate, low, result.rates.high])
        np.testing.assert_allclose(found, expected, atol=0.012)
        found = columns(result.differences, "estimate", "low", "high")
        expected = np.array(case["differences"])[:, 2:]
        np.testing.assert_allclose(found, expected, atol=0.012)


def toy(session=None, n_entries=4):
    y = np.array([2.0, 1.0, 0.0, 3.0])[:n_entries]
    n = np.array([5.0, 1.0, 1.0, 4.0])[:n_entries]
    bake = np.array([0, 0, 1, 1])[:n_entries]
    design = np.array([[1.0, 0.2], [1.0, -0.5], [1.0, 0.2], [1.0, 0.4]])[:n_entries]
    return y, n, bake, design, session


class TestLikelihood:
    def test_agrees_with_direct_integration(self):
        y, n, bake, design, _ = toy()
        data = group_items(y, n, bake, design, None)
        theta, sd = np.array([-0.6, 1.5]), 1.4

        def density(u, rows):
            p = expit(design[rows] @ theta + sd * u)
            chance = (p ** y[rows] * (1 - p) ** (n[rows] - y[rows])).prod()
            return chance * np.exp(-u * u / 2) / np.sqrt(2 * np.pi)

        direct = sum(
            np.log(integrate.quad(density, -9, 9, args=(rows,), epsabs=1e-13)[0])
            for rows in ([0, 1], [2, 3])
        )
        value = log_likelihood(data, theta[:, None], np.array([sd]), np.zeros(1))
        assert value[0] == pytest.approx(direct, abs=3e-4)
        value = log_likelihood(data, theta[:, None], np.array([sd]), np.zeros(1), 40)
        assert value[0] == pytest.approx(direct, abs=1e-9)

    def test_sessions_agree_with_direct_integration(self):
        y, n, bake, design, _ = toy()
        data = group_items(y, n, bake, design, np.array([0, 0]))
        theta, sd, session_sd = np.array([-0.6, 1.5]), 0.9, 1.7
        nodes, weights = np.polynomial.hermite_e.hermegauss(120)
        weights = weights / weights.sum()
        eta = (design @ theta)[:, None, None] + sd * nodes[:, None]
        p = expit(eta + session_sd * nodes)
        chance = p ** y[:, None, None] * (1 - p) ** (n - y)[:, None, None]
        bakes = [weights @ chance[:2].prod(axis=0), weights @ chance[2:].prod(axis=0)]
        direct = np.log(weights @ (bakes[0] * bakes[1]))
        arguments = (data, theta[:, None], np.array([sd]), np.array([session_sd]))
        assert log_likelihood(*arguments)[0] == pytest.approx(direct, abs=1e-3)
        assert log_likelihood(*arguments, 40, 40)[0] == pytest.approx(direct, abs=1e-8)

    @pytest.mark.parametrize("session", [None, np.array([0, 1, 0, 1])])
    def test_accuracy_on_the_largest_sds(self, session):
        # Against 60 adaptive nodes on each level, four bakes of ten items.
        rng = np.random.default_rng(2)
        bake = np.repeat(np.arange(4), 10)
        design = np.column_stack([np.ones(40), np.tile(np.linspace(-0.5, 0.5, 10), 4)])
        y = rng.binomial(1, expit(rng.normal(0, 2, 4)[bake])).astype(float)
        data = group_items(y, np.ones(40), bake, design, session)
        theta = rng.normal(0, 0.8, (2, 40))
        sd = np.linspace(0, 2.5, 40)
        other = sd[::-1] if session is not None else np.zeros(40)
        short = log_likelihood(data, theta, sd, other)
        long = log_likelihood(data, theta, sd, other, 60, 60)
        np.testing.assert_allclose(short, long, atol=2e-3)
        used = BakeLikelihood(data).value(theta, sd, other)
        np.testing.assert_allclose(
            used, long, atol=0.02 if session is not None else 2e-3
        )

    def test_a_spread_for_each_bake(self):
        # Two bakes with SDs of their own are two likelihoods of one bake each.
        y, n, bake, design, _ = toy()
        theta = np.array([[-0.6, 0.3], [1.5, -2.0]])
        sd = np.array([[0.4, 0.9], [2.0, 0.1]])
        together = log_likelihood(
            group_items(y, n, bake, design, None), theta, sd, np.zeros(2)
        )
        apart = [
            log_likelihood(
                group_items(y[own], n[own], 0 * bake[own], design[own], None),
                theta,
                sd[b],
                np.zeros(2),
            )
            for b, own in enumerate([bake == 0, bake == 1])
        ]
        np.testing.assert_allclose(together, sum(apart), rtol=1e-12)

    def test_grouping_changes_nothing(self):
        y, n, bake, design, _ = toy()
        rows = np.repeat(np.arange(4), n.astype(int))
        first = np.concatenate([[0], np.cumsum(n)[:-1]])
        single = (np.arange(len(rows)) - first[rows] < y[rows]).astype(float)
        grouped = group_items(y, n, bake, design, None)
        items = group_items(single, np.ones(len(rows)), bake[rows], design[rows], None)
        theta = np.array([[-0.6, 0.3], [1.5, -2.0]])
        sd = np.array([0.4, 2.0])
        np.testing.assert_allclose(
            log_likelihood(items, theta, sd, np.zeros(2)),
            log_likelihood(grouped, theta, sd, np.zeros(2)),
            rtol=1e-12,
        )

    @pytest.mark.parametrize("n_items", [1, 3, 4, 9, 17, 40])
    def test_products_of_factors_at_extreme_predictors(self, n_items):
        # One bake, no spread: the log-likelihood is a plain sum of logs.
        design = np.column_stack([np.ones(n_items), np.linspace(-1, 1, n_items)])
        y = (np.arange(n_items) % 2).astype(float)
        bake = np.zeros(n_items, dtype=int)
        data = group_items(y, np.ones(n_items), bake, design, None)
        theta = np.array([[0.0, 25.0, -28.0], [29.0, 4.0, -1.0]])
        eta = np.clip(design @ theta, -30, 30)
        expected = (y[:, None] * eta - np.logaddexp(0, eta)).sum(axis=0)
        value = log_likelihood(data, theta, np.zeros(3), np.zeros(3))
        np.testing.assert_allclose(value, expected, rtol=1e-9, atol=1e-12)

    @pytest.mark.parametrize("session", [None, np.array([0, 0])])
    def test_gradient_and_information(self, session):
        y, n, bake, design, _ = toy()
        data = group_items(y, n, bake, design, session)
        theta = np.array([[-0.6, 0.3], [1.5, -2.0]])
        sd, other = np.array([0.4, 2.0]), np.array([0.7, 1.1]) * (session is not None)

        def slope(at):
            return likelihood_slope(data, at, sd, other, 40, 40)

        _, gradient, information = slope(theta)
        for j in range(2):
            step = np.zeros((2, 1))
            step[j] = 1e-5
            up, down = slope(theta + step), slope(theta - step)
            np.testing.assert_allclose(
                gradient[:, j], (up[0] - down[0]) / 2e-5, atol=1e-6
            )
            np.testing.assert_allclose(
                information[:, j], (down[1] - up[1]) / 2e-5, atol=1e-5
            )


def small_layout():
    cells = np.array([[[-0.5], [0.1], [0.1], [0.5]], [[0.0], [0.0], [0.3], [0.5]]])
    return compact_layout(cells, np.ones((2, 4)))


class TestPrior:
    def test_rates_agree_with_direct_integration(self):
        theta = np.array([[-1.0], [0.4], [2.0]])
        rate, slope = marginal_rates(small_layout(), theta, np.array([1.3]))

        def average(function, cells, intercept):
            return np.mean(
                [
                    integrate.quad(
                        lambda z, eta=intercept + 2 * x: (
                            function(expit(eta + 1.3 * z))
                            * np.exp(-z * z / 2)
                            / np.sqrt(2 * np.pi)
                        ),
                        -9,
                        9,
                    )[0]
                    for x in cells
                ]
            )

        for pit, cells in enumerate([[-0.5, 0.1, 0.1, 0.5], [0.0, 0.0, 0.3, 0.5]]):
            direct = average(lambda p: p, cells, theta[pit, 0])
            assert rate[pit, 0] == pytest.approx(direct, abs=1e-6)
            direct = average(lambda p: p * (1 - p), cells, theta[pit, 0])
            assert slope[pit, 0] == pytest.approx(direct, abs=1e-6)

    def test_intercept_prior_is_a_density(self):
        # Proper, and Beta(1/2, 1/2) for the rate, at any slope and SD.
        cells = compact_layout(np.array([[[-0.5], [0.5]]]), np.ones((1, 2)))
        alpha = np.linspace(-28, 28, 40001)
        theta = np.vstack([alpha, np.full_like(alpha, 3.0)])
        rate, slope = marginal_rates(cells, theta, np.full(len(alpha), 1.1))
        density = np.exp(log_rate_prior(rate, slope))
        mass = integrate.trapezoid(density, alpha)
        assert mass == pytest.approx(1, abs=1e-4)
        below = rate[0] <= 0.25
        mass = integrate.trapezoid(density[below], alpha[below])
        assert mass == pytest.approx(2 / np.pi * np.arcsin(np.sqrt(0.25)), abs=1e-3)

    def test_slope_prior_is_a_density(self):
        b = np.linspace(-60, 60, 200001)
        mass = integrate.trapezoid(np.exp(log_slope_prior(b[None])), b)
        assert mass == pytest.approx(1, abs=1e-9)

    def test_gradient(self):
        theta = np.array([[-1.0, 2.0], [0.4, -3.0], [2.0, 0.5]])
        sd = np.array([0.0, 1.8])
        gradient = prior_slope(small_layout(), theta, sd)[1]
        for j in range(3):
            step = np.zeros((3, 1))
            step[j] = 1e-5
            up = prior_slope(small_layout(), theta + step, sd)[0]
            down = prior_slope(small_layout(), theta - step, sd)[0]
            np.testing.assert_allclose(gradient[:, j], (up - down) / 2e-5, atol=1e-7)


class TestInvariance:
    @pytest.mark.parametrize("name", ["unequal_layouts", "sessions_three_pits"])
    def test_any_row_order(self, name):
        case = CASES[name]
        burned, total, pit, bake, X = entries(case)
        order = np.random.default_rng(4).permutation(len(burned))
        session = case["session"]
        result = stats.model_rates(burned, total, pit, bake, X, LAYOUT, session)
        other = stats.model_rates(
            burned[order],
            total[order],
            np.array(pit)[order],
            np.array(bake)[order],
            X[order],
            LAYOUT[::-1],
            None if session is None else np.array(session)[order],
        )
        for name in ("rates", "differences", "bake_sd"):
            one, two = getattr(result, name), getattr(other, name)
            for values, again in zip(one, two, strict=True):
                np.testing.assert_allclose(again, values, atol=1e-9)

    def test_grouped_entries_and_single_items(self):
        case = CASES["unequal_layouts"]
        burned, total, pit, bake, X = entries(case)
        twice = [np.concatenate([part, part]) for part in (burned, total, pit, bake)]
        single = stats.model_rates(*twice, np.vstack([X, X]), LAYOUT)
        grouped = stats.model_rates(2 * burned, 2 * total, pit, bake, X, LAYOUT)
        np.testing.assert_allclose(grouped.rates, single.rates, atol=1e-9)

    def test_units_and_origin_of_columns(self):
        burned, total, pit, bake, X = entries(CASES["unequal_layouts"])
        units, origin = np.array([36.0, -2.0]), np.array([5.0, 1.0])
        result = stats.model_rates(burned, total, pit, bake, X, LAYOUT)
        other = stats.model_rates(
            burned, total, pit, bake, X * units + origin, LAYOUT * units + origin
        )
        # A reversed column meets the same prior; the draws then mirror, not repeat.
        np.testing.assert_allclose(other.rates, result.rates, atol=0.01)
        np.testing.assert_allclose(
            other.slopes.estimate * units, result.slopes.estimate, atol=0.05
        )

    def test_swapped_pits_swap_the_answer(self):
        burned, total, pit, bake, X = entries(CASES["none_burned_in_one_pit"])
        result = stats.model_rates(burned, total, pit, bake, X, LAYOUT)
        other = stats.model_rates(burned, total, 1 - np.array(pit), bake, X, LAYOUT)
        np.testing.assert_allclose(
            other.rates.estimate, result.rates.estimate[::-1], atol=0.005
        )
        assert other.differences.low[0] == pytest.approx(
            -result.differences.high[0], abs=0.015
        )

    def test_same_seed_same_numbers(self):
        first = fit(CASES["sessions"], seed=7)
        second = fit(CASES["sessions"], seed=7)
        np.testing.assert_array_equal(first.draws.weights, second.draws.weights)
        other = fit(CASES["sessions"], seed=8)
        assert not np.array_equal(first.draws.weights, other.draws.weights)


class TestLayouts:
    def test_layout_per_pit(self):
        burned, total, pit, bake, X = entries(CASES["unequal_layouts"])
        both = stats.model_rates(
            burned, total, pit, bake, X, np.stack([LAYOUT, LAYOUT])
        )
        shared = stats.model_rates(burned, total, pit, bake, X, LAYOUT)
        np.testing.assert_allclose(both.rates, shared.rates, atol=1e-9)
        near = LAYOUT[LAYOUT[:, 0] < 0.3]
        wide = np.stack([LAYOUT, np.resize(near, LAYOUT.shape)])
        result = stats.model_rates(burned, total, pit, bake, X, wide)
        # Items near the firebox burn more in these data.
        assert result.slopes.estimate[0] < 0
        assert result.rates.estimate[1] > shared.rates.estimate[1] + 0.05

    def test_pit_that_was_never_baked(self):
        burned, total, pit, bake, X = entries(CASES["unequal_layouts"])
        three = np.stack([LAYOUT] * 3)
        result = stats.model_rates(burned, total, pit, bake, X, three)
        assert result.rates.low[2] == 0
        assert result.rates.high[2] == 1
        assert result.rates.estimate[2] == pytest.approx(0.5, abs=0.02)
        two = stats.model_rates(burned, total, pit, bake, X, LAYOUT)
        np.testing.assert_allclose(
            result.rates.estimate[:2], two.rates.estimate, atol=0.01
        )

    def test_cells_are_weighted_by_how_often_they_are_listed(self):
        burned, total, pit, bake, X = entries(CASES["unequal_layouts"])
        cells = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.0]])
        result = stats.model_rates(burned, total, pit, bake, X, cells)
        single = stats.predict_rates(result.draws, 0, cells)
        np.testing.assert_allclose(
            single.mean(axis=0), result.draws.rates[0], rtol=1e-6
        )


class TestSessions:
    def data(self):
        rng = np.random.default_rng(6)
        bake = np.repeat(np.arange(6), 12)
        pit = bake % 2
        burned = rng.binomial(1, expit(-1 + rng.normal(0, 0.7, 6)[bake]))
        return burned, np.ones_like(burned), pit, bake

    def test_used_when_two_sessions_hold_two_pits(self):
        burned, total, pit, bake = self.data()
        result = stats.model_rates(burned, total, pit, bake, session=bake // 2)
        assert result.session_sd is not None
        assert 0 <= result.session_sd.low < result.session_sd.estimate

    @pytest.mark.parametrize("sessions", [[0] * 6, range(6), [0, 0, 1, 2, 3, 4]])
    def test_left_out_otherwise(self, sessions):
        burned, total, pit, bake = self.data()
        session = np.array(sessions)[bake]
        result = stats.model_rates(burned, total, pit, bake, session=session)
        assert result.session_sd is None
        without = stats.model_rates(burned, total, pit, bake)
        np.testing.assert_array_equal(result.rates, without.rates)

    def test_bakes_without_graded_items_do_not_count(self):
        burned, total, pit, bake = self.data()
        total = np.where(bake == 2, 0, total)
        burned = np.where(bake == 2, 0, burned)
        session = np.array([0, 0, 1, 1, 2, 3])[bake]
        result = stats.model_rates(burned, total, pit, bake, session=session)
        assert result.session_sd is None

    def test_a_strong_session_effect_is_found(self):
        rng = np.random.default_rng(9)
        bake = np.repeat(np.arange(16), 30)
        pit, session = bake % 2, bake // 2
        effect = np.array([-2.0, 2.0, -1.5, 1.5, -1.0, 1.0, 0.0, 0.5])
        burned = rng.binomial(1, expit(-0.5 + 0.5 * pit + effect[session]))
        result = stats.model_rates(
            burned, np.ones_like(burned), pit, bake, session=session
        )
        assert (result.session_sd.estimate > 2 * result.bake_sd.estimate).all()


def simultaneous_rule(differences, conf_level):
    excluded = (differences.simultaneous_low > 0) | (differences.simultaneous_high < 0)
    return excluded == (differences.p_adjusted < 1 - conf_level)


class TestSpreads:
    def data(self, k=6, items=30):
        # A steady pit and a moody one.
        bake = np.arange(2 * k)
        burned = np.array([9, 10, 9, 11, 10, 10, 1, 25, 3, 18, 0, 28])
        return burned, np.full(2 * k, items), bake // k, bake

    def test_a_moody_pit_is_told_from_a_steady_one(self):
        result = stats.model_rates(*self.data())
        assert result.bake_sd.low[0] < 0.1
        assert result.bake_sd.low[1] > result.bake_sd.high[0]
        assert result.bake_sd.estimate[0] < result.common_sd.estimate
        assert result.common_sd.estimate < result.bake_sd.estimate[1]

    def test_one_pit_alone_has_its_own_spread(self):
        burned, total, pit, bake = (part[6:] for part in self.data())
        result = stats.model_rates(burned, total, pit - 1, bake)
        assert result.bake_sd.estimate.shape == (1,)
        assert result.common_sd.estimate == result.bake_sd.estimate[0]

    def test_refuses_another_word(self):
        with pytest.raises(ValueError, match='use "own" or "common"'):
            stats.model_rates(*self.data(), spread="shared")

    def test_one_bake_learns_from_the_other_pits(self):
        steady = stats.model_rates(
            [6, 10, 9, 10, 11, 10, 9], [30] * 7, [0, *[1] * 6], range(7)
        )
        moody = stats.model_rates(
            [6, 1, 25, 3, 18, 0, 28], [30] * 7, [0, *[1] * 6], range(7)
        )
        assert steady.bake_sd.estimate[0] < moody.bake_sd.estimate[0]
        assert steady.rates.high[0] < moody.rates.high[0]


class TestSummaries:
    @pytest.mark.parametrize("conf_level", [0.5, 0.8, 0.9, 0.95, 0.99])
    @pytest.mark.parametrize("name", ["four_pits", "sessions_three_pits", "sessions"])
    def test_p_values_match_intervals(self, name, conf_level):
        case = CASES[name]
        result = stats.model_rates(
            *entries(case), LAYOUT, case["session"], conf_level, n_draws=1024
        )
        found = result.differences
        assert simultaneous_rule(found, conf_level).all()
        excluded = (found.low > 0) | (found.high < 0)
        np.testing.assert_array_equal(excluded, found.p_value < 1 - conf_level)
        assert (found.simultaneous_low <= found.low).all()
        assert (found.simultaneous_high >= found.high).all()
        assert (found.p_adjusted >= found.p_value).all()

    def test_simultaneous_intervals_hold_the_stated_share(self):
        rng = np.random.default_rng(3)
        columns = rng.normal(0, [[1.0], [2.0], [0.5], [1.0]], (4, 40000))
        weights = np.full(40000, 1 / 40000)
        found = stats.summarize_pairs(columns, weights, 0.9)
        inside = np.ones(40000, dtype=bool)
        for pair in range(6):
            value = columns[found.a[pair]] - columns[found.b[pair]]
            low, high = found.simultaneous_low[pair], found.simultaneous_high[pair]
            inside &= (value >= low) & (value <= high)
        assert inside.mean() == pytest.approx(0.9, abs=0.001)

    def test_two_columns_need_no_adjustment(self):
        result = fit(CASES["sessions"]).differences
        np.testing.assert_array_equal(result.simultaneous_low, result.low)
        np.testing.assert_array_equal(result.p_adjusted, result.p_value)

    def test_equal_weights_give_ordinary_quantiles(self):
        values = np.random.default_rng(1).normal(size=20001)
        cdf = weighted_cdf(values, np.full(20001, 1 / 20001))
        for share in (0.025, 0.5, 0.9):
            expected = np.quantile(values, share)
            assert cdf.inverse(share) == pytest.approx(expected, abs=1e-3)
            assert cdf.at(expected) == pytest.approx(share, abs=1e-4)
        assert cdf.at(-99) == 0
        assert cdf.at(99) == 1

    def test_truncation_bounds_the_largest_weight(self):
        log_weight = np.zeros(100)
        log_weight[0] = 20
        weights = truncated_weights(log_weight)
        assert weights.sum() == pytest.approx(1)
        mean = np.exp(log_weight - 20).mean()
        assert weights[0] / weights[1] == pytest.approx(
            mean * 10 / np.exp(-20), rel=1e-9
        )

    @pytest.mark.parametrize("shape", [0.2, 0.5, 0.9])
    def test_pareto_k_finds_the_tail(self, shape):
        # Exact quantiles of a Pareto with this tail, shrunk a little toward 0.5.
        share = (np.arange(4096) + 0.5) / 4096
        k = pareto_k(-shape * np.log1p(-share))
        assert k == pytest.approx(shape, abs=0.08)

    def test_narrow_level_is_inside_a_wide_one(self):
        case = CASES["two_pits_four_bakes"]
        narrow = stats.model_rates(*entries(case), LAYOUT, None, 0.5)
        wide = stats.model_rates(*entries(case), LAYOUT, None, 0.99)
        assert (wide.rates.low < narrow.rates.low).all()
        assert (wide.rates.high > narrow.rates.high).all()
        assert wide.conf_level == 0.99


class Trial:
    """A plain simulated test: two pits, three bakes each, ten cells a bake."""

    def __init__(self, pits=2, bakes=3, cells=10, repeats=1):
        n = cells * repeats
        self.bake = np.repeat(np.arange(pits * bakes), n)
        self.pit = self.bake // bakes
        self.cell = np.tile(np.arange(n) // repeats, pits * bakes)
        self.distance = self.cell / (cells - 1)
        self.rack = self.cell % 2
        rng = np.random.default_rng(12)
        effect = rng.normal(0, 0.5, pits * bakes)[self.bake]
        self.burned = rng.binomial(1, expit(-0.8 - self.distance + effect))
        self.graded = np.ones(len(self.bake), dtype=bool)


SHAPES = {
    "twenty_bakes": {"bakes": 20},
    "large_bakes": {"cells": 40, "repeats": 10},
    "six_pits_nothing_burned": {"pits": 6, "bakes": 6, "cells": 40},
}
BURNED = {
    "nothing_burned": lambda t: 0 * t.pit,
    "six_pits_nothing_burned": lambda t: 0 * t.pit,
    "everything_burned": lambda t: 0 * t.pit + 1,
    "nothing_in_one_pit": lambda t: t.burned * (t.pit == 1),
    "everything_in_one_pit": lambda t: np.maximum(t.burned, t.pit == 0),
    "nothing_in_one_everything_in_the_other": lambda t: t.pit,
    "separated_by_distance": lambda t: (t.distance < 0.35).astype(int),
    "separated_by_rack": lambda t: t.rack,
    "all_or_none_bakes": lambda t: t.bake % 2,
}
GRADED = {
    "one_cell_per_bake": lambda t: t.cell == 3,
    "one_bake_with_one_cell": lambda t: (t.bake != 1) | (t.cell == 3),
    "one_bake_each": lambda t: t.bake % 3 == 0,
    "single_item": lambda t: np.arange(len(t.pit)) == 0,
    "one_pit": lambda t: t.pit == 0,
    "pit_without_data": lambda t: t.pit == 1,
}
AWKWARD = sorted({*SHAPES, *BURNED, *GRADED, "rack_not_varied"})


def awkward(name):
    """Entries of an awkward data set: burned, total, pit, bake, X."""
    trial = Trial(**SHAPES.get(name, {}))
    burned = BURNED.get(name, lambda t: t.burned)(trial)
    keep = GRADED.get(name, lambda t: t.graded)(trial)
    rack = 0 * trial.rack if name == "rack_not_varied" else trial.rack
    X = np.column_stack([trial.distance, rack])
    return burned[keep], np.ones(keep.sum()), trial.pit[keep], trial.bake[keep], X[keep]


@cache
def awkward_fit(name, blocked, n_draws=None):
    burned, total, pit, bake, X = awkward(name)
    session = None
    if blocked:
        session = bake % (len(np.unique(bake)) // (pit.max() + 1) or 1)
    return stats.model_rates(
        burned, total, pit, bake, X, LAYOUT, session, n_draws=n_draws
    )


class TestAwkwardData:
    @pytest.mark.parametrize("blocked", [False, True], ids=["free", "sessions"])
    @pytest.mark.parametrize("name", AWKWARD)
    def test_never_fails(self, name, blocked):
        burned, pit = awkward(name)[0], awkward(name)[2]
        result = awkward_fit(name, blocked)
        rates = result.rates
        assert np.isfinite(columns(rates, "low", "estimate", "high")).all()
        assert ((rates.low <= rates.estimate) & (rates.estimate <= rates.high)).all()
        assert np.isfinite(np.array(result.differences, dtype=float)).all()
        assert result.ess >= 200
        for code in range(pit.max() + 1):
            own = burned[pit == code]
            assert (rates.low[code] == 0) == (own.sum() == 0)
            assert (rates.high[code] == 1) == (own.sum() == len(own))

    @pytest.mark.parametrize(
        "blocked",
        [False, pytest.param(True, marks=pytest.mark.slow)],
        ids=["free", "sessions"],
    )
    @pytest.mark.parametrize("name", AWKWARD)
    def test_agrees_with_many_draws(self, name, blocked):
        rates = awkward_fit(name, blocked).rates
        many = awkward_fit(name, blocked, n_draws=32768 if blocked else 16384).rates
        np.testing.assert_allclose(rates.low, many.low, atol=0.022)
        np.testing.assert_allclose(rates.high, many.high, atol=0.022)

    def test_bakes_all_or_none_lean_on_the_cap(self):
        burned, total, pit, bake, X = awkward("all_or_none_bakes")
        assert stats.model_rates(burned, total, pit, bake, X, LAYOUT).cap_mass > 0.5

    def test_ordinary_bakes_do_not(self):
        assert fit(CASES["two_pits_four_bakes"]).cap_mass < 0.05

    def test_uneven_weights_are_drawn_again(self):
        # Very few draws cannot reach 200 effective ones, so a second round is made.
        result = fit(CASES["four_pits"], n_draws=128)
        assert result.diagnostics.retried
        assert result.diagnostics.n_draws == 512
        assert len(result.draws.weights) == 512

    def test_covariate_outside_the_layout_keeps_its_effect(self):
        # A setting fixed at one value in the layout is scaled by its data range.
        burned, total, pit, bake, _ = entries(CASES["two_pits_four_bakes"])
        setting = (np.array(bake) % 2).astype(float)[:, None]
        shut = stats.model_rates(burned, total, pit, bake, setting, [[0.0]])
        open_ = stats.model_rates(burned, total, pit, bake, setting, [[1.0]])
        np.testing.assert_allclose(
            shut.slopes.estimate, open_.slopes.estimate, atol=0.15
        )
        at_one = stats.predict_rates(shut.draws, 0, [[1.0]])[0] @ shut.draws.weights
        assert at_one == pytest.approx(open_.rates.estimate[0], abs=0.03)


class TestDraws:
    def test_draws_reproduce_the_rates(self):
        case = CASES["sessions"]
        result = fit(case)
        for pit in (0, 1):
            cells = stats.predict_rates(result.draws, pit, LAYOUT)
            np.testing.assert_allclose(
                cells.mean(axis=0), result.draws.rates[pit], rtol=1e-6
            )

    def test_wrong_columns_are_refused(self):
        result = fit(CASES["sessions"])
        with pytest.raises(ValueError, match="needs \\(cells, 2\\)"):
            stats.predict_rates(result.draws, 0, [[0.5]])


class TestBadInput:
    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"pit": [0, 0, 1]}, "one pit per entry"),
            ({"pit": [0, 0, 1, -1]}, "codes 0, 1, 2"),
            ({"pit": ["a", "a", "b", "b"]}, "codes 0, 1, 2"),
            ({"bake": [0, 1, 1, 2]}, "bake 1 appears in more than one pit"),
            ({"layout": None}, "layout is missing"),
            ({"layout": [[0.5, 1.0]]}, "with the columns of X"),
            ({"layout": [[[0.5]]]}, "layout has cells for 1 pits"),
            ({"layout": [[np.nan]]}, "gaps or infinite"),
            ({"X": [[0.0], [1.0]]}, "one row of X per entry"),
            ({"burned": [3, 0, 1, 1]}, "3 burned of 2"),
            ({"total": [0, 0, 0, 0], "burned": [0] * 4}, "no entry has a graded item"),
            ({"session": [0, 1, 0, 1]}, "appears in more than one session"),
            ({"conf_level": 95}, "between 0 and 1"),
            ({"n_draws": 1000}, "power of 2"),
        ],
    )
    def test_says_what_is_wrong(self, change, message):
        arguments = {
            "burned": [1, 0, 1, 1],
            "total": [2, 2, 2, 2],
            "pit": [0, 0, 1, 1],
            "bake": [0, 0, 1, 1],
            "X": [[0.0], [1.0], [0.0], [1.0]],
            "layout": [[0.0], [1.0]],
        }
        with pytest.raises(ValueError, match=message):
            stats.model_rates(**(arguments | change))
