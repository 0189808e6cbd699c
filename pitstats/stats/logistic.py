"""Logistic regression by maximum likelihood and with Firth's penalty.

These fits take every item as independent. They are building blocks and points of
comparison; items that share a bake need `model_rates` or `fit_mixed_logistic`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    binomial_constant,
    check_conf_level,
    check_counts,
    check_design,
    check_full_rank,
    collapse,
    column_names,
    expit,
    null_space,
)
from pitstats.stats.separation import Separation, find_separation


class LogisticFit(NamedTuple):
    """A logistic regression.

    Attributes
    ----------
    coef : ndarray, shape (p,)
        Coefficients on the logit scale. Plus or minus infinity (NaN when either is
        possible) where the data are separated.
    std_error : ndarray, shape (p,)
        Standard errors from the expected information; NaN where separated.
    covariance : ndarray, shape (p, p)
        Covariance matrix of the coefficients; NaN where separated.
    loglik : float
        Log-likelihood with the binomial coefficients; its limit when separated.
    separated : ndarray of bool, shape (p,)
        Columns without a finite estimate.
    message : str
        A sentence naming those columns, empty when there are none.
    """

    coef: FloatArray
    std_error: FloatArray
    covariance: FloatArray
    loglik: float
    separated: npt.NDArray[np.bool_]
    message: str


class FirthFit(NamedTuple):
    """A logistic regression with Firth's penalty.

    Attributes
    ----------
    coef, std_error : ndarray, shape (p,)
        Penalized estimates; standard errors from the information without penalty.
    covariance : ndarray, shape (p, p)
        Inverse of the information at the estimate.
    loglik : float
        Log-likelihood at the estimate, with the binomial coefficients.
    penalized_loglik : float
        The same plus half the log determinant of the information.
    profile_interval : ndarray, shape (p, 2)
        Low and high ends of the penalized profile-likelihood interval.
    profile_statistic, profile_p_value : ndarray, shape (p,)
        Penalized likelihood ratio test of each coefficient being 0, on 1 df.
    """

    coef: FloatArray
    std_error: FloatArray
    covariance: FloatArray
    loglik: float
    penalized_loglik: float
    profile_interval: FloatArray
    profile_statistic: FloatArray
    profile_p_value: FloatArray


def fit_logistic(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    X: npt.ArrayLike,
    *,
    names: Sequence[str] | None = None,
) -> LogisticFit:
    """Fit a logistic regression by maximum likelihood.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry; ``total`` is 1 for single items.
    X : array_like, shape (n, p)
        Design matrix with its own intercept column.
    names : sequence of str, optional
        Column names, used in messages.

    Returns
    -------
    LogisticFit
        Coefficients, standard errors and log-likelihood. Where burned and unburned
        items are separated the coefficient is infinite, the others are the limits
        that maximum likelihood approaches, and ``message`` names the columns.

    Raises
    ------
    ValueError
        If counts or X cannot be used, or columns of X determine each other.

    Notes
    -----
    Newton's method on collapsed data [1]_. Separation is looked for by linear
    programming, not guessed from large numbers. Takes items as independent, which
    items of one bake are not.

    References
    ----------
    .. [1] McCullagh P, Nelder JA (1989), Generalized Linear Models, 2nd ed., ch. 4.

    Examples
    --------
    Two pits with 3 of 12 and 2 of 15 burned; the slope is the log odds ratio:

    >>> fit = fit_logistic([3, 2], [12, 15], [[1, 0], [1, 1]])
    >>> fit.coef.round(4)
    array([-1.0986, -0.7732])
    """
    y, n = check_counts(burned, total)
    design = check_design(X, len(y))
    labels = column_names(names, design.shape[1])
    constant = binomial_constant(y, n)
    y, n, design = collapse(y[n > 0], n[n > 0], design[n > 0])
    check_full_rank(design, labels)
    coef, loglik, information, ended = _newton(y, n, design)
    probability = expit(design @ coef)
    if ended and (np.minimum(probability, 1 - probability) > 1e-5).all():
        covariance = np.linalg.inv(information)
        none = np.zeros(design.shape[1], dtype=bool)
        error = np.sqrt(np.diag(covariance))
        return LogisticFit(coef, error, covariance, loglik + constant, none, "")
    separation = find_separation(y, n, design)
    coef, covariance, loglik = _limit_fit(y, n, design, separation)
    return LogisticFit(
        coef,
        np.sqrt(np.diag(covariance)),
        covariance,
        loglik + constant,
        separation.columns,
        separation.describe(labels),
    )


def _loglik(y: FloatArray, n: FloatArray, eta: FloatArray) -> float:
    return float((y * eta - n * np.logaddexp(0.0, eta)).sum())


def _newton(
    y: FloatArray, n: FloatArray, design: FloatArray
) -> tuple[FloatArray, float, FloatArray, bool]:
    """Maximize the likelihood: coefficients, log-likelihood, information, arrived."""
    coef: FloatArray = np.zeros(design.shape[1])
    value = _loglik(y, n, design @ coef)
    information = np.eye(design.shape[1])
    for _ in range(60):
        mu = expit(design @ coef)
        information = (design * (n * mu * (1 - mu))[:, None]).T @ design
        score = design.T @ (y - n * mu)
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            return coef, value, information, False
        if float(score @ step) < 1e-18:
            return coef, value, information, True
        coef, value = _climb(
            lambda b: _loglik(y, n, design @ b), coef, value, step, limit=50.0
        )
    return coef, value, information, False


def _climb(
    objective: Callable[[FloatArray], float],
    start: FloatArray,
    value: float,
    step: FloatArray,
    limit: float,
) -> tuple[FloatArray, float]:
    """Take a step, halved until the objective does not fall."""
    longest = float(np.abs(step).max(initial=0.0))
    if longest > limit:
        step = step * (limit / longest)
    for _ in range(30):
        moved = start + step
        reached = objective(moved)
        if reached >= value - 1e-12 * (1.0 + abs(value)):
            return moved, reached
        step = step / 2
    return start, value


def _limit_fit(
    y: FloatArray, n: FloatArray, design: FloatArray, separation: Separation
) -> tuple[FloatArray, FloatArray, float]:
    """Fit what the overlapping entries determine; the rest is infinite.

    In the limit the separated entries are predicted without error and add nothing
    to the likelihood, so the finite coefficients come from the other entries alone.
    """
    p = design.shape[1]
    coef = np.zeros(p)
    covariance = np.zeros((p, p))
    loglik = 0.0
    kept = ~separation.rows
    if kept.any():
        basis = null_space(null_space(design[kept]).T)
        inner, loglik, information, _ = _newton(y[kept], n[kept], design[kept] @ basis)
        coef = basis @ inner
        covariance = basis @ np.linalg.inv(information) @ basis.T
    lost = separation.columns
    coef[lost] = separation.sign[lost] * np.inf
    covariance[lost, :] = np.nan
    covariance[:, lost] = np.nan
    return coef, covariance, loglik


class _Penalized:
    """Binomial likelihood with Jeffreys' prior as penalty, for one data set."""

    def __init__(self, y: FloatArray, n: FloatArray, design: FloatArray) -> None:
        self.y, self.n, self.design = y, n, design

    def information(self, coef: FloatArray) -> FloatArray:
        mu = expit(self.design @ coef)
        return (self.design * (self.n * mu * (1 - mu))[:, None]).T @ self.design

    def value(self, coef: FloatArray) -> float:
        sign, logdet = np.linalg.slogdet(self.information(coef))
        if sign <= 0:
            return -np.inf
        return _loglik(self.y, self.n, self.design @ coef) + 0.5 * float(logdet)

    def score_and_information(self, coef: FloatArray) -> tuple[FloatArray, FloatArray]:
        mu = expit(self.design @ coef)
        weight = self.n * mu * (1 - mu)
        information = (self.design * weight[:, None]).T @ self.design
        half = np.linalg.solve(information, self.design.T)
        leverage = weight * (self.design * half.T).sum(axis=1)
        residual = self.y - self.n * mu + leverage * (0.5 - mu)
        return self.design.T @ residual, information

    def maximize(self, start: FloatArray, free: npt.NDArray[np.bool_]) -> FloatArray:
        """Climb over the free coefficients, the others held at their start."""
        coef = start.copy()
        value = self.value(coef)
        for _ in range(500):
            score, information = self.score_and_information(coef)
            step = np.zeros_like(coef)
            step[free] = np.linalg.solve(information[np.ix_(free, free)], score[free])
            if float(score[free] @ step[free]) < 1e-18:
                break
            coef, value = _climb(self.value, coef, value, step, limit=5.0)
        return coef


