"""In which order the pits bake: squares balanced for place and for what baked before.

Weather turns, coals build up, dough ages and people tire in the course of a session. A
pit that always bakes first is compared under other conditions than one that always
bakes last. The squares of Williams (1949) put every pit equally often at every place of
the session, and equally often directly after every other pit. Where the number of
sessions does not allow a whole square, the best order found is used and its score says
how far it is from such balance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_DRAWS = 200  # random part-squares tried before the local search starts
_CLIMBS = 60  # starts of the local search
_TIE = 9  # decimals: scores are sums of fractions, equal ones differ by rounding only

Order = list[list[int]]
Key = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class OrderBalance:
    """How evenly the pits share the places of a session.

    Attributes
    ----------
    positions : pandas.DataFrame
        ``pit, order, count, expected``: how often a pit holds a place in the session,
        and how often it would if places were shared exactly.
    follows : pandas.DataFrame
        ``pit, after, count, expected``: how often a pit bakes directly after another
        (or after itself, which would ideally never happen).
    position_score, drift_score, follow_score : float
        Sums of squared departures: of the place counts, of each pit's summed place from
        the middle of its sessions, and of the follower counts.
    score : float
        The sum of the three; 0 means that everything is shared exactly.
    best_possible : float
        A bound that no order of these bakes can be under, because counts are whole
        numbers. The best order may lie above it.
    method : str
        "Williams squares" or "best of a random search".
    explanation : str
        The above in one or two sentences.
    """

    positions: pd.DataFrame
    follows: pd.DataFrame
    position_score: float
    drift_score: float
    follow_score: float
    score: float
    best_possible: float
    method: str
    explanation: str


def williams_squares(n_pits: int) -> NDArray[np.int64]:
    """Orders balanced for place in the session and for the pit that baked just before.

    Notes
    -----
    The first row is 0, 1, n - 1, 2, n - 2, ...: its steps, modulo n, are all different
    when n is even, so that turning it n times lets every pit follow every other exactly
    once. When n is odd each step comes twice or not at all; the mirror image supplies
    the missing ones, and every pit follows every other exactly twice.

    References
    ----------
    .. [1] Williams, E. J. (1949), Experimental designs balanced for the estimation of
       residual effects of treatments, Australian Journal of Scientific Research A
       2:149-168.
    """
    if n_pits < 1:
        raise ValueError("n_pits must be at least 1.")
    place = np.arange(n_pits)
    first = np.where(place % 2 == 1, (place + 1) // 2, (n_pits - place // 2) % n_pits)
    square = (first[None, :] + place[:, None]) % n_pits
    if n_pits % 2 == 0 or n_pits == 1:
        return square
    return np.vstack([square, square[:, ::-1]])


def balanced_order(
    counts: NDArray[np.int64], pits: Sequence[str], *, rng: np.random.Generator
) -> tuple[Order, OrderBalance]:
    """Draw a baking order for every session, as balanced as the bakes allow.

    Notes
    -----
    When every pit bakes once in every session, and the number of sessions is a multiple
    of the pits (twice the pits if odd), whole Williams squares [1]_ are used, pits and
    rows shuffled. A rest is filled with rows of a further square. Other plans start
    from random orders. Both are improved by swapping bakes within a session until no
    swap lowers the score: that of places first, then drift, then followers.

    References
    ----------
    .. [1] Williams, E. J. (1949), Australian Journal of Scientific Research A
       2:149-168.
    """
    complete = bool((counts == 1).all())
    n_sessions, n_pits = counts.shape
    rows_needed = n_pits if n_pits % 2 == 0 or n_pits == 1 else 2 * n_pits
    whole, rest = divmod(n_sessions, rows_needed) if complete else (0, n_sessions)
    fixed = [row for _ in range(whole) for row in _shuffled_square(n_pits, rng)]
    if rest == 0:
        order, method = fixed, "Williams squares"
    else:
        order = _search(counts, fixed, rest if complete else 0, rng)
        method = "best of a random search"
    if complete:  # every session holds the same bakes, so their sequence is free
        order = [order[i] for i in rng.permutation(len(order))]
    return order, _describe(order, counts, pits, method, rows_needed)


def _shuffled_square(n_pits: int, rng: np.random.Generator) -> Order:
    names = rng.permutation(n_pits)
    rows: Order = names[williams_squares(n_pits)].tolist()
    return [rows[i] for i in rng.permutation(len(rows))]


def _search(
    counts: NDArray[np.int64], fixed: Order, rest: int, rng: np.random.Generator
) -> Order:
    """Return the best order found: `fixed` sessions stay, the others are searched."""
    bound = round(sum(_bounds(counts)), _TIE)
    starts: list[tuple[Key, Order]] = []
    for _ in range(_DRAWS):
        start = fixed + _random_start(counts, rest, rng)
        key = _key(start, counts)
        if sum(key) <= bound:
            return start
        starts.append((key, start))
    starts.sort(key=lambda pair: pair[0])  # stable: ties stay in random order
    best_key, best = starts[0]
    for key, start in starts[:_CLIMBS]:
        key, start = _climb(key, start, len(fixed), counts, rng)
        if key < best_key:
            best_key, best = key, start
        if sum(best_key) <= bound:
            break
    return best


def _random_start(
    counts: NDArray[np.int64], rest: int, rng: np.random.Generator
) -> Order:
    n_pits = counts.shape[1]
    if rest:
        return _shuffled_square(n_pits, rng)[:rest]
    return [
        rng.permutation(np.repeat(np.arange(n_pits), session)).tolist()
        for session in counts
    ]


def _climb(
    key: Key,
    order: Order,
    first: int,
    counts: NDArray[np.int64],
    rng: np.random.Generator,
) -> tuple[Key, Order]:
    """Swap two bakes of a session as long as that lowers the score."""
    order = [list(row) for row in order]
    swaps = [
        (s, i, j)
        for s in range(first, len(order))
        for i, j in combinations(range(len(order[s])), 2)
    ]
    improved = True
    while improved:
        improved = False
        for index in rng.permutation(len(swaps)):
            s, i, j = swaps[index]
            row = order[s]
            if row[i] == row[j]:
                continue
            row[i], row[j] = row[j], row[i]
            trial = _key(order, counts)
            if trial < key:
                key, improved = trial, True
            else:
                row[i], row[j] = row[j], row[i]
    return key, order


def _key(order: Order, counts: NDArray[np.int64]) -> Key:
    position, drift, follow = _scores(order, counts)
    return round(position, _TIE), round(drift, _TIE), round(follow, _TIE)


def _scores(order: Order, counts: NDArray[np.int64]) -> tuple[float, float, float]:
    places, after = _count(order, counts.shape[1])
    lengths = counts.sum(axis=1)
    position = float(((places - _expected_places(counts)) ** 2).sum())
    middle = counts.T @ ((lengths - 1) / 2)
    drift = float(((places @ np.arange(places.shape[1]) - middle) ** 2).sum())
    return position, drift, float(((after - _expected_follows(counts)) ** 2).sum())


def _count(order: Order, n_pits: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return counts of pit by place and of pit by the pit just before it."""
    places = np.zeros((n_pits, max(map(len, order))), dtype=np.int64)
    after = np.zeros((n_pits, n_pits), dtype=np.int64)
    for row in order:
        before = -1
        for place, pit in enumerate(row):
            places[pit, place] += 1
            if before >= 0:
                after[pit, before] += 1
            before = pit
    return places, after


