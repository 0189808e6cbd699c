"""Intervals item by item, against publications, R, statsmodels and theory."""

import json
from pathlib import Path

import numpy as np
import pytest

from pitstats import stats

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "c_proportions.json").read_text("utf-8")
)
ROWS = {case["id"]: case["rows"] for case in REFERENCE["cases"]}
ONE = {
    "wilson": stats.wilson_interval,
    "clopper_pearson": stats.clopper_pearson_interval,
    "jeffreys": stats.jeffreys_interval,
}
TWO = {
    "newcombe_hybrid_score": stats.newcombe_difference,
    "miettinen_nurminen": stats.miettinen_nurminen_difference,
}

# Newcombe 1998, Stat Med 17:857-872, Table I, methods 3 and 5; to four decimals.
NEWCOMBE_ONE = [
    (stats.wilson_interval, 81, 263, 0.2553, 0.3662),
    (stats.wilson_interval, 15, 148, 0.0624, 0.1605),
    (stats.wilson_interval, 0, 20, 0.0, 0.1611),
    (stats.wilson_interval, 1, 29, 0.0061, 0.1718),
    (stats.clopper_pearson_interval, 81, 263, 0.2527, 0.3676),
    (stats.clopper_pearson_interval, 15, 148, 0.0578, 0.1617),
    (stats.clopper_pearson_interval, 0, 20, 0.0, 0.1684),
    (stats.clopper_pearson_interval, 1, 29, 0.0009, 0.1776),
    # Agresti, Categorical Data Analysis 2nd ed., section 1.4.3: 0 of 25.
    (stats.wilson_interval, 0, 25, 0.0, 0.1332),
    (stats.clopper_pearson_interval, 0, 25, 0.0, 0.1372),
    # Conover 1971: 682 of 925 plants.
    (stats.clopper_pearson_interval, 682, 925, 0.7077, 0.7654),
]

# Brown, Cai & DasGupta 2001, Stat Sci 16:101-133, Table 5, n = 7; three decimals.
BROWN_JEFFREYS = [
    (0, 7, 0.0, 0.292),
    (1, 7, 0.016, 0.501),
    (2, 7, 0.065, 0.648),
    (3, 7, 0.139, 0.765),
]

# Newcombe 1998, Stat Med 17:873-890, Table II, methods 10 and 6; four decimals.
NEWCOMBE_TWO = [
    ((56, 48), (70, 80), (0.0524, 0.3339), (0.0528, 0.3382)),
    ((9, 3), (10, 10), (0.1705, 0.8090), (0.1700, 0.8406)),
    ((6, 2), (7, 7), (0.0582, 0.8062), (0.0342, 0.8534)),
    ((5, 0), (56, 29), (-0.0381, 0.1926), (-0.0326, 0.1933)),
    ((0, 0), (10, 20), (-0.1611, 0.2775), (-0.1658, 0.2844)),
    ((0, 0), (10, 10), (-0.2775, 0.2775), (-0.2879, 0.2879)),
    ((10, 0), (10, 20), (0.6791, 1.0), (0.7156, 1.0)),
    ((10, 0), (10, 10), (0.6075, 1.0), (0.6636, 1.0)),
]


@pytest.fixture
def rng():
    return np.random.default_rng(11)


@pytest.mark.parametrize(("function", "x", "n", "low", "high"), NEWCOMBE_ONE)
def test_published_one_proportion(function, x, n, low, high):
    assert function(x, n) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize(("x", "n", "low", "high"), BROWN_JEFFREYS)
def test_published_jeffreys(x, n, low, high):
    assert stats.jeffreys_interval(x, n) == pytest.approx((low, high), abs=5.1e-4)


@pytest.mark.parametrize(("x", "n", "newcombe", "miettinen"), NEWCOMBE_TWO)
def test_published_difference(x, n, newcombe, miettinen):
    assert stats.newcombe_difference(x, n) == pytest.approx(newcombe, abs=5.1e-5)
    found = stats.miettinen_nurminen_difference(x, n)
    assert found == pytest.approx(miettinen, abs=5.1e-5)


@pytest.mark.parametrize("name", ONE)
@pytest.mark.parametrize("row", ROWS["single"], ids=lambda r: f"{r['x']}of{r['n']}")
def test_one_proportion_agrees_with_r(name, row):
    found = ONE[name](row["x"], row["n"], row["conf"])
    assert found == pytest.approx(tuple(row[name]), abs=1e-10)


@pytest.mark.parametrize("name", TWO)
@pytest.mark.parametrize(
    "row", ROWS["two_sample"], ids=lambda r: f"{r['x1']}-{r['x2']}"
)
def test_difference_agrees_with_r(name, row):
    found = TWO[name]([row["x1"], row["x2"]], [row["n1"], row["n2"]], row["conf"])
    # R's root finder stops at about 1e-7.
    assert found == pytest.approx(tuple(row[name]), abs=1e-6)


def test_newcombe_agrees_with_statsmodels(rng):
    from statsmodels.stats.proportion import confint_proportions_2indep

    n = rng.integers(3, 60, size=(2, 20))
    x = rng.binomial(n, 0.3)
    low, high = stats.newcombe_difference(x, n, 0.9)
    for k in range(20):
        other = confint_proportions_2indep(
            x[0, k], n[0, k], x[1, k], n[1, k], method="newcomb", alpha=0.1
        )
        assert (low[k], high[k]) == pytest.approx(other, abs=1e-12)


