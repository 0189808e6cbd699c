"""Moran's I, join counts and concordance: published values, theory, other programs."""

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import friedmanchisquare
from statsmodels.stats.contingency_tables import cochrans_q

from pitstats import stats
from pitstats.stats.spatial import _every_layout

HALF = np.repeat([1, 0], 8).reshape(4, 4)
CHECKERS = np.indices((4, 4)).sum(0) % 2
NINE = np.arange(1, 10).reshape(3, 3)


# --- published values ---------------------------------------------------------------


def test_moran_moments_of_a_three_by_three_grid() -> None:
    # The test suite of the Python package esda (BSD-3) has these variances for the
    # 3 x 3 rook grid with the values 1 to 9.
    found = stats.moran_test(NINE)
    assert found.statistic == pytest.approx(0.5)
    assert found.expected == pytest.approx(-0.125)
    assert found.variance_normal == pytest.approx(0.053125)
    assert found.variance_randomization == pytest.approx(0.0596875)


def test_join_counts_of_a_grid_with_a_dark_half() -> None:
    # The test suite of esda: BB 10, BW 4, WW 10 of 24 joins.
    found = stats.join_count_test(HALF)
    assert (found.bb, found.bw, found.ww, found.n_joins) == (10, 4, 10, 24)


# --- the formulas of Cliff & Ord (1981, ch. 2), worked by hand -----------------------


def test_moran_and_join_counts_of_the_half_dark_grid() -> None:
    moran, joins = stats.moran_test(HALF), stats.join_count_test(HALF)
    assert moran.statistic == pytest.approx(0.66667, abs=1e-5)
    assert moran.expected == pytest.approx(-0.06667, abs=1e-5)
    assert moran.variance_normal == pytest.approx(0.032593, abs=1e-6)
    assert moran.variance_randomization == pytest.approx(0.037151, abs=1e-6)
    np.testing.assert_allclose(joins.expected[:2], [5.6, 12.8])
    np.testing.assert_allclose(joins.variance[:2], [1.87077, 5.34974], atol=1e-5)


def test_a_checkerboard_depends_on_what_neighbors_are() -> None:
    rook = stats.moran_test(CHECKERS, alternative="less")
    assert rook.statistic == pytest.approx(-1.0)
    assert rook.p_value == pytest.approx(2 / 12870)
    queen = stats.moran_test(CHECKERS, adjacency="queen")
    assert queen.statistic == pytest.approx(-0.142857, abs=1e-6)
    joins = stats.join_count_test(CHECKERS)
    assert (joins.bb, joins.bw, joins.ww) == (0, 24, 0)


def test_queen_neighbors_of_the_three_by_three_grid() -> None:
    found = stats.moran_test(NINE, adjacency="queen")
    assert found.statistic == pytest.approx(0.3)
    assert found.variance_normal == pytest.approx(0.01625)
    assert found.variance_randomization == pytest.approx(0.017375)


def test_four_dark_cells_of_sixteen() -> None:
    grid = np.zeros(16)
    grid[[9, 10, 11, 15]] = 1
    joins = stats.join_count_test(grid.reshape(4, 4))
    assert (joins.bb, joins.bw, joins.ww) == (3, 7, 14)
    assert joins.expected[0] == pytest.approx(1.2)
    assert joins.variance[0] == pytest.approx(0.74901, abs=1e-5)
    moran = stats.moran_test(grid.reshape(4, 4))
    assert moran.statistic == pytest.approx(0.27778, abs=1e-5)


# --- exhaustive: another route to every number --------------------------------------


def all_three_of_nine() -> list[np.ndarray]:
    grids = []
    for chosen in combinations(range(9), 3):
        grid = np.zeros(9)
        grid[list(chosen)] = 1
        grids.append(grid.reshape(3, 3))
    return grids


