"""Planning formulas against printed values, R and statsmodels."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from pitstats.errors import DesignError
from pitstats.planning import formulas

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "h_power.json").read_text("utf-8")
)
ROWS = {case["id"]: case["rows"] for case in REFERENCE["cases"]}

# p1, p2, alpha, power, items without and with correction. The corrected figures of the
# first three rows are printed in Fleiss 1981, Statistical Methods for Rates and
# Proportions, 2nd ed., Table A.3 and chapter 3; 170 a group in the eighth is Sedgwick
# 2013, BMJ 346:f2839.
FLEISS = [
    (0.25, 0.40, 0.05, 0.90, 202.810, 216),
    (0.25, 0.40, 0.05, 0.80, 151.869, 165),
    (0.60, 0.70, 0.01, 0.95, 807.067, 827),
    (0.05, 0.10, 0.05, 0.80, 434.432, 474),
    (0.10, 0.20, 0.05, 0.80, 198.963, 219),
    (0.20, 0.40, 0.05, 0.80, 81.224, 91),
    (0.30, 0.50, 0.05, 0.80, 92.999, 103),
    (0.50, 0.65, 0.05, 0.80, 169.311, 183),
    (0.10, 0.30, 0.05, 0.80, 61.599, 72),
    (0.50, 0.75, 0.05, 0.90, 76.707, 85),
]


@pytest.mark.parametrize(("a", "b", "alpha", "power", "plain", "corrected"), FLEISS)
def test_printed_sample_sizes_have_the_power_they_were_made_for(
    a, b, alpha, power, plain, corrected
):
    found = formulas.two_rate_power(a, b, plain, alpha=alpha)
    assert found == pytest.approx(power, abs=1e-5)
    # Printed in whole items, rounded up.
    short, enough = (
        formulas.two_rate_power(a, b, n, alpha=alpha, continuity=True)
        for n in (corrected - 1, corrected)
    )
    assert short < power <= enough


@pytest.mark.parametrize("row", ROWS["sample_size"], ids=str)
def test_power_at_the_sample_size_of_r(row):
    found = formulas.two_rate_power(
        row["p1"], row["p2"], row["power.prop.test_n"], alpha=row["alpha"]
    )
    # power.prop.test solves by uniroot, to about 1e-4 of an item.
    assert found == pytest.approx(row["power"], abs=1e-5)


@pytest.mark.parametrize("row", ROWS["power_grid"], ids=str)
def test_power_agrees_with_r(row):
    found = formulas.two_rate_power(
        row["p1"], row["p2"], row["n_per_group"], alpha=row["alpha"]
    )
    assert found == pytest.approx(row["power.prop.test_power"], abs=1e-9)


def test_power_agrees_with_statsmodels():
    from statsmodels.stats.proportion import samplesize_proportions_2indep_onetail

    for a, b, power in ((0.2, 0.5, 0.8), (0.1, 0.15, 0.9)):
        other = samplesize_proportions_2indep_onetail(b - a, a, power, alpha=0.05)
        found = formulas.two_rate_power(a, b, other)
        assert found == pytest.approx(power, rel=1e-9)


@pytest.mark.parametrize("row", ROWS["design_effect"], ids=str)
def test_design_effect_agrees_with_r(row):
    found = formulas.design_effect(row["m"], row["rho"], row["cv_cluster_size"])
    assert found == pytest.approx(row["deff_unequal"], abs=1e-9)
    needed = row["n_independent"] * found
    if row["cv_cluster_size"] == 0:
        assert needed == pytest.approx(row["n_items_needed"], abs=1e-6)


@pytest.mark.parametrize(
    ("m", "icc", "effect", "effective"),
    [
        (10, 0.05, 1.45, 6.90),
        (20, 0.2, 4.8, 4.17),
        (40, 0.1, 4.9, 8.16),
        (10, 1, 10, 1),
    ],
)
def test_kish_rows(m, icc, effect, effective):
    assert formulas.design_effect(m, icc) == pytest.approx(effect)
    assert m / formulas.design_effect(m, icc) == pytest.approx(effective, abs=5.1e-3)


def test_eldridge_and_others():
    # Eldridge, Ashby & Kerry 2006: cv 0.65 is usual, below 0.23 hardly matters.
    assert formulas.design_effect(20, 0.05, 0.23) == pytest.approx(2.0029, abs=5e-5)
    assert formulas.design_effect(20, 0.05, 0.65) == pytest.approx(2.3725, abs=5e-5)
    # Sedgwick 2013, BMJ 346:f2839: 340 become 1104, 24 clusters of 46 (rounded down).
    clusters = 340 * formulas.design_effect(46, 0.05) / 46
    assert clusters == pytest.approx(24.02, abs=5e-3)


@pytest.mark.parametrize(
    ("bake", "item", "icc", "best"),
    [
        (2000, 100, 0.05, 19.49),
        (2000, 100, 0.25, 7.75),
        (2000, 20, 0.05, 43.59),
        (4000, 20, 0.05, 61.64),
        (750, 100, 0.05, 11.937),
        (20, 0.40, 0.10, 21.2),
    ],
)
def test_best_items_per_bake(bake, item, icc, best):
    found = formulas.best_items_per_bake(bake, item, icc)
    assert found == pytest.approx(best, abs=0.02)
    # No other split of the same money is more precise.
    split = formulas.split_for_budget(1e4, bake, item, icc)
    for items in (0.8 * found, 1.2 * found):
        bakes = 1e4 / (bake + item * items)
        error = math.sqrt(formulas.design_effect(items, icc) / (bakes * items))
        assert error > split.relative_error


def test_splits_of_valliant_dever_and_kreuter():
    # Practical Tools ... (2013), section 9.3.1: 51.4 clusters of 11.9, CV 0.0502.
    split = formulas.split_for_budget(100_000, 750, 100, 0.05)
    assert split.bakes == pytest.approx(51.447, abs=5e-4)
    assert split.items == pytest.approx(11.937, abs=5e-4)
    assert split.relative_error == pytest.approx(0.05019, abs=5e-6)


def test_rule_of_three():
    from pitstats.stats import zero_event_limit

    # Hanley & Lippman-Hand 1983.
    for n in (10, 30, 100):
        assert formulas.rule_of_three(n) == pytest.approx(3 / n)
        assert formulas.rule_of_three(n) > zero_event_limit(n)
    assert formulas.rule_of_three(2) == 1.0


@pytest.mark.parametrize("sd", [0.0, 0.3, 0.6, 1.0, 2.0])
@pytest.mark.parametrize("rate", [0.02, 0.2, 0.5, 0.9])
def test_icc_of_a_rate_and_a_spread(rate, sd):
    """By simulation of bakes, and its limits."""
    from scipy.special import expit

    from pitstats.stats.marginal import marginal_intercept

    rng = np.random.default_rng(4)
    p = expit(marginal_intercept(rate, sd) + sd * rng.normal(size=400_000))
    assert p.mean() == pytest.approx(rate, abs=4 * p.std() / 600 + 1e-9)
    found = formulas.rate_icc(rate, sd)
    assert found == pytest.approx(p.var() / (rate * (1 - rate)), rel=0.03, abs=1e-12)
    assert found == pytest.approx(formulas.rate_icc(1 - rate, sd), abs=1e-9)
    # The latent-scale figure sd**2 / (sd**2 + pi**2 / 3) is an upper bound.
    assert found <= sd**2 / (sd**2 + math.pi**2 / 3) + 1e-12


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: formulas.two_rate_power(1.2, 0.2, 20), "rate_a is 1.2"),
        (lambda: formulas.two_rate_power(0.1, 0.2, 20, alpha=5), "alpha is 5"),
        (lambda: formulas.two_rate_power(0.1, 0.2, 0), "n_items is 0"),
        (lambda: formulas.design_effect(10, -0.1), "icc is -0.1"),
        (lambda: formulas.design_effect(10, 0.1, -1), "cannot be negative"),
        (lambda: formulas.best_items_per_bake(1, 1, 0.0), "one large bake"),
        (lambda: formulas.best_items_per_bake(0, 1, 0.1), "cost_per_bake is 0"),
        (lambda: formulas.rule_of_three(0), "n_items is 0"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(DesignError, match=message):
        call()
