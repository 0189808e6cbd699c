"""The draws behind a layout: even use of cells, lots in proportion, uniform chance."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pitstats.planning.random_draws import (
    CellPicker,
    deal_lots,
    draw_codes,
    interleave,
    load_ranks_at_random,
    load_ranks_by_row,
    session_counts,
    share_out,
)

ROWS, COLUMNS = 3, 4
ROW, COLUMN = (index.ravel() for index in np.indices((ROWS, COLUMNS)))
ALL = np.ones(ROWS * COLUMNS, dtype=bool)


@given(
    n_items=st.integers(1, ROWS * COLUMNS),
    n_bakes=st.integers(1, 8),
    seed=st.integers(0, 10**6),
)
@settings(max_examples=60, deadline=None)
def test_picked_cells_are_spread_and_used_equally_often(n_items, n_bakes, seed):
    picker = CellPicker(COLUMN, ROW, np.random.default_rng(seed))
    used = np.zeros(ROWS * COLUMNS, dtype=int)
    for _ in range(n_bakes):
        cells = picker.pick(n_items, ALL)
        assert len(set(cells)) == n_items
        per_column = np.bincount(COLUMN[cells], minlength=COLUMNS)
        assert np.ptp(per_column) <= 1
        used[cells] += 1
        assert np.ptp(np.bincount(COLUMN, used)) <= 1 + 1e-9
    assert np.ptp(used) <= 1


def test_free_cells_only():
    free = (ROW + COLUMN) % 2 == 0
    cells = CellPicker(COLUMN, ROW, np.random.default_rng(1)).pick(6, free)
    assert set(cells) == set(np.flatnonzero(free))


@pytest.mark.parametrize("n_items", [1, 5, 7])
def test_every_cell_has_the_same_chance(n_items):
    used = np.zeros(ROWS * COLUMNS)
    for seed in range(1500):
        picker = CellPicker(COLUMN, ROW, np.random.default_rng(seed))
        used[picker.pick(n_items, ALL)] += 1
    # Drawing without replacement varies less than a multinomial: the test is cautious.
    assert stats.chisquare(used).pvalue > 0.001


def test_random_loading_gives_every_rank_to_every_cell_alike():
    counts = np.zeros((6, 6))
    grate = np.zeros(6, dtype=np.int64)
    rng = np.random.default_rng(4)
    for _ in range(3000):
        counts[np.arange(6), load_ranks_at_random(grate, rng) - 1] += 1
    # Anderson (1959), Biometrics 15:139-148, for ranks.
    pearson = stats.chisquare(counts, axis=None).statistic
    assert stats.chi2.sf(pearson * 5 / 6, 25) > 0.001


def test_random_loading_finishes_one_grate_before_the_next():
    grate = np.array([1, 0, 1, 0, 0])
    ranks = load_ranks_at_random(grate, np.random.default_rng(1))
    assert sorted(ranks[grate == 0]) == [1, 2, 3]
    assert sorted(ranks[grate == 1]) == [4, 5]


@pytest.mark.parametrize(
    ("from_firebox", "from_door", "expected"),
    [
        (True, True, [[1, 2, 3], [4, 5, 6]]),
        (False, True, [[3, 2, 1], [6, 5, 4]]),
        (True, False, [[4, 5, 6], [1, 2, 3]]),
        (False, False, [[6, 5, 4], [3, 2, 1]]),
    ],
)
def test_loading_by_row_starts_at_any_corner(from_firebox, from_door, expected):
    row, column = (index.ravel() + 1 for index in np.indices((2, 3)))
    ranks = load_ranks_by_row(
        np.zeros(6, dtype=np.int64),
        row,
        column,
        from_firebox=from_firebox,
        from_door=from_door,
    )
    assert ranks.reshape(2, 3).tolist() == expected


def test_bakes_are_spread_over_sessions():
    counts = session_counts([3, 2, 4], 3, np.random.default_rng(1))
    assert counts.sum(axis=0).tolist() == [3, 2, 4]
    assert (np.ptp(counts, axis=0) <= 1).all()
    assert counts.sum(axis=1).tolist() == [3, 3, 3]


def test_sessions_too_short_for_all_pits_let_them_meet_equally_often():
    # Six pits, two bakes each, three sessions: four pits fit a session, and each pair
    # meets once or twice (a group divisible design).
    counts = session_counts([2] * 6, 3, np.random.default_rng(1))
    assert (counts.sum(axis=1) == 4).all()
    together = (counts.T @ counts)[~np.eye(6, dtype=bool)]
    assert set(together) <= {1, 2}


def test_shares_keep_the_total_and_stay_close_to_proportion():
    rng = np.random.default_rng(3)
    for _ in range(200):
        weights = rng.integers(1, 30, size=rng.integers(1, 6))
        total = int(rng.integers(0, weights.sum() + 1))
        shares = share_out(total, weights, rng)
        assert shares.sum() == total
        assert (np.abs(shares - total * weights / weights.sum()) < 1).all()
        assert (shares <= weights).all()


def test_interleaved_labels_are_even_in_every_stretch():
    counts = np.array([10, 20, 30])
    labels = interleave(counts)
    assert np.bincount(labels).tolist() == counts.tolist()
    for start in range(0, 60, 6):
        part = np.bincount(labels[start : start + 6], minlength=3)
        assert (np.abs(part - [1, 2, 3]) <= 1).all()


def test_lots_are_dealt_in_proportion_to_pits_and_bakes():
    sizes = [[12, 12, 12], [9, 9, 9], [15, 15]]
    counts = np.array([40, 53])
    dealt = deal_lots(sizes, counts, np.random.default_rng(7))
    assert sum(
        np.bincount(np.concatenate(pit), minlength=2) for pit in dealt
    ).tolist() == [
        40,
        53,
    ]
    for pit in dealt:
        for lots in [np.concatenate(pit), *pit]:
            share = np.bincount(lots, minlength=2)[0]
            assert abs(share - len(lots) * 40 / 93) <= 1


def test_lots_fall_on_cells_alike():
    counts = np.zeros(8)
    for seed in range(2000):
        (bake,) = deal_lots([[8]], np.array([3, 5]), np.random.default_rng(seed))[0]
        counts += bake == 0
    assert stats.chisquare(counts).pvalue > 0.001


@pytest.mark.parametrize(
    ("n_items", "digits"), [(1, 3), (900, 3), (901, 3), (999, 3), (1000, 4), (10000, 5)]
)
def test_codes_are_unique_and_long_enough(n_items, digits):
    codes = draw_codes(n_items, np.random.default_rng(1))
    assert len(set(codes)) == n_items
    assert {len(code) for code in codes} == {digits}
    if n_items in (1, 900, 1000):
        assert not any(code.startswith("0") for code in codes)


def test_codes_tell_nothing_about_the_place_in_the_list():
    # Rank correlation of code and position, over many draws: mean 0, and as often
    # beyond the 5 % point as chance has it.
    n_items, n_draws = 30, 2000
    rng = np.random.default_rng(11)
    correlations = np.array(
        [
            stats.spearmanr(
                np.arange(n_items), np.array(draw_codes(n_items, rng), float)
            )
            for _ in range(n_draws)
        ]
    )
    rho, p_values = correlations.T
    assert abs(rho.mean()) < 4 / np.sqrt((n_items - 1) * n_draws)
    assert stats.binomtest(int((p_values < 0.05).sum()), n_draws, 0.05).pvalue > 0.001
