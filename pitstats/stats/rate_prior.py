"""Long-run rates over a layout, and the prior that is stated for them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.quadrature import normal_nodes

_LARGEST_ETA = 30.0
_NODES = 20
_CHUNK = 120_000


class ReferenceGrid(NamedTuple):
    """Cells over which each intercept's rate is averaged.

    Attributes
    ----------
    cells : ndarray, shape (intercepts, cells, slopes)
        Covariates of the cells.
    weight : ndarray, shape (intercepts, cells)
        Weights that add up to 1 for each intercept.
    """

    cells: FloatArray
    weight: FloatArray


def compact_layout(cells: FloatArray, weight: FloatArray) -> ReferenceGrid:
    """Put equal cells of each intercept together and add up their weights.

    Arguments as in `ReferenceGrid`, weights not all 0 for any intercept. Sorted, so
    that the order of the cells does not matter.
    """
    distinct = []
    for own_cells, own_weight in zip(cells, weight, strict=True):
        rows, inverse = np.unique(own_cells, axis=0, return_inverse=True)
        total = np.bincount(inverse.reshape(-1), weights=own_weight)
        distinct.append((rows, total / total.sum()))
    width = max(len(rows) for rows, _ in distinct)
    wide_cells = np.zeros((len(distinct), width, cells.shape[2]))
    wide_weight = np.zeros((len(distinct), width))
    for g, (rows, total) in enumerate(distinct):
        wide_cells[g, : len(rows)] = rows
        wide_weight[g, : len(rows)] = total
    return ReferenceGrid(wide_cells, wide_weight)


def marginal_rates(
    layout: ReferenceGrid, theta: FloatArray, total_sd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rates averaged over layout and bakes, and how fast they rise with the intercept.

    ``theta`` holds intercepts, then slopes, (parameters, draws); ``total_sd`` the SD of
    all effects on the items of an intercept together, (intercepts, draws) or (draws,).
    Both results have shape (intercepts, draws).
    """
    n_groups, n_cells = layout.weight.shape
    rate = np.empty((n_groups, theta.shape[1]))
    wide = np.broadcast_to(total_sd, rate.shape)
    slope = np.empty_like(rate)
    step = max(16, _CHUNK // (_NODES // 2 * n_cells))
    for start in range(0, theta.shape[1], step):
        part = slice(start, start + step)
        for g in range(n_groups):
            spread = _node_pairs(wide[g, part])
            eta = layout.cells[g] @ theta[n_groups:, part] + theta[g, part]
            rate[g, part], slope[g, part] = _paired_sums(eta, spread, layout.weight[g])
    return rate, slope


def _node_pairs(total_sd: FloatArray) -> FloatArray:
    """``2 cosh(sd z)`` for the positive half of the nodes, shape (pairs, draws)."""
    nodes, _ = normal_nodes(_NODES)
    return np.asarray(2 * np.cosh(nodes[_NODES // 2 :, None] * total_sd))


def _paired_sums(
    eta: FloatArray, spread: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rate and slope of one intercept, nodes z and -z taken together.

    With odds ``e`` and ``q = exp(s z) + exp(-s z)`` the two chances of not burning
    add up to ``(2 + e q) / (1 + e q + e^2)``, and their product is the inverse of
    the denominator.
    """
    _, node_weight = normal_nodes(_NODES)
    odds = np.exp(np.clip(eta, -_LARGEST_ETA, _LARGEST_ETA))
    top = spread[:, None, :] * odds
    top += 2.0
    inverse = top + (odds * odds - 1.0)
    np.reciprocal(inverse, out=inverse)
    top *= inverse
    flat = (node_weight[_NODES // 2 :, None] * weight).reshape(-1)
    shape = (len(flat), eta.shape[1])
    unburned = flat @ top.reshape(shape)
    top *= top
    squares = flat @ top.reshape(shape) - 2 * (flat @ inverse.reshape(shape))
    return 1 - unburned, unburned - squares


def log_rate_prior(rate: FloatArray, slope: FloatArray) -> FloatArray:
    """Log density of the intercepts when each rate is Beta(1/2, 1/2), shape (draws,).

    From what `marginal_rates` gives; normalized, at whatever slopes and SD that was.

    References
    ----------
    .. [1] Jeffreys H (1946), An invariant form for the prior probability in
       estimation problems, Proceedings of the Royal Society A 186:453-461.
    """
    tiny = 1e-300
    inside = np.maximum(rate * (1 - rate), tiny)
    terms = np.log(np.maximum(slope, tiny)) - 0.5 * np.log(inside)
    return np.asarray(terms.sum(axis=0) - len(rate) * np.log(np.pi))


def log_slope_prior(slopes: FloatArray) -> FloatArray:
    """Log density of slopes, each log-F(1,1), for shape (slopes, draws).

    References
    ----------
    .. [1] Greenland S, Mansournia MA (2015), Penalization, bias reduction, and
       default priors in logistic and related categorical and survival regressions,
       Statistics in Medicine 34:3133-3143.
    """
    terms = 0.5 * slopes - np.logaddexp(0.0, slopes)
    return np.asarray(terms.sum(axis=0) - len(slopes) * np.log(np.pi))


def prior_slope(
    layout: ReferenceGrid, theta: FloatArray, total_sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log prior of intercepts and slopes with gradient and curvature, few draws.

    Arguments as for `marginal_rates`. Value (draws,), exact gradient (draws,
    parameters) and a positive curvature (draws, parameters, parameters) of Gauss-Newton
    type.
    """
    from scipy.special import expit

    n_groups = len(layout.weight)
    slopes = theta[n_groups:]
    nodes, node_weight = normal_nodes(_NODES)
    eta = np.einsum("glq,qn->gln", layout.cells, slopes)
    eta = np.clip(eta + theta[:n_groups, None], -_LARGEST_ETA, _LARGEST_ETA)
    wide = np.broadcast_to(total_sd, (n_groups, theta.shape[1]))
    p = expit(eta + nodes[:, None, None, None] * wide[:, None])
    average = node_weight[:, None, None, None] * layout.weight[:, :, None]
    p1 = (average * p * (1 - p)).sum(axis=0)
    p2 = (average * p * (1 - p) * (1 - 2 * p)).sum(axis=0)
    rate = (average * p).sum(axis=(0, 2))
    # Full gradients of rate and of its slope, shape (intercepts, draws, parameters).
    own = np.eye(n_groups)[:, None, :]
    first = _with_slopes(p1, layout.cells, own)
    second = _with_slopes(p2, layout.cells, own)
    slope = p1.sum(axis=1)
    inside = (rate * (1 - rate))[..., None]
    gradient = (
        second / slope[..., None] - 0.5 * (1 - 2 * rate)[..., None] / inside * first
    )
    value = log_rate_prior(rate, slope) + log_slope_prior(slopes)
    total = gradient.sum(axis=0)
    chance = expit(slopes)
    total[:, n_groups:] += (0.5 - chance).T
    curvature = np.einsum("gna,gnc->nac", first / inside, first)
    diagonal = np.arange(n_groups, len(theta))
    curvature[:, diagonal, diagonal] += (chance * (1 - chance)).T
    return value, total, curvature


def _with_slopes(values: FloatArray, cells: FloatArray, own: FloatArray) -> FloatArray:
    """Derivatives with respect to intercepts and slopes, from those per cell."""
    intercepts = own * values.sum(axis=1)[..., None]
    return np.concatenate(
        [intercepts, np.einsum("gln,glq->gnq", values, cells)], axis=2
    )
