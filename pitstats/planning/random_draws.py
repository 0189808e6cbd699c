"""Items to cells, lots, loading order, codes: the draws behind a layout.

Plain arrays in, plain arrays out; `layout` makes tables of them. Every function takes
its own generator, so that changing one rule of a plan leaves the other draws alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


class CellPicker:
    """Picks the cells of one pit's bakes so that all are used equally often.

    Parameters
    ----------
    stratum : ndarray of int, shape (cells,)
        Column of each cell; cells of different grates lie in different columns. Items
        are spread over the columns, because distance from the firebox matters most.
    across : ndarray of int, shape (cells,)
        Row of each cell; rows of different grates are different.
    rng : numpy.random.Generator
        Source of randomness.
    """

    def __init__(self, stratum: Ints, across: Ints, rng: np.random.Generator) -> None:
        self._stratum = stratum
        self._across = across
        self._rng = rng
        self._used = np.zeros(len(stratum), dtype=np.int64)
        self._owed = np.zeros(int(stratum.max()) + 1)

    def pick(self, n_items: int, free: NDArray[np.bool_]) -> Ints:
        """Pick cells for one bake.

        Notes
        -----
        Each column gets its share of the items, rounded so that over the bakes no
        column falls behind; within a column those cells are taken that were used least
        so far, then those whose row holds fewest items. Ties are drawn at random, so
        every cell has the same chance in every bake.
        """
        quota = self._quota(
            n_items, np.bincount(self._stratum[free], minlength=len(self._owed))
        )
        in_row = np.zeros(int(self._across.max()) + 1, dtype=np.int64)
        picked: list[int] = []
        for column in self._rng.permutation(len(quota)):
            cells = np.flatnonzero(free & (self._stratum == column))
            for _ in range(int(quota[column])):
                order = np.lexsort(
                    (
                        self._rng.random(len(cells)),
                        in_row[self._across[cells]],
                        self._used[cells],
                    )
                )
                cell = int(cells[order[0]])
                cells = cells[cells != cell]
                picked.append(cell)
                in_row[self._across[cell]] += 1
                self._used[cell] += 1
        return np.sort(np.array(picked, dtype=np.int64))

    def _quota(self, n_items: int, room: Ints) -> Ints:
        share = n_items * room / room.sum()
        self._owed += share
        quota: Ints = np.floor(share + 1e-9).astype(np.int64)
        behind = np.where(quota < room, self._owed - quota, -np.inf)
        behind = np.round(behind, 9)
        order = np.lexsort((self._rng.random(len(quota)), -behind))
        quota[order[: n_items - int(quota.sum())]] += 1
        self._owed -= quota
        return quota


def load_ranks_by_row(
    grate: Ints, row: Ints, column: Ints, *, from_firebox: bool, from_door: bool
) -> Ints:
    """Rank cells for loading along the rows."""
    along = column if from_firebox else -column
    across = row if from_door else -row
    return _ranks(np.lexsort((along, across, grate)))


def load_ranks_at_random(grate: Ints, rng: np.random.Generator) -> Ints:
    """Rank cells for loading at random, grate after grate."""
    return _ranks(np.lexsort((rng.random(len(grate)), grate)))


def _ranks(order: Ints) -> Ints:
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(1, len(order) + 1)
    return ranks


def session_counts(
    bakes: Sequence[int], n_sessions: int, rng: np.random.Generator
) -> Ints:
    """Spread the bakes of each pit over the sessions."""
    base, extra = np.divmod(np.asarray(bakes), n_sessions)
    even = np.tile(base, (n_sessions, 1))
    if not extra.any():
        return even
    best, best_key = even, (np.inf, np.inf)
    for _ in range(400):
        added = np.zeros_like(even)
        load = np.zeros(n_sessions)
        for pit in rng.permutation(len(extra)):
            order = np.lexsort((rng.random(n_sessions), load))
            chosen = order[: extra[pit]]
            added[chosen, pit] = 1
            load[chosen] += 1
        full = even + added
        together = full.T @ full
        key = (
            float((full.sum(axis=1) ** 2).sum()),
            float((together[~np.eye(len(extra), dtype=bool)] ** 2).sum()),
        )
        if key < best_key:
            best, best_key = full, key
    return best


def share_out(total: int, weights: Sequence[int], rng: np.random.Generator) -> Ints:
    """Share a whole number in proportion to weights, to the nearest whole numbers."""
    exact = total * np.asarray(weights) / np.sum(weights)
    shares: Ints = np.floor(exact + 1e-9).astype(np.int64)
    rest = np.round(exact - shares, 9)
    order = np.lexsort((rng.random(len(shares)), -rest))
    shares[order[: total - int(shares.sum())]] += 1
    return shares


def interleave(counts: Ints) -> Ints:
    """Lay out labels so that any stretch holds all of them nearly in proportion."""
    labels = np.repeat(np.arange(len(counts)), counts)
    place = np.concatenate(
        [(np.arange(count) + 0.5) / count for count in counts if count]
    )
    return labels[np.argsort(place, kind="stable")]


def deal_lots(
    sizes: Sequence[Sequence[int]], counts: Ints, rng: np.random.Generator
) -> list[list[Ints]]:
    """Deal items of several lots to the bakes of several pits, evenly."""
    labels = interleave(counts)
    dealt: list[list[Ints]] = [[np.empty(0, dtype=np.int64)] * len(s) for s in sizes]
    start = 0
    for pit in rng.permutation(len(sizes)):
        for bake in rng.permutation(len(sizes[pit])):
            stop = start + sizes[pit][bake]
            dealt[pit][bake] = rng.permutation(labels[start:stop])
            start = stop
    return dealt


def draw_codes(n_items: int, rng: np.random.Generator) -> list[str]:
    """Draw random codes that tell nothing about the item."""
    digits = max(3, len(str(n_items)))
    low = 10 ** (digits - 1) if n_items <= 9 * 10 ** (digits - 1) else 1
    pool = np.arange(low, 10**digits)
    return [f"{code:0{digits}d}" for code in rng.choice(pool, n_items, replace=False)]
