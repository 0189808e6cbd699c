"""Linear regression with random group effects: REML, Kenward-Roger, Satterthwaite."""

import csv
import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize
from scipy import stats as distributions

from pitstats import stats
from pitstats.stats.nested_groups import Covariance, find_groups

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = {
    case["id"]: case
    for case in json.loads(
        (REFERENCE / "d_linear_mixed.json").read_text(encoding="utf-8")
    )["cases"]
}
KEY = {"kenward-roger": "kenward_roger", "satterthwaite": "satterthwaite"}

# Davies & Goldsmith (1972), Statistical Methods in Research and Production, table 6.1:
# yield of dyestuff, 5 preparations from each of 6 batches.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]
# Box & Tiao (1973), Bayesian Inference in Statistical Analysis, table 5.1.4: simulated
# data of the same layout in which batches differ less than their error.
DYESTUFF2 = [
    [7.298, 3.846, 2.434, 9.566, 7.990],
    [5.220, 6.556, 0.608, 11.788, -0.892],
    [0.110, 10.386, 13.434, 5.510, 8.166],
    [2.212, 4.852, 7.092, 9.288, 4.980],
    [0.282, 9.014, 4.458, 9.446, 7.198],
    [1.722, 4.782, 8.106, 0.758, 3.758],
]
SIXTIMES5 = np.repeat(np.arange(6), 5)


def one_way(table, df="kenward-roger"):
    y = np.ravel(table)
    return stats.fit_mixed_linear(y, np.ones(30), SIXTIMES5, df)


def cake(case):
    with (REFERENCE / case["data"]["file"]).open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row.get("kept", "1") == "1"]
    recipe = np.array([row["recipe"] for row in rows])
    temp = np.array([float(row["temp"]) for row in rows])
    replicate = np.array([row["replicate"] for row in rows])
    batch = np.array([f"{row['replicate']}.{row['recipe']}" for row in rows])
    b, c = recipe == "B", recipe == "C"
    columns = [np.ones(len(rows)), b, c]
    if case["id"] == "cake_split_plot":
        at = [temp == t for t in (185, 195, 205, 215, 225)]
        columns += at + [z for level in at for z in (b & level, c & level)]
    else:
        columns.append((temp - 200) / 10)
    group = batch
    if case["id"] == "cake_two_levels":
        group = np.column_stack([replicate, batch])
    y = np.array([float(row["angle"]) for row in rows])
    return y, np.column_stack(columns).astype(float), group


def marginal_means(case):
    """Rows that give the mean of each recipe over the temperatures."""
    if case["id"] != "cake_split_plot":
        # At the mean temperature of the rows used.
        t10 = cake(case)[1][:, 3].mean()
        return np.array([[1, 0, 0, t10], [1, 1, 0, t10], [1, 0, 1, t10]])
    rows = np.zeros((3, 18))
    rows[:, 0] = 1
    rows[:, 3:8] = 1 / 6
    for k in (1, 2):
        rows[k, k] = 1
        rows[k, 7 + k :: 2] = 1 / 6
    return rows


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("df", KEY)
def test_other_program(name, df):
    case = CASES[name]
    fit = stats.fit_mixed_linear(*cake(case), df)
    expected = case[KEY[df]].values()
    np.testing.assert_allclose(fit.coef, [e["estimate"] for e in expected], atol=1e-5)
    np.testing.assert_allclose(fit.std_error, [e["se"] for e in expected], atol=1e-6)
    np.testing.assert_allclose(fit.df, [e["df"] for e in expected], atol=1e-4)
    p_value = stats.contrast_linear(fit, np.eye(len(fit.coef))).p_value()
    np.testing.assert_allclose(p_value, [e["p"] for e in expected], rtol=1e-5)
    spread = {row["grp"]: row["sdcor"] for row in case["reml"]["varcomp"]}
    names = ["replicate", "rr"] if name == "cake_two_levels" else ["rr"]
    np.testing.assert_allclose(
        np.atleast_1d(fit.group_sd), [spread[g] for g in names], atol=1e-6
    )
    assert fit.residual_sd == pytest.approx(spread["Residual"], abs=1e-6)
    assert fit.loglik == pytest.approx(case["reml"]["loglik"], abs=1e-8)
    assert fit.message == ""


