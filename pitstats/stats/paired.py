"""Two faces of one item: differences of paired shares, within a bake and over bakes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from pitstats.stats.binomial_data import check_conf_level, whole_numbers
from pitstats.stats.intervals import Interval

Array = NDArray[np.float64]

_STEPS = 60


class PairedDifferences(NamedTuple):
    """Mean difference of paired shares, one entry per pit.

    Attributes
    ----------
    estimate, low, high : ndarray, shape (n_pits,)
        Difference of the shares, first less second; NaN where a pit has no pairs.
    n_bakes, n_pairs : ndarray of int, shape (n_pits,)
        What each rests on.
    df : ndarray of int, shape (n_pits,)
        Degrees of freedom of each pit's own spread between bakes; 0 for a pit with one
        bake, whose interval speaks of that bake only.
    """

    estimate: Array
    low: Array
    high: Array
    n_bakes: NDArray[np.intp]
    n_pairs: NDArray[np.intp]
    df: NDArray[np.intp]


def tango_paired_difference(
    first_only: ArrayLike,
    second_only: ArrayLike,
    total: ArrayLike,
    conf_level: float = 0.95,
) -> Interval:
    """Interval for a difference of two paired proportions by Tango's score method.

    Parameters
    ----------
    first_only, second_only : array_like of int
        Pairs of which only the first, and only the second, has the outcome; scalars or
        arrays that broadcast.
    total : array_like of int
        All pairs.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Interval
        Limits for p1 - p2, each in [-1, 1]; -1 and 1 where ``total`` is 0.

    Raises
    ------
    ValueError
        If a count is negative or not whole, or the first two exceed the total.

    Notes
    -----
    Treats pairs as independent. Excludes 0 exactly when McNemar's test without
    correction rejects.

    References
    ----------
    .. [1] Tango (1998), Equivalence test and confidence interval for the difference in
       proportions for the paired-sample design, Statistics in Medicine 17:891-908.

    Examples
    --------
    >>> low, high = tango_paired_difference(150, 86, 1600)
    >>> round(float(low), 3), round(float(high), 3)
    (0.021, 0.059)
    """
    z = float(ndtri(0.5 + check_conf_level(conf_level) / 2))
    first, second, n = np.broadcast_arrays(*_counts(first_only, second_only, total))
    if (first + second > n).any():
        raise ValueError("first_only and second_only together exceed total.")
    ends = [_score_limit(first, second, n, side * z) for side in (1.0, -1.0)]
    low, high = (end if end.ndim else float(end) for end in ends)
    return Interval(low, high)


def _counts(
    first_only: ArrayLike, second_only: ArrayLike, total: ArrayLike
) -> tuple[NDArray[np.intp], ...]:
    return (
        whole_numbers(first_only, "first_only"),
        whole_numbers(second_only, "second_only"),
        whole_numbers(total, "total"),
    )


def _score_limit(first: Array, second: Array, n: Array, z: float) -> Array:
    """Difference at which the score statistic equals z, by bisection.

    The statistic falls as the difference grows, from above z at -1 to below it at 1.
    """
    low, high = np.full(n.shape, -1.0), np.full(n.shape, 1.0)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        gap = first - second - n * middle
        spread = np.sqrt(n * _score_variance(first, second, n, middle))
        # Without a pair that differs both are 0 at 0, which is inside the interval.
        above = (gap > z * spread) | ((gap == 0) & (spread == 0) & (z < 0))
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    bare = -np.sign(z) if z else 0.0
    return np.where(n > 0, (low + high) / 2, bare)


def _score_variance(first: Array, second: Array, n: Array, difference: Array) -> Array:
    """Variance of one pair's difference, at the most likely shares given it."""
    b = -first - second + (2 * n - first + second) * difference
    c = -second * difference * (1 - difference)
    root = np.sqrt(np.maximum(b**2 - 8 * n * c, 0.0))
    q = (root - b) / np.maximum(4 * n, 1)
    return np.maximum(2 * q + difference * (1 - difference), 0.0)


def paired_differences(
    first_only: ArrayLike,
    second_only: ArrayLike,
    total: ArrayLike,
    pit: ArrayLike,
    conf_level: float = 0.95,
) -> PairedDifferences:
    """Difference of paired shares in each pit, with the bake as the unit.

    Parameters
    ----------
    first_only, second_only, total : array_like of int, shape (n_bakes,)
        Per bake: pairs of which only the first, only the second has the outcome, and
        all pairs. Bakes without pairs are left out.
    pit : array_like of int, shape (n_bakes,)
        0-based code of the pit of each bake.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    PairedDifferences
        One entry per code from 0 to the largest.

    Raises
    ------
    ValueError
        As for `tango_paired_difference`, or if shapes differ.

    Notes
    -----
    Both members of a pair share their bake, so its heat drops out of the difference
    and only how bakes differ *in the difference* remains. The estimate is the mean of
    the differences of the bakes. Its interval is Student's t over the pit's own bakes,
    but never narrower than Tango's for the pairs of all bakes taken together: few bakes
    can agree by luck. For a pit with one bake it is Tango's alone and speaks of that
    bake only.

    In simulations (two pits of 2 to 6 bakes of 18 items, shares about 0.1 and 0.3, bake
    SD 0.6, the difference itself changing from bake to bake with SDs 0 to 1.5 on the
    logit scale, unlike in the two pits; 60 settings of 2,000 studies) 95% intervals
    covered at least 94.6% of the long-run differences in every setting; with the spread
    pooled over the pits 82%.

    References
    ----------
    .. [1] Tango (1998), Statistics in Medicine 17:891-908.
    .. [2] Altman & Bland (1997), Statistics notes: units of analysis, BMJ 314:1874
       (means of clusters as the unit).

    Examples
    --------
    >>> found = paired_differences([5, 4, 6], [1, 0, 1], [18, 18, 18], [0, 0, 0])
    >>> round(float(found.estimate[0]), 3), int(found.df[0])
    (0.241, 2)
    """
    first, second, n = _counts(first_only, second_only, total)
    code = np.asarray(pit, dtype=np.intp)
    if not first.shape == second.shape == n.shape == code.shape or code.ndim != 1:
        raise ValueError("Give one entry per bake in every argument.")
    n_pits = int(code.max()) + 1 if len(code) else 0
    used = n > 0
    first, second, n, code = first[used], second[used], n[used], code[used]
    n_bakes = np.bincount(code, minlength=n_pits)
    one, other, pairs = (
        np.bincount(code, x, minlength=n_pits) for x in (first, second, n)
    )
    low, high = tango_paired_difference(one, other, pairs, conf_level)
    difference = (first - second) / n
    with np.errstate(invalid="ignore"):
        estimate = np.bincount(code, difference, minlength=n_pits) / n_bakes
    df = np.maximum(n_bakes - 1, 0)
    left = (difference - estimate[code]) ** 2
    squares = np.bincount(code, left, minlength=n_pits)
    t = stdtrit(np.maximum(df, 1), 0.5 + conf_level / 2)
    own = t * np.sqrt(squares / np.maximum(df, 1) / np.maximum(n_bakes, 1))
    reach = np.where(df > 0, own, 0.0)
    low = np.minimum(np.asarray(low), np.maximum(estimate - reach, -1.0))
    high = np.maximum(np.asarray(high), np.minimum(estimate + reach, 1.0))
    none = n_bakes == 0
    return PairedDifferences(
        estimate=estimate,
        low=np.where(none, np.nan, low),
        high=np.where(none, np.nan, high),
        n_bakes=n_bakes.astype(np.intp),
        n_pairs=pairs.astype(np.intp),
        df=df.astype(np.intp),
    )
