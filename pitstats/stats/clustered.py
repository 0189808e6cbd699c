"""Marginal logistic regressions that allow for shared bakes: robust errors and GEE.

Both come from statsmodels and serve the tables that set methods side by side. With
few bakes they are too optimistic even with t quantiles; `model_rates` is the answer.
"""

from __future__ import annotations

import warnings
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_conf_level,
    check_counts,
    check_design,
    check_full_rank,
    column_names,
)
from pitstats.stats.separation import find_separation


class ClusteredFit(NamedTuple):
    """A logistic regression with standard errors that allow for clusters.

    Attributes
    ----------
    coef, std_error : ndarray, shape (p,)
        Coefficients and robust standard errors.
    covariance : ndarray, shape (p, p)
        Robust covariance matrix.
    df : float
        Degrees of freedom for t: clusters less the columns that are constant within
        every cluster, at least 1.
    low, high, p_value : ndarray, shape (p,)
        Interval and two-sided p-value from t with ``df``.
    correlation : float
        Working correlation of two items of a cluster (0 under independence).
    method : str
        What was done, in words.
    """

    coef: FloatArray
    std_error: FloatArray
    covariance: FloatArray
    df: float
    low: FloatArray
    high: FloatArray
    p_value: FloatArray
    correlation: float
    method: str


def fit_cluster_robust(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    X: npt.ArrayLike,
    cluster: npt.ArrayLike,
    conf_level: float = 0.95,
    *,
    correction: Literal["cr0", "cr1"] = "cr1",
) -> ClusteredFit:
    """Fit a logistic regression with a cluster-robust (sandwich) covariance.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry.
    X : array_like, shape (n, p)
        Design matrix with its own intercept column.
    cluster : array_like, shape (n,)
        Bake of each entry.
    conf_level : float, default 0.95
        Between 0 and 1.
    correction : {"cr0", "cr1"}, default "cr1"
        "cr1" multiplies the covariance by G/(G-1) times (N-1)/(N-p), with G clusters
        and N items; "cr0" does not.

    Returns
    -------
    ClusteredFit

    Raises
    ------
    ValueError
        If the data cannot be used, are separated, or have fewer than two clusters.

    References
    ----------
    .. [1] Liang KY, Zeger SL (1986), Longitudinal data analysis using generalized
       linear models, Biometrika 73:13-22.

    Examples
    --------
    >>> fit = fit_cluster_robust([2, 5, 8], [20, 20, 20], [1, 1, 1], [0, 1, 2])
    >>> fit.coef.round(3), fit.df
    (array([-1.099]), 2.0)
    """
    if correction not in ("cr0", "cr1"):
        raise ValueError(f"correction is {correction!r}; it must be 'cr0' or 'cr1'.")
    y, design, codes, level = _items(burned, total, X, cluster, conf_level)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.genmod.families import Binomial
        from statsmodels.genmod.generalized_linear_model import GLM

        result = GLM(y, design, family=Binomial()).fit(
            tol=1e-12,
            cov_type="cluster",
            cov_kwds={"groups": codes, "use_correction": correction == "cr1"},
        )
    return _finish(result, design, codes, level, 0.0, f"logistic, {correction}")


