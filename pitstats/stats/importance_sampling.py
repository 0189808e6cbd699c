"""Posterior of long-run burn rates: likelihood, prior, proposal and weights together.

The engine knows intercepts, bakes and covariates. In `model_rates` an intercept
belongs to a pit, in `part_rates` to a third of a pit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.bake_likelihood import (
    BakeData,
    group_items,
    log_likelihood,
)
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.proposal import ModeGrid, ProposedDraws, find_grid, propose
from pitstats.stats.rate_prior import (
    ReferenceGrid,
    compact_layout,
    log_rate_prior,
    log_session_prior,
    log_slope_prior,
    marginal_rates,
)
from pitstats.stats.weighted_draws import (
    effective_draws,
    pareto_k,
    truncated_weights,
)

_FEWEST_EFFECTIVE = 200
# Bakes are all but "all or none" beyond this SD, and the cap on the SD decides.
_CAP_WARNING_SD = 2.0


class Items(NamedTuple):
    """Checked items for the engine, entries without graded items left out.

    Attributes
    ----------
    y, n : ndarray, shape (entries,)
        Burned and graded items.
    intercept : ndarray of int, shape (entries,)
        Intercept of each entry, 0 up to the number of intercepts less 1.
    bake : ndarray of int, shape (entries,)
        Bake codes without gaps.
    X : ndarray, shape (entries, slopes)
        Covariates.
    session : ndarray of int, shape (bakes,), or None
        Session of each bake; None when there is no session effect.
    """

    y: FloatArray
    n: FloatArray
    intercept: npt.NDArray[np.intp]
    bake: npt.NDArray[np.intp]
    X: FloatArray
    session: npt.NDArray[np.intp] | None


class Draws(NamedTuple):
    """Weighted draws from the posterior, on the scale of the caller's covariates.

    Attributes
    ----------
    weights : ndarray, shape (draws,)
        Weights that add up to 1.
    intercepts : ndarray, shape (intercepts, draws)
        Logit at covariates 0 and a middling bake.
    slopes : ndarray, shape (slopes, draws)
        Coefficients of the columns of X.
    bake_sd, session_sd : ndarray, shape (draws,)
        Standard deviations on the logit scale; session SDs are 0 without such an
        effect.
    rates : ndarray, shape (intercepts, draws)
        Long-run rates over the layout.
    """

    weights: FloatArray
    intercepts: FloatArray
    slopes: FloatArray
    bake_sd: FloatArray
    session_sd: FloatArray
    rates: FloatArray


class Diagnostics(NamedTuple):
    """How well the weighted draws represent the posterior.

    Attributes
    ----------
    ess : float
        Effective number of draws.
    pareto_k : float
        Tail shape of the weights before truncation.
    cap_mass : float
        Posterior probability that the SD of bakes and sessions together exceeds 2.
    n_draws : int
        Draws made in the final round.
    retried : bool
        Whether a second, wider round was needed.
    flat_at_zero : bool
        Whether the density of the bake SD at 0 is more than 15 % of its peak, so
        that its low end is shown as 0.
    """

    ess: float
    pareto_k: float
    cap_mass: float
    n_draws: int
    retried: bool
    flat_at_zero: bool


def sample_posterior(
    items: Items,
    cells: FloatArray,
    cell_weight: FloatArray,
    n_draws: int,
    seed: int,
    size: FloatArray | None = None,
) -> tuple[Draws, Diagnostics]:
    """Draw from the posterior of intercepts, slopes and SDs by importance sampling.

    Parameters
    ----------
    items : Items
        Data.
    cells : ndarray, shape (intercepts, cells, slopes)
        Layout of each intercept.
    cell_weight : ndarray, shape (intercepts, cells)
        Weights of the cells.
    n_draws : int
        A power of 2; four times as many are made when weights are very uneven.
    seed : int
        Scrambles the quasi-random points.
    size : ndarray, shape (slopes,), optional
        Range of each column that the prior of its slope is for; by default as in the
        notes.

    Returns
    -------
    tuple of Draws and Diagnostics

    Notes
    -----
    Columns are centred at the layout's mean and divided by their range over it (over
    the data where the layout has none): the log-F prior is for a slope over the full
    range, and the answer does not depend on units.

    References
    ----------
    .. [1] Owen AB, Monte Carlo theory, methods and examples, chapter 9.
    .. [2] Gelman A (2006), Prior distributions for variance parameters in hierarchical
       models, Bayesian Analysis 1:515-534.
    """
    centre, own_size = _column_scales(items.X, cells, cell_weight)
    size = own_size if size is None else size
    n_intercepts = len(cells)
    indicator = np.eye(n_intercepts)[items.intercept]
    design = np.hstack([indicator, (items.X - centre) / size])
    data = group_items(items.y, items.n, items.bake, design, items.session)
    layout = compact_layout((cells - centre) / size, cell_weight)
    grid = find_grid(data, layout, _first_guess(items, n_intercepts))
    found = _weigh(data, layout, propose(grid, n_draws, seed, 5.0, 1.1))
    retried = effective_draws(found.weights) < _FEWEST_EFFECTIVE
    if retried:
        found = _weigh(data, layout, propose(grid, 4 * n_draws, seed, 3.0, 1.4))
    drawn = found.drawn
    slopes = drawn.theta[n_intercepts:] / size[:, None]
    intercepts = drawn.theta[:n_intercepts] - centre @ slopes
    total_sd = np.hypot(drawn.sd, drawn.session_sd)
    return (
        Draws(
            found.weights, intercepts, slopes, drawn.sd, drawn.session_sd, found.rates
        ),
        Diagnostics(
            effective_draws(found.weights),
            pareto_k(found.log_weight),
            float(found.weights[total_sd > _CAP_WARNING_SD].sum()),
            len(found.weights),
            retried,
            _flat_at_zero(grid),
        ),
    )


class _Round(NamedTuple):
    """One round of proposed draws with their weights."""

    drawn: ProposedDraws
    rates: FloatArray
    log_weight: FloatArray
    weights: FloatArray


def _weigh(data: BakeData, layout: ReferenceGrid, drawn: ProposedDraws) -> _Round:
    """Weigh draws by likelihood times prior over proposal."""
    n_intercepts = len(layout.weight)
    total_sd = np.hypot(drawn.sd, drawn.session_sd)
    rates, rise = marginal_rates(layout, drawn.theta, total_sd)
    log_weight = log_likelihood(data, drawn.theta, drawn.sd, drawn.session_sd)
    log_weight += log_rate_prior(rates, rise) - drawn.log_density
    log_weight += log_slope_prior(drawn.theta[n_intercepts:])
    # A session SD of 0 throughout adds a constant, which drops out.
    log_weight += log_session_prior(drawn.session_sd)
    return _Round(drawn, rates, log_weight, truncated_weights(log_weight))


def _column_scales(
    X: FloatArray, cells: FloatArray, cell_weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Centre and size of each covariate, from the layout if it varies there."""
    used = cells[cell_weight > 0]
    weight = cell_weight / cell_weight.sum(axis=1, keepdims=True)
    centre = np.average(used, axis=0, weights=weight[cell_weight > 0])
    size = np.ptp(used, axis=0)
    of_data = np.ptp(X, axis=0)
    size = np.where(size > 0, size, of_data)
    return centre, np.where(size > 0, size, 1.0)


def _first_guess(items: Items, n_intercepts: int) -> FloatArray:
    """Empirical logits for the intercepts, 0 for the slopes."""
    burned = np.bincount(items.intercept, weights=items.y, minlength=n_intercepts)
    total = np.bincount(items.intercept, weights=items.n, minlength=n_intercepts)
    logit = np.log((burned + 0.5) / (total - burned + 0.5))
    return np.concatenate([logit, np.zeros(items.X.shape[1])])


def _flat_at_zero(grid: ModeGrid) -> bool:
    """Whether the bake SD's evidence at 0 is more than 15 % of its peak."""
    weight = np.ones(1)
    if len(grid.session_sd) > 1:
        half = np.diff(grid.session_sd) / 2
        weight = np.append(half, 0.0) + np.append(0.0, half)
    density = grid.height @ weight
    return bool(density[0] > 0.15 * density.max())
