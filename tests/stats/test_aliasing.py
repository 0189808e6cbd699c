"""Aliasing of columns: published values, another program, theory, simulation."""

from itertools import combinations
from time import perf_counter

import numpy as np
import pytest

from pitstats.stats import contrast_aliasing, span_overlap
from pitstats.stats.aliasing import Matrix


def dummies(codes: list[int]) -> Matrix:
    return np.eye(max(codes) + 1)[codes]


def all_pairs(n: int) -> Matrix:
    eye = np.eye(n)
    return np.array([eye[a] - eye[b] for a, b in combinations(range(n), 2)])


# --- published values -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("blocks", "efficiency"),
    [
        # Cochran & Cox (1957), Experimental Designs, 2nd ed, table 11.3: 4 treatments
        # in blocks of 2 (r = 3, lambda = 1), E = .67, and in blocks of 3 (lambda = 2),
        # E = .89.
        ([(0, 1), (2, 3), (0, 2), (1, 3), (0, 3), (1, 2)], 0.67),
        ([(0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3)], 0.89),
        # The same table: 7 treatments in blocks of 3 (r = 3, lambda = 1), E = .78.
        (
            [
                (0, 1, 3),
                (1, 2, 4),
                (2, 3, 5),
                (3, 4, 6),
                (4, 5, 0),
                (5, 6, 1),
                (6, 0, 2),
            ],
            0.78,
        ),
    ],
)
def test_efficiency_of_balanced_incomplete_blocks(
    blocks: list[tuple[int, ...]], efficiency: float
) -> None:
    treatment = [t for block in blocks for t in block]
    block = [i for i, members in enumerate(blocks) for _ in members]
    t = dummies(treatment)
    found = contrast_aliasing(t, dummies(block), all_pairs(t.shape[1]))
    np.testing.assert_allclose(1 / found.vif, efficiency, atol=0.005)
    assert found.rank_lost == 0


def test_variance_inflation_of_the_longley_data() -> None:
    # Longley (1967), J Am Stat Assoc 62:819-841; Faraway (2005), Linear Models with R,
    # sec. 5.3: 135.53, 1788.51, 33.62, 3.59, 399.15, 758.98.
    from statsmodels.datasets import longley

    x = longley.load_pandas().exog.to_numpy(dtype=float)
    vif = [
        1 / (1 - span_overlap(x[:, [j]], np.delete(x, j, axis=1)).share)
        for j in range(x.shape[1])
    ]
    published = [135.53, 1788.51, 33.62, 3.59, 399.15, 758.98]
    np.testing.assert_allclose(vif, published, atol=0.006)


def test_aliases_of_a_half_fraction() -> None:
    # Box, Hunter & Hunter (2005), ch. 6: in the 2^(4-1) with D = ABC, D is aliased with
    # ABC, and AB with CD; main effects are clear of each other.
    a, b, c = (np.repeat(np.tile([-1, 1], 2**i), 2 ** (2 - i)) for i in range(3))
    d = a * b * c
    assert span_overlap(d[:, None], (a * b * c)[:, None]).rank_lost == 1
    assert span_overlap((a * b)[:, None], (c * d)[:, None]).rank_lost == 1
    assert span_overlap(d[:, None], np.column_stack([a, b, c])).share == 0.0


# --- another program ------------------------------------------------------------------


def test_two_groups_agree_with_statsmodels(rng: np.random.Generator) -> None:
    from statsmodels.stats.outliers_influence import variance_inflation_factor

    group = rng.permutation([0] * 7 + [1] * 6)
    others = rng.normal(size=(13, 3)) + group[:, None] * [1.5, 0.0, 0.3]
    found = contrast_aliasing(dummies(list(group)), others, [[1, -1]])
    x = np.column_stack([np.ones(13), group, others])
    assert found.vif[0] == pytest.approx(variance_inflation_factor(x, 1), rel=1e-9)


def test_more_groups_agree_with_covariance_of_least_squares(
    rng: np.random.Generator,
) -> None:
    import statsmodels.api as sm

    group = list(rng.permutation([0, 1, 2] * 5))
    others = rng.normal(size=(15, 2))
    t, y = dummies(group), rng.normal(size=15)
    contrast = np.array([1.0, -1.0, 0.0])

    def variance(x: Matrix) -> float:
        inverse = sm.OLS(y, x).fit().normalized_cov_params
        return float(contrast @ inverse[:3, :3] @ contrast)

    ratio = variance(np.hstack([t, others])) / variance(t)
    found = contrast_aliasing(t, others, [contrast])
    assert found.vif[0] == pytest.approx(ratio, rel=1e-9)


