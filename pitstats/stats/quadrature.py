"""Gauss-Hermite nodes for averages over a standard normal effect, and sums in logs."""

from __future__ import annotations

from functools import cache

import numpy as np

from pitstats.stats.binomial_data import FloatArray, expit


def normal_nodes(n_nodes: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights for the mean of a function of a standard normal variable.

    Parameters
    ----------
    n_nodes : int
        Number of nodes, 1 to 100.

    Returns
    -------
    tuple of ndarray, each shape (n_nodes,)
        Nodes in rising order and weights that add up to 1. Exact for polynomials of
        degree ``2 * n_nodes - 1``. The arrays are read-only.

    Raises
    ------
    ValueError
        If the number of nodes is out of range.

    References
    ----------
    .. [1] Abramowitz M, Stegun IA (1964), Handbook of Mathematical Functions,
       section 25.4.46.

    Examples
    --------
    >>> nodes, weights = normal_nodes(3)
    >>> nodes.round(6), weights.round(6)
    (array([-1.732051,  0.      ,  1.732051]), array([0.166667, 0.666667, 0.166667]))
    """
    if n_nodes != int(n_nodes) or not 1 <= n_nodes <= 100:
        raise ValueError(
            f"n_nodes is {n_nodes!r}; it must be a whole number, 1 to 100."
        )
    return _nodes(int(n_nodes))


@cache
def _nodes(n_nodes: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(n_nodes)
    weights = weights / weights.sum()
    nodes.flags.writeable = False
    weights.flags.writeable = False
    return nodes, weights


def averaged_expit(eta: FloatArray, sd: FloatArray) -> FloatArray:
    """Mean of ``expit(eta + sd * z)`` over a standard normal ``z``, by 20 nodes."""
    total: FloatArray = np.zeros_like(eta)
    for node, weight in zip(*normal_nodes(20), strict=True):
        total += weight * expit(eta + node * sd)
    return total


def log_sum_exp(terms: FloatArray, axis: int) -> FloatArray:
    """Log of the sum of exponentials along an axis, safe where all are tiny.

    Parameters
    ----------
    terms : ndarray
        Logs of what is added up; finite.
    axis : int
        Axis that is summed over.

    Returns
    -------
    ndarray
        One axis less than `terms`.

    Examples
    --------
    >>> log_sum_exp(np.log([[0.25, 0.5], [0.75, 0.5]]) - 2000.0, axis=0)
    array([-2000., -2000.])
    """
    top = terms.max(axis=axis, keepdims=True)
    away = terms - top
    np.exp(away, out=away)
    total: FloatArray = np.log(away.sum(axis=axis)) + top.squeeze(axis)
    return total
