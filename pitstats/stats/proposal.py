"""Where the posterior of the bake model lies, and draws from an envelope of it.

At each of a few bake SDs (and session SDs) the mode and curvature of the other
parameters are found; draws come from a wide t distribution whose centre and spread
are interpolated between them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.bake_likelihood import BakeData, likelihood_slope
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.rate_prior import ReferenceGrid, log_session_prior, prior_slope

SD_GRID = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5])
SESSION_GRID = np.array([0.0, 0.3, 0.6, 1.0, 1.6, 2.5])
_FLOOR = 0.02
_LONGEST_STEP = 2.0
_STEPS = 12
_BASE_HEIGHT = 0.01


class ModeGrid(NamedTuple):
    """Modes of the parameters on a grid of SDs.

    Attributes
    ----------
    sd : ndarray, shape (m,)
        Bake SDs of the grid.
    session_sd : ndarray, shape (k,)
        Session SDs; a single 0 without session effect.
    centre : ndarray, shape (m, k, parameters)
        Modes.
    factor : ndarray, shape (m, k, parameters, parameters)
        Lower Cholesky factors of the inverse curvatures.
    height : ndarray, shape (m, k)
        Laplace evidence relative to its peak, without the floor of the proposal.
    """

    sd: FloatArray
    session_sd: FloatArray
    centre: FloatArray
    factor: FloatArray
    height: FloatArray


def find_grid(data: BakeData, layout: ReferenceGrid, start: FloatArray) -> ModeGrid:
    """Find the mode and curvature at every SD of the grid, all at once.

    Parameters
    ----------
    data : BakeData
        Items.
    layout : ReferenceGrid
        Cells over which the rates, hence the prior, are defined.
    start : ndarray, shape (parameters,)
        First guess.

    Returns
    -------
    ModeGrid

    References
    ----------
    .. [1] Tierney L, Kadane JB (1986), Accurate approximations for posterior moments
       and marginal densities, Journal of the American Statistical Association
       81:82-86.
    """
    blocked = len(data.session) > 0
    sd_knots = SESSION_GRID if blocked else SD_GRID
    session_knots = SESSION_GRID if blocked else np.zeros(1)
    sd = np.repeat(sd_knots, len(session_knots))
    session_sd = np.tile(session_knots, len(sd_knots))
    theta = np.repeat(start[:, None], len(sd), axis=1)
    value, gradient, curvature = _height(data, layout, theta, sd, session_sd)
    longest = np.full(len(sd), _LONGEST_STEP)
    for _ in range(_STEPS):
        step = np.linalg.solve(curvature, gradient[..., None])[..., 0]
        if float((gradient * step).sum(axis=1).max()) < 1e-3:
            break
        length = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, longest / np.maximum(length, 1e-12))[:, None]
        moved = theta + step.T
        reached = _height(data, layout, moved, sd, session_sd)
        better = reached[0] >= value - 1e-6
        # Where the step went downhill, stay and try a shorter one.
        longest = np.where(better, _LONGEST_STEP, np.minimum(length, longest) / 4)
        theta = np.where(better, moved, theta)
        value = np.where(better, reached[0], value)
        gradient = np.where(better[:, None], reached[1], gradient)
        curvature = np.where(better[:, None, None], reached[2], curvature)
    factor = np.linalg.cholesky(np.linalg.inv(curvature))
    evidence = value + log_session_prior(session_sd)
    evidence += np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    shape = (len(sd_knots), len(session_knots))
    size = len(start)
    return ModeGrid(
        sd_knots,
        session_knots,
        np.ascontiguousarray(theta.T).reshape(*shape, size),
        factor.reshape(*shape, size, size),
        np.exp(evidence - evidence.max()).reshape(shape),
    )


def _height(
    data: BakeData,
    layout: ReferenceGrid,
    theta: FloatArray,
    sd: FloatArray,
    session_sd: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log posterior, gradient and floored curvature at each SD."""
    value, gradient, information = likelihood_slope(data, theta, sd, session_sd)
    total_sd = np.sqrt(sd**2 + session_sd**2)
    prior, pull, bend = prior_slope(layout, theta, total_sd)
    curvature = information + bend
    curvature = (curvature + curvature.transpose(0, 2, 1)) / 2
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(values, _FLOOR)
    floored = (vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1)
    return value + prior, gradient + pull, floored


class ProposedDraws(NamedTuple):
    """Draws from the envelope with their log density.

    Attributes
    ----------
    theta : ndarray, shape (parameters, draws)
        Intercepts, then slopes.
    sd, session_sd : ndarray, shape (draws,)
        Standard deviations.
    log_density : ndarray, shape (draws,)
        Log density of the proposal, up to one constant.
    """

    theta: FloatArray
    sd: FloatArray
    session_sd: FloatArray
    log_density: FloatArray