def test_canonical_correlation_agrees_with_statsmodels(
    rng: np.random.Generator,
) -> None:
    from statsmodels.multivariate.cancorr import CanCorr

    a = rng.normal(size=(20, 2))
    b = np.column_stack([a[:, 0] + rng.normal(size=20), rng.normal(size=(20, 2))])
    expected = CanCorr(b - b.mean(axis=0), a - a.mean(axis=0)).cancorr.max() ** 2
    assert span_overlap(a, b).share == pytest.approx(expected, rel=1e-9)


# --- theory ---------------------------------------------------------------------------


def test_a_column_that_is_the_group_hides_everything() -> None:
    t = dummies([0, 1, 2] * 3)
    found = contrast_aliasing(t, t[:, 1:], all_pairs(3))
    assert found.share.tolist() == [1.0, 1.0, 1.0]
    assert np.isinf(found.vif).all()
    assert found.rank_lost == found.rank_groups == 2


def test_a_crossed_column_hides_nothing() -> None:
    t, lot = dummies([0, 0, 1, 1, 2, 2]), dummies([0, 1] * 3)
    found = contrast_aliasing(t, lot, all_pairs(3))
    np.testing.assert_allclose(found.share, 0.0, atol=1e-12)


def test_the_answer_depends_on_what_columns_span_not_on_how_they_are_coded(
    rng: np.random.Generator,
) -> None:
    t = dummies([*rng.integers(0, 3, size=14), 0, 1, 2])
    others = rng.normal(size=(17, 2))
    recoded = others @ [[2.0, 1000.0], [0.5, -3.0]] + [7.0, 325.0]
    one = contrast_aliasing(t, others, all_pairs(3))
    two = contrast_aliasing(t, recoded, all_pairs(3))
    np.testing.assert_allclose(one.share, two.share, atol=1e-8)
    turned = contrast_aliasing(t, others, -all_pairs(3))
    np.testing.assert_allclose(one.share, turned.share, atol=1e-12)


def test_two_sets_overlap_alike_from_both_sides(rng: np.random.Generator) -> None:
    a, b = dummies([0, 1, 2] * 4), rng.normal(size=(12, 2))
    assert span_overlap(a, b).share == pytest.approx(span_overlap(b, a).share)


def test_blocks_are_taken_out_of_both_sides() -> None:
    # In each block the second pit comes one later; across blocks places differ.
    t, blocks = dummies([0, 1] * 3), dummies([0, 0, 1, 1, 2, 2])
    place = np.array([[1.0], [2], [5], [6], [3], [4]])
    assert contrast_aliasing(t, place, [[1, -1]]).share[0] < 0.2
    within = contrast_aliasing(t, place, [[1, -1]], given=blocks)
    assert within.share[0] == 1.0


def test_only_contrasts_that_are_touched_are_lost() -> None:
    # The third pit alone had its own lot; the first two shared one.
    t, lot = dummies([0, 1, 2] * 2), dummies([0, 0, 1] * 2)
    found = contrast_aliasing(t, lot, all_pairs(3))
    assert found.share.round(9).tolist() == [0.0, 1.0, 1.0]
    assert found.rank_lost == 1


@pytest.mark.parametrize(
    "others", [np.empty((4, 0)), np.ones((4, 2)), np.zeros((4, 1))]
)
def test_constant_columns_hide_nothing(others: Matrix) -> None:
    found = contrast_aliasing(dummies([0, 1, 0, 1]), others, [[1, -1]])
    assert found.share[0] == pytest.approx(0.0, abs=1e-12)
    assert found.rank_others == 0
    assert span_overlap(dummies([0, 1, 0, 1]), others) == (0.0, 0, 1, 0)


def test_a_group_without_a_bake_cannot_be_compared() -> None:
    t = np.column_stack([dummies([0, 1, 0, 1]), np.zeros(4)])
    found = contrast_aliasing(t, np.empty((4, 0)), all_pairs(3))
    assert found.share.round(9).tolist() == [0.0, 1.0, 1.0]


