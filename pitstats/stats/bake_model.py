"""Long-run burn rates when items share a bake: the exact posterior on a grid.

Items of one bake share one fire. The model gives every bake a normal effect on the
logit scale with a spread common to all pits, the prior of each pit's long-run rate is
Beta(1/2, 1/2) and that of the spread uniform from 0 to 2.5. Nothing is sampled: rates,
spread and differences come from sums over a grid that is fine enough for the design.

One study and thousands of simulated ones go through the same code (`BakeModel`), in
which equal outcomes of a pit are worked out once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from pitstats.stats.bake_grid import (
    SD_LIMIT,
    Array,
    RateGrid,
    bake_loglik,
    grid_for,
)
from pitstats.stats.counts import whole_numbers
from pitstats.stats.difference import (
    Index,
    PairDifferences,
    cell_borders,
    cell_middles,
    invert_borders,
)
from pitstats.stats.multiplicity import adjusted_p_value, depth_cut, sobol_points

_CAP = 2.0  # a spread above this means bakes nearly all or none
_OUTCOME_BLOCK = 6_000_000  # numbers of pit posteriors held at a time, 48 MB


@dataclass(frozen=True, kw_only=True, eq=False)
class RateSummary:
    """Long-run rate of each pit.

    Attributes
    ----------
    estimate, low, high : ndarray, shape (n_pits,)
        Posterior mean and equal-tailed interval, 0-1. ``low`` is 0 when no item of the
        pit burned and ``high`` is 1 when all did.
    median, variance : ndarray, shape (n_pits,)
        Posterior median and variance.
    """

    estimate: Array
    low: Array
    high: Array
    median: Array
    variance: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class DifferenceSummary:
    """Differences of long-run rates; pairs run (0, 1), (0, 2), ..., (1, 2), ...

    Attributes
    ----------
    a, b : ndarray of int, shape (n_pairs,)
        Pits of the pair.
    estimate, low, high : ndarray, shape (n_pairs,)
        Posterior mean of rate a - rate b and its equal-tailed interval.
    simultaneous_low, simultaneous_high : ndarray, shape (n_pairs,)
        Ends that hold for all pairs together; the same as ``low`` and ``high`` for
        two pits.
    p_value, p_adjusted : ndarray, shape (n_pairs,)
        Two-sided, for the pair alone and for all pairs; below ``1 - conf_level``
        exactly when the interval, or the simultaneous interval, excludes 0.
    """

    a: Index
    b: Index
    estimate: Array
    low: Array
    high: Array
    simultaneous_low: Array
    simultaneous_high: Array
    p_value: Array
    p_adjusted: Array


@dataclass(frozen=True, kw_only=True)
class SpreadSummary:
    """Standard deviation between bakes of one pit, on the logit scale.

    Attributes
    ----------
    estimate, low, high : float
        Posterior mean and equal-tailed interval, between 0 and 2.5. ``low`` is 0 when
        the posterior density at 0 exceeds 15 % of its peak.
    """

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True, eq=False)
class BakePosterior:
    """The posterior itself, for pictures, further differences and draws.

    Attributes
    ----------
    grid : RateGrid
        Grid of rates and bake standard deviations.
    sd_probability : ndarray, shape (n_sds,)
        Posterior probability of each bake standard deviation of the grid.
    rate_given_sd : ndarray, shape (n_pits, n_sds, n_rates)
        Posterior probability of each rate, given the standard deviation.
    """

    grid: RateGrid
    sd_probability: Array
    rate_given_sd: Array

    @cached_property
    def rate_probability(self) -> Array:
        """Posterior probability of each cell of the rate, shape (n_pits, n_rates)."""
        return np.asarray(
            np.einsum("m,pmg->pg", self.sd_probability, self.rate_given_sd)
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

    def differences(self, a: ArrayLike, b: ArrayLike) -> PairDifferences:
        """Distributions of ``rate[a] - rate[b]`` for pairs of pits."""
        a, b = np.atleast_1d(a), np.atleast_1d(b)
        mass_a, mass_b = self.rate_given_sd[a], self.rate_given_sd[b]
        below = np.einsum("nmg,nmg->nm", mass_a, cell_middles(mass_b))
        weight = np.repeat(self.sd_probability[None], a.size, axis=0)
        at_zero = 1.0 - below @ self.sd_probability
        return PairDifferences(self.grid, weight, mass_a, mass_b, at_zero)

    def draw(self, n_draws: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draw rates and bake standard deviation from the joint posterior.

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
        sd : ndarray, shape (n_draws,)
            Bake standard deviations (grid nodes), logit scale.
        """
        points = rng.random((n_draws, self.rate_given_sd.shape[0] + 1))
        node = self._node(points[:, 0])
        return self._rates_at(node, points[:, 1:]), self.grid.sd[node]

    def fixed_draws(self) -> Array:
        """Rates at 16,384 fixed quasi-random points, shape (16384, n_pits)."""
        points = sobol_points(self.rate_given_sd.shape[0] + 1)
        return self._rates_at(self._node(points[:, 0]), points[:, 1:])

    def _node(self, u: Array) -> Index:
        total = np.cumsum(self.sd_probability)
        node = np.searchsorted(total, u * total[-1], side="right")
        return np.asarray(np.minimum(node, total.size - 1))

    def _rates_at(self, node: Index, u: Array) -> Array:
        """Invert the distribution of each rate given the node of the spread."""
        n_sds, n_rates = self.grid.shape
        total = np.zeros((self.rate_given_sd.shape[0], n_sds, n_rates + 1))
        np.cumsum(self.rate_given_sd, axis=2, out=total[:, :, 1:])
        total += np.arange(n_sds)[:, None]
        border = np.tile(np.arange(n_rates + 1) * self.grid.angle_step, n_sds)
        angle = [
            np.interp(node + u[:, pit], total[pit].ravel(), border)
            for pit in range(u.shape[1])
        ]
        return np.asarray(np.sin(np.stack(angle, axis=1)) ** 2)


