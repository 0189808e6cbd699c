"""What bakes say about the spread of each pit, and about the common level."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.bake_grid import Array, RateGrid, local_interpolation
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.estimates import Estimate
from pitstats.stats.spread_prior import SpreadLevels, SpreadPrior

_CAP = 2.0  # a spread above this means bakes nearly all or none
_SIMPSON = np.concatenate([[1.0], np.tile([4.0, 2.0], 99), [4.0, 1.0]])  # 201 points
_FINE_LEVELS = 121


class SpreadSummaries(NamedTuple):
    """Spread of each pit, the common level, and P(spread > 2) of each pit."""

    pits: Estimate[FloatArray]
    common: Estimate[float]
    cap_mass: Array


def spread_summaries(
    grid: RateGrid,
    prior: SpreadPrior,
    levels: SpreadLevels,
    sd_evidence: Array,
    level_evidence: Array,
    conf_level: float,
) -> SpreadSummaries:
    """Summarize the spreads from the evidence of each pit, by spread and by level."""
    tails = np.array([(1.0 - conf_level) / 2, (1.0 + conf_level) / 2])
    if prior.common:
        return _one_for_all(grid, sd_evidence.sum(axis=0), len(sd_evidence), tails)
    passed_on = np.exp(prior.log_ratio(levels.score[:, None], grid.fine_sd))
    # The normal scores of both ends are infinite; the nearest steps stand for them.
    passed_on[:, [0, -1]] = passed_on[:, [1, -2]]
    passed_on *= np.exp(prior.log_density(grid.fine_sd))
    found = [
        _one_pit(grid, levels, passed_on, sd_evidence[p], others, tails)
        for p, others in enumerate(level_evidence.sum(axis=0) - level_evidence)
    ]
    estimate, low, high, cap_mass = np.array(found).T
    return SpreadSummaries(
        Estimate(estimate=estimate, low=low, high=high),
        common_level(prior, levels, level_evidence.sum(axis=0), tails),
        cap_mass,
    )


def _one_pit(
    grid: RateGrid,
    levels: SpreadLevels,
    passed_on: Array,
    own: Array,
    others: Array,
    tails: Array,
) -> tuple[float, float, float, float]:
    """Mean, ends and P(spread > 2): own bakes times what the others leave likely."""
    weight = levels.weight * np.exp(others - others.max())
    density = (weight @ passed_on) * np.exp(_on_fine(grid, own))
    low, high, cap_mass = _read_off(grid.fine_sd, density, tails)
    mean = float(_SIMPSON @ (density * grid.fine_sd) / (_SIMPSON @ density))
    return mean, low if _rises_from_nought(density) else 0.0, high, cap_mass


def _one_for_all(
    grid: RateGrid, evidence: Array, n_pits: int, tails: Array
) -> SpreadSummaries:
    """One spread, uniform in advance."""
    sd = grid.fine_sd
    density = np.exp(_on_fine(grid, evidence))
    # The check values of this model read the ends off a running Simpson sum over these
    # steps, and so does this: at most a step (0.0125) under the exact root.
    running = np.cumsum(_SIMPSON * density)
    low, high = np.interp(tails, running / running[-1], sd)
    weight = np.exp(evidence - evidence.max()) * grid.sd_weight
    one = Estimate(
        float(weight @ grid.sd / weight.sum()),
        float(low) if _rises_from_nought(density) else 0.0,
        float(high),
    )
    cap_mass = _read_off(sd, density, tails)[2]
    alike = Estimate(*(np.full(n_pits, value) for value in one))
    return SpreadSummaries(alike, one, np.full(n_pits, cap_mass, dtype=np.float64))


def common_level(
    prior: SpreadPrior, levels: SpreadLevels, evidence: Array, tails: Array
) -> Estimate[float]:
    """Spread of a pit whose own part is nought."""
    score = np.linspace(levels.score[0], levels.score[-1], _FINE_LEVELS)
    log_density = local_interpolation(levels.score, score) @ (evidence - evidence.max())
    density = np.exp(log_density - 0.5 * score**2)
    sd = prior.sd(np.sqrt(prior.rho) * score)
    low, high, _ = _read_off(score, density, tails)
    ends = prior.sd(np.sqrt(prior.rho) * np.array([low, high]))
    return Estimate(float(density @ sd / density.sum()), float(ends[0]), float(ends[1]))


def _on_fine(grid: RateGrid, log_evidence: Array) -> Array:
    """Log evidence at even steps of the spread, its peak taken out."""
    return np.asarray(
        grid.to_fine @ np.maximum(log_evidence - log_evidence.max(), -80.0)
    )


def _rises_from_nought(density: Array) -> bool:
    return bool(density[0] <= 0.15 * density.max())


def _read_off(at: Array, density: Array, tails: Array) -> tuple[float, float, float]:
    """Ends of the interval, and the probability beyond `_CAP`, by trapezoids."""
    steps = np.diff(at) * 0.5 * (density[1:] + density[:-1])
    total = np.concatenate([[0.0], np.cumsum(steps)]) / steps.sum()
    low, high = np.interp(tails, total, at)
    return float(low), float(high), float(1.0 - np.interp(_CAP, at, total))