def test_the_eighty_four_layouts_of_three_dark_cells() -> None:
    found = [stats.join_count_test(grid) for grid in all_three_of_nine()]
    bb, bw = np.array([f.bb for f in found]), np.array([f.bw for f in found])
    assert [int((bb == k).sum()) for k in range(3)] == [22, 40, 22]
    np.testing.assert_allclose([f.expected[:2] for f in found], [[1, 6]] * 84)
    np.testing.assert_allclose(
        [f.variance[:2] for f in found], [[11 / 21, bw.var()]] * 84
    )
    assert bw.var() == pytest.approx(1.952381, abs=1e-6)
    chance = {0.0: 84, 1.0: 62, 2.0: 22}
    np.testing.assert_allclose([f.p_bb for f in found], [chance[k] / 84 for k in bb])
    np.testing.assert_allclose(
        [f.p_bw for f in found], [(bw <= own).mean() for own in bw]
    )
    assert all(f.exact and f.n_layouts == 84 for f in found)


def test_moran_over_all_layouts_has_the_moments_of_the_formula() -> None:
    found = [stats.moran_test(grid) for grid in all_three_of_nine()]
    values = np.array([f.statistic for f in found])
    assert values.mean() == pytest.approx(found[0].expected)
    assert values.var() == pytest.approx(found[0].variance_randomization)
    p_values = np.array([f.p_value for f in found])
    np.testing.assert_allclose(
        p_values, [(values >= own - 1e-9).mean() for own in values]
    )


def test_every_layout_is_listed_once() -> None:
    layouts = _every_layout(np.array([2.0, 1.0, 1.0, 3.0, 1.0]))
    assert len(np.unique(layouts, axis=0)) == len(layouts) == 20


def test_two_bakes_are_the_sum_of_both_over_all_pairs_of_layouts() -> None:
    grids = all_three_of_nine()
    own = np.array([stats.join_count_test(grid).bb for grid in grids])
    both = np.add.outer(own, own)
    for i, j in ((0, 0), (5, 60), (83, 1)):
        found = stats.join_count_test(np.stack([grids[i], grids[j]]))
        assert found.bb == own[i] + own[j]
        assert found.p_bb == pytest.approx((both >= own[i] + own[j]).mean())
        assert found.exact


def test_random_permutations_agree_with_the_enumeration() -> None:
    grid = np.zeros((3, 4))
    grid[0, :3] = grid[1, 0] = 1
    exact = stats.moran_test(grid)
    random = stats.moran_test(grid, max_layouts=1)
    assert exact.exact
    assert not random.exact
    error = np.sqrt(exact.p_value / 9999)
    assert random.p_value == pytest.approx(exact.p_value, abs=4 * error)


def test_random_permutations_count_the_layout_that_was_seen() -> None:
    # Phipson & Smyth (2010), Stat Appl Genet Mol Biol 9:39: p = (b + 1) / (m + 1), so
    # that a layout more extreme than all 99 shuffles has p = 1/100 and never 0.
    grid = np.zeros((8, 8))
    grid[:, :4] = 1
    found = stats.moran_test(grid, n_permutations=99, alternative="greater")
    assert not found.exact
    assert found.p_value == pytest.approx(1 / 100, abs=1e-12)
    other = stats.moran_test(grid, n_permutations=99, alternative="less")
    assert other.p_value == pytest.approx(1.0)


# --- other programs -----------------------------------------------------------------


def test_concordance_without_neighbors_is_cochrans_q() -> None:
    rng = np.random.default_rng(8)
    grid = (rng.random((40, 2, 5)) < 0.4).astype(float)
    found = stats.concordance_test(grid, neighbor_weight=0)
    flat = grid.reshape(40, 10)
    q = cochrans_q(flat)
    z = flat - flat.mean(1, keepdims=True)
    spread = np.sqrt((z**2).sum(1))
    unit = spread.sum() ** 2 - (spread**2).sum()
    ours = 9 * (found.statistic * unit / (spread**2).sum() + 1)
    assert ours == pytest.approx(q.statistic)
    assert found.p_value == pytest.approx(q.pvalue, abs=0.04)


def test_concordance_of_ranks_is_friedmans_statistic() -> None:
    rng = np.random.default_rng(4)
    ranks = rng.random((6, 8)).argsort(1).argsort(1) + 1.0
    found = stats.concordance_test(ranks[:, None, :], neighbor_weight=0)
    q, p = friedmanchisquare(*ranks.T)
    k = len(ranks)
    assert 7 * (found.mean_correlation * (k - 1) + 1) == pytest.approx(q)
    assert found.p_value == pytest.approx(p, abs=0.03)