def fit_firth_logistic(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    X: npt.ArrayLike,
    conf_level: float = 0.95,
    *,
    names: Sequence[str] | None = None,
) -> FirthFit:
    """Fit a logistic regression with Firth's penalty; finite even when separated.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry; ``total`` is 1 for single items.
    X : array_like, shape (n, p)
        Design matrix with its own intercept column.
    conf_level : float, default 0.95
        Confidence level of the profile intervals, between 0 and 1.
    names : sequence of str, optional
        Column names, used in messages.

    Returns
    -------
    FirthFit
        Coefficients, standard errors, profile intervals and tests.

    Raises
    ------
    ValueError
        If counts or X cannot be used, or columns of X determine each other.

    Notes
    -----
    The log-likelihood plus half the log determinant of the information (Jeffreys'
    prior) is maximized [1]_. The intervals are those of the penalized profile
    likelihood with the full information as penalty [2]_: with separated data the
    Wald interval is misleading. Takes items as independent.

    References
    ----------
    .. [1] Firth D (1993), Bias reduction of maximum likelihood estimates,
       Biometrika 80:27-38.
    .. [2] Heinze G, Schemper M (2002), A solution to the problem of separation in
       logistic regression, Statistics in Medicine 21:2409-2419.

    Examples
    --------
    None of 12 items against 5 of 12: for a fourfold table the estimate is the log
    odds ratio after one half is added to each cell.

    >>> fit = fit_firth_logistic([5, 0], [12, 12], [[1, 0], [1, 1]])
    >>> fit.coef.round(4)
    array([-0.3102, -2.9087])
    """
    y, n = check_counts(burned, total)
    design = check_design(X, len(y))
    level = check_conf_level(conf_level)
    labels = column_names(names, design.shape[1])
    constant = binomial_constant(y, n)
    y, n, design = collapse(y[n > 0], n[n > 0], design[n > 0])
    check_full_rank(design, labels)
    # Columns of very different size (inches beside 0/1) make the climb slow.
    scale = np.sqrt((design**2).mean(axis=0))
    likelihood = _Penalized(y, n, design / scale)
    p = design.shape[1]
    scaled = likelihood.maximize(np.zeros(p), np.ones(p, dtype=bool))
    interval, statistic = _firth_profiles(likelihood, scaled, level)
    coef = scaled / scale
    covariance = np.linalg.inv(_Penalized(y, n, design).information(coef))
    loglik = _loglik(y, n, design @ coef) + constant
    penalty = 0.5 * float(-np.linalg.slogdet(covariance)[1])
    return FirthFit(
        coef,
        np.sqrt(np.diag(covariance)),
        covariance,
        loglik,
        loglik + penalty,
        interval / scale[:, None],
        statistic,
        _chi2_tail(statistic),
    )


