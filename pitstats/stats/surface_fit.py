"""Modes and weighted draws of the surfaces of one pit, node by node."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.surface_prior import (
    SurfaceGrid,
    level_prior,
    long_run,
    surface_bases,
)

_STEPS = 25
_SETTLED = 3e-3
_CLIP = 30.0
_LONGEST_STEP = 3.0
_TAIL_DF = 5.0
_WIDEN = 1.1


class PitCells(NamedTuple):
    """Counts of one pit, bake by bake and cell by cell.

    Attributes
    ----------
    y, n : ndarray, shape (bakes, cells)
        Items with the outcome, and graded items; 0 of 0 where nothing was graded.
    place : ndarray, shape (cells, 2)
        Centers of the cells in one real unit.
    grate : ndarray of int, shape (cells,)
        Grate of each cell, 0 up.
    """

    y: FloatArray
    n: FloatArray
    place: FloatArray
    grate: npt.NDArray[np.intp]

    @property
    def n_bakes(self) -> int:
        """Number of bakes."""
        return len(self.y)

    @property
    def n_grates(self) -> int:
        """Number of grates."""
        return int(self.grate.max()) + 1


class PitModes(NamedTuple):
    """Gaussian approximation of the posterior at every node of the grid.

    Attributes
    ----------
    design : ndarray, shape (nodes, cells, columns)
        From coefficients to the surface; the last columns are the grates' levels.
    mode : ndarray, shape (nodes, bakes + columns)
        Most likely bake effects and coefficients.
    root : ndarray, shape (nodes, bakes + columns, bakes + columns)
        Lower Cholesky factor of the curvature.
    log_evidence : ndarray, shape (nodes,)
        Laplace approximation of the log likelihood of a node.
    """

    design: FloatArray
    mode: FloatArray
    root: FloatArray
    log_evidence: FloatArray


class PitDraws(NamedTuple):
    """Weighted draws of one pit's cells.

    Attributes
    ----------
    rate : ndarray, shape (draws, cells)
        Long-run probability of each cell, averaged over bakes.
    here : ndarray, shape (draws, cells)
        Probability of each cell under the fires of the pit's own bakes, averaged over
        them.
    at_sd : ndarray of int, shape (draws,)
        Position of the draw's bake SD in the grid, rising.
    log_weight : ndarray, shape (draws,)
        Log of posterior (without other pits) over proposal.
    """

    rate: FloatArray
    here: FloatArray
    at_sd: npt.NDArray[np.intp]
    log_weight: FloatArray


def find_modes(data: PitCells, nodes: SurfaceGrid) -> PitModes:
    """Newton's method at all nodes of the grid at once.

    References
    ----------
    .. [1] Rue H, Martino S, Chopin N (2009), Approximate Bayesian inference for latent
       Gaussian models by using integrated nested Laplace approximations, Journal of
       the Royal Statistical Society B 71:319-392.
    """
    level = np.eye(data.n_grates)[data.grate]
    bases = surface_bases(data.place, data.grate, nodes.ranges)
    smooth = bases[nodes.reach] * nodes.amplitude[:, None, None]
    levels = np.broadcast_to(level, (len(smooth), *level.shape))
    design = np.concatenate([smooth, levels], axis=2)
    theta = np.zeros((len(design), data.n_bakes + design.shape[2]))
    seen, unseen = data.y.sum(), (data.n - data.y).sum()
    theta[:, -data.n_grates :] = np.log((seen + 1.0) / (unseen + 1.0))
    for _ in range(_STEPS):
        gradient, curvature = _derivatives(data, nodes, design, theta)
        step = np.linalg.solve(curvature, gradient[..., None])[..., 0]
        longest = np.abs(step).max(axis=1, keepdims=True)
        theta += step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-12))
        if longest.max() < _SETTLED:
            break
    _, curvature = _derivatives(data, nodes, design, theta)
    root = np.linalg.cholesky(curvature)
    height = _log_target(data, nodes, design, theta, np.arange(len(theta))).value
    log_volume = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return PitModes(design, theta, root, height - log_volume)


def _derivatives(
    data: PitCells, nodes: SurfaceGrid, design: FloatArray, theta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Gradient and curvature of the log posterior at all nodes."""
    n_bakes, n_grates = data.n_bakes, data.n_grates
    z, beta = theta[:, :n_bakes], theta[:, n_bakes:]
    surface = (design @ beta[..., None])[..., 0]
    p = _expit(surface[:, None, :] + (nodes.sd[:, None] * z)[:, :, None])
    residual, weight = data.y - data.n * p, data.n * p * (1.0 - p)
    spread = np.hypot(nodes.sd, nodes.amplitude)[:, None]
    prior = level_prior(beta[:, -n_grates:], spread)
    gradient = -theta
    gradient[:, :n_bakes] += nodes.sd[:, None] * residual.sum(axis=2)
    gradient[:, -n_grates:] = prior.gradient
    gradient[:, n_bakes:] += (residual.sum(axis=1)[:, None, :] @ design)[:, 0]
    curvature = np.zeros((*theta.shape, theta.shape[1]))
    by_cell = weight.sum(axis=1)[:, None, :]
    curvature[:, n_bakes:, n_bakes:] = (design.transpose(0, 2, 1) * by_cell) @ design
    mixed = nodes.sd[:, None, None] * (weight @ design)
    curvature[:, :n_bakes, n_bakes:] = mixed
    curvature[:, n_bakes:, :n_bakes] = mixed.transpose(0, 2, 1)
    added = np.ones_like(theta)
    added[:, :n_bakes] += nodes.sd[:, None] ** 2 * weight.sum(axis=2)
    added[:, -n_grates:] = prior.curvature
    diagonal = np.arange(theta.shape[1])
    curvature[:, diagonal, diagonal] += added
    return gradient, curvature


