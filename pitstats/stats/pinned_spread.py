"""Where the posterior lies when very many bakes pin its SDs down, and draws from there.

A few fixed SDs are too far apart for such a posterior: it may lie whole between two of
them. The evidence is then all but quadratic in the variances, also where a variance may
be 0, so that its peak and its curvature there are all that a proposal needs.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.effects import Effects, Likelihood, Scales
from pitstats.stats.proposal import (
    AS_GOOD_AS_0,
    BASE_HEIGHT,
    PEAK_SHARE,
    ProposedDraws,
    climb,
    draw_linear,
)
from pitstats.stats.rate_prior import ReferenceGrid
from pitstats.stats.spread_prior import SD_LIMIT

#: Bakes of every group (and sessions of several bakes) from which SDs are pinned down.
MANY_BAKES = 200
_ROUNDS = 10
_FIRST_VARIANCE = 0.3
_SMALLEST_VARIANCE = 1e-3
# Relative steps; a peak is found when the next step is a small part of its width.
_SHORTEST, _LONGEST = -0.7, 1.5
_CLOSE = 0.3
_WIDEN = 1.25
_REACH = 8.0
_STEPS = np.linspace(0.0, 1.0, 129)


class Peak(NamedTuple):
    """The evidence about its peak, quadratic in the variances.

    Attributes
    ----------
    variance : ndarray, shape (effects,)
        Variances of the groups, then the shared one if there is one; outside of the
        possible ones where the evidence is highest at an end of them.
    covariance : ndarray, shape (effects, effects)
        Inverse curvature of the log evidence there.
    centre : ndarray, shape (parameters,)
        Mode of the other parameters at these variances.
    shift : ndarray, shape (effects, parameters)
        How fast that mode moves with each variance.
    factor : ndarray, shape (parameters, parameters)
        Lower Cholesky factor of the inverse curvature of the other parameters.
    """

    variance: FloatArray
    covariance: FloatArray
    centre: FloatArray
    shift: FloatArray
    factor: FloatArray

    @property
    def size(self) -> int:
        """As in `Source`."""
        return len(self.centre)

    @property
    def n_uniform(self) -> int:
        """As in `Source`: the common score, and one of each variance."""
        return 1 + len(self.variance)

    def draw(
        self, effects: Effects, uniform: FloatArray, t: FloatArray, scale: float
    ) -> ProposedDraws:
        """As in `Source`: variances one after the other, the rest given them."""
        variance, log_density = _draw_variances(self, uniform[1:])
        scales = _scales(variance, effects)
        away = variance.T - self.variance
        theta = self.centre + away @ self.shift + scale * t @ self.factor.T
        log_ratio = effects.log_shared_prior(scales.shared_sd) - log_density
        prior, rho = effects.prior, effects.rho
        level_sd = scales.sd[0]
        if rho > 0:
            log_ratio += prior.log_joint(scales.sd)
            level = _level(prior.score(scales.sd), rho, uniform)
            level_sd = prior.sd(np.sqrt(rho) * level)
        else:
            log_ratio += prior.log_density(scales.sd).sum(axis=0)
        return ProposedDraws(np.ascontiguousarray(theta.T), scales, level_sd, log_ratio)

    def flat_at_zero(self, effects: Effects) -> npt.NDArray[np.bool_]:
        """As in `Source`."""
        mean = self.variance[: effects.n_groups]
        width = np.sqrt(np.diagonal(self.covariance))[: effects.n_groups]
        top = np.maximum(mean, 0.0)
        fall = (AS_GOOD_AS_0**2 - mean) ** 2 - (top - mean) ** 2
        return np.asarray(np.exp(-0.5 * fall / width**2) > PEAK_SHARE)


def find_peak(
    likelihood: Likelihood, layout: ReferenceGrid, effects: Effects, start: FloatArray
) -> Peak | None:
    """Find the peak of the evidence by Newton steps with differences.

    None where the evidence has no such peak. Arguments as for `find_grid`.

    References
    ----------
    .. [1] Tierney L, Kadane JB (1986), Accurate approximations for posterior moments
       and marginal densities, Journal of the American Statistical Association
       81:82-86.
    """
    count = effects.n_groups + (len(effects.shared_knots) > 1)
    at = np.full(count, _FIRST_VARIANCE)
    width = at / 2
    crossed = False  # how variances go together matters at the peak only
    for _ in range(_ROUNDS):
        nodes = _nodes(at, width, crossed=crossed)
        theta, value, factor = climb(
            likelihood, layout, effects, start, _scales(nodes.T, effects)
        )
        evidence = value + np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        slope, bend = _differences(evidence, width)
        start = theta[:, 0]
        relative = _relative_step(at, slope, bend)
        own = np.diagonal(bend)
        # Evidence is looked at one SD to either side, and never below 0.
        wide = np.where(own > 0, 1 / np.sqrt(np.maximum(own, 1e-12)), at / 2)
        wide = np.clip(wide, _SMALLEST_VARIANCE, at / 2 + _SMALLEST_VARIANCE)
        there = np.clip(at * (1 + relative), wide, SD_LIMIT**2)
        settled = bool((abs(there - at) < _CLOSE * wide).all())
        if settled and crossed and (np.linalg.eigvalsh(bend) > 0).all():
            covariance = np.linalg.inv(bend)
            shift = (theta[:, 1 : 1 + count] - theta[:, 1 + count : 1 + 2 * count]).T
            shift /= 2 * width[:, None]
            variance = at + covariance @ slope
            return Peak(
                variance,
                covariance,
                start + (variance - at) @ shift,
                shift,
                factor[0],
            )
        at, width, crossed = there, wide, settled
    return None


def _nodes(at: FloatArray, width: FloatArray, *, crossed: bool) -> FloatArray:
    """A point, one beyond and one before it along each axis, and beyond along two."""
    steps = np.diag(width)
    pairs = combinations(range(len(at)), 2) if crossed else ()
    both = [steps[j] + steps[k] for j, k in pairs]
    return np.array([at, *(at + steps), *(at - steps), *(at + step for step in both)])


def _differences(value: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope and downward bend at the first of `_nodes`; 0 across where not crossed."""
    count = len(width)
    more, less = value[1 : 1 + count], value[1 + count : 1 + 2 * count]
    bend = np.diag((2 * value[0] - more - less) / width**2)
    pairs = combinations(range(count), 2)
    for (j, k), both in zip(pairs, value[1 + 2 * count :], strict=False):
        cross = (more[j] + more[k] - value[0] - both) / (width[j] * width[k])
        bend[j, k] = bend[k, j] = cross
    return (more - less) / (2 * width), bend


