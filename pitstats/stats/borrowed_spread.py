"""A spread between bakes borrowed from earlier tests, and what it does to the answer.

Not knowing the spread is what makes two or three bakes dear. Where earlier tests of the
same kind have taught it, it may serve as a prior, in a mixture that lets go of it when
the new bakes speak against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtr

from pitstats.stats.bake_grid import bake_loglik, grid_for
from pitstats.stats.bake_model import BakeModel, BakeRates
from pitstats.stats.bake_spread import common_level
from pitstats.stats.binomial_data import check_codes, check_counts
from pitstats.stats.spread_prior import OWN, SD_LIMIT, SpreadPrior

Array = NDArray[np.float64]

BORROWED_WEIGHT = 0.5
"""Prior weight of the borrowed part of the mixture."""

REFUSED_BELOW = 0.2
"""Posterior weight of the borrowed part below which borrowing is refused."""

LEAST_FACTOR, MOST_FACTOR = 1.5, 4.0
"""Factors within which bakes that were not baked yet may differ from earlier ones."""

_LOG_2PI = math.log(2 * math.pi)


@dataclass(frozen=True)
class EarlierSpread(SpreadPrior):
    """Prior of the spreads of several pits around a spread known from earlier tests.

    Parameters
    ----------
    rho : float
        Correlation of the normal scores of two pits' spreads.
    margin : str
        In words, for display; `earlier_spread` makes it.
    center : float
        Spread of the earlier tests, logit scale.
    factor : float
        Factor that is one standard deviation of the log spread, above 1.
    """

    center: float = 0.6
    factor: float = 1.5

    @property
    def _scale(self) -> float:
        return self.center

    def sd(self, score: ArrayLike) -> Array:
        """Spread with the given normal score, cut at 2.5."""
        log_sd = math.log(self.center) + math.log(self.factor) * np.asarray(score)
        return np.asarray(np.minimum(np.exp(log_sd), SD_LIMIT))

    def score(self, sd: ArrayLike) -> Array:
        """Normal score of a spread."""
        ratio = np.maximum(np.asarray(sd, dtype=np.float64), 1e-6) / self.center
        return np.asarray(np.clip(np.log(ratio) / math.log(self.factor), -8.0, 8.0))

    def log_density(self, sd: ArrayLike) -> Array:
        """Log density of one spread by itself, between 0 and 2.5."""
        sd = np.maximum(np.asarray(sd, dtype=np.float64), 1e-6)
        width = math.log(self.factor)
        inside = math.log(float(ndtr(math.log(SD_LIMIT / self.center) / width)))
        z = np.log(sd / self.center) / width
        constant = 0.5 * _LOG_2PI + math.log(width) + inside
        return np.asarray(-constant - np.log(sd) - 0.5 * z * z)


def earlier_spread(sd: float, factor: float = 1.5) -> EarlierSpread:
    """Prior around a spread known from earlier tests.

    Parameters
    ----------
    sd : float
        Spread between bakes of the earlier tests, logit scale, above 0 and at most 2.5.
    factor : float, default 1.5
        One standard deviation of the log spread, as a factor above 1.

    Returns
    -------
    EarlierSpread

    Raises
    ------
    ValueError
        If a number is out of range.

    Examples
    --------
    >>> prior = earlier_spread(0.6, 1.5)
    >>> [round(float(prior.sd(z)), 3) for z in (-1, 0, 1)]
    [0.4, 0.6, 0.9]
    """
    if not 0 < sd <= SD_LIMIT:
        raise ValueError(f"sd is {sd}; it must be above 0 and at most {SD_LIMIT}")
    if not 1.0 < factor <= MOST_FACTOR:
        raise ValueError(
            f"factor is {factor}; it must be above 1 and at most {MOST_FACTOR:g}"
        )
    margin = f"log-normal({sd:g}, factor {factor:g})"
    return EarlierSpread(OWN.rho, margin, float(sd), float(factor))


def spread_to_lend(
    burned: ArrayLike, total: ArrayLike, pit: ArrayLike, study: ArrayLike
) -> tuple[float, float]:
    """What finished bakes know of the common level of their pits' spreads.

    Parameters
    ----------
    burned, total : array_like of int, shape (n_bakes,)
        Burned and graded items of each bake.
    pit, study : array_like of int, shape (n_bakes,)
        Pit and study of each bake, numbered from 0. A pit has a rate of its own in
        every study, and one spread.

    Returns
    -------
    sd, factor : float
        Middle of the level (logit scale), and the factor that is one standard
        deviation of its log, 1.5 to 4: ready for `earlier_spread`.

    Raises
    ------
    ValueError
        As for `bake_rates`, or if fewer than two bakes repeat another.

    Notes
    -----
    The model of `bake_rates`, in which the pits' spreads share a level. The log-normal
    has the ends of the level's central 68 % interval for its own, which far tails do
    not move. The factor is 1.5 at least, because new fires are not the earlier ones
    [1]_. The cost grows with the bakes.

    References
    ----------
    .. [1] Schmidli, Gsteiger, Roychoudhury, O'Hagan, Spiegelhalter & Neuenschwander
       (2014), Robust meta-analytic-predictive priors in clinical trials with
       historical control information, Biometrics 70:1023-1032.

    Examples
    --------
    >>> sd, factor = spread_to_lend([2, 3, 9, 10], [20] * 4, [0, 0, 1, 1], [0] * 4)
    >>> round(sd, 2), round(factor, 2)
    (0.51, 2.09)
    """
    burned, total = check_counts(burned, total)
    used = total > 0
    pit = check_codes(pit, len(total), "pit")[used]
    study = check_codes(study, len(total), "study")[used]
    burned, total = burned[used], total[used]
    pairs, group = np.unique(np.array([pit, study]), axis=1, return_inverse=True)
    if repeated_bakes(np.bincount(group)) < 2:
        raise ValueError("a spread needs three bakes of a pit, or two of each of two")
    grid = grid_for(np.asarray(total, dtype=np.float64), group)
    loglik = lru_cache(maxsize=None)(partial(bake_loglik, grid))
    by_sd = np.zeros((int(pit.max()) + 1, grid.sd.size))
    for number, of_pit in enumerate(pairs[0]):
        bakes = zip(burned[group == number], total[group == number], strict=True)
        by_sd[of_pit] += logsumexp(
            sum(loglik(int(y), int(n)) for y, n in bakes), axis=1
        )
    levels = OWN.levels(np.unique(pit).size, grid.sd, grid.sd_weight)
    top = by_sd.max(axis=1, keepdims=True)
    evidence = np.log(np.exp(by_sd - top) @ levels.kernel.T).sum(axis=0)
    level = common_level(OWN, levels, evidence, ndtr(np.array([-1.0, 1.0])))
    low, high = float(level.low), float(level.high)
    factor = min(max(math.sqrt(high / low), LEAST_FACTOR), MOST_FACTOR)
    return math.sqrt(low * high), factor


def repeated_bakes(sizes: NDArray[np.integer[Any]]) -> int:
    """Bakes that repeat another of their group: all but the first of each."""
    return int(np.maximum(sizes - 1, 0).sum())


@dataclass(frozen=True, kw_only=True, eq=False)
class BorrowedRates:
    """Rates and differences under the mixture of the borrowed and the usual prior.

    Attributes
    ----------
    usual, borrowed : BakeRates
        The answer of either prior alone.
    weight : float
        Posterior weight of the borrowed part; 1 less that is left on "unknown".
    conf_level : float
        Level of the intervals.
    """

    usual: BakeRates
    borrowed: BakeRates
    weight: float
    conf_level: float

    @property
    def refused(self) -> bool:
        """Whether the new bakes contradict the earlier spread."""
        return self.weight < REFUSED_BELOW

    @cached_property
    def _parts(self) -> tuple[tuple[float, BakeRates], ...]:
        return ((1.0 - self.weight, self.usual), (self.weight, self.borrowed))

    def difference_cdf(self, a: int, b: int, at: ArrayLike) -> Array:
        """P(rate a - rate b <= at)."""
        return np.asarray(
            sum(share * part.difference_cdf(a, b, at) for share, part in self._parts)
        )

    def interval(self, a: int, b: int, tail: float) -> tuple[float, float]:
        """Ends of the interval of a difference, with this tail beyond either end."""
        low, high = (
            float(brentq(self._excess, -1.0, 1.0, (a, b, level), xtol=1e-5))
            for level in (tail, 1.0 - tail)
        )
        return low, high

    def _excess(self, at: float, a: int, b: int, level: float) -> float:
        if at <= -1.0 or at >= 1.0:
            return (1.0 if at > 0 else 0.0) - level
        return float(self.difference_cdf(a, b, at)) - level

    def p_value(self, a: int, b: int) -> float:
        """Two-sided p-value of a pair alone."""
        below = float(self.difference_cdf(a, b, 0.0))
        return min(1.0, 2.0 * min(below, 1.0 - below))

    def tail_for_all(self, a: int, b: int) -> float:
        """Tail of a pair's interval that allows for all pairs.

        Averaged over the tails that the simultaneous intervals of the two parts cut.
        """
        tail = 0.0
        for share, part in self._parts:
            pairs = part.differences
            place = int(np.flatnonzero((pairs.a == a) & (pairs.b == b))[0])
            low = float(pairs.simultaneous_low[place])
            tail += share * float(part.difference_cdf(a, b, low))
        return min(tail, (1.0 - self.conf_level) / 2)

    @property
    def estimate(self) -> Array:
        """Mean rate of each pit."""
        return np.asarray(sum(w * part.rates.estimate for w, part in self._parts))


def borrowed_rates(
    burned: ArrayLike,
    total: ArrayLike,
    pit: ArrayLike,
    sd: float,
    factor: float = 1.5,
    conf_level: float = 0.95,
    weight: float = BORROWED_WEIGHT,
) -> BorrowedRates:
    """Long-run rates with the spread between bakes borrowed from earlier tests.

    Parameters
    ----------
    burned, total, pit : array_like of int, shape (n_bakes,)
        As for `bake_rates`.
    sd, factor : float
        Spread of the earlier tests and the factor within which they know it.
    conf_level : float, default 0.95
        Level of the intervals.
    weight : float, default 0.5
        Prior weight of the borrowed part, between 0 and 1.

    Returns
    -------
    BorrowedRates

    Raises
    ------
    ValueError
        As for `bake_rates`, or if ``sd``, ``factor`` or ``weight`` is out of range.

    Notes
    -----
    A robust mixture [1]_: with prior weight ``weight`` the spreads follow the
    log-normal prior of `earlier_spread`, otherwise the usual one. The posterior weights
    follow the evidence of the bakes for either; below 0.2 for the borrowed part,
    borrowing is refused.

    References
    ----------
    .. [1] Schmidli, Gsteiger, Roychoudhury, O'Hagan, Spiegelhalter & Neuenschwander
       (2014), Robust meta-analytic-predictive priors in clinical trials with
       historical control information, Biometrics 70:1023-1032.

    Examples
    --------
    >>> found = borrowed_rates([2, 3, 9, 10], [20] * 4, [0, 0, 1, 1], sd=0.5)
    >>> alone = found.usual.differences
    >>> low, high = found.interval(0, 1, 0.025)
    >>> bool(high - low < alone.high[0] - alone.low[0])
    True
    """
    if not 0 < weight < 1:
        raise ValueError(f"weight is {weight}; it must lie between 0 and 1")
    priors = (OWN, earlier_spread(sd, factor))
    usual, borrowed = (
        BakeModel(total, pit, conf_level, prior).one(burned) for prior in priors
    )
    log_odds = _log_evidence(borrowed) - _log_evidence(usual)
    log_odds += math.log(weight / (1.0 - weight))
    return BorrowedRates(
        usual=usual,
        borrowed=borrowed,
        weight=float(1.0 / (1.0 + math.exp(-log_odds))),
        conf_level=float(conf_level),
    )


def _log_evidence(found: BakeRates) -> float:
    """Log probability of the bakes under a prior, up to a constant of the data."""
    posterior = found.posterior
    by_level = posterior.level_evidence.sum(axis=0)
    return float(logsumexp(by_level + np.log(posterior.levels.weight)))