@dataclass(frozen=True, kw_only=True, eq=False)
class BakeRates:
    """What `bake_rates` gives.

    Attributes
    ----------
    rates : RateSummary
        Long-run rate of each pit.
    differences : DifferenceSummary
        Differences of all pairs of pits.
    bake_sd : SpreadSummary
        Standard deviation between bakes, logit scale.
    effective_items : ndarray, shape (n_pits,)
        Number of independent items that would tell as much; NaN (unknown) when every
        pit has one bake only.
    cap_mass : float
        P(bake standard deviation > 2): above one half the bakes are nearly all or
        none, and the upper end of the prior decides the answer.
    conf_level : float
        Level of the intervals.
    posterior : BakePosterior
        The posterior on its grid.
    """

    rates: RateSummary
    differences: DifferenceSummary
    bake_sd: SpreadSummary
    effective_items: Array
    cap_mass: float
    conf_level: float
    posterior: BakePosterior

    def difference_cdf(self, a: int, b: int, at: ArrayLike) -> Array:
        """P(rate a - rate b <= at).

        Parameters
        ----------
        a, b : int
            Pits.
        at : array_like
            Differences, -1 to 1.

        Returns
        -------
        ndarray
            Of the shape of ``at``.
        """
        at = np.asarray(at, dtype=np.float64)
        pair = np.zeros(at.size, dtype=np.intp)
        value = self.posterior.differences(a, b).cdf(pair, at.ravel())
        return np.asarray(value.reshape(at.shape))


@dataclass(frozen=True, eq=False)
class _Outcomes:
    """Posteriors of distinct pit outcomes, given the bake spread."""

    mass: Array  # (n, n_sds, n_rates)
    log_evidence: Array  # (n, n_sds)


@dataclass(frozen=True, eq=False)
class _Batch:
    """Some studies: outcomes of their pits and posterior of the bake spread."""

    rows: Index  # studies, in the caller's numbering
    outcome: Index  # (n_studies, n_pits), rows of `outcomes`
    outcomes: _Outcomes
    evidence: Array  # (n_studies, n_sds): log density of the spread, unnormalized
    weight: Array  # (n_studies, n_sds)


