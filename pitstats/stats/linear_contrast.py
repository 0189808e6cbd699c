"""Combinations of coefficients and of variances of a mixed linear fit."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, check_conf_level
from pitstats.stats.intervals import Interval

DfMethod = Literal["kenward-roger", "satterthwaite"]
"""Ways to find the degrees of freedom of a contrast."""


class VarianceUncertainty(NamedTuple):
    """How much the estimated variances may be off, and what hangs on them.

    The variances come in the order residual, outer level, inner level.

    Attributes
    ----------
    variance : ndarray, shape (k,)
        Estimates; 0 for one that cannot be told from the others.
    covariance : ndarray, shape (k, k)
        Of the estimates, from the expected information for Kenward-Roger and from
        the observed one, over the variances above 0, for Satterthwaite.
    slopes : ndarray, shape (k, p, p)
        Change of the plain covariance of the coefficients with each variance.
    adjusted : ndarray, shape (p, p)
        Covariance of the coefficients by the fit's method, as if variances about which
        the data say nothing were 0.
    unknown : ndarray, shape (m, k)
        Combinations of variances about which the data say nothing; a standard error
        that depends on one is NaN.
    """

    variance: FloatArray
    covariance: FloatArray
    slopes: FloatArray
    adjusted: FloatArray
    unknown: FloatArray


class MixedLinearFit(NamedTuple):
    """A linear regression with one random intercept or two nested ones.

    Attributes
    ----------
    coef : ndarray, shape (p,)
        Coefficients, in units of y per unit of the column.
    std_error : ndarray, shape (p,)
        Their standard errors: from ``vcov``. NaN where they hang on a spread that the
        data cannot show.
    df : ndarray, shape (p,)
        Degrees of freedom of each coefficient's t statistic.
    group_sd : float or ndarray, shape (2,)
        SD of the group effect, outer level first; 0 is an ordinary result, NaN means
        that the data cannot show it.
    residual_sd : float
        SD of readings within their group.
    vcov : ndarray, shape (p, p)
        Covariance of the coefficients; for Kenward-Roger the adjusted one. NaN where
        ``std_error`` is.
    vcov_plain : ndarray, shape (p, p)
        Inverse of the information about the coefficients, variances taken as known.
    loglik : float
        Restricted log-likelihood with all constants but that of ``X'X``.
    method : {"kenward-roger", "satterthwaite"}
        Where standard errors and degrees of freedom come from.
    uncertainty : VarianceUncertainty
        What `contrast_linear` and `spread_interval` need.
    groups : list of ndarray
        Labels of the groups of each level.
    group_effect : list of ndarray
        Predicted effect of each group of each level, in units of y.
    message : str
        What could not be estimated or lies on an edge, in a sentence; empty when
        there is nothing to say.
    """

    coef: FloatArray
    std_error: FloatArray
    df: FloatArray
    group_sd: float | FloatArray
    residual_sd: float
    vcov: FloatArray
    vcov_plain: FloatArray
    loglik: float
    method: DfMethod
    uncertainty: VarianceUncertainty
    groups: list[npt.NDArray[Any]]
    group_effect: list[FloatArray]
    message: str

    @property
    def reml_criterion(self) -> float:
        """-2 restricted log-likelihood."""
        return -2.0 * self.loglik

    @property
    def at_boundary(self) -> bool:
        """Whether a group SD was estimated as exactly 0."""
        return bool((np.atleast_1d(self.group_sd) == 0).any())


class LinearContrast(NamedTuple):
    """Combinations of coefficients, each on its own t distribution.

    Attributes
    ----------
    estimate, std_error, df : ndarray, shape (m,)
        One entry per row of the contrast matrix.
    covariance : ndarray, shape (m, m)
        Of the estimates.
    """

    estimate: FloatArray
    std_error: FloatArray
    df: FloatArray
    covariance: FloatArray

    def interval(self, conf_level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Limits of each contrast by itself, from its t distribution."""
        from scipy.special import stdtrit

        level = check_conf_level(conf_level)
        half = self.std_error * stdtrit(self.df, 0.5 + level / 2)
        return self.estimate - half, self.estimate + half

    def p_value(self) -> FloatArray:
        """Two-sided p-value of each contrast by itself."""
        from scipy.special import stdtr

        with np.errstate(invalid="ignore", divide="ignore"):
            t = np.abs(self.estimate) / self.std_error
        return np.asarray(2 * stdtr(self.df, -t))


class FTest(NamedTuple):
    """Test that several combinations of coefficients are all 0.

    Attributes
    ----------
    statistic : float
        F statistic, scaled for Kenward-Roger.
    df_num, df_den : float
        Degrees of freedom.
    p_value : float
        Upper tail of F.
    """

    statistic: float
    df_num: float
    df_den: float
    p_value: float


