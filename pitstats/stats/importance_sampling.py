"""Posterior of long-run burn rates: likelihood, prior, proposal and weights together.

The engine knows intercepts, bakes and covariates. In `model_rates` an intercept
belongs to a pit, in `part_rates` to a third of a pit.
"""

from __future__ import annotations

from functools import partial
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.bake_likelihood import BakeLikelihood, group_items
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.effects import Effects, Likelihood
from pitstats.stats.parts_prior import log_whole_prior
from pitstats.stats.pinned_spread import MANY_BAKES, find_peak
from pitstats.stats.proposal import ProposedDraws, Source, find_grid, propose
from pitstats.stats.rate_prior import (
    ReferenceGrid,
    compact_layout,
    log_rate_prior,
    log_slope_prior,
    marginal_rates,
)
from pitstats.stats.spread_prior import chosen_prior
from pitstats.stats.tilted_likelihood import TiltLikelihood
from pitstats.stats.weighted_draws import (
    FEWEST_EFFECTIVE,
    effective_draws,
    pareto_k,
    truncated_weights,
)

# The posterior of very many bakes is narrow, so that fewer draws place its ends.
_DRAWS_ABOUT_A_PEAK = 2048
# Bakes are all but "all or none" beyond this SD, and the cap on the SD decides.
_CAP_WARNING_SD = 2.0
# Session SDs at which modes are found; their prior is half-normal(1) up to 2.5.
_SESSION_KNOTS = np.array([0.0, 0.4, 0.9, 1.6, 2.5])
# SDs of the tilt; their prior is half-normal(2) up to 5.
_TILT_KNOTS = np.array([0.0, 0.7, 1.6, 3.0, 5.0])

