"""Differences of means between groups that need not spread alike."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


class MeanDifferences(NamedTuple):
    """All pairs of groups, in the order (0,1), (0,2) ... (1,2) ...

    Attributes
    ----------
    a, b : ndarray of int
        The two groups of each pair.
    estimate, low, high : ndarray
        Mean of ``a`` less mean of ``b``, with the interval of the pair alone.
    simultaneous_low, simultaneous_high : ndarray
        Interval that allows for all pairs.
    p_value, p_adjusted : ndarray
        For no difference; of the pair alone, and allowing for all pairs.
    df : ndarray
        Degrees of freedom of each pair.
    """

    a: Ints
    b: Ints
    estimate: Floats
    low: Floats
    high: Floats
    simultaneous_low: Floats
    simultaneous_high: Floats
    p_value: Floats
    p_adjusted: Floats
    df: Floats


def welch_differences(
    values: ArrayLike, group: ArrayLike, conf_level: float = 0.95
) -> MeanDifferences:
    """Compare the means of all pairs of groups without a common spread.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value per replicate, such as a bake.
    group : array_like of int, shape (n,)
        0-based codes.
    conf_level : float, default 0.95
        Level of both kinds of interval.

    Returns
    -------
    MeanDifferences
        NaN beside the estimate for a pair in which a group has one value only, or in
        which no group spreads at all.

    Raises
    ------
    ValueError
        If lengths differ or the level is not between 0 and 1.

    Notes
    -----
    A pair alone: Welch's t [1]_. All pairs: the studentized range with Welch's
    degrees of freedom [2]_; with two groups the two are the same.
    R: ``t.test(x, y)`` for a pair alone.

    References
    ----------
    .. [1] Welch BL (1947), Biometrika 34:28-35.
    .. [2] Games PA, Howell JF (1976), J Educ Stat 1:113-125.

    Examples
    --------
    >>> found = welch_differences([1.0, 2, 3, 5, 7, 9], [0, 0, 0, 1, 1, 1])
    >>> found.estimate.tolist(), found.df.round(3).tolist()
    ([-5.0], [2.941])
    """
    numbers, codes = np.asarray(values, dtype=float), np.asarray(group)
    if numbers.shape != codes.shape:
        raise ValueError("group needs one entry for each value.")
    if not 0 < conf_level < 1:
        raise ValueError(f"conf_level is {conf_level:g}; it must be between 0 and 1.")
    samples = [numbers[codes == code] for code in range(int(codes.max(initial=-1)) + 1)]
    pairs = list(combinations(range(len(samples)), 2))
    rows = [_pair(samples[a], samples[b], len(samples), conf_level) for a, b in pairs]
    index = np.array(pairs, dtype=np.intp).reshape(-1, 2)
    columns = np.array(rows, dtype=float).reshape(-1, 8).T
    return MeanDifferences(index[:, 0], index[:, 1], *columns)


def _pair(
    one: Floats, two: Floats, n_groups: int, conf_level: float
) -> tuple[float, ...]:
    from scipy.special import stdtr, stdtrit

    estimate = float(one.mean() - two.mean())
    unknown = (estimate, *[np.nan] * 7)
    if min(one.size, two.size) < 2:
        return unknown
    parts = np.array([one.var(ddof=1) / one.size, two.var(ddof=1) / two.size])
    if not parts.any():
        return unknown
    error = float(np.sqrt(parts.sum()))
    df = float(parts.sum() ** 2 / (parts**2 / [one.size - 1, two.size - 1]).sum())
    alone = float(stdtrit(df, (1 + conf_level) / 2)) * error
    p_alone = float(2 * stdtr(df, -abs(estimate) / error))
    joint, p_joint = alone, p_alone
    if n_groups > 2:
        from scipy.stats import studentized_range

        # A studentized range is a difference over one error, not over sqrt(2) of it.
        root = float(np.sqrt(2))
        joint = float(studentized_range.ppf(conf_level, n_groups, df)) / root * error
        range_seen = root * abs(estimate) / error
        p_joint = float(studentized_range.sf(range_seen, n_groups, df))
    return (
        estimate,
        estimate - alone,
        estimate + alone,
        estimate - joint,
        estimate + joint,
        p_alone,
        p_joint,
        df,
    )