def contrast_linear(fit: MixedLinearFit, L: npt.ArrayLike) -> LinearContrast:
    """Combinations of the coefficients of a mixed linear fit.

    Parameters
    ----------
    fit : MixedLinearFit
        From `fit_mixed_linear`.
    L : array_like, shape (p,) or (m, p)
        One combination per row.

    Returns
    -------
    LinearContrast
        Estimates, standard errors and degrees of freedom of the fit's method.

    Raises
    ------
    ValueError
        If L does not have one column per coefficient.

    Notes
    -----
    The degrees of freedom match the first two moments of the estimated variance of
    the contrast; with one combination Kenward-Roger reduces to the same form, with
    the expected information in place of the observed one.

    Examples
    --------
    >>> from pitstats.stats.mixed_linear import fit_mixed_linear
    >>> temp = [350, 354, 361, 357, 346, 348, 371, 369, 360, 366, 377, 373]
    >>> X = np.kron(np.eye(2), np.ones((6, 1)))
    >>> fit = fit_mixed_linear(temp, X, np.repeat(np.arange(6), 2))
    >>> difference = contrast_linear(fit, [-1, 1])
    >>> [end.round(1).item() for end in difference.interval()]
    [3.0, 30.3]
    """
    rows = _check_contrasts(fit, L)
    covariance = rows @ fit.uncertainty.adjusted @ rows.T
    plain = np.einsum("mi,ij,mj->m", rows, fit.vcov_plain, rows)
    slopes = np.einsum("mi,kij,mj->mk", rows, fit.uncertainty.slopes, rows)
    spread = np.einsum("mk,kl,ml->m", slopes, fit.uncertainty.covariance, slopes)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(spread > 0, 2 * plain**2 / spread, np.inf)
    free = np.abs(slopes @ fit.uncertainty.unknown.T)
    lost = (free > 1e-7 * np.abs(slopes).max(axis=1, initial=0)[:, None]).any(axis=1)
    lost |= ~np.isfinite(np.diag(covariance))
    # Where groups differ a million times more than readings, rounding can leave the
    # variance of a contrast within groups a hair below 0.
    error = np.sqrt(np.where(lost, np.nan, np.maximum(np.diag(covariance), 0.0)))
    covariance = np.where(lost[:, None] | lost[None, :], np.nan, covariance)
    return LinearContrast(
        rows @ fit.coef, error, np.where(lost, np.nan, df), covariance
    )


def joint_f_test(fit: MixedLinearFit, L: npt.ArrayLike) -> FTest:
    """Test that several combinations of coefficients are 0 together.

    Parameters
    ----------
    fit : MixedLinearFit
        From `fit_mixed_linear`.
    L : array_like, shape (m, p)
        One combination per row, none of which follows from the others.

    Returns
    -------
    FTest
        Kenward and Roger's scaled F, or F with Fai and Cornelius' degrees of freedom.

    Raises
    ------
    ValueError
        If L does not fit, or one of its rows follows from the others.

    References
    ----------
    .. [1] Kenward MG, Roger JH (1997), Biometrics 53:983-997, section 2.
    .. [2] Fai AH, Cornelius PL (1996), Journal of Statistical Computation and
       Simulation 54:363-378.

    Examples
    --------
    >>> from pitstats.stats.mixed_linear import fit_mixed_linear
    >>> temp = [350, 354, 361, 357, 346, 348, 371, 369, 360, 366, 377, 373]
    >>> X = np.kron(np.eye(2), np.ones((6, 1)))
    >>> fit = fit_mixed_linear(temp, X, np.repeat(np.arange(6), 2))
    >>> test = joint_f_test(fit, [[-1, 1]])
    >>> round(test.statistic, 2), round(test.df_den, 2), round(test.p_value, 3)
    (11.47, 4.0, 0.028)
    """
    from scipy.special import fdtrc

    rows = _check_contrasts(fit, L)
    if np.linalg.matrix_rank(rows) < len(rows):
        raise ValueError("a row of L follows from the others; leave it out.")
    each = contrast_linear(fit, rows)
    q = len(rows)
    if np.isnan(each.std_error).any():
        return FTest(np.nan, float(q), np.nan, np.nan)
    value = float(each.estimate @ np.linalg.solve(each.covariance, each.estimate)) / q
    if fit.method == "kenward-roger":
        scale, df = _kenward_roger_f(fit, rows)
    else:
        scale, df = 1.0, _fai_cornelius_df(fit, rows, each.covariance)
    value *= scale
    return FTest(value, float(q), df, float(fdtrc(q, df, value)))