@pytest.mark.parametrize("name", CASES)
def test_predicted_effects_match_other_program(name):
    case = CASES[name]
    fit = stats.fit_mixed_linear(*cake(case))
    labels = fit.groups[-1] if fit.groups[-1].ndim == 1 else fit.groups[-1][:, 1]
    found = dict(zip(labels, fit.group_effect[-1], strict=True))
    expected = case["blups_first_grouping"]["values"]
    assert found.keys() == expected.keys()
    for label, value in expected.items():
        assert found[label] == pytest.approx(value, abs=1e-5)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("df", KEY)
def test_f_tests_match_other_program(name, df):
    case = CASES[name]
    fit = stats.fit_mixed_linear(*cake(case), df)
    means = marginal_means(case)
    p = len(fit.coef)
    tests = {"recipe": means[1:] - means[0]}
    if p == 4:
        tests["t10"] = np.eye(4)[3:]
    else:
        tests["temperature"] = np.zeros((5, p))
        tests["temperature"][:, 3:8] = np.eye(5)
        for k in range(5):
            tests["temperature"][k, [8 + 2 * k, 9 + 2 * k]] = 1 / 3
        tests["recipe:temperature"] = np.eye(p)[8:]
    for term, rows in tests.items():
        expected = case[f"anova_{KEY[df]}_type3"][term]
        test = stats.joint_f_test(fit, rows)
        assert test.df_num == expected["NumDF"]
        assert test.df_den == pytest.approx(expected["DenDF"], abs=1e-3)
        assert test.statistic == pytest.approx(expected["F"], abs=1e-6)
        assert test.p_value == pytest.approx(expected["p"], rel=1e-4)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("df", KEY)
def test_marginal_means_and_all_pairs_match_other_program(name, df):
    case = CASES[name]
    fit = stats.fit_mixed_linear(*cake(case), df)
    means = marginal_means(case)
    found = stats.contrast_linear(fit, means)
    low, high = found.interval()
    for k, row in enumerate(case["emmeans"][df]["means"]):
        assert found.estimate[k] == pytest.approx(row["emmean"], abs=1e-5)
        assert found.std_error[k] == pytest.approx(row["se"], abs=1e-6)
        assert low[k] == pytest.approx(row["lower"], abs=1e-4)
        assert high[k] == pytest.approx(row["upper"], abs=1e-4)
    pairs = [means[a] - means[b] for a, b in combinations(range(3), 2)]
    found = stats.contrast_linear(fit, pairs)
    t = found.estimate / found.std_error
    value, adjusted = stats.simultaneous_t(found.covariance, found.df.min(), t)
    for k, row in enumerate(case["emmeans"][df]["pairs"]):
        assert found.estimate[k] == pytest.approx(row["estimate"], abs=1e-5)
        assert found.df[k] == pytest.approx(row["df"], abs=1e-2)
        assert adjusted[k] == pytest.approx(row["p_tukey"], abs=0.006)
        half = row["upper_tukey"] - row["estimate"]
        assert value * found.std_error[k] == pytest.approx(half, rel=0.006)


def test_published_dyestuff():
    # Bates, Maechler, Bolker & Walker, lme4 (documentation of the data set): REML
    # variances 1764.05 and 2451.25, mean 1527.50 (19.38), REML criterion 319.654.
    fit = one_way(DYESTUFF)
    assert fit.group_sd**2 == pytest.approx(1764.05, abs=5e-3)
    assert fit.residual_sd**2 == pytest.approx(2451.25, abs=5e-3)
    assert fit.coef[0] == pytest.approx(1527.50, abs=5e-3)
    assert fit.std_error[0] == pytest.approx(19.38, abs=5e-3)
    assert fit.reml_criterion == pytest.approx(319.654, abs=5e-4)
    # Davies & Goldsmith (1972), table 6.2: mean squares 11 271.5 (5 df) and 2451.25
    # (24 df); the mean rests on the batches.
    assert fit.df[0] == pytest.approx(5)
    assert fit.std_error[0] ** 2 * 30 == pytest.approx(11271.5)


