"""Smooth surfaces over grates whose cells share bakes, with their uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    check_codes,
    check_conf_level,
    check_counts,
)
from pitstats.stats.posterior import check_draws
from pitstats.stats.surface_fit import (
    PitCells,
    PitDraws,
    PitModes,
    allot,
    draw_pit,
    find_modes,
)
from pitstats.stats.surface_prior import SurfaceGrid, surface_nodes
from pitstats.stats.weighted_draws import (
    FEWEST_EFFECTIVE,
    effective_draws,
    truncated_weights,
)

_DRAWS = 2048
# Part of the draws that is spread evenly over all nodes, so that none goes without.
_SPREAD = 0.05


class SurfaceRates(NamedTuple):
    """Probability of every cell, from a smooth surface that respects bakes.

    Attributes
    ----------
    estimate, low, high : ndarray, shape (cells,)
        Posterior mean and equal-tailed interval of the long-run probability of each
        cell, averaged over bakes. Low is 0 where no item of the pit had the outcome,
        high 1 where all had it.
    draws : ndarray, shape (draws, cells)
        Equally weighted joint draws of those probabilities; one row is one state of
        the world for all pits.
    here : ndarray, shape (draws, cells)
        The same for the fires of the pit's own bakes, averaged over them: what
        "in these bakes" means.
    bake_sd : float
        Posterior mean of the SD between bakes, logit scale.
    ess : ndarray, shape (pits,)
        Effective number of draws of each pit.
    conf_level : float
        Level of the intervals.
    """

    estimate: FloatArray
    low: FloatArray
    high: FloatArray
    draws: FloatArray
    here: FloatArray
    bake_sd: float
    ess: FloatArray
    conf_level: float


def surface_rates(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    bake: npt.ArrayLike,
    cell: npt.ArrayLike,
    place: npt.ArrayLike,
    grate: npt.ArrayLike | None = None,
    pit: npt.ArrayLike | None = None,
    conf_level: float = 0.95,
    seed: int = 1,
    *,
    n_draws: int = _DRAWS,
    nodes: SurfaceGrid | None = None,
) -> SurfaceRates:
    """Smooth the probability of every cell of grates whose items share bakes.

    Parameters
    ----------
    burned, total : array_like of int, shape (n,)
        Items with the outcome and graded items of each entry (an item, or a cell in a
        bake).
    bake : array_like, shape (n,)
        Bake of each entry; a bake belongs to one pit.
    cell : array_like of int, shape (n,)
        Cell of each entry, a row of ``place``.
    place : array_like, shape (cells, 2)
        Centers of the cells along and across their grate, in one real unit. Cells
        without entries get an estimate too: it rests on their neighbors and is wide.
    grate, pit : array_like, shape (cells,), optional
        Grate and pit of each cell; one grate and one pit by default. Grates of one pit
        share its bakes.
    conf_level : float, default 0.95
        Between 0 and 1.
    seed : int, default 1
        Scrambles the quasi-random points.
    n_draws : int, default 2048
        Draws of the joint posterior, a power of 2; four times as many are made when a
        pit is left with fewer than 200 effective ones.
    nodes : SurfaceGrid, optional
        Grid over bake SD, amplitude and range, with their prior.

    Returns
    -------
    SurfaceRates

    Raises
    ------
    ValueError
        If counts, codes or shapes do not fit, or a bake belongs to two pits.

    Notes
    -----
    ``logit P = level_grate + amplitude * g(place) + sd * u_bake``: ``g`` is a Gaussian
    process with Matern correlation of smoothness 3/2, cut to a low rank, over real
    distances within the grate [1]_; ``u`` is standard normal. The prior of a grate's
    long-run rate is Beta(1/2, 1/2), the bake SD is uniform on 0 to 2.5 and common to
    all pits, as in `bake_rates`; amplitude and range follow `surface_nodes`. A Laplace
    approximation at each node of the grid over the three [2]_ proposes draws, whose
    weights make the result exact up to simulation error. A process was preferred to
    penalized splines because grates have few rows: it needs no knots, takes real
    distances along and across alike, and works on a single row.

    The surface is the same in all bakes but for the bake's shift. An estimate borrows
    from neighboring cells, and a lone cell unlike its neighbors is pulled toward them
    with its interval; show it beside the counts, not in their place. With one bake,
    ``here`` speaks of that bake, and the prior of the bake SD decides about everything
    else.

    References
    ----------
    .. [1] Rasmussen CE, Williams CKI (2006), Gaussian Processes for Machine Learning,
       MIT Press, sections 3.3 and 4.2.
    .. [2] Rue H, Martino S, Chopin N (2009), Approximate Bayesian inference for latent
       Gaussian models by using integrated nested Laplace approximations, Journal of
       the Royal Statistical Society B 71:319-392.

    Examples
    --------
    Four cells in a row, three bakes; the two near the firebox burn:

    >>> found = surface_rates(
    ...     [1, 1, 0, 0, 1, 0, 0, 0, 1, 1, 0, 0], [1] * 12,
    ...     np.repeat([0, 1, 2], 4), [0, 1, 2, 3] * 3,
    ...     np.column_stack([[0, 1, 2, 3], [0, 0, 0, 0]]))
    >>> bool(found.estimate[0] > found.estimate[3])
    True
    >>> bool((found.low < found.estimate).all())
    True
    """
    level = check_conf_level(conf_level)
    n_draws = check_draws(n_draws, _DRAWS)
    groups = _pits(burned, total, bake, cell, place, grate, pit)
    grid = surface_nodes() if nodes is None else nodes
    modes = [find_modes(data, grid) for _, data in groups]
    shares = _node_shares(modes, grid)
    found = _drawn(groups, modes, shares, grid, n_draws, seed, level)
    if found.ess.min() < FEWEST_EFFECTIVE:
        found = _drawn(groups, modes, shares, grid, 4 * n_draws, seed, level)
    return found


_Group = tuple[npt.NDArray[np.intp], PitCells]


def _pits(
    burned: npt.ArrayLike,
    total: npt.ArrayLike,
    bake: npt.ArrayLike,
    cell: npt.ArrayLike,
    place: npt.ArrayLike,
    grate: npt.ArrayLike | None,
    pit: npt.ArrayLike | None,
) -> list[_Group]:
    """Checked data, pit by pit: which cells it has, and its counts."""
    y, n = check_counts(burned, total)
    centers = np.asarray(place, dtype=float)
    if centers.ndim != 2 or centers.shape[1] != 2 or not np.isfinite(centers).all():
        raise ValueError(
            f"place has shape {centers.shape}; give two finite coordinates per cell."
        )
    n_cells = len(centers)
    pit_of = _cell_codes(pit, n_cells, "pit")
    grate_of = _cell_codes(grate, n_cells, "grate")
    bakes = check_codes(bake, len(y), "bake")
    cells = check_codes(cell, len(y), "cell")
    known = cells.dtype.kind in "iu" and np.isin(cells, range(n_cells)).all()
    if cells.size and not known:
        raise ValueError(f"cell holds codes that are not rows 0 to {n_cells - 1}.")
    graded = n > 0
    if not graded.any():
        raise ValueError("No entry has a graded item.")
    y, n, bakes, cells = y[graded], n[graded], bakes[graded], cells[graded]
    pairs = {(b, p) for b, p in zip(bakes, pit_of[cells], strict=True)}
    if len(pairs) > np.unique(bakes).size:
        raise ValueError("A bake belongs to one pit, but one has items in two.")
    groups = []
    for code in np.unique(pit_of):
        own = np.flatnonzero(pit_of == code)
        mine = np.isin(cells, own)
        at = np.searchsorted(own, cells[mine])
        names, row = np.unique(bakes[mine], return_inverse=True)
        counts = np.zeros((2, names.size, own.size))
        np.add.at(counts[0], (row, at), y[mine])
        np.add.at(counts[1], (row, at), n[mine])
        _, grates = np.unique(grate_of[own], return_inverse=True)
        groups.append((own, PitCells(counts[0], counts[1], centers[own], grates)))
    return groups


def _cell_codes(
    codes: npt.ArrayLike | None, n_cells: int, name: str
) -> npt.NDArray[np.intp]:
    """Labels of cells as codes without gaps; one for all when not given."""
    if codes is None:
        return np.zeros(n_cells, dtype=np.intp)
    labels = check_codes(codes, n_cells, name)
    return np.unique(labels, return_inverse=True)[1].astype(np.intp)


def _node_shares(modes: Sequence[PitModes], grid: SurfaceGrid) -> list[FloatArray]:
    """Share of each pit's draws for every node, all pits speaking about the bake SD."""
    n_sds = grid.bake_sd.size
    by_sd = [
        np.array(
            [np.logaddexp.reduce(m.log_evidence[grid.at_sd == s]) for s in range(n_sds)]
        )
        for m in modes
    ]
    pooled = grid.log_sd_prior + np.sum(by_sd, axis=0)
    shares = []
    for found, own in zip(modes, by_sd, strict=True):
        share = _shares(found.log_evidence + (pooled - own)[grid.at_sd])
        shares.append((1 - _SPREAD) * share + _SPREAD / share.size)
    return shares


