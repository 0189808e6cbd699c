"""The grid on which rates of bakes are worked out, and one bake's likelihood on it.

A pit's long-run burn rate ``pi`` and the bake-to-bake standard deviation ``sd`` (logit
scale) are put on a fixed grid. Everything here depends on the design alone (how many
bakes of which size), never on what burned, so that a planned study and a real one of
the same design share the grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.quadrature import normal_nodes
from pitstats.stats.spread_prior import SD_LIMIT

Array = NDArray[np.float64]

_RATE_STEPS = (64, 96, 128, 192, 256, 384, 512, 768, 1024, 1536, 2048, 3072, 4096)
_SD_STEPS = (16, 20, 24, 32, 48, 64, 96, 128, 192, 256)
_NODES = 20


@dataclass(frozen=True, eq=False)
class RateGrid:
    """Grid of long-run rates and bake standard deviations.

    Attributes
    ----------
    angle_step : float
        Width of a cell in ``arcsin(sqrt(rate))``; the Beta(1/2, 1/2) prior is uniform
        in that angle, so every cell has the same prior mass.
    rate : ndarray, shape (n_rates,)
        Rate at the middle of each cell.
    edge : ndarray, shape (n_rates + 1,)
        Rate at the cell borders, 0 and 1 included.
    sd : ndarray, shape (n_sds,)
        Bake standard deviations, Gauss-Legendre nodes in ``arcsinh(sd / scale)``.
    sd_weight : ndarray, shape (n_sds,)
        Quadrature weights: they integrate over ``sd`` from 0 to `SD_LIMIT`.
    intercept : ndarray, shape (n_sds, n_rates)
        Logit intercept at which bakes of spread ``sd`` average to ``rate``.
    fine_sd : ndarray, shape (201,)
        Standard deviations in even steps from 0 to `SD_LIMIT`, for the posterior of
        the spread itself.
    to_fine : ndarray, shape (n_fine, n_sds)
        Interpolation (of log densities) from ``sd`` to ``fine_sd``.
    """

    angle_step: float
    rate: Array
    edge: Array
    sd: Array
    sd_weight: Array
    intercept: Array
    fine_sd: Array
    to_fine: Array

    @property
    def shape(self) -> tuple[int, int]:
        """Number of standard deviations and of rates."""
        return self.sd.size, self.rate.size


def grid_for(total: Array, pit: NDArray[np.intp]) -> RateGrid:
    """Choose the grid for a design: finer when pits have many items or many bakes.

    ``total`` and ``pit`` hold the graded items and the pit of each bake. With the
    spread known, the angle ``arcsin(sqrt(rate))`` of a pit with ``N`` items has a
    posterior standard deviation of at least ``1 / (2 sqrt(N))``; cells are at most 0.9
    of that. The spread has at least ``sqrt(sd**2 + 4 / n) / sqrt(2 df)``.
    """
    per_pit = np.bincount(pit, weights=total)
    n_rates = _at_least(_RATE_STEPS, 3.5 * math.sqrt(float(per_pit.max(initial=1.0))))
    bakes = np.bincount(pit[total > 0]) if np.any(total > 0) else np.zeros(1)
    df = float(np.maximum(bakes - 1, 0).sum())
    level = max(1, math.ceil(math.log(max(float(total.max(initial=1.0)), 4.0), 4)))
    scale = 2.0 / 2.0 ** max(level, 2)
    span = math.asinh(SD_LIMIT / scale)
    n_sds = _at_least(_SD_STEPS, 0.9 * span * math.sqrt(2.0 * df))
    return rate_grid(n_rates, n_sds, scale)


def _at_least(steps: tuple[int, ...], wanted: float) -> int:
    return next((step for step in steps if step >= wanted), steps[-1])


@lru_cache(maxsize=16)
def rate_grid(n_rates: int, n_sds: int, scale: float) -> RateGrid:
    """Build (once per process) the grid with these numbers of steps, ``n_rates`` even.

    Nodes of the standard deviation lie evenly below ``scale`` (logit scale) and spread
    out in proportion above it.
    """
    step = math.pi / 2 / n_rates
    rate = np.sin((np.arange(n_rates) + 0.5) * step) ** 2
    rate[n_rates // 2 :] = 1.0 - rate[n_rates // 2 - 1 :: -1]
    edge = np.sin(np.arange(n_rates + 1) * step) ** 2
    edge[-1] = 1.0
    nodes, weights = np.polynomial.legendre.leggauss(n_sds)
    span = math.asinh(SD_LIMIT / scale)
    stretched = span * (nodes + 1) / 2
    sd = scale * np.sinh(stretched)
    sd_weight = weights * span / 2 * scale * np.cosh(stretched)
    lower = marginal_intercept(rate[: n_rates // 2], sd[:, None])
    fine_sd = np.linspace(0.0, SD_LIMIT, 201)
    fine = 2.0 * np.arcsinh(fine_sd / scale) / span - 1.0
    return RateGrid(
        angle_step=step,
        rate=rate,
        edge=edge,
        sd=sd,
        sd_weight=sd_weight,
        intercept=np.concatenate([lower, -lower[:, ::-1]], axis=1),
        fine_sd=fine_sd,
        to_fine=local_interpolation(nodes, fine),
    )


def local_interpolation(nodes: Array, at: Array, width: int = 6) -> Array:
    """Matrix that carries values at nodes to other places: polynomials through a few.

    Few nodes each, so that a corner of the function stays where it is.
    """
    first = np.searchsorted(nodes, at) - width // 2
    near = np.clip(first, 0, nodes.size - width)[:, None] + np.arange(width)
    x = nodes[near]
    weight = np.ones_like(x)
    for k in range(width):
        for other in range(width):
            if other != k:
                weight[:, k] *= (at - x[:, other]) / (x[:, k] - x[:, other])
    matrix = np.zeros((at.size, nodes.size))
    np.put_along_axis(matrix, near, weight, axis=1)
    return matrix


def bake_loglik(grid: RateGrid, burned: int, total: int) -> Array:
    """Log-likelihood of one bake at every point of the grid, up to a constant.

    The binomial likelihood is averaged over the bake effect. Where the spread is small
    beside the width of that likelihood the average is a Gauss-Hermite sum around the
    intercept; elsewhere a sum over evenly spaced logits that cover the likelihood,
    which works alike for 1 and for 1,000 items.
    """
    if total == 0:
        return np.zeros(grid.shape)
    width = 1.0 / math.sqrt(burned * (total - burned) / total + 0.5)
    small = int(np.searchsorted(grid.sd, 0.7 * width))
    value = np.empty(grid.shape)
    value[:small] = _hermite_average(grid, burned, total, slice(0, small))
    value[small:] = _logit_average(grid, burned, total, width, slice(small, None))
    return np.log(np.maximum(value, 1e-300))


def _relative_likelihood(eta: Array, softplus: Array, burned: int, total: int) -> Array:
    """Binomial likelihood over its maximum, at logits ``eta``."""
    peak = sum(x * math.log(x / total) for x in (burned, total - burned) if x)
    return np.asarray(np.exp(burned * eta - total * softplus - peak))


@lru_cache(maxsize=4)
def _hermite_logits(grid: RateGrid) -> tuple[Array, Array]:
    """Logits at the Gauss-Hermite nodes of every grid point, and ``log(1 + exp)``."""
    eta = grid.intercept[:, :, None] + grid.sd[:, None, None] * normal_nodes(_NODES)[0]
    return eta, np.logaddexp(0.0, eta)


def _hermite_average(grid: RateGrid, burned: int, total: int, rows: slice) -> Array:
    eta, softplus = _hermite_logits(grid)
    value = _relative_likelihood(eta[rows], softplus[rows], burned, total)
    return np.asarray(value @ normal_nodes(_NODES)[1])


def _logit_average(
    grid: RateGrid, burned: int, total: int, width: float, rows: slice
) -> Array:
    eta, step = _covering_logits(burned, total, width)
    value = _relative_likelihood(eta, np.logaddexp(0.0, eta), burned, total)
    intercept, sd = grid.intercept[rows], grid.sd[rows, None]
    whole: Array | float = 0.0
    if burned in (0, total):
        # The likelihood has one flat side: take a normal distribution function of
        # about the same place and width off it, whose average is known exactly.
        sign = 1.0 if burned == 0 else -1.0
        place = -sign * (math.log(total) + 0.577)
        value = value - ndtr(sign * (place - eta) / 1.28)
        whole = ndtr(sign * (place - intercept) / np.sqrt(1.28**2 + sd**2))
    kernel = np.exp(-0.5 * ((eta - intercept[:, :, None]) / sd[:, :, None]) ** 2)
    return np.asarray(kernel @ value * (step / math.sqrt(2 * math.pi)) / sd + whole)


def _covering_logits(burned: int, total: int, width: float) -> tuple[Array, float]:
    """Evenly spaced logits that cover where the likelihood is not flat or nought."""
    low = _reach(burned, total)
    high = -_reach(total - burned, total)
    if burned == 0:
        high = max(high, -math.log(total) + 8.0)
    if burned == total:
        low = min(low, math.log(total) - 8.0)
    count = math.ceil((high - low) / min(0.65 * width, 0.5)) + 1
    eta, step = np.linspace(low, high, count, retstep=True)
    return eta, float(step)


def _reach(events: int, total: int) -> float:
    """Logit below which the likelihood of ``events`` of ``total`` is negligible."""
    drop = 17.0
    if events == 0:
        return -math.log(total) - drop
    share = min(events / total, 1 - 0.5 / total)
    high = math.log(share / (1 - share))
    best = events * high - total * _softplus(high)
    low = high - drop / events - 40.0
    for _ in range(30):
        mid = 0.5 * (low + high)
        if events * mid - total * _softplus(mid) < best - drop:
            low = mid
        else:
            high = mid
    return low


def _softplus(x: float) -> float:
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))
