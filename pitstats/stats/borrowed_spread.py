"""A spread between bakes borrowed from earlier tests, and what it does to the answer.

Not knowing the spread is what makes two or three bakes dear. Where earlier tests of the
same kind have taught it, it may serve as a prior, in a mixture that lets go of it when
the new bakes speak against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logsumexp, ndtr

from pitstats.stats.bake_grid import bake_loglik, grid_for
from pitstats.stats.bake_model import (
    BakeModel,
    BakeRates,
    PairEnds,
    Pairs,
)
from pitstats.stats.bake_posterior import BakePosterior
from pitstats.stats.bake_spread import common_level
from pitstats.stats.binomial_data import FloatArray, check_codes, check_counts
from pitstats.stats.estimates import Estimate, PairEstimates
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.spread_prior import OWN, SD_LIMIT, SpreadLevels, SpreadPrior

Array = NDArray[np.float64]

BORROWED_WEIGHT = 0.5
"""Prior weight of the borrowed part of the mixture."""

MOODIER = 2.0
"""How many times the earlier spread the loss from borrowing is told for."""

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


@dataclass(frozen=True)
class _UsualOrEarlier(SpreadPrior):
    """The usual prior, or with probability ``share`` that of earlier tests."""

    earlier: EarlierSpread
    share: float

    def levels(self, n_pits: int, sd: Array, sd_weight: Array) -> SpreadLevels:
        """Nodes of both levels: those of the usual prior, then the others."""
        parts = [prior.levels(n_pits, sd, sd_weight) for prior in (OWN, self.earlier)]
        shares = (1.0 - self.share, self.share)
        weights = [
            share * part.weight for share, part in zip(shares, parts, strict=True)
        ]
        return SpreadLevels(
            np.concatenate([part.score for part in parts]),
            np.concatenate(weights),
            np.concatenate([part.kernel for part in parts]),
        )


class BorrowedModel:
    """The posterior with a borrowed spread, for studies of one design.

    Answers as `BakeModel` does; where a study contradicts the earlier spread, with the
    usual prior.

    Parameters
    ----------
    total, pit : array_like of int, shape (n_bakes,)
        As for `BakeModel`.
    sd, factor : float
        Spread of the earlier tests and the factor within which they know it.
    conf_level : float, default 0.95
        Level of the intervals.
    weight : float, default 0.5
        Prior weight of the borrowed part, between 0 and 1.

    Raises
    ------
    ValueError
        As for `BakeModel`, or if ``sd``, ``factor`` or ``weight`` is out of range.

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
    """

    def __init__(
        self,
        total: ArrayLike,
        pit: ArrayLike,
        sd: float,
        factor: float = 1.5,
        conf_level: float = 0.95,
        weight: float = BORROWED_WEIGHT,
    ) -> None:
        if not 0 < weight < 1:
            raise ValueError(f"weight is {weight}; it must lie between 0 and 1")
        self.earlier = earlier_spread(sd, factor)
        both = _UsualOrEarlier(OWN.rho, OWN.margin, self.earlier, weight)
        self.usual = BakeModel(total, pit, conf_level)
        self.mixed = BakeModel(total, pit, conf_level, both)
        self.conf_level, self.n_pits = self.usual.conf_level, self.usual.n_pits

    def weights(self, burned: ArrayLike) -> Array:
        """Posterior weight of the borrowed part in each study, shape (n_studies,)."""
        first = self.usual.levels.weight.size
        return np.asarray(self.mixed.level_weights(burned)[:, first:].sum(axis=1))

    def separated(
        self, burned: ArrayLike, pairs: Pairs | None = None, *, any_pair: bool = False
    ) -> NDArray[np.bool_]:
        """As `BakeModel.separated`."""
        counts = np.asarray(burned)
        found = self.mixed.separated(counts, pairs, any_pair=any_pair)
        refused = self.weights(counts) < REFUSED_BELOW
        if refused.any():
            found[refused] = self.usual.separated(
                counts[refused], pairs, any_pair=any_pair
            )
        return found

    def ends(self, burned: ArrayLike, pairs: Pairs | None = None) -> PairEnds:
        """As `BakeModel.ends`."""
        counts, found = np.asarray(burned), self.mixed.ends(burned, pairs)
        refused = self.weights(counts) < REFUSED_BELOW
        if refused.any():
            usual = self.usual.ends(counts[refused], pairs)
            for whole, part in zip(found, usual, strict=True):
                whole[refused] = part
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class BorrowedRates:
    """Rates and differences under the mixture of the borrowed and the usual prior.

    Attributes
    ----------
    posterior : BakePosterior
        The mixture on its grid.
    rates : Estimate
        Long-run rate of each pit.
    differences : PairEstimates
        Differences of all pairs of pits.
    weight : float
        Posterior weight of the borrowed part; 1 less that is left on "unknown".
    usual, borrowed : BakeRates
        The answer of either prior alone.
    """

    posterior: BakePosterior
    rates: Estimate[FloatArray]
    differences: PairEstimates
    weight: float
    usual: BakeRates
    borrowed: BakeRates

    @property
    def refused(self) -> bool:
        """Whether the new bakes contradict the earlier spread."""
        return self.weight < REFUSED_BELOW


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
    sd, factor, conf_level, weight
        As for `BorrowedModel`, where the method is described.

    Returns
    -------
    BorrowedRates

    Raises
    ------
    ValueError
        As for `bake_rates` and `BorrowedModel`.

    Examples
    --------
    >>> found = borrowed_rates([2, 3, 9, 10], [20] * 4, [0, 0, 1, 1], sd=0.5)
    >>> mixed, alone = found.differences, found.usual.differences
    >>> bool(mixed.high[0] - mixed.low[0] < alone.high[0] - alone.low[0])
    True
    """
    model = BorrowedModel(total, pit, sd, factor, conf_level, weight)
    posterior, rates, differences = model.mixed.compared(burned)
    return BorrowedRates(
        posterior=posterior,
        rates=rates,
        differences=differences,
        weight=float(model.weights(np.asarray(burned)[None])[0]),
        usual=model.usual.one(burned),
        borrowed=BakeModel(total, pit, conf_level, model.earlier).one(burned),
    )