def _shares(log_value: FloatArray) -> FloatArray:
    """Positive numbers given as logs, scaled to add up to 1."""
    value = np.exp(log_value - log_value.max())
    return np.asarray(value / value.sum())


def _drawn(
    groups: Sequence[_Group],
    modes: Sequence[PitModes],
    shares: Sequence[FloatArray],
    grid: SurfaceGrid,
    n_draws: int,
    seed: int,
    level: float,
) -> SurfaceRates:
    """Draw all pits from one set of points, each pit with coordinates of its own."""
    widths = np.cumsum([found.mode.shape[1] for found in modes])
    points = _points(int(widths[-1]) + len(groups), n_draws, seed)
    *parts, order = np.split(points, widths, axis=1)
    drawn = [
        draw_pit(data, found, grid, share, own)
        for (_, data), found, share, own in zip(
            groups, modes, shares, parts, strict=True
        )
    ]
    return _joined(groups, drawn, grid, order, level)


def _joined(
    groups: Sequence[_Group],
    drawn: Sequence[PitDraws],
    grid: SurfaceGrid,
    order: FloatArray,
    level: float,
) -> SurfaceRates:
    """Put the pits together: equally weighted draws that share the bake SD."""
    n_cells, n_draws = sum(own.size for own, _ in groups), len(order)
    at_sd = allot(_sd_shares(drawn, grid), n_draws)
    draws, here = np.empty((2, n_draws, n_cells))
    ess = np.empty(len(groups))
    for i, ((own, _), found) in enumerate(zip(groups, drawn, strict=True)):
        pick = _resample(found, at_sd, order[:, i])
        draws[:, own], here[:, own] = found.rate[pick], found.here[pick]
        ess[i] = effective_draws(np.bincount(pick) / n_draws)
    tail = (1 - level) / 2
    low, high = np.quantile(draws, [tail, 1 - tail], axis=0)
    for own, data in groups:
        if data.n.any():
            low[own] = 0.0 if not data.y.any() else low[own]
            high[own] = 1.0 if (data.y == data.n).all() else high[own]
    sd = float(grid.bake_sd[at_sd].mean())
    return SurfaceRates(draws.mean(axis=0), low, high, draws, here, sd, ess, level)