def test_rule_of_three_row_of_published_table():
    # Exact one-sided 95 % limits for none of n; 3/n lies just above each.
    limits = stats.zero_event_limit([10, 20, 30, 50, 100])
    assert limits == pytest.approx([0.2589, 0.1391, 0.0950, 0.0582, 0.0295], abs=5.1e-5)
    assert np.all(limits < 3 / np.array([10, 20, 30, 50, 100]))
    assert stats.zero_event_limit(0) == 1.0
    # One-sided at 97.5 % is the upper end of the two-sided exact interval.
    assert stats.zero_event_limit(20, 0.975) == pytest.approx(
        stats.clopper_pearson_interval(0, 20)[1]
    )


@pytest.mark.parametrize("function", ONE.values())
def test_ends_of_one_proportion(function):
    assert function(0, 0) == (0.0, 1.0)
    assert function(0, 12)[0] == 0.0
    assert function(12, 12)[1] == 1.0
    assert 0 < function(0, 12)[1] < 1
    low, high = function(np.arange(13), 12)
    assert np.all(np.diff(low) > 0)
    assert np.all(np.diff(high) > 0)
    # Counting what did not burn mirrors the interval.
    assert low == pytest.approx(1 - high[::-1], abs=1e-12)


@pytest.mark.parametrize("function", TWO.values())
def test_difference_is_symmetric(function, rng):
    n = rng.integers(1, 40, size=(2, 50))
    x = rng.binomial(n, rng.uniform(size=(2, 50)))
    low, high = function(x, n)
    back = function(x[::-1], n[::-1])
    assert back.low == pytest.approx(-high, abs=1e-9)
    assert back.high == pytest.approx(-low, abs=1e-9)
    unburned = function(n - x, n)
    assert unburned.low == pytest.approx(-high, abs=1e-9)
    estimate = x[0] / n[0] - x[1] / n[1]
    assert np.all((low <= estimate + 1e-9) & (estimate <= high + 1e-9))
    assert function([0, 3], [0, 12]) == (-1.0, 1.0)
    assert function([0, 0], [0, 0]) == (-1.0, 1.0)


def test_score_interval_is_where_the_score_test_rejects():
    from statsmodels.stats.proportion import test_proportions_2indep

    # At no difference the pooled test without correction has closed form: choose the
    # level so that its p-value is the error, and the interval must end at 0.
    x, n = np.array([18, 9]), np.array([72, 72])
    result = test_proportions_2indep(*np.c_[x, n].ravel(), method="score", value=0)
    low, _ = stats.miettinen_nurminen_difference(x, n, 1 - result.pvalue)
    assert low == pytest.approx(0.0, abs=1e-9)


def test_exact_interval_covers_at_least_its_level():
    from scipy.stats import binom

    p, n = np.linspace(0.01, 0.99, 99), 15
    low, high = stats.clopper_pearson_interval(np.arange(n + 1), n, 0.9)
    inside = (low[:, None] <= p) & (p <= high[:, None])
    cover = (inside * binom.pmf(np.arange(n + 1)[:, None], n, p)).sum(axis=0)
    assert cover.min() >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("function", TWO.values())
def test_difference_covers_the_truth(function):
    rng = np.random.default_rng(20)
    x = rng.binomial([[40], [25]], [[0.3], [0.15]], size=(2, 20_000))
    low, high = function(x, np.broadcast_to([[40], [25]], x.shape))
    cover = np.mean((low <= 0.15) & (high >= 0.15))
    assert 0.935 < cover < 0.975


def test_design_effects():
    # Kish 1965: 1 + (m - 1) icc; equal bakes.
    assert stats.kish_design_effect(20, 0.05) == pytest.approx(1.95)
    assert stats.kish_design_effect([20, 20], 0.2) == pytest.approx(4.80)
    assert stats.kish_design_effect(10, 1.0) == pytest.approx(10.0)
    assert stats.kish_design_effect([7, 9, 11], 0.0) == 1.0
    # Eldridge, Ashby & Kerry 2006: 1 + ((cv**2 + 1) m - 1) icc.
    sizes = np.array([10, 30])
    cv = sizes.std() / sizes.mean()
    expected = 1 + ((cv**2 + 1) * sizes.mean() - 1) * 0.05
    assert stats.kish_design_effect(sizes, 0.05) == pytest.approx(expected)
    assert stats.kish_weight_effect([1, 1, 2, 4]) == pytest.approx(1.375)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: stats.wilson_interval(5, 3), "5 burned of 3 graded items"),
        (lambda: stats.wilson_interval(-1, 3), "counts are whole numbers"),
        (lambda: stats.jeffreys_interval(1.5, 3), "counts are whole numbers"),
        (lambda: stats.jeffreys_interval("a", 3), "not a number"),
        (lambda: stats.wilson_interval(1, 3, 95), "conf_level is 95"),
        (lambda: stats.newcombe_difference([1, 2, 3], [4, 4, 4]), "two groups"),
        (lambda: stats.miettinen_nurminen_difference(1, 4), "two groups"),
        (lambda: stats.kish_design_effect([0, 0], 0.1), "no item"),
        (lambda: stats.kish_design_effect(3, 1.1), "between 0 and 1"),
        (lambda: stats.kish_weight_effect([-1, 2]), "negative"),
        (lambda: stats.zero_event_limit(3, 0.0), "conf_level is 0.0"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
