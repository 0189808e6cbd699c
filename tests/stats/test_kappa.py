"""Kappa: published values, another program, theory, recovery."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pitstats import stats

COHEN = [[88, 14, 18], [10, 40, 10], [2, 6, 12]]
FLEISS_TWO = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]
PRINTED = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]

# Fleiss (1971), Psychological Bulletin 76:378-382, table 1: 30 subjects, 6 raters,
# 5 diagnoses; one line per subject, how often each diagnosis was given.
FLEISS_MANY = """
00060 03003 01401 00006 03030 20400 00402 20310 20040 00006
10050 11040 03300 10050 02031 00501 30012 51000 02040 10203
00006 01050 02013 20040 10041 05010 40002 02040 10500 00006
"""
# 10 subjects, 14 raters, 5 categories; widely reprinted, and in statsmodels' tests.
REPRINTED = [
    [0, 0, 0, 0, 14],
    [0, 2, 6, 4, 2],
    [0, 0, 3, 5, 6],
    [0, 3, 9, 2, 0],
    [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0],
    [3, 2, 6, 3, 0],
    [2, 5, 3, 2, 2],
    [6, 5, 2, 1, 0],
    [0, 2, 2, 3, 7],
]


def fleiss_table() -> np.ndarray:
    return np.array([[int(digit) for digit in row] for row in FLEISS_MANY.split()])


# --- published values -----------------------------------------------------------------


def test_cohens_own_table() -> None:
    # Cohen (1960), Educ Psychol Meas 20:37-46; the table as printed in Cohen (1968):
    # kappa 0.492. Checked by recomputing, 0.4915.
    assert_allclose(stats.cohen_kappa(COHEN).estimate, 0.4915, atol=5e-5)


def test_cohens_weighted_table() -> None:
    # Cohen (1968), Psychol Bull 70:213-220: weighted kappa 0.348 with these weights of
    # disagreement. Checked by recomputing, 0.3478.
    found = stats.cohen_kappa(COHEN, weights=[[0, 1, 3], [1, 0, 6], [3, 6, 0]])
    assert_allclose(found.estimate, 0.3478, atol=5e-5)


def test_linear_and_quadratic_weights_of_cohens_table() -> None:
    # Computed from the definitions, no publication: 0.4737 and 0.4545.
    found = [
        stats.cohen_kappa(COHEN, weights=w).estimate for w in ("linear", "quadratic")
    ]
    assert_allclose(found, [0.4737, 0.4545], atol=5e-5)


def test_fleiss_chapter_13() -> None:
    # Fleiss (1981), Statistical Methods for Rates and Proportions, 2nd ed., ch. 13:
    # kappa 0.68, standard error against chance 0.076; recomputed 0.67647, 0.07619,
    # z 8.879 (printed 8.95 from the rounded 0.68 / 0.076), and 0.08770 under the
    # alternative (computed, not printed).
    found = stats.cohen_kappa(FLEISS_TWO)
    assert_allclose(found.estimate, 0.67647, atol=5e-6)
    assert_allclose(found.std_error_null, 0.07619, atol=5e-6)
    assert_allclose(found.z_value, 8.879, atol=5e-4)
    assert_allclose(found.std_error, 0.08770, atol=5e-6)


def test_output_printed_by_a_commercial_package() -> None:
    # Printed output carried in the tests of statsmodels (test_inter_rater.py), exact:
    # kappa 0.4842, ASE 0.1380, interval 0.2137 to 0.7547, ASE under chance 0.1484,
    # z 3.2626; with scores 0, 1, 2: 0.4701 (0.1457), 0.1845 to 0.7558, z 3.2971.
    found = stats.cohen_kappa(PRINTED)
    values = [found.estimate, found.std_error, found.low, found.high]
    assert_allclose(values, [0.4842, 0.1380, 0.2137, 0.7547], atol=5e-5)
    assert_allclose([found.std_error_null, found.z_value], [0.1484, 3.2626], atol=5e-5)
    found = stats.cohen_kappa(PRINTED, weights=[0, 1, 2])
    values = [found.estimate, found.std_error, found.low, found.high, found.z_value]
    assert_allclose(values, [0.4701, 0.1457, 0.1845, 0.7558, 3.2971], atol=5e-5)


def test_fleiss_thirty_patients() -> None:
    # Fleiss (1971), Psychol Bull 76:378-382: kappa 0.430, mean agreement 0.556, shares
    # of the diagnoses 0.144, 0.144, 0.167, 0.306, 0.239; recomputed 0.43024, 0.5556.
    found = stats.fleiss_kappa(fleiss_table())
    assert_allclose(found.estimate, 0.43024, atol=5e-6)
    assert_allclose(found.observed, 0.5556, atol=5e-5)
    shares = found.table.sum(axis=0) / found.table.sum()
    assert_allclose(shares, [0.144, 0.144, 0.167, 0.306, 0.239], atol=5e-4)


def test_fleiss_thirty_patients_against_chance() -> None:
    # R's irr 0.84.1 prints z = 17.7 for these diagnoses (kappam.fleiss), by the formula
    # of Fleiss, Nee & Landis (1979), Psychol Bull 86:974-977.
    assert_allclose(stats.fleiss_kappa(fleiss_table()).z_value, 17.7, atol=0.05)


def test_fourteen_raters() -> None:
    # Widely reprinted example, value in the tests of statsmodels: 0.210 (0.2099).
    assert_allclose(stats.fleiss_kappa(REPRINTED).estimate, 0.2099, atol=5e-5)


# --- another program ------------------------------------------------------------------


@pytest.mark.parametrize("weights", [None, "linear", "quadratic", "own"])
def test_statsmodels_agrees_on_random_tables(
    rng: np.random.Generator, weights: str | None
) -> None:
    from statsmodels.stats.inter_rater import cohens_kappa

    for size in (2, 3, 5):
        table = rng.integers(0, 12, size=(size, size)) + 10 * np.eye(size, dtype=int)
        scores = np.cumsum(rng.uniform(0.5, 2, size))
        own = np.abs(np.subtract.outer(scores, scores))
        chosen = own if weights == "own" else weights
        if weights == "own":
            other = cohens_kappa(table, weights=own)
        else:
            other = cohens_kappa(table, wt=weights)
        found = stats.cohen_kappa(table, weights=chosen)
        values = (found.estimate, found.std_error, found.std_error_null)
        theirs = (other.kappa, other.std_kappa, other.std_kappa0)
        # The same formulas: only rounding may differ.
        assert_allclose(values, theirs, rtol=1e-10)


def test_statsmodels_agrees_on_fleiss(rng: np.random.Generator) -> None:
    from statsmodels.stats.inter_rater import fleiss_kappa

    for _ in range(5):
        table = rng.multinomial(4, [0.2, 0.3, 0.5], size=25)
        found = stats.fleiss_kappa(table).estimate
        assert_allclose(found, fleiss_kappa(table), rtol=1e-12)


# --- theory ---------------------------------------------------------------------------


def test_the_error_against_chance_is_the_scatter_of_kappa_among_guessers(
    rng: np.random.Generator,
) -> None:
    # Lopsided shares: there the cubic term of the formula matters.
    tables = rng.multinomial(3, [0.85, 0.1, 0.05], size=(600, 80))
    found = [stats.fleiss_kappa(table) for table in tables]
    scatter = np.std([one.estimate for one in found])
    # 600 values know their SD to 3 %; the shares are estimated, too.
    claimed = np.mean([one.std_error_null for one in found])
    assert_allclose(claimed, scatter, rtol=0.12)


def gradings(rng: np.random.Generator, n: int, same: float) -> tuple:
    """Two graders who agree on purpose with probability ``same``, else guess."""
    margin = [0.1, 0.3, 0.4, 0.2]
    first = rng.choice(4, size=n, p=margin)
    guess = rng.choice(4, size=n, p=margin)
    return first, np.where(rng.random(n) < same, first, guess)


@pytest.mark.parametrize("weights", [None, "linear", "quadratic"])
def test_order_of_graders_and_direction_of_the_scale_do_not_matter(
    rng: np.random.Generator, weights: str | None
) -> None:
    first, second = gradings(rng, 80, 0.5)
    scale = range(4)
    found = stats.cohen_kappa(first, second, weights=weights, categories=scale)
    swapped = stats.cohen_kappa(second, first, weights=weights, categories=scale)
    turned = stats.cohen_kappa(3 - first, 3 - second, weights=weights, categories=scale)
    for other in (swapped, turned):
        assert_allclose(other.estimate, found.estimate, rtol=1e-12)
        assert_allclose(other.std_error, found.std_error, rtol=1e-10)


def test_names_of_categories_do_not_matter_without_weights(
    rng: np.random.Generator,
) -> None:
    first, second = gradings(rng, 60, 0.4)
    names = np.array(["dark", "burned", "raw", "golden"])
    found = stats.cohen_kappa(names[first], names[second])
    assert_allclose(found.estimate, stats.cohen_kappa(first, second).estimate)
    assert found.categories == ("burned", "dark", "golden", "raw")


def test_table_and_items_say_the_same(rng: np.random.Generator) -> None:
    first, second = gradings(rng, 60, 0.4)
    by_item = stats.cohen_kappa(first, second, categories=range(4))
    by_table = stats.cohen_kappa(by_item.table)
    assert by_item.estimate == by_table.estimate
    assert by_item.low == by_table.low
    assert by_item.n_items == by_table.n_items == 60


def test_exact_independence_is_zero() -> None:
    table = 5 * np.outer([1, 2, 4], [2, 1, 3])
    for weights in (None, "linear", "quadratic"):
        assert_allclose(
            stats.cohen_kappa(table, weights=weights).estimate, 0, atol=1e-12
        )


def test_two_categories_make_all_weights_alike() -> None:
    table = [[20, 5], [3, 12]]
    values = [
        stats.cohen_kappa(table, weights=weights).estimate
        for weights in (None, "linear", "quadratic", [0, 7])
    ]
    assert_allclose(values, values[0])


def test_quadratic_kappa_is_an_intraclass_correlation(rng: np.random.Generator) -> None:
    # Fleiss & Cohen (1973), Educ Psychol Meas 33:613-619: with squared weights kappa is
    # twice the covariance over the summed variances and the squared difference of
    # the means.
    first, second = gradings(rng, 100, 0.6)
    found = stats.cohen_kappa(first, second, weights="quadratic", categories=range(4))
    covariance = np.cov(first, second, bias=True)
    shift = (first.mean() - second.mean()) ** 2
    expected = 2 * covariance[0, 1] / (covariance[0, 0] + covariance[1, 1] + shift)
    assert_allclose(found.estimate, expected)


def test_full_agreement_keeps_a_width() -> None:
    found = stats.cohen_kappa([[10, 0], [0, 10]])
    assert (found.estimate, found.high, found.interval) == (1.0, 1.0, "bound")
    # Clopper-Pearson upper limit of 0 in 20, over the disagreement expected by chance.
    assert_allclose(found.low, 1 - (1 - 0.025 ** (1 / 20)) / 0.5)
    assert "20 items" in found.note
    assert stats.cohen_kappa([[100, 0], [0, 100]]).low > found.low


@pytest.mark.parametrize("table", [[[7, 0], [0, 0]], [[7]], [[0, 0], [0, 0]]])
def test_what_is_not_defined_is_nan_with_a_reason(table: list) -> None:
    for weights in (None, "linear"):
        found = stats.cohen_kappa(table, weights=weights)
        assert np.isnan(found.estimate)
        assert np.isnan(found.low)
        assert found.interval == "none"
        assert found.note


@pytest.mark.parametrize("table", [[[6, 0], [4, 0]], [[6, 4], [0, 0]]])
def test_a_grader_who_knows_one_grade_only_gives_0_without_an_interval(
    table: list,
) -> None:
    # Observed and expected agreement are then the same, whatever the other one says.
    found = stats.cohen_kappa(table)
    assert found.estimate == 0.0
    assert np.isnan(found.low)
    assert "one category" in found.note


def test_jackknife_over_clusters_of_one_is_near_the_large_sample_error(
    rng: np.random.Generator,
) -> None:
    first, second = gradings(rng, 400, 0.6)
    plain = stats.cohen_kappa(first, second)
    alone = stats.cohen_kappa(first, second, cluster=np.arange(400))
    assert alone.interval == "jackknife over clusters"
    # Both are consistent for the same error; 5 % is far inside what 400 items give.
    assert_allclose(alone.std_error, plain.std_error, rtol=0.05)


def test_copies_within_clusters_widen_the_interval(rng: np.random.Generator) -> None:
    first, second = gradings(rng, 12, 0.5)
    bake = np.repeat(np.arange(12), 6)
    one, two = np.repeat(first, 6), np.repeat(second, 6)
    plain = stats.cohen_kappa(one, two)
    shared = stats.cohen_kappa(one, two, cluster=bake)
    # Six copies of an item tell no more than one: sqrt(6) times the error.
    assert shared.std_error > 2 * plain.std_error
    assert shared.n_clusters == 12


def test_two_clusters_fall_back_and_say_so(rng: np.random.Generator) -> None:
    first, second = gradings(rng, 40, 0.5)
    found = stats.cohen_kappa(first, second, cluster=np.repeat(["a", "b"], 20))
    assert found.interval == "large sample"
    assert "2 clusters" in found.note


def test_fleiss_of_two_gradings_pools_the_margins() -> None:
    # With two raters Fleiss' kappa is Scott's pi: margins averaged over raters.
    table = np.array([[20, 5], [3, 12]])
    counts = [[2, 0]] * 20 + [[1, 1]] * 8 + [[0, 2]] * 12
    pooled = (table.sum(axis=0) + table.sum(axis=1)) / 80
    expected = (pooled**2).sum()
    found = stats.fleiss_kappa(counts)
    assert_allclose(found.estimate, (32 / 40 - expected) / (1 - expected))
    assert found.interval == "jackknife over items"
    assert found.low < found.estimate < found.high


def test_fleiss_edges() -> None:
    assert np.isnan(stats.fleiss_kappa([[3, 0], [3, 0]]).estimate)
    full = stats.fleiss_kappa([[3, 0], [0, 3], [3, 0]])
    assert (full.estimate, full.interval) == (1.0, "bound")
    uneven = stats.fleiss_kappa([[3, 0], [1, 1], [0, 2], [2, 0]])
    assert np.isfinite(uneven.estimate)
    assert np.isnan(uneven.z_value)
    assert np.isnan(stats.fleiss_kappa(np.zeros((0, 3))).estimate)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stats.cohen_kappa([[1, 2, 3]]), "as many rows as columns"),
        (lambda: stats.cohen_kappa([[1, -2], [0, 1]]), "-2"),
        (lambda: stats.cohen_kappa([1, 2], [1]), "one entry per item"),
        (lambda: stats.cohen_kappa([1, np.nan], [1, 2]), "missing"),
        (lambda: stats.cohen_kappa(["a"], ["b"], weights="linear"), "categories"),
        (lambda: stats.cohen_kappa(["a"], ["b"], categories=["a"]), "'b'"),
        (lambda: stats.cohen_kappa(COHEN, weights="cubic"), "'cubic'"),
        (lambda: stats.cohen_kappa(COHEN, weights=np.eye(3)), "subtracted"),
        (lambda: stats.cohen_kappa(COHEN, weights=[0, 1]), "shape"),
        (lambda: stats.cohen_kappa(COHEN, weights=np.zeros((3, 3))), "all weights"),
        (lambda: stats.cohen_kappa(COHEN, cluster=[1]), "item by item"),
        (lambda: stats.cohen_kappa([1, 2], [1, 2], cluster=[1]), "2 items"),
        (lambda: stats.cohen_kappa(COHEN, conf_level=95), "between 0 and 1"),
        (lambda: stats.fleiss_kappa([[1, 0], [2, 0]]), "two or more"),
        (lambda: stats.fleiss_kappa([[2, 0]], categories=["a"]), "columns"),
    ],
)
def test_errors_say_what_to_change(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


# --- recovery -------------------------------------------------------------------------


def test_the_true_kappa_is_recovered() -> None:
    # Agreement on purpose with probability k, else guesses from one margin: kappa is k
    # for any weights.
    rng = np.random.default_rng(5)
    first, second = gradings(rng, 60_000, 0.55)
    for weights in (None, "linear", "quadratic"):
        found = stats.cohen_kappa(first, second, weights=weights, categories=range(4))
        assert abs(found.estimate - 0.55) < 4 * found.std_error
        assert found.std_error < 0.005


@pytest.mark.slow
@pytest.mark.parametrize("weights", [None, "linear"])
def test_large_sample_interval_covers(weights: str | None) -> None:
    rng = np.random.default_rng(6)
    hits = []
    for _ in range(2000):
        found = stats.cohen_kappa(
            *gradings(rng, 60, 0.6), weights=weights, categories=range(4)
        )
        hits.append(found.low <= 0.6 <= found.high)
    # Simulation error of the share is 0.005.
    assert np.mean(hits) > 0.925


@pytest.mark.slow
@pytest.mark.parametrize(("bakes", "lowest"), [(6, 0.90), (12, 0.92)])
def test_jackknife_covers_when_bakes_differ(bakes: int, lowest: float) -> None:
    """Every bake has a share of clear items of its own, so agreement differs."""
    rng = np.random.default_rng(7)
    bake = np.repeat(np.arange(bakes), 6)
    shared, plain = [], []
    for _ in range(1500):
        same = rng.beta(1.2, 0.8, size=bakes)[bake]
        margin = [0.1, 0.3, 0.4, 0.2]
        first = rng.choice(4, size=bake.size, p=margin)
        guess = rng.choice(4, size=bake.size, p=margin)
        second = np.where(rng.random(bake.size) < same, first, guess)
        a = stats.cohen_kappa(first, second, cluster=bake, categories=range(4))
        b = stats.cohen_kappa(first, second, categories=range(4))
        shared.append(a.low <= 0.6 <= a.high)
        plain.append(b.low <= 0.6 <= b.high)
    assert np.mean(shared) > lowest
    assert np.mean(shared) > np.mean(plain)
