"""Many studies of one design whose sessions hold bakes of several pits, at a time.

The model is that of `model_rates` without covariates. For two pits the session effect
is summed over evenly spaced nodes and the spreads over fixed quasi-random points, so
that one simulated study is a product of small tables; with more pits every study goes
through the engine with few draws.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache, lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, log_expit, ndtr, ndtri
from scipy.stats import qmc

from pitstats.stats.bake_model import PairEnds, Pairs
from pitstats.stats.binomial_data import whole_numbers
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.posterior import model_rates
from pitstats.stats.spread_prior import OWN, SD_LIMIT

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_RATES = 48
_SPREADS = 64
# Session effects in session SDs: the steps resolve sessions of some 40 items.
_SESSIONS = np.linspace(-3.5, 3.5, 15)
_BAKES = np.linspace(-3.5, 3.5, 13)
_KEPT_TABLES = 700
_DRAWS = 1024


class SessionLooks(NamedTuple):
    """What studies of two pits show after some of their sessions.

    Attributes
    ----------
    p_value, estimate, low, high : ndarray, shape (n_studies, n_looks)
        Two-sided p-value, posterior mean and interval of the difference, rate of the
        first pit minus that of the second; the p-value lies below the level where the
        interval excludes 0.
    """

    p_value: Array
    estimate: Array
    low: Array
    high: Array


class SessionModel:
    """Intervals of differences for studies of one design with sessions.

    Parameters
    ----------
    total, pit, session : array_like of int, shape (n_bakes,)
        Graded items, pit (from 0) and session of each bake.
    conf_level : float, default 0.95
        Level of the intervals.

    Raises
    ------
    ValueError
        If shapes differ or a number is not whole.

    Notes
    -----
    Ends agree with `model_rates` to about 0.01; a session SD is half-normal(1) on 0 to
    2.5 as there.

    Examples
    --------
    >>> model = SessionModel([18] * 8, [0, 1] * 4, [0, 0, 1, 1, 2, 2, 3, 3])
    >>> model.separated([[2, 9, 3, 12, 1, 8, 4, 11], [4, 5, 6, 5, 2, 3, 5, 4]])[:, 0]
    array([ True, False])
    """

    def __init__(
        self,
        total: ArrayLike,
        pit: ArrayLike,
        session: ArrayLike,
        conf_level: float = 0.95,
    ) -> None:
        self.total = whole_numbers(total, "total")
        self.pit = whole_numbers(pit, "pit")
        self.session = whole_numbers(session, "session")
        if not self.total.shape == self.pit.shape == self.session.shape:
            raise ValueError("give one entry per bake in total, pit and session")
        self.conf_level = float(conf_level)
        self.n_pits = int(self.pit.max()) + 1
        self.pairs = tuple(combinations(range(self.n_pits), 2))
        self._days = [
            np.flatnonzero(self.session == s) for s in np.unique(self.session)
        ]
        self._tables: dict[tuple[tuple[int, int, int], ...], NDArray[np.float32]] = {}

    def separated(
        self,
        burned: ArrayLike,
        pairs: Pairs | None = None,
        *,
        any_pair: bool = False,
    ) -> NDArray[np.bool_]:
        """Whether intervals (simultaneous with more than two pits) exclude 0.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items.
        pairs : sequence of (int, int), optional
            Pairs asked about; all when not given.
        any_pair : bool, default False
            Ask only whether any of the pairs is separated.

        Returns
        -------
        ndarray of bool, shape (n_studies, n_pairs) or (n_studies,)
        """
        found = self.ends(burned, pairs)
        out = (found.simultaneous_low > 0) | (found.simultaneous_high < 0)
        return np.asarray(out.any(axis=1) if any_pair else out)

    def ends(self, burned: ArrayLike, pairs: Pairs | None = None) -> PairEnds:
        """Intervals of differences, rate a - rate b, of many studies.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items.
        pairs : sequence of (int, int), optional
            Pairs asked about; all when not given.

        Returns
        -------
        PairEnds
            With arrays of shape (n_studies, n_pairs).
        """
        counts = np.atleast_2d(whole_numbers(burned, "burned"))
        chosen = [self.pairs.index(pair) for pair in (pairs or self.pairs)]
        if self.n_pits == 2:
            rows = np.array([self._two_pits(row) for row in counts])
            low, high = rows.T[:, :, None]
            return PairEnds(low, high, low, high)
        found = [self._drawn(row, chosen) for row in counts]
        return PairEnds(*(np.stack(column) for column in zip(*found, strict=True)))

    def after_sessions(
        self, burned: ArrayLike, after: Sequence[int], levels: ArrayLike = 0.05
    ) -> SessionLooks:
        """Difference of two pits, first minus second, after some of the sessions.

        Parameters
        ----------
        burned : array_like of int, shape (n_studies, n_bakes)
            Burned items.
        after : sequence of int
            Numbers of sessions, increasing, after which to judge.
        levels : array_like, shape (len(after),), default 0.05
            Two-sided level of each interval.

        Returns
        -------
        SessionLooks

        Raises
        ------
        ValueError
            With more than two pits.
        """
        if self.n_pits != 2:
            raise ValueError(f"this is for two pits; here are {self.n_pits}")
        counts = np.atleast_2d(whole_numbers(burned, "burned"))
        tails = np.broadcast_to(levels, len(after)) / 2
        found = np.empty((len(SessionLooks._fields), counts.shape[0], len(after)))
        for study, row in enumerate(counts):
            for look, mass in enumerate(self._masses(row, after)):
                found[:, study, look] = _summary(mass, tails[look])
        return SessionLooks(*found)

    def _drawn(self, burned: Codes, chosen: list[int]) -> tuple[Array, ...]:
        """Intervals of one study from the engine."""
        found = model_rates(
            burned,
            self.total,
            self.pit,
            np.arange(self.pit.size),
            session=self.session,
            conf_level=self.conf_level,
            n_draws=_DRAWS,
        ).differences
        columns = (
            found.low,
            found.high,
            found.simultaneous_low,
            found.simultaneous_high,
        )
        return tuple(np.asarray(column[chosen]) for column in columns)

    def _two_pits(self, burned: Codes) -> tuple[float, float]:
        """Interval of the difference in one study of two pits."""
        (mass,) = self._masses(burned, [len(self._days)])
        _, _, low, high = _summary(mass, (1 - self.conf_level) / 2)
        return low, high

    def _masses(self, burned: Codes, after: Sequence[int]) -> Iterator[Array]:
        """Posterior over both rates after these numbers of sessions."""
        joint = np.ones((_SPREADS, _RATES, _RATES), dtype=np.float32)
        for number, day in enumerate(self._days, start=1):
            joint *= self._table(burned, day)
            joint /= joint.max()
            if number in after:
                yield joint.sum(axis=0, dtype=np.float64).ravel()

    def _table(self, burned: Codes, day: Codes) -> NDArray[np.float32]:
        """Likelihood of one session, shape (spreads, rates of 0, rates of 1)."""
        key = tuple(
            sorted((int(self.pit[b]), int(self.total[b]), int(burned[b])) for b in day)
        )
        if key not in self._tables:
            if len(self._tables) >= _KEPT_TABLES:
                self._tables.pop(next(iter(self._tables)))
            weight = np.exp(-0.5 * _SESSIONS**2).astype(np.float32)
            sides = [np.ones((_SPREADS, _RATES, _SESSIONS.size), dtype=np.float32)] * 2
            for pit, total, y in key:
                sides[pit] = sides[pit] * _bake_table(pit, total)[y]
            table = np.matmul(sides[0] * weight, sides[1].transpose(0, 2, 1))
            self._tables[key] = table / table.max()
        return self._tables[key]


@cache
def _spreads() -> tuple[Array, Array]:
    """Spreads of two pits and of sessions at equally likely points of their prior."""
    points = qmc.Sobol(4, scramble=True, seed=np.random.default_rng(5)).random(_SPREADS)
    score = ndtri(np.clip(points[:, :3].T, 1e-9, 1 - 1e-9))
    whole = ndtr(SD_LIMIT) - 0.5
    session_sd = ndtri(0.5 + whole * points[:, 3])
    return OWN.spreads(score[0], score[1:]), session_sd


@cache
def _rates() -> tuple[Array, Codes, Array]:
    """Rates of equal prior mass; their differences, and the order of these."""
    rate = np.sin((np.arange(_RATES) + 0.5) * np.pi / 2 / _RATES) ** 2
    gap = (rate[:, None] - rate).ravel()
    order = np.argsort(gap, kind="stable")
    return rate, order, gap[order]


@lru_cache(maxsize=8)
def _bake_table(pit: int, total: int) -> NDArray[np.float32]:
    """Likelihood of 0 to ``total`` burned of a bake over its own effect.

    Shape (total + 1, spreads, rates, session effects), relative to its peak.
    """
    sd, session_sd = _spreads()
    whole = np.hypot(sd[pit], session_sd)
    intercept = marginal_intercept(_rates()[0], whole[:, None])
    base = intercept[:, :, None] + session_sd[:, None, None] * _SESSIONS
    weight = np.exp(-0.5 * _BAKES**2)
    weight /= weight.sum()
    y = np.arange(total + 1)
    choose = gammaln(total + 1) - gammaln(y + 1) - gammaln(total - y + 1)
    table = np.zeros((total + 1, *base.shape), dtype=np.float32)
    for z, share in zip(_BAKES, weight, strict=True):
        eta = base + sd[pit][:, None, None] * z
        burn, spare = log_expit(eta), log_expit(-eta)
        for k in range(total + 1):
            table[k] += share * np.exp(choose[k] + k * burn + (total - k) * spare)
    return table


def _summary(mass: Array, tail: float) -> tuple[float, float, float, float]:
    """P-value, mean and interval of the difference."""
    share, gap = _distribution(mass)
    upto = np.cumsum(share) - 0.5 * share
    low, high = np.interp([tail, 1 - tail], upto, gap)
    less = np.interp(0.0, gap, upto)
    return 2 * min(less, 1 - less), float(share @ gap), float(low), float(high)


def _distribution(mass: Array) -> tuple[Array, Array]:
    """Probability of every step of the difference, and the steps."""
    _, order, gap = _rates()
    share = mass[order] / mass.sum()
    # Equal differences make one step, so that ties do not count as an order.
    first = np.flatnonzero(np.diff(gap, prepend=-2.0) > 1e-12)
    return np.add.reduceat(share, first), gap[first]
