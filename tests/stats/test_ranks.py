"""Ranks: limits, symmetry, an exhaustive route, a published relation, coverage."""

from itertools import combinations, permutations

import numpy as np
import pytest
from scipy.stats import norm

from pitstats import stats

PAIRS = np.array(list(combinations(range(4), 2)))
A, B = PAIRS.T


def test_nothing_shown_leaves_every_rank_open() -> None:
    low, high = stats.rank_intervals(4, A, B, np.full(6, -1.0), np.full(6, 1.0))
    assert low.tolist() == [1] * 4
    assert high.tolist() == [4] * 4


def test_all_pairs_shown_leave_one_rank_each() -> None:
    value = np.array([0.4, 0.1, 0.9, 0.2])
    gap = value[A] - value[B]
    low, high = stats.rank_intervals(4, A, B, gap - 0.01, gap + 0.01)
    assert low.tolist() == high.tolist() == [3, 1, 4, 2]


@pytest.mark.parametrize("seed", range(6))
def test_ranks_are_those_of_all_orderings_that_agree_with_what_is_shown(
    seed: int,
) -> None:
    # A second route: count places in every ordering of the four that contradicts no
    # shown pair. Intervals of one width around estimates show an order that holds
    # together, so both routes must agree.
    value = np.random.default_rng(seed).random(4)
    gap = value[A] - value[B]
    low, high = stats.rank_intervals(4, A, B, gap - 0.3, gap + 0.3)
    shown = [
        (a, b) if g < 0 else (b, a)
        for a, b, g in zip(A, B, gap, strict=True)
        if abs(g) > 0.3
    ]
    places = [
        [order.index(i) + 1 for i in range(4)]
        for order in permutations(range(4))
        if all(order.index(less) < order.index(more) for less, more in shown)
    ]
    assert low.tolist() == np.min(places, axis=0).tolist()
    assert high.tolist() == np.max(places, axis=0).tolist()


def test_turning_the_scale_turns_the_ranks() -> None:
    gap = np.array([0.3, -0.4, 0.2, -0.8, 0.1, 0.5])
    low, high = stats.rank_intervals(4, A, B, gap - 0.25, gap + 0.25)
    turned_low, turned_high = stats.rank_intervals(4, A, B, -gap - 0.25, -gap + 0.25)
    np.testing.assert_array_equal(turned_low, 5 - high)
    np.testing.assert_array_equal(turned_high, 5 - low)


def test_each_shown_pair_takes_two_ranks_away() -> None:
    gap = np.array([0.3, -0.4, 0.2, -0.8, 0.1, 0.5])
    low, high = stats.rank_intervals(4, A, B, gap - 0.25, gap + 0.25)
    n_shown = int((np.abs(gap) > 0.25).sum())
    assert (high - low).sum() == 4 * 3 - 2 * n_shown


def test_mean_rank_is_one_plus_the_chances_that_others_are_smaller() -> None:
    # Laird & Louis 1989, J Educ Stat 14:29, section 2: the posterior mean of a rank
    # is the sum of the posterior chances of the pairs.
    result = stats.bake_rates(
        [2, 5, 8, 4, 9, 11, 1, 0, 2], [20] * 9, [0, 0, 0, 1, 1, 1, 2, 2, 2]
    )
    chance = stats.rank_chances(result.posterior.fixed_draws())
    mean = chance @ [1, 2, 3]
    less = np.zeros((3, 3))
    for a, b in combinations(range(3), 2):
        less[a, b] = float(result.difference_cdf(a, b, [0.0])[0])
        less[b, a] = 1 - less[a, b]
    np.testing.assert_allclose(mean, 1 + less.sum(axis=0), atol=0.003)


def test_chances_of_normal_values_by_integration() -> None:
    # Three independent normal values; P(first is smallest) by one-dimensional
    # integration of its density times the chances that the others lie above.
    mean, sd = np.array([0.0, 0.5, 1.0]), np.array([1.0, 0.7, 1.2])
    draws = np.random.default_rng(4).normal(mean, sd, (200_000, 3))
    chance = stats.rank_chances(draws)
    x = np.linspace(-8, 9, 4001)
    for i in range(3):
        others = [j for j in range(3) if j != i]
        above = np.prod([norm.sf(x, mean[j], sd[j]) for j in others], axis=0)
        expected = np.trapezoid(norm.pdf(x, mean[i], sd[i]) * above, x)
        assert chance[i, 0] == pytest.approx(expected, abs=0.004)


def test_rows_and_columns_add_up_and_ties_share() -> None:
    draws = np.array([[0.0, 0.0, 1.0], [0.5, 0.2, 0.2], [0.3, 0.3, 0.3]])
    chance = stats.rank_chances(draws, [1.0, 1.0, 2.0])
    np.testing.assert_allclose(chance.sum(axis=0), 1)
    np.testing.assert_allclose(chance.sum(axis=1), 1)
    # By hand: tied smallest in a quarter, largest in a quarter, all tied in a half.
    np.testing.assert_allclose(chance[0], [1 / 8 + 1 / 6, 1 / 8 + 1 / 6, 1 / 4 + 1 / 6])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stats.rank_intervals(2, [0], [2], [0.0], [1.0]), "codes from 0 to 1"),
        (lambda: stats.rank_intervals(2, [0], [1], [0.0], [1.0, 2.0]), "one entry"),
        (lambda: stats.rank_chances([0.1, 0.2]), "one row per draw"),
        (lambda: stats.rank_chances([[0.1, np.nan]]), "table of numbers"),
        (lambda: stats.rank_chances([[0.1, 0.2]], [-1.0]), "0 or more"),
    ],
)
def test_wrong_input_is_said_in_words(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.slow
@pytest.mark.parametrize("truth", [(0.1, 0.2, 0.3, 0.5), (0.2, 0.2, 0.2, 0.45)])
def test_all_true_ranks_are_inside_as_often_as_promised(
    truth: tuple[float, ...],
) -> None:
    from scipy.special import expit

    from pitstats.stats.marginal import marginal_intercept

    rng = np.random.default_rng(20264)
    n_studies, n_bakes, sd = 300, 3, 0.6
    center = marginal_intercept(np.array(truth), sd)
    pit = np.repeat(np.arange(4), n_bakes)
    rate = np.array(truth)
    true_low = 1 + (rate[:, None] > rate[None]).sum(axis=1)
    true_high = 4 - (rate[:, None] < rate[None]).sum(axis=1)
    held = 0
    for _ in range(n_studies):
        p = expit(center[pit] + sd * rng.standard_normal(pit.size))
        found = stats.bake_rates(rng.binomial(18, p), np.full(pit.size, 18), pit)
        d = found.differences
        low, high = stats.rank_intervals(
            4, d.a, d.b, d.simultaneous_low, d.simultaneous_high
        )
        # Equal rates have several true ranks each; all of them must be left open.
        held += bool((low <= true_low).all() and (high >= true_high).all())
    # 0.93 less than two simulation errors: the method is measured at 0.94 and above.
    assert held / n_studies >= 0.93