class BakeModel:
    """Posterior of long-run rates for studies of one design, one or many at a time.

    Parameters
    ----------
    total : array_like of int, shape (n_bakes,)
        Graded items of each bake.
    pit : array_like of int, shape (n_bakes,)
        Pit of each bake, numbered from 0.
    conf_level : float, default 0.95
        Level of the intervals.

    Raises
    ------
    ValueError
        If the design is not one (shapes differ, negative numbers, no bake).
    """

    def __init__(
        self, total: ArrayLike, pit: ArrayLike, conf_level: float = 0.95
    ) -> None:
        self.total = whole_numbers(total, "total")
        self.pit = whole_numbers(pit, "pit")
        if self.total.shape != self.pit.shape:
            raise ValueError(
                f"total has {self.total.size} bakes but pit has {self.pit.size}; give "
                "one entry per bake in each"
            )
        if self.total.size == 0:
            raise ValueError("there is no bake; give at least one")
        if not 0.0 < conf_level < 1.0:
            raise ValueError(f"conf_level is {conf_level}; it must lie between 0 and 1")
        self.conf_level = float(conf_level)
        self.n_pits = int(self.pit.max()) + 1
        self.pairs = tuple(combinations(range(self.n_pits), 2))
        self.grid = grid_for(self.total.astype(np.float64), self.pit)
        self._columns = [self._by_size(p) for p in range(self.n_pits)]
        self._row_of: dict[tuple[int, int], int] = {}
        self._table = np.empty((0, *self.grid.shape))

    def _by_size(self, pit: int) -> Index:
        columns = np.flatnonzero(self.pit == pit)
        return columns[np.argsort(self.total[columns], kind="stable")]

    def one(self, burned: ArrayLike) -> BakeRates:
        """Everything about one study.

        Parameters
        ----------
        burned : array_like of int, shape (n_bakes,)
            Burned items of each bake.

        Returns
        -------
        BakeRates
        """
        counts = self._counts(np.asarray(burned)[None])
        (batch,) = self._batches(counts)
        posterior = self._posterior(batch, 0)
        rates = self._rates(posterior, counts[0])
        sd, cap_mass = self._spread(batch.evidence[0])
        return BakeRates(
            rates=rates,
            differences=self._differences(posterior, rates.estimate),
            bake_sd=sd,
            effective_items=self._effective_items(rates),
            cap_mass=cap_mass,
            conf_level=self.conf_level,
            posterior=posterior,
        )

    def _counts(self, burned: ArrayLike) -> Index:
        counts = whole_numbers(burned, "burned")
        if counts.ndim != 2 or counts.shape[1] != self.total.size:
            raise ValueError(
                f"burned has shape {counts.shape[1:]} but total has "
                f"{self.total.size} bakes; give one entry per bake"
            )
        if np.any(counts > self.total):
            bake = int(np.argmax(np.any(counts > self.total, axis=0)))
            raise ValueError(
                f"bake {bake} has more burned items than its {self.total[bake]} graded "
                "ones; correct one of the two"
            )
        return counts

    # ---- likelihood and posterior of pits, in blocks of studies -----------------

    def _batches(self, counts: Index) -> Iterator[_Batch]:
        """Studies in blocks whose distinct pit outcomes fit into bounded memory."""
        bakes = max(columns.size for columns in self._columns)
        keys = np.full((counts.shape[0], self.n_pits, 2 * bakes), -1, dtype=np.intp)
        for p, columns in enumerate(self._columns):
            size = np.broadcast_to(self.total[columns], (counts.shape[0], columns.size))
            code = np.sort(size * (int(self.total.max()) + 1) + counts[:, columns])
            keys[:, p, : columns.size] = code // (int(self.total.max()) + 1)
            keys[:, p, bakes : bakes + columns.size] = code % (
                int(self.total.max()) + 1
            )
        limit = max(
            self.n_pits, _OUTCOME_BLOCK // (self.grid.rate.size * self.grid.sd.size)
        )
        yield from self._split(np.arange(counts.shape[0]), keys, limit)

    def _split(self, rows: Index, keys: Index, limit: int) -> Iterator[_Batch]:
        flat = keys[rows].reshape(-1, keys.shape[2])
        distinct, inverse = np.unique(flat, axis=0, return_inverse=True)
        if distinct.shape[0] > limit and rows.size > 1:
            half = rows.size // 2
            yield from self._split(rows[:half], keys, limit)
            yield from self._split(rows[half:], keys, limit)
            return
        outcomes = self._outcomes(distinct)
        outcome = inverse.reshape(rows.size, self.n_pits)
        evidence = outcomes.log_evidence[outcome].sum(axis=1)
        evidence -= evidence.max(axis=1, keepdims=True)
        weight = np.exp(evidence) * self.grid.sd_weight
        weight /= weight.sum(axis=1, keepdims=True)
        yield _Batch(rows, outcome, outcomes, evidence, weight)

    def _outcomes(self, keys: Index) -> _Outcomes:
        bakes = keys.shape[1] // 2
        value = np.zeros((keys.shape[0], *self.grid.shape))
        for j in range(bakes):
            rows = self._rows(keys[:, bakes + j], keys[:, j])
            has = rows >= 0
            value[has] += self._table[rows[has]]
        peak = value.max(axis=(1, 2), keepdims=True)
        value -= peak
        np.exp(value, out=value)
        mass = value.sum(axis=2)
        value /= np.maximum(mass, 1e-300)[:, :, None]
        log_evidence = np.log(np.maximum(mass, 1e-300)) + peak[:, :, 0]
        return _Outcomes(value, log_evidence)

    def _rows(self, burned: Index, total: Index) -> Index:
        """Rows of the likelihood table; -1 where there is nothing to add."""
        rows = np.full(burned.size, -1, dtype=np.intp)
        code = np.where(total > 0, burned + total * (int(self.total.max()) + 1), -1)
        new: list[Array] = []
        for value in np.unique(code[code >= 0]).tolist():
            n, y = divmod(value, int(self.total.max()) + 1)
            if (y, n) not in self._row_of:
                self._row_of[y, n] = self._table.shape[0] + len(new)
                new.append(bake_loglik(self.grid, y, n))
            rows[code == value] = self._row_of[y, n]
        if new:
            self._table = np.concatenate([self._table, np.stack(new)])
        return rows

    def _posterior(self, batch: _Batch, study: int) -> BakePosterior:
        return BakePosterior(
            grid=self.grid,
            sd_probability=batch.weight[study],
            rate_given_sd=batch.outcomes.mass[batch.outcome[study]],
        )

    # ---- summaries of one study ---------------------------------------------------

    def _tails(self) -> tuple[float, float]:
        tail = (1.0 - self.conf_level) / 2
        return tail, 1.0 - tail

    def _rates(self, posterior: BakePosterior, burned: Index) -> RateSummary:
        mass = posterior.rate_probability
        mean = mass @ self.grid.rate
        variance = (mass * (self.grid.rate - mean[:, None]) ** 2).sum(axis=1)
        borders = cell_borders(mass)
        low, median, high = (
            np.sin(invert_borders(borders, level) * self.grid.angle_step) ** 2
            for level in (self._tails()[0], 0.5, self._tails()[1])
        )
        n_burned = np.bincount(self.pit, weights=burned, minlength=self.n_pits)
        n_items = np.bincount(self.pit, weights=self.total, minlength=self.n_pits)
        return RateSummary(
            estimate=mean,
            low=np.where(n_burned == 0, 0.0, low),
            high=np.where(n_burned == n_items, 1.0, high),
            median=median,
            variance=variance,
        )

    def _effective_items(self, rates: RateSummary) -> Array:
        graded = self.total > 0
        bakes = np.bincount(self.pit[graded], minlength=self.n_pits)
        if bakes.max() <= 1:
            return np.full(self.n_pits, np.nan)
        items = np.bincount(self.pit, weights=self.total, minlength=self.n_pits)
        mean = rates.estimate
        return np.asarray(
            np.clip(mean * (1.0 - mean) / rates.variance - 2.0, 0.0, items)
        )

    def _spread(self, evidence: Array) -> tuple[SpreadSummary, float]:
        sd = self.grid.fine_sd
        density = np.maximum(self.grid.to_fine @ np.exp(evidence), 0.0)
        steps = np.diff(sd) * 0.5 * (density[1:] + density[:-1])
        total = np.concatenate([[0.0], np.cumsum(steps)])
        total /= total[-1]
        low, high = np.interp(self._tails(), total, sd)
        weight = np.exp(evidence) * self.grid.sd_weight
        summary = SpreadSummary(
            estimate=float(weight @ self.grid.sd / weight.sum()),
            low=0.0 if density[0] > 0.15 * density.max() else float(low),
            high=float(high),
        )
        return summary, float(1.0 - np.interp(_CAP, sd, total))

    def _differences(self, posterior: BakePosterior, mean: Array) -> DifferenceSummary:
        a, b = (
            np.array([pair[i] for pair in self.pairs], dtype=np.intp) for i in (0, 1)
        )
        if a.size == 0:
            none = np.empty(0)
            return DifferenceSummary(
                a=a,
                b=b,
                estimate=none,
                low=none,
                high=none,
                simultaneous_low=none,
                simultaneous_high=none,
                p_value=none,
                p_adjusted=none,
            )
        pairs = posterior.differences(a, b)
        p_value = np.minimum(2.0 * np.minimum(pairs.at_zero, 1.0 - pairs.at_zero), 1.0)
        levels, p_adjusted = [self._tails()[0]], p_value
        if a.size > 1:
            depth = depth_of_draws(pairs, posterior.fixed_draws(), a, b)
            levels.append(depth_cut(depth, self.conf_level))
            p_adjusted = adjusted_p_value(depth, p_value)
        ends = interval_ends(pairs, levels)
        return DifferenceSummary(
            a=a,
            b=b,
            estimate=mean[a] - mean[b],
            low=ends[0, 0],
            high=ends[0, 1],
            simultaneous_low=ends[-1, 0],
            simultaneous_high=ends[-1, 1],
            p_value=p_value,
            p_adjusted=p_adjusted,
        )