def test_wrong_shapes_are_refused() -> None:
    t = dummies([0, 1, 0, 1])
    with pytest.raises(ValueError, match="add up to 0"):
        contrast_aliasing(t, t, [[1, 1]])
    with pytest.raises(ValueError, match="do not go together"):
        contrast_aliasing(t, t[:3], [[1, -1]])
    with pytest.raises(ValueError, match="two dimensions"):
        contrast_aliasing(t, [1, 2, 3, 4], [[1, -1]])
    with pytest.raises(ValueError, match="unequal numbers of rows"):
        span_overlap(t, t[:3])


# --- simulation -----------------------------------------------------------------------


def test_simulated_contrasts_vary_as_much_as_the_inflation_says(
    rng: np.random.Generator,
) -> None:
    t = dummies([0, 1] * 6)
    order = np.array([1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 2, 1], dtype=float)[:, None]
    y = rng.normal(size=(12, 4000))

    def spread(x: Matrix) -> float:
        coef = np.linalg.lstsq(x, y, rcond=None)[0]
        return float(np.var(coef[0] - coef[1]))

    found = contrast_aliasing(t, order, [[1, -1]])
    ratio = spread(np.hstack([t, order - 1.5])) / spread(t)
    # Two variances of 4000 draws each: standard error of the ratio about 3%.
    assert ratio == pytest.approx(found.vif[0], rel=0.1)
    assert found.vif[0] == pytest.approx(1.8)


# --- many levels of a word: the same numbers by another route -------------------------


def of_any_words(seed: int) -> tuple[list[int], list[int], Matrix]:
    rng = np.random.default_rng(seed)
    return (
        list(rng.integers(0, 7, 60)),
        list(rng.integers(0, 9, 60)),
        rng.normal(size=(60, 2)),
    )


def without_one_a_row(codes: list[int]) -> Matrix:
    """Columns that span the same with the constant, but are no 0/1 columns."""
    return dummies(codes)[:, 1:] * 2.0


@pytest.mark.parametrize("seed", range(5))
def test_taking_off_means_is_the_projection_on_the_columns(seed: int) -> None:
    lots, sessions, numbers = of_any_words(seed)
    rng = np.random.default_rng(100 + seed)
    pits = dummies([0, 1, 2, *rng.integers(0, 3, 57)])
    for extra in (numbers[:, :0], numbers, dummies(lots)):
        fast = contrast_aliasing(
            pits, np.hstack([dummies(sessions), extra]), all_pairs(3)
        )
        slow = contrast_aliasing(
            pits, np.hstack([without_one_a_row(sessions), extra]), all_pairs(3)
        )
        np.testing.assert_allclose(fast.share, slow.share, atol=1e-10)
        assert fast[2:] == slow[2:]


@pytest.mark.parametrize("seed", range(5))
def test_overlap_of_words_is_that_of_their_columns(seed: int) -> None:
    lots, sessions, numbers = of_any_words(seed)
    slow = without_one_a_row(sessions)
    for other in (dummies(lots), numbers):
        fast = span_overlap(dummies(sessions), other)
        assert fast.share == pytest.approx(span_overlap(slow, other).share, abs=1e-9)
        assert fast[1:] == span_overlap(slow, other)[1:]
        turned = span_overlap(other, dummies(sessions))
        assert (turned.share, turned.rank_a) == pytest.approx(
            (fast.share, fast.rank_b), abs=1e-9
        )


def test_words_that_fall_into_parts_share_a_dimension_for_each_further_part() -> None:
    nested = [0, 0, 1, 1, 2, 2, 3, 3, 4, 4], [0] * 4 + [1] * 4 + [2] * 2
    found = span_overlap(*map(dummies, nested))
    assert found == (1.0, 2, 4, 2)


def test_four_thousand_bakes_in_two_thousand_sessions_are_quick() -> None:
    sessions = np.arange(4000) // 2
    pits = np.eye(2)[np.arange(4000) % 2]
    words = np.eye(2000)[sessions]
    started = perf_counter()
    found = contrast_aliasing(pits, words, [[1, -1]])
    assert found == (0.0, 1.0, 0, 1, 1999)
    # The columns themselves would take minutes.
    assert perf_counter() - started < 5.0
