"""Several t statistics at once: one critical value, and p-values adjusted for all."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, check_conf_level
from pitstats.stats.multiplicity import sobol_points


def simultaneous_t(
    covariance: npt.ArrayLike,
    df: float,
    statistic: npt.ArrayLike,
    conf_level: float = 0.95,
) -> tuple[float, FloatArray]:
    """Critical value and p-values for all of several contrasts together.

    Parameters
    ----------
    covariance : array_like, shape (m, m)
        Of the estimated contrasts; it may be singular, as for all pairs.
    df : float
        Degrees of freedom of their common t distribution; where contrasts have
        different ones the smallest is the careful choice.
    statistic : array_like, shape (m,)
        Estimate over standard error of each contrast.
    conf_level : float, default 0.95
        Level at which all intervals hold together.

    Returns
    -------
    float
        Intervals ``estimate +- value * std_error`` hold together; never below the t
        quantile of one contrast.
    ndarray, shape (m,)
        Adjusted p-values: below ``1 - conf_level`` exactly when the interval excludes
        0.

    Raises
    ------
    ValueError
        If shapes do not fit, or a variance is not positive.

    Notes
    -----
    Quantile of the largest absolute value of a multivariate t with the correlation of
    the contrasts [1]_, over 16,384 fixed quasi-random points: its relative error is
    below 1 %. For all pairs of a balanced layout this is Tukey's method.

    References
    ----------
    .. [1] Hothorn T, Bretz F, Westfall P (2008), Simultaneous inference in general
       parametric models, Biometrical Journal 50:346-363.

    Examples
    --------
    All three pairs of three equally well known pits, 12 degrees of freedom; the
    studentized range gives 3.773 / sqrt(2) = 2.668:

    >>> pairs = np.array([[1, -1, 0], [1, 0, -1], [0, 1, -1]])
    >>> value, p = simultaneous_t(pairs @ pairs.T, 12, [3.0, 1.0, 2.668])
    >>> round(value, 2), p.round(2)
    (2.67, array([0.03, 0.59, 0.05]))
    """
    from scipy.special import ndtri, stdtr, stdtrit

    level = check_conf_level(conf_level)
    matrix = np.atleast_2d(np.asarray(covariance, dtype=float))
    values = np.abs(np.atleast_1d(np.asarray(statistic, dtype=float)))
    if matrix.shape != (len(values), len(values)):
        raise ValueError(
            f"covariance has shape {matrix.shape}, but there are {len(values)} "
            "statistics; give one row and one column per statistic."
        )
    if not (np.diag(matrix) > 0).all() or not df > 0:
        raise ValueError("variances and df must be above 0.")
    size = np.sqrt(np.diag(matrix))
    root = _root(matrix / np.outer(size, size))
    alone = float(stdtrit(df, 0.5 + level / 2))
    if root.shape[1] == 1:
        # All statistics are one and the same: nothing to allow for.
        return alone, np.asarray(2 * stdtr(df, -values))
    normal = ndtri(sobol_points(root.shape[1] + 1))
    largest = np.abs(normal[:, :-1] @ root.T).max(axis=1)
    largest = np.sort(largest / _chi_over_df(normal[:, -1], df))
    # The draw at which "at least as large" first makes up 1 - conf_level.
    rank = len(largest) - max(math.ceil((1 - level) * len(largest)), 1)
    above = len(largest) - np.searchsorted(largest, values, side="left")
    p_value = np.maximum(above / len(largest), 2 * stdtr(df, -values))
    return max(float(largest[rank]), alone), np.asarray(p_value)


def _root(correlation: FloatArray) -> FloatArray:
    """Cholesky factor of a matrix that may be singular, columns of zeros left out.

    Unlike eigenvectors of equal strength it does not turn with the last bit of the
    matrix, so that every machine draws the same.
    """
    left, columns = correlation.copy(), []
    for j in range(len(left)):
        if left[j, j] > 1e-10:
            columns.append(left[:, j] / math.sqrt(left[j, j]))
            left -= np.outer(columns[-1], columns[-1])
    return np.column_stack(columns)


def _chi_over_df(normal: FloatArray, df: float) -> FloatArray:
    """Square root of chi-square over its degrees of freedom, for normal scores."""
    from scipy.special import chdtri, ndtr

    if np.isinf(df):
        return np.ones_like(normal)
    # Smooth in the normal score: a table is exact to six digits and much quicker.
    at = np.linspace(float(normal.min()), float(normal.max()), 513)
    table = np.sqrt(chdtri(df, ndtr(-at)) / df)
    return np.asarray(np.interp(normal, at, table))
