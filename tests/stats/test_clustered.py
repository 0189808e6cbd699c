"""Cluster-robust logistic regression and GEE."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from pitstats import stats

REFERENCE = Path(__file__).parents[1] / "reference"


def rows_of(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cbpp():
    rows = rows_of("cbpp.csv")
    period = np.array([row["period"] for row in rows])
    X = np.column_stack([np.ones(len(rows)), *(period == p for p in "234")])
    burned = np.array([int(row["incidence"]) for row in rows])
    total = np.array([int(row["size"]) for row in rows])
    return burned, total, X, np.array([row["herd"] for row in rows])


def pit_sim():
    rows = rows_of("pit_sim1.csv")
    pit = np.array([row["pit"] for row in rows])
    dist = [float(row["dist"]) for row in rows]
    X = np.column_stack([np.ones(len(rows)), pit == "B", pit == "C", dist])
    burned = np.array([int(row["burnt"]) for row in rows])
    return burned, np.ones_like(burned), X, np.array([row["bake"] for row in rows])


def gee_reference(name):
    text = (REFERENCE / "f_clustered_binomial.json").read_text(encoding="utf-8")
    cases = {case["id"]: case["results"] for case in json.loads(text)["cases"]}
    if name == "cbpp":
        return cases["cbpp_gee"]["gee_binary"]
    return cases["pit_sim1_bakes"]["gee"]


DATA = {"cbpp": cbpp, "pit_sim": pit_sim}


@pytest.mark.parametrize("name", DATA)
def test_independence_gee_matches_other_program(name):
    expected = gee_reference(name)["independence"]
    fit = stats.fit_gee(*DATA[name](), correlation="independence", covariance="robust")
    np.testing.assert_allclose(fit.coef, list(expected["beta"].values()), atol=1e-8)
    errors = list(expected["se_sandwich"].values())
    np.testing.assert_allclose(fit.std_error, errors, atol=1e-8)


@pytest.mark.parametrize("name", DATA)
def test_exchangeable_gee_agrees_within_its_definition(name):
    # The two programs estimate the working correlation by different moment formulas:
    # the other one divides by the number of pairs, statsmodels subtracts the number
    # of coefficients. The correlations differ by 0.001 here, the coefficients, which
    # depend on it only a little, by less than 0.001.
    expected = gee_reference(name)["exchangeable"]
    fit = stats.fit_gee(*DATA[name](), covariance="robust")
    assert fit.correlation == pytest.approx(expected["alpha"], abs=1.5e-3)
    np.testing.assert_allclose(fit.coef, list(expected["beta"].values()), atol=1e-3)
    errors = list(expected["se_sandwich"].values())
    np.testing.assert_allclose(fit.std_error, errors, atol=5e-4)


@pytest.mark.parametrize("correction", ["cr0", "cr1"])
def test_cluster_robust_matches_other_program(correction):
    text = (REFERENCE / "g_standardised_probabilities.json").read_text(encoding="utf-8")
    case = json.loads(text)["cases"][0]
    fit = stats.fit_cluster_robust(*pit_sim(), correction=correction)
    expected = list(case[f"se_cluster_{correction}"].values())
    np.testing.assert_allclose(fit.std_error, expected, atol=1e-7)


def test_t_quantile_has_between_bake_degrees_of_freedom():
    # 18 bakes, three columns that are constant within a bake (intercept, two pits).
    fit = stats.fit_cluster_robust(*pit_sim())
    assert fit.df == 15
    half = (fit.high - fit.low) / 2 / fit.std_error
    np.testing.assert_allclose(half, 2.131450, atol=1e-6)


def test_order_of_entries_does_not_matter():
    burned, total, X, herd = cbpp()
    order = np.random.default_rng(3).permutation(len(burned))
    fit = stats.fit_gee(burned, total, X, herd)
    other = stats.fit_gee(burned[order], total[order], X[order], herd[order])
    np.testing.assert_allclose(other.coef, fit.coef, atol=1e-9)
    np.testing.assert_allclose(other.std_error, fit.std_error, atol=1e-9)


def test_bias_reduced_errors_are_larger():
    robust = stats.fit_gee(*pit_sim(), covariance="robust")
    reduced = stats.fit_gee(*pit_sim())
    assert (reduced.std_error > robust.std_error).all()


@pytest.mark.parametrize("fit", [stats.fit_gee, stats.fit_cluster_robust])
def test_separated_data_are_refused(fit):
    X = [[1, 0], [1, 0], [1, 1], [1, 1]]
    with pytest.raises(ValueError, match="separated by column 1"):
        fit([3, 4, 0, 0], [12, 12, 12, 12], X, [0, 1, 2, 3])


@pytest.mark.parametrize("fit", [stats.fit_gee, stats.fit_cluster_robust])
def test_one_bake_is_refused(fit):
    with pytest.raises(ValueError, match="two bakes or more"):
        fit([3], [12], [[1]], [0])


def test_choices_are_listed():
    with pytest.raises(ValueError, match="'cr0' or 'cr1'"):
        stats.fit_cluster_robust(*cbpp(), correction="cr9")
    with pytest.raises(ValueError, match="'exchangeable' or"):
        stats.fit_gee(*cbpp(), correlation="ar1")
    with pytest.raises(ValueError, match="'robust' or"):
        stats.fit_gee(*cbpp(), covariance="naive")