# --- theory -------------------------------------------------------------------------


def test_turning_and_shifting_change_nothing() -> None:
    rng = np.random.default_rng(2)
    grid = rng.normal(size=(3, 4))
    one = stats.moran_test(grid, n_permutations=99)
    for other in (grid[::-1], grid.T, 300 + 1e-3 * grid):
        found = stats.moran_test(other, n_permutations=99)
        assert found.statistic == pytest.approx(one.statistic)
        assert found.variance_randomization == pytest.approx(one.variance_randomization)


def test_a_hot_bake_is_no_pattern() -> None:
    rng = np.random.default_rng(6)
    grid = rng.normal(size=(2, 3, 4))
    hot = grid + np.array([0.0, 50.0])[:, None, None]
    one = stats.moran_test(grid, n_permutations=199)
    two = stats.moran_test(hot, n_permutations=199)
    assert one.statistic == pytest.approx(two.statistic)
    assert one.p_value == two.p_value


def test_missing_cells_leave_the_graph_and_grates_are_apart() -> None:
    grid = HALF.astype(float)
    grid[0, 0] = np.nan
    found = stats.join_count_test(grid)
    assert (found.n_cells, found.n_joins, found.bb) == (15, 22, 8)
    rows, columns = np.indices((2, 3)).reshape(2, -1)
    black = np.array([1, 1, 0, 0, 0, 0])
    apart = stats.join_count_test(
        np.r_[black, black],
        np.r_[rows, rows],
        np.r_[columns, columns],
        grate=["main"] * 6 + ["upper"] * 6,
    )
    assert (apart.n_joins, apart.bb) == (14, 2)


def test_nothing_that_varies_is_a_result() -> None:
    found = stats.moran_test(np.ones((2, 3)))
    assert np.isnan(found.statistic)
    assert np.isnan(found.p_value)
    assert found.n_bakes == 0
    joins = stats.join_count_test(np.ones((2, 3)))
    assert (joins.bb, joins.p_bb) == (7, 1.0)
    np.testing.assert_allclose(joins.variance, 0, atol=1e-12)
    lone = stats.concordance_test(HALF)
    assert lone.n_bakes == 1
    assert np.isnan(lone.p_value)


def test_a_bake_in_which_all_burned_adds_nothing() -> None:
    both = stats.moran_test(np.stack([HALF, np.ones((4, 4))]))
    assert both == stats.moran_test(HALF)