def _expit(eta: FloatArray) -> FloatArray:
    """Probability of a logit; several times as fast as scipy's on many numbers."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(eta, -_CLIP, _CLIP))))


class _Target(NamedTuple):
    """Log posterior of draws up to a constant, and the cells' probabilities."""

    value: FloatArray
    surface: FloatArray
    here: FloatArray


def _log_target(
    data: PitCells,
    nodes: SurfaceGrid,
    design: FloatArray,
    theta: FloatArray,
    node: npt.NDArray[np.intp],
) -> _Target:
    """Likelihood and prior of coefficients drawn at rising nodes."""
    n_bakes, n_grates = data.n_bakes, data.n_grates
    z, beta = theta[:, :n_bakes], theta[:, n_bakes:]
    surface = np.empty((len(theta), design.shape[1]))
    for j, own in _runs(node, len(design)):
        surface[own] = beta[own] @ design[j].T
    spread = np.hypot(nodes.sd, nodes.amplitude)[node, None]
    value = nodes.log_prior[node]
    value = value - 0.5 * (z**2).sum(axis=1)
    value -= 0.5 * (beta[:, :-n_grates] ** 2).sum(axis=1)
    value += level_prior(beta[:, -n_grates:], spread).value.sum(axis=1)
    here = np.zeros_like(surface)
    for bake, effect in enumerate((nodes.sd[node, None] * z).T):
        eta = np.clip(surface + effect[:, None], -_CLIP, _CLIP)
        odds = np.exp(eta)
        value += eta @ data.y[bake] - np.log1p(odds) @ data.n[bake]
        here += odds / (1.0 + odds) / n_bakes
    return _Target(value, surface, here)


def _runs(node: npt.NDArray[np.intp], n_nodes: int) -> Iterator[tuple[int, slice]]:
    """Stretches of draws that belong to one node; ``node`` is rising."""
    starts = np.searchsorted(node, np.arange(n_nodes + 1))
    for j, (first, last) in enumerate(pairwise(starts)):
        if last > first:
            yield j, slice(int(first), int(last))


def draw_pit(
    data: PitCells,
    modes: PitModes,
    nodes: SurfaceGrid,
    share: FloatArray,
    points: FloatArray,
) -> PitDraws:
    """Weighted draws of a pit's surfaces, from the modes at the nodes of the grid.

    ``share`` is the share of the draws for each node, adding up to 1; ``points`` of
    shape (draws, bakes + columns) lie in the open unit cube. Bake effects and the shape
    of the surface are normal around the mode of the node, the levels of the grates
    t-distributed and a little wider, because their prior has heavier tails. Weights put
    right what that misses [1]_.

    References
    ----------
    .. [1] Owen AB, Monte Carlo theory, methods and examples, chapter 9.
    """
    from scipy.special import ndtri, stdtrit

    node = allot(share, len(points))
    e = ndtri(points)
    # The levels stand last, so that their spread alone decides about them.
    t = stdtrit(_TAIL_DF, points[:, -data.n_grates :])
    e[:, -data.n_grates :] = _WIDEN * t
    log_q = -0.5 * (e[:, : -data.n_grates] ** 2).sum(axis=1)
    log_q -= 0.5 * (_TAIL_DF + 1) * np.log1p(t**2 / _TAIL_DF).sum(axis=1)
    log_q += np.log(np.diagonal(modes.root, axis1=1, axis2=2)).sum(axis=1)[node]
    log_q += np.log(share)[node]
    theta = np.empty_like(e)
    for j, own in _runs(node, len(share)):
        theta[own] = modes.mode[j] + np.linalg.solve(modes.root[j].T, e[own].T).T
    target = _log_target(data, nodes, modes.design, theta, node)
    at_sd = nodes.at_sd[node]
    rate = np.empty_like(target.surface)
    for s, own in _runs(at_sd, nodes.bake_sd.size):
        rate[own] = long_run(target.surface[own], float(nodes.bake_sd[s]))
    return PitDraws(rate, target.here, at_sd, target.value - log_q)


def allot(share: FloatArray, n_draws: int) -> npt.NDArray[np.intp]:
    """Systematic sample: ``n_draws`` positions in rising order, by their shares."""
    total = np.cumsum(share)
    mark = (np.arange(n_draws) + 0.5) / n_draws * total[-1]
    return np.asarray(np.minimum(np.searchsorted(total, mark), share.size - 1))