def spread_interval(
    fit: MixedLinearFit, weights: npt.ArrayLike, conf_level: float = 0.95
) -> tuple[Interval, float, float]:
    """Interval for an SD made of the variances of a mixed linear fit.

    Parameters
    ----------
    fit : MixedLinearFit
        From `fit_mixed_linear`.
    weights : array_like, shape (k,)
        Share of each variance, in the order residual, outer level, inner level: for
        the SD of the mean of m readings of one group ``[1 / m, 1]``.
    conf_level : float, default 0.95
        Level of the interval.

    Returns
    -------
    Interval
        Limits of the SD.
    float
        The estimated SD.
    float
        Its degrees of freedom.

    Raises
    ------
    ValueError
        If there is not one weight, 0 or more, per variance.

    Notes
    -----
    The variance is taken as a multiple of chi-square with the degrees of freedom that
    match its first two moments [1]_; for group means of a balanced layout that is
    exact with Kenward-Roger's expected information. NaN where the data cannot show
    one of the variances.

    References
    ----------
    .. [1] Satterthwaite FE (1946), An approximate distribution of estimates of variance
       components, Biometrics Bulletin 2:110-114.

    Examples
    --------
    >>> from pitstats.stats.mixed_linear import fit_mixed_linear
    >>> temp = [350, 354, 361, 357, 346, 348, 371, 369, 360, 366, 377, 373]
    >>> X = np.kron(np.eye(2), np.ones((6, 1)))
    >>> fit = fit_mixed_linear(temp, X, np.repeat(np.arange(6), 2))
    >>> (low, high), sd, df = spread_interval(fit, [1 / 2, 1])
    >>> round(low, 1), round(sd, 1), round(high, 1), round(df, 1)
    (3.6, 6.0, 17.3, 4.0)
    """
    from scipy.special import chdtri

    level = check_conf_level(conf_level)
    share = np.asarray(weights, dtype=float)
    known = fit.uncertainty
    if share.shape != known.variance.shape or not (share >= 0).all():
        raise ValueError(
            f"weights has shape {share.shape}; give one weight, 0 or more, for the "
            f"residual and each of {len(known.variance) - 1} group levels."
        )
    free = np.abs(known.unknown @ share) > 1e-9 * share.max(initial=0)
    spread = float(share @ known.covariance @ share)
    variance = float(share @ known.variance)
    if free.any() or not np.isfinite(spread) or not spread > 0:
        nothing = float("nan")
        return Interval(nothing, nothing), nothing, nothing
    df = 2 * variance**2 / spread
    tails = 0.5 - level / 2, 0.5 + level / 2
    low, high = (df * variance / float(chdtri(df, tail)) for tail in tails)
    interval = Interval(float(np.sqrt(low)), float(np.sqrt(high)))
    return interval, float(np.sqrt(variance)), df


def _check_contrasts(fit: MixedLinearFit, L: npt.ArrayLike) -> FloatArray:
    rows = np.atleast_2d(np.asarray(L, dtype=float))
    if rows.ndim != 2 or rows.shape[1] != len(fit.coef):
        raise ValueError(
            f"L has shape {rows.shape}, but there are {len(fit.coef)} coefficients; "
            "give one column per coefficient."
        )
    return rows


def _kenward_roger_f(fit: MixedLinearFit, rows: FloatArray) -> tuple[float, float]:
    """Scale and denominator degrees of freedom of Kenward and Roger's F."""
    q = len(rows)
    plain = rows @ fit.vcov_plain @ rows.T
    each = [
        np.linalg.solve(plain, rows @ slope @ rows.T)
        for slope in fit.uncertainty.slopes
    ]
    trace = np.array([np.trace(m) for m in each])
    cross = np.array([[np.trace(a @ b) for b in each] for a in each])
    a1 = float(trace @ fit.uncertainty.covariance @ trace)
    a2 = float((fit.uncertainty.covariance * cross).sum())
    if a2 <= 0:
        return 1.0, float("inf")
    if q == 1:
        # All that follows comes down to this: F is the square of t.
        return 1.0, 2 / a2
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    c = np.array([g, q - g, q + 2 - g]) / (3 * q + 2 * (1 - g))
    v0, v1, v2 = 1 + c[0] * b, 1 - c[1] * b, 1 - c[2] * b
    e = 1 - a2 / q
    ratio = e / v1 if abs(v1) > 1e-12 else 1.0
    # The paper's 4 + (q + 2) / (q rho - 1), where v2 may be 0 and rho infinite.
    excess = ratio**2 * (0.0 if abs(v0) < 1e-10 else v0) - v2
    if excess == 0:
        return float(e), float("inf")
    df = 4 + (q + 2) * v2 / excess
    scale = 1.0 if abs(df - 2) < 1e-2 else df * e / (df - 2)
    return float(scale), float(df)


def _fai_cornelius_df(
    fit: MixedLinearFit, rows: FloatArray, covariance: FloatArray
) -> float:
    """Denominator degrees of freedom from those of independent contrasts."""
    _, vectors = np.linalg.eigh(covariance)
    df = contrast_linear(fit, vectors.T @ rows).df
    if np.ptp(df) < 1e-8 * df.max() or np.isinf(df).all():
        return float(df.mean())
    if (df <= 2).any():
        return 2.0
    total = float((df / (df - 2)).sum())
    return 2 * total / (total - len(df))