class FalseCalls(NamedTuple):
    """How often equal pits are called different, with and without borrowing.

    Attributes
    ----------
    usual, borrowed : float
        Shares of simulated tests.
    simulations, seed : int
        Simulated tests, and their seed.
    """

    usual: float
    borrowed: float
    simulations: int
    seed: int


def false_calls_if_moodier(
    total: ArrayLike,
    pit: ArrayLike,
    rate: float,
    sd: float,
    factor: float = 1.5,
    conf_level: float = 0.95,
    *,
    simulations: int = 1000,
    seed: int = 1,
) -> FalseCalls:
    """What borrowing risks: equal pits whose fires are twice as moody as the earlier.

    Parameters
    ----------
    total, pit : array_like of int, shape (n_bakes,)
        As for `bake_rates`.
    rate : float
        Long-run rate of all pits.
    sd, factor, conf_level
        As for `BorrowedModel`.
    simulations, seed : int
        Simulated tests, and their seed.

    Returns
    -------
    FalseCalls
        Share of tests in which some interval excludes no difference.

    Examples
    --------
    >>> found = false_calls_if_moodier([16] * 4, [0, 0, 1, 1], 0.3, 0.6)
    >>> found.usual < found.borrowed
    True
    """
    model = BorrowedModel(total, pit, sd, factor, conf_level)
    rng, spread = np.random.default_rng(seed), min(MOODIER * sd, SD_LIMIT)
    heat = rng.normal(0.0, spread, (simulations, model.usual.total.size))
    logit = marginal_intercept(min(max(rate, 0.01), 0.99), spread) + heat
    burned = rng.binomial(model.usual.total, expit(logit))
    usual, borrowed = (
        float(which.separated(burned, any_pair=True).mean())
        for which in (model.usual, model)
    )
    return FalseCalls(usual, borrowed, simulations, seed)
