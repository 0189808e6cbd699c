"""Simulated tests of equal pits, judged after every number of bakes asked about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtri

from pitstats.stats.bake_model import BakeModel
from pitstats.stats.marginal import marginal_intercept

Array = NDArray[np.float64]

CELLS = (
    (0.05, 1.0),
    (0.1, 1.0),
    (0.2, 0.6),
    (0.2, 1.0),
    (0.35, 0.6),
    (0.35, 1.0),
    (0.5, 0.6),
    (0.5, 1.0),
)
"""Long-run rates and spreads between bakes over which a boundary is calibrated.

Of rates 0.05, 0.1, 0.2, 0.35 and 0.5 with spreads of 0, 0.3, 0.6 and 1 these are the
cells that can decide: in the others false calls are plainly rarer.
"""

BLOCK = 1000
"""Simulated tests that share one seed."""

_LARGEST_SCORE = 8.0  # of a p-value too small to be told from 0


@dataclass(frozen=True)
class Trials:
    """Simulated tests of pits of one rate and one spread.

    Attributes
    ----------
    looks : tuple of int
        Bakes per pit at each look, increasing.
    items : tuple of int
        Items per bake of each pit.
    rates : tuple of float
        Long-run rate of each pit.
    sd_bake : float
        Spread between bakes, logit scale.
    """

    looks: tuple[int, ...]
    items: tuple[int, ...]
    rates: tuple[float, ...]
    sd_bake: float

    def burned(self, seed: int, block: int, n: int = BLOCK) -> NDArray[np.int64]:
        """Counts of a block of tests, shape (n, n_pits, n_bakes)."""
        cell = (round(1000 * rate) for rate in (*self.rates, self.sd_bake))
        rng = np.random.default_rng(
            np.random.SeedSequence(seed, spawn_key=(block, *self.items, *cell))
        )
        shape = (n, len(self.items), self.looks[-1])
        intercept = marginal_intercept(np.array(self.rates), self.sd_bake)
        heat = rng.normal(size=shape) * self.sd_bake
        chance = expit(intercept[:, None] + heat)
        return rng.binomial(np.array(self.items)[:, None], chance)

    def model(self, look: int, conf_level: float = 0.95) -> BakeModel:
        """Analysis of a test with this many bakes of every pit."""
        pit = np.repeat(np.arange(len(self.items)), look)
        return BakeModel(np.repeat(self.items, look), pit, conf_level)

    def p_values(self, burned: NDArray[np.int64], below: float = 0.06) -> Array:
        """Smallest p-value of any pair at every look, allowing for the pairs.

        Parameters
        ----------
        burned : ndarray of int, shape (n, n_pits, n_bakes)
            Simulated counts.
        below : float
            Where no pair alone has a smaller p-value, the allowance for the pairs is
            left out.

        Returns
        -------
        ndarray, shape (n, n_looks)
            1 at a look with one bake of every pit, which allows no verdict.
        """
        found = np.ones((burned.shape[0], len(self.looks)))
        for j, look in enumerate(self.looks):
            if look > 1:
                counts = burned[:, :, :look].reshape(burned.shape[0], -1)
                found[:, j] = self.model(look).smallest_p_values(counts, below)
        return found

    def shown_at_early_stop(
        self, levels: ArrayLike, pair: tuple[int, int], seed: int, n: int = BLOCK
    ) -> Array:
        """Differences that tests show which stop before their last look.

        Parameters
        ----------
        levels : array_like, shape (n_looks,)
            Two-sided level of each look.
        pair : (int, int)
            Pits whose interval decides, and whose difference is shown.
        seed, n : int
            Seed, and number of simulated tests.

        Returns
        -------
        ndarray, shape (n_stopped,)
            Estimated difference, first pit minus second, of every test that stopped.
        """
        burned, shown = self.burned(seed, 0, n), [np.empty(0)]
        early = zip(self.looks[:-1], np.asarray(levels).tolist(), strict=False)
        for look, level in early:
            if look < 2:
                continue
            model = self.model(look, 1.0 - level)
            counts = burned[:, :, :look].reshape(burned.shape[0], -1)
            told = model.separated(counts, [pair])[:, 0]
            if told.any():
                rates = model.rates(counts[told]).estimate
                shown.append(rates[:, pair[0]] - rates[:, pair[1]])
            burned = burned[~told]
        return np.concatenate(shown)

    def scores(self, seed: int, block: int, n: int = BLOCK) -> Array:
        """Normal scores of the p-values times k to the power 1/4.

        The boundary compares them with ``constant * K**(1/4)``.
        """
        p_value = self.p_values(self.burned(seed, block, n))
        score = np.minimum(-ndtri(p_value / 2), _LARGEST_SCORE)
        return np.asarray(score * np.asarray(self.looks, dtype=float) ** 0.25)


def equal_pits(
    looks: tuple[int, ...],
    items: tuple[int, ...],
    cells: Sequence[tuple[float, float]] = CELLS,
) -> list[Trials]:
    """Trials of pits that are all alike, for rates and spreads."""
    return [Trials(looks, items, (rate,) * len(items), sd) for rate, sd in cells]
