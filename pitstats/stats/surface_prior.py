"""What a smooth surface over grates is before any bake: nodes, bases and priors.

A grate's surface on the logit scale is a level of its own plus a Gaussian process over
the real distances between its cells. How strongly it varies and how far apart cells
still resemble each other are unknown; both, and the bake SD, run over a small grid.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.marginal import marginal_rate
from pitstats.stats.quadrature import normal_nodes
from pitstats.stats.spread_prior import SD_LIMIT

BAKE_SD = np.array([0.0, 0.3, 0.6, 0.95, 1.35, 1.85, SD_LIMIT])
# SD of the surface around its level, logit scale: 0 is a flat grate, 4 means cells that
# nearly all burn beside cells that hardly do.
AMPLITUDE = np.array([0.0, 0.5, 1.0, 1.7, 2.7, 4.0])
# Range of the resemblance, as a share of the grate's longer side.
RANGES = np.array([0.15, 0.3, 0.7])
_AMPLITUDE_MEAN = 1.5
_KEPT_VARIANCE = 0.99
_WIDEST_BASIS = 48
# Nodes must be closer than the logistic curve is wide even at the largest spread, or
# the prior of a level has ripples on which Newton's method walks in circles.
_RATE_NODES = 51
_TABLE = np.linspace(-25.0, 25.0, 1001)


class SurfaceGrid(NamedTuple):
    """Grid over the unknown settings of the surface.

    Attributes
    ----------
    bake_sd, ranges : ndarray
        Axes of the grid; the first is rising.
    sd, amplitude : ndarray, shape (nodes,)
        Bake SD and SD of the surface at each node, logit scale.
    reach, at_sd : ndarray of int, shape (nodes,)
        Positions of the node in ``ranges`` and ``bake_sd``.
    log_prior : ndarray, shape (nodes,)
        Log prior probability of amplitude and range, given the bake SD.
    log_sd_prior : ndarray, shape (bake SDs,)
        Log prior probability of each bake SD, which all pits share.
    """

    bake_sd: FloatArray
    ranges: FloatArray
    sd: FloatArray
    amplitude: FloatArray
    reach: npt.NDArray[np.intp]
    at_sd: npt.NDArray[np.intp]
    log_prior: FloatArray
    log_sd_prior: FloatArray


def surface_nodes(
    bake_sd: npt.ArrayLike = BAKE_SD,
    amplitude: npt.ArrayLike = AMPLITUDE,
    ranges: npt.ArrayLike = RANGES,
) -> SurfaceGrid:
    """Grid of bake SD, amplitude and range with their prior.

    Parameters
    ----------
    bake_sd, amplitude, ranges : array_like of float
        Rising values to combine. An amplitude of 0 needs no range and gets one node.

    Returns
    -------
    SurfaceGrid

    Notes
    -----
    The bake SD is uniform over its axis, as in `bake_rates`. The amplitude has an
    exponential prior with mean 1.5, which keeps a flat grate within reach unless the
    bakes speak against it [1]_; all ranges are equally likely.

    References
    ----------
    .. [1] Simpson D, Rue H, Riebler A, Martins TG, Sorbye SH (2017), Penalising model
       component complexity, Statistical Science 32:1-28.

    Examples
    --------
    >>> surface_nodes([0.0, 1.0], [0.0, 2.0], [0.3, 0.6]).amplitude
    array([0., 2., 2., 0., 2., 2.])
    """
    sds, heights, reaches = (
        np.atleast_1d(np.asarray(axis, dtype=float))
        for axis in (bake_sd, amplitude, ranges)
    )
    share = _trapezoid_weights(heights) * np.exp(-heights / _AMPLITUDE_MEAN)
    share /= share.sum()
    inner: list[tuple[int, int, float]] = []
    for a, height in enumerate(heights):
        kinds = 1 if height == 0 else reaches.size
        inner += [(a, r, float(np.log(share[a] / kinds))) for r in range(kinds)]
    at_sd = np.repeat(np.arange(sds.size), len(inner))
    position = np.tile([row[0] for row in inner], sds.size)
    return SurfaceGrid(
        sds,
        reaches,
        sds[at_sd],
        heights[position],
        np.tile([row[1] for row in inner], sds.size),
        at_sd,
        np.tile([row[2] for row in inner], sds.size),
        np.log(_trapezoid_weights(sds)),
    )


def _trapezoid_weights(points: FloatArray) -> FloatArray:
    """Share of an interval that each of its rising points stands for."""
    if points.size == 1:
        return np.ones(1)
    half = np.diff(points) / 2
    weight = np.append(half, 0.0) + np.append(0.0, half)
    return np.asarray(weight / weight.sum())


def matern_correlation(distance: FloatArray, reach: float) -> FloatArray:
    """Matern correlation of smoothness 3/2: (1 + a) exp(-a), a = sqrt(3) d / reach.

    References
    ----------
    .. [1] Rasmussen CE, Williams CKI (2006), Gaussian Processes for Machine Learning,
       MIT Press, equation 4.17.

    Examples
    --------
    >>> matern_correlation(np.array([0.0, 1.0]), 1.0).round(4)
    array([1.    , 0.4834])
    """
    scaled = np.sqrt(3.0) * np.asarray(distance) / reach
    return np.asarray((1.0 + scaled) * np.exp(-scaled))


def surface_bases(
    place: FloatArray, grate: npt.NDArray[np.intp], ranges: FloatArray
) -> FloatArray:
    """Low-rank bases of a surface with SD 1, one for each range.

    Of shape (ranges, cells, columns): weighted eigenvectors of the Matern correlation
    (Karhunen-Loeve expansion): as many as keep 99 % of the variance at the shortest
    range, at most 48. Rows are scaled back to variance 1. ``place`` holds the centers
    of the cells in one real unit, ``ranges`` shares of the grate's longer side; cells
    of different grates do not resemble each other beyond the bakes they share.
    """
    from scipy.spatial.distance import cdist

    apart = np.full((grate.size, grate.size), np.nan)
    for code in np.unique(grate):
        own = np.flatnonzero(grate == code)
        apart[np.ix_(own, own)] = cdist(place[own], place[own]) / _longer_side(
            place[own]
        )
    found = []
    for reach in ranges:
        correlation = np.nan_to_num(matern_correlation(apart, float(reach)))
        value, vector = np.linalg.eigh(correlation)
        found.append((value[::-1].clip(0.0), vector[:, ::-1]))
    needed = max(
        int(np.searchsorted(np.cumsum(value), _KEPT_VARIANCE * value.sum())) + 1
        for value, _ in found
    )
    kept = min(needed, _WIDEST_BASIS, grate.size)
    bases = np.stack([v[:, :kept] * np.sqrt(e[:kept]) for e, v in found])
    size = np.sqrt((bases**2).sum(axis=2, keepdims=True))
    return np.asarray(bases / np.where(size > 0, size, 1.0))


def _longer_side(place: FloatArray) -> float:
    """Longer side of a grate, from its cells' centers and the steps between them."""
    sides = []
    for along in place.T:
        step = np.diff(np.unique(along.round(9)))
        sides.append(float(np.ptp(along)) + float(step.min(initial=np.inf)))
    known = [side for side in sides if np.isfinite(side)]
    return max(known, default=1.0)