@pytest.mark.parametrize(
    ("df", "expected"), [("kenward-roger", 5), ("satterthwaite", 29)]
)
def test_published_dyestuff2_has_no_spread_between_batches(df, expected):
    # Box & Tiao (1973), table 5.1.4, as fitted in the lme4 documentation: variance of
    # batches 0, residual 13.806, mean 5.6656. The degrees of freedom follow from
    # theory: 6 batches less one; 30 readings less one when batches are forgotten.
    fit = one_way(DYESTUFF2, df)
    assert fit.group_sd == 0.0
    assert fit.at_boundary
    assert fit.residual_sd**2 == pytest.approx(13.806, abs=5e-4)
    assert fit.coef[0] == pytest.approx(5.6656, abs=5e-5)
    assert fit.std_error[0] == pytest.approx(np.std(DYESTUFF2, ddof=1) / np.sqrt(30))
    assert fit.df[0] == pytest.approx(expected)
    assert fit.message == "The spread between groups is estimated as 0."


def test_published_cake_with_a_slope():
    # lme4 documentation of the data of Cochran & Cox (1957), p. 300: REML criterion
    # 1693.8, variances 41.80 and 20.71, slope 0.15803 (0.01622) a degree, recipes
    # -1.478 and -1.522 (2.456), intercept 1.516.
    y, X, batch = cake(CASES["cake_split_plot"])
    with (REFERENCE / "cake.csv").open(encoding="utf-8", newline="") as file:
        temp = [float(row["temp"]) for row in csv.DictReader(file)]
    fit = stats.fit_mixed_linear(y, np.column_stack([X[:, :3], temp]), batch)
    np.testing.assert_allclose(fit.coef, [1.516, -1.478, -1.522, 0.15803], atol=5e-4)
    assert fit.std_error[1] == pytest.approx(2.456, abs=5e-4)
    assert fit.std_error[3] == pytest.approx(0.01622, abs=5e-6)
    assert fit.group_sd**2 == pytest.approx(41.80, abs=5e-3)
    assert fit.residual_sd**2 == pytest.approx(20.71, abs=5e-3)
    assert fit.reml_criterion == pytest.approx(1693.8, abs=0.05)


def test_published_cake_strata():
    # Cochran & Cox (1957), Experimental Designs, p. 300, analysis as a split plot in
    # replicates: recipe 67.544 (2 df) against 42.802 (28 df), temperature 420.060
    # (5 df) and recipe by temperature 20.598 (10 df) against 20.471 (210 df). In a
    # balanced design REML gives the strata back.
    y, X, batch = cake(CASES["cake_split_plot"])
    replicate = [label.split(".")[0] for label in batch]
    fit = stats.fit_mixed_linear(y, X, np.column_stack([replicate, batch]))
    assert fit.residual_sd**2 == pytest.approx(20.471, abs=5e-4)
    recipe_error = 6 * fit.group_sd[1] ** 2 + fit.residual_sd**2
    assert recipe_error == pytest.approx(42.802, abs=5e-4)
    means = marginal_means(CASES["cake_split_plot"])
    recipe = stats.joint_f_test(fit, means[1:] - means[0])
    assert recipe.statistic == pytest.approx(67.544 / 42.802, abs=1e-4)
    assert recipe.df_den == pytest.approx(28)
    both = stats.joint_f_test(fit, np.eye(18)[8:])
    assert both.statistic == pytest.approx(20.598 / 20.471, abs=1e-4)
    assert both.df_den == pytest.approx(210)


@pytest.mark.parametrize("bakes", [2, 3, 4, 6])
@pytest.mark.parametrize("df", KEY)
def test_f_of_one_contrast_is_t_squared_and_of_several_the_anova(bakes, df):
    rng = np.random.default_rng(bakes)
    pit = np.repeat(np.arange(3), 4 * bakes)
    bake = np.repeat(np.arange(3 * bakes), 4)
    y = 350 + 5 * pit + rng.normal(0, 6, 3 * bakes)[bake] + rng.normal(size=len(bake))
    X = (pit[:, None] == np.arange(3)).astype(float)
    fit = stats.fit_mixed_linear(y, X, bake, df)
    one = stats.joint_f_test(fit, [[-1, 1, 0]])
    t = stats.contrast_linear(fit, [-1, 1, 0])
    assert one.df_den == pytest.approx(t.df[0])
    assert one.p_value == pytest.approx(t.p_value()[0])
    means = y.reshape(3, bakes, 4).mean(axis=2)
    several = stats.joint_f_test(fit, [[-1, 1, 0], [-1, 0, 1]])
    expected = distributions.f_oneway(*means)
    assert several.df_den == pytest.approx(3 * (bakes - 1))
    assert several.statistic == pytest.approx(expected.statistic)
    assert several.p_value == pytest.approx(expected.pvalue)