def fit_gee(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    X: npt.ArrayLike,
    cluster: npt.ArrayLike,
    conf_level: float = 0.95,
    *,
    correlation: Literal["exchangeable", "independence"] = "exchangeable",
    covariance: Literal["robust", "bias_reduced"] = "bias_reduced",
) -> ClusteredFit:
    """Fit a logistic regression by generalized estimating equations.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry; taken apart into single items.
    X : array_like, shape (n, p)
        Design matrix with its own intercept column.
    cluster : array_like, shape (n,)
        Bake of each entry.
    conf_level : float, default 0.95
        Between 0 and 1.
    correlation : {"exchangeable", "independence"}, default "exchangeable"
        Working correlation within a cluster.
    covariance : {"robust", "bias_reduced"}, default "bias_reduced"
        Sandwich as it is [1]_ or with the small-sample correction [2]_.

    Returns
    -------
    ClusteredFit

    Raises
    ------
    ValueError
        If the data cannot be used, are separated, or have fewer than two clusters.

    References
    ----------
    .. [1] Liang KY, Zeger SL (1986), Longitudinal data analysis using generalized
       linear models, Biometrika 73:13-22.
    .. [2] Mancl LA, DeRouen TA (2001), A covariance estimator for GEE with improved
       small-sample properties, Biometrics 57:126-134.

    Examples
    --------
    >>> fit = fit_gee([2, 5, 8, 4], [20, 20, 20, 20], [1, 1, 1, 1], [0, 1, 2, 3])
    >>> fit.coef.round(3), fit.df
    (array([-1.166]), 3.0)
    """
    if correlation not in ("exchangeable", "independence"):
        raise ValueError(
            f"correlation is {correlation!r}; it must be 'exchangeable' or "
            "'independence'."
        )
    if covariance not in ("robust", "bias_reduced"):
        raise ValueError(
            f"covariance is {covariance!r}; it must be 'robust' or 'bias_reduced'."
        )
    y, design, codes, level = _items(burned, total, X, cluster, conf_level)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.genmod.cov_struct import Exchangeable, Independence
        from statsmodels.genmod.families import Binomial
        from statsmodels.genmod.generalized_estimating_equations import GEE

        structure = Exchangeable() if correlation == "exchangeable" else Independence()
        model = GEE(y, design, codes, cov_struct=structure, family=Binomial())
        result = model.fit(cov_type=covariance, maxiter=200, ctol=1e-10)
    shared = float(structure.dep_params) if correlation == "exchangeable" else 0.0
    return _finish(
        result, design, codes, level, shared, f"GEE, {correlation}, {covariance}"
    )


def _items(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    X: npt.ArrayLike,
    cluster: npt.ArrayLike,
    conf_level: float,
) -> tuple[FloatArray, FloatArray, npt.NDArray[Any], float]:
    """Single items in cluster order, after checks that the fits do not make."""
    y, n = check_counts(burned, total)
    design = check_design(X, len(y))
    codes = np.unique(check_codes(cluster, len(y), "cluster"), return_inverse=True)[1]
    level = check_conf_level(conf_level)
    names = column_names(None, design.shape[1])
    check_full_rank(design[n > 0], names)
    separation = find_separation(y, n, design)
    if separation.found:
        raise ValueError(separation.describe(names))
    if len(np.unique(codes[n > 0])) < 2:
        raise ValueError("a robust standard error needs items of two bakes or more.")
    order = np.argsort(codes, kind="stable")
    rows = np.repeat(order, n[order].astype(int))
    first = np.concatenate([[0], np.cumsum(n[order].astype(int))[:-1]])
    rank = np.arange(len(rows)) - np.repeat(first, n[order].astype(int))
    return (rank < y[rows]).astype(float), design[rows], codes[rows], level


def between_cluster_df(design: FloatArray, codes: npt.NDArray[Any]) -> float:
    """Clusters less the columns that are constant within every cluster (1 or more)."""
    labels, start = np.unique(codes, return_index=True)
    first = design[start][np.searchsorted(labels, codes)]
    constant = int((design == first).all(axis=0).sum())
    return float(max(1, len(labels) - constant))


def _finish(
    result: Any,
    design: FloatArray,
    codes: npt.NDArray[Any],
    conf_level: float,
    correlation: float,
    method: str,
) -> ClusteredFit:
    from scipy.special import stdtr, stdtrit

    coef = np.asarray(result.params, dtype=float)
    covariance = np.asarray(result.cov_params(), dtype=float)
    error = np.sqrt(np.diag(covariance))
    df = between_cluster_df(design, codes)
    quantile = float(stdtrit(df, 0.5 + conf_level / 2))
    return ClusteredFit(
        coef,
        error,
        covariance,
        df,
        coef - quantile * error,
        coef + quantile * error,
        np.asarray(2 * stdtr(df, -np.abs(coef / error))),
        correlation,
        method,
    )