def interval_ends(pairs: PairDifferences, tails: list[float]) -> Array:
    """Both ends of the interval of every pair, for each tail probability.

    Parameters
    ----------
    pairs : PairDifferences
        Distributions of the differences.
    tails : list of float
        Probability beyond either end.

    Returns
    -------
    ndarray, shape (n_tails, 2, n_pairs)
    """
    n = pairs.at_zero.size
    levels = np.array([[tail, 1.0 - tail] for tail in tails]).ravel()
    pair = np.tile(np.arange(n), levels.size)
    ends = pairs.quantile(pair, np.repeat(levels, n))
    return ends.reshape(len(tails), 2, n)


def depth_of_draws(pairs: PairDifferences, draws: Array, a: Index, b: Index) -> Array:
    """Depth of joint draws of the rates: their least central difference.

    Parameters
    ----------
    pairs : PairDifferences
        Distributions of the differences ``rate[a] - rate[b]``.
    draws : ndarray, shape (n_draws, n_pits)
        Rates drawn from the joint posterior.
    a, b : ndarray of int, shape (n_pairs,)
        Pits of each pair.

    Returns
    -------
    ndarray, shape (n_draws,)
        Smallest, over the pairs, of the probability below and above the difference.
    """
    n_steps = 161
    gap = draws[:, a] - draws[:, b]
    low, high = gap.min(axis=0), gap.max(axis=0)
    at = low + (high - low) * np.linspace(0.0, 1.0, n_steps)[:, None]
    pair = np.tile(np.arange(a.size), n_steps)
    table = pairs.cdf(pair, at.ravel()).reshape(n_steps, a.size)
    depth = np.full(draws.shape[0], 0.5)
    for k in range(a.size):
        place = (gap[:, k] - low[k]) * ((n_steps - 1) / max(high[k] - low[k], 1e-300))
        cell = np.minimum(place.astype(np.intp), n_steps - 2)
        value = table[cell, k] + (place - cell) * np.diff(table[:, k])[cell]
        np.minimum(depth, np.minimum(value, 1.0 - value), out=depth)
    return depth