@pytest.mark.parametrize("df", KEY)
def test_balanced_one_way_is_the_analysis_of_variance(df):
    y = np.ravel(DYESTUFF).astype(float)
    pit = np.repeat([0.0, 1.0], 15)
    X = np.column_stack([np.ones(30), pit])
    fit = stats.fit_mixed_linear(y, X, SIXTIMES5, df)
    means = y.reshape(6, 5).mean(axis=1)
    t = distributions.ttest_ind(means[3:], means[:3])
    assert fit.coef[1] / fit.std_error[1] == pytest.approx(t.statistic, rel=1e-8)
    assert fit.df[1] == pytest.approx(4)
    assert stats.contrast_linear(fit, [0, 1]).p_value()[0] == pytest.approx(t.pvalue)
    low, high = stats.contrast_linear(fit, [0, 1]).interval(0.9)
    ends = t.confidence_interval(0.9)
    np.testing.assert_allclose([low[0], high[0]], [ends.low, ends.high], rtol=1e-7)


def unbalanced(rng, nested=False, spread=3.0):
    size = rng.integers(2, 9, 9)
    bake = np.repeat(np.arange(9), size)
    session = bake // 3
    pit = (bake % 2).astype(float)
    place = rng.uniform(0, 1, len(bake))
    y = 350 + 6 * pit - 9 * place + rng.normal(0, 2, len(bake))
    y = y + spread * rng.normal(size=9)[bake] + 6 * nested * rng.normal(size=3)[session]
    X = np.column_stack([np.ones(len(bake)), pit, place])
    return y, X, np.column_stack([session, bake]) if nested else bake


class Dense:
    """The same model with whole matrices, written from the papers' formulas."""

    def __init__(self, y, X, group):
        self.y, self.X = y, X
        levels = [group] if group.ndim == 1 else list(group.T)
        self.G = [np.eye(len(y))]
        self.G += [(lab[:, None] == lab[None, :]).astype(float) for lab in levels]

    def parts(self, variance):
        V = np.tensordot(variance, np.array(self.G), 1)
        inverse = np.linalg.inv(V)
        phi = np.linalg.inv(self.X.T @ inverse @ self.X)
        P = inverse - inverse @ self.X @ phi @ self.X.T @ inverse
        return V, inverse, phi, P

    def criterion(self, variance):
        V, _, phi, P = self.parts(variance)
        n_free = len(self.y) - self.X.shape[1]
        return (
            n_free * np.log(2 * np.pi)
            + np.linalg.slogdet(V)[1]
            - np.linalg.slogdet(phi)[1]
            + self.y @ P @ self.y
        )

    def fit(self):
        start = np.log(np.full(len(self.G), self.y.var() / len(self.G)))
        options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000, "maxfev": 4000}
        top = optimize.minimize(
            lambda z: self.criterion(np.exp(z)),
            start,
            method="Nelder-Mead",
            options=options,
        )
        return np.exp(top.x)

    def kenward_roger(self, variance):
        _, inverse, phi, P = self.parts(variance)
        k = range(len(self.G))
        information = np.array(
            [[np.trace(P @ self.G[a] @ P @ self.G[b]) for b in k] for a in k]
        )
        W = 2 * np.linalg.inv(information)
        p = [-self.X.T @ inverse @ g @ inverse @ self.X for g in self.G]
        U = np.zeros_like(phi)
        for a in k:
            for b in k:
                left = self.X.T @ inverse @ self.G[a] @ inverse
                Q = left @ self.G[b] @ inverse @ self.X
                U += W[a, b] * (Q - p[a] @ phi @ p[b])
        slopes = np.array([phi @ m @ phi for m in p])
        gradient = np.einsum("kii->ik", slopes)
        df = 2 * np.diag(phi) ** 2 / np.einsum("ik,kl,il->i", gradient, W, gradient)
        return phi + 2 * phi @ U @ phi, df

    def satterthwaite(self, variance):
        _, _, phi, P = self.parts(variance)
        k = range(len(self.G))
        hessian = np.empty((len(self.G),) * 2)
        for a in k:
            for b in k:
                PGPG = P @ self.G[a] @ P @ self.G[b]
                hessian[a, b] = -np.trace(PGPG) + 2 * self.y @ PGPG @ P @ self.y
        W = 2 * np.linalg.inv(hessian)
        gradient = np.empty((len(phi), len(self.G)))
        for a in k:
            step = 1e-5 * variance[a] * np.eye(len(self.G))[a]
            up, down = (self.parts(variance + s)[2] for s in (step, -step))
            gradient[:, a] = np.diag(up - down) / (2 * step[a])
        return 2 * np.diag(phi) ** 2 / np.einsum("ik,kl,il->i", gradient, W, gradient)


