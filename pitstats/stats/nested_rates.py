"""Long-run rates over many bakes in sessions in studies: a whole season at once.

Bakes share sessions and sessions share studies. Effects of all three are normal on the
logit scale; their SDs are summed over a grid that finds its own place and width, and
given the SDs the pits' levels are normal around their mode (nested Laplace). The cost
grows with the number of bakes, so that ten thousand of them take seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_conf_level,
    check_counts,
    expit,
)
from pitstats.stats.marginal import marginal_rate
from pitstats.stats.multiplicity import sobol_points
from pitstats.stats.spread_prior import SD_LIMIT
from pitstats.stats.weighted_draws import (
    PairSummaries,
    Summary,
    summarize_draws,
    summarize_pairs,
)

IntArray = npt.NDArray[np.intp]

_LEVELS = ("bake", "session", "study")
_N_DRAWS = 4096
_NEWTON_STEPS = 40
_CLOSE = 1e-5  # largest step of a logit at which Newton's method has arrived
_NODES = 5  # of the grid, along each SD
_DROP = 5.0  # fall of the log density at which the grid ends
_SEARCH = np.array([0.05, 0.15, 0.3, 0.5, 0.8, 1.2, 1.8])
_BLOCK = 4_000_000  # numbers of bakes times nodes worked on at a time


class NestedRates(NamedTuple):
    """What `nested_rates` gives.

    Attributes
    ----------
    rates : tuple of Summary
        Long-run rate of each pit: estimate, low, high. ``low`` is 0 where no item
        burned, ``high`` 1 where all did.
    differences : PairSummaries
        Rate of pit a less rate of pit b, for all pairs.
    sds : dict of str to Summary or None
        SD between the bakes of a session, between the sessions of a study and between
        studies, logit scale, by ``"bake"``, ``"session"``, ``"study"``; None where the
        design has no such level.
    """

    rates: tuple[Summary, ...]
    differences: PairSummaries
    sds: dict[str, Summary | None]


def nested_rates(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    session: npt.ArrayLike,
    study: npt.ArrayLike,
    conf_level: float = 0.95,
) -> NestedRates:
    """Estimate long-run burn rates from bakes in sessions in studies.

    Parameters
    ----------
    burned, total : array_like of int, shape (n_bakes,)
        Burned and graded items of each bake.
    pit : array_like of int, shape (n_bakes,)
        Pit codes 0, 1 ...
    session, study : array_like, shape (n_bakes,)
        Session and study of each bake; sessions of different studies are different
        whatever their names. A level whose groups hold one group of the level below
        each, or that has one group only, has no effect of its own.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    NestedRates

    Raises
    ------
    ValueError
        If shapes differ or counts or codes cannot be used.

    Notes
    -----
    ``logit P(burned) = alpha_pit + w_study + v_session + u_bake``. Given the SDs, the
    levels and effects are found by iterated weighted least squares with the nested
    covariance matrix inverted in closed form, moved to the mode of the levels alone,
    and integrated by Laplace's method [1]_, [2]_. The prior of each level
    ``expit(alpha)`` is Beta(1/2, 1/2); the SDs are uniform from 0 to 2.5 (bakes) and
    half-normal(1) (sessions, studies). The spread between bakes is common to all pits.

    References
    ----------
    .. [1] Breslow & Clayton (1993), Approximate inference in generalized linear mixed
       models, Journal of the American Statistical Association 88:9-25.
    .. [2] Rue, Martino & Chopin (2009), Approximate Bayesian inference for latent
       Gaussian models by using integrated nested Laplace approximations, Journal of
       the Royal Statistical Society B 71:319-392.

    Examples
    --------
    >>> burned = [2, 5, 3, 6] * 30
    >>> pit, study = [0, 1, 0, 1] * 30, [k // 4 for k in range(120)]
    >>> found = nested_rates(burned, [20] * 120, pit, study, study)
    >>> [round(rate.estimate, 2) for rate in found.rates]
    [0.13, 0.28]
    """
    burned, total = check_counts(burned, total)
    n = len(total)
    level = check_conf_level(conf_level)
    pits = check_codes(pit, n, "pit")
    data = _nest(burned, total, pits, np.asarray(session), np.asarray(study))
    center = _search(data)
    grid, prior = _place(data, center)
    fits = _fit(data, grid)
    density = np.exp(fits.log_evidence + prior - np.max(fits.log_evidence + prior))
    weight = density / density.sum()
    rates = _draw(fits, grid, weight)
    even = np.full(rates.shape[1], 1 / rates.shape[1])
    return NestedRates(
        rates=tuple(
            _ended(summarize_draws(row, even, level), data, p)
            for p, row in enumerate(rates)
        ),
        differences=summarize_pairs(rates, even, level),
        sds={
            name: _sd_summary(grid[:, k], weight, level) if data.used[k] else None
            for k, name in enumerate(_LEVELS)
        },
    )


@dataclass(frozen=True)
class _Nest:
    """Counts, sorted by study and session, and where the groups begin."""

    burned: FloatArray
    total: FloatArray
    pit: IntArray
    at_pit: FloatArray  # (bakes, pits): 1 for the pit of the bake
    sessions: IntArray  # first bake of each session
    session_sizes: IntArray  # bakes of each session
    studies: IntArray  # first session of each study
    study_sizes: IntArray  # sessions of each study
    used: tuple[bool, bool, bool]

    @property
    def n_pits(self) -> int:
        """Number of pits."""
        return int(self.at_pit.shape[1])


def _nest(
    burned: FloatArray,
    total: FloatArray,
    pit: IntArray,
    session: npt.NDArray[np.generic],
    study: npt.NDArray[np.generic],
) -> _Nest:
    if session.shape != total.shape or study.shape != total.shape:
        raise ValueError("session and study need one entry per bake, as total has")
    graded = total > 0
    if not graded.any():
        raise ValueError("no bake has a graded item; give at least one")
    _, in_study = np.unique(study[graded], return_inverse=True)
    _, named = np.unique(session[graded], return_inverse=True)
    order = np.lexsort((named, in_study))
    in_study, named = in_study[order], named[order]
    new_study = np.diff(in_study, prepend=-1) != 0
    sessions = np.flatnonzero(new_study | (np.diff(named, prepend=-1) != 0))
    studies = np.flatnonzero(new_study[sessions])
    n_bakes, n_sessions, n_studies = len(order), len(sessions), len(studies)
    own = np.asarray(pit[graded], dtype=np.intp)[order]
    return _Nest(
        burned=burned[graded][order],
        total=total[graded][order],
        pit=own,
        at_pit=(own[:, None] == np.arange(int(pit.max()) + 1)).astype(np.float64),
        sessions=sessions,
        session_sizes=np.diff(sessions, append=n_bakes),
        studies=studies,
        study_sizes=np.diff(studies, append=n_sessions),
        used=(True, n_studies < n_sessions < n_bakes, 1 < n_studies < n_bakes),
    )


class _Fits(NamedTuple):
    """Levels of the pits at each node of the SDs."""

    level: FloatArray  # (nodes, pits)
    covariance: FloatArray  # (nodes, pits, pits)
    log_evidence: FloatArray  # (nodes,)


def _fit(data: _Nest, sds: FloatArray) -> _Fits:
    """Mode, spread and evidence at every node, in blocks that fit into memory."""
    size = max(1, _BLOCK // max(len(data.total), 1))
    parts = [_fit_block(data, sds[k : k + size]) for k in range(0, len(sds), size)]
    return _Fits(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _fit_block(data: _Nest, sds: FloatArray) -> _Fits:
    n_nodes, n_bakes = len(sds), len(data.total)
    start = 0.8 * np.log((data.burned + 0.5) / (data.total - data.burned + 0.5))
    n_of_pit = np.maximum(data.at_pit.sum(axis=0), 1)
    eta = np.broadcast_to(start, (n_nodes, n_bakes)).copy()
    level = np.tile(start @ data.at_pit / n_of_pit, (n_nodes, 1))
    for _ in range(_NEWTON_STEPS):
        step = _step(data, sds, eta, level)
        change = np.clip(step.eta - eta, -3, 3)
        eta, level = eta + change, level + np.clip(step.level - level, -3, 3)
        if np.abs(change).max(initial=0.0) < _CLOSE:
            break
    step = _step(data, sds, eta, level)
    fitted = data.burned * eta - data.total * np.logaddexp(0, eta)
    edge = 0.5 * (level - 2 * np.logaddexp(0, level))  # of Beta(1/2, 1/2) pseudo-items
    evidence = (
        fitted.sum(axis=1)
        + edge.sum(axis=1)
        - 0.5 * step.penalty
        - 0.5 * step.log_det
        + 0.5 * np.linalg.slogdet(step.covariance)[1]
    )
    return _Fits(
        level + _shift(data, sds, eta, step.covariance), step.covariance, evidence
    )


def _shift(
    data: _Nest, sds: FloatArray, eta: FloatArray, covariance: FloatArray
) -> FloatArray:
    """From the joint mode of levels and effects to the mode of the levels alone.

    The joint mode lies too near one half. One Newton step along the slope of the
    log determinant, which the joint mode leaves out, puts that right.
    """
    chance = expit(eta)
    work = np.maximum(data.total * chance * (1 - chance), 1e-10)
    inverse = _Inverse(data, sds, work)
    variance = 1 / work - inverse.diagonal() / work**2
    slope = -0.5 * (1 - 2 * chance) * variance  # over the weights, which cancel
    return np.asarray(
        np.einsum("gpq,gq->gp", covariance, inverse.times(slope) @ data.at_pit)
    )


class _Step(NamedTuple):
    eta: FloatArray
    level: FloatArray
    covariance: FloatArray
    penalty: FloatArray
    log_det: FloatArray


def _step(data: _Nest, sds: FloatArray, eta: FloatArray, level: FloatArray) -> _Step:
    """One step of weighted least squares with the nested covariance of the effects."""
    chance = expit(eta)
    work = np.maximum(data.total * chance * (1 - chance), 1e-10)
    response = eta + (data.burned - data.total * chance) / work
    inverse = _Inverse(data, sds, work)
    # Half an item burned of one: the prior of each level, as an observation of it.
    share = expit(level)
    pseudo = np.maximum(share * (1 - share), 1e-10)
    at_pits = inverse.times(response) @ data.at_pit
    information = inverse.information()
    diagonal = np.arange(data.n_pits)
    information[:, diagonal, diagonal] += pseudo
    right = at_pits + pseudo * level + 0.5 - share
    covariance = np.linalg.inv(information)
    new_level = np.einsum("gpq,gq->gp", covariance, right)
    left = response - new_level[:, data.pit]
    solved = inverse.times(left)
    effect = left - solved / work
    return _Step(
        new_level[:, data.pit] + effect,
        new_level,
        covariance,
        np.einsum("gb,gb->g", solved, effect),
        inverse.log_det + np.log(work).sum(axis=1),
    )


class _Inverse:
    """Inverse of the covariance of the working response, in closed form by level."""

    def __init__(self, data: _Nest, sds: FloatArray, work: FloatArray) -> None:
        self._data = data
        variance = sds**2
        self._bake = 1 / (1 / work + variance[:, :1])
        in_session = np.add.reduceat(self._bake, data.sessions, axis=1)
        self._shrink = 1 / (1 + variance[:, 1:2] * in_session)
        self._session = variance[:, 1:2] * self._shrink
        in_study = np.add.reduceat(self._shrink * in_session, data.studies, axis=1)
        self._study = variance[:, 2:3] / (1 + variance[:, 2:3] * in_study)
        self.log_det = (
            -np.log(self._bake).sum(axis=1)
            - np.log(self._shrink).sum(axis=1)
            + np.log1p(variance[:, 2:3] * in_study).sum(axis=1)
        )

    def times(self, values: FloatArray) -> FloatArray:
        """The inverse times one vector per node."""
        data = self._data
        weighted = self._bake * values
        in_session = np.add.reduceat(weighted, data.sessions, axis=1)
        in_study = np.add.reduceat(self._shrink * in_session, data.studies, axis=1)
        of_study = np.repeat(self._study * in_study, data.study_sizes, axis=1)
        effect = self._session * in_session + self._shrink * of_study
        of_session = np.repeat(effect, data.session_sizes, axis=1)
        return np.asarray(weighted - self._bake * of_session)

    def diagonal(self) -> FloatArray:
        """Diagonal of the inverse."""
        data = self._data
        of_study = np.repeat(self._study, data.study_sizes, axis=1)
        effect = self._session + self._shrink**2 * of_study
        of_session = np.repeat(effect, data.session_sizes, axis=1)
        return np.asarray(self._bake - self._bake**2 * of_session)

    def information(self) -> FloatArray:
        """Information about the levels of the pits, shape (nodes, pits, pits)."""
        at_pit = self._data.at_pit
        columns = [self.times(column) @ at_pit for column in at_pit.T]
        return np.stack(columns, axis=2)


def _log_prior(sds: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (sds[:, 1] ** 2 + sds[:, 2] ** 2))


def _posterior(data: _Nest, sds: FloatArray) -> FloatArray:
    return np.asarray(_fit(data, sds).log_evidence + _log_prior(sds))


def _search(data: _Nest) -> FloatArray:
    """Find about the most plausible SDs, one level after the other."""
    best = np.where(data.used, [0.5, 0.3, 0.3], 0.0)
    for width in (1.0, 0.35, 0.12, 0.04, 0.015):
        for k in np.flatnonzero(data.used):
            tried = (
                _SEARCH
                if width == 1.0
                else np.clip(best[k] + width * np.linspace(-1, 1, 5), 0, SD_LIMIT)
            )
            sds = np.tile(best, (len(tried), 1))
            sds[:, k] = tried
            best[k] = tried[int(np.argmax(_posterior(data, sds)))]
    return best


def _place(data: _Nest, center: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Grid of SDs around the center, with the log prior weight of each node."""
    peak = float(_posterior(data, center[None])[0])
    axes, widths = [], []
    for k, used in enumerate(data.used):
        if not used:
            axes.append(np.zeros(1))
            widths.append(np.ones(1))
            continue
        low, high = (
            _reach(data, center, k, end, peak - _DROP) for end in (0.0, SD_LIMIT)
        )
        edges = np.linspace(low, high, _NODES + 1)
        axes.append((edges[1:] + edges[:-1]) / 2)
        widths.append(np.diff(edges))
    grid = np.array(list(product(*axes)))
    width = np.array([np.prod(each) for each in product(*widths)])
    return grid, _log_prior(grid) + np.log(width)


def _reach(data: _Nest, center: FloatArray, k: int, end: float, floor: float) -> float:
    """Where, between the center and an end, the log density falls under the floor."""
    near, far = float(center[k]), end
    for _ in range(3):
        tried = np.linspace(near, far, 6)
        sds = np.tile(center, (6, 1))
        sds[:, k] = tried
        under = np.flatnonzero(_posterior(data, sds) < floor)
        if not under.size:
            return far
        first = max(int(under[0]), 1)
        near, far = float(tried[first - 1]), float(tried[first])
    return far


def _draw(fits: _Fits, grid: FloatArray, weight: FloatArray) -> FloatArray:
    """Draw long-run rates, shape (pits, draws), at fixed quasi-random points."""
    from scipy.special import ndtri

    n_pits = fits.level.shape[1]
    points = sobol_points(n_pits + 1)[:_N_DRAWS]
    node = np.searchsorted(np.cumsum(weight), points[:, 0] * weight.sum())
    node = np.minimum(node, len(weight) - 1)
    score = ndtri(np.clip(points[:, 1:], 1e-9, 1 - 1e-9))
    root = np.linalg.cholesky(fits.covariance)
    level = fits.level[node] + np.einsum("dpq,dq->dp", root[node], score)
    total_sd = np.sqrt((grid[node] ** 2).sum(axis=1))
    return marginal_rate(level.T, total_sd[None])


def _ended(found: Summary, data: _Nest, pit: int) -> Summary:
    """Ends of the interval where nothing or everything burned."""
    own = data.pit == pit
    burned, total = data.burned[own].sum(), data.total[own].sum()
    low = 0.0 if burned == 0 else found.low
    high = 1.0 if burned == total else found.high
    return Summary(found.estimate, low, high)


def _sd_summary(sds: FloatArray, weight: FloatArray, conf_level: float) -> Summary:
    """Mean and interval of one SD, its cells taken as evenly filled."""
    nodes, place = np.unique(sds, return_inverse=True)
    mass = np.bincount(place.reshape(-1), weights=weight)
    step = (nodes[1] - nodes[0]) / 2 if len(nodes) > 1 else 0.0
    edges = np.append(nodes - step, nodes[-1] + step)
    running = np.concatenate([[0.0], np.cumsum(mass)])
    tail = (1 - conf_level) / 2
    low, high = np.interp([tail, 1 - tail], running / running[-1], edges)
    touches = edges[0] <= 1e-9 and mass[0] > 0.15 * mass.max()
    return Summary(float(nodes @ mass), 0.0 if touches else float(low), float(high))
