"""Which columns of a design cannot be told apart, fully or nearly: linear algebra only.

Everything here depends on how a test was laid out and on no outcome, so it can be known
before the first fire is lit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Matrix = NDArray[np.float64]

#: Singular values below this share of the largest count as zero. Columns are 0/1,
#: shares or centered and scaled numbers, so rounding stays many orders below it.
RANK_TOLERANCE = 1e-9


class ContrastAliasing(NamedTuple):
    """How far other columns explain contrasts between groups.

    Attributes
    ----------
    share : ndarray of float, shape (contrasts,)
        Share of the information on each contrast that the other columns take away,
        0 to 1; 1 means that it cannot be estimated at all.
    vif : ndarray of float, shape (contrasts,)
        Variance inflation factor, ``1 / (1 - share)``; infinite at 1.
    rank_lost : int
        Dimensions that groups and other columns have in common.
    rank_groups, rank_others : int
        Dimensions of the groups and of the other columns, after centering.
    """

    share: NDArray[np.float64]
    vif: NDArray[np.float64]
    rank_lost: int
    rank_groups: int
    rank_others: int


class SpanOverlap(NamedTuple):
    """How far two sets of columns move together.

    Attributes
    ----------
    share : float
        Largest squared canonical correlation, 0 to 1.
    rank_lost : int
        Number of canonical correlations equal to 1.
    rank_a, rank_b : int
        Dimensions of each set, after centering.
    """

    share: float
    rank_lost: int
    rank_a: int
    rank_b: int


def contrast_aliasing(
    groups: ArrayLike,
    others: ArrayLike,
    contrasts: ArrayLike,
    *,
    given: ArrayLike | None = None,
) -> ContrastAliasing:
    """Share of each contrast between groups that other columns of a design explain.

    Parameters
    ----------
    groups : array_like of float, shape (n, g)
        One column of 0 and 1 per group.
    others : array_like of float, shape (n, q)
        Columns of the other factors, without an intercept; ``q`` may be 0.
    contrasts : array_like of float, shape (c, g)
        Weights that add up to 0 in each row.
    given : array_like of float, shape (n, b), optional
        Columns that are in the model with and without ``others``, such as blocks.

    Returns
    -------
    ContrastAliasing
        One entry per contrast.

    Raises
    ------
    ValueError
        If the shapes do not go together, or a contrast does not add up to 0.

    Notes
    -----
    The variance of a least-squares contrast is proportional to ``c' (T' M T)^- c``,
    where ``M`` projects off the intercept, ``given`` and, for the second of two such
    numbers, ``others``. Their ratio is the variance inflation factor of the contrast;
    with two groups it is the usual ``1 / (1 - R^2)`` [2]_, with more it belongs to the
    family of [3]_. A contrast outside the row space of ``M T`` is aliased [1]_ and its
    share is 1, also where ``given`` alone aliases it.

    References
    ----------
    .. [1] Box GEP, Hunter WG, Hunter JS (2005), Statistics for Experimenters, 2nd ed,
       Wiley, ch. 5 and 6 (aliases and confounding with blocks).
    .. [2] Chatterjee S, Hadi AS (2012), Regression Analysis by Example, 5th ed, Wiley,
       sec. 9.4 (variance inflation factors).
    .. [3] Fox J, Monette G (1992), Generalized collinearity diagnostics, J Am Stat
       Assoc 87:178-183.

    Examples
    --------
    Two pits, always in the same order, then with the order turned once in four.

    >>> pits = [[1, 0], [0, 1]] * 4
    >>> fixed = contrast_aliasing(pits, [[1], [2]] * 4, [[1, -1]])
    >>> fixed.share.round(3).tolist(), fixed.rank_lost
    ([1.0], 1)
    >>> turned = [[1], [2], [1], [2], [1], [2], [2], [1]]
    >>> contrast_aliasing(pits, turned, [[1, -1]]).vif.round(3).tolist()
    [1.333]
    """
    t, o = _columns(groups, "groups"), _columns(others, "others")
    c = np.atleast_2d(np.asarray(contrasts, dtype=float))
    g = np.ones((len(t), 1))
    if given is not None:
        g = np.hstack([g, _columns(given, "given")])
    if not len(t) == len(o) == len(g) or c.shape[1] != t.shape[1]:
        raise ValueError("groups, others, given and contrasts do not go together")
    if np.abs(c.sum(axis=1)).max(initial=0.0) > RANK_TOLERANCE:
        raise ValueError("the weights of a contrast must add up to 0")
    t, o = _residual(t, g), _scaled(_residual(o, g))
    freed = _residual(t, o)
    before, after = _contrast_variance(t, c), _contrast_variance(freed, c)
    with np.errstate(invalid="ignore", divide="ignore"):
        vif = np.where(np.isfinite(after), np.maximum(after / before, 1.0), np.inf)
    rank_t, rank_o = _rank(t), _rank(o)
    return ContrastAliasing(
        share=1.0 - 1.0 / vif,
        vif=vif,
        rank_lost=rank_t - _rank(freed),
        rank_groups=rank_t,
        rank_others=rank_o,
    )


def span_overlap(a: ArrayLike, b: ArrayLike) -> SpanOverlap:
    """Largest squared canonical correlation of two sets of columns, and shared rank.

    Parameters
    ----------
    a, b : array_like of float, shape (n, p) and (n, q)
        Columns of two factors, without an intercept.

    Returns
    -------
    SpanOverlap
        Share 0 and rank 0 where one of them is constant.

    Raises
    ------
    ValueError
        If the two have unequal numbers of rows.

    Notes
    -----
    Canonical correlations are the singular values of ``Qa' Qb``, with orthonormal bases
    of the centered columns [1]_.

    References
    ----------
    .. [1] Bjorck A, Golub GH (1973), Numerical methods for computing angles between
       linear subspaces, Math Comput 27:579-594.

    Examples
    --------
    >>> span_overlap([[0], [0], [1], [1]], [[0], [1], [0], [1]]).share
    0.0
    >>> span_overlap([[0], [0], [1], [1]], [[5], [5], [9], [9]]).rank_lost
    1
    """
    a, b = _columns(a, "a"), _columns(b, "b")
    if len(a) != len(b):
        raise ValueError("a and b have unequal numbers of rows")
    one = np.ones((len(a), 1))
    qa, qb = _basis(_residual(a, one)), _basis(_residual(b, one))
    if not qa.shape[1] or not qb.shape[1]:
        return SpanOverlap(0.0, 0, qa.shape[1], qb.shape[1])
    r2 = np.clip(np.linalg.svd(qa.T @ qb, compute_uv=False), 0.0, 1.0) ** 2
    share = float(r2[0]) if r2[0] > RANK_TOLERANCE else 0.0
    lost = int((r2 > 1.0 - RANK_TOLERANCE).sum())
    return SpanOverlap(1.0 if lost else share, lost, qa.shape[1], qb.shape[1])


def _columns(values: ArrayLike, name: str) -> Matrix:
    array = np.asarray(values, dtype=float)
    if array.ndim != 2:
        raise ValueError(f"{name} must have two dimensions")
    return array


def _scaled(x: Matrix) -> Matrix:
    """Columns of length 1, so that a number in degrees weighs like a 0/1 column."""
    length = np.sqrt((x**2).sum(axis=0))
    keep = length > RANK_TOLERANCE
    scaled: Matrix = x[:, keep] / length[keep]
    return scaled


def _basis(x: Matrix) -> Matrix:
    """Orthonormal basis of the columns."""
    x = _scaled(x)
    if not x.size:
        return np.empty((len(x), 0))
    u, s, _ = np.linalg.svd(x, full_matrices=False)
    basis: Matrix = u[:, s > RANK_TOLERANCE * s[0]]
    return basis


def _residual(x: Matrix, off: Matrix) -> Matrix:
    """Columns with their projection on others taken off; rounding becomes zero."""
    q = _basis(off)
    rest = x - q @ (q.T @ x)
    size = np.abs(x).max(axis=0, initial=1.0)
    rest[np.abs(rest) < RANK_TOLERANCE * size] = 0.0
    return rest


def _rank(x: Matrix) -> int:
    if not x.size:
        return 0
    s = np.linalg.svd(x, compute_uv=False)
    # Columns here are 0/1 or of length 1, so an absolute bound is a relative one.
    return int((s > 1e-7).sum())


def _contrast_variance(x: Matrix, contrasts: Matrix) -> NDArray[np.float64]:
    """``c' (x'x)^- c`` of each contrast, infinite where it cannot be estimated."""
    _, s, vt = np.linalg.svd(x, full_matrices=False)
    keep = s > 1e-7
    loads = contrasts @ vt[keep].T
    lost = np.abs(contrasts - loads @ vt[keep]).max(axis=1, initial=0.0) > 1e-6
    variance = ((loads / s[keep]) ** 2).sum(axis=1)
    return np.where(lost, np.inf, variance)
