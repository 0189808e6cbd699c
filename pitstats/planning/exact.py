"""Power of small plans by enumeration: every outcome with its probability."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from pitstats.errors import DesignError
from pitstats.planning.designs import question_maker
from pitstats.planning.formulas import check_level
from pitstats.planning.simulation import Question
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
    order; its probability is multinomial over the distribution of one bake, a normal
    effect on the logit scale by Gauss-Hermite quadrature. All pairs of outcomes are
    judged by the posterior that judges real studies.

    Examples
    --------
    >>> from pitstats.planning.exact import exact_power
    >>> round(exact_power(2, 8, rate=0.1, difference=0.6), 2) > 0.2
    True
    """
    if not 1 <= bakes <= MOST_BAKES or not 1 <= items <= MOST_ITEMS:
        raise DesignError(
            f"{bakes} bakes of {items} items are too many to enumerate; up to "
            f"{MOST_BAKES} bakes of {MOST_ITEMS} items can be"
        )
    question = question_maker(rate, difference, sd_bake, 2)(bakes, items)
    return exact_chance(question, check_level("conf_level", conf_level), alike=False)


def can_be_enumerated(question: Question) -> bool:
    """Whether a question has few enough outcomes, and no pilot or sessions."""
    design = question.design
    return (
        len(design.bakes) == 2
        and max(design.bakes) <= MOST_BAKES
        and max(design.items) <= MOST_ITEMS
        and question.draws is None
        and question.sd_session is None
    )


def exact_chance(question: Question, conf_level: float, *, alike: bool) -> float:
    """Chance that the two pits are called different."""
    design = question.design
    if not design.judged_pairs:
        return 0.0
    spreads = question.sd_of_pits or (question.sd_bake,) * 2
    rates = (question.rate, question.rate + (0.0 if alike else question.difference))
    first, second = (
        _outcome_chance(_outcomes(bakes, items), _bake_chance(items, rate, sd))
        for bakes, items, rate, sd in zip(
            design.bakes, design.items, rates, spreads, strict=True
        )
    )
    told = _told_apart(design.bakes, design.items, conf_level)
    return float(first @ (told @ second))


@lru_cache(maxsize=8)
def _told_apart(
    bakes: tuple[int, ...], items: tuple[int, ...], conf_level: float
) -> Array:
    """Which pairs of outcomes are called different: 1 or 0."""
    model = BakeModel(np.repeat(items, bakes), np.repeat([0, 1], bakes), conf_level)
    p_value = model.p_values_of_outcomes(
        *(_outcomes(k, n) for k, n in zip(bakes, items, strict=True))
    )
    return np.asarray(p_value < 1.0 - conf_level, dtype=np.float64)


def _outcomes(bakes: int, items: int) -> NDArray[np.int64]:
    """Burned items of the bakes of a pit, in rising order."""
    return np.array(list(combinations_with_replacement(range(items + 1), bakes)))


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
    """In how many orders the bakes of an outcome can come."""
    alike = np.unique(row, return_counts=True)[1]
    return math.factorial(row.size) // math.prod(map(math.factorial, alike.tolist()))