@pytest.mark.parametrize(("seed", "nested"), [(12, False), (4, True)])
def test_whole_matrices_give_the_same(nested, seed):
    y, X, group = unbalanced(np.random.default_rng(seed), nested)
    dense = Dense(y, X, group)
    fit = stats.fit_mixed_linear(y, X, group)
    variance = fit.uncertainty.variance
    assert (variance > 0).all()
    np.testing.assert_allclose(dense.fit(), variance, rtol=2e-4)
    assert fit.reml_criterion == pytest.approx(dense.criterion(variance), abs=1e-8)
    vcov, df = dense.kenward_roger(variance)
    np.testing.assert_allclose(fit.vcov, vcov, rtol=1e-7)
    np.testing.assert_allclose(fit.df, df, rtol=1e-7)
    plain = stats.fit_mixed_linear(y, X, group, "satterthwaite")
    np.testing.assert_allclose(plain.vcov, dense.parts(variance)[2], rtol=1e-7)
    np.testing.assert_allclose(plain.df, dense.satterthwaite(variance), rtol=1e-4)


@pytest.mark.parametrize("ratio", [(0.0, 0.0), (0.7, 0.0), (0.0, 2.0), (0.7, 2.0)])
def test_block_sums_against_whole_matrices(ratio):
    _, X, group = unbalanced(np.random.default_rng(3), nested=True)
    groups, _ = find_groups(group)
    block = Covariance(groups, np.array(ratio))
    G = Dense(X[:, 0], X, group).G
    V = G[0] + ratio[0] * G[1] + ratio[1] * G[2]
    inverse = np.linalg.inv(V)
    assert block.log_det() == pytest.approx(np.linalg.slogdet(V)[1])
    np.testing.assert_allclose(
        block.traces(), [np.trace(inverse @ g) for g in G], rtol=1e-10
    )
    pairs = [[np.trace(inverse @ a @ inverse @ b) for b in G] for a in G]
    np.testing.assert_allclose(block.pair_traces(), pairs, rtol=1e-10)


@pytest.mark.parametrize("df", KEY)
@pytest.mark.parametrize("nested", [False, True])
def test_shift_scale_order_and_labels_do_not_matter(df, nested):
    rng = np.random.default_rng(8)
    y, X, group = unbalanced(rng, nested)
    fit = stats.fit_mixed_linear(y, X, group, df)
    # From degrees F to degrees C: the level shifts, a difference does not.
    other = stats.fit_mixed_linear((y - 32) / 1.8, X, group, df)
    np.testing.assert_allclose(other.coef[1:], fit.coef[1:] / 1.8, rtol=1e-8)
    assert other.coef[0] == pytest.approx((fit.coef[0] - 32) / 1.8)
    np.testing.assert_allclose(other.std_error, fit.std_error / 1.8, rtol=1e-7)
    np.testing.assert_allclose(other.df, fit.df, rtol=1e-6)
    order = rng.permutation(len(y))
    names = np.char.add("bake ", group.astype(str))
    mixed = stats.fit_mixed_linear(y[order], X[order], names[order], df)
    np.testing.assert_allclose(mixed.coef, fit.coef, rtol=1e-9)
    np.testing.assert_allclose(mixed.std_error, fit.std_error, rtol=1e-7)
    np.testing.assert_allclose(mixed.df, fit.df, rtol=1e-6)


def test_satterthwaite_at_the_boundary_is_least_squares():
    y, X, group = unbalanced(np.random.default_rng(1), spread=0.0)
    y = y - np.array([y[group == g].mean() for g in range(9)])[group] + 350
    fit = stats.fit_mixed_linear(y, X, group, "satterthwaite")
    assert fit.group_sd == 0
    coef, squares, *_ = np.linalg.lstsq(X, y)
    sigma2 = squares[0] / (len(y) - 3)
    np.testing.assert_allclose(fit.coef, coef, rtol=1e-9)
    errors = np.sqrt(sigma2 * np.diag(np.linalg.inv(X.T @ X)))
    np.testing.assert_allclose(fit.std_error, errors, rtol=1e-9)
    np.testing.assert_allclose(fit.df, len(y) - 3)
    assert fit.residual_sd == pytest.approx(np.sqrt(sigma2))
    honest = stats.fit_mixed_linear(y, X, group)
    assert (honest.std_error >= fit.std_error - 1e-12).all()
    assert honest.df[1] < 12


