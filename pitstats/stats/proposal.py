"""Where the posterior of the bake model lies, and draws from an envelope of it.

At a few SDs of one pit at a time, the others held at a middling one, the mode and
curvature of the other parameters are found. Scores behind the SDs are drawn from the
evidence, pit by pit given the common level; the other parameters from a wide t
distribution whose centre and spread are put together from the pits' own shifts.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.effects import Effects, Likelihood, Scales, log_normal
from pitstats.stats.rate_prior import ReferenceGrid, prior_slope

SD_KNOTS = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5])
_FEW_KNOTS = np.array([0.0, 0.3, 0.6, 1.0, 1.6, 2.5])
_MIDDLING_SD = 0.6  # a knot of both
_FLOOR = 0.02
_LONGEST_STEP = 2.0
_STEPS = 12
_CLOSE = 1e-2  # gain in log density that an envelope need not follow
BASE_HEIGHT = 0.01
# With correlated scores the density at 0 itself may vanish.
AS_GOOD_AS_0, PEAK_SHARE = 0.05, 0.15
_LARGEST_LOG = 300.0
# Normal scores at which densities are tabulated; 6 in 100,000 lie outside.
_SCORES = np.linspace(-4.0, 4.0, 49)


class ModeGrid(NamedTuple):
    """Modes of the parameters on a grid of SDs.

    Attributes
    ----------
    sd : ndarray, shape (m,)
        Knots of the SD of one group of bakes, the other groups at the middling one.
    shared_sd : ndarray, shape (k,)
        Knots of the SD that all bakes share; a single 0 without such an effect.
    centre : ndarray, shape (k, groups, m, parameters)
        Modes.
    factor : ndarray, shape (k, groups, m, parameters, parameters)
        Lower Cholesky factors of the inverse curvatures.
    evidence : ndarray, shape (k, groups, m)
        Log of the Laplace evidence relative to its peak, prior of the SDs left out.
    """

    sd: FloatArray
    shared_sd: FloatArray
    centre: FloatArray
    factor: FloatArray
    evidence: FloatArray

    @property
    def middling(self) -> int:
        """Index of the SD at which other groups are held."""
        return int(np.argmin(abs(self.sd - _MIDDLING_SD)))

    @property
    def size(self) -> int:
        """As in `Source`."""
        return int(self.centre.shape[-1])

    @property
    def n_uniform(self) -> int:
        """As in `Source`: the shared SD, the common score, and one of each group."""
        return 2 + int(self.centre.shape[1])

    def draw(
        self, effects: Effects, uniform: FloatArray, t: FloatArray, scale: float
    ) -> ProposedDraws:
        """As in `Source`."""
        scales, level_sd, log_ratio = _draw_scales(self, effects, uniform)
        theta, spread = _place(self, scales, t, scale)
        return ProposedDraws(
            np.ascontiguousarray(theta.T), scales, level_sd, log_ratio + spread
        )

    def flat_at_zero(self, effects: Effects) -> npt.NDArray[np.bool_]:
        """As in `Source`."""
        tables = own_evidence(self, effects)
        kernel = _kernel(effects.rho)
        inner = tables @ kernel.T
        log_shared = self.evidence[:, 0, self.middling]
        log_shared = log_shared + effects.log_shared_prior(self.shared_sd)
        shared = np.exp(log_shared - log_shared.max())
        if len(shared) > 1:
            half = np.diff(self.shared_sd) / 2
            shared *= np.append(half, 0.0) + np.append(0.0, half)
        prior = np.exp(log_normal(_SCORES))
        sd = effects.prior.sd(_SCORES)
        found = np.empty(effects.n_groups, dtype=np.bool_)
        for g in range(effects.n_groups):
            others = prior * np.delete(inner, g, axis=1).prod(axis=1)
            own = (others @ kernel) / prior * tables[:, g]
            density = (shared @ own) * np.exp(effects.prior.log_density(sd))
            found[g] = np.interp(AS_GOOD_AS_0, sd, density) > PEAK_SHARE * density.max()
        return found


def find_grid(
    likelihood: Likelihood, layout: ReferenceGrid, effects: Effects, start: FloatArray
) -> ModeGrid:
    """Find the mode and curvature at every SD of the grid, all at once.

    ``layout`` holds the cells over which the rates, hence the prior, are defined;
    ``start`` is a first guess of the parameters.

    References
    ----------
    .. [1] Tierney L, Kadane JB (1986), Accurate approximations for posterior moments
       and marginal densities, Journal of the American Statistical Association
       81:82-86.
    """
    shared = effects.shared_knots
    knots = SD_KNOTS if len(shared) == 1 else _FEW_KNOTS
    sd, place = _one_at_a_time(knots, effects.n_groups)
    scales = Scales(np.tile(sd, len(shared)), np.repeat(shared, sd.shape[1]))
    theta, value, factor = climb(likelihood, layout, effects, start, scales)
    evidence = value + np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    rows = (np.arange(len(shared)) * sd.shape[1])[:, None, None] + place
    return ModeGrid(
        knots, shared, theta.T[rows], factor[rows], (evidence - evidence.max())[rows]
    )


def _one_at_a_time(
    knots: FloatArray, n_groups: int
) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """SDs of shape (groups, nodes), and the node of each group's knots."""
    middling = int(np.argmin(abs(knots - _MIDDLING_SD)))
    others = np.delete(np.arange(len(knots)), middling)
    sd = np.full((n_groups, 1 + n_groups * len(others)), knots[middling])
    place = np.zeros((n_groups, len(knots)), dtype=np.intp)
    for g in range(n_groups):
        nodes = 1 + g * len(others) + np.arange(len(others))
        sd[g, nodes] = knots[others]
        place[g, others] = nodes
    return sd, place


