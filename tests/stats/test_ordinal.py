"""Cumulative logit by maximum likelihood, with and without a random intercept."""

import csv
import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from pitstats import stats

REFERENCE = Path(__file__).parents[1] / "reference"
WINE = json.loads((REFERENCE / "e_ordinal.json").read_text(encoding="utf-8"))["cases"][
    0
]


def wine():
    with (REFERENCE / "wine.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    warm = [row["temp"] == "warm" for row in rows]
    contact = [row["contact"] == "yes" for row in rows]
    X = np.column_stack([np.ones(len(rows)), warm, contact])
    grade = np.array([int(row["rating"]) for row in rows])
    return grade, X, np.array([row["judge"] for row in rows])


def simulated(seed, coef=1.0, sd=0.8, bakes=6, n=12, cuts=(-1.0, 0.5, 2.0)):
    rng = np.random.default_rng(seed)
    bake = np.repeat(np.arange(2 * bakes), n)
    x = (bake >= bakes).astype(float)
    eta = coef * x + rng.normal(0, sd, 2 * bakes)[bake] + rng.logistic(size=len(bake))
    return np.searchsorted(cuts, eta), x, bake


def agrees(fit, expected, atol):
    np.testing.assert_allclose(fit.coef, list(expected["beta"].values()), atol=atol)
    cuts = list(expected["alpha"].values())
    np.testing.assert_allclose(fit.cutpoints, cuts, atol=atol)
    errors = np.concatenate([fit.cutpoint_error, fit.std_error])
    np.testing.assert_allclose(errors, list(expected["se"].values()), atol=atol)
    assert fit.loglik == pytest.approx(expected["loglik"], abs=atol)


def test_published_wine():
    # Randall (1989), Biometrical Journal 31:781-793, bitterness of wine; estimates as
    # printed in the vignette of R's ordinal package.
    grade, X, judge = wine()
    fit = stats.fit_ordinal(grade, X)
    np.testing.assert_allclose(fit.coef, [2.5031, 1.5278], atol=5e-5)
    np.testing.assert_allclose(fit.std_error, [0.5287, 0.4766], atol=5e-5)
    np.testing.assert_allclose(
        fit.cutpoints, [-1.3444, 1.2508, 3.4669, 5.0064], atol=5e-5
    )
    mixed = stats.fit_ordinal(grade, X, judge, n_nodes=1)
    np.testing.assert_allclose(mixed.coef, [3.0630, 1.8349], atol=1e-4)
    assert mixed.group_sd**2 == pytest.approx(1.279, abs=1e-3)


def test_other_program():
    grade, X, judge = wine()
    agrees(stats.fit_ordinal(grade, X), WINE["clm"]["logit"], 1e-6)
    for n_nodes in (1, 10):
        expected = WINE["clmm"][f"nAGQ_{n_nodes}"]["refined"]
        fit = stats.fit_ordinal(grade, X, judge, n_nodes)
        agrees(fit, expected, 1e-5)
        assert fit.group_sd == pytest.approx(expected["theta"], abs=1e-5)
        assert fit.group_sd_error == pytest.approx(expected["se_theta"], abs=1e-5)
    test = WINE["variance_test"]
    assert fit.variance_test.statistic == pytest.approx(test["lrt"], abs=1e-5)
    assert fit.variance_test.p_value == pytest.approx(test["p_mixture"], abs=1e-7)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_second_program_without_groups(seed):
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    grade, x, _ = simulated(seed)
    fit = stats.fit_ordinal(grade, x)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = OrderedModel(grade, x[:, None], distr="logit")
        other = model.fit(method="newton", disp=False)
    cuts = model.transform_threshold_params(other.params)[1:-1]
    assert fit.coef[0] == pytest.approx(other.params[0], abs=1e-6)
    assert fit.std_error[0] == pytest.approx(other.bse[0], abs=1e-5)
    np.testing.assert_allclose(fit.cutpoints, cuts, atol=1e-6)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-8)


def test_likelihood_by_plain_summation():
    # Probabilities of grades written out and averaged over a fine grid of effects.
    grade, x, bake = simulated(4)
    fit = stats.fit_ordinal(grade, x, bake, n_nodes=25)
    z = np.linspace(-7, 7, 1401)
    density = np.exp(-0.5 * z**2)
    density /= density.sum()
    ends = np.concatenate([[-np.inf], fit.cutpoints, [np.inf]])
    total = 0.0
    for b in np.unique(bake):
        own = bake == b
        eta = fit.coef[0] * x[own][:, None] + fit.group_sd * z
        high, low = ends[grade[own] + 1][:, None], ends[grade[own]][:, None]
        chance = expit(high - eta) - expit(low - eta)
        total += np.log(np.prod(chance, axis=0) @ density)
    assert fit.loglik == pytest.approx(total, abs=1e-7)


