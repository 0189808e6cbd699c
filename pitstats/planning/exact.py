"""Power of small plans by enumeration: every outcome with its probability."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from pitstats.errors import DesignError
from pitstats.planning.designs import check_level, check_rates, spread_of
from pitstats.stats.bake_model import BakeModel
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.quadrature import normal_nodes

Array = NDArray[np.float64]

MOST_BAKES, MOST_ITEMS = 3, 24
_NODES = 40


def exact_power(
    bakes: int,
    items: int,
    *,
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str = 0.6,
    conf_level: float = 0.95,
) -> float:
    """Chance that two pits are told apart, without simulation.

    Parameters
    ----------
    bakes, items : int
        Bakes of each pit, 2 or 3, and items per bake, up to 24.
    rate, difference, sd_bake, conf_level
        As in `plan_bakes`.

    Returns
    -------
    float
        Sum of the probabilities of all outcomes whose interval excludes no
        difference; 0 for one bake each.

    Raises
    ------
    DesignError
        If the plan is too large to be enumerated or a number is out of range.

    Notes
    -----
    A pit's outcome is how many of its bakes burned how many items, whatever their
    order; its probability is multinomial over the beta-like distribution of one bake,
    a normal effect on the logit scale by Gauss-Hermite quadrature. Pairs of outcomes
    are judged by the posterior that judges real studies; pairs that together are rarer
    than one in 2,000 are left out.

    Examples
    --------
    >>> from pitstats.planning.exact import exact_power
    >>> round(exact_power(2, 8, rate=0.1, difference=0.6), 2) > 0.2
    True
    """
    difference = check_rates(rate, difference)
    if not 1 <= bakes <= MOST_BAKES or not 1 <= items <= MOST_ITEMS:
        raise DesignError(
            f"{bakes} bakes of {items} items are too many to enumerate; up to "
            f"{MOST_BAKES} bakes of {MOST_ITEMS} items can be"
        )
    if bakes == 1:
        return 0.0
    spread = spread_of(sd_bake)
    outcomes = np.array(list(combinations_with_replacement(range(items + 1), bakes)))
    chances = [
        _outcome_chance(outcomes, _bake_chance(items, pi, spread))
        for pi in (rate, rate + difference)
    ]
    first, second, weight = _likely_pairs(*chances)
    model = BakeModel(
        [items] * 2 * bakes, np.repeat([0, 1], bakes), check_level(conf_level)
    )
    told = model.separated(np.hstack([outcomes[first], outcomes[second]]))[:, 0]
    return float(weight[told].sum())


def _bake_chance(items: int, rate: float, sd: float) -> Array:
    """Probability of 0, 1, ... burned items of one bake."""
    node, weight = normal_nodes(_NODES)
    logit = float(marginal_intercept(rate, sd)) + sd * node
    chance = 1.0 / (1.0 + np.exp(-logit))
    return np.asarray(binom.pmf(np.arange(items + 1)[:, None], items, chance) @ weight)


def _outcome_chance(outcomes: NDArray[np.int64], bake: Array) -> Array:
    """Probability of bakes in any order."""
    ways = np.array([_orders(row) for row in outcomes])
    return np.asarray(ways * bake[outcomes].prod(axis=1))


def _orders(row: NDArray[np.int64]) -> int:
    distinct = len(set(row.tolist()))
    if row.size == 2:
        return distinct
    return {1: 1, 2: 3, 3: 6}[distinct]


def _likely_pairs(
    first: Array, second: Array
) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Pairs of outcomes but for the rarest, with their probabilities."""
    joint = np.outer(first, second).ravel()
    order = np.argsort(joint)[::-1]
    kept = order[: int(np.searchsorted(np.cumsum(joint[order]), 1.0 - 5e-4)) + 1]
    a, b = np.divmod(kept, second.size)
    return a, b, joint[kept]
