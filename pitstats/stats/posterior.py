"""Burn rates with covariates and sessions, honest with few bakes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_conf_level,
    check_counts,
    check_design,
)
from pitstats.stats.estimates import Estimate, PairEstimates, ending_at_borders
from pitstats.stats.importance_sampling import (
    Diagnostics,
    Draws,
    Items,
    Spread,
    sample_posterior,
)
from pitstats.stats.quadrature import averaged_expit
from pitstats.stats.weighted_draws import (
    summarize_draws,
    summarize_pairs,
    summarize_rows,
)

# Enough for ends of intervals that hold to about 0.005; simultaneous ones scatter
# more, so three pits or more take twice as many.
_DRAWS = 4096


@dataclass(frozen=True, eq=False)
class ModelRates:
    """Long-run burn rates over a stated layout, with their differences.

    Attributes
    ----------
    draws : Draws
        Weighted draws, for contrasts and predictions.
    diagnostics : Diagnostics
        How well they represent the posterior.
    conf_level : float
        Level of all intervals.
    none_burned, all_burned : ndarray of bool, shape (pits,)
        Pits of which no item, or every item, burned.
    in_sessions : bool
        Whether the data hold a session effect.
    """

    draws: Draws
    diagnostics: Diagnostics
    conf_level: float
    none_burned: npt.NDArray[np.bool_]
    all_burned: npt.NDArray[np.bool_]
    in_sessions: bool

    @cached_property
    def rates(self) -> Estimate[FloatArray]:
        """Rate of each pit over the layout, averaged over bakes.

        Intervals reach 0 when none, and 1 when all items burned.
        """
        found = summarize_rows(self.draws.rates, *self._by)
        return ending_at_borders(found, self.none_burned, self.all_burned)

    @cached_property
    def differences(self) -> PairEstimates:
        """Rate of pit a less rate of pit b, for all pairs."""
        return summarize_pairs(self.draws.rates, *self._by)

    @cached_property
    def bake_sd(self) -> Estimate[FloatArray]:
        """SD between bakes of each pit on the logit scale, shape (pits,)."""
        return bake_sd_summary(self.draws, self.diagnostics, self.conf_level)

    @cached_property
    def common_sd(self) -> Estimate[float]:
        """Level of these SDs: that of a pit in the middle of all."""
        return summarize_draws(self.draws.common_sd, *self._by)

    @cached_property
    def session_sd(self) -> Estimate[float] | None:
        """SD of the session effect; None when the data hold no such effect."""
        if not self.in_sessions:
            return None
        return summarize_draws(self.draws.session_sd, *self._by)

    @cached_property
    def slopes(self) -> Estimate[FloatArray]:
        """Coefficients of the columns of X on the logit scale."""
        return summarize_rows(self.draws.slopes, *self._by)

    @property
    def ess(self) -> float:
        """Effective number of draws."""
        return self.diagnostics.ess

    @property
    def cap_mass(self) -> float:
        """Posterior probability that the SD of all effects together exceeds 2.

        In the pit where it is largest. Above one half the bakes are nearly all or none
        and the cap on the SD decides.
        """
        return self.diagnostics.cap_mass

    @property
    def _by(self) -> tuple[FloatArray, float]:
        return self.draws.weights, self.conf_level


def model_rates(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    bake: npt.ArrayLike,
    X: npt.ArrayLike | None = None,
    layout: npt.ArrayLike | None = None,
    session: npt.ArrayLike | None = None,
    conf_level: float = 0.95,
    seed: int = 1,
    *,
    n_draws: int | None = None,
    layout_weight: npt.ArrayLike | None = None,
    X_range: npt.ArrayLike | None = None,
    spread: Spread = "own",
) -> ModelRates:
    """Estimate long-run burn rates on a common layout from items that share bakes.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Burned items and graded items of each entry (an item, a cell or a bake).
    pit : array_like of int, shape (n,)
        Pit codes 0, 1 ...
    bake : array_like, shape (n,)
        Bake of each entry; a bake belongs to one pit.
    X : array_like, shape (n, q), optional
        Covariates without an intercept column; none by default. Columns may vary
        from cell to cell or from bake to bake, or be products with a pit.
    layout : array_like, shape (cells, q) or (pits, cells, q)
        Covariates of the cells over which rates are averaged with equal weights.
        Needed when X has columns.
    session : array_like, shape (n,), optional
        Session of each entry. A session effect enters only if at least two sessions
        each hold bakes of two or more pits.
    conf_level : float, default 0.95
        Between 0 and 1.
    seed : int, default 1
        Scrambles the quasi-random points; the same seed gives the same numbers for
        any order of the entries.
    n_draws : int, optional
        Draws, a power of 2; 4096 for one or two pits and 8192 for more, where the
        ends of intervals settle to a few thousandths. At most 2048 are made from 200
        bakes of every pit (and 200 sessions of several), whose posterior is narrow.
    layout_weight : array_like, shape (cells,) or (pits, cells), optional
        Weights of the cells of the layout, not all 0 for any pit; equal by default.
    X_range : array_like, shape (q,), optional
        Full range of each column that the prior of its slope is for; by default its
        range over the layout, or over the data where the layout has none.
    spread : {"own", "common"}, default "own"
        Whether each pit has a bake SD of its own or all pits share one.

    Returns
    -------
    ModelRates

    Raises
    ------
    ValueError
        If the data cannot be used: counts, codes, shapes, a bake in two pits.

    Notes
    -----
    ``logit P(burned) = alpha_pit + x'b + t s_session + s u_bake`` with standard normal
    effects; the rate of a pit is that probability averaged over the layout and over
    the effects. Priors, part of the method and never tuned to data: each rate is
    Beta(1/2, 1/2) given the rest [1]_, the bake SD of each pit half-normal(1.5) on 0 to
    2.5 with normal scores that correlate by 1/2 between pits, so that pits lend each
    other some of what they say about it [2]_ (a common one is uniform on 0 to 2.5), the
    session SD half-normal(1) on 0 to 2.5, and each slope over its full range is
    log-F(1,1) [3]_. Effects are integrated out by adaptive quadrature and the
    posterior is weighted draws; intervals are equal-tailed.

    With one bake in every pit the prior on the bake SD sets the width: no verdict
    should rest on it.

    References
    ----------
    .. [1] Jeffreys H (1946), An invariant form for the prior probability in
       estimation problems, Proceedings of the Royal Society A 186:453-461.
    .. [2] Gelman A (2006), Prior distributions for variance parameters in
       hierarchical models, Bayesian Analysis 1:515-534.
    .. [3] Greenland S, Mansournia MA (2015), Penalization, bias reduction, and default
       priors in logistic and related categorical and survival regressions,
       Statistics in Medicine 34:3133-3143.

    Examples
    --------
    Two pits with three bakes of 20 items each, no covariates:

    >>> result = model_rates(
    ...     [2, 5, 8, 4, 9, 11], [20] * 6, [0, 0, 0, 1, 1, 1], range(6))
    >>> result.rates.estimate.round(2)
    array([0.28, 0.41])
    >>> bool(result.differences.low[0] < 0 < result.differences.high[0])
    True
    """
    level = check_conf_level(conf_level)
    items, pits = check_items(burned, total, pit, bake, X, session)
    cells, n_pits = _check_layout(layout, items.X.shape[1], pits)
    items = items._replace(intercept_pit=np.arange(n_pits))
    count = check_draws(n_draws, _DRAWS if n_pits <= 2 else 2 * _DRAWS)
    weight = _check_weight(layout_weight, cells)
    size = _check_range(X_range, items.X.shape[1])
    draws, diagnostics = sample_posterior(
        items, cells, weight, count, seed, size, spread
    )
    total_of = np.bincount(items.intercept, weights=items.n, minlength=n_pits)
    burned_of = np.bincount(items.intercept, weights=items.y, minlength=n_pits)
    return ModelRates(
        draws,
        diagnostics,
        level,
        none_burned=burned_of == 0,
        all_burned=burned_of == total_of,
        in_sessions=items.session is not None,
    )


def check_items(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    pit: npt.ArrayLike,
    bake: npt.ArrayLike,
    X: npt.ArrayLike | None,
    session: npt.ArrayLike | None,
) -> tuple[Items, int]:
    """Check everything that goes with an entry; also the number of pits."""
    y, n = check_counts(burned, total)
    pits = check_pits(pit, len(y))
    bakes = check_codes(bake, len(y), "bake")
    design = np.zeros((len(y), 0)) if X is None else check_design(X, len(y))
    used = n > 0
    if not used.any():
        raise ValueError("no entry has a graded item; there is nothing to estimate.")
    labels, codes = np.unique(bakes[used], return_inverse=True)
    bake_pit = one_per_bake(pits[used], codes, labels, "pit")
    sessions = None
    if session is not None:
        given = check_codes(session, len(y), "session")[used]
        numbered = np.unique(given, return_inverse=True)[1]
        sessions = shared_sessions(
            one_per_bake(numbered, codes, labels, "session"), bake_pit
        )
    n_pits = int(pits.max()) + 1
    items = Items(
        y[used],
        n[used],
        pits[used],
        codes,
        bake_pit,
        np.arange(n_pits),
        design[used],
        sessions,
    )
    return items, n_pits


def check_pits(pit: npt.ArrayLike, n_entries: int) -> npt.NDArray[np.intp]:
    """Return pit codes as whole numbers from 0 on, or say what is wrong."""
    codes = check_codes(pit, n_entries, "pit")
    whole = codes.dtype.kind in "iub" or (
        codes.dtype.kind == "f" and bool((codes % 1 == 0).all())
    )
    if not whole or (codes < 0).any():
        raise ValueError("pit must hold codes 0, 1, 2 ..., one per entry.")
    return codes.astype(np.intp)


def one_per_bake(
    values: npt.NDArray[np.intp],
    bake: npt.NDArray[np.intp],
    labels: npt.NDArray[np.generic],
    name: str,
) -> npt.NDArray[np.intp]:
    """Value of each bake, or an error when a bake has two."""
    first = np.zeros(int(bake.max()) + 1, dtype=np.intp)
    first[bake[::-1]] = values[::-1]
    clash = np.flatnonzero(first[bake] != values)
    if clash.size:
        label = labels[bake[clash[0]]]
        raise ValueError(
            f"bake {label} appears in more than one {name}; give every bake of every "
            f"{name} its own label."
        )
    return first


def shared_sessions(
    session: npt.NDArray[Any], pit: npt.NDArray[np.intp]
) -> npt.NDArray[np.intp] | None:
    """Session codes of the bakes if sessions can be told from bakes, else None."""
    codes = np.unique(session, return_inverse=True)[1]
    pairs = np.unique(np.column_stack([codes, pit]), axis=0)
    pits_per_session = np.bincount(pairs[:, 0])
    return codes if (pits_per_session >= 2).sum() >= 2 else None


def _check_layout(
    layout: npt.ArrayLike | None, n_slopes: int, n_pits: int
) -> tuple[FloatArray, int]:
    """Layout of every pit, shape (pits, cells, slopes)."""
    if layout is None:
        if n_slopes:
            raise ValueError(
                "layout is missing: give the covariates of the cells over which the "
                "rates are to be averaged, one row per cell."
            )
        return np.zeros((n_pits, 1, 0)), n_pits
    cells = np.asarray(layout, dtype=float)
    if cells.ndim == 2:
        cells = np.broadcast_to(cells, (n_pits, *cells.shape))
    if cells.ndim != 3 or cells.shape[2] != n_slopes or cells.shape[1] == 0:
        raise ValueError(
            f"layout has shape {np.shape(layout)}; it needs (cells, {n_slopes}) or "
            f"({n_pits}, cells, {n_slopes}), with the columns of X."
        )
    if cells.shape[0] < n_pits:
        raise ValueError(
            f"layout has cells for {cells.shape[0]} pits, but pit goes up to "
            f"{n_pits - 1}."
        )
    if not np.isfinite(cells).all():
        raise ValueError("layout must not have gaps or infinite values.")
    return cells, cells.shape[0]


def _check_weight(weight: npt.ArrayLike | None, cells: FloatArray) -> FloatArray:
    """Weights of the cells of every pit, shape (pits, cells)."""
    shape = cells.shape[:2]
    if weight is None:
        return np.ones(shape)
    given = np.asarray(weight, dtype=float)
    if given.shape not in (shape, shape[1:]):
        raise ValueError(
            f"layout_weight has shape {given.shape}; it needs {shape[1:]} or {shape}, "
            "one weight per cell."
        )
    wide = np.broadcast_to(given, shape)
    if not np.isfinite(wide).all() or (wide < 0).any() or (wide.sum(axis=1) == 0).any():
        raise ValueError(
            "layout_weight must be 0 or more, and above 0 for a cell of every pit."
        )
    return wide


def _check_range(X_range: npt.ArrayLike | None, n_slopes: int) -> FloatArray | None:
    if X_range is None:
        return None
    size = np.asarray(X_range, dtype=float)
    if size.shape != (n_slopes,) or not (np.isfinite(size) & (size > 0)).all():
        raise ValueError(
            f"X_range must hold {n_slopes} numbers above 0, one per column of X."
        )
    return size


def check_draws(n_draws: int | None, default: int) -> int:
    """Number of draws to make, a power of 2."""
    if n_draws is None:
        return default
    if n_draws < 64 or n_draws != int(n_draws) or int(n_draws) & (int(n_draws) - 1):
        raise ValueError(
            f"n_draws is {n_draws!r}; it must be a power of 2, 64 or more."
        )
    return int(n_draws)


def bake_sd_summary(
    draws: Draws, diagnostics: Diagnostics, conf_level: float
) -> Estimate[FloatArray]:
    """Bake SD of each pit, low end shown as 0 where the posterior is high there."""
    found = summarize_rows(draws.bake_sd, draws.weights, conf_level)
    return found._replace(low=np.where(diagnostics.flat_at_zero, 0.0, found.low))


def predict_rates(draws: Draws, pit: int, cells: npt.ArrayLike) -> FloatArray:
    """Long-run burn probability of single cells, draw by draw.

    Parameters
    ----------
    draws : Draws
        From `model_rates`.
    pit : int
        Code of the pit.
    cells : array_like, shape (cells, q)
        Covariates of the cells, columns as in X.

    Returns
    -------
    ndarray, shape (cells, draws)
        Probabilities averaged over bakes (and sessions); summarize them with the
        weights of the draws.

    Examples
    --------
    >>> result = model_rates([2, 5], [9, 9], [0, 0], [0, 1], [[0], [1]], [[0], [1]])
    >>> predict_rates(result.draws, 0, [[0.5]]).shape
    (1, 4096)
    """
    rows = np.asarray(cells, dtype=float)
    if rows.ndim != 2 or rows.shape[1] != len(draws.slopes):
        raise ValueError(
            f"cells has shape {rows.shape}; it needs (cells, {len(draws.slopes)})."
        )
    spread = np.hypot(draws.bake_sd[pit], draws.session_sd)
    return averaged_expit(rows @ draws.slopes + draws.intercepts[pit], spread)
