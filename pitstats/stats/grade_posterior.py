"""Posterior of a cumulative logit with bake effects: parameters, prior, likelihood.

Logits of "this grade or darker" lie at a pit's level less the place of the cut. The
stated cut has place 0; gaps between cuts are common to the pits but for a factor per
pit, so that one pit may spread its items over more grades than another.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.bake_likelihood import group_items, log_likelihood
from pitstats.stats.binomial_data import FloatArray, IntArray
from pitstats.stats.cumulative import cut_pairs, log_gap
from pitstats.stats.quadrature import averaged_expit, normal_nodes
from pitstats.stats.spread_prior import OWN, SpreadPrior

GAP_MEDIAN = 1.4
GAP_LOG_SD = 1.0
SCALE_LOG_SD = 0.4
_SESSION = SpreadPrior(0.0, "half-normal(1)")
_NODES = 20
_LARGEST_LOG = 50.0
# Stands for minus infinity: points that far out are never of weight.
_NOWHERE = -1e300


class GradeParameters(NamedTuple):
    """Parameters of many draws.

    Attributes
    ----------
    level : ndarray, shape (pits, draws)
        Logit of the stated cut in a middling bake.
    bake_sd : ndarray, shape (pits, draws)
        SD between bakes on the logit scale.
    scale : ndarray, shape (pits, draws)
        Factor of the gaps of each pit.
    gap : ndarray, shape (grades - 2, draws)
        Gaps between neighboring cuts where the factor is 1.
    session_sd : ndarray, shape (draws,)
        SD between sessions; 0 without such an effect.
    """

    level: FloatArray
    bake_sd: FloatArray
    scale: FloatArray
    gap: FloatArray
    session_sd: FloatArray

    def cut_logits(self, stated: int) -> FloatArray:
        """Logits of all cuts in a middling bake, shape (pits, cuts, draws)."""
        place = np.concatenate([np.zeros_like(self.gap[:1]), np.cumsum(self.gap, 0)])
        if not len(self.gap):
            return self.level[:, None]
        place = place - place[stated]
        return np.asarray(self.level[:, None] - self.scale[:, None] * place)


class GradeModel:
    """Log posterior of one data set at many points.

    Parameters
    ----------
    counts : ndarray, shape (bakes, grades)
        Items by grade, palest first; no bake without items.
    pit : ndarray of int, shape (bakes,)
        Pit of each bake.
    n_pits : int
        Number of pits; one without bakes keeps its prior.
    stated : int
        The cut whose long-run share has the Beta(1/2, 1/2) prior, 0 for the palest.
    session : ndarray of int, shape (bakes,), or None
        Session of each bake; None when there is no session effect.
    """

    def __init__(
        self,
        counts: FloatArray,
        pit: IntArray,
        n_pits: int,
        stated: int,
        session: IntArray | None,
    ) -> None:
        self.n_pits, self.stated = n_pits, stated
        self._pit = pit
        self.total: FloatArray = np.zeros((n_pits, counts.shape[1]))
        np.add.at(self.total, pit, counts)
        y, n = cut_pairs(counts)
        n_cuts = n.shape[1]
        bake, cut = np.nonzero(n)
        row = np.eye(n_pits * n_cuts)[pit[bake] * n_cuts + cut]
        self._data = group_items(y[bake, cut], n[bake, cut], bake, row, session)
        self._n_gaps = n_cuts - 1
        self._blocked = session is not None
        correlation = OWN.rho + (1 - OWN.rho) * np.eye(n_pits)
        self._precision = np.linalg.inv(correlation)

    @property
    def size(self) -> int:
        """Number of coordinates."""
        per_pit = 3 if self._n_gaps else 2
        return int(per_pit * self.n_pits + self._n_gaps + self._blocked)

    def start(self) -> FloatArray:
        """Pooled shares as logits, everything else at the middle of its prior."""
        dark = self.total[:, self.stated + 1 :].sum(axis=1) + 0.5
        point = np.zeros(self.size)
        point[: self.n_pits] = np.log(
            dark / (self.total[:, : self.stated + 1].sum(axis=1) + 0.5)
        )
        if self._n_gaps:
            pooled = np.cumsum(self.total.sum(axis=0) + 0.5)
            cut = np.log(pooled[:-1] / (pooled[-1] - pooled[:-1]))
            first = 3 * self.n_pits
            point[first : first + self._n_gaps] = np.log(np.diff(cut) / GAP_MEDIAN)
        return point

    def parameters(self, point: FloatArray) -> GradeParameters:
        """Parameters at points of shape (coordinates, draws)."""
        pits, gaps = self.n_pits, self._n_gaps
        bake_sd = OWN.sd(point[pits : 2 * pits])
        scale, gap = np.ones_like(bake_sd), np.zeros((0, point.shape[1]))
        if gaps:
            scale = np.exp(SCALE_LOG_SD * point[2 * pits : 3 * pits])
            score = GAP_LOG_SD * point[3 * pits : 3 * pits + gaps]
            gap = GAP_MEDIAN * np.exp(np.clip(score, -_LARGEST_LOG, _LARGEST_LOG))
        session_sd: FloatArray = np.zeros(point.shape[1])
        if self._blocked:
            session_sd = _SESSION.sd(point[-1])
        level = point[:pits] * _flattening(bake_sd, session_sd)
        return GradeParameters(level, bake_sd, scale, gap, session_sd)

    def log_posterior(self, point: FloatArray) -> FloatArray:
        """Log posterior density at points of shape (coordinates, draws)."""
        drawn = self.parameters(point)
        pits = self.n_pits
        spread, rest = point[pits : 2 * pits], point[2 * pits :]
        value = -0.5 * (spread * (self._precision @ spread)).sum(axis=0)
        value -= 0.5 * (rest**2).sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            value += self._log_level_prior(drawn)
        between = self.total[:, 1:-1]
        for own, scale in zip(between, drawn.scale, strict=True):
            seen = own > 0
            value += own[seen] @ log_gap(scale * drawn.gap[seen])
        cuts = drawn.cut_logits(self.stated)
        value += log_likelihood(
            self._data,
            cuts.reshape(-1, cuts.shape[-1]),
            drawn.bake_sd[self._pit],
            drawn.session_sd,
        )
        return np.where(np.isfinite(value), value, _NOWHERE)

    def _log_level_prior(self, drawn: GradeParameters) -> FloatArray:
        """Beta(1/2, 1/2) on the long-run share at the stated cut."""
        from scipy.special import expit

        total_sd = np.hypot(drawn.bake_sd, drawn.session_sd)
        share, rise = np.zeros_like(drawn.level), np.zeros_like(drawn.level)
        for node, weight in zip(*normal_nodes(_NODES), strict=True):
            chance = expit(drawn.level + node * total_sd)
            share += weight * chance
            rise += weight * chance * (1 - chance)
        log_prior = np.log(rise) - 0.5 * np.log(share * (1 - share))
        log_prior += np.log(_flattening(drawn.bake_sd, drawn.session_sd))
        return np.asarray(log_prior.sum(axis=0))

    def at_least(self, drawn: GradeParameters) -> FloatArray:
        """Long-run share of each grade or darker, shape (pits, grades, draws)."""
        cuts = drawn.cut_logits(self.stated)
        total_sd = np.hypot(drawn.bake_sd, drawn.session_sd)[:, None]
        share = averaged_expit(cuts, total_sd)
        return np.concatenate([np.ones_like(share[:, :1]), share], axis=1)


def _flattening(bake_sd: FloatArray, session_sd: FloatArray) -> FloatArray:
    """Logit of a middling bake over about the logit of the long-run share.

    A coordinate near the long-run share does not drift with the spread. The factor
    need not be exact: it only chooses the coordinate.
    """
    return np.sqrt(1 + 0.346 * (bake_sd**2 + session_sd**2))
