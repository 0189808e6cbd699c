"""A comparison continued: what its interval says after further bakes of two pits.

The posterior is kept as draws. Further bakes are simulated from some of them, and give
all of them new weights; nothing is fitted again, so that whatever model led before
(counts, shared places, sessions) leads still.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, gammaln, log_expit

from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.quadrature import log_sum_exp, normal_nodes

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BAKE_NODES = 15
_SESSION_NODES = 7
# Continuations worked out together, so that their weights stay near the processor.
_TOGETHER = 25


@dataclass(frozen=True, kw_only=True, eq=False)
class PairDraws:
    """What is known of two pits.

    Attributes
    ----------
    rates, bake_sd : ndarray, shape (n_draws, 2)
        Long-run rates and spreads between bakes (logit scale).
    session_sd : ndarray, shape (n_draws,)
        Spread between sessions; 0 where a bake is its own session.
    weights : ndarray, shape (n_draws,)
        Weights of the draws.
    items : tuple of int
        Items of a further bake of each pit.
    """

    rates: Array
    bake_sd: Array
    session_sd: Array
    weights: Array
    items: tuple[int, int]


class Continued(NamedTuple):
    """Continuations of a comparison, by number of further bakes.

    Attributes
    ----------
    below : ndarray, shape (n_steps, n_continuations)
        Posterior probability that the first pit burns less than the second.
    low, high : ndarray, shape (n_steps, n_continuations)
        Ends of the interval at the tail asked for.
    """

    below: Array
    low: Array
    high: Array


def continue_pair(
    known: PairDraws,
    tables: list[Array],
    truth: Index | None,
    tails: Array,
    n_continuations: int,
    rng: np.random.Generator,
) -> Continued:
    """Simulate further bakes of both pits, one more of each at a step.

    ``tables`` are the `log_likelihoods` of what is known.

    References
    ----------
    .. [1] O'Hagan, Stevens & Campbell (2005), Assurance in clinical trial design,
       Pharmaceutical Statistics 4:187-201.
    """
    burned = _further_bakes(known, truth, tails.size, n_continuations, rng)
    order = np.argsort(known.rates[:, 0] - known.rates[:, 1], kind="stable")
    gap = (known.rates[:, 0] - known.rates[:, 1])[order]
    tables = [table[:, order].astype(np.float32) for table in tables]
    start = np.log(np.maximum(known.weights[order], 1e-30)).astype(np.float32)
    n_below = max(int(np.searchsorted(gap, 0.0)), 1)
    found = Continued(*(np.empty((tails.size, n_continuations)) for _ in range(3)))
    for first in range(0, n_continuations, _TOGETHER):
        rows = np.arange(first, min(first + _TOGETHER, n_continuations))
        log_weight = np.repeat(start[None], rows.size, axis=0)
        for step, tail in enumerate(tails):
            codes = _codes(known, burned[step, rows])
            for table, code in zip(tables, codes, strict=True):
                log_weight += table[code]
            log_weight -= log_weight.max(axis=1, keepdims=True)
            weight = np.exp(log_weight)
            below = weight[:, :n_below].sum(axis=1)
            found.below[step, rows] = below / weight.sum(axis=1)
            low, high = gap[_reached(weight, np.array([[tail], [1.0 - tail]]))]
            found.low[step, rows], found.high[step, rows] = low, high
    return found


def _reached(weight: NDArray[np.float32], shares: Array) -> Index:
    """Draws at which shares (shares, 1) of the weight (rows, draws) are reached."""
    upto = np.cumsum(weight, axis=1)
    goal = shares * upto[:, -1]
    return np.asarray((upto[:, :-1] < goal[..., None]).sum(axis=2))


def _further_bakes(
    known: PairDraws,
    truth: Index | None,
    n_steps: int,
    n: int,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Burned items, shape (n_steps, n, 2); a step is a session of its own."""
    if truth is None:
        rates, sd, between = (
            np.average(x, axis=0, weights=known.weights)[None]
            for x in (known.rates, known.bake_sd, known.session_sd)
        )
    else:
        rates, sd, between = (
            x[truth] for x in (known.rates, known.bake_sd, known.session_sd)
        )
    spread = np.hypot(sd, between[:, None])
    level = marginal_intercept(rates, spread)
    heat = sd * rng.normal(size=(n_steps, n, 2))
    day = between[:, None] * rng.normal(size=(n_steps, n, 1))
    return rng.binomial(known.items, expit(level + heat + day))


def log_likelihoods(known: PairDraws) -> list[Array]:
    """Tables of log-likelihoods, outcomes by draws: of each pit, or of both at once."""
    spread = np.hypot(known.bake_sd, known.session_sd[:, None])
    level = marginal_intercept(known.rates, spread)
    if not np.any(known.session_sd > 0):
        return [
            _bake_table(level[:, p], known.bake_sd[:, p], known.items[p])
            for p in range(2)
        ]
    node, weight = normal_nodes(_SESSION_NODES)
    both = [
        np.stack(
            [
                _bake_table(
                    level[:, p] + z * known.session_sd,
                    known.bake_sd[:, p],
                    known.items[p],
                )
                for z in node
            ]
        )
        for p in range(2)
    ]
    first, second = both[0] + np.log(weight)[:, None, None], both[1]
    each = [
        log_sum_exp(first[:, [burned]] + second, axis=0)
        for burned in range(first.shape[1])
    ]
    return [np.concatenate(each)]


def _bake_table(level: Array, sd: Array, items: int) -> Array:
    """Log-likelihood of 0, 1, ... burned items of one bake, for every draw."""
    node, weight = normal_nodes(_BAKE_NODES)
    logit = level + sd * node[:, None]
    burned = np.arange(items + 1)[:, None, None]
    choose = gammaln(items + 1) - gammaln(burned + 1) - gammaln(items - burned + 1)
    value = choose + burned * log_expit(logit) + (items - burned) * log_expit(-logit)
    value += np.log(weight)[:, None]
    return np.asarray(log_sum_exp(value, axis=1), dtype=np.float64)


def _codes(known: PairDraws, burned: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Rows of the tables for outcomes of shape (n, 2)."""
    if np.any(known.session_sd > 0):
        return [burned[:, 0] * (known.items[1] + 1) + burned[:, 1]]
    return [burned[:, 0], burned[:, 1]]


def never_falling(shares: Array) -> Array:
    """The nearest shares (least squares) that never fall from one step to the next."""
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(shares).x)