class LevelPrior(NamedTuple):
    """Log prior density of a grate's level with its first two derivatives."""

    value: FloatArray
    gradient: FloatArray
    curvature: FloatArray


def level_prior(level: FloatArray, spread: FloatArray) -> LevelPrior:
    """Prior of a grate's level: its long-run rate is Beta(1/2, 1/2).

    ``level`` has shape (nodes, grates), ``spread``, the SD of bakes and surface
    together, shape (nodes, 1): the rate is averaged over both. Density on the logit
    scale up to a constant that does not depend on ``spread``; ``curvature`` is minus
    the second derivative, approximated from below by 0.
    """
    z, weight = normal_nodes(_RATE_NODES)
    eta = level[..., None] + spread[..., None] * z
    p = 1.0 / (1.0 + np.exp(-np.clip(eta, -30.0, 30.0)))
    q = p * (1.0 - p)
    rate, rise = p @ weight, q @ weight
    bend = (q * (1.0 - 2.0 * p)) @ weight
    inside = rate * (1.0 - rate)
    value = np.log(rise) - 0.5 * np.log(inside)
    gradient = bend / rise - 0.5 * (1.0 - 2.0 * rate) * rise / inside
    return LevelPrior(value, gradient, rise**2 / inside)


@lru_cache(maxsize=16)
def _rate_table(sd: float) -> FloatArray:
    return marginal_rate(_TABLE, sd)


def long_run(logit: FloatArray, sd: float) -> FloatArray:
    """Probability averaged over bakes, read off a fine table (error below 1e-4)."""
    return np.asarray(np.interp(logit, _TABLE, _rate_table(sd)))
