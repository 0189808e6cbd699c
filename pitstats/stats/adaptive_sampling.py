"""Weighted draws from a smooth density known up to a constant.

Start at the mode, widen to a t distribution, move and reshape it twice by its own
weighted draws, then draw in earnest. Densities are worked out for many points at once.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.weighted_draws import (
    FEWEST_EFFECTIVE,
    effective_draws,
    truncated_weights,
)

LogDensity = Callable[[FloatArray], FloatArray]

_ROUNDS = 2
_ROUND_DRAWS = 2048
_DF = 8.0
_WIDER = 1.2
_REDO = (3.0, 1.4)
_STEP = 0.02
_FLOOR = 0.05
_NEWTON_STEPS = 30
_SHORTENED = np.array([1.0, 0.5, 0.25, 0.1, 0.03, 0.01])


class AdaptedDraws(NamedTuple):
    """Weighted draws.

    Attributes
    ----------
    points : ndarray, shape (dimensions, draws)
        Draws.
    weights : ndarray, shape (draws,)
        Weights that add up to 1.
    log_weight : ndarray, shape (draws,)
        Log weights before truncation, up to a constant.
    retried : bool
        Whether a second, wider round was needed.
    """

    points: FloatArray
    weights: FloatArray
    log_weight: FloatArray
    retried: bool


class _Envelope(NamedTuple):
    """Centre and scale of a t distribution."""

    centre: FloatArray
    factor: FloatArray


def sample_adaptively(
    log_density: LogDensity,
    start: FloatArray,
    n_draws: int,
    seed: int,
    *,
    round_draws: int = _ROUND_DRAWS,
) -> AdaptedDraws:
    """Draw from a density by importance sampling from an envelope fitted to it.

    ``log_density`` takes points of shape (dimensions, draws), up to a constant, is
    finite everywhere and has coordinates of size about 1; ``start`` is a first guess of
    its mode. ``n_draws`` and ``round_draws`` (draws that move and reshape the envelope,
    each time) are powers of 2; four times as many are made from a wider envelope when
    fewer than 200 would be effective.

    References
    ----------
    .. [1] Cappe O, Guillin A, Marin JM, Robert CP (2004), Population Monte Carlo,
       Journal of Computational and Graphical Statistics 13:907-929.
    .. [2] Del Moral P, Doucet A, Jasra A (2006), Sequential Monte Carlo samplers,
       Journal of the Royal Statistical Society B 68:411-436 (weights tempered until
       enough draws count).
    """
    envelope = _at_mode(log_density, start)
    for step in range(_ROUNDS):
        points, log_weight = _draw(
            log_density, envelope, round_draws, seed + step + 1, _DF
        )
        envelope = _reshape(points, log_weight)
    points, log_weight = _draw(log_density, envelope, n_draws, seed, _DF)
    weights = truncated_weights(log_weight)
    retried = effective_draws(weights) < FEWEST_EFFECTIVE
    if retried:
        df, scale = _REDO
        wide = _Envelope(envelope.centre, scale * envelope.factor)
        points, log_weight = _draw(log_density, wide, 4 * n_draws, seed, df)
        weights = truncated_weights(log_weight)
    return AdaptedDraws(points, weights, log_weight, retried)


def _at_mode(log_density: LogDensity, start: FloatArray) -> _Envelope:
    """Newton's method by differences, all points of a step at once."""
    size = len(start)
    first, second = np.triu_indices(size)
    step = _STEP * np.eye(size)
    pairs = step[first] + step[second]
    around = np.concatenate([np.zeros((1, size)), step, -step, pairs, -pairs])
    here = start
    for _ in range(_NEWTON_STEPS):
        value = log_density((here + around).T)
        up, down = value[1 : size + 1], value[size + 1 : 2 * size + 1]
        both_up, both_down = np.split(value[2 * size + 1 :], 2)
        gradient = (up - down) / (2 * _STEP)
        bend = both_up - up[first] - up[second] + 2 * value[0]
        bend += both_down - down[first] - down[second]
        curvature = np.zeros((size, size))
        curvature[first, second] = curvature[second, first] = -bend / (2 * _STEP**2)
        strength, vectors = np.linalg.eigh(curvature)
        strength = np.maximum(strength, _FLOOR)
        move = vectors @ ((vectors.T @ gradient) / strength)
        if float(gradient @ move) < 1e-3:
            break
        move *= min(1.0, 2.0 / float(np.abs(move).max()))
        reached = log_density((here + _SHORTENED[:, None] * move).T)
        best = int(np.argmax(reached))
        if reached[best] <= value[0]:
            break
        here = here + _SHORTENED[best] * move
    # Cholesky, since vectors of equal strengths turn with the last digit of a density.
    covariance = (vectors / strength) @ vectors.T
    return _Envelope(here, _WIDER * np.linalg.cholesky(covariance))


def _draw(
    log_density: LogDensity, envelope: _Envelope, n_draws: int, seed: int, df: float
) -> tuple[FloatArray, FloatArray]:
    """Draws from a t distribution and their log weights."""
    size = len(envelope.centre)
    t = _t_points(n_draws, size, seed, df)
    points = envelope.centre[:, None] + envelope.factor @ t
    tail = 0.5 * (df + size) * np.log1p((t**2).sum(axis=0) / df)
    return points, log_density(points) + tail


@lru_cache(maxsize=8)
def _t_points(n_draws: int, size: int, seed: int, df: float) -> FloatArray:
    """Scrambled Sobol points as t variables, shape (size, draws)."""
    from scipy.special import chdtri, ndtri
    from scipy.stats import qmc

    engine = qmc.Sobol(size + 1, scramble=True, seed=np.random.default_rng(seed))
    points = engine.random_base2(int(np.log2(n_draws)))
    points = np.clip(points, 1e-10, 1 - 1e-10)
    widen = np.sqrt(df / chdtri(df, points[:, -1]))
    t = np.ascontiguousarray((ndtri(points[:, :-1]) * widen[:, None]).T)
    t.flags.writeable = False
    return t


def _reshape(points: FloatArray, log_weight: FloatArray) -> _Envelope:
    """Centre and scale of the weighted draws, tempered until enough of them count."""
    size, n = points.shape
    excess = log_weight - log_weight.max()
    power = 1.0
    weights = np.exp(excess)
    while weights.sum() ** 2 < min(n / 2, 6 * size) * (weights**2).sum():
        power *= 0.8
        weights = np.exp(power * excess)
    weights /= weights.sum()
    centre = points @ weights
    away = points - centre[:, None]
    covariance = (away * weights) @ away.T * (1.1 * (_DF - 2) / _DF)
    return _Envelope(centre, np.linalg.cholesky(covariance + 1e-9 * np.eye(size)))