def climb(
    likelihood: Likelihood,
    layout: ReferenceGrid,
    effects: Effects,
    start: FloatArray,
    scales: Scales,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Modes, heights and Cholesky factors of inverse curvatures, by damped Newton."""
    n_nodes = len(scales.shared_sd)
    theta = np.repeat(start[:, None], n_nodes, axis=1)
    value, gradient, curvature = _height(likelihood, layout, effects, theta, scales)
    longest = np.full(n_nodes, _LONGEST_STEP)
    for _ in range(_STEPS):
        step = np.linalg.solve(curvature, gradient[..., None])[..., 0]
        if float((gradient * step).sum(axis=1).max()) < _CLOSE:
            break
        length = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, longest / np.maximum(length, 1e-12))[:, None]
        moved = theta + step.T
        reached = _height(likelihood, layout, effects, moved, scales)
        better = reached[0] >= value - 1e-6
        # Where the step went downhill, stay and try a shorter one.
        longest = np.where(better, _LONGEST_STEP, np.minimum(length, longest) / 4)
        theta = np.where(better, moved, theta)
        value = np.where(better, reached[0], value)
        gradient = np.where(better[:, None], reached[1], gradient)
        curvature = np.where(better[:, None, None], reached[2], curvature)
    return theta, value, np.linalg.cholesky(np.linalg.inv(curvature))


def _height(
    likelihood: Likelihood,
    layout: ReferenceGrid,
    effects: Effects,
    theta: FloatArray,
    scales: Scales,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log posterior given the SDs, gradient and floored curvature at each node."""
    value, gradient, information = likelihood.slope(
        theta, effects.of_bakes(scales), scales.shared_sd
    )
    prior, pull, bend = prior_slope(layout, theta, effects.total_sd(scales))
    curvature = information + bend
    curvature = (curvature + curvature.transpose(0, 2, 1)) / 2
    values, vectors = np.linalg.eigh(curvature)
    values = np.maximum(values, _FLOOR)
    floored = (vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1)
    return value + prior, gradient + pull, floored


class ProposedDraws(NamedTuple):
    """Draws from the envelope.

    Attributes
    ----------
    theta : ndarray, shape (parameters, draws)
        Intercepts, then slopes.
    scales : Scales
        Standard deviations.
    level_sd : ndarray, shape (draws,)
        SD of a group whose score is the common one.
    log_ratio : ndarray, shape (draws,)
        Log prior of the SDs less the log density of the proposal, up to one constant.
    """

    theta: FloatArray
    scales: Scales
    level_sd: FloatArray
    log_ratio: FloatArray


class Source(Protocol):
    """Where a posterior lies: what SDs and then the other parameters are drawn from."""

    @property
    def size(self) -> int:
        """Number of the other parameters."""

    @property
    def n_uniform(self) -> int:
        """Uniform coordinates that one draw of the SDs takes."""

    def draw(
        self, effects: Effects, uniform: FloatArray, t: FloatArray, scale: float
    ) -> ProposedDraws:
        """Turn points into draws; their ratio leaves out the density of the t."""

    def flat_at_zero(self, effects: Effects) -> npt.NDArray[np.bool_]:
        """Whether the density of each group's SD near 0 is above 15 % of its peak."""


def propose(
    source: Source,
    effects: Effects,
    n_draws: int,
    seed: int,
    *,
    df: float = 5.0,
    scale: float = 1.1,
) -> ProposedDraws:
    """Draw SDs from their evidence and the other parameters from a wide t.

    ``n_draws`` is a power of 2; ``seed`` scrambles the quasi-random points [1]_; the t
    has ``df`` degrees of freedom and is widened by ``scale``.

    References
    ----------
    .. [1] Owen AB (1998), Scrambling Sobol' and Niederreiter-Xing points, Journal of
       Complexity 14:466-489.
    """
    size = source.size
    uniform, t = _base_points(n_draws, source.n_uniform, size, seed, df)
    drawn = source.draw(effects, uniform, t, scale)
    tail = 0.5 * (df + size) * np.log1p((t**2).sum(axis=1) / df)
    return drawn._replace(log_ratio=drawn.log_ratio + tail)


@lru_cache(maxsize=8)
def _base_points(
    n_draws: int, n_uniform: int, size: int, seed: int, df: float
) -> tuple[FloatArray, FloatArray]:
    """Scrambled Sobol points: uniform coordinates and t variables."""
    from scipy.special import chdtri, ndtri
    from scipy.stats import qmc

    engine = qmc.Sobol(
        n_uniform + size + 1, scramble=True, seed=np.random.default_rng(seed)
    )
    points = engine.random_base2(int(np.log2(n_draws)))
    points = np.clip(points, 1e-10, 1 - 1e-10)
    widen = np.sqrt(df / chdtri(df, points[:, -1]))
    t = ndtri(points[:, n_uniform:-1]) * widen[:, None]
    uniform = np.ascontiguousarray(points[:, :n_uniform].T)
    t.flags.writeable = False
    uniform.flags.writeable = False
    return uniform, t


def _draw_scales(
    grid: ModeGrid, effects: Effects, uniform: FloatArray
) -> tuple[Scales, FloatArray, FloatArray]:
    """Draw the SDs from their evidence; also log prior less log density."""
    tables = own_evidence(grid, effects)
    levels = common_evidence(tables, effects)
    n_draws = uniform.shape[1]
    shared_sd: FloatArray = np.zeros(n_draws)
    log_ratio: FloatArray = np.zeros(n_draws)
    nearest = np.zeros(n_draws, dtype=np.intp)
    if len(grid.shared_sd) > 1:
        middling = grid.evidence[:, 0, grid.middling]
        log_prior = effects.log_shared_prior(grid.shared_sd)
        log_height = middling + log_prior + np.log(levels.sum(axis=1))
        height = np.exp(log_height - log_height.max())
        height += BASE_HEIGHT * height.max()
        shared_sd, density, segment, mix = draw_linear(
            grid.shared_sd, height[:, None], uniform[0]
        )
        log_ratio = effects.log_shared_prior(shared_sd) - np.log(density)
        nearest = segment + (mix > 0.5)
    score = np.zeros(n_draws)
    sd = np.empty((effects.n_groups, n_draws))
    for k in np.unique(nearest):
        own = np.flatnonzero(nearest == k)
        if effects.rho > 0:
            height = levels[k] + BASE_HEIGHT * np.exp(log_normal(_SCORES))
            score[own], density, _, _ = draw_linear(
                _SCORES, height[:, None], uniform[1, own]
            )
            log_ratio[own] += log_normal(score[own]) - np.log(density)
        for g in range(effects.n_groups):
            drawn, ratio = _draw_own(
                tables[k, g], effects.rho, score[own], uniform[2 + g, own]
            )
            sd[g, own] = effects.prior.sd(drawn)
            log_ratio[own] += ratio
    level_sd = effects.prior.sd(np.sqrt(effects.rho) * score)
    return Scales(sd, shared_sd), level_sd, log_ratio


def own_evidence(grid: ModeGrid, effects: Effects) -> FloatArray:
    """Evidence of each group at the scores tabulated, shape (k, groups, scores).

    Relative to the evidence with the group at the middling SD, unless the product over
    the groups would be too large a number.
    """
    middling = grid.evidence[:, :, grid.middling, None]
    log_evidence = grid.evidence - middling
    sd = effects.prior.sd(_SCORES)
    rows = log_evidence.reshape(-1, len(grid.sd))
    heights = np.reshape(
        [np.interp(sd, grid.sd, row) for row in rows],
        (*log_evidence.shape[:2], len(sd)),
    )
    top = heights.max(axis=(0, 2), keepdims=True)
    heights -= np.maximum(top - _LARGEST_LOG / effects.n_groups, 0.0)
    return np.asarray(np.exp(heights))


def common_evidence(tables: FloatArray, effects: Effects) -> FloatArray:
    """Posterior heights of the common score for each shared SD, shape (k, scores)."""
    heights = np.exp(log_normal(_SCORES)) * (_SCORES[1] - _SCORES[0])
    kernel = _kernel(effects.rho)
    return np.asarray(heights * (tables @ kernel.T).prod(axis=1))


def _kernel(rho: float) -> FloatArray:
    """Density of a group's score given the common one, rows normalized."""
    away = (_SCORES - np.sqrt(rho) * _SCORES[:, None]) / np.sqrt(1 - rho)
    kernel = np.exp(log_normal(away))
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True))