def _relative_step(at: FloatArray, slope: FloatArray, bend: FloatArray) -> FloatArray:
    """Newton step as a share of each variance, uphill also where nothing bends down."""
    values, vectors = np.linalg.eigh(bend * np.outer(at, at))
    step = vectors @ ((vectors.T @ (slope * at)) / np.maximum(abs(values), 1.0))
    return np.asarray(np.clip(step, _SHORTEST, _LONGEST))


def _scales(variance: FloatArray, effects: Effects) -> Scales:
    """SDs of groups and of the shared effect, from variances (effects, draws)."""
    sd = np.sqrt(variance)
    shared = sd[effects.n_groups :].sum(axis=0)  # one row, or none: 0
    return Scales(sd[: effects.n_groups], shared)


def _draw_variances(peak: Peak, uniform: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Variances, and the log density of their roots."""
    root = np.linalg.cholesky(peak.covariance) * _WIDEN
    score = np.zeros_like(uniform)
    variance = np.empty_like(uniform)
    log_density: FloatArray = np.zeros(uniform.shape[1])
    for j, own in enumerate(root):
        reach = _REACH * np.sqrt((own**2).sum())
        middle = peak.variance[j] + own[:j] @ score[:j]
        nearest = np.clip(peak.variance[j], 0, SD_LIMIT**2)
        low, high = np.clip([nearest - reach, nearest + reach], 0, SD_LIMIT**2)
        sd = np.sqrt(low) + (np.sqrt(high) - np.sqrt(low)) * _STEPS
        log_height = -0.5 * (((sd**2)[:, None] - middle) / own[j]) ** 2
        height = np.exp(log_height - log_height.max(axis=0))
        drawn, density, _, _ = draw_linear(sd, height + BASE_HEIGHT, uniform[j])
        variance[j] = drawn**2
        score[j] = (variance[j] - middle) / own[j]
        log_density += np.log(density)
    return variance, log_density


def _level(score: FloatArray, rho: float, uniform: FloatArray) -> FloatArray:
    """Draw the common score, normal given the scores of the groups."""
    from scipy.special import ndtri

    precision = 1 + len(score) * rho / (1 - rho)
    mean = np.sqrt(rho) / (1 - rho) * score.sum(axis=0) / precision
    return np.asarray(mean + ndtri(uniform[0]) / np.sqrt(precision))
