"""Sums over data in groups, or in groups within groups, that share a random effect.

Two readings of one inner group have correlation from both levels, two readings of one
outer group only from the outer level. The covariance matrix then has as many rows as
readings, yet every product with its inverse is a sum over groups: readings about their
inner mean, inner means about their outer mean, and outer means, each with a weight of
its own. Nothing is subtracted that was added before, so nearly equal readings and very
unequal spreads do not cost digits.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, IntArray


class Groups(NamedTuple):
    """Which readings belong together.

    Attributes
    ----------
    row : ndarray of int, shape (n,)
        Inner group of each reading. With one level, inner and outer are the same.
    size : ndarray, shape (g,)
        Readings in each inner group.
    outer : ndarray of int, shape (g,)
        Outer group of each inner group, in rising order.
    start : ndarray of int, shape (h,)
        First inner group of each outer group.
    n_levels : int
        1 or 2 random effects.
    """

    row: IntArray
    size: FloatArray
    outer: IntArray
    start: IntArray
    n_levels: int

    def by_outer(self, values: FloatArray) -> FloatArray:
        """Add values of inner groups up to outer groups, along the first axis."""
        if len(self.start) == len(self.outer):
            return values
        return np.asarray(np.add.reduceat(values, self.start, axis=0))


def find_groups(labels: npt.NDArray[Any]) -> tuple[Groups, list[npt.NDArray[Any]]]:
    """Sort readings into groups, by labels of shape (n,) or (n, 2): outer, then inner.

    A label of the inner level counts only within its outer group. Also the labels of
    the groups of each level, in the order of the codes; for the inner level of shape
    (g, 2).
    """
    outer_labels, outer = np.unique(
        labels if labels.ndim == 1 else labels[:, 0], return_inverse=True
    )
    outer = outer.reshape(-1)
    if labels.ndim == 1:
        codes = np.arange(len(outer_labels))
        size = np.bincount(outer).astype(float)
        return Groups(outer, size, codes, codes, 1), [outer_labels]
    inner_labels, inner = np.unique(labels[:, 1], return_inverse=True)
    pairs = outer * len(inner_labels) + inner.reshape(-1)
    present, row = np.unique(pairs, return_inverse=True)
    row = row.reshape(-1)
    outer_of = present // len(inner_labels)
    start = np.flatnonzero(np.diff(outer_of, prepend=-1))
    names = np.column_stack(
        [outer_labels[outer_of], inner_labels[present % len(inner_labels)]]
    )
    size = np.bincount(row).astype(float)
    return Groups(row, size, outer_of, start, 2), [outer_labels, names]


class GroupSums(NamedTuple):
    """Columns of numbers, reduced to what the groups make of them.

    Attributes
    ----------
    within : ndarray, shape (m, m)
        Cross-products of the columns about their inner means.
    mean : ndarray, shape (g, m)
        Means of the columns in each inner group.
    """

    within: FloatArray
    mean: FloatArray

    def transform(self, matrix: FloatArray) -> GroupSums:
        """Sums of ``columns @ matrix``."""
        return GroupSums(matrix.T @ self.within @ matrix, self.mean @ matrix)


def sum_groups(columns: FloatArray, groups: Groups) -> GroupSums:
    """Reduce columns, shape (n, m), to their sums over groups."""
    order = np.argsort(groups.row, kind="stable")
    first = np.concatenate([[0], np.cumsum(groups.size)[:-1]]).astype(np.intp)
    mean = np.add.reduceat(columns[order], first, axis=0) / groups.size[:, None]
    about = columns - mean[groups.row]
    return GroupSums(about.T @ about, mean)


class Covariance:
    """Covariance matrix of the readings in units of the residual variance.

    Parameters
    ----------
    groups : Groups
        Which readings belong together.
    ratio : ndarray, shape (n_levels,)
        Variance of each level (outer first) over the residual variance.
    """

    def __init__(self, groups: Groups, ratio: FloatArray) -> None:
        inner = float(ratio[1]) if groups.n_levels == 2 else 0.0
        self.groups = groups
        self.shrink = 1.0 / (1.0 + inner * groups.size)
        self.weight = groups.size * self.shrink
        self.outer_weight = groups.by_outer(self.weight)
        self.outer_ratio = float(ratio[0])
        self.outer_shrink = 1.0 / (1.0 + self.outer_ratio * self.outer_weight)

    def log_det(self) -> float:
        """Logarithm of the determinant."""
        return -float(np.log(self.shrink).sum() + np.log(self.outer_shrink).sum())

    def _split(self, mean: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Inner means about their outer mean, and the weighted outer means."""
        total = self.groups.by_outer(self.weight[:, None] * mean)
        outer = total / self.outer_weight[:, None]
        return mean - outer[self.groups.outer], outer

    def product(self, left: FloatArray, right: FloatArray) -> FloatArray:
        """``left' V^-1 right`` of columns that are constant in each inner group.

        Both have shape (g, m): their value in each inner group.
        """
        about_left, outer_left = self._split(left)
        about_right, outer_right = self._split(right)
        weight = (self.outer_weight * self.outer_shrink)[:, None]
        inner = (self.weight[:, None] * about_left).T @ about_right
        return inner + (weight * outer_left).T @ outer_right

    def inverse_means(self, mean: FloatArray) -> FloatArray:
        """Inner means of ``V^-1 columns``, given the inner means of the columns.

        What a column does about its inner means is left as it is by ``V^-1``.
        """
        about, outer = self._split(mean)
        outer = self.outer_shrink[:, None] * outer
        return self.shrink[:, None] * (about + outer[self.groups.outer])

    def traces(self) -> FloatArray:
        """``tr(V^-1 G_k)`` for the residual (identity), outer and inner level."""
        pull = self.outer_ratio * self.outer_shrink
        ones = self.groups.by_outer(self.weight * self.shrink)
        squares = self.groups.by_outer(self.weight**2)
        residual = (self.groups.size - 1 + self.shrink).sum() - (pull * ones).sum()
        outer = (self.outer_weight * self.outer_shrink).sum()
        inner = self.weight.sum() - (pull * squares).sum()
        return np.array([residual, outer, inner])[: 1 + self.groups.n_levels]

    def pair_traces(self) -> FloatArray:
        """``tr(V^-1 G_k V^-1 G_l)`` in the order residual, outer, inner."""
        by_outer, size = self.groups.by_outer, self.groups.size
        c, w = self.shrink, self.weight
        pull = self.outer_ratio * self.outer_shrink
        ones = by_outer(w * c)
        squares = by_outer(w**2)
        out = np.empty((3, 3))
        out[0, 0] = (size - 1 + c**2).sum() + (
            pull**2 * ones**2 - 2 * pull * by_outer(w * c**2)
        ).sum()
        out[0, 1] = (self.outer_shrink**2 * ones).sum()
        out[0, 2] = (w * c).sum() + (
            pull**2 * squares * ones - 2 * pull * by_outer(w**2 * c)
        ).sum()
        out[1, 1] = ((self.outer_weight * self.outer_shrink) ** 2).sum()
        out[1, 2] = (self.outer_shrink**2 * squares).sum()
        out[2, 2] = (w**2).sum() + (
            pull**2 * squares**2 - 2 * pull * by_outer(w**3)
        ).sum()
        out = np.triu(out) + np.triu(out, 1).T
        k = 1 + self.groups.n_levels
        return out[:k, :k]