def _draw_own(
    table: FloatArray, rho: float, score: FloatArray, uniform: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Scores of one group given the common ones; also log prior less log density."""
    share = np.sqrt(1 - rho)
    away = _SCORES[::2]
    at = (np.sqrt(rho) * score)[:, None] + share * away
    height = np.interp(at, _SCORES, table + BASE_HEIGHT * table.max())
    height *= np.exp(log_normal(away))
    drawn, density, _, _ = draw_linear(away, np.ascontiguousarray(height.T), uniform)
    return np.sqrt(rho) * score + share * drawn, log_normal(drawn) - np.log(density)


def draw_linear(
    knots: FloatArray, heights: FloatArray, uniform: FloatArray
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp], FloatArray]:
    """Draw from piecewise linear densities by inverting the distribution function.

    Heights have shape (knots, 1) or (knots, draws). Returns the draws, their density,
    the segment and the place within it, 0 to 1.
    """
    widths = np.diff(knots)
    area = 0.5 * (heights[1:] + heights[:-1]) * widths[:, None]
    # Row by row: `np.cumsum` down the columns takes ten times as long.
    upto = area.copy()
    for before, row in pairwise(upto):
        row += before
    target = uniform * upto[-1]
    segment = (upto[:-1] < target).sum(axis=0)
    line = np.arange(len(uniform)) if heights.shape[1] > 1 else np.zeros(1, np.intp)
    left, right = heights[segment, line], heights[segment + 1, line]
    width = widths[segment]
    rest = np.maximum(target - (upto[segment, line] - area[segment, line]), 0.0)
    rise = (right - left) / width
    inside = 2 * rest / (left + np.sqrt(np.maximum(left**2 + 2 * rise * rest, 0.0)))
    inside = np.minimum(inside, width)
    density = (left + rise * inside) / upto[-1, line]
    return knots[segment] + inside, density, segment, inside / width


def _place(
    grid: ModeGrid, scales: Scales, t: FloatArray, scale: float
) -> tuple[FloatArray, FloatArray]:
    """Parameters at the draws' SDs, shape (draws, parameters); log determinants.

    Shifts of the centre, and of the factor (of its diagonal in logs), add up over the
    groups of bakes.
    """
    n_draws, size = t.shape
    lower = np.tril_indices(size)
    diagonal = np.flatnonzero(lower[0] == lower[1])
    factor = grid.factor[..., lower[0], lower[1]]
    factor[..., diagonal] = np.log(factor[..., diagonal])
    table = np.concatenate([grid.centre, factor], axis=-1)
    middling = table[:, 0, grid.middling]
    away = table - middling[:, None, None]
    across = _hat_weights(grid.shared_sd, scales.shared_sd)
    found = across @ middling
    for g, sd in enumerate(scales.sd):
        along = _hat_weights(grid.sd, sd)
        both = (across[:, :, None] * along[:, None, :]).reshape(n_draws, -1)
        found += both @ away[:, g].reshape(both.shape[1], -1)
    theta = found[:, :size]
    entries = found[:, size:]
    spread = entries[:, diagonal].sum(axis=1)
    entries[:, diagonal] = np.exp(entries[:, diagonal])
    matrix = np.zeros((n_draws, size, size))
    matrix[:, lower[0], lower[1]] = entries
    return theta + scale * np.matmul(matrix, t[..., None])[..., 0], spread


def _hat_weights(knots: FloatArray, at: FloatArray) -> FloatArray:
    """Weights of linear interpolation between knots, shape (draws, knots)."""
    weights = np.zeros((len(at), len(knots)))
    if len(knots) == 1:
        return weights + 1.0
    left = np.clip(np.searchsorted(knots, at) - 1, 0, len(knots) - 2)
    mix = (at - knots[left]) / np.diff(knots)[left]
    rows = np.arange(len(at))
    weights[rows, left] = 1 - mix
    weights[rows, left + 1] = mix
    return weights
