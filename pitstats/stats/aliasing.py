"""Which columns of a design cannot be told apart, fully or nearly: linear algebra only.

Everything here depends on how a test was laid out and on no outcome, so it can be known
before the first fire is lit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigvalsh
from scipy.sparse import coo_array, diags_array
from scipy.sparse.csgraph import connected_components

Matrix = NDArray[np.float64]
Words = NDArray[np.int64]

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
    share is 1, also where ``given`` alone aliases it. First columns of ``others`` that
    are 0 and 1 with one 1 a row, such as sessions, are taken off by subtracting means:
    the same projection [4]_, in a time that grows with the rows.

    References
    ----------
    .. [1] Box GEP, Hunter WG, Hunter JS (2005), Statistics for Experimenters, 2nd ed,
       Wiley, ch. 5 and 6 (aliases and confounding with blocks).
    .. [2] Chatterjee S, Hadi AS (2012), Regression Analysis by Example, 5th ed, Wiley,
       sec. 9.4 (variance inflation factors).
    .. [3] Fox J, Monette G (1992), Generalized collinearity diagnostics, J Am Stat
       Assoc 87:178-183.
    .. [4] Lovell MC (1963), Seasonal adjustment of economic time series and multiple
       regression analysis, J Am Stat Assoc 58:993-1010.

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
    g = np.empty((len(t), 0)) if given is None else _columns(given, "given")
    if not len(t) == len(o) == len(g) or c.shape[1] != t.shape[1]:
        raise ValueError("groups, others, given and contrasts do not go together")
    if np.abs(c.sum(axis=1)).max(initial=0.0) > RANK_TOLERANCE:
        raise ValueError("the weights of a contrast must add up to 0")
    words, rest = (None, o) if g.shape[1] else _words_first(o)
    if words is None:
        t, o = _off_constant(t, g), _scaled(_off_constant(o, g))
        freed, rank_o = _residual(t, o), _rank(o)
    else:
        rest = _scaled(_off_means(rest, words))
        freed = _residual(_off_means(t, words), rest)
        rank_o = int(words.max()) + _rank(rest)
        t = _off_constant(t, g)
    before, after = _contrast_variance(t, c), _contrast_variance(freed, c)
    with np.errstate(invalid="ignore", divide="ignore"):
        vif = np.where(np.isfinite(after), np.maximum(after / before, 1.0), np.inf)
    rank_t = _rank(t)
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
    of the centered columns [1]_. Where one set is 0 and 1 with one 1 a row, they come
    from the means of the other within it; where both are, from their two-way table
    [2]_, whose unconnected parts count the dimensions in common.

    References
    ----------
    .. [1] Bjorck A, Golub GH (1973), Numerical methods for computing angles between
       linear subspaces, Math Comput 27:579-594.
    .. [2] Greenacre M (2017), Correspondence Analysis in Practice, 3rd ed, Chapman &
       Hall/CRC (canonical correlations of a two-way table).

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
    words_a, words_b = _words(a), _words(b)
    if words_a is not None and words_b is not None:
        return _words_overlap(words_a, words_b)
    if words_b is not None:
        share, lost, rank_b, rank_a = span_overlap(b, a)
        return SpanOverlap(share, lost, rank_a, rank_b)
    none = np.empty((len(a), 0))
    qb = _basis(_off_constant(b, none))
    if words_a is None:
        qa = _basis(_off_constant(a, none))
        rank_a, onto = qa.shape[1], qa.T @ qb
    else:
        # What the means within the words keep of a basis has the same singular values.
        rank_a, onto = int(words_a.max()), qb - _off_means(qb, words_a)
    if not rank_a or not qb.shape[1]:
        return SpanOverlap(0.0, 0, rank_a, qb.shape[1])
    r2 = np.clip(np.linalg.svd(onto, compute_uv=False), 0.0, 1.0) ** 2
    return _overlap(
        float(r2[0]), int((r2 > 1.0 - RANK_TOLERANCE).sum()), rank_a, qb.shape[1]
    )


def _overlap(largest: float, lost: int, rank_a: int, rank_b: int) -> SpanOverlap:
    share = largest if largest > RANK_TOLERANCE else 0.0
    return SpanOverlap(1.0 if lost else share, lost, rank_a, rank_b)


def _words_overlap(a: Words, b: Words) -> SpanOverlap:
    """`span_overlap` of two sets of 0/1 columns, by their two-way table."""
    rank_a, rank_b = int(a.max()), int(b.max())
    if not rank_a or not rank_b:
        return SpanOverlap(0.0, 0, rank_a, rank_b)
    table = coo_array((np.ones(len(a)), (a, b)), shape=(rank_a + 1, rank_b + 1))
    lost = _unconnected_parts(a, b + rank_a + 1) - 1
    if lost:
        return SpanOverlap(1.0, lost, rank_a, rank_b)
    of_a, of_b = np.bincount(a), np.bincount(b)
    within = diags_array(of_a**-0.5) @ table @ diags_array(of_b**-0.5)
    if rank_a < rank_b:
        within = within.T
    # The largest root, 1, belongs to the constant.
    second = min(rank_a, rank_b) - 1
    r2 = eigvalsh((within.T @ within).toarray(), subset_by_index=(second, second))
    return _overlap(float(r2[0]), 0, rank_a, rank_b)


def _unconnected_parts(a: Words, b: Words) -> int:
    n = int(b.max()) + 1
    links = coo_array((np.ones(len(a)), (a, b)), shape=(n, n))
    return int(connected_components(links, directed=False)[0])


def _words(x: Matrix) -> Words | None:
    """Number of the column that is 1 in each row, if these are 0 and 1 with one 1."""
    if x.shape[1] < 2 or not (((x == 0.0) | (x == 1.0)).all()):
        return None
    if not (x.sum(axis=1) == 1.0).all():
        return None
    # Words that no row has are no dimension.
    return np.unique(x.argmax(axis=1), return_inverse=True)[1].astype(np.int64)


def _words_first(x: Matrix) -> tuple[Words | None, Matrix]:
    """Split off the columns that come first if these are one factor of words."""
    ones = np.where(((x == 0.0) | (x == 1.0)).all(axis=0), x.sum(axis=0), np.inf)
    last = int(np.searchsorted(np.cumsum(ones), len(x))) + 1
    words = _words(x[:, :last])
    return (None, x) if words is None else (words, x[:, last:])


def _off_means(x: Matrix, words: Words) -> Matrix:
    """Columns less their means within words; rounding becomes zero."""
    of_word = np.bincount(words)
    sums = np.zeros((len(of_word), x.shape[1]))
    np.add.at(sums, words, x)
    return _no_rounding(x - (sums / of_word[:, None])[words], x)


def _off_constant(x: Matrix, given: Matrix) -> Matrix:
    """Columns with a constant and other columns taken off."""
    words = _words(given)
    if words is not None:
        return _off_means(x, words)
    return _residual(x, np.hstack([np.ones((len(x), 1)), given]))


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
    return _no_rounding(x - q @ (q.T @ x), x)


def _no_rounding(rest: Matrix, x: Matrix) -> Matrix:
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
