"""How far apart cells are, and how much bakes scatter: SDs with their intervals."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pitstats.stats.linear_contrast import (
    LinearContrast,
    MixedLinearFit,
    contrast_linear,
)
from pitstats.stats.simultaneous import simultaneous_t

Floats = NDArray[np.float64]

# With more pairs than these, a bound that needs no simulation is good enough.
_MOST_PAIRS = 200
# Values that stand for the distribution of an estimated variance.
_N_VARIANCES = 128
# Noncentral chi-square values beyond this are as good as normal after a square root.
_FAR = 1000.0


class Spread(NamedTuple):
    """An SD, a range or a ratio with its interval."""

    estimate: float
    low: float
    high: float


UNKNOWN = Spread(float("nan"), float("nan"), float("nan"))


class Extremes(NamedTuple):
    """Which of several means are highest and lowest, and how far apart."""

    highest: int
    lowest: int
    range: Spread


def spread_of_means(fit: MixedLinearFit, rows: Floats, conf_level: float) -> Spread:
    """SD of the true values behind several estimated means.

    Notes
    -----
    For a known error variance the sum of squares of the means about their mean
    follows a noncentral chi-square distribution, whose noncentrality is the true sum
    of squares over that variance; the interval inverts it [1]_, averaged over what
    the data leave open about the variance (scaled chi-square with the smallest
    degrees of freedom of the means' contrasts). It excludes 0 exactly when the F test
    does, and far from 0 it is the t interval for the distance between the means.
    Means that are not equally well known enter with their average variance.

    References
    ----------
    .. [1] Steiger JH (2004), Beyond the F test: effect size confidence intervals and
       tests of close fit in the analysis of variance and contrast analysis,
       Psychological Methods 9:164-182.
    """
    m = len(rows)
    if m < 2:
        return UNKNOWN
    about = contrast_linear(fit, rows - rows.mean(axis=0))
    between = float((about.estimate**2).sum()) / (m - 1)
    error = float(np.diag(about.covariance).sum()) / (m - 1)
    if not (np.isfinite(error) and error > 0 and np.isfinite(about.df).all()):
        return Spread(float(np.sqrt(between)), float("nan"), float("nan"))
    variances = _possible_variances(error, float(about.df.min()))
    return Spread(
        float(np.sqrt(max(0.0, between - error))),
        _true_sd(between, m - 1, variances, 0.5 + conf_level / 2),
        # Means can lie closer together than their errors would have them; no spread at
        # all explains that best, but does not make it sure.
        _true_sd(max(between, error), m - 1, variances, 0.5 - conf_level / 2),
    )


def _possible_variances(estimate: float, df: float) -> Floats:
    """Equally likely values of a variance, given its estimate."""
    from scipy.special import chdtri

    share = (np.arange(_N_VARIANCES) + 0.5) / _N_VARIANCES
    return np.asarray(estimate * df / chdtri(df, share))


def _true_sd(between: float, df: float, variances: Floats, share: float) -> float:
    """SD at which a spread up to the observed one has the given probability."""
    from scipy.optimize import brentq

    observed = between * df / variances

    def gap(sd: float) -> float:
        below = _noncentral_share(observed, df, sd * sd * df / variances)
        return float(below.mean()) - share

    if gap(0.0) <= 0:
        return 0.0
    top = 2 * float(np.sqrt(between))
    while gap(top) > 0:
        top = 2 * top
    return float(brentq(gap, 0.0, top, xtol=1e-9 * top, rtol=1e-10))


def _noncentral_share(value: Floats, df: float, noncentrality: Floats) -> Floats:
    """Share of a noncentral chi-square distribution up to a value.

    Far from 0 its square root is normal with SD 1 to three digits, and the exact
    function fails.
    """
    from scipy.special import chndtr, ndtr

    far = (value > _FAR) & (noncentrality > _FAR)
    # Values far apart are certain whatever the formula.
    near = np.minimum(value, 4 * _FAR), np.minimum(noncentrality, 4 * _FAR)
    exact = chndtr(near[0], df, near[1])
    rough = ndtr(np.sqrt(value) - np.sqrt(noncentrality + df - 1))
    return np.asarray(np.where(far, rough, exact))


def extremes_of_means(fit: MixedLinearFit, rows: Floats, conf_level: float) -> Extremes:
    """Highest and lowest of several means, and an interval for the true range.

    Notes
    -----
    The two were picked because they look extreme, so the interval comes from
    intervals that hold for all pairs together (multivariate t; Bonferroni's beyond
    200 pairs): the largest low end and the largest high end.
    """
    estimate = rows @ fit.coef
    highest, lowest = int(np.argmax(estimate)), int(np.argmin(estimate))
    if len(rows) < 2:
        return Extremes(highest, lowest, UNKNOWN)
    pairs = np.array(list(combinations(range(len(rows)), 2)))
    found = contrast_linear(fit, rows[pairs[:, 0]] - rows[pairs[:, 1]])
    apart = float(estimate[highest] - estimate[lowest])
    if not (found.std_error > 0).all():
        return Extremes(highest, lowest, Spread(apart, float("nan"), float("nan")))
    half = _all_pairs_value(found, conf_level) * found.std_error
    size = np.abs(found.estimate)
    low, high = max(0.0, float((size - half).max())), float((size + half).max())
    return Extremes(highest, lowest, Spread(apart, low, high))


def _all_pairs_value(found: LinearContrast, conf_level: float) -> float:
    from scipy.special import stdtrit

    df = float(found.df.min())
    if len(found.estimate) > _MOST_PAIRS:
        tail = (1 - conf_level) / 2 / len(found.estimate)
        return float(stdtrit(df, 1 - tail))
    t = found.estimate / found.std_error
    return simultaneous_t(found.covariance, df, t, conf_level)[0]


def difference_of_spreads(first: Spread, second: Spread) -> Spread:
    """Difference of two independently estimated SDs, first less second.

    Notes
    -----
    Recovers variances from the two intervals [1]_, so it keeps their lopsidedness.

    References
    ----------
    .. [1] Zou GY, Donner A (2008), Construction of confidence limits about effect
       measures: a general approach, Statistics in Medicine 27:1693-1702.
    """
    apart = first.estimate - second.estimate
    down = np.hypot(first.estimate - first.low, second.high - second.estimate)
    up = np.hypot(first.high - first.estimate, second.estimate - second.low)
    return Spread(float(apart), float(apart - down), float(apart + up))


def ratio_of_spreads(
    first: tuple[float, float], second: tuple[float, float], conf_level: float
) -> Spread:
    """Ratio of two SDs, each with its degrees of freedom, by the F distribution.

    Examples
    --------
    Equal SDs on 3 degrees of freedom each: F(3, 3) has the quantile 15.44.

    >>> [round(x, 2) for x in ratio_of_spreads((5.0, 3.0), (5.0, 3.0), 0.95)]
    [1.0, 0.25, 3.93]
    """
    from scipy.special import fdtri

    (sd_a, df_a), (sd_b, df_b) = first, second
    if not (sd_a > 0 and sd_b > 0 and df_a > 0 and df_b > 0):
        return UNKNOWN
    ratio, tail = (sd_a / sd_b) ** 2, (1 - conf_level) / 2
    low = ratio / float(fdtri(df_a, df_b, 1 - tail))
    high = ratio / float(fdtri(df_a, df_b, tail))
    return Spread(float(np.sqrt(ratio)), float(np.sqrt(low)), float(np.sqrt(high)))
