"""How evenly a pit burns: near, middle and far thirds as rates of their own."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, check_codes, check_conf_level
from pitstats.stats.estimates import Estimate, PairEstimates, ending_at_borders
from pitstats.stats.importance_sampling import (
    Diagnostics,
    Items,
    Spread,
    sample_posterior,
)
from pitstats.stats.posterior import bake_sd_summary, check_draws, check_items
from pitstats.stats.weighted_draws import (
    summarize_draws,
    summarize_pairs,
    summarize_rows,
)

_PARTS = 3
# Middles of the thirds along a grate of length 1, its middle 0.
_PLACE = np.array([-1 / 3, 0.0, 1 / 3])
# Three rates a pit scatter more than one; these many keep ends steady to 0.01.
_DRAWS = 16_384


class PartRates(NamedTuple):
    """Burn rates of the near, middle and far third of every pit.

    Attributes
    ----------
    parts : Estimate
        Long-run rates, shape (pits, 3); a third without graded items is NaN.
    near_minus_far : Estimate
        Fall of the rate from near to far, shape (pits,).
    differences : PairEstimates
        Fall in pit a less fall in pit b, for all pairs; NaN where one is withheld.
    bake_sd : Estimate
        SD between bakes of each pit on the logit scale, shape (pits,).
    tilt_sd : Estimate or None
        SD between bakes of the fall along the whole grate, logit scale; None where it
        is not in the model.
    ess, pareto_k, cap_mass : float
        As in `model_rates`.
    conf_level : float
        Level of all intervals.
    weights : ndarray, shape (draws,)
        Weights of the draws.
    rates : ndarray, shape (pits, 3, draws)
        Draws of the rates, for other contrasts; NaN where withheld.
    diagnostics : Diagnostics
        The same diagnostics with the number of draws.
    """

    parts: Estimate[FloatArray]
    near_minus_far: Estimate[FloatArray]
    differences: PairEstimates
    bake_sd: Estimate[FloatArray]
    tilt_sd: Estimate[float] | None
    ess: float
    pareto_k: float
    cap_mass: float
    conf_level: float
    weights: FloatArray
    rates: FloatArray
    diagnostics: Diagnostics


def part_rates(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    bake: npt.ArrayLike,
    part: npt.ArrayLike,
    X: npt.ArrayLike | None = None,
    layout: npt.ArrayLike | None = None,
    conf_level: float = 0.95,
    seed: int = 1,
    *,
    n_draws: int | None = None,
    tilt: bool = True,
    spread: Spread = "own",
    given_whole: bool | None = None,
) -> PartRates:
    """Estimate how the burn rate falls from the near to the far third of each pit.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry.
    pit : array_like of int, shape (n,)
        Pit codes 0, 1 ...
    bake : array_like, shape (n,)
        Bake of each entry; a bake belongs to one pit.
    part : array_like of int, shape (n,)
        0 near, 1 middle, 2 far.
    X : array_like, shape (n, q), optional
        Further covariates, the same for all parts, such as the grate.
    layout : array_like, shape (3, cells, q) or (pits, 3, cells, q), optional
        Covariates of the cells over which each third is averaged with equal weights.
        By default each third of each pit is averaged over its own graded items.
    conf_level : float, default 0.95
        Between 0 and 1.
    seed : int, default 1
        Scrambles the quasi-random points.
    n_draws : int, optional
        Draws, a power of 2; 16384 by default.
    tilt : bool, default True
        Whether the fall from near to far may differ from bake to bake. With one bake in
        every pit that cannot be learned, and the fall is that of these bakes.
    spread : {"own", "common"}, default "own"
        Whether each pit has a bake SD of its own or all pits share one.
    given_whole : bool, optional
        Whether the thirds of a pit are parts of a whole that has the prior of a rate,
        or rates by themselves; by default the first unless ``spread="common"``.

    Returns
    -------
    PartRates

    Raises
    ------
    ValueError
        If the data cannot be used: counts, codes, shapes, a bake in two pits.

    Notes
    -----
    Each third of each pit has an intercept of its own, so no curve is assumed and
    nothing is extrapolated; thirds share the effect of their bake, and the near rate
    minus the far rate is a contrast within bakes. A bake may also tilt: its logits at
    the middles of the thirds, -1/3, 0 and 1/3 of the grate, get ``v x`` with normal
    ``v``, whose SD is half-normal(2) up to 5.

    The whole of a pit's thirds, weighted by their cells, is Beta(1/2, 1/2) like every
    rate [1]_, and given the whole the thirds are as three independent Beta(1/2, 1/2)
    rates: so they agree with the rate of the whole pit also where little burned, and a
    steep fall is not pulled in as by a prior on slopes. Other priors as in
    `model_rates`.

    References
    ----------
    .. [1] Jeffreys H (1946), An invariant form for the prior probability in
       estimation problems, Proceedings of the Royal Society A 186:453-461.

    Examples
    --------
    Two bakes of one pit, six items a third:

    >>> result = part_rates(
    ...     [4, 2, 0, 5, 1, 1], [6] * 6, [0] * 6, [0, 0, 0, 1, 1, 1], [0, 1, 2] * 2)
    >>> result.parts.estimate.round(1)
    array([[0.7, 0.3, 0.1]])
    >>> bool(result.near_minus_far.low[0] > 0)
    True
    """
    level = check_conf_level(conf_level)
    items, place, n_pits = _check_parts(burned, total, pit, bake, part, X)
    if tilt and np.bincount(items.bake_pit).max() > 1:
        items = items._replace(place=_PLACE[place % _PARTS])
    cells, weight = _part_layout(layout, items, place, n_pits)
    count = check_draws(n_draws, _DRAWS)
    draws, diagnostics = sample_posterior(
        items,
        cells,
        weight,
        count,
        seed,
        spread=spread,
        given_whole=spread == "own" if given_whole is None else given_whole,
    )
    wide = np.full((n_pits * _PARTS, len(draws.weights)), np.nan)
    wide[place] = draws.rates
    rates = wide.reshape(n_pits, _PARTS, -1)
    fall = rates[:, 0] - rates[:, 2]
    return PartRates(
        _summarize_parts(rates, draws.weights, items, place, level),
        summarize_rows(fall, draws.weights, level),
        _compare_falls(fall, draws.weights, level),
        bake_sd_summary(draws, diagnostics, level),
        None
        if items.place is None
        else summarize_draws(draws.tilt_sd, draws.weights, level),
        diagnostics.ess,
        diagnostics.pareto_k,
        diagnostics.cap_mass,
        level,
        draws.weights,
        rates,
        diagnostics,
    )


def _check_parts(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    bake: npt.ArrayLike,
    part: npt.ArrayLike,
    X: npt.ArrayLike | None,
) -> tuple[Items, npt.NDArray[np.intp], int]:
    """Items with one intercept per third that has graded items, and which they are."""
    items, n_pits = check_items(burned, total, pit, bake, X, None)
    used = np.atleast_1d(total) > 0
    parts = check_codes(part, len(used), "part")
    if not np.isin(parts, range(_PARTS)).all():
        raise ValueError("part must hold 0 (near), 1 (middle) or 2 (far).")
    place, intercept = np.unique(
        items.intercept * _PARTS + parts[used].astype(np.intp), return_inverse=True
    )
    items = items._replace(intercept=intercept, intercept_pit=place // _PARTS)
    return items, place, n_pits


def _part_layout(
    layout: npt.ArrayLike | None,
    items: Items,
    place: npt.NDArray[np.intp],
    n_pits: int,
) -> tuple[FloatArray, FloatArray]:
    """Cells and weights of every third that has graded items."""
    n_slopes = items.X.shape[1]
    if layout is None:
        own = items.intercept == np.arange(len(place))[:, None]
        cells = np.broadcast_to(items.X, (len(place), *items.X.shape))
        return cells, own * items.n
    given = np.asarray(layout, dtype=float)
    if given.ndim == 3:
        given = np.broadcast_to(given, (n_pits, *given.shape))
    expected = (n_pits, _PARTS)
    if given.ndim != 4 or given.shape[:2] != expected or given.shape[3] != n_slopes:
        raise ValueError(
            f"layout has shape {np.shape(layout)}; it needs (3, cells, {n_slopes}) or "
            f"({n_pits}, 3, cells, {n_slopes}), with the columns of X."
        )
    if not np.isfinite(given).all() or given.shape[2] == 0:
        raise ValueError("layout must have cells, without gaps or infinite values.")
    cells = given.reshape(n_pits * _PARTS, -1, n_slopes)[place]
    return cells, np.ones(cells.shape[:2])


def _summarize_parts(
    rates: FloatArray,
    weights: FloatArray,
    items: Items,
    place: npt.NDArray[np.intp],
    conf_level: float,
) -> Estimate[FloatArray]:
    """Rates of the thirds; ends reach 0 or 1 when none or all of the pit burned."""
    n_pits = len(rates)
    found = summarize_rows(rates, weights, conf_level)
    pit = place[items.intercept] // _PARTS
    burned = np.bincount(pit, weights=items.y, minlength=n_pits)
    total = np.bincount(pit, weights=items.n, minlength=n_pits)
    given = ~np.isnan(found.estimate)
    none, every = (burned == 0)[:, None], (burned == total)[:, None]
    return ending_at_borders(found, none & given, every & given)


def _compare_falls(
    fall: FloatArray, weights: FloatArray, conf_level: float
) -> PairEstimates:
    """Pairs of pits whose fall is known; the other pairs are NaN."""
    known = np.flatnonzero(~np.isnan(fall[:, 0]))
    found = summarize_pairs(fall[known], weights, conf_level)
    a, b = np.triu_indices(len(fall), 1)
    wide = np.full((len(found) - 2, len(a)), np.nan)
    wide[:, np.isin(a, known) & np.isin(b, known)] = found[2:]
    return PairEstimates(a, b, *wide)