def test_one_bake_per_pit_tells_about_places_but_not_about_pits():
    rng = np.random.default_rng(2)
    pit = np.repeat([0.0, 1.0], 12)
    place = np.tile(np.linspace(0, 1, 12), 2)
    y = 350 + 8 * pit - 20 * place + rng.normal(0, 2, 24)
    X = np.column_stack([np.ones(24), pit, place])
    for df in KEY:
        fit = stats.fit_mixed_linear(y, X, pit, df)
        assert np.isnan(fit.group_sd)
        assert np.isnan(fit.std_error[:2]).all()
        assert np.isnan(fit.df[:2]).all()
        coef, squares, *_ = np.linalg.lstsq(X, y)
        np.testing.assert_allclose(fit.coef, coef, rtol=1e-9)
        error = np.sqrt(squares[0] / 21 * np.linalg.inv(X.T @ X)[2, 2])
        assert fit.std_error[2] == pytest.approx(error)
        assert fit.df[2] == pytest.approx(21)
        assert "the columns of x take up all differences" in fit.message.lower()
        test = stats.joint_f_test(fit, [[0, 1, 0]])
        assert np.isnan(test.p_value)
        assert np.isnan(stats.spread_interval(fit, [0, 1])[1])
        assert stats.spread_interval(fit, [1, 0])[2] == pytest.approx(21)


def test_one_group():
    y = np.array([351.0, 349, 352, 356])
    fit = stats.fit_mixed_linear(y, np.ones(4), np.zeros(4))
    assert fit.coef[0] == pytest.approx(352)
    assert np.isnan(fit.std_error[0])
    assert np.isnan(fit.group_sd)
    assert fit.residual_sd == pytest.approx(y.std(ddof=1))


@pytest.mark.parametrize("df", KEY)
def test_one_reading_per_group_is_a_plain_mean(df):
    y = np.array([351.0, 349, 352, 356, 360])
    fit = stats.fit_mixed_linear(y, np.ones(5), np.arange(5), df)
    assert fit.std_error[0] == pytest.approx(y.std(ddof=1) / np.sqrt(5))
    assert fit.df[0] == pytest.approx(4)
    assert np.isnan(fit.group_sd)
    assert fit.residual_sd == pytest.approx(y.std(ddof=1))
    assert "estimated as one" in fit.message


def test_inner_level_that_adds_nothing_is_left_out():
    y = np.ravel(DYESTUFF).astype(float)
    one = one_way(DYESTUFF)
    for inner in (np.zeros(30), np.arange(30)):
        group = np.column_stack([SIXTIMES5, inner])
        fit = stats.fit_mixed_linear(y, np.ones(30), group)
        assert fit.group_sd[0] == pytest.approx(one.group_sd)
        assert np.isnan(fit.group_sd[1])
        np.testing.assert_allclose(fit.std_error, one.std_error)
        np.testing.assert_allclose(fit.df, one.df)


@pytest.mark.parametrize("df", KEY)
def test_readings_that_agree_within_groups_leave_the_groups(df):
    level = np.array([350.0, 356, 349, 361])
    y = np.repeat(level, [3, 4, 2, 5])
    group = np.repeat(np.arange(4), [3, 4, 2, 5])
    fit = stats.fit_mixed_linear(y, np.ones(14), group, df)
    assert fit.coef[0] == pytest.approx(level.mean(), rel=1e-9)
    assert fit.std_error[0] == pytest.approx(level.std(ddof=1) / 2, rel=1e-6)
    assert fit.df[0] == pytest.approx(3, abs=1e-6)
    assert fit.group_sd == pytest.approx(level.std(ddof=1), rel=1e-6)
    assert fit.residual_sd == 0
    assert "readings of a group agree" in fit.message


