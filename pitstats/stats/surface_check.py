"""Cells whose own counts contradict the smooth surface drawn through them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, check_counts


def cells_against_surface(
    here: npt.ArrayLike,
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    grate: npt.ArrayLike | None = None,
) -> FloatArray:
    """P-value of every cell's counts against what the other cells predict for it.

    Parameters
    ----------
    here : array_like, shape (draws, cells)
        Equally weighted draws of each cell's probability in the bakes on record, as
        ``SurfaceRates.here``.
    burned, total : array_like of int, shape (cells,)
        Items with the outcome and graded items of each cell, over all bakes.
    grate : array_like, shape (cells,), optional
        Grate of each cell; one by default. Each grate is a family of its own.

    Returns
    -------
    ndarray, shape (cells,)
        Adjusted for all cells of the grate: below 0.1 in one cell or more of at most
        about one grate in ten that truly is smooth. NaN for cells without items.

    Raises
    ------
    ValueError
        If shapes or counts do not fit.

    Notes
    -----
    A draw is weighted by one over the likelihood of the cell's own count, which takes
    that count out of the posterior again [1]_; the weights are truncated at their mean
    times the root of their number [2]_. The weighted mean of binomial distributions is
    what the other cells predict, and the smaller of its two tails from the count
    outward measures how far the count lies out. Counts are few, so tails take few
    values: the adjusted p-value is the probability that any cell of the grate, each
    drawn from its own prediction, has a tail as small [3]_.

    References
    ----------
    .. [1] Gelfand AE (1996), Model determination using sampling-based methods, in
       Markov Chain Monte Carlo in Practice, chapter 9 (Chapman & Hall), equation 9.5.
    .. [2] Ionides EL (2008), Truncated importance sampling, Journal of Computational
       and Graphical Statistics 17:295-311.
    .. [3] Westfall PH, Wolfinger RD (1997), Multiple tests with discrete distributions,
       The American Statistician 51:3-8.

    Examples
    --------
    Ten cells that burn in nearly all of six bakes, and one that did in none:

    >>> here = np.full((100, 10), 0.9)
    >>> cells_against_surface(here, [0, *[6] * 4, *[5] * 5], [6] * 10).round(3)[:2]
    array([0., 1.])
    """
    p = np.clip(np.asarray(here, dtype=float), 1e-12, 1 - 1e-12)
    y, n = check_counts(burned, total)
    if p.ndim != 2 or p.shape[1] != len(y):
        raise ValueError(
            f"here has shape {p.shape}; give one column for each of {len(y)} cells."
        )
    family = np.zeros(len(y)) if grate is None else np.asarray(grate)
    if family.shape != y.shape:
        raise ValueError("Give one grate per cell.")
    found = np.full(len(y), np.nan)
    for code in np.unique(family):
        own = np.flatnonzero((family == code) & (n > 0))
        if len(own):
            found[own] = _of_grate(p[:, own], y[own].astype(int), n[own].astype(int))
    return found


def _of_grate(
    p: FloatArray, y: npt.NDArray[np.intp], n: npt.NDArray[np.intp]
) -> FloatArray:
    predicted = [_without_itself(p[:, c], y[c], n[c]) for c in range(len(y))]
    tails = [np.minimum(np.cumsum(q), np.cumsum(q[::-1])[::-1]) for q in predicted]
    found = np.empty(len(y))
    for c, count in enumerate(y):
        seen = tails[c][count] * (1 + 1e-9)
        none = [1 - q[t <= seen].sum() for q, t in zip(predicted, tails, strict=True)]
        found[c] = 1 - np.prod(np.clip(none, 0.0, 1.0))
    return found


def _without_itself(p: FloatArray, y: int, n: int) -> FloatArray:
    """Probability of 0 to n of n in a cell, by the draws without its own count."""
    from scipy.special import comb

    counts = np.arange(n + 1)
    chance = comb(n, counts) * p[:, None] ** counts * (1 - p[:, None]) ** (n - counts)
    weight = 1 / chance[:, y]
    weight = np.minimum(weight, weight.mean() * np.sqrt(weight.size))
    predicted = weight @ chance / weight.sum()
    return np.asarray(predicted / predicted.sum())
