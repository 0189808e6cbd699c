"""Baking orders: published squares, balance by counting, chance and scores."""

import itertools

import numpy as np
import pytest
from scipy import stats

from pitstats.planning.order import balanced_order, williams_squares


def follower_counts(rows: np.ndarray) -> np.ndarray:
    n = rows.max() + 1
    counts = np.zeros((n, n), dtype=int)
    for row in rows:
        for before, pit in itertools.pairwise(row):
            counts[before, pit] += 1
    return counts


def ones(n_sessions: int, n_pits: int) -> np.ndarray:
    return np.ones((n_sessions, n_pits), dtype=np.int64)


# Williams (1949), Aust. J. Sci. Res. A 2:149-168: for an even number n of treatments
# the first row is 0, 1, n - 1, 2, n - 2, ... and the others follow by adding 1 modulo
# n. Written out, the squares of order 4 and 6 as they are usually reprinted (A = 0).
PUBLISHED = {
    4: ["ABDC", "BCAD", "CDBA", "DACB"],
    6: ["ABFCED", "BCADFE", "CDBEAF", "DECFBA", "EFDACB", "FAEBDC"],
}


@pytest.mark.parametrize("n_pits", sorted(PUBLISHED))
def test_published_squares(n_pits):
    letters = ["".join("ABCDEF"[p] for p in row) for row in williams_squares(n_pits)]
    assert letters == PUBLISHED[n_pits]


def test_three_pits_give_all_six_orders():
    # With three treatments the pair of squares holds every permutation once.
    rows = {tuple(row) for row in williams_squares(3).tolist()}
    assert rows == set(itertools.permutations(range(3)))


@pytest.mark.parametrize("n_pits", [4, 6, 8])
def test_agrees_with_the_interlacing_construction(n_pits):
    # Sheehe & Bross (1961), Biometrics 17:405-414: a cyclic square, every row
    # interlaced with its mirror image and cut in the middle. The same square, numbered
    # otherwise.
    cyclic = (np.arange(n_pits)[:, None] + np.arange(n_pits)) % n_pits
    laced = np.stack([cyclic, cyclic[:, ::-1]], axis=2).reshape(n_pits, -1)[:, :n_pits]
    ours = {tuple(row) for row in williams_squares(n_pits).tolist()}
    first = williams_squares(n_pits)[0]
    renumber = np.empty(n_pits, dtype=int)
    renumber[laced[0]] = first
    assert {tuple(row) for row in renumber[laced].tolist()} == ours


@pytest.mark.parametrize("n_pits", range(2, 11))
def test_squares_balance_places_and_followers(n_pits):
    rows = williams_squares(n_pits)
    each = 1 if n_pits % 2 == 0 else 2
    for place in range(n_pits):
        assert (np.bincount(rows[:, place], minlength=n_pits) == each).all()
    off_diagonal = ~np.eye(n_pits, dtype=bool)
    counts = follower_counts(rows)
    assert (counts[off_diagonal] == each).all()
    assert (np.diag(counts) == 0).all()


def test_no_pit_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        williams_squares(0)