def propose(
    grid: ModeGrid, n_draws: int, seed: int, df: float, scale: float
) -> ProposedDraws:
    """Draw SDs from the evidence and the other parameters from a wide t.

    Parameters
    ----------
    grid : ModeGrid
        Modes and curvatures.
    n_draws : int
        A power of 2.
    seed : int
        Scrambles the quasi-random points.
    df, scale : float
        Degrees of freedom of the t and the factor by which it is widened.

    Returns
    -------
    ProposedDraws

    References
    ----------
    .. [1] Owen AB (1998), Scrambling Sobol' and Niederreiter-Xing points, Journal of
       Complexity 14:466-489.
    """
    size = grid.centre.shape[-1]
    blocked = len(grid.session_sd) > 1
    uniform, t = _base_points(n_draws, size, seed, df)
    height = grid.height + _BASE_HEIGHT
    session_sd: FloatArray = np.zeros(n_draws)
    if blocked:
        widths = np.diff(grid.session_sd)
        marginal = (0.5 * (height[:, 1:] + height[:, :-1]) * widths).sum(axis=1)
        sd, _, row, mix = _draw_linear(grid.sd, marginal[None], uniform[:, 0])
        local = height[row]
        local += mix[:, None] * (height[row + 1] - local)
        session_sd, density, column, across = _draw_linear(
            grid.session_sd, local, uniform[:, 1]
        )
        knots = _around(row, mix, column, across, len(grid.session_sd))
    else:
        sd, density, row, mix = _draw_linear(grid.sd, height.T, uniform[:, 0])
        knots = _Knots(row, ((0, 1 - mix), (1, mix)))
    factor = grid.factor.reshape(-1, size, size)
    theta = _at_knots(grid.centre.reshape(-1, size), knots)
    theta += scale * _transformed(factor, t, knots)
    spread = _at_knots(np.diagonal(factor, axis1=1, axis2=2), knots)
    spread = np.log(spread).sum(axis=1)
    tail = 0.5 * (df + size) * np.log1p((t**2).sum(axis=1) / df)
    log_density = np.log(density) - spread - tail
    return ProposedDraws(np.ascontiguousarray(theta.T), sd, session_sd, log_density)


@lru_cache(maxsize=8)
def _base_points(
    n_draws: int, size: int, seed: int, df: float
) -> tuple[FloatArray, FloatArray]:
    """Scrambled Sobol points: two uniform coordinates and t variables."""
    from scipy.special import chdtri, ndtri
    from scipy.stats import qmc

    engine = qmc.Sobol(size + 3, scramble=True, seed=np.random.default_rng(seed))
    points = engine.random_base2(int(np.log2(n_draws)))
    points = np.clip(points, 1e-10, 1 - 1e-10)
    widen = np.sqrt(df / chdtri(df, points[:, -1]))
    t = ndtri(points[:, 2:-1]) * widen[:, None]
    uniform = points[:, :2]
    t.flags.writeable = False
    uniform.flags.writeable = False
    return uniform, t


def _draw_linear(
    knots: FloatArray, heights: FloatArray, uniform: FloatArray
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp], FloatArray]:
    """Draw from piecewise linear densities by inverting the distribution function.

    Heights have shape (1, knots) or (draws, knots). Returns the draws, their height
    (not normalized over the first kind, so that heights of a bilinear density come
    out), the segment and the place within it, 0 to 1.
    """
    widths = np.diff(knots)
    area = 0.5 * (heights[:, 1:] + heights[:, :-1]) * widths
    upto = np.cumsum(area, axis=1)
    target = uniform * upto[:, -1]
    last = len(widths) - 1
    segment = np.minimum((upto[:, :-1] < target[:, None]).sum(axis=1), last)
    line = np.arange(len(uniform)) if len(heights) > 1 else np.zeros(1, dtype=np.intp)
    left, right = heights[line, segment], heights[line, segment + 1]
    width = widths[segment]
    rest = np.maximum(target - (upto[line, segment] - area[line, segment]), 0.0)
    rise = (right - left) / width
    inside = 2 * rest / (left + np.sqrt(np.maximum(left**2 + 2 * rise * rest, 0.0)))
    inside = np.minimum(inside, width)
    return knots[segment] + inside, left + rise * inside, segment, inside / width


class _Knots(NamedTuple):
    """Where draws lie among knots: the first one of each, and those around it.

    Attributes
    ----------
    first : ndarray of int, shape (draws,)
        Row of the table of knots.
    around : tuple of (int, ndarray)
        How many rows further a knot is, and its share in each draw.
    """

    first: npt.NDArray[np.intp]
    around: tuple[tuple[int, FloatArray], ...]


def _around(
    row: npt.NDArray[np.intp],
    mix: FloatArray,
    column: npt.NDArray[np.intp],
    across: FloatArray,
    n_columns: int,
) -> _Knots:
    """Four knots around each draw, of a grid whose rows are counted through."""
    return _Knots(
        row * n_columns + column,
        (
            (0, (1 - mix) * (1 - across)),
            (n_columns, mix * (1 - across)),
            (1, (1 - mix) * across),
            (n_columns + 1, mix * across),
        ),
    )


def _at_knots(values: FloatArray, knots: _Knots) -> FloatArray:
    """Interpolate a table of shape (knots, size), one row per draw."""
    return np.asarray(
        sum(
            share[:, None] * values[knots.first + further]
            for further, share in knots.around
        )
    )


def _transformed(factor: FloatArray, t: FloatArray, knots: _Knots) -> FloatArray:
    """Multiply each draw by its own interpolated matrix.

    Draws between the same knots go through the same few matrices together; a matrix
    for each draw would have to be looked up and kept.
    """
    order = np.argsort(knots.first, kind="stable")
    starts = np.flatnonzero(np.diff(knots.first[order], prepend=-1))
    result = np.empty_like(t)
    for own in np.split(order, starts[1:]):
        first = knots.first[own[0]]
        result[own] = sum(
            share[own, None] * (t[own] @ factor[first + further].T)
            for further, share in knots.around
        )
    return result
