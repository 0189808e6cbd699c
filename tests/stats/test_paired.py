"""Paired shares: Tango's interval, and the same with the bake as the unit."""

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import t as student
from statsmodels.stats.contingency_tables import mcnemar

from pitstats import stats


def test_the_approval_ratings_of_agresti() -> None:
    # Agresti (1990) Categorical Data Analysis, section 10.1: 794, 150, 86, 570 give a
    # difference of 0.04 with the interval 0.021 to 0.059 (Wald; at 1,600 pairs the
    # score interval agrees to three digits).
    low, high = stats.tango_paired_difference(150, 86, 1600)
    assert low == pytest.approx(0.0214, abs=0.0005)
    assert high == pytest.approx(0.0590, abs=0.0005)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_the_interval_excludes_zero_when_mcnemar_rejects(level: float) -> None:
    for first in range(9):
        for second in range(9):
            if first + second == 0:
                continue
            table = [[4, first], [second, 5]]
            p = mcnemar(table, exact=False, correction=False).pvalue
            low, high = stats.tango_paired_difference(
                first, second, 9 + first + second, level
            )
            assert bool(low > 0 or high < 0) == bool(p < 1 - level)


def test_ends_solve_the_score_equation() -> None:
    # Another route: maximize the likelihood under p1 - p2 = d by a fine search.
    first, second, n, z = 7, 2, 18, 1.959963984540054
    for d in stats.tango_paired_difference(first, second, n):
        q = np.linspace(max(0.0, -d) + 1e-9, (1 - d) / 2 - 1e-9, 400_001)
        rest = n - first - second
        loglik = (
            first * np.log(q + d) + second * np.log(q) + rest * np.log(1 - 2 * q - d)
        )
        best = q[loglik.argmax()]
        score = (first - second - n * d) / np.sqrt(n * (2 * best + d * (1 - d)))
        assert abs(score) == pytest.approx(z, abs=1e-3)


def test_swapping_the_faces_turns_the_interval() -> None:
    for first, second, n in ((0, 0, 18), (5, 1, 18), (18, 0, 18), (0, 3, 7)):
        low, high = stats.tango_paired_difference(first, second, n)
        other = stats.tango_paired_difference(second, first, n)
        assert (low, high) == pytest.approx((-other[1], -other[0]), abs=1e-9)
        assert -1 <= low <= (first - second) / n <= high <= 1
    # Nothing differs: z^2 / (n + z^2) on both sides.
    assert stats.tango_paired_difference(0, 0, 18)[1] == pytest.approx(
        0.17588, abs=1e-5
    )
    assert stats.tango_paired_difference(0, 0, 0) == (-1, 1)


def test_bakes_are_the_unit() -> None:
    first, second, n = [9, 1, 5], [0, 0, 1], [18, 18, 18]
    found = stats.paired_differences(first, second, n, [0, 0, 0])
    each = (np.array(first) - second) / 18
    assert found.estimate[0] == pytest.approx(each.mean())
    reach = student.ppf(0.975, 2) * each.std(ddof=1) / np.sqrt(3)
    assert found.low[0] == pytest.approx(each.mean() - reach)
    assert found.high[0] == pytest.approx(each.mean() + reach)
    assert (found.df[0], found.n_bakes[0], found.n_pairs[0]) == (2, 3, 54)


def test_agreeing_bakes_are_no_narrower_than_their_pairs() -> None:
    found = stats.paired_differences([3, 3], [1, 1], [18, 18], [0, 0])
    pairs = stats.tango_paired_difference(6, 2, 36)
    assert (found.low[0], found.high[0]) == pytest.approx(pairs)


def test_each_pit_has_its_own_spread_and_empty_bakes_do_not_count() -> None:
    alone = stats.paired_differences([9, 1], [0, 0], [18, 18], [0, 0])
    both = stats.paired_differences(
        [9, 1, 5, 4, 0], [0, 0, 0, 0, 0], [18, 18, 18, 18, 0], [0, 0, 2, 2, 1]
    )
    assert both.df.tolist() == [1, 0, 1]
    assert (both.low[0], both.high[0]) == (alone.low[0], alone.high[0])
    assert both.high[2] - both.low[2] < both.high[0] - both.low[0]
    assert np.isnan(both.estimate[1])
    assert np.isnan(both.low[1])


def test_a_pit_with_one_bake_owes_nothing_to_another_with_more() -> None:
    found = stats.paired_differences([5, 9, 1], [1, 0, 0], [18] * 3, [0, 1, 1])
    ends = stats.tango_paired_difference(5, 1, 18)
    assert (found.low[0], found.high[0]) == pytest.approx(ends)
    assert found.df.tolist() == [0, 1]


def test_one_bake_each_is_about_these_bakes() -> None:
    found = stats.paired_differences([5, 0], [1, 2], [18, 15], [0, 1])
    assert found.df.tolist() == [0, 0]
    assert (found.low[0], found.high[0]) == pytest.approx(
        stats.tango_paired_difference(5, 1, 18)
    )
    assert len(stats.paired_differences([], [], [], []).estimate) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1], [1], [1], [0]), "exceed"),
        (([-1], [1], [1], [0]), "counts are whole"),
        (([1, 2], [1], [1], [0]), "one entry"),
    ],
)
def test_what_cannot_be_is_refused(arguments: tuple[list[int]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        stats.paired_differences(*arguments)  # type: ignore[misc]


def coverage(n_bakes: int, wobble: float, n_studies: int) -> float:
    """Share of studies whose interval holds the long-run difference (0.5 and 0.2)."""
    rng = np.random.default_rng(12)
    a, b = 0.0, np.log(0.25)

    def shares(fire: np.ndarray, tilt: np.ndarray) -> list[np.ndarray]:
        return [expit(a + 0.6 * fire + tilt / 2), expit(b + 0.6 * fire - tilt / 2)]

    long_run = shares(rng.normal(size=200_000), wobble * rng.normal(size=200_000))
    truth = float((long_run[0] - long_run[1]).mean())
    held = 0
    for _ in range(n_studies):
        p = shares(rng.normal(size=2 * n_bakes), wobble * rng.normal(size=2 * n_bakes))
        one, two = (rng.random((18, 2 * n_bakes)) < own for own in p)
        found = stats.paired_differences(
            (one & ~two).sum(0),
            (two & ~one).sum(0),
            np.full(2 * n_bakes, 18),
            np.repeat([0, 1], n_bakes),
        )
        held += int(found.low[0] <= truth <= found.high[0])
    return held / n_studies


def test_intervals_hold_the_long_run_difference_in_a_few_studies() -> None:
    # Error of a share of 150 studies near 0.95: 0.018.
    assert coverage(3, 0.5, 150) >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("n_bakes", [2, 3, 4])
@pytest.mark.parametrize("wobble", [0.0, 0.5])
def test_intervals_hold_the_long_run_difference(n_bakes: int, wobble: float) -> None:
    # Error of a share of 1,000 studies near 0.95: 0.007.
    assert coverage(n_bakes, wobble, 1000) >= 0.93