def test_nearly_agreeing_readings_come_near_that():
    rng = np.random.default_rng(6)
    level = np.array([350.0, 356, 349, 361])
    group = np.repeat(np.arange(4), 5)
    y = level[group] + rng.normal(0, 1e-5, 20)
    fit = stats.fit_mixed_linear(y, np.ones(20), group)
    assert fit.group_sd == pytest.approx(level.std(ddof=1), rel=1e-5)
    assert fit.residual_sd == pytest.approx(1e-5, rel=0.5)
    assert fit.df[0] == pytest.approx(3, abs=1e-6)


def test_constant_readings_and_as_many_columns_as_readings():
    fit = stats.fit_mixed_linear(np.full(8, 350.0), np.ones(8), np.repeat([0, 1], 4))
    assert fit.coef[0] == pytest.approx(350)
    assert fit.group_sd == 0
    assert fit.residual_sd == 0
    assert np.isnan(fit.std_error[0])
    assert "stuck probe" in fit.message
    fit = stats.fit_mixed_linear([350.0, 361], [[1, 0], [1, 1]], [0, 1])
    np.testing.assert_allclose(fit.coef, [350, 11])
    assert np.isnan(fit.residual_sd)
    assert np.isnan(fit.df).all()
    assert "as many columns as readings" in fit.message
    single = stats.fit_mixed_linear([350.0], [1.0], [0])
    assert single.coef[0] == 350
    assert np.isnan(stats.joint_f_test(single, [1.0]).p_value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"y": []}, "at least one"),
        ({"y": [350, np.nan, 351, 352]}, "must not have gaps"),
        ({"X": np.ones(3)}, "one row of X per entry"),
        ({"X": np.ones((4, 2)), "names": ["pit A", "far"]}, "columns pit A, far of X"),
        ({"X": np.eye(4, 5) + 1}, "determine each other"),
        ({"group": [0, 1]}, "one group per reading"),
        ({"group": np.zeros((4, 3))}, "one group per reading"),
        ({"group": [0, 1, np.nan, 1]}, "group must not have gaps"),
        ({"df": "z"}, 'must be "kenward-roger" or "satterthwaite"'),
    ],
)
def test_unusable_data_are_refused_in_words(change, message):
    data = {"y": [350.0, 353, 351, 352], "X": np.ones(4), "group": [0, 0, 1, 1]}
    with pytest.raises(ValueError, match=message):
        stats.fit_mixed_linear(**(data | change))


def test_contrasts_are_checked():
    fit = one_way(DYESTUFF)
    with pytest.raises(ValueError, match="one column per coefficient"):
        stats.contrast_linear(fit, [1, 2])
    with pytest.raises(ValueError, match="follows from the others"):
        stats.joint_f_test(fit, [[1], [1]])
    with pytest.raises(ValueError, match="one weight"):
        stats.spread_interval(fit, [1])
    with pytest.raises(ValueError, match="conf_level"):
        stats.contrast_linear(fit, [1]).interval(95)


def test_spread_of_group_means_is_exact_in_a_balanced_layout():
    # Mean square between batches over 5 readings, chi-square on 5 df.
    means = np.mean(DYESTUFF, axis=1)
    (low, high), sd, df = stats.spread_interval(one_way(DYESTUFF), [1 / 5, 1])
    assert sd == pytest.approx(means.std(ddof=1))
    assert df == pytest.approx(5)
    chi = distributions.chi2(5)
    assert low == pytest.approx(np.sqrt(5 * means.var(ddof=1) / chi.ppf(0.975)))
    assert high == pytest.approx(np.sqrt(5 * means.var(ddof=1) / chi.ppf(0.025)))


@pytest.mark.parametrize(("pits", "df"), [(2, 4), (3, 12), (4, 3), (6, 30)])
def test_simultaneous_value_is_tukeys_in_a_balanced_layout(pits, df):
    pairs = [np.eye(pits)[a] - np.eye(pits)[b] for a, b in combinations(range(pits), 2)]
    covariance = np.array(pairs) @ np.array(pairs).T
    t = np.full(len(pairs), 2.5)
    value, p = stats.simultaneous_t(covariance, df, t)
    expected = distributions.studentized_range.ppf(0.95, pits, df) / np.sqrt(2)
    assert value == pytest.approx(expected, rel=0.01)
    exact = distributions.studentized_range.sf(2.5 * np.sqrt(2), pits, df)
    np.testing.assert_allclose(p, exact, atol=0.004)
    assert value >= distributions.t.ppf(0.975, df)


