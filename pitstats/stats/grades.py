"""Long-run shares of all grades at once, honest with few bakes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.adaptive_sampling import sample_adaptively
from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_conf_level,
    whole_numbers,
)
from pitstats.stats.estimates import Estimate, PairEstimates, ending_at_borders
from pitstats.stats.grade_posterior import GradeModel, GradeParameters
from pitstats.stats.posterior import check_draws, check_pits, shared_sessions
from pitstats.stats.weighted_draws import (
    effective_draws,
    pareto_k,
    summarize_draws,
    summarize_pairs,
    summarize_rows,
)

_DRAWS = 8192
_CAP_WARNING_SD = 2.0


class GradeDraws(NamedTuple):
    """Weighted draws from the posterior.

    Attributes
    ----------
    weights : ndarray, shape (draws,)
        Weights that add up to 1.
    at_least : ndarray, shape (pits, grades, draws)
        Long-run share of items of each grade or darker; 1 for the palest.
    scale : ndarray, shape (pits, draws)
        Factor of the gaps between cuts.
    bake_sd : ndarray, shape (pits, draws)
        SD between bakes on the logit scale.
    """

    weights: FloatArray
    at_least: FloatArray
    scale: FloatArray
    bake_sd: FloatArray

    @property
    def shares(self) -> FloatArray:
        """Long-run share of each grade, shape (pits, grades, draws); they add up."""
        return -np.diff(self.at_least, axis=1, append=0.0)


@dataclass(frozen=True, eq=False)
class GradeRates:
    """Long-run shares of all grades in every pit, with their differences.

    Attributes
    ----------
    items : ndarray, shape (pits, grades)
        Graded items of each pit, palest first.
    session_sd : Estimate or None
        SD of the session effect on the logit scale; None without such an effect.
    cap_mass : ndarray, shape (pits,)
        Posterior probability that the SD of all effects of a pit exceeds 2.
    ess, pareto_k : float
        Effective number of draws, and tail shape of the weights.
    n_draws : int
        Draws of the final round.
    retried : bool
        Whether a second, wider round was needed.
    conf_level : float
        Level of all intervals.
    draws : GradeDraws
        Weighted draws, for other shares and contrasts.
    """

    items: FloatArray
    session_sd: Estimate[float] | None
    cap_mass: FloatArray
    ess: float
    pareto_k: float
    n_draws: int
    retried: bool
    conf_level: float
    draws: GradeDraws

    @cached_property
    def shares(self) -> Estimate[FloatArray]:
        """Share of each grade, shape (pits, grades); estimates of a pit add up to 1.

        ``low`` is 0 where a pit has no item of the grade, ``high`` 1 where it has no
        other.
        """
        return self._ended(self.draws.shares, self.items)

    @cached_property
    def at_least(self) -> Estimate[FloatArray]:
        """Share of each grade or darker, in the same way; 1 for the palest grade."""
        upward = np.cumsum(self.items[:, ::-1], axis=1)[:, ::-1]
        return self._ended(self.draws.at_least, upward)

    @cached_property
    def differences(self) -> PairEstimates:
        """``at_least`` of pit a less that of pit b, for all pairs.

        ``a, b`` have shape (pairs,), all else (pairs, grades). Simultaneous intervals
        hold for all pairs at one cut.
        """
        cuts = self.draws.at_least.transpose(1, 0, 2)
        found = [summarize_pairs(cut, *self._by) for cut in cuts]
        columns = zip(*(own[2:] for own in found), strict=True)
        sides = (np.stack(column, axis=1) for column in columns)
        return PairEstimates(found[0].a, found[0].b, *sides)

    @cached_property
    def scale(self) -> Estimate[FloatArray]:
        """How far apart a pit's cuts lie, as a factor with median 1 in the prior.

        A pit with a larger one has more items in the grades between.
        """
        return summarize_rows(self.draws.scale, *self._by)

    @cached_property
    def scale_differences(self) -> PairEstimates:
        """Log scale of pit a less that of pit b, for all pairs."""
        return summarize_pairs(np.log(self.draws.scale), *self._by)

    @property
    def _by(self) -> tuple[FloatArray, float]:
        return self.draws.weights, self.conf_level

    def _ended(self, draws: FloatArray, items: FloatArray) -> Estimate[FloatArray]:
        """Shares; intervals reach 0 where none, and 1 where all items count."""
        found = summarize_rows(draws, *self._by)
        all_items = self.items.sum(axis=1, keepdims=True)
        return ending_at_borders(found, items == 0, items == all_items)


def grade_rates(
    counts: npt.ArrayLike,
    pit: npt.ArrayLike,
    conf_level: float = 0.95,
    seed: int = 1,
    *,
    session: npt.ArrayLike | None = None,
    burned_from: int | None = None,
    n_draws: int | None = None,
) -> GradeRates:
    """Estimate the long-run share of every grade from bakes with graded items.

    Parameters
    ----------
    counts : array_like of int, shape (bakes, grades)
        Items of each bake by grade, palest first. A grade that nobody got is fine.
    pit : array_like of int, shape (bakes,)
        Pit codes 0, 1 ...
    conf_level : float, default 0.95
        Between 0 and 1.
    seed : int, default 1
        Scrambles the quasi-random points.
    session : array_like, shape (bakes,), optional
        Session of each bake. A session effect enters only if at least two sessions
        each hold bakes of two or more pits.
    burned_from : int, optional
        First grade that counts as burned, 1 up to the number of grades less 1; the
        darkest when not given. The prior of the long-run share at that cut is the
        one of `bake_rates`.
    n_draws : int, optional
        Draws, a power of 2; 8192, or 16384 for three pits and more without sessions.

    Returns
    -------
    GradeRates

    Raises
    ------
    ValueError
        If the data cannot be used: counts, codes, shapes, no item at all.

    Notes
    -----
    Cumulative logit [1]_ with a scale for each pit [2]_: ``logit P(grade >= j) =
    level_pit - scale_pit place_j + t s_session + s_pit u_bake`` with standard normal
    effects, averaged over them for the long-run shares. With one scale for all
    (proportional odds) shares of single pits would be too sure where the pits spread
    their items differently. Priors, part of the method and never tuned to data: the
    share burned is Beta(1/2, 1/2) in each pit [3]_; gaps between cuts are log-normal
    around 1.4 with log SD 1, common to the pits; log scales are normal with SD 0.4;
    the spread between bakes is the pit's own, as in `bake_rates`; the session SD is
    half-normal(1), at most 2.5.

    Computed by importance sampling from an adapted t distribution [4]_. With two
    grades it is the model of `bake_rates`, whose exact answer should lead for the
    share burned.

    References
    ----------
    .. [1] McCullagh P (1980), Regression models for ordinal data, Journal of the Royal
       Statistical Society B 42:109-142.
    .. [2] Cox C (1995), Location-scale cumulative odds models for ordinal data: a
       generalized non-linear model approach, Statistics in Medicine 14:1191-1203.
    .. [3] Jeffreys H (1946), An invariant form for the prior probability in
       estimation problems, Proceedings of the Royal Society A 186:453-461.
    .. [4] Cappe O, Guillin A, Marin JM, Robert CP (2004), Population Monte Carlo,
       Journal of Computational and Graphical Statistics 13:907-929.

    Examples
    --------
    Two pits, three bakes of ten items, pale to burned:

    >>> counts = [[1, 7, 2], [0, 6, 4], [2, 6, 2], [0, 3, 7], [1, 5, 4], [0, 4, 6]]
    >>> found = grade_rates(counts, [0, 0, 0, 1, 1, 1])
    >>> found.shares.estimate.sum(axis=1).round(12)
    array([1., 1.])
    >>> found.at_least.estimate.round(2)
    array([[1.  , 0.88, 0.3 ],
           [1.  , 0.95, 0.56]])
    """
    level = check_conf_level(conf_level)
    table, pits, sessions, n_pits = _check_bakes(counts, pit, session)
    stated = _check_cut(burned_from, table.shape[1])
    # A session effect makes every draw several times as dear.
    many = n_pits > 2 and sessions is None
    count = check_draws(n_draws, 2 * _DRAWS if many else _DRAWS)
    model = GradeModel(table, pits, n_pits, stated, sessions)
    found = sample_adaptively(model.log_posterior, model.start(), count, seed)
    drawn = model.parameters(found.points)
    draws = GradeDraws(found.weights, model.at_least(drawn), drawn.scale, drawn.bake_sd)
    return GradeRates(
        items=model.total,
        session_sd=None
        if sessions is None
        else summarize_draws(drawn.session_sd, found.weights, level),
        cap_mass=_cap_mass(drawn, found.weights),
        ess=effective_draws(found.weights),
        pareto_k=pareto_k(found.log_weight),
        n_draws=len(found.weights),
        retried=found.retried,
        conf_level=level,
        draws=draws,
    )


def _check_bakes(
    counts: npt.ArrayLike, pit: npt.ArrayLike, session: npt.ArrayLike | None
) -> tuple[FloatArray, npt.NDArray[np.intp], npt.NDArray[np.intp] | None, int]:
    """Counts, pits and sessions of bakes with items, and the number of pits."""
    table = whole_numbers(counts, "counts")
    if table.ndim != 2 or table.shape[1] < 2:
        raise ValueError(
            f"counts has shape {table.shape}; give one row per bake and one column "
            "per grade, two grades or more."
        )
    pits = check_pits(pit, len(table))
    used = table.sum(axis=1) > 0
    if not used.any():
        raise ValueError("no bake has a graded item; there is nothing to estimate.")
    sessions = None
    if session is not None:
        labels = check_codes(session, len(table), "session")[used]
        sessions = shared_sessions(labels, pits[used])
    return table[used].astype(float), pits[used], sessions, int(pits.max()) + 1


def _check_cut(burned_from: int | None, n_grades: int) -> int:
    """The stated cut, counted from 0 for the palest."""
    if burned_from is None:
        return n_grades - 2
    if burned_from != int(burned_from) or not 1 <= burned_from < n_grades:
        raise ValueError(
            f"burned_from is {burned_from!r}; it must be a whole number, 1 to "
            f"{n_grades - 1} for {n_grades} grades."
        )
    return int(burned_from) - 1


def _cap_mass(drawn: GradeParameters, weights: FloatArray) -> FloatArray:
    """Probability that all effects of a pit together have an SD above 2."""
    total_sd = np.hypot(drawn.bake_sd, drawn.session_sd)
    return np.asarray((total_sd > _CAP_WARNING_SD) @ weights)
