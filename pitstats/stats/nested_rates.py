"""Long-run rates over many bakes in sessions in studies: a whole season at once.

Bakes share sessions and sessions share studies. Effects of all three are normal on the
logit scale, those of bakes with a spread of their pit. The SDs are drawn with weights,
and given the SDs the pits' levels are normal around their mode (nested Laplace). The
cost grows with the number of bakes, so that ten thousand of them take seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.adaptive_sampling import sample_adaptively
from pitstats.stats.binomial_data import (
    FloatArray,
    IntArray,
    check_codes,
    check_conf_level,
    check_counts,
    expit,
)
from pitstats.stats.estimates import Estimate, PairEstimates, ending_at_borders
from pitstats.stats.marginal import marginal_rate
from pitstats.stats.multiplicity import sobol_points
from pitstats.stats.spread_prior import SpreadPrior, chosen_prior
from pitstats.stats.weighted_draws import (
    summarize_draws,
    summarize_pairs,
    summarize_rows,
)

_LEVELS = ("bake", "session", "study")
_SHARED = SpreadPrior(0.0, "half-normal(1)")  # prior of the SDs that bakes share
_N_DRAWS = 4096
_N_SDS = 512  # weighted draws of the SDs
_ROUND_SDS = 256
_SEED = 1709
_NEWTON_STEPS = 40
_CLOSE = 1e-3  # largest step of a logit after which the next would be its square
_BLOCK = 200_000  # numbers of bakes times SDs worked on at a time
_HISTOGRAM = 12


class NestedRates(NamedTuple):
    """What `nested_rates` gives.

    Attributes
    ----------
    rates : tuple of Estimate
        Long-run rate of each pit: estimate, low, high. ``low`` is 0 where no item
        burned, ``high`` 1 where all did.
    differences : PairEstimates
        Rate of pit a less rate of pit b, for all pairs.
    bake_sds : tuple of Estimate
        SD between the bakes of a session of each pit, logit scale. ``low`` is 0 where
        the posterior density at 0 exceeds 15 % of its peak.
    sds : dict of str to Estimate or None
        SD between the bakes of a session (that of a pit neither steadier nor moodier
        than its like), between the sessions of a study and between studies, logit
        scale, by ``"bake"``, ``"session"``, ``"study"``; None where the design has no
        such level.
    """

    rates: tuple[Estimate[float], ...]
    differences: PairEstimates
    bake_sds: tuple[Estimate[float], ...]
    sds: dict[str, Estimate[float] | None]


def nested_rates(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    session: npt.ArrayLike,
    study: npt.ArrayLike,
    conf_level: float = 0.95,
    *,
    spread: Literal["own", "common"] = "own",
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
    spread : {"own", "common"}, default "own"
        Whether each pit has a spread between bakes of its own or all share one.

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
    ``expit(alpha)`` is Beta(1/2, 1/2). The spreads between bakes have the exchangeable
    prior of `bake_rates`, the SDs of sessions and studies half-normal(1); with scores
    that are standard normal in advance for coordinates, all are drawn from an envelope
    fitted to the evidence, and weighted.

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
    spreads = _Spreads(data, chosen_prior(spread, None, None))
    drawn = sample_adaptively(
        spreads.log_density, spreads.start, _N_SDS, _SEED, round_draws=_ROUND_SDS
    )
    sds = spreads.at(drawn.points)
    rates = _draw(spreads.fits, sds, drawn.weights)
    even = np.full(rates.shape[1], 1 / rates.shape[1])
    burned, total = data.burned @ data.at_pit, data.total @ data.at_pit
    found = summarize_rows(rates, even, level)
    ended = ending_at_borders(found, burned == 0, burned == total)
    columns = dict(zip(_LEVELS, (sds.level, sds.session, sds.study), strict=True))
    return NestedRates(
        rates=tuple(Estimate(*map(float, row)) for row in zip(*ended, strict=True)),
        differences=summarize_pairs(rates, even, level),
        bake_sds=tuple(_sd_summary(row, drawn.weights, level) for row in sds.bake.T),
        sds={
            name: _sd_summary(columns[name], drawn.weights, level) if used else None
            for name, used in zip(_LEVELS, data.used, strict=True)
        },
    )


@dataclass(frozen=True)
class _Nest:
    """Counts, sorted by study and session, and where the groups begin."""

    burned: FloatArray
    total: FloatArray
    pit: IntArray
    at_pit: FloatArray  # (bakes, pits): 1 for the pit of the bake
    cells: IntArray  # first bake of each pit in a session
    cell_place: tuple[IntArray, IntArray]  # session and pit of each such cell
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
    own = np.asarray(pit[graded], dtype=np.intp)
    order = np.lexsort((own, named, in_study))
    in_study, named, own = in_study[order], named[order], own[order]
    new_study = np.diff(in_study, prepend=-1) != 0
    new_session = new_study | (np.diff(named, prepend=-1) != 0)
    sessions = np.flatnonzero(new_session)
    cells = np.flatnonzero(new_session | (np.diff(own, prepend=-1) != 0))
    studies = np.flatnonzero(new_study[sessions])
    n_bakes, n_sessions, n_studies = len(order), len(sessions), len(studies)
    return _Nest(
        burned=burned[graded][order],
        total=total[graded][order],
        pit=own,
        at_pit=(own[:, None] == np.arange(int(pit.max()) + 1)).astype(np.float64),
        cells=cells,
        cell_place=((np.cumsum(new_session) - 1)[cells], own[cells]),
        sessions=sessions,
        session_sizes=np.diff(sessions, append=n_bakes),
        studies=studies,
        study_sizes=np.diff(studies, append=n_sessions),
        used=(True, n_studies < n_sessions < n_bakes, 1 < n_studies < n_bakes),
    )


class _Sds(NamedTuple):
    """SDs, one row per draw."""

    bake: FloatArray  # (nodes, pits)
    level: FloatArray  # (nodes,), spread of a pit whose own part is nought
    session: FloatArray  # (nodes,)
    study: FloatArray  # (nodes,)

    @property
    def total(self) -> FloatArray:
        """SD of all effects of a pit together, (nodes, pits)."""
        shared = self.session**2 + self.study**2
        return np.sqrt(self.bake**2 + shared[:, None])


class _Spreads:
    """The SDs as functions of scores that are standard normal in advance."""

    fits: _Fits

    def __init__(self, data: _Nest, prior: SpreadPrior) -> None:
        self._data, self._prior = data, prior
        self._n_own = 0 if prior.common else data.n_pits
        shared = sum(data.used[1:])
        self.start = np.zeros(1 + self._n_own + shared)
        self.start[0] = prior.score(0.5)
        self.start[1 + self._n_own :] = _SHARED.score(0.3)
        self._mode = _first_mode(data)

    def at(self, points: FloatArray) -> _Sds:
        """SDs of points of shape (coordinates, nodes)."""
        rest = iter(points[1 + self._n_own :])
        nought = np.zeros((1, points.shape[1]))
        own = points[1 : 1 + self._n_own] if self._n_own else nought
        bake = self._prior.spreads(points[0], own)
        shared = [
            _SHARED.sd(next(rest)) if used else nought[0]
            for used in self._data.used[1:]
        ]
        bake = np.broadcast_to(bake, (self._data.n_pits, points.shape[1]))
        return _Sds(bake.T, self._prior.spreads(points[0], nought)[0], *shared)

    def log_density(self, points: FloatArray) -> FloatArray:
        """Log posterior of the scores, up to a constant."""
        # Newton's method begins where it ended last; the last fits are of the draws.
        self.fits, self._mode = _fit(self._data, self.at(points), self._mode)
        return np.asarray(self.fits.log_evidence - 0.5 * (points**2).sum(axis=0))


class _Mode(NamedTuple):
    """Logits of the bakes and levels of the pits."""

    eta: FloatArray  # (bakes,)
    level: FloatArray  # (pits,)


def _first_mode(data: _Nest) -> _Mode:
    eta = 0.8 * np.log((data.burned + 0.5) / (data.total - data.burned + 0.5))
    n_of_pit = np.maximum(data.at_pit.sum(axis=0), 1)
    return _Mode(eta, eta @ data.at_pit / n_of_pit)


class _Fits(NamedTuple):
    """Levels of the pits at each node of the SDs."""

    level: FloatArray  # (nodes, pits)
    covariance: FloatArray  # (nodes, pits, pits)
    log_evidence: FloatArray  # (nodes,)


def _fit(data: _Nest, sds: _Sds, start: _Mode) -> tuple[_Fits, _Mode]:
    """Mode, spread and evidence at every node; the mode of the likeliest one."""
    size = max(1, _BLOCK // (len(data.total) + len(data.sessions) * data.n_pits))
    parts, best, mode = [], -np.inf, start
    for k in range(0, len(sds.level), size):
        fits, eta = _fit_block(data, _Sds(*(part[k : k + size] for part in sds)), mode)
        parts.append(fits)
        top = int(fits.log_evidence.argmax())
        if fits.log_evidence[top] > best:
            best, mode = fits.log_evidence[top], _Mode(eta[top], fits.level[top])
    return _Fits(*(np.concatenate(each) for each in zip(*parts, strict=True))), mode


def _fit_block(data: _Nest, sds: _Sds, start: _Mode) -> tuple[_Fits, FloatArray]:
    n_nodes = len(sds.level)
    eta, level = np.tile(start.eta, (n_nodes, 1)), np.tile(start.level, (n_nodes, 1))
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
    level = level + _shift(data, sds, eta, step.covariance)
    return _Fits(level, step.covariance, evidence), eta


def _shift(
    data: _Nest, sds: _Sds, eta: FloatArray, covariance: FloatArray
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


def _step(data: _Nest, sds: _Sds, eta: FloatArray, level: FloatArray) -> _Step:
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

    def __init__(self, data: _Nest, sds: _Sds, work: FloatArray) -> None:
        self._data = data
        session, study = sds.session[:, None] ** 2, sds.study[:, None] ** 2
        self._bake = 1 / (1 / work + (sds.bake**2)[:, data.pit])
        in_session = np.add.reduceat(self._bake, data.sessions, axis=1)
        self._shrink = 1 / (1 + session * in_session)
        self._session = session * self._shrink
        in_study = np.add.reduceat(self._shrink * in_session, data.studies, axis=1)
        self._study = study / (1 + study * in_study)
        self.log_det = (
            -np.log(self._bake).sum(axis=1)
            - np.log(self._shrink).sum(axis=1)
            + np.log1p(study * in_study).sum(axis=1)
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
        data = self._data
        of_cell = np.add.reduceat(self._bake, data.cells, axis=1)
        in_session = np.zeros((len(of_cell), len(data.sessions), data.n_pits))
        in_session[:, data.cell_place[0], data.cell_place[1]] = of_cell
        shrunk = self._shrink[:, :, None] * in_session
        in_study = np.add.reduceat(shrunk, data.studies, axis=1)
        found = -(in_session * self._session[:, :, None]).swapaxes(1, 2) @ in_session
        found -= (in_study * self._study[:, :, None]).swapaxes(1, 2) @ in_study
        diagonal = np.arange(data.n_pits)
        found[:, diagonal, diagonal] += in_session.sum(axis=1)
        return np.asarray(found)


def _draw(fits: _Fits, sds: _Sds, weight: FloatArray) -> FloatArray:
    """Draw long-run rates, shape (pits, draws), at fixed quasi-random points."""
    from scipy.special import ndtri

    n_pits = fits.level.shape[1]
    points = sobol_points(n_pits + 1)[:_N_DRAWS]
    node = np.searchsorted(np.cumsum(weight), points[:, 0] * weight.sum())
    node = np.minimum(node, len(weight) - 1)
    score = ndtri(np.clip(points[:, 1:], 1e-9, 1 - 1e-9))
    root = np.linalg.cholesky(fits.covariance)
    level = fits.level[node] + np.einsum("dpq,dq->dp", root[node], score)
    return marginal_rate(level.T, sds.total[node].T)


def _sd_summary(
    sds: FloatArray, weight: FloatArray, conf_level: float
) -> Estimate[float]:
    """Mean and interval of one SD; its low end is 0 where 0 is about as likely."""
    found = summarize_draws(sds, weight, conf_level)
    heights, _ = np.histogram(sds, _HISTOGRAM, (0.0, found.high), weights=weight)
    touches = heights[0] > 0.15 * heights.max()
    return Estimate(found.estimate, 0.0 if touches else found.low, found.high)
