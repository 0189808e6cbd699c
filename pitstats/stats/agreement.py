"""Agreement of two instruments: bias, and the limits most differences lie between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.stats.binomial_data import check_conf_level
from pitstats.stats.intervals import Interval

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Bias and limits of agreement of two instruments, first minus second.

    Attributes
    ----------
    n_readings, n_groups : int
        Pairs, and groups (bakes) that they belong to; equal without groups.
    bias : float
        Mean difference; with groups the mean of the group means.
    bias_interval : Interval
        From Student's t over groups; NaN for a single one.
    sd : float
        SD of a single difference: between and within groups together.
    sd_between, sd_within : float
        Its parts. Without groups ``sd_between`` is ``sd`` and ``sd_within`` is NaN.
        A negative estimate of the between part is set to 0.
    lower, upper : float
        Limits of agreement: bias -/+ ``multiplier`` x ``sd``.
    lower_interval, upper_interval : Interval
        Interval of each limit taken by itself: exact without groups, by the MOVER
        with groups.
    lower_approximate, upper_approximate : Interval
        The usual large-sample interval (limit -/+ t x sqrt(3/n) x sd); NaN with
        several readings in a group.
    multiplier : float
        Number of ``sd`` from bias to limit.
    conf_level : float
        Level of the intervals.
    """

    n_readings: int
    n_groups: int
    bias: float
    bias_interval: Interval
    sd: float
    sd_between: float
    sd_within: float
    lower: float
    upper: float
    lower_interval: Interval
    upper_interval: Interval
    lower_approximate: Interval
    upper_approximate: Interval
    multiplier: float
    conf_level: float


_UNKNOWN = Interval(np.nan, np.nan)


class _Parts(NamedTuple):
    """Differences, summed up group by group."""

    n_readings: int
    n_groups: int
    means: Floats
    within: float  # pooled variance within groups, NaN if no group has two
    within_df: int
    share: float  # 1 - 1/(harmonic mean group size)


def limits_of_agreement(
    first: ArrayLike,
    second: ArrayLike,
    group: ArrayLike | None = None,
    *,
    coverage: float = 0.95,
    conf_level: float = 0.95,
    multiplier: float | None = None,
) -> Agreement:
    """Bias and limits of agreement of two instruments read at the same time.

    Parameters
    ----------
    first, second : array_like of float, shape (n,)
        Readings of the two instruments, pair by pair; the difference is first minus
        second. A pair in which one is NaN is left out.
    group : array_like, shape (n,), optional
        What pairs belong together, such as the bake: several readings of one bake
        share that bake's own difference and are not replicates of each other.
    coverage : float, default 0.95
        Share of differences that the limits are to hold.
    conf_level : float, default 0.95
        Level of the intervals.
    multiplier : float, optional
        SDs from bias to limit; the normal quantile of ``coverage`` when not given
        (1.96 for 0.95). The paper of 1986 used 2.

    Returns
    -------
    Agreement
        With one difference (or one group) the bias alone; what a single value cannot
        show is NaN.

    Raises
    ------
    ValueError
        If lengths differ, no pair is left, or a level is not between 0 and 1.

    Notes
    -----
    One reading a group: limits of [1]_ and [2]_. Their exact intervals follow from the
    noncentral t distribution, as for any normal quantile [3]_.

    Several readings a group, true value free to vary [4]_: variance within groups
    pooled, variance of a single difference = variance of the group means + (1 - 1/m_h)
    x variance within, m_h the harmonic mean of the group sizes; intervals combine
    those of the parts (MOVER) [5]_, with Student's t for the bias because groups are
    few. The sum of the two parts is right on average for readings that follow each
    other in time, too; only its interval takes them for independent within a group.

    References
    ----------
    .. [1] Bland JM, Altman DG (1986), Lancet i:307-310.
    .. [2] Bland JM, Altman DG (1999), Stat Methods Med Res 8:135-160.
    .. [3] Carkeet A (2015), Optom Vis Sci 92:e71-e80.
    .. [4] Bland JM, Altman DG (2007), J Biopharm Stat 17:571-582.
    .. [5] Zou GY (2013), Stat Methods Med Res 22:630-642.

    Examples
    --------
    The first four subjects of the 1986 paper:

    >>> agreed = limits_of_agreement([494, 395, 516, 434], [512, 430, 520, 428])
    >>> round(agreed.bias, 2), round(agreed.sd, 2)
    (-12.75, 17.8)
    """
    check_conf_level(coverage, "coverage")
    check_conf_level(conf_level)
    parts = _parts(first, second, group)
    if multiplier is None:
        from scipy.special import ndtri

        multiplier = float(ndtri((1 + coverage) / 2))
    if parts.n_readings == parts.n_groups:
        return _single_readings(parts, conf_level, multiplier)
    return _repeated_readings(parts, conf_level, multiplier)