@pytest.mark.parametrize(
    ("n_pits", "n_sessions"), [(2, 2), (2, 6), (3, 6), (4, 4), (4, 8), (5, 10), (6, 6)]
)
def test_whole_squares_score_zero(n_pits, n_sessions):
    names = list("ABCDEF"[:n_pits])
    order, balance = balanced_order(
        ones(n_sessions, n_pits), names, rng=np.random.default_rng(n_pits)
    )
    assert balance.score == balance.best_possible == 0
    assert balance.method == "Williams squares"
    assert (balance.positions["count"] == n_sessions // n_pits).all()
    others = balance.follows["pit"] != balance.follows["after"]
    assert balance.follows.loc[others, "count"].nunique() == 1
    assert all(sorted(row) == list(range(n_pits)) for row in order)


@pytest.mark.parametrize(("n_pits", "n_sessions"), [(2, 3), (3, 2), (3, 4), (4, 3)])
def test_search_finds_the_best_of_all_orders(n_pits, n_sessions):
    # Every possible order is scored by counting, independently of the search.
    def key(rows):
        rows = np.array(rows)
        places = np.stack(
            [np.bincount(rows[:, j], minlength=n_pits) for j in range(n_pits)], axis=1
        )
        expected = n_sessions / n_pits
        position = ((places - expected) ** 2).sum()
        middle = n_sessions * (n_pits - 1) / 2
        drift = ((places @ np.arange(n_pits) - middle) ** 2).sum()
        others = ~np.eye(n_pits, dtype=bool)
        follow = ((follower_counts(rows)[others] - expected) ** 2).sum()
        return round(position, 6), round(drift, 6), round(follow, 6)

    permutations = list(itertools.permutations(range(n_pits)))
    # The first row may be fixed: renumbering the pits changes no score.
    rest = itertools.combinations_with_replacement(permutations, n_sessions - 1)
    best = min(key([permutations[0], *rows]) for rows in rest)
    order, balance = balanced_order(
        ones(n_sessions, n_pits), list("ABCD"[:n_pits]), rng=np.random.default_rng(8)
    )
    found = (balance.position_score, balance.drift_score, balance.follow_score)
    assert found == pytest.approx(key(order), abs=1e-6)
    assert found == pytest.approx(best, abs=1e-6)
    assert balance.score == pytest.approx(sum(best), abs=1e-6)
    assert balance.best_possible <= balance.score
    assert "would be exact" in balance.explanation


def test_several_bakes_a_session_balance_early_and_late():
    counts = np.full((2, 2), 2)
    order, balance = balanced_order(counts, ["A", "B"], rng=np.random.default_rng(2))
    assert balance.drift_score == 0
    for pit in (0, 1):
        places = [place for row in order for place, p in enumerate(row) if p == pit]
        assert np.mean(places) == 1.5


def test_sessions_without_some_pits_keep_their_bakes():
    counts = np.array([[1, 1, 0], [1, 0, 1], [0, 1, 1]])
    order, balance = balanced_order(counts, list("ABC"), rng=np.random.default_rng(2))
    assert [sorted(row) for row in order] == [[0, 1], [0, 2], [1, 2]]
    assert (balance.positions["count"] == 1).all()


def test_one_pit_has_nothing_to_balance():
    order, balance = balanced_order(
        np.array([[2], [1]]), ["A"], rng=np.random.default_rng(1)
    )
    assert order == [[0, 0], [0]]
    assert balance.score == 0
    assert "no order" in balance.explanation


@pytest.mark.parametrize(("n_pits", "n_sessions"), [(3, 6), (2, 3), (4, 2)])
def test_every_pit_has_the_same_chance_of_every_place(n_pits, n_sessions):
    n_draws = 600
    first = np.zeros((n_pits, n_pits))
    for seed in range(n_draws):
        order, _ = balanced_order(
            ones(n_sessions, n_pits),
            list("ABCD"[:n_pits]),
            rng=np.random.default_rng(seed),
        )
        for place, pit in enumerate(order[0]):
            first[pit, place] += 1
    # Anderson (1959), Biometrics 15:139-148: ranks of one draw depend on each other,
    # and (n - 1)/n of Pearson's statistic has (n - 1)^2 degrees of freedom.
    pearson = stats.chisquare(first, axis=None).statistic
    p_value = stats.chi2.sf(pearson * (n_pits - 1) / n_pits, (n_pits - 1) ** 2)
    assert p_value > 0.001


def test_same_generator_state_gives_the_same_order():
    draws = [
        balanced_order(ones(5, 4), list("ABCD"), rng=np.random.default_rng(3))[0]
        for _ in range(2)
    ]
    assert draws[0] == draws[1]
