"""The posterior of long-run rates on its grid, for differences, pictures and draws."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from pitstats.stats.bake_grid import Array, RateGrid
from pitstats.stats.bake_spread import SpreadSummaries, spread_summaries
from pitstats.stats.difference import Index, PairDifferences, cell_middles
from pitstats.stats.multiplicity import sobol_cells, sobol_points
from pitstats.stats.spread_prior import SpreadLevels, SpreadPrior


@dataclass(frozen=True, eq=False)
class JointRates:
    """Joint distribution of rates that are independent given a level of spreads.

    Attributes
    ----------
    grid : RateGrid
        Grid of rates and bake standard deviations.
    level_probability : ndarray, shape (n_levels,)
        Posterior probability of each level of the spreads.
    rate_given_level : ndarray, shape (n_pits, n_levels, n_rates)
        Posterior probability of each rate, given the level.
    """

    grid: RateGrid
    level_probability: Array
    rate_given_level: Array

    def differences(self, a: ArrayLike, b: ArrayLike) -> PairDifferences:
        """Distributions of ``rate[a] - rate[b]`` for pairs of pits."""
        a, b = np.atleast_1d(a), np.atleast_1d(b)
        mass_a, mass_b = self.rate_given_level[a], self.rate_given_level[b]
        below = np.einsum("nmg,nmg->nm", mass_a, cell_middles(mass_b))
        weight = np.repeat(self.level_probability[None], a.size, axis=0)
        at_zero = 1.0 - below @ self.level_probability
        return PairDifferences(self.grid, weight, mass_a, mass_b, at_zero)

    def fixed_draws(self, n_draws: int | None = None) -> Array:
        """Rates at the first (or all 16,384) fixed quasi-random points.

        Parameters
        ----------
        n_draws : int, optional
            How many; all when not given.

        Returns
        -------
        ndarray, shape (n_draws, n_pits)
        """
        n_pits, n_levels, _ = self.rate_given_level.shape
        points = sobol_points(n_pits + 1)[:n_draws]
        level, cell, share = sobol_cells(n_pits + 1)
        start = self._node(points[:, 0]) * level.size
        total, border = _conditional_totals(self.grid, self.rate_given_level)
        wanted = np.add.outer(np.arange(n_levels), level).ravel()
        angle = np.empty((start.size, n_pits))
        for pit in range(n_pits):
            table = np.interp(wanted, total[pit].ravel(), border)
            here = start + cell[: start.size, pit + 1]
            low = table.take(here)
            angle[:, pit] = low + share[: start.size, pit + 1] * (
                table.take(here + 1) - low
            )
        return np.asarray(np.sin(angle) ** 2)

    def _node(self, u: Array) -> Index:
        total = np.cumsum(self.level_probability)
        node = np.searchsorted(total, u * total[-1], side="right")
        return np.asarray(np.minimum(node, total.size - 1))


@dataclass(frozen=True, kw_only=True, eq=False)
class BakePosterior(JointRates):
    """The posterior itself, for pictures, further differences and draws.

    Attributes
    ----------
    prior : SpreadPrior
        Prior of the spreads between bakes.
    levels : SpreadLevels
        Nodes of their common level; with one spread for all pits those of the spread.
    level_evidence : ndarray, shape (n_pits, n_levels)
        Log evidence of each pit's bakes, given the level.
    rate_given_sd : ndarray, shape (n_pits, n_sds, n_rates)
        Posterior probability of each rate, given the standard deviation of its pit.
    sd_evidence : ndarray, shape (n_pits, n_sds)
        Log evidence of each pit's bakes, given its standard deviation.
    """

    prior: SpreadPrior
    levels: SpreadLevels
    level_evidence: Array
    rate_given_sd: Array
    sd_evidence: Array

    @cached_property
    def rate_probability(self) -> Array:
        """Posterior probability of each cell of the rate, shape (n_pits, n_rates)."""
        return np.asarray(
            np.einsum("m,pmg->pg", self.level_probability, self.rate_given_level)
        )

    @property
    def rate(self) -> Array:
        """Rate at the middle of each cell, shape (n_rates,)."""
        return self.grid.rate

    @property
    def density(self) -> Array:
        """Mean posterior density over each cell, shape (n_pits, n_rates).

        Finite also where nothing or everything burned and the density at the very end
        is not.
        """
        return np.asarray(self.rate_probability / np.diff(self.grid.edge))

    @cached_property
    def sd_given_level(self) -> Array:
        """Posterior of each node of a pit's spread, (n_pits, n_levels, n_sds)."""
        peak = self.sd_evidence.max(axis=1, keepdims=True)
        value = self.levels.kernel * np.exp(self.sd_evidence - peak)[:, None]
        total = np.maximum(value.sum(axis=2, keepdims=True), 1e-300)
        return np.asarray(value / total)

    def spreads(self, conf_level: float) -> SpreadSummaries:
        """What the bakes say about spreads: of each pit, and their common level."""
        return spread_summaries(
            self.grid,
            self.prior,
            self.levels,
            self.sd_evidence,
            self.level_evidence,
            conf_level,
        )

    def draw(self, n_draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draw rates and bake standard deviations from the joint posterior.

        Parameters
        ----------
        n_draws : int
            Number of draws.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        rates : ndarray, shape (n_draws, n_pits)
            Long-run rates.
        sd : ndarray, shape (n_draws, n_pits)
            Bake standard deviation of each pit (grid nodes), logit scale.
        """
        n_pits, n_sds, _ = self.rate_given_sd.shape
        points = rng.random((n_draws, 2 * n_pits + 1))
        level = self._node(points[:, 0])
        running = np.cumsum(self.sd_given_level, axis=2)
        total, border = _conditional_totals(self.grid, self.rate_given_sd)
        node = np.empty((n_draws, n_pits), dtype=np.intp)
        angle = np.empty((n_draws, n_pits))
        for pit in range(n_pits):
            aim = points[:, 1 + pit] * running[pit, level, -1]
            node[:, pit] = (running[pit, level] <= aim[:, None]).sum(axis=1)
            node[:, pit] = np.minimum(node[:, pit], n_sds - 1)
            place = node[:, pit] + points[:, 1 + n_pits + pit]
            angle[:, pit] = np.interp(place, total[pit].ravel(), border)
        return np.sin(angle) ** 2, self.grid.sd[node]


def _conditional_totals(grid: RateGrid, mass: Array) -> tuple[Array, Array]:
    """Running probabilities of each pit, raised by one for each node, and angles.

    Raised, so that the distributions of all nodes form one rising function.
    """
    n_pits, n_nodes, n_rates = mass.shape
    total = np.zeros((n_pits, n_nodes, n_rates + 1))
    np.cumsum(mass, axis=2, out=total[:, :, 1:])
    total += np.arange(n_nodes)[:, None]
    return total, np.tile(np.arange(n_rates + 1) * grid.angle_step, n_nodes)