Spread = Literal["own", "common"]


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
    bake_pit : ndarray of int, shape (bakes,)
        Pit of each bake.
    intercept_pit : ndarray of int, shape (intercepts,)
        Pit of each intercept.
    X : ndarray, shape (entries, slopes)
        Covariates.
    session : ndarray of int, shape (bakes,), or None
        Session of each bake; None when there is no session effect.
    place : ndarray, shape (intercepts,), or None
        Place of each intercept along the grate, about 0, when the fall along the grate
        varies from bake to bake; None when it does not. Not with sessions.
    """

    y: FloatArray
    n: FloatArray
    intercept: npt.NDArray[np.intp]
    bake: npt.NDArray[np.intp]
    bake_pit: npt.NDArray[np.intp]
    intercept_pit: npt.NDArray[np.intp]
    X: FloatArray
    session: npt.NDArray[np.intp] | None
    place: FloatArray | None = None


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
    bake_sd : ndarray, shape (pits, draws)
        Standard deviation between bakes of each pit, logit scale; equal rows when one
        is common to all.
    common_sd : ndarray, shape (draws,)
        Level of the spreads: that of a pit in the middle of all pits.
    session_sd : ndarray, shape (draws,)
        Standard deviation between sessions; 0 without such an effect.
    tilt_sd : ndarray, shape (draws,)
        Standard deviation of the fall along the grate between bakes; 0 without.
    rates : ndarray, shape (intercepts, draws)
        Long-run rates over the layout.
    """

    weights: FloatArray
    intercepts: FloatArray
    slopes: FloatArray
    bake_sd: FloatArray
    common_sd: FloatArray
    session_sd: FloatArray
    tilt_sd: FloatArray
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
        Posterior probability that the SD of bakes and sessions together exceeds 2, in
        the pit where it is largest.
    n_draws : int
        Draws made in the final round.
    retried : bool
        Whether a second, wider round was needed.
    flat_at_zero : ndarray of bool, shape (pits,)
        Whether the density of a pit's bake SD at 0 is more than 15 % of its peak, so
        that its low end is shown as 0.
    """

    ess: float
    pareto_k: float
    cap_mass: float
    n_draws: int
    retried: bool
    flat_at_zero: npt.NDArray[np.bool_]


def sample_posterior(
    items: Items,
    cells: FloatArray,
    cell_weight: FloatArray,
    n_draws: int,
    seed: int,
    size: FloatArray | None = None,
    spread: Spread = "own",
    given_whole: bool = False,
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
    spread : {"own", "common"}, default "own"
        Whether each pit has a bake SD of its own or all share one.
    given_whole : bool, default False
        Whether the intercepts of a pit are parts of one whole, whose rate then has the
        prior of a rate.

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
    likelihood = _likelihood(items, design)
    layout = compact_layout((cells - centre) / size, cell_weight)
    effects = _effects(items, spread)
    whole = cell_weight.sum(axis=1) if given_whole else None
    start = _first_guess(items, n_intercepts)
    source: Source | None = None
    if _fewest_alike(items, effects) >= MANY_BAKES:
        source = find_peak(likelihood, layout, effects, start)
    if source is None:
        source = find_grid(likelihood, layout, effects, start)
    else:
        n_draws = min(n_draws, _DRAWS_ABOUT_A_PEAK)
    draw = partial(propose, source, effects)

    def weigh(drawn: ProposedDraws) -> _Round:
        return _weigh(likelihood, layout, effects, drawn, whole, items.intercept_pit)

    found = weigh(draw(n_draws, seed))
    retried = effective_draws(found.weights) < FEWEST_EFFECTIVE
    if retried:
        found = weigh(draw(4 * n_draws, seed, df=3.0, scale=1.4))
    drawn = found.drawn
    slopes = drawn.theta[n_intercepts:] / size[:, None]
    n_pits = int(items.intercept_pit.max()) + 1
    row = np.arange(n_pits) if spread == "own" else np.zeros(n_pits, dtype=np.intp)
    bake_sd, shared_sd = drawn.scales.sd[row], drawn.scales.shared_sd
    session_sd = shared_sd * (items.session is not None)
    beyond = np.hypot(bake_sd, session_sd) > _CAP_WARNING_SD
    return (
        Draws(
            found.weights,
            drawn.theta[:n_intercepts] - centre @ slopes,
            slopes,
            bake_sd,
            drawn.level_sd if effects.rho > 0 else bake_sd[0],
            session_sd,
            shared_sd * (items.place is not None),
            found.rates,
        ),
        Diagnostics(
            effective_draws(found.weights),
            pareto_k(found.log_weight),
            float((beyond @ found.weights).max()),
            len(found.weights),
            retried,
            source.flat_at_zero(effects)[row],
        ),
    )


def _effects(items: Items, spread: Spread) -> Effects:
    """SDs of the model: one per pit or a common one, and that of sessions."""
    prior = chosen_prior(spread, None, None)
    own = not prior.common
    knots = np.zeros(1)
    if items.session is not None:
        knots = _SESSION_KNOTS
    elif items.place is not None:
        knots = _TILT_KNOTS
    return Effects(
        bake_group=items.bake_pit * own,
        intercept_group=items.intercept_pit * own,
        n_groups=int(items.intercept_pit.max()) + 1 if own else 1,
        prior=prior,
        shared_knots=knots,
        shared_scale=1.0 if items.place is None else 2.0,
        load=np.ones(len(items.intercept_pit)) if items.place is None else items.place,
    )


def _fewest_alike(items: Items, effects: Effects) -> int:
    """Bakes of the group that has fewest, or sessions of several bakes if fewer."""
    fewest = int(np.bincount(effects.bake_group, minlength=effects.n_groups).min())
    if items.session is None:
        return fewest
    return min(fewest, int((np.bincount(items.session) > 1).sum()))


def _likelihood(items: Items, design: FloatArray) -> Likelihood:
    """Likelihood with the effects that the items call for."""
    data = group_items(items.y, items.n, items.bake, design, items.session)
    if items.place is None:
        return BakeLikelihood(data)
    places = items.y * items.place[items.intercept]
    lean = np.bincount(items.bake, weights=places).astype(float)
    return TiltLikelihood(data, data.design[:, : len(items.place)] @ items.place, lean)


class _Round(NamedTuple):
    """One round of proposed draws with their weights."""

    drawn: ProposedDraws
    rates: FloatArray
    log_weight: FloatArray
    weights: FloatArray


def _weigh(
    likelihood: Likelihood,
    layout: ReferenceGrid,
    effects: Effects,
    drawn: ProposedDraws,
    whole: FloatArray | None,
    group: npt.NDArray[np.intp],
) -> _Round:
    """Weigh draws by likelihood times prior over proposal."""
    n_intercepts = len(layout.weight)
    rates, rise = marginal_rates(layout, drawn.theta, effects.total_sd(drawn.scales))
    log_weight = likelihood.value(
        drawn.theta, effects.of_bakes(drawn.scales), drawn.scales.shared_sd
    )
    log_weight += log_rate_prior(rates, rise) + drawn.log_ratio
    log_weight += log_slope_prior(drawn.theta[n_intercepts:])
    if whole is not None:
        log_weight += log_whole_prior(rates, whole, group)
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