def test_two_grades_are_the_logistic_model():
    grade, x, bake = simulated(5)
    burned = (grade >= 2).astype(int)
    one, X = np.ones(len(x), dtype=int), np.column_stack([np.ones(len(x)), x])
    ordinal = stats.fit_ordinal(burned, x, bake, n_nodes=15)
    logistic = stats.fit_mixed_logistic(burned, one, X, bake, n_nodes=15)
    assert ordinal.coef[0] == pytest.approx(logistic.coef[1], abs=1e-6)
    assert ordinal.cutpoints[0] == pytest.approx(-logistic.coef[0], abs=1e-6)
    assert ordinal.group_sd == pytest.approx(logistic.group_sd, abs=1e-6)
    assert ordinal.std_error[0] == pytest.approx(logistic.std_error[1], abs=1e-5)
    plain = stats.fit_ordinal(burned, X)
    assert plain.coef[0] == pytest.approx(stats.fit_logistic(burned, one, X).coef[1])
    assert plain.dropped == (0,)
    assert plain.group_sd == 0.0
    assert plain.variance_test is None


def test_turned_round_the_scale_turns_the_signs():
    grade, x, bake = simulated(6)
    fit = stats.fit_ordinal(grade, x, bake)
    turned = stats.fit_ordinal(3 - grade, x, bake)
    assert fit.coef[0] > 0
    assert turned.coef[0] == pytest.approx(-fit.coef[0], abs=1e-7)
    np.testing.assert_allclose(turned.cutpoints, -fit.cutpoints[::-1], atol=1e-7)
    order = np.random.default_rng(1).permutation(len(grade))
    shuffled = stats.fit_ordinal(grade[order], x[order], bake[order])
    np.testing.assert_allclose(shuffled.coef, fit.coef, atol=1e-9)


def test_a_grade_that_nobody_got_has_no_cutpoint():
    grade, x, bake = simulated(7)
    spread = np.array([0, 2, 3, 7])[grade]
    fit, wide = stats.fit_ordinal(grade, x, bake), stats.fit_ordinal(spread, x, bake)
    assert wide.grades.tolist() == [0, 2, 3, 7]
    np.testing.assert_allclose(wide.cutpoints, fit.cutpoints)


def test_groups_that_do_not_differ_have_sd_zero():
    grade = np.tile([0, 1, 1, 2, 2, 3], 8)
    x = np.tile([0.0, 0.0, 1.0, 0.0, 1.0, 1.0], 8)
    fit = stats.fit_ordinal(grade, x, np.repeat(np.arange(8), 6))
    plain = stats.fit_ordinal(grade, x)
    assert fit.group_sd == 0.0
    assert np.isnan(fit.group_sd_error)
    np.testing.assert_allclose(fit.std_error, plain.std_error)
    assert fit.variance_test.p_value == 1.0


@pytest.mark.parametrize(
    ("grade", "X", "group", "said"),
    [
        ([0, 0, 1, 2], [0, 0, 1, 1], None, "column 0 without overlap"),
        ([1, 1, 1], [0, 1, 0], None, "same grade"),
        ([0, 1, np.nan], [0, 1, 0], None, "gaps"),
        ([0, 1, 1], [[0, 0], [1, 2], [2, 4]], None, "determine each other"),
        ([0, 1], [0, 1, 2], None, "one row of X per entry"),
        (["raw", "dark"], [0, 1], None, "one number per item"),
        (
            np.repeat([0, 2, 1, 2, 0, 1], 9),
            np.repeat([0, 0, 0, 1, 1, 1], 9),
            np.repeat(np.arange(6), 9),
            "single grade each",
        ),
    ],
)
def test_what_cannot_be_estimated_is_refused_in_words(grade, X, group, said):
    with pytest.raises(ValueError, match=said):
        stats.fit_ordinal(grade, X, group)


@pytest.mark.slow
def test_recovers_what_was_simulated():
    fits = [stats.fit_ordinal(*simulated(seed, bakes=30, n=20)) for seed in range(40)]
    coef = np.array([fit.coef[0] for fit in fits])
    # Standard error of the mean of 40 is about 0.04.
    assert coef.mean() == pytest.approx(1.0, abs=0.13)
    assert np.mean([fit.group_sd for fit in fits]) == pytest.approx(0.8, abs=0.06)
    cuts = np.mean([fit.cutpoints for fit in fits], axis=0)
    np.testing.assert_allclose(cuts, [-1.0, 0.5, 2.0], atol=0.1)
