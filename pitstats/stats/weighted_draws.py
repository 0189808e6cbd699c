"""Summaries of weighted draws: quantiles, simultaneous intervals, diagnostics."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.estimates import Estimate, PairEstimates

#: Effective draws below which the ends of intervals are not settled.
FEWEST_EFFECTIVE = 200


class WeightedCdf(NamedTuple):
    """Distribution function of weighted draws, linear between them.

    Attributes
    ----------
    values : ndarray, shape (draws,)
        Draws in rising order, those without weight left out.
    heights : ndarray, shape (draws,)
        Weight below each draw plus half its own.
    """

    values: FloatArray
    heights: FloatArray

    def at(self, value: float) -> float:
        """Share of the weight at or below a value."""
        return float(np.interp(value, self.values, self.heights, left=0.0, right=1.0))

    def inverse(self, share: float) -> float:
        """Value below which a share of the weight lies."""
        return float(np.interp(share, self.heights, self.values))


def weighted_cdf(values: FloatArray, weights: FloatArray) -> WeightedCdf:
    """Distribution function of draws with weights that add up to 1."""
    return _ordered(values, weights)[1]


def _ordered(
    values: FloatArray, weights: FloatArray
) -> tuple[npt.NDArray[np.intp], WeightedCdf]:
    """Draws with weight in rising order, and their distribution function."""
    used = np.flatnonzero(weights)
    order = used[np.argsort(values[used])]
    share = weights[order]
    return order, WeightedCdf(values[order], np.cumsum(share) - 0.5 * share)


def summarize_draws(
    values: FloatArray, weights: FloatArray, conf_level: float
) -> Estimate[float]:
    """Mean and equal-tailed interval of weighted draws.

    Parameters
    ----------
    values, weights : ndarray, shape (draws,)
        Draws and weights that add up to 1.
    conf_level : float
        Between 0 and 1.

    Returns
    -------
    Estimate
    """
    cdf = weighted_cdf(values, weights)
    tail = (1 - conf_level) / 2
    return Estimate(float(values @ weights), cdf.inverse(tail), cdf.inverse(1 - tail))


def summarize_rows(
    rows: FloatArray, weights: FloatArray, conf_level: float
) -> Estimate[FloatArray]:
    """Mean and equal-tailed interval of every row of draws, shape (..., draws).

    A row that begins with NaN is withheld: its mean and ends are NaN.
    """
    withheld = Estimate(np.nan, np.nan, np.nan)
    found = [
        withheld if np.isnan(row[0]) else summarize_draws(row, weights, conf_level)
        for row in rows.reshape(-1, rows.shape[-1])
    ]
    return Estimate(*np.array(found).reshape(-1, 3).T.reshape(3, *rows.shape[:-1]))


def summarize_pairs(
    columns: FloatArray, weights: FloatArray, conf_level: float
) -> PairEstimates:
    """Compare all pairs of columns of weighted draws.

    Parameters
    ----------
    columns : ndarray, shape (columns, draws)
        One row of draws per quantity.
    weights : ndarray, shape (draws,)
        Weights that add up to 1.
    conf_level : float
        Between 0 and 1.

    Returns
    -------
    PairEstimates

    Notes
    -----
    Simultaneous intervals cut every difference at the same posterior rank, the rank
    being chosen so that the share ``conf_level`` of the draws lies inside all of them
    [1]_: the rank form of the largest-t rule, which keeps skewness. A draw's depth is
    its smallest distance in rank from either end over all pairs.

    References
    ----------
    .. [1] Besag J, Green P, Higdon D, Mengersen K (1995), Bayesian computation and
       stochastic systems, Statistical Science 10:3-41, section 6.3.
    """
    a, b = np.triu_indices(len(columns), 1)
    difference = columns[a] - columns[b]
    estimate = difference @ weights
    cdfs, depth = [], np.full(len(weights), 0.5)
    for row in difference:
        order, cdf = _ordered(row, weights)
        nearer = np.minimum(cdf.heights, 1 - cdf.heights)
        depth[order] = np.minimum(depth[order], nearer)
        cdfs.append(cdf)
    tail = (1 - conf_level) / 2
    below = np.array([cdf.at(0.0) for cdf in cdfs])
    reach = np.minimum(below, 1 - below)
    low = np.array([cdf.inverse(tail) for cdf in cdfs])
    high = np.array([cdf.inverse(1 - tail) for cdf in cdfs])
    p_value = np.minimum(1.0, 2 * reach)
    if len(a) < 2:
        return PairEstimates(
            a, b, estimate, low, high, low.copy(), high.copy(), p_value, p_value.copy()
        )
    depths = weighted_cdf(depth, weights)
    rank = min(depths.inverse(1 - conf_level), tail)
    wide_low = np.array([cdf.inverse(rank) for cdf in cdfs])
    wide_high = np.array([cdf.inverse(1 - rank) for cdf in cdfs])
    adjusted = np.maximum([depths.at(value) for value in reach], p_value)
    return PairEstimates(
        a, b, estimate, low, high, wide_low, wide_high, p_value, adjusted
    )


def truncated_weights(log_weight: FloatArray) -> FloatArray:
    """Normalized importance weights, none above the mean times the root of the number.

    References
    ----------
    .. [1] Ionides EL (2008), Truncated importance sampling, Journal of Computational
       and Graphical Statistics 17:295-311.
    """
    weight = np.exp(log_weight - log_weight.max())
    weight = np.minimum(weight, weight.mean() * np.sqrt(len(weight)))
    return np.asarray(weight / weight.sum())


def effective_draws(weights: FloatArray) -> float:
    """Number of equally weighted draws that would scatter as much."""
    return float(1 / (weights**2).sum())


def pareto_k(log_weight: FloatArray) -> float:
    """Shape of the generalized Pareto tail of importance weights.

    Parameters
    ----------
    log_weight : ndarray, shape (draws,)
        Log weights before truncation.

    Returns
    -------
    float
        Values under 0.7 mean that averages settle at the usual speed. Reported only:
        rates are bounded, and interval ends proved stable at larger values too.

    References
    ----------
    .. [1] Vehtari A, Simpson D, Gelman A, Yao Y, Gabry J (2024), Pareto smoothed
       importance sampling, Journal of Machine Learning Research 25(72).
    .. [2] Zhang J, Stephens MA (2009), A new and efficient estimation method for the
       generalized Pareto distribution, Technometrics 51:316-325.
    """
    n = len(log_weight)
    size = int(np.ceil(min(0.2 * n, 3 * np.sqrt(n))))
    ordered = np.sort(np.exp(log_weight - log_weight.max()))
    tail = ordered[-size:] - ordered[-size - 1]
    if tail[-1] <= 0 or tail[size // 4] <= 0:
        return 0.0
    n_grid = 30 + int(np.sqrt(size))
    grid = 1 - np.sqrt(n_grid / (np.arange(1, n_grid + 1) - 0.5))
    grid = grid / (3 * tail[int(size / 4 + 0.5) - 1]) + 1 / tail[-1]
    shape = np.log1p(-grid[:, None] * tail).mean(axis=1)
    height = size * (np.log(-grid / shape) - shape - 1)
    share = np.exp(height - height.max())
    best = float((grid * share).sum() / share.sum())
    k = float(np.log1p(-best * tail).mean())
    # A weak prior at 0.5 steadies the estimate from a short tail.
    return (size * k + 10 * 0.5) / (size + 10)