def _expected_places(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    lengths = counts.sum(axis=1)
    there = np.arange(lengths.max()) < lengths[:, None]
    expected: NDArray[np.float64] = (counts / lengths[:, None]).T @ there
    return expected


def _expected_follows(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return an equal share for every pair of different pits, none for a pit itself."""
    n_pits = counts.shape[1]
    follows = int(counts.sum() - counts.shape[0])
    if n_pits == 1:
        return np.full((1, 1), float(follows))
    expected = np.full((n_pits, n_pits), follows / (n_pits * (n_pits - 1)))
    np.fill_diagonal(expected, 0.0)
    return expected


def _bounds(counts: NDArray[np.int64]) -> tuple[float, float, float]:
    """Return values that whole-number counts cannot be under, one for each score."""
    expected = _expected_places(counts)
    by_pit = sum(_whole_number_bound(row) for row in expected)
    by_place = sum(_whole_number_bound(column) for column in expected.T)
    lengths = counts.sum(axis=1)
    middle = counts.T @ ((lengths - 1) / 2)
    drift = float(((middle - np.round(middle)) ** 2).sum())
    follows = _expected_follows(counts)
    share = follows.max()
    if counts.max() == 1:  # no pit can follow itself, so the counts' sum is known
        follow = _whole_number_bound(follows[~np.eye(len(follows), dtype=bool)])
    else:
        follow = float(follows.astype(bool).sum() * (share - np.round(share)) ** 2)
    return max(by_pit, by_place), drift, follow


def _whole_number_bound(expected: NDArray[np.float64]) -> float:
    """Return the least sum of squares of whole numbers with the same total."""
    low = np.floor(expected + 1e-9)
    fraction = expected - low
    ups = round(float(fraction.sum()))
    closest = low.copy()
    closest[np.argsort(-fraction, kind="stable")[:ups]] += 1
    return float(((closest - expected) ** 2).sum())


def _describe(
    order: Order,
    counts: NDArray[np.int64],
    pits: Sequence[str],
    method: str,
    rows_needed: int,
) -> OrderBalance:
    places, after = _count(order, counts.shape[1])
    expected, expected_after = _expected_places(counts), _expected_follows(counts)
    position, drift, follow = (round(value, _TIE) for value in _scores(order, counts))
    score = round(position + drift + follow, _TIE)
    bound = round(sum(_bounds(counts)), _TIE)
    position_rows = [
        (pits[p], place + 1, int(places[p, place]), float(expected[p, place]))
        for p in range(len(pits))
        for place in range(places.shape[1])
    ]
    follow_rows = [
        (pits[p], pits[q], int(after[p, q]), float(expected_after[p, q]))
        for p in range(len(pits))
        for q in range(len(pits))
    ]
    return OrderBalance(
        positions=pd.DataFrame(
            position_rows, columns=["pit", "order", "count", "expected"]
        ),
        follows=pd.DataFrame(
            follow_rows, columns=["pit", "after", "count", "expected"]
        ),
        position_score=position,
        drift_score=drift,
        follow_score=follow,
        score=score,
        best_possible=bound,
        method=method,
        explanation=_explain(places, score, bound, counts, method, rows_needed),
    )


def _explain(
    places: NDArray[np.int64],
    score: float,
    bound: float,
    counts: NDArray[np.int64],
    method: str,
    rows_needed: int,
) -> str:
    n_sessions, n_pits = counts.shape
    if n_pits == 1:
        return "One pit only: there is no order to balance."
    held = _how_often(int(places.min()), int(places.max()))
    if method == "Williams squares":
        return (
            f"Whole Williams squares: every pit holds every place of the session "
            f"{held} and bakes directly after every other pit {held}. Balance score 0 "
            f"(0 is exact balance)."
        )
    least = f"; no order can have less than {bound:.3g}" if bound > 0 else ""
    text = (
        f"No exactly balanced order was found for these sessions: the best one has "
        f"balance score {score:.3g} (0 is exact balance{least})."
    )
    if score == 0:
        text = "Every place and every follower is shared equally: balance score 0."
    if (counts == 1).all():
        text += f" Every pit holds every place of the session {held}."
        if score > 0:
            text += _exact_at(n_sessions, rows_needed)
    return text


def _exact_at(n_sessions: int, rows_needed: int) -> str:
    below = n_sessions // rows_needed * rows_needed
    above = below + rows_needed
    exact = f"{below} or {above}" if below else f"{above}"
    return f" With {exact} sessions the balance would be exact."


def _how_often(low: int, high: int) -> str:
    names = {0: "never", 1: "once", 2: "twice"}
    first, last = (names.get(count, f"{count} times") for count in (low, high))
    if low == high:
        return first
    if low == 0:
        return f"at most {last}"
    return f"{first} or {last}" if high == low + 1 else f"between {first} and {last}"
