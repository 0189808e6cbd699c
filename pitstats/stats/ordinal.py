"""Cumulative logit for ordered grades, with a random intercept if there are groups."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.adaptive_likelihood import GroupedLikelihood
from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_design,
    check_full_rank,
    collapse,
    column_names,
)
from pitstats.stats.cumulative import cut_pairs, log_gap
from pitstats.stats.marginal_maximum import (
    LARGEST_SD,
    VarianceTest,
    climb,
    observed_covariance,
    variance_test,
)
from pitstats.stats.quadrature import normal_nodes
from pitstats.stats.separation import find_separation

_START_SD = 0.6


class OrdinalFit(NamedTuple):
    """A cumulative logit with or without a random intercept.

    Attributes
    ----------
    coef : ndarray, shape (p,)
        One per column of X that varies, on the logit scale; positive means darker.
    cutpoints : ndarray, shape (grades - 1,)
        Logits below which a grade ends, rising, for X = 0 and a middling group.
    std_error : ndarray, shape (p,)
        Of the coefficients, from the full information over all parameters.
    cutpoint_error : ndarray, shape (grades - 1,)
        The same for the cutpoints.
    covariance : ndarray, shape (grades - 1 + p, grades - 1 + p)
        Of cutpoints, then coefficients.
    group_sd : float
        SD of the group effect on the logit scale; 0 without groups and an ordinary
        result with them.
    group_sd_error : float
        Its standard error; NaN at 0.
    loglik : float
        Marginal log-likelihood.
    variance_test : VarianceTest or None
        Test that the group SD is 0; None without groups.
    grades : ndarray, shape (grades,)
        Grades that occur, palest first; a grade that nobody got has no cutpoint.
    dropped : tuple of int
        Columns of X left out because they are constant.
    """

    coef: FloatArray
    cutpoints: FloatArray
    std_error: FloatArray
    cutpoint_error: FloatArray
    covariance: FloatArray
    group_sd: float
    group_sd_error: float
    loglik: float
    variance_test: VarianceTest | None
    grades: npt.NDArray[Any]
    dropped: tuple[int, ...]


def fit_ordinal(
    grade: npt.ArrayLike,
    X: npt.ArrayLike,
    group: npt.ArrayLike | None = None,
    n_nodes: int = 10,
) -> OrdinalFit:
    """Fit a cumulative logit by maximum likelihood.

    Parameters
    ----------
    grade : array_like of int, shape (n,)
        Grade code of each item, palest lowest.
    X : array_like, shape (n, p)
        Covariates. Constant columns, such as an intercept, are left out: the
        cutpoints stand for them.
    group : array_like, shape (n,), optional
        Bake of each item; no group effect when not given.
    n_nodes : int, default 10
        Nodes of the adaptive Gauss-Hermite quadrature; 1 is the Laplace
        approximation.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    ValueError
        If the data cannot be used, columns of X determine each other, or no finite
        estimate exists: a column sorts the grades without overlap, or every group got
        a single grade.

    Notes
    -----
    ``logit P(grade <= j) = cutpoint_j - x'b - s u`` [1]_ with ``u`` standard normal per
    group, integrated out by adaptive quadrature [2]_. One coefficient shifts all cuts
    alike (proportional odds). With few bakes its standard errors are too short, as
    those of `fit_mixed_logistic` are; `grade_rates` is made for that case.

    References
    ----------
    .. [1] McCullagh P (1980), Regression models for ordinal data, Journal of the Royal
       Statistical Society B 42:109-142, section 2.
    .. [2] Hedeker D, Gibbons RD (1994), A random-effects ordinal regression model for
       multilevel analysis, Biometrics 50:933-944.

    Examples
    --------
    Six items before and six after a change, three grades; the sign says "darker":

    >>> fit = fit_ordinal([0, 0, 0, 1, 1, 2, 0, 1, 1, 2, 2, 2], [0] * 6 + [1] * 6)
    >>> fit.coef.round(2), fit.cutpoints.round(2)
    (array([1.61]), array([0.  , 1.61]))
    """
    codes = _check_grades(grade)
    design = check_design(X, len(codes))
    normal_nodes(n_nodes)
    varies = np.ptp(design, axis=0) > 0
    names = column_names(None, design.shape[1])
    used = np.hstack([np.ones((len(codes), 1)), design[:, varies]])
    check_full_rank(
        used, ["the intercept", *np.array(names, dtype=object)[varies].tolist()]
    )
    grades, step = np.unique(codes, return_inverse=True)
    if len(grades) < 2:
        raise ValueError(
            "every item has the same grade, so there is no cut to estimate."
        )
    labels = np.zeros(len(codes))
    if group is not None:
        labels = check_codes(group, len(codes), "group")
    counts, of_group, rows = _group_counts(step, labels, design[:, varies])
    _check_overlap(counts, rows, [names[j] for j in np.flatnonzero(varies)])
    likelihood = CumulativeLikelihood(counts, of_group, rows)
    top, value = climb(likelihood, _start(counts, rows.shape[1]), 1)
    top[-1] = 0.0
    test = None
    if group is not None:
        plain = value
        top, value = _with_groups(likelihood, top, value, n_nodes)
        test = variance_test(value, plain)
    return _result(likelihood, top, value, n_nodes, test, grades, varies)


def _check_grades(grade: npt.ArrayLike) -> npt.NDArray[Any]:
    """Codes as an array, none missing."""
    codes = np.atleast_1d(np.asarray(grade))
    if codes.ndim != 1 or codes.dtype.kind not in "iufb" or not len(codes):
        raise ValueError("grade must hold one number per item, palest lowest.")
    if not np.isfinite(codes).all():
        raise ValueError("grade must not have gaps; leave out items without a grade.")
    return codes


def _group_counts(
    step: npt.NDArray[np.intp], labels: npt.NDArray[Any], columns: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.intp], FloatArray]:
    """Grades of the items that share a group and a row of X, in group order."""
    group = np.unique(labels, return_inverse=True)[1].reshape(-1)
    keys, row = np.unique(
        np.column_stack([group, columns]), axis=0, return_inverse=True
    )
    counts = np.zeros((len(keys), int(step.max()) + 1))
    np.add.at(counts, (row.reshape(-1), step.reshape(-1)), 1.0)
    return counts, keys[:, 0].astype(np.intp), keys[:, 1:]


def _pair_rows(
    counts: FloatArray, columns: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """Binomial terms as entries: successes, trials, design and row of each."""
    y, n = cut_pairs(counts)
    row, cut = np.nonzero(n)
    design = np.hstack([-np.eye(n.shape[1])[cut], columns[row]])
    return y[row, cut], n[row, cut], design, row


def _check_overlap(counts: FloatArray, columns: FloatArray, names: list[str]) -> None:
    """Refuse grades that some column sorts without overlap."""
    y, n, design, _ = _pair_rows(counts, columns)
    found = find_separation(*collapse(y, n, design))
    lost = found.columns[counts.shape[1] - 1 :]
    if lost.any():
        listed = ", ".join(names[j] for j in np.flatnonzero(lost))
        raise ValueError(
            f"the grades are sorted by {listed} without overlap, so maximum likelihood "
            "has no finite estimate there; grade_rates gives shares with intervals."
        )


class CumulativeLikelihood:
    """Marginal log-likelihood of (cutpoints, coefficients, group SD).

    Parameters
    ----------
    counts : ndarray, shape (rows, grades)
        Items by grade.
    group : ndarray of int, shape (rows,)
        Group codes 0, 1 ... in rising order without gaps.
    columns : ndarray, shape (rows, p)
        Covariates.
    """

    def __init__(
        self, counts: FloatArray, group: npt.NDArray[np.intp], columns: FloatArray
    ) -> None:
        y, n, design, row = _pair_rows(counts, columns)
        self._pairs = GroupedLikelihood(y, n, design, group[row], np.zeros(len(y)))
        self.n_cuts = counts.shape[1] - 1
        self._between = counts.sum(axis=0)[1:-1]

    def value(self, parameters: FloatArray, n_nodes: int) -> float:
        """Marginal log-likelihood; minus infinity if the cutpoints do not rise."""
        gap = np.diff(parameters[: self.n_cuts])
        if (gap <= 0).any():
            return -np.inf
        ends = float(self._between @ log_gap(gap))
        return self._pairs.value(parameters, n_nodes) + ends

    def slope(
        self, parameters: FloatArray, n_nodes: int
    ) -> tuple[float, FloatArray, FloatArray]:
        """Value, exact gradient and approximate information, as for the pairs."""
        value, gradient, information = self._pairs.slope(parameters, n_nodes)
        k = self.n_cuts
        gap = np.diff(parameters[:k])
        rise = self._between / np.expm1(gap)
        bend = rise * (1 + 1 / np.expm1(gap))
        apart = np.diff(np.eye(k), axis=0)
        gradient[:k] += apart.T @ rise
        information[:k, :k] += (apart.T * bend) @ apart
        return value + float(self._between @ log_gap(gap)), gradient, information


def _start(counts: FloatArray, n_columns: int) -> FloatArray:
    """Cutpoints at the pooled shares, all else 0."""
    total = counts.sum(axis=0)
    below = np.cumsum(total)[:-1]
    cuts = np.log(below / (total.sum() - below))
    return np.concatenate([cuts, np.zeros(n_columns + 1)])


def _with_groups(
    likelihood: CumulativeLikelihood, plain: FloatArray, value: float, n_nodes: int
) -> tuple[FloatArray, float]:
    """Maximize from a middling SD; 0 where that is no better."""
    start = plain.copy()
    start[-1] = _START_SD
    top, reached = climb(likelihood, start, n_nodes)
    top[-1] = abs(top[-1])
    if top[-1] > LARGEST_SD:
        raise ValueError(
            "all or nearly all groups got a single grade each, so the spread between "
            "groups has no finite estimate; grade_rates gives shares with intervals."
        )
    if top[-1] < 1e-4 or reached <= value:
        return plain, value
    return top, reached


def _result(
    likelihood: CumulativeLikelihood,
    top: FloatArray,
    value: float,
    n_nodes: int,
    test: VarianceTest | None,
    grades: npt.NDArray[Any],
    varies: npt.NDArray[np.bool_],
) -> OrdinalFit:
    """Put the result together."""
    covariance = observed_covariance(likelihood, top, n_nodes)
    error = np.sqrt(np.diag(covariance))
    k = likelihood.n_cuts
    return OrdinalFit(
        coef=top[k:-1],
        cutpoints=top[:k],
        std_error=error[k:-1],
        cutpoint_error=error[:k],
        covariance=covariance[:-1, :-1],
        group_sd=float(top[-1]),
        group_sd_error=float(error[-1]),
        loglik=value,
        variance_test=test,
        grades=grades,
        dropped=tuple(int(j) for j in np.flatnonzero(~varies)),
    )
