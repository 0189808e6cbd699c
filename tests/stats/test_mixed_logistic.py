"""Logistic regression with a random bake effect, by adaptive quadrature."""

import csv
import json
import re
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate
from scipy.special import comb, expit

from pitstats import stats
from pitstats.stats.adaptive_likelihood import GroupedLikelihood
from pitstats.stats.quadrature import normal_nodes

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = json.loads((REFERENCE / "a_binomial_glmm.json").read_text(encoding="utf-8"))[
    "cases"
]


def load(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    if name == "cbpp.csv":
        period = np.array([row["period"] for row in rows])
        X = np.column_stack([np.ones(len(rows)), *(period == p for p in "234")])
        burned = np.array([int(row["incidence"]) for row in rows])
        total = np.array([int(row["size"]) for row in rows])
        return burned, total, X, np.array([int(row["herd"]) for row in rows])
    pit = np.array([row["pit"] for row in rows])
    dist = [float(row["dist"]) for row in rows]
    X = np.column_stack([np.ones(len(rows)), pit == "B", pit == "C", dist])
    burned = np.array([int(row["burnt"]) for row in rows])
    return burned, np.ones_like(burned), X, np.array([row["bake"] for row in rows])


def seeds():
    # Crowder (1978), Applied Statistics 27:34-37, table 3: germinated of n on 21
    # plates, two seeds by two root extracts.
    r = [10, 23, 23, 26, 17, 5, 53, 55, 32, 46, 10]
    r += [8, 10, 8, 23, 0, 3, 22, 15, 32, 3]
    n = [39, 62, 81, 51, 39, 6, 74, 72, 51, 79, 13]
    n += [16, 30, 28, 45, 4, 12, 41, 30, 51, 7]
    seed = np.repeat([0.0, 1.0], [11, 10])
    extract = np.repeat([0.0, 1.0, 0.0, 1.0], [5, 6, 5, 5])
    X = np.column_stack([np.ones(21), seed, extract, seed * extract])
    return np.array(r), np.array(n), X, np.arange(21)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
@pytest.mark.parametrize("n_nodes", [1, 9, 25])
def test_other_program(case, n_nodes):
    expected = case["fits"][f"nAGQ_{n_nodes}"]["refined"]
    fit = stats.fit_mixed_logistic(*load(case["data"]["file"]), n_nodes)
    np.testing.assert_allclose(fit.coef, list(expected["beta"].values()), atol=1e-5)
    np.testing.assert_allclose(fit.std_error, list(expected["se"].values()), atol=2e-5)
    assert fit.group_sd == pytest.approx(expected["theta"], abs=2e-5)
    assert fit.group_sd_error == pytest.approx(expected["se_theta"], abs=2e-5)
    assert fit.loglik == pytest.approx(expected["marginal_loglik"], abs=1e-6)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_variance_test_matches_other_program(case):
    test = stats.fit_mixed_logistic(*load(case["data"]["file"])).variance_test
    assert test.statistic == pytest.approx(case["variance_test"]["lrt"], abs=2e-6)
    assert test.p_value == pytest.approx(case["variance_test"]["p_mixture"], rel=1e-5)


def test_saturated_constant_links_the_two_conventions():
    # The other program prints, for more than one node, the log-likelihood less that
    # of the saturated model.
    burned, total, X, herd = load("cbpp.csv")
    fit = stats.fit_mixed_logistic(burned, total, X, herd, 9)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = burned / total
        saturated = np.log(comb(total, burned))
        saturated += np.where(burned > 0, burned * np.log(rate), 0)
        saturated += np.where(burned < total, (total - burned) * np.log1p(-rate), 0)
    printed = CASES[0]["fits"]["nAGQ_9"]["lme4"]["loglik_as_printed"]
    assert fit.loglik - saturated.sum() == pytest.approx(printed, abs=1e-6)


def test_published_seeds():
    # Breslow & Clayton (1993), JASA 88:9-25, table of the Seeds data, maximum
    # likelihood: -0.548 (0.167), 0.097 (0.278), 1.337 (0.237), -0.811 (0.385), SD
    # 0.236. More nodes than were affordable then give -0.8104 for the interaction.
    fit = stats.fit_mixed_logistic(*seeds())
    np.testing.assert_allclose(fit.coef, [-0.548, 0.097, 1.337, -0.8104], atol=6e-4)
    np.testing.assert_allclose(fit.std_error, [0.167, 0.278, 0.237, 0.385], atol=6e-4)
    assert fit.group_sd == pytest.approx(0.236, abs=5e-4)


def test_seeds_recomputed_to_four_digits():
    # 15 nodes; four digits as another program printed them, the last one cut off.
    fit = stats.fit_mixed_logistic(*seeds(), 15)
    expected = [-0.5484, 0.0969, 1.3370, -0.8104]
    np.testing.assert_allclose(fit.coef, expected, atol=1e-4)
    errors = [0.1666, 0.2781, 0.2369, 0.3852]
    np.testing.assert_allclose(fit.std_error, errors, atol=1e-4)
    assert fit.group_sd == pytest.approx(0.2363, abs=1e-4)


def test_likelihood_agrees_with_direct_integration():
    burned, total = np.array([2.0, 5.0, 0.0]), np.array([9.0, 12.0, 7.0])
    design, group = np.array([[1.0], [1.0], [1.0]]), np.array([0, 0, 1])
    likelihood = GroupedLikelihood(burned, total, design, group, np.zeros(3))
    intercept, sd = -0.4, 1.3

    def density(u, rows):
        p = expit(intercept + sd * u)
        terms = p ** burned[rows] * (1 - p) ** (total[rows] - burned[rows])
        return terms.prod() * np.exp(-u * u / 2) / np.sqrt(2 * np.pi)

    direct = sum(
        np.log(integrate.quad(density, -9, 9, args=(rows,), epsabs=1e-14)[0])
        for rows in ([0, 1], [2])
    )
    value = likelihood.value(np.array([intercept, sd]), 40)
    assert value == pytest.approx(direct, abs=1e-9)


@pytest.mark.parametrize("n_nodes", [1, 2, 7, 25])
def test_gradient_agrees_with_differences(n_nodes):
    burned, total, X, herd = load("cbpp.csv")
    likelihood = GroupedLikelihood(
        burned.astype(float), total.astype(float), X, herd - 1, np.zeros(56)
    )
    here = np.array([-1.1, -0.8, -1.0, -1.2, 0.8])
    gradient = likelihood.slope(here, n_nodes)[1]
    for j in range(5):
        step = np.zeros(5)
        step[j] = 1e-5
        up = likelihood.value(here + step, n_nodes)
        down = likelihood.value(here - step, n_nodes)
        assert gradient[j] == pytest.approx((up - down) / 2e-5, abs=1e-6)


def test_grouped_and_single_items_agree():
    burned, total, X, herd = load("cbpp.csv")
    rows = np.repeat(np.arange(56), total)
    first = np.concatenate([[0], np.cumsum(total)[:-1]])
    item = (np.arange(len(rows)) - first[rows] < burned[rows]).astype(int)
    grouped = stats.fit_mixed_logistic(burned, total, X, herd)
    single = stats.fit_mixed_logistic(item, np.ones_like(item), X[rows], herd[rows])
    np.testing.assert_allclose(single.coef, grouped.coef, atol=1e-9)
    assert single.group_sd == pytest.approx(grouped.group_sd, abs=1e-9)
    constant = np.log(comb(total, burned)).sum()
    assert grouped.loglik - single.loglik == pytest.approx(constant, abs=1e-8)


def test_order_and_labels_do_not_matter():
    burned, total, X, herd = load("cbpp.csv")
    order = np.random.default_rng(1).permutation(56)
    fit = stats.fit_mixed_logistic(burned, total, X, herd)
    other = stats.fit_mixed_logistic(
        burned[order], total[order], X[order], [f"herd {h:02d}" for h in herd[order]]
    )
    np.testing.assert_array_equal(other.coef, fit.coef)


def test_mirrored_outcome_mirrors_the_fit():
    burned, total, X, herd = load("cbpp.csv")
    fit = stats.fit_mixed_logistic(burned, total, X, herd)
    mirrored = stats.fit_mixed_logistic(total - burned, total, X, herd)
    np.testing.assert_allclose(mirrored.coef, -fit.coef, atol=1e-8)
    assert mirrored.group_sd == pytest.approx(fit.group_sd, abs=1e-8)


class TestZeroVariance:
    def test_is_an_ordinary_result(self):
        # Bakes that agree better than chance: the likelihood falls from SD 0 on.
        burned, total = [3, 3, 3, 6, 6, 6], [12] * 6
        X = np.column_stack([np.ones(6), np.repeat([0.0, 1.0], 3)])
        fit = stats.fit_mixed_logistic(burned, total, X, np.arange(6))
        plain = stats.fit_logistic(burned, total, X)
        assert fit.group_sd == 0
        assert np.isnan(fit.group_sd_error)
        np.testing.assert_allclose(fit.coef, plain.coef, atol=1e-9)
        np.testing.assert_allclose(fit.std_error, plain.std_error, atol=1e-9)
        assert fit.loglik == pytest.approx(plain.loglik, abs=1e-10)
        assert fit.variance_test == (0.0, 1.0)
        assert fit.message == ""

    def test_one_bake(self):
        fit = stats.fit_mixed_logistic([3], [12], [[1]], [0])
        assert fit.group_sd == 0
        assert fit.coef[0] == pytest.approx(np.log(3 / 9))


class TestSeparation:
    def test_bound_instead_of_runaway(self):
        # Pit B burned nothing. As its coefficient falls to minus infinity the
        # likelihood tends to that of pit A alone.
        burned, total = [3, 5, 1, 0, 0, 0], [12] * 6
        X = np.column_stack([np.ones(6), np.repeat([0.0, 1.0], 3)])
        fit = stats.fit_mixed_logistic(burned, total, X, np.arange(6))
        alone = stats.fit_mixed_logistic(burned[:3], total[:3], X[:3, :1], range(3))
        assert fit.separated.tolist() == [False, True]
        assert fit.coef[1] == -np.inf
        assert np.isnan(fit.std_error[1])
        assert fit.coef[0] == pytest.approx(alone.coef[0], abs=1e-8)
        assert fit.loglik == pytest.approx(alone.loglik, abs=1e-8)
        assert "separated by column 1" in fit.message
        assert f"at most {fit.bound[1]:.2f}" in fit.message
        # At the bound the best log-likelihood is 1.92 below the limit.
        assert -4 < fit.bound[1] < 0
        design = GroupedLikelihood(
            np.array(burned, dtype=float),
            np.array(total, dtype=float),
            np.ones((6, 1)),
            np.arange(6),
            fit.bound[1] * X[:, 1],
        )
        best = max(
            design.value(np.array([b, s]), 25)
            for b in np.linspace(-2.5, 0, 51)
            for s in np.linspace(0, 2, 41)
        )
        constant = np.log(comb(total, burned)).sum()
        assert best + constant == pytest.approx(fit.loglik - 1.920729, abs=2e-3)

    def test_nothing_burned_at_all(self):
        fit = stats.fit_mixed_logistic([0, 0, 0], [9, 9, 9], [[1]] * 3, range(3))
        assert fit.coef[0] == -np.inf
        assert fit.loglik == 0
        # The bound lies where 27 unburned items have probability exp(-1.92).
        rate = 1 - np.exp(-1.920729 / 27)
        expected = np.log(rate / (1 - rate))
        assert fit.bound[0] == pytest.approx(expected, abs=0.02)

    def test_all_or_none_in_every_bake(self):
        fit = stats.fit_mixed_logistic([12, 0, 12, 0], [12] * 4, [[1]] * 4, range(4))
        assert fit.group_sd == np.inf
        assert "all or nothing" in fit.message
        bound = re.search(r"at least (\d+\.\d+) on the logit scale", fit.message)
        assert 1 < float(bound[1]) < 10
        assert np.isnan(fit.coef).all()


def simulated(seed):
    rng = np.random.default_rng([20, seed])
    n_bakes = int(rng.integers(6, 13))
    bake = np.repeat(np.arange(n_bakes), 15)
    dist = np.tile(np.linspace(0, 1, 15), n_bakes)
    pit = (bake % 2).astype(float)
    effect = rng.normal(0, rng.choice([0.0, 0.5, 1.0]), n_bakes)
    eta = -0.3 + 0.5 * pit - 1.2 * dist + effect[bake]
    burned = rng.binomial(1, expit(eta))
    return burned, np.column_stack([np.ones(len(bake)), pit, dist]), bake


def test_second_engine_agrees_on_simulated_sets():
    # The quadrature of the `glmm` package, 25 nodes; its optimizer stops about 1e-5
    # from the top, hence the tolerances.
    glmm = pytest.importorskip("glmm")
    zero = 0
    for seed in range(50):
        burned, X, bake = simulated(seed)
        fit = stats.fit_mixed_logistic(burned, np.ones_like(burned), X, bake)
        table = {"y": burned.astype(float), "pit": X[:, 1], "dist": X[:, 2]}
        table["bake"] = [f"b{b}" for b in bake]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = glmm.fit(table, "y ~ pit + dist + (1 | bake)", "binomial", nagq=25)
        sd = float(np.sqrt(np.asarray(other.tau2).ravel()[0]))
        np.testing.assert_allclose(fit.coef, other.beta, atol=1e-4)
        assert fit.group_sd == pytest.approx(sd, abs=5e-4)
        assert fit.loglik == pytest.approx(other.loglik, abs=1e-6)
        assert fit.loglik >= other.loglik - 1e-9
        if fit.group_sd > 0:
            np.testing.assert_allclose(fit.std_error, other.se, rtol=2e-3)
        zero += fit.group_sd == 0
    assert 3 < zero < 40


@pytest.mark.slow
def test_recovers_known_parameters():
    # 40 bakes of 30 items: estimates lie within their errors, on average too.
    rng = np.random.default_rng(8)
    truth, deviations = np.array([-0.5, -1.5, 0.8]), []
    for _ in range(60):
        bake = np.repeat(np.arange(40), 30)
        dist = np.tile(np.linspace(0, 1, 30), 40)
        eta = truth[0] + truth[1] * dist + rng.normal(0, truth[2], 40)[bake]
        X = np.column_stack([np.ones(1200), dist])
        fit = stats.fit_mixed_logistic(
            rng.binomial(1, expit(eta)), np.ones(1200), X, bake
        )
        errors = np.append(fit.std_error, fit.group_sd_error)
        deviations.append((np.append(fit.coef, fit.group_sd) - truth) / errors)
    z = np.array(deviations)
    assert (np.abs(z.mean(axis=0)) < 4 / np.sqrt(60)).all()
    assert ((z.std(axis=0) > 0.7) & (z.std(axis=0) < 1.4)).all()


def test_nodes_integrate_polynomials_exactly():
    nodes, weights = normal_nodes(6)
    for power, moment in [(0, 1), (1, 0), (2, 1), (4, 3), (6, 15), (8, 105), (10, 945)]:
        assert (weights * nodes**power).sum() == pytest.approx(moment, abs=1e-9)


@pytest.mark.parametrize("n_nodes", [0, 2.5, 101])
def test_bad_number_of_nodes(n_nodes):
    with pytest.raises(ValueError, match="whole number, 1 to 100"):
        stats.fit_mixed_logistic([3, 2], [9, 9], [[1], [1]], [0, 1], n_nodes)


def test_nothing_graded():
    with pytest.raises(ValueError, match="no entry has a graded item"):
        stats.fit_mixed_logistic([0, 0], [0, 0], [[1], [1]], [0, 1])


def test_columns_that_determine_each_other():
    X = [[1, 0, 1], [1, 0, 1], [1, 1, 0]]
    with pytest.raises(ValueError, match="a, b, c of X determine each other"):
        stats.fit_mixed_logistic(
            [1, 2, 1], [9, 9, 9], X, [0, 1, 2], names=["a", "b", "c"]
        )
