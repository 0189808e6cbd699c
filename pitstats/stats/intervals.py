"""Intervals for one and for two independent proportions, item by item.

Every function here counts each item as independent evidence. Items that share a bake
do not: see `pitstats.stats.bake_rates` for those. These intervals stand beside it, to
show what ignoring the bakes would have claimed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

from pitstats.stats.binomial_data import check_conf_level, whole_numbers

Array = NDArray[np.float64]


class Interval(NamedTuple):
    """Limits of an interval: floats for one proportion, arrays for several."""

    low: float | Array
    high: float | Array


def wilson_interval(
    burned: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> Interval:
    """Interval for a proportion by Wilson's score method.

    Parameters
    ----------
    burned, total : array_like of int
        Burned and graded items; scalars, or arrays that broadcast.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits in [0, 1]; 0 and 1 where ``total`` is 0. Exactly 0 when nothing and
        exactly 1 when everything burned.

    Raises
    ------
    ValueError
        If a count is negative or not whole, or ``burned`` exceeds ``total``.

    Notes
    -----
    Treats items as independent.

    References
    ----------
    .. [1] Wilson (1927), Probable inference, the law of succession, and statistical
       inference, Journal of the American Statistical Association 22:209-212.
    .. [2] Newcombe (1998), Two-sided confidence intervals for the single proportion,
       Statistics in Medicine 17:857-872, method 3.

    Examples
    --------
    >>> low, high = wilson_interval(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    x, n, level = _checked(burned, total, conf_level)
    low, high = _wilson(x, n, float(ndtri(0.5 + level / 2)))
    return _interval(low, high, x, n)


def _wilson(x: Array, n: Array, z: float) -> tuple[Array, Array]:
    """Both limits, without care for exact ends; an empty sample gives 0 and 1."""
    center = x + z**2 / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        half = z * np.sqrt(np.where(n > 0, x * (n - x) / n, 0.0) + z**2 / 4)
    return (center - half) / (n + z**2), (center + half) / (n + z**2)


def clopper_pearson_interval(
    burned: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> Interval:
    """Interval for a proportion by the exact (Clopper-Pearson) method.

    Parameters
    ----------
    burned, total : array_like of int
        Burned and graded items; scalars, or arrays that broadcast.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits in [0, 1]; 0 and 1 where ``total`` is 0.

    Raises
    ------
    ValueError
        If a count is negative or not whole, or ``burned`` exceeds ``total``.

    Notes
    -----
    Treats items as independent.

    References
    ----------
    .. [1] Clopper & Pearson (1934), The use of confidence or fiducial limits
       illustrated in the case of the binomial, Biometrika 26:404-413.

    Examples
    --------
    >>> low, high = clopper_pearson_interval(0, 20)
    >>> low, round(high, 4)
    (0.0, 0.1684)
    """
    x, n, level = _checked(burned, total, conf_level)
    tail = (1.0 - level) / 2
    low = betaincinv(np.maximum(x, 1), n - x + 1, tail)
    high = betaincinv(x + 1, np.maximum(n - x, 1), 1.0 - tail)
    return _interval(low, high, x, n)


def jeffreys_interval(
    burned: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> Interval:
    """Equal-tailed interval of the Beta(1/2, 1/2) posterior of a proportion.

    Parameters
    ----------
    burned, total : array_like of int
        Burned and graded items; scalars, or arrays that broadcast.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits in [0, 1]; the lower is 0 when nothing and the upper 1 when everything
        burned.

    Raises
    ------
    ValueError
        If a count is negative or not whole, or ``burned`` exceeds ``total``.

    Notes
    -----
    Treats items as independent. It is what `pitstats.stats.bake_rates` would give if
    bakes were known not to differ.

    References
    ----------
    .. [1] Brown, Cai & DasGupta (2001), Interval estimation for a binomial proportion,
       Statistical Science 16:101-133, section 3.1.1.

    Examples
    --------
    >>> low, high = jeffreys_interval(12, 40)
    >>> round(low, 4), round(high, 4)
    (0.1756, 0.4522)
    """
    x, n, level = _checked(burned, total, conf_level)
    tail = (1.0 - level) / 2
    low, high = (betaincinv(x + 0.5, n - x + 0.5, p) for p in (tail, 1.0 - tail))
    return _interval(low, high, x, n)


def newcombe_difference(
    burned: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> Interval:
    """Interval for a difference of proportions by Newcombe's hybrid score method.

    Parameters
    ----------
    burned, total : array_like of int, shape (2,)
        Burned and graded items, first group then second. Further dimensions may
        follow: shape (2, ...) gives arrays of limits.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits for ``p1 - p2``, in [-1, 1].

    Raises
    ------
    ValueError
        If there are not two groups, a count is negative or not whole, or ``burned``
        exceeds ``total``.

    Notes
    -----
    Treats items as independent.

    References
    ----------
    .. [1] Newcombe (1998), Interval estimation for the difference between independent
       proportions, Statistics in Medicine 17:873-890, method 10.

    Examples
    --------
    >>> low, high = newcombe_difference([56, 48], [70, 80])
    >>> round(low, 4), round(high, 4)
    (0.0524, 0.3339)
    """
    x, n, level = _two_groups(burned, total, conf_level)
    low, high = _wilson(x, n, float(ndtri(0.5 + level / 2)))
    p = _share(x, n)
    difference = p[0] - p[1]
    below = np.sqrt((p[0] - low[0]) ** 2 + (high[1] - p[1]) ** 2)
    above = np.sqrt((high[0] - p[0]) ** 2 + (p[1] - low[1]) ** 2)
    return _difference_interval(difference - below, difference + above, n)


def miettinen_nurminen_difference(
    burned: ArrayLike, total: ArrayLike, conf_level: float = 0.95
) -> Interval:
    """Interval for a difference of proportions by Miettinen and Nurminen's score test.

    Parameters
    ----------
    burned, total : array_like of int, shape (2,)
        Burned and graded items, first group then second. Further dimensions may
        follow: shape (2, ...) gives arrays of limits.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits for ``p1 - p2``, in [-1, 1]; -1 and 1 where a group is empty.

    Raises
    ------
    ValueError
        If there are not two groups, a count is negative or not whole, or ``burned``
        exceeds ``total``.

    Notes
    -----
    All differences that the score test would not reject, its variance taken at the
    maximum-likelihood rates that differ by just that much and multiplied by
    ``N / (N - 1)``. Treats items as independent.

    References
    ----------
    .. [1] Miettinen & Nurminen (1985), Comparative analysis of two rates, Statistics
       in Medicine 4:213-226, equations 6 to 9 and appendix I.

    Examples
    --------
    >>> low, high = miettinen_nurminen_difference([56, 48], [70, 80])
    >>> round(low, 4), round(high, 4)
    (0.0528, 0.3382)
    """
    x, n, level = _two_groups(burned, total, conf_level)
    limit = float(ndtri(0.5 + level / 2)) ** 2
    p = _share(x, n)
    observed = p[0] - p[1]
    ends = []
    for far in (-1.0, 1.0):
        inside, outside = observed.copy(), np.full(observed.shape, far)
        for _ in range(60):
            middle = 0.5 * (inside + outside)
            kept = _score_square(x, n, middle) <= limit
            inside = np.where(kept, middle, inside)
            outside = np.where(kept, outside, middle)
        ends.append(0.5 * (inside + outside))
    return _difference_interval(ends[0], ends[1], n)


def _score_square(x: Array, n: Array, difference: Array) -> Array:
    """Square of the score statistic for a stated difference."""
    q1, q2 = _restricted_rates(x, n, difference)
    size = n[0] + n[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (q1 * (1 - q1) / n[0] + q2 * (1 - q2) / n[1]) * size / (size - 1)
        gap = _share(x, n)[0] - _share(x, n)[1] - difference
        square = np.where(gap == 0.0, 0.0, gap**2 / np.maximum(variance, 0.0))
    return np.asarray(np.where(np.isnan(square), 0.0, square))


def _restricted_rates(x: Array, n: Array, difference: Array) -> tuple[Array, Array]:
    """Maximum-likelihood rates whose difference is given: a cubic equation."""
    size, events, d = n[0] + n[1], x[0] + x[1], difference
    a3 = size
    a2 = (n[0] + 2 * n[1]) * d - size - events
    a1 = (n[1] * d - size - 2 * x[1]) * d + events
    a0 = x[1] * d * (1 - d)
    with np.errstate(divide="ignore", invalid="ignore"):
        v = (a2 / (3 * a3)) ** 3 - a1 * a2 / (6 * a3**2) + a0 / (2 * a3)
        root = np.sqrt(np.maximum((a2 / (3 * a3)) ** 2 - a1 / (3 * a3), 0.0))
        u = np.where(v >= 0, root, -root)
        angle = np.where(u == 0, 0.0, v / np.where(u == 0, 1.0, u) ** 3)
        w = (np.pi + np.arccos(np.clip(angle, -1.0, 1.0))) / 3
        q2 = 2 * u * np.cos(w) - a2 / (3 * a3)
    q2 = np.clip(q2, np.maximum(0.0, -d), np.minimum(1.0, 1.0 - d))
    return q2 + d, q2


def zero_event_limit(total: ArrayLike, conf_level: float = 0.95) -> float | Array:
    """Upper one-sided limit for a rate when none of the items burned.

    Parameters
    ----------
    total : array_like of int
        Graded items.
    conf_level : float, default 0.95
        One-sided confidence level.

    Returns
    -------
    float or ndarray
        ``1 - (1 - conf_level)**(1 / total)``; about ``3 / total`` at 95 %, and 1
        without items.

    Raises
    ------
    ValueError
        If ``total`` is negative or not whole.

    Notes
    -----
    Treats items as independent.

    References
    ----------
    .. [1] Hanley & Lippman-Hand (1983), If nothing goes wrong, is everything all
       right? Journal of the American Medical Association 249:1743-1745.

    Examples
    --------
    >>> round(zero_event_limit(30), 4)
    0.095
    """
    _, n, level = _checked(0, total, conf_level)
    limit = np.where(n > 0, -np.expm1(np.log1p(-level) / np.maximum(n, 1)), 1.0)
    return _plain(limit)


def kish_design_effect(n_items: ArrayLike, icc: float) -> float:
    """Factor by which sharing a bake inflates the variance of a rate.

    Parameters
    ----------
    n_items : array_like of int, shape (n_bakes,)
        Items of each bake (one number for bakes of equal size).
    icc : float
        Intraclass correlation between items of one bake, on the probability scale.

    Returns
    -------
    float
        ``1 + (sum(n**2) / sum(n) - 1) * icc``: one for independent items, the number
        of items for items that always burn together.

    Raises
    ------
    ValueError
        If there are no items or ``icc`` is not between 0 and 1.

    Notes
    -----
    With unequal bakes ``sum(n**2) / sum(n)`` is ``(1 + cv**2)`` times the mean
    size [2]_.

    References
    ----------
    .. [1] Kish (1965), Survey Sampling, section 5.4.
    .. [2] Eldridge, Ashby & Kerry (2006), Sample size for cluster randomized trials,
       International Journal of Epidemiology 35:1292-1300.

    Examples
    --------
    >>> round(kish_design_effect(20, icc=0.05), 4)
    1.95
    """
    n = whole_numbers(n_items, "n_items").astype(np.float64).ravel()
    if n.sum() == 0:
        raise ValueError("n_items holds no item; give at least one bake with items")
    if not 0.0 <= icc <= 1.0:
        raise ValueError(f"icc is {icc}; it must lie between 0 and 1")
    return float(1.0 + ((n**2).sum() / n.sum() - 1.0) * icc)


def kish_weight_effect(weight: ArrayLike) -> float:
    """Factor by which unequal weights inflate the variance of a mean.

    Parameters
    ----------
    weight : array_like of float, shape (n,)
        Weights, not negative.

    Returns
    -------
    float
        ``n * sum(w**2) / sum(w)**2``.

    Raises
    ------
    ValueError
        If a weight is negative or all are 0.

    References
    ----------
    .. [1] Kish (1965), Survey Sampling, section 11.7.

    Examples
    --------
    >>> kish_weight_effect([1, 1, 2, 4])
    1.375
    """
    w = np.asarray(weight, dtype=np.float64).ravel()
    if w.size == 0 or np.any(w < 0) or w.sum() == 0:
        raise ValueError("weights must not be negative, and not all of them 0")
    return float(w.size * (w**2).sum() / w.sum() ** 2)


def _checked(
    burned: ArrayLike, total: ArrayLike, conf_level: float
) -> tuple[Array, Array, float]:
    level = check_conf_level(conf_level)
    x, n = np.broadcast_arrays(
        whole_numbers(burned, "burned"), whole_numbers(total, "total")
    )
    if np.any(x > n):
        first = np.flatnonzero((x > n).ravel())[0]
        raise ValueError(
            f"{x.ravel()[first]} burned of {n.ravel()[first]} graded items; there "
            "cannot be more burned than graded"
        )
    return x.astype(np.float64), n.astype(np.float64), level


def _two_groups(
    burned: ArrayLike, total: ArrayLike, conf_level: float
) -> tuple[Array, Array, float]:
    x, n, level = _checked(burned, total, conf_level)
    if x.ndim == 0 or x.shape[0] != 2:
        raise ValueError(
            "two groups are needed, first and second, but "
            f"{x.shape[0] if x.ndim else 1} given"
        )
    return x, n, level


def _share(x: Array, n: Array) -> Array:
    return np.asarray(np.where(n > 0, x / np.maximum(n, 1.0), 0.5))


def _interval(low: Array, high: Array, x: Array, n: Array) -> Interval:
    return Interval(
        _plain(np.where(x == 0, 0.0, np.clip(low, 0.0, 1.0))),
        _plain(np.where(x == n, 1.0, np.clip(high, 0.0, 1.0))),
    )


def _difference_interval(low: Array, high: Array, n: Array) -> Interval:
    unknown = np.any(n == 0, axis=0)
    return Interval(
        _plain(np.where(unknown, -1.0, np.clip(low, -1.0, 1.0))),
        _plain(np.where(unknown, 1.0, np.clip(high, -1.0, 1.0))),
    )


def _plain(value: ArrayLike) -> float | Array:
    array = np.asarray(value, dtype=np.float64)
    return float(array) if array.ndim == 0 else array