def test_a_single_row_of_cells() -> None:
    found = stats.moran_test(np.array([[1, 1, 0, 0]]))
    assert found.p_value == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        (np.ones((2, 2)), {"adjacency": "bishop"}, "rook"),
        (np.ones(4), {}, "shape"),
        (np.ones(4), {"row": [1, 1, 2, 2]}, "as a grid"),
        (np.full((2, 2), np.nan), {}, "missing"),
        (np.ones(2), {"row": [1, 1], "column": [1, 1]}, "twice"),
        (np.ones(2), {"row": [1, 1], "column": [1, 3]}, "neighbors"),
        (np.ones(2), {"row": [1, 1.5], "column": [1, 2]}, "whole"),
        (np.ones((2, 2)), {"bake": ["a"] * 4}, "shape"),
    ],
)
def test_what_does_not_fit_is_refused(
    values: np.ndarray, options: dict[str, object], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        stats.moran_test(values, **options)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        stats.join_count_test(values, **options)  # type: ignore[arg-type]


def test_join_counts_need_two_colors() -> None:
    with pytest.raises(ValueError, match="0 and 1"):
        stats.join_count_test(NINE)
    with pytest.raises(ValueError, match="alternative"):
        stats.moran_test(NINE, alternative="more", n_permutations=9)  # type: ignore[arg-type]


# --- simulation ---------------------------------------------------------------------


def bakes(share: np.ndarray, n_bakes: int, rng: np.random.Generator) -> np.ndarray:
    """Burned cells of bakes whose fires differ (SD 0.6 on the logit scale)."""
    logit = np.log(share / (1 - share)) + rng.normal(0, 0.6, (n_bakes, 1, 1))
    return (rng.random(logit.shape[:1] + share.shape) < 1 / (1 + np.exp(-logit))) * 1.0


def rejections(share: np.ndarray, n_bakes: int, n_studies: int) -> np.ndarray:
    """Share of studies in which each test passes at 5%."""
    rng = np.random.default_rng(31)
    found = []
    for _ in range(n_studies):
        grid = bakes(share, n_bakes, rng)
        moran = stats.moran_test(grid, max_layouts=1, n_permutations=499, rng=rng)
        both = stats.concordance_test(grid, n_permutations=499, rng=rng)
        found.append((moran.p_value <= 0.05, both.p_value <= 0.05))
    return np.mean(found, axis=0)


FLAT = np.full((3, 6), 0.3)
STEEP = np.tile([0.75, 0.6, 0.15, 0.1, 0.1, 0.1], (3, 1))


def test_false_alarms_and_power_in_a_few_studies() -> None:
    # Error of a share of 120 studies near 0.05: 0.02.
    assert (rejections(FLAT, 3, 120) <= 0.12).all()
    assert (rejections(STEEP, 3, 60) >= 0.7).all()


@pytest.mark.slow
@pytest.mark.parametrize("n_bakes", [1, 2, 4])
def test_false_alarms_hold_their_level(n_bakes: int) -> None:
    # Error of a share of 1,000 studies near 0.05: 0.007.
    found = rejections(FLAT, n_bakes, 1000)
    assert found[0] <= 0.07
    if n_bakes > 1:
        assert 0.03 <= found[1] <= 0.07


@pytest.mark.slow
def test_one_bake_with_a_pattern_is_no_concordance() -> None:
    rng = np.random.default_rng(5)
    passed = []
    for _ in range(1000):
        grid = np.concatenate([bakes(STEEP, 1, rng), bakes(FLAT, 2, rng)])
        test = stats.concordance_test(grid, n_permutations=499, rng=rng)
        passed.append(test.p_value <= 0.05)
    assert 0.03 <= np.mean(passed) <= 0.07


# --- what could have been found -----------------------------------------------------


def test_the_difference_read_off_is_found_as_often_as_asked() -> None:
    rng = np.random.default_rng(3)
    row, column = np.indices((3, 6)).reshape(2, -1)
    zone = column < 2
    dark = np.arange(18) < 6
    found = stats.smallest_zone_difference(dark, row, column, zone, rng=rng)
    assert found.strongest == pytest.approx(1.0)
    # Another route: dark cells of the zone so many that the mean gap is as read off.
    # A gap g of 6 dark cells of 18 has k = 2 + 4 g of them in the zone of 6.
    passed = []
    for _ in range(400):
        n_in = 2 + 4 * found.difference
        k = int(n_in) + int(rng.random() < n_in % 1)
        grid = np.zeros(18)
        grid[rng.choice(np.flatnonzero(zone), k, replace=False)] = 1
        grid[rng.choice(np.flatnonzero(~zone), 6 - k, replace=False)] = 1
        moran = stats.moran_test(grid.reshape(3, 6), max_layouts=1, n_permutations=199)
        passed.append(moran.p_value <= 0.05)
    assert 0.68 <= np.mean(passed) <= 0.92


def test_more_bakes_find_weaker_patterns_and_few_cells_none() -> None:
    row, column = np.indices((3, 6)).reshape(2, -1)
    one, four = (
        stats.smallest_zone_difference(
            np.tile(np.arange(18) < 5, k),
            np.tile(row, k),
            np.tile(column, k),
            np.tile(column < 2, k),
            bake=np.repeat(np.arange(k), 18),
        )
        for k in (1, 4)
    )
    assert four.difference < one.difference - 0.1
    assert four.n_bakes == 4
    few = stats.smallest_zone_difference([1, 0, 0], [1, 1, 1], [1, 2, 3], [1, 0, 0])
    assert np.isnan(few.difference)
    none = stats.smallest_zone_difference([0, 0, 0], [1, 1, 1], [1, 2, 3], [1, 0, 0])
    assert none.n_bakes == 0
