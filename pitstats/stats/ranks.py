"""Ranks with their uncertainty: what a table of places must not be shown without."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


def rank_intervals(
    n: int, a: ArrayLike, b: ArrayLike, low: ArrayLike, high: ArrayLike
) -> tuple[IntArray, IntArray]:
    """Ranks that simultaneous intervals for all differences leave possible.

    Parameters
    ----------
    n : int
        Number of things ranked.
    a, b : array_like of int, shape (pairs,)
        Pairs, as codes 0 to ``n - 1``.
    low, high : array_like of float, shape (pairs,)
        Simultaneous interval of ``a - b`` for each pair.

    Returns
    -------
    low, high : ndarray of int, shape (n,)
        Lowest and highest possible rank of each, 1 for the smallest value.

    Raises
    ------
    ValueError
        If arrays do not match, or a code lies outside 0 to ``n - 1``.

    Notes
    -----
    A thing ranks above as many others as are shown to be smaller, and below as many as
    are shown to be larger; the rest is open. When the intervals hold for all pairs at
    once with some confidence, so do these ranks for all things at once [1]_ [2]_.

    References
    ----------
    .. [1] Mogstad M, Romano JP, Shaikh AM, Wilhelm D (2024), Inference for ranks with
       applications to mobility across neighbourhoods and academic achievement across
       countries, Review of Economic Studies 91:476-518.
    .. [2] Klein M, Wright T, Wieczorek J (2020), A joint confidence region for an
       overall ranking of populations, Journal of the Royal Statistical Society
       Series C 69:589-606.

    Examples
    --------
    The first is shown to be smaller than the third, nothing else is shown:

    >>> low, high = rank_intervals(
    ...     3, [0, 0, 1], [1, 2, 2], [-0.3, -0.5, -0.4], [0.1, -0.1, 0.2])
    >>> list(zip(low.tolist(), high.tolist()))
    [(1, 2), (1, 3), (2, 3)]
    """
    first, second = np.asarray(a, dtype=np.intp), np.asarray(b, dtype=np.intp)
    lo, hi = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    if not first.shape == second.shape == lo.shape == hi.shape or first.ndim != 1:
        raise ValueError("a, b, low and high must have one entry per pair.")
    codes = np.concatenate([first, second])
    if codes.size and (codes.min() < 0 or codes.max() >= n):
        raise ValueError(f"a and b must hold codes from 0 to {n - 1}.")
    above, below = lo > 0, hi < 0
    n_smaller = np.bincount(first[above], minlength=n)
    n_smaller += np.bincount(second[below], minlength=n)
    n_larger = np.bincount(first[below], minlength=n)
    n_larger += np.bincount(second[above], minlength=n)
    return (1 + n_smaller).astype(np.intp), (n - n_larger).astype(np.intp)


def rank_chances(draws: ArrayLike, weights: ArrayLike | None = None) -> FloatArray:
    """Posterior chance of every rank, from joint draws.

    Parameters
    ----------
    draws : array_like of float, shape (n_draws, n)
        Joint posterior draws of the values ranked.
    weights : array_like of float, shape (n_draws,), optional
        Weights of the draws; equal by default.

    Returns
    -------
    ndarray, shape (n, n)
        Entry ``[i, r]``: chance that thing ``i`` has rank ``r + 1``, 1 for the smallest
        value. Rows and columns add up to 1; ties share their ranks.

    Raises
    ------
    ValueError
        If the draws are not a table of numbers or the weights do not go with them.

    Notes
    -----
    The mean of a row's ranks is one plus the sum of the chances that each other is
    smaller [1]_.

    References
    ----------
    .. [1] Laird NM, Louis TA (1989), Empirical Bayes ranking methods, Journal of
       Educational Statistics 14:29-46.

    Examples
    --------
    >>> rank_chances([[0.1, 0.3], [0.2, 0.4], [0.5, 0.1], [0.1, 0.2]])
    array([[0.75, 0.25],
           [0.25, 0.75]])
    """
    values = np.asarray(draws, dtype=float)
    if values.ndim != 2 or not values.size or not np.isfinite(values).all():
        raise ValueError("draws must be a table of numbers, one row per draw.")
    n_draws, n = values.shape
    weight = np.ones(n_draws) if weights is None else np.asarray(weights, dtype=float)
    if weight.shape != (n_draws,) or (weight < 0).any() or not weight.sum() > 0:
        raise ValueError("weights must hold one number of 0 or more per draw.")
    weight = weight / weight.sum()
    chance = np.empty((n, n))
    for i in range(n):
        n_smaller = (values < values[:, [i]]).sum(axis=1)
        n_tied = (values == values[:, [i]]).sum(axis=1)
        share = weight / n_tied
        for r in range(n):
            holds = (n_smaller <= r) & (r < n_smaller + n_tied)
            chance[i, r] = share[holds].sum()
    return chance