def bake_rates(
    burned: ArrayLike, total: ArrayLike, pit: ArrayLike, conf_level: float = 0.95
) -> BakeRates:
    """Long-run burn rates of pits and their differences, from counts per bake.

    Parameters
    ----------
    burned, total : array_like of int, shape (n_bakes,)
        Burned and graded items of each bake.
    pit : array_like of int, shape (n_bakes,)
        Pit of each bake, numbered from 0.
    conf_level : float, default 0.95
        Level of the intervals, between 0 and 1.

    Returns
    -------
    BakeRates
        Rates (one per pit), all pairwise differences, the bake standard deviation.
        A pit without a graded item returns its prior, with limits 0 and 1.

    Raises
    ------
    ValueError
        If shapes differ, a count is negative, not whole, or exceeds its total, or if
        ``conf_level`` is not between 0 and 1.

    Notes
    -----
    The model is ``y ~ Binomial(n, expit(a + u))`` with ``u ~ N(0, sd**2)`` for each
    bake; the long-run rate of a pit is the average of ``expit(a + u)`` over bakes. The
    priors are Beta(1/2, 1/2) for each rate [1]_ and uniform from 0 to 2.5 for ``sd``
    [2]_, which is common to all pits. With one bake in every pit the data say next to
    nothing about ``sd``, so that the prior sets the width of the intervals.

    Simultaneous intervals for more than two pits follow [3]_, with the depth of 16,384
    fixed quasi-random draws of the rates.

    References
    ----------
    .. [1] Brown, Cai & DasGupta (2001), Interval estimation for a binomial proportion,
       Statistical Science 16:101-133.
    .. [2] Gelman (2006), Prior distributions for variance parameters in hierarchical
       models, Bayesian Analysis 1:515-534.
    .. [3] Besag, Green, Higdon & Mengersen (1995), Bayesian computation and stochastic
       systems, Statistical Science 10:3-41.

    Examples
    --------
    Two pits, three bakes of 20 items each:

    >>> found = bake_rates([2, 5, 8, 4, 9, 11], [20] * 6, [0, 0, 0, 1, 1, 1])
    >>> found.rates.estimate.round(3)
    array([0.278, 0.412])
    >>> found.differences.low.round(3), found.differences.high.round(3)
    (array([-0.415]), array([0.172]))
    """
    return BakeModel(total, pit, conf_level).one(burned)


__all__ = [
    "SD_LIMIT",
    "BakeModel",
    "BakePosterior",
    "BakeRates",
    "DifferenceSummary",
    "RateGrid",
    "RateSummary",
    "SpreadSummary",
    "bake_rates",
]