def _chi2_tail(statistic: FloatArray) -> FloatArray:
    from scipy.special import chdtrc

    return np.asarray(chdtrc(1.0, statistic))


def _firth_profiles(
    likelihood: _Penalized, coef: FloatArray, conf_level: float
) -> tuple[FloatArray, FloatArray]:
    """Profile intervals and likelihood ratio statistics of all coefficients."""
    from scipy.special import chdtri

    best = likelihood.value(coef)
    cutoff = float(chdtri(1.0, 1 - conf_level))
    error = np.sqrt(np.diag(np.linalg.inv(likelihood.information(coef))))
    interval = np.empty((len(coef), 2))
    statistic = np.empty(len(coef))
    for j in range(len(coef)):
        profile = _firth_profile(likelihood, coef, j)
        statistic[j] = max(0.0, 2 * (best - profile(0.0)))
        for side, sign in enumerate((-1.0, 1.0)):
            interval[j, side] = profile_end(
                profile, best - cutoff / 2, float(coef[j]), sign * float(error[j])
            )
    return interval, statistic


def _firth_profile(
    likelihood: _Penalized, coef: FloatArray, j: int
) -> Callable[[float], float]:
    free = np.ones(len(coef), dtype=bool)
    free[j] = False

    def profile(held: float) -> float:
        start = coef.copy()
        start[j] = held
        return likelihood.value(likelihood.maximize(start, free))

    return profile


def profile_end(
    profile: Callable[[float], float], target: float, centre: float, step: float
) -> float:
    """Where a profile likelihood, followed from its maximum, falls to a target.

    ``step`` is the first step from ``centre``, negative for the low end. An infinity
    with the sign of ``step`` when the profile stays above the target.
    """
    from scipy.optimize import brentq

    inner, outer = centre, centre + 2 * step
    for _ in range(40):
        if profile(outer) < target:
            break
        inner, outer = outer, centre + 1.7 * (outer - centre)
    else:
        return float(np.copysign(np.inf, step))
    return float(brentq(lambda c: profile(c) - target, inner, outer, xtol=1e-8))
