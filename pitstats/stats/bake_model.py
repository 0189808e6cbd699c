"""Long-run burn rates when items share a bake: the exact posterior on a grid.

Items of one bake share one fire. The model gives every bake a normal effect on the
logit scale with a spread of its pit; spreads are exchangeable between pits
(`spread_prior`), and the prior of each pit's long-run rate is Beta(1/2, 1/2). Given the
common level of the spreads the pits are independent. Nothing is sampled: rates, spreads
and differences come from sums over a grid that is fine enough for the design.

One study and thousands of simulated ones go through the same code (`BakeModel`), in
which equal outcomes of a pit are worked out once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.stats.bake_grid import Array, bake_loglik, grid_for
from pitstats.stats.bake_posterior import BakePosterior, JointRates
from pitstats.stats.binomial_data import FloatArray, check_conf_level, whole_numbers
from pitstats.stats.difference import (
    Index,
    PairDifferences,
    cell_borders,
    cell_middles,
    invert_borders,
    refine_table,
)
from pitstats.stats.estimates import Estimate, PairEstimates, ending_at_borders
from pitstats.stats.multiplicity import (
    adjusted_p_value,
    depth_cut,
)
from pitstats.stats.spread_prior import OWN, SpreadPrior, chosen_prior

Pairs = Sequence[tuple[int, int]]

_OUTCOME_BLOCK = 3_000_000  # numbers of pit posteriors held at a time, 24 MB
_PAIR_BLOCK = 250_000  # numbers of pairs of posteriors multiplied at a time, 2 MB
_FIRST_LOOK_PAIRS = 240  # pairs whose first look is taken in one go
_FIRST_LOOK = 2_048  # draws that settle whether a study separates, when it is clear


class PairEnds(NamedTuple):
    """Ends of intervals for differences, rate a - rate b.

    Attributes
    ----------
    low, high : ndarray, shape (n_studies, n_pairs)
        Equal-tailed interval of each pair.
    simultaneous_low, simultaneous_high : ndarray, shape (n_studies, n_pairs)
        Interval that holds for all pairs of the study together.
    """

    low: Array
    high: Array
    simultaneous_low: Array
    simultaneous_high: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class BakeRates:
    """What `bake_rates` gives.

    Attributes
    ----------
    rates : Estimate
        Long-run rate of each pit, 0-1; ``low`` is 0 when no item of the pit burned,
        ``high`` 1 when all did.
    differences : PairEstimates
        Differences of all pairs of pits.
    bake_sd : Estimate
        Standard deviation between bakes of each pit, logit scale. A pit with one bake
        borrows what the other pits and the prior say.
    common_sd : Estimate
        The common level: spread of a pit that is neither steadier nor moodier than
        its like; with one spread for all pits that spread.
    effective_items : ndarray, shape (n_pits,)
        Number of independent items that would tell as much; NaN (unknown) when every
        pit has one bake only.
    cap_mass : float
        P(bake standard deviation > 2) of the moodiest pit: above one half its bakes
        are nearly all or none, and the upper end of the prior decides the answer.
    conf_level : float
        Level of the intervals.
    posterior : BakePosterior
        The posterior on its grid.
    """

    rates: Estimate[FloatArray]
    differences: PairEstimates
    bake_sd: Estimate[FloatArray]
    common_sd: Estimate[float]
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
    """Posteriors of distinct pit outcomes, given a spread or a level of spreads."""

    mass: Array  # (n, n_levels, n_rates)
    log_evidence: Array  # (n, n_levels)


@dataclass(frozen=True, eq=False)
class _Batch:
    """Some studies: outcomes of their pits and posterior of the level of spreads."""

    rows: Index  # studies, in the caller's numbering
    outcome: Index  # (n_studies, n_pits), rows of `outcomes`
    outcomes: _Outcomes
    weight: Array  # (n_studies, n_levels)


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
    prior : SpreadPrior, optional
        Prior of the spreads between bakes; a spread for every pit unless stated.

    Raises
    ------
    ValueError
        If the design is not one (shapes differ, negative numbers, no bake).
    """

    def __init__(
        self,
        total: ArrayLike,
        pit: ArrayLike,
        conf_level: float = 0.95,
        prior: SpreadPrior = OWN,
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
        self.conf_level = check_conf_level(conf_level)
        self.n_pits = int(self.pit.max()) + 1
        self.pairs = tuple(combinations(range(self.n_pits), 2))
        self.prior = prior
        self.grid = grid_for(self.total.astype(np.float64), self.pit)
        self.levels = prior.levels(self.n_pits, self.grid.sd, self.grid.sd_weight)
        self._base = int(self.total.max()) + 1  # puts both counts into one number
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
        posterior, rates, differences = self.compared(burned)
        spread = posterior.spreads(self.conf_level)
        return BakeRates(
            rates=rates,
            differences=differences,
            bake_sd=spread.pits,
            common_sd=spread.common,
            effective_items=self._effective_items(posterior.rate_probability),
            cap_mass=float(spread.cap_mass.max()),
            conf_level=self.conf_level,
            posterior=posterior,
        )

    def compared(
        self, burned: ArrayLike
    ) -> tuple[BakePosterior, Estimate[FloatArray], PairEstimates]:
        """Posterior, rates and differences of one study, as `one` gives them."""
        counts = self._counts(np.asarray(burned)[None])
        posterior = self._whole_posterior(counts)
        rates = self._rates(posterior, counts[0])
        return posterior, rates, self._differences(posterior, rates.estimate)

    def level_weights(self, burned: ArrayLike) -> Array:
        """Posterior probability of each level of the spreads, for many studies.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.

        Returns
        -------
        ndarray, shape (n_studies, n_levels)
        """
        counts = self._counts(burned)
        value = np.empty((counts.shape[0], self.levels.weight.size))
        for batch in self._batches(counts):
            value[batch.rows] = batch.weight
        return value

    def rates(self, burned: ArrayLike) -> Estimate[FloatArray]:
        """Long-run rates of many studies, as `one` gives them.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.

        Returns
        -------
        Estimate
            With arrays of shape (n_studies, n_pits).
        """
        counts = self._counts(burned)
        shape = (counts.shape[0], self.n_pits)
        found = Estimate(*(np.empty(shape) for _ in range(3)))
        for batch in self._batches(counts):
            for p in range(self.n_pits):
                part = self._mixed(batch, batch.outcome[:, p])
                column = np.isin(self.pit, p)
                these = self._summarize(
                    part,
                    counts[batch.rows][:, column].sum(axis=1),
                    int(self.total[column].sum()),
                )
                for whole, piece in zip(found, these, strict=True):
                    whole[batch.rows, p] = piece
        return found

    def p_values(self, burned: ArrayLike, pairs: Pairs | None = None) -> Array:
        """Two-sided p-value of each pair alone, for many studies.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.
        pairs : sequence of (int, int), optional
            Pairs of pits; all when not given.

        Returns
        -------
        ndarray, shape (n_studies, n_pairs)
        """
        a, b = self._pair_columns(pairs)
        counts = self._counts(burned)
        value = np.empty((counts.shape[0], a.size))
        for batch in self._batches(counts):
            value[batch.rows] = _two_sided(self._at_zero(batch, a, b))
        return value

    def separated(
        self, burned: ArrayLike, pairs: Pairs | None = None, *, any_pair: bool = False
    ) -> NDArray[np.bool_]:
        """Whether intervals exclude "no difference", for many studies.

        With more than two pits the intervals meant are the simultaneous ones.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.
        pairs : sequence of (int, int), optional
            Pairs of pits asked about; all when not given.
        any_pair : bool, default False
            Ask only whether any of the pairs is separated.

        Returns
        -------
        ndarray of bool, shape (n_studies, n_pairs) or (n_studies,)
            The latter with ``any_pair``.
        """
        a, b = self._pair_columns(pairs)
        counts = self._counts(burned)
        n_columns = 1 if any_pair else a.size
        value = np.zeros((counts.shape[0], n_columns), dtype=np.bool_)
        for batch in self._batches(counts):
            p = _two_sided(self._at_zero(batch, a, b))
            if any_pair:
                p = p.min(axis=1, keepdims=True)
            verdict = p < 1.0 - self.conf_level
            if self.n_pits > 2:
                asked = np.argwhere(verdict)
                verdict[tuple(asked.T)] = self._jointly_separated(
                    batch, asked[:, 0], p[verdict]
                )
            value[batch.rows] = verdict
        return value[:, 0] if any_pair else value

    def p_values_of_outcomes(self, first: ArrayLike, second: ArrayLike) -> Array:
        """Two-sided p-values of all outcomes of one pit beside all of another.

        Parameters
        ----------
        first, second : array_like of int, shapes (n, n_bakes_0) and (m, n_bakes_1)
            Burned items of each bake of the first pit and of the second.

        Returns
        -------
        ndarray, shape (n, m)

        Raises
        ------
        ValueError
            If the design has not two pits.
        """
        if self.n_pits != 2:
            raise ValueError(f"the design has {self.n_pits} pits; this needs 2")
        one, two = (self._outcomes(p, x) for p, x in enumerate((first, second)))
        left, right = (
            np.exp(x.log_evidence - x.log_evidence.max(axis=1, keepdims=True))
            for x in (one, two)
        )
        left *= self.levels.weight
        below = _flat(left, one.mass) @ _flat(right, cell_middles(two.mass)).T
        return _two_sided(1.0 - below / (left @ right.T))

    def _outcomes(self, pit: int, burned: ArrayLike) -> _Outcomes:
        """Outcomes of one pit, some at a time."""
        counts = np.asarray(burned, dtype=np.intp)
        size = np.broadcast_to(self.total[self.pit == pit], counts.shape)
        keys = np.concatenate([size, counts], axis=1)
        step = max(1, _OUTCOME_BLOCK // self._numbers)
        parts = [
            self._by_level(*self._likelihood(keys[start : start + step]))
            for start in range(0, keys.shape[0], step)
        ]
        return _Outcomes(
            np.concatenate([part.mass for part in parts]),
            np.concatenate([part.log_evidence for part in parts]),
        )

    def smallest_p_values(self, burned: ArrayLike, below: float = 1.0) -> Array:
        """Smallest p-value of any pair, allowing for all pairs, for many studies.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.
        below : float, default 1
            The allowance for pairs is worked out only where the smallest p-value of a
            pair alone lies below this; it can only raise a p-value.

        Returns
        -------
        ndarray, shape (n_studies,)
            For two pits exact. For more the allowance rests on the first 2,048 fixed
            draws.
        """
        a, b = self._pair_columns(None)
        counts = self._counts(burned)
        value = np.empty(counts.shape[0])
        for batch in self._batches(counts):
            p = _two_sided(self._at_zero(batch, a, b)).min(axis=1)
            if self.n_pits > 2:
                asked = np.flatnonzero(p < below)
                p[asked] = np.maximum(
                    self._first_look(batch, asked, p[asked]), p[asked]
                )
            value[batch.rows] = p
        return value

    def ends(self, burned: ArrayLike, pairs: Pairs | None = None) -> PairEnds:
        """Intervals of differences of many studies, as `one` gives them.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items of each bake of each study.
        pairs : sequence of (int, int), optional
            Pairs of pits; all when not given.

        Returns
        -------
        PairEnds
            With arrays of shape (n_studies, n_pairs).
        """
        a, b = self._pair_columns(pairs)
        counts = self._counts(burned)
        found = PairEnds(*(np.empty((counts.shape[0], a.size)) for _ in range(4)))
        for batch in self._batches(counts):
            for part in self._parts(batch.rows.size):
                rows = np.arange(batch.rows.size)[part]
                for whole, piece in zip(
                    found, self._ends(batch, rows, a, b), strict=True
                ):
                    whole[batch.rows[rows]] = piece
        return found

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

    def _keys(self, counts: Index) -> Index:
        """Sizes, then burned items, of each pit's bakes in an order of their own."""
        bakes = max(columns.size for columns in self._columns)
        keys = np.full((counts.shape[0], self.n_pits, 2 * bakes), -1, dtype=np.intp)
        for p, columns in enumerate(self._columns):
            size = np.broadcast_to(self.total[columns], (counts.shape[0], columns.size))
            code = np.sort(size * self._base + counts[:, columns])
            keys[:, p, : columns.size] = code // self._base
            keys[:, p, bakes : bakes + columns.size] = code % self._base
        return keys

    def _batches(self, counts: Index) -> Iterator[_Batch]:
        """Studies in blocks whose distinct pit outcomes fit into bounded memory."""
        limit = max(self.n_pits, _OUTCOME_BLOCK // self._numbers)
        yield from self._split(np.arange(counts.shape[0]), self._keys(counts), limit)

    @property
    def _numbers(self) -> int:
        """Numbers that one outcome of a pit takes, by spread or by level."""
        return self.grid.rate.size * max(self.grid.sd.size, self.levels.weight.size)

    def _split(self, rows: Index, keys: Index, limit: int) -> Iterator[_Batch]:
        flat = keys[rows].reshape(-1, keys.shape[2])
        distinct, inverse = np.unique(flat, axis=0, return_inverse=True)
        if distinct.shape[0] > limit and rows.size > 1:
            half = rows.size // 2
            yield from self._split(rows[:half], keys, limit)
            yield from self._split(rows[half:], keys, limit)
            return
        value, peak = self._likelihood(distinct)
        outcomes = self._by_level(value, peak)
        outcome = inverse.reshape(rows.size, self.n_pits)
        weight = self._level_weight(outcomes.log_evidence[outcome])
        yield _Batch(rows, outcome, outcomes, weight)

    def _level_weight(self, log_evidence: Array) -> Array:
        """Posterior of the level from the log evidence of all pits."""
        total = log_evidence.sum(axis=-2)
        total -= total.max(axis=-1, keepdims=True)
        weight = np.exp(total) * self.levels.weight
        return np.asarray(weight / weight.sum(axis=-1, keepdims=True))

    def _likelihood(self, keys: Index) -> tuple[Array, Array]:
        """Likelihood of pit outcomes at each spread and rate, and the log taken out."""
        bakes = keys.shape[1] // 2
        value = np.zeros((keys.shape[0], *self.grid.shape))
        for j in range(bakes):
            rows = self._rows(keys[:, bakes + j], keys[:, j])
            has = rows >= 0
            value[has] += self._table[rows[has]]
        peak = value.max(axis=(1, 2), keepdims=True)
        value -= peak
        np.exp(value, out=value)
        return value, peak[:, :, 0]

    def _by_level(self, value: Array, peak: Array) -> _Outcomes:
        """Outcomes given the level: the likelihood averaged over each pit's spread."""
        if not self.prior.common:
            value = np.matmul(self.levels.kernel, value)
        return _normalized(value, peak)

    def _rows(self, burned: Index, total: Index) -> Index:
        """Rows of the likelihood table; -1 where there is nothing to add."""
        rows = np.full(burned.size, -1, dtype=np.intp)
        code = np.where(total > 0, burned + total * self._base, -1)
        new: list[Array] = []
        for value in np.unique(code[code >= 0]).tolist():
            n, y = divmod(value, self._base)
            if (y, n) not in self._row_of:
                self._row_of[y, n] = self._table.shape[0] + len(new)
                new.append(bake_loglik(self.grid, y, n))
            rows[code == value] = self._row_of[y, n]
        if new:
            self._table = np.concatenate([self._table, np.stack(new)])
        return rows

    def _whole_posterior(self, counts: Index) -> BakePosterior:
        """Posterior of one study, with what it says about the spread of each pit."""
        value, peak = self._likelihood(self._keys(counts)[0])
        by_level = self._by_level(value, peak)
        by_sd = _normalized(value, peak)
        return BakePosterior(
            grid=self.grid,
            prior=self.prior,
            levels=self.levels,
            level_probability=self._level_weight(by_level.log_evidence),
            rate_given_level=by_level.mass,
            level_evidence=by_level.log_evidence,
            rate_given_sd=by_sd.mass,
            sd_evidence=by_sd.log_evidence,
        )

    def _joint(self, batch: _Batch, study: int) -> JointRates:
        """Joint distribution of the rates of one study of a batch."""
        return JointRates(
            self.grid,
            batch.weight[study],
            batch.outcomes.mass[batch.outcome[study]],
        )

    # ---- summaries of one study ---------------------------------------------------

    def _tails(self) -> tuple[float, float]:
        tail = (1.0 - self.conf_level) / 2
        return tail, 1.0 - tail

    def _rates(self, posterior: BakePosterior, burned: Index) -> Estimate[FloatArray]:
        n_burned, n_items = (
            np.bincount(self.pit, weights=x, minlength=self.n_pits)
            for x in (burned, self.total)
        )
        return self._summarize(posterior.rate_probability, n_burned, n_items)

    def _summarize(
        self, mass: Array, n_burned: NDArray[Any], n_items: NDArray[Any] | int
    ) -> Estimate[FloatArray]:
        """Mean and interval of distributions on the rate grid."""
        mean = mass @ self.grid.rate
        place = invert_borders(
            np.tile(cell_borders(mass), (2, 1)), np.repeat(self._tails(), mean.size)
        )
        low, high = np.sin(place * self.grid.angle_step).reshape(2, -1) ** 2
        found = Estimate(mean, low, high)
        return ending_at_borders(found, n_burned == 0, n_burned == n_items)

    def _effective_items(self, mass: Array) -> Array:
        graded = self.total > 0
        bakes = np.bincount(self.pit[graded], minlength=self.n_pits)
        if bakes.max() <= 1:
            return np.full(self.n_pits, np.nan)
        items = np.bincount(self.pit, weights=self.total, minlength=self.n_pits)
        mean = mass @ self.grid.rate
        variance = (mass * (self.grid.rate - mean[:, None]) ** 2).sum(axis=1)
        return np.asarray(np.clip(mean * (1.0 - mean) / variance - 2.0, 0.0, items))

    def _differences(self, posterior: BakePosterior, mean: FloatArray) -> PairEstimates:
        a, b = self._pair_columns(None)
        pairs = posterior.differences(a, b)
        p_value = p_adjusted = _two_sided(pairs.at_zero)
        tails: list[ArrayLike] = [self._tails()[0]]
        if self.n_pits > 2:
            depth = depth_of_draws(pairs, posterior.fixed_draws(), a, b)
            tails.append(depth_cut(depth, self.conf_level))
            p_adjusted = adjusted_p_value(depth, p_value)
        ends = interval_ends(pairs, tails)
        return PairEstimates(
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

    # ---- differences of many studies ------------------------------------------------

    def _pair_columns(self, pairs: Pairs | None) -> tuple[Index, Index]:
        chosen = np.array(self.pairs if pairs is None else pairs, dtype=np.intp)
        a, b = chosen.reshape(-1, 2).T
        return a, b

    def _mixed(self, batch: _Batch, outcome: Index) -> Array:
        """Rate distributions averaged over the level, shape (n_studies, n_rates)."""
        value = np.empty((outcome.size, self.grid.rate.size))
        for part in self._parts(outcome.size):
            mass = batch.outcomes.mass[outcome[part]]
            value[part] = np.matmul(batch.weight[part, None, :], mass)[:, 0]
        return value

    def _parts(self, size: int) -> Iterator[slice]:
        step = max(1, _PAIR_BLOCK // self._numbers)
        return (slice(start, start + step) for start in range(0, size, step))

    def _at_zero(self, batch: _Batch, a: Index, b: Index) -> Array:
        """P(rate a <= rate b), shape (n_studies, n_pairs)."""
        mass = batch.outcomes.mass
        n = mass.shape[0]
        code = batch.outcome[:, a] * n + batch.outcome[:, b]
        distinct, inverse = np.unique(code, return_inverse=True)
        first, second = np.divmod(distinct, n)
        below = np.empty((distinct.size, self.levels.weight.size))
        middles = cell_middles(mass)
        for part in self._parts(distinct.size):
            below[part] = np.einsum(
                "nmg,nmg->nm", mass[first[part]], middles[second[part]]
            )
        chosen = below[inverse.reshape(code.shape)]
        return np.asarray(1.0 - np.einsum("sm,skm->sk", batch.weight, chosen))

    def _pair_differences(
        self, batch: _Batch, rows: Index, a: Index, b: Index
    ) -> PairDifferences:
        """Differences of all pairs of some studies, study by study."""
        mass = batch.outcomes.mass
        weight = np.repeat(batch.weight[rows], a.size, axis=0)
        first, second = (batch.outcome[rows][:, x].ravel() for x in (a, b))
        below = np.einsum("nmg,nmg->nm", mass[first], cell_middles(mass[second]))
        at_zero = 1.0 - np.einsum("nm,nm->n", below, weight)
        return PairDifferences(self.grid, weight, mass[first], mass[second], at_zero)

    def _ends(self, batch: _Batch, rows: Index, a: Index, b: Index) -> PairEnds:
        pairs = self._pair_differences(batch, rows, a, b)
        tails: list[ArrayLike] = [self._tails()[0]]
        if self.n_pits > 2:
            depths = (self._depth(self._joint(batch, int(row))) for row in rows)
            cuts = [depth_cut(depth, self.conf_level) for depth in depths]
            tails.append(np.repeat(cuts, a.size))
        ends = interval_ends(pairs, tails).reshape(len(tails), 2, rows.size, a.size)
        return PairEnds(*ends[0], *ends[-1])

    def _jointly_separated(
        self, batch: _Batch, study: Index, p_value: Array
    ) -> NDArray[np.bool_]:
        """Whether pairs with these p-values (below alpha) stay separated among all.

        Equal to comparing adjusted p-values with alpha, but most studies are settled by
        the sum over pairs or by the first draws, with a margin far beyond their error;
        only the others need the whole depth.
        """
        alpha = 1.0 - self.conf_level
        verdict = p_value * len(self.pairs) < 0.8 * alpha
        open_rows = np.array(
            [
                row
                for row in np.flatnonzero(~verdict)
                if not self._plainly_together(batch, study[row], p_value[row])
            ],
            dtype=np.intp,
        )
        margin = 2.5 * np.sqrt(alpha * (1.0 - alpha) / _FIRST_LOOK)
        share = self._first_look(batch, study[open_rows], p_value[open_rows])
        verdict[open_rows] = share < alpha
        for row in open_rows[np.abs(share - alpha) < margin]:
            depth = self._depth(self._joint(batch, study[row]))
            adjusted = adjusted_p_value(depth, p_value[row : row + 1])
            verdict[row] = adjusted[0] < alpha
        return verdict

    def _plainly_together(self, batch: _Batch, study: int, p_value: float) -> bool:
        """Whether the first draws alone show that a pair is not separated among all.

        Takes the tails of all differences from the draws themselves, which is quick and
        rough: its error was at most a half of the margin in 1,000 studies.
        """
        alpha = 1.0 - self.conf_level
        a, b = self._pair_columns(None)
        draws = self._joint(batch, study).fixed_draws(_FIRST_LOOK)
        gap = draws[:, a] - draws[:, b]
        count = int(p_value / 2 * _FIRST_LOOK)
        if count < 1:
            return False
        ends = np.partition(gap, [count - 1, _FIRST_LOOK - count], axis=0)
        low, high = ends[count - 1], ends[_FIRST_LOOK - count]
        share = np.mean(np.any((gap <= low) | (gap >= high), axis=1))
        return bool(share > alpha + 6.0 * np.sqrt(alpha * (1 - alpha) / _FIRST_LOOK))

    def _first_look(self, batch: _Batch, study: Index, p_value: Array) -> Array:
        """Share of the first draws in which some pair is as far out as asked."""
        size = max(1, _FIRST_LOOK_PAIRS // len(self.pairs))
        parts = [
            self._first_look_at(batch, study[k : k + size], p_value[k : k + size])
            for k in range(0, study.size, size)
        ]
        return np.concatenate([np.empty(0), *parts])

    def _first_look_at(self, batch: _Batch, study: Index, p_value: Array) -> Array:
        """`_first_look` at as many studies as go into memory at a time."""
        a, b = self._pair_columns(None)
        pairs = self._pair_differences(batch, study, a, b)
        tail = np.repeat(p_value / 2, a.size)
        low, high = (
            pairs.quantile(np.arange(tail.size), level, tolerance=1e-4).reshape(
                study.size, a.size
            )
            for level in (tail, 1.0 - tail)
        )
        share = np.empty(study.size)
        for k in range(study.size):
            draws = self._joint(batch, study[k]).fixed_draws(_FIRST_LOOK)
            gap = draws[:, a] - draws[:, b]
            share[k] = np.mean(np.any((gap <= low[k]) | (gap >= high[k]), axis=1))
        return share

    def _depth(self, joint: JointRates) -> Array:
        a, b = self._pair_columns(None)
        return depth_of_draws(joint.differences(a, b), joint.fixed_draws(), a, b)


def _normalized(value: Array, peak: Array) -> _Outcomes:
    """Distribution of the rate in each row, and the log of what it added up to."""
    mass = value.sum(axis=2)
    conditional = value / np.maximum(mass, 1e-300)[:, :, None]
    return _Outcomes(conditional, np.log(np.maximum(mass, 1e-300)) + peak)


def _flat(weight: Array, value: Array) -> Array:
    """Weighted values of each row, all levels in line."""
    return np.asarray((weight[:, :, None] * value).reshape(value.shape[0], -1))


def _two_sided(at_zero: Array) -> Array:
    """Two-sided p-value from the probability on one side of no difference."""
    return np.asarray(np.minimum(2.0 * np.minimum(at_zero, 1.0 - at_zero), 1.0))


def interval_ends(pairs: PairDifferences, tails: Sequence[ArrayLike]) -> Array:
    """Ends of the intervals with these tails, of all pairs or of each pair.

    Shape (tails, 2, pairs).
    """
    n = pairs.at_zero.size
    low = np.stack([np.broadcast_to(tail, n) for tail in tails])
    levels = np.stack([low, 1.0 - low], axis=1)
    pair = np.tile(np.arange(n), 2 * len(tails))
    return pairs.quantile(pair, levels.ravel()).reshape(levels.shape)


def depth_of_draws(pairs: PairDifferences, draws: Array, a: Index, b: Index) -> Array:
    """Depth of joint draws of the rates: their least central difference.

    The smallest, over the pairs a and b, of the probability below and above the
    difference; ``draws`` has shape (n_draws, n_pits).
    """
    gap = draws[:, a] - draws[:, b]
    low, high = gap.min(axis=0), gap.max(axis=0)
    coarse, fine = 48, 10
    at = low + (high - low) * np.linspace(0.0, 1.0, coarse + 1)[:, None]
    pair = np.tile(np.arange(a.size), coarse + 1)
    table = pairs.cdf(pair, at.ravel()).reshape(coarse + 1, a.size)
    table = refine_table(table, fine)
    table = np.minimum(table, 1.0 - table)
    step = np.diff(table, axis=0, append=table[-1:])
    scale = coarse * fine / np.maximum(high - low, 1e-300)
    depth = np.full(draws.shape[0], 0.5)
    for k in range(a.size):
        place = (gap[:, k] - low[k]) * scale[k]
        cell = place.astype(np.int32)
        value = step[:, k].take(cell)
        value *= place - cell
        value += table[:, k].take(cell)
        np.minimum(depth, value, out=depth)
    return depth


def bake_rates(
    burned: ArrayLike,
    total: ArrayLike,
    pit: ArrayLike,
    conf_level: float = 0.95,
    *,
    spread: Literal["own", "common"] = "own",
    rho: float | None = None,
    margin: str | None = None,
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
    spread : {"own", "common"}, default "own"
        A spread between bakes for every pit, or one for all pits.
    rho, margin : float and str, optional
        Correlation and margin of the prior of own spreads (see `SpreadPrior`), to
        reproduce check values; what the kit ships when not given.

    Returns
    -------
    BakeRates
        Rates (one per pit), all pairwise differences, bake standard deviations.
        A pit without a graded item returns its prior, with limits 0 and 1.

    Raises
    ------
    ValueError
        If shapes differ, a count is negative, not whole, or exceeds its total, if
        ``conf_level`` is not between 0 and 1, or the spread is not one of these.

    Notes
    -----
    The model is ``y ~ Binomial(n, expit(a + u))`` with ``u ~ N(0, sd**2)`` for each
    bake; the long-run rate of a pit is the average of ``expit(a + u)`` over bakes. The
    prior of each rate is Beta(1/2, 1/2) [1]_. Every pit has an ``sd`` of its own; their
    prior is exchangeable, half-normal [2]_ with normal scores that correlate
    (`SpreadPrior`), so that pits with few bakes learn from the others. One ``sd`` for
    all pits, uniform from 0 to 2.5, is ``spread="common"``: it gives false differences
    where the moodier pit has fewer bakes. With one bake in every pit the data say next
    to nothing about ``sd``, so that the prior sets the width of the intervals.

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
    array([0.277, 0.411])
    >>> found.differences.low.round(3), found.differences.high.round(3)
    (array([-0.413]), array([0.166]))
    """
    prior = chosen_prior(spread, rho, margin)
    return BakeModel(total, pit, conf_level, prior).one(burned)
