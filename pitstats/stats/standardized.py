"""Standardized probabilities: fitted rates averaged over the same cells.

G-computation, for fits that take items as independent or with a covariance that
allows for shared bakes. The rates of `model_rates` are standardized already.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, check_conf_level, expit


class StandardizedProbabilities(NamedTuple):
    """Probabilities averaged over a stated set of cells, one per level.

    Attributes
    ----------
    estimate, std_error : ndarray, shape (levels,)
        Averages and their delta-method standard errors.
    low, high : ndarray, shape (levels,)
        Interval on the probability scale.
    covariance : ndarray, shape (levels, levels)
        Covariance matrix of the averages.
    differences : StandardizedDifferences
        All pairs of levels, in the order (0, 1), (0, 2) ... (1, 2) ...
    """

    estimate: FloatArray
    std_error: FloatArray
    low: FloatArray
    high: FloatArray
    covariance: FloatArray
    differences: StandardizedDifferences


class StandardizedDifferences(NamedTuple):
    """Differences of standardized probabilities, level a against level b.

    Attributes
    ----------
    a, b : ndarray of int, shape (pairs,)
        The two levels.
    estimate, std_error, low, high, p_value : ndarray, shape (pairs,)
        Probability of a minus that of b.
    """

    a: npt.NDArray[np.intp]
    b: npt.NDArray[np.intp]
    estimate: FloatArray
    std_error: FloatArray
    low: FloatArray
    high: FloatArray
    p_value: FloatArray


def standardize_probabilities(
    coef: npt.ArrayLike,
    covariance: npt.ArrayLike,
    X_levels: npt.ArrayLike,
    conf_level: float = 0.95,
    *,
    df: float = np.inf,
) -> StandardizedProbabilities:
    """Average fitted probabilities over the same cells for every level.

    Parameters
    ----------
    coef : array_like, shape (p,)
        Coefficients of a logistic regression.
    covariance : array_like, shape (p, p)
        Their covariance matrix: model-based, or robust to shared bakes as
        `fit_cluster_robust` gives it.
    X_levels : array_like, shape (levels, cells, p)
        Design of the cells with each level in turn put in for all of them.
    conf_level : float, default 0.95
        Between 0 and 1.
    df : float, default infinity
        Degrees of freedom of the t quantile; infinity gives the normal one.

    Returns
    -------
    StandardizedProbabilities
        Averages and differences with delta-method intervals.

    Raises
    ------
    ValueError
        If the coefficients are not finite (separated data) or shapes do not fit.

    Notes
    -----
    The parametric g-formula [1]_; standard errors by the delta method, the cells
    taken as fixed [2]_.

    References
    ----------
    .. [1] Robins J (1986), A new approach to causal inference in mortality studies,
       Mathematical Modelling 7:1393-1512.
    .. [2] Muller CJ, MacLehose RF (2014), Estimating predicted probabilities from
       logistic regression, International Journal of Epidemiology 43:962-970.

    Examples
    --------
    >>> from pitstats.stats import fit_logistic
    >>> fit = fit_logistic([3, 2], [12, 15], [[1, 0], [1, 1]])
    >>> rates = standardize_probabilities(
    ...     fit.coef, fit.covariance, [[[1, 0]], [[1, 1]]])
    >>> rates.estimate.round(4)
    array([0.25  , 0.1333])
    """
    beta = np.asarray(coef, dtype=float)
    v = np.asarray(covariance, dtype=float)
    design = np.asarray(X_levels, dtype=float)
    level = check_conf_level(conf_level)
    if design.ndim != 3 or design.shape[2] != len(beta) or v.shape != 2 * beta.shape:
        raise ValueError(
            f"X_levels has shape {design.shape}; it needs (levels, cells, {len(beta)})."
        )
    if not (np.isfinite(beta).all() and np.isfinite(v).all()):
        raise ValueError(
            "a coefficient has no finite estimate (separated data), so its standard "
            "error cannot be used. Standardize a Firth fit, or use model_rates."
        )
    probability = expit(design @ beta)
    slope = probability * (1 - probability)
    gradient = (slope[:, :, None] * design).mean(axis=1)
    estimate = probability.mean(axis=1)
    spread = gradient @ v @ gradient.T
    return _standardized(estimate, spread, _t_quantile(level, df), df)


def _t_quantile(conf_level: float, df: float) -> float:
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + conf_level / 2
    return float(ndtri(tail) if np.isinf(df) else stdtrit(df, tail))


def _standardized(
    estimate: FloatArray, spread: FloatArray, quantile: float, df: float
) -> StandardizedProbabilities:
    error = np.sqrt(np.diag(spread))
    return StandardizedProbabilities(
        estimate,
        error,
        estimate - quantile * error,
        estimate + quantile * error,
        spread,
        _differences(estimate, spread, quantile, df),
    )


def _differences(
    estimate: FloatArray, spread: FloatArray, quantile: float, df: float
) -> StandardizedDifferences:
    from scipy.special import ndtr, stdtr

    a, b = np.triu_indices(len(estimate), 1)
    difference = estimate[a] - estimate[b]
    error = np.sqrt(spread[a, a] + spread[b, b] - 2 * spread[a, b])
    z = np.abs(difference / error)
    return StandardizedDifferences(
        a,
        b,
        difference,
        error,
        difference - quantile * error,
        difference + quantile * error,
        np.asarray(2 * (ndtr(-z) if np.isinf(df) else stdtr(df, -z))),
    )