def _sd_shares(drawn: Sequence[PitDraws], grid: SurfaceGrid) -> FloatArray:
    """Posterior probability of each bake SD, from the weights of all pits."""
    log_share = grid.log_sd_prior.copy()
    for found in drawn:
        weight = np.exp(found.log_weight - found.log_weight.max())
        total = np.bincount(found.at_sd, weights=weight, minlength=log_share.size)
        log_share += np.log(np.maximum(total, 1e-300))
    return _shares(log_share)


def _resample(
    found: PitDraws, at_sd: npt.NDArray[np.intp], order: FloatArray
) -> npt.NDArray[np.intp]:
    """Pick draws by their weights so that each has the bake SD that is wanted.

    Draws stand in the order of their nodes; ``order`` shuffles them, so that pits have
    nothing but the bake SD in common.
    """
    pick = np.empty(at_sd.size, dtype=np.intp)
    for s in np.unique(at_sd):
        wanted, own = np.flatnonzero(at_sd == s), np.flatnonzero(found.at_sd == s)
        wanted = wanted[np.argsort(order[wanted])]
        weight = truncated_weights(found.log_weight[own])
        pick[wanted] = own[allot(weight, wanted.size)]
    return pick


@lru_cache(maxsize=8)
def _points(n_dims: int, n_draws: int, seed: int) -> FloatArray:
    """Scrambled Sobol points in the open unit cube, read-only."""
    from scipy.stats import qmc

    engine = qmc.Sobol(n_dims, scramble=True, seed=np.random.default_rng(seed))
    points = np.clip(engine.random(n_draws), 1e-9, 1.0 - 1e-9)
    points.flags.writeable = False
    return np.asarray(points)