@pytest.mark.parametrize("correlation", [0.5, 0.98, 0.999])
def test_statistics_that_are_nearly_one_are_still_two(correlation):
    shape = np.array([[1.0, correlation], [correlation, 1.0]])
    value, _ = stats.simultaneous_t(shape, 12, np.ones(2))
    both = distributions.multivariate_t(shape=shape, df=12)
    inside = both.cdf([value, value], lower_limit=[-value, -value])
    assert inside == pytest.approx(0.95, abs=0.002)
    assert value > distributions.t.ppf(0.975, 12) + 0.01


def test_simultaneous_p_value_goes_with_the_interval():
    covariance = np.array([[2.0, 1, -1], [1, 2, 1], [-1, 1, 2]])
    value, _ = stats.simultaneous_t(covariance, 5, np.ones(3))
    for t, below in ((value + 1e-9, True), (value - 1e-9, False)):
        _, p = stats.simultaneous_t(covariance, 5, np.full(3, t))
        assert ((p < 0.05) == below).all()
    with pytest.raises(ValueError, match="one row and one column"):
        stats.simultaneous_t(covariance, 5, np.ones(2))
    with pytest.raises(ValueError, match="above 0"):
        stats.simultaneous_t(np.zeros((2, 2)), 5, np.ones(2))


def covered(rng, n_sets, bakes, spread):
    """Share of intervals that hold the difference between two pits, and SD ratio."""
    hits = {df: 0 for df in KEY}
    variance = []
    for _ in range(n_sets):
        size = rng.integers(3, 13, 2 * bakes)
        bake = np.repeat(np.arange(2 * bakes), size)
        pit = (bake % 2).astype(float)
        place = rng.uniform(0, 1, len(bake))
        y = 350 + 6 * pit - 9 * place + rng.normal(0, 4, len(bake))
        y = y + spread * rng.normal(size=2 * bakes)[bake]
        X = np.column_stack([np.ones(len(bake)), pit, place])
        for df in KEY:
            fit = stats.fit_mixed_linear(y, X, bake, df)
            low, high = stats.contrast_linear(fit, [0, 1, 0]).interval()
            hits[df] += low[0] <= 6 <= high[0]
        variance.append(fit.group_sd**2)
    return {df: n / n_sets for df, n in hits.items()}, np.mean(variance)


@pytest.mark.slow
@pytest.mark.parametrize("bakes", [2, 3, 5])
@pytest.mark.parametrize("spread", [0.0, 2.0, 8.0])
def test_t_intervals_cover(bakes, spread):
    rng = np.random.default_rng(bakes)
    n_sets = 1500
    share, variance = covered(rng, n_sets, bakes, spread)
    print(f"{bakes} bakes a pit, SD {spread}: {share}")
    error = 3 * np.sqrt(0.05 * 0.95 / n_sets)
    # Kenward-Roger holds its level; it is careful where bakes do not differ.
    assert share["kenward-roger"] > 0.95 - error
    if spread == 8.0:
        assert share["kenward-roger"] < 0.95 + error
        assert variance == pytest.approx(64, rel=0.15)


def test_recovery_from_simulation():
    rng = np.random.default_rng(10)
    share, variance = covered(rng, 60, 4, 8.0)
    assert share["kenward-roger"] > 0.95 - 3 * np.sqrt(0.05 * 0.95 / 60)
    # Variance of 8 bakes of SD 8: relative error of the mean of 60 about 7 %.
    assert variance == pytest.approx(64, rel=0.25)


def test_the_last_bit_of_a_covariance_does_not_move_all_pairs():
    """All pairs of equally well known means, whose axes are of equal strength."""
    pairs = np.array(
        [np.eye(4)[a] - np.eye(4)[b] for a, b in combinations(range(4), 2)]
    )
    exact = pairs @ pairs.T
    t = [3.0, 1.0, 2.668, 2.0, 0.5, 2.5]
    value, p = stats.simultaneous_t(exact, 12, t)
    bits = np.random.default_rng(1).integers(-1, 2, exact.shape)
    again, p_again = stats.simultaneous_t(
        exact + np.spacing(1) * (bits + bits.T), 12, t
    )
    assert again == pytest.approx(value, abs=1e-9)
    assert p_again == pytest.approx(p, abs=1e-9)