def _parts(first: ArrayLike, second: ArrayLike, group: ArrayLike | None) -> _Parts:
    one, two = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.shape != two.shape or one.ndim != 1:
        raise ValueError("The two instruments need the same number of readings.")
    labels = np.arange(one.size) if group is None else np.asarray(group)
    if labels.shape != one.shape:
        raise ValueError("group needs one entry for each pair of readings.")
    both = ~np.isnan(one) & ~np.isnan(two)
    difference = (one - two)[both]
    if difference.size == 0:
        raise ValueError("No pair of readings is left.")
    _, codes = np.unique(labels[both], return_inverse=True)
    sizes = np.bincount(codes).astype(float)
    means = np.bincount(codes, difference) / sizes
    df = difference.size - sizes.size
    within = float(((difference - means[codes]) ** 2).sum() / df) if df else np.nan
    share = float(1 - np.mean(1 / sizes))
    return _Parts(difference.size, sizes.size, means, within, int(df), share)


def _single_readings(parts: _Parts, conf_level: float, multiplier: float) -> Agreement:
    bias, n = float(parts.means.mean()), parts.n_groups
    sd = float(parts.means.std(ddof=1)) if n > 1 else np.nan
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    approximate = exact_low = exact_high = np.nan
    if n > 1:
        approximate = _t_quantile(conf_level, n - 1) * float(np.sqrt(3 / n)) * sd
        exact_low, exact_high = quantile_factors(n, multiplier, conf_level)
    return Agreement(
        n_readings=parts.n_readings,
        n_groups=n,
        bias=bias,
        bias_interval=_bias_interval(parts.means, conf_level),
        sd=sd,
        sd_between=sd,
        sd_within=np.nan,
        lower=lower,
        upper=upper,
        lower_interval=_around(bias, -exact_high * sd, -exact_low * sd),
        upper_interval=_around(bias, exact_low * sd, exact_high * sd),
        lower_approximate=_around(lower, -approximate, approximate),
        upper_approximate=_around(upper, -approximate, approximate),
        multiplier=multiplier,
        conf_level=conf_level,
    )


def _repeated_readings(
    parts: _Parts, conf_level: float, multiplier: float
) -> Agreement:
    bias, n = float(parts.means.mean()), parts.n_groups
    of_means = float(parts.means.var(ddof=1)) if n > 1 else np.nan
    rest = parts.share * parts.within
    variance = of_means + rest
    sd = float(np.sqrt(variance))
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    lower_interval = upper_interval = _UNKNOWN
    bias_interval = _bias_interval(parts.means, conf_level)
    if n > 1:
        low, high = _mover_variance(parts, of_means, rest, conf_level)
        far = multiplier * (np.sqrt(high) - sd)
        near = multiplier * (sd - np.sqrt(low))
        half = bias - bias_interval.low
        outer, inner = float(np.hypot(half, far)), float(np.hypot(half, near))
        lower_interval = _around(lower, -outer, inner)
        upper_interval = _around(upper, -inner, outer)
    between = max(of_means - (1 - parts.share) * parts.within, 0.0)
    return Agreement(
        n_readings=parts.n_readings,
        n_groups=n,
        bias=bias,
        bias_interval=bias_interval,
        sd=sd,
        sd_between=float(np.sqrt(between)) if n > 1 else np.nan,
        sd_within=float(np.sqrt(parts.within)),
        lower=lower,
        upper=upper,
        lower_interval=lower_interval,
        upper_interval=upper_interval,
        lower_approximate=_UNKNOWN,
        upper_approximate=_UNKNOWN,
        multiplier=multiplier,
        conf_level=conf_level,
    )


def _mover_variance(
    parts: _Parts, of_means: float, rest: float, conf_level: float
) -> tuple[float, float]:
    """Interval of the sum of the two parts of the variance (Zou 2013)."""
    from scipy.special import chdtri

    tails = (1 - conf_level) / 2, (1 + conf_level) / 2
    down = up = 0.0
    for part, df in ((of_means, parts.n_groups - 1), (rest, parts.within_df)):
        # chdtri(df, p) is the point that is exceeded with probability p.
        large, small = (float(chdtri(df, tail)) for tail in tails)
        down += (part * (1 - df / large)) ** 2
        up += (part * (df / small - 1)) ** 2
    variance = of_means + rest
    return max(variance - float(np.sqrt(down)), 0.0), variance + float(np.sqrt(up))


def _around(center: float, low: float, high: float) -> Interval:
    return Interval(float(center + low), float(center + high))


def _bias_interval(means: Floats, conf_level: float) -> Interval:
    n = means.size
    if n < 2:
        return _UNKNOWN
    half = _t_quantile(conf_level, n - 1) * means.std(ddof=1) / np.sqrt(n)
    return _around(float(means.mean()), -half, half)


def _t_quantile(conf_level: float, df: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + conf_level) / 2))


def quantile_factors(
    n: int, multiplier: float, conf_level: float
) -> tuple[float, float]:
    """Factors of the SD that bound a normal quantile at a confidence level, exactly.

    The quantile lies ``multiplier`` SDs above the mean of the population; each of the
    two factors, the smaller first, is a one-sided tolerance factor for samples of
    ``n``, 2 or more.

    References
    ----------
    .. [1] Carkeet A (2015), Optom Vis Sci 92:e71-e80.

    Examples
    --------
    >>> [round(factor, 2) for factor in quantile_factors(10, 1.96, 0.95)]
    [1.16, 3.8]
    """
    from scipy.special import nctdtrit

    root = float(np.sqrt(n))
    tails = (1 - conf_level) / 2, (1 + conf_level) / 2
    low, high = (float(nctdtrit(n - 1, multiplier * root, p) / root) for p in tails)
    return low, high
