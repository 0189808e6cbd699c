"""Looking more than once: levels at which a test may stop early.

Who bakes, looks, and bakes again gives chance several openings. A boundary makes every
look stricter, so that all looks together call equal pits different no more often than
one look would.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from pitstats.stats.binomial_data import check_conf_level
from pitstats.stats.stopping_trials import BLOCK, Trials, equal_pits
from pitstats.stats.workers import workers

Array = NDArray[np.float64]

MOST_LOOKS_AT = 12
"""Bakes of each pit up to which constants are shipped for every choice of looks."""

SESSIONS_RISE = 0.025
"""Rise of `sessions_factor` with every doubling of the last look from 2 bakes."""

_TABLE = "stopping_constants.json"


class EverFalse(NamedTuple):
    """How often equal pits are called different at some look.

    Attributes
    ----------
    share, error : float
        The largest share over the calibrated cells and its Monte-Carlo standard error,
        from simulations that the constant was not made from.
    """

    share: float
    error: float


@dataclass(frozen=True, kw_only=True, eq=False)
class StoppingLevels:
    """Levels of the looks of a test that may stop early.

    Attributes
    ----------
    looks : tuple of int
        Bakes per pit at each look.
    levels : ndarray, shape (n_looks,)
        Two-sided level of each look: pits are called different when the p-value lies
        below it, which is when the interval at ``1 - level`` excludes no difference.
    constant : float
        The constant c of the boundary; the normal quantile for a single look.
    ever_false : EverFalse
        Largest share of simulated tests of equal pits, over the calibrated cells, in
        which some look called them different; all with bakes on days of their own.
    pits : int
        Number of pits.
    items : tuple of int
        Items per bake of each pit for which the constant was calibrated.
    conf_level : float
        Level that all looks keep together.
    simulations : int
        Simulated tests per cell; 0 for a single look, which needs none.
    """

    looks: tuple[int, ...]
    levels: Array
    constant: float
    ever_false: EverFalse
    pits: int
    items: tuple[int, ...]
    conf_level: float
    simulations: int


def stopping_levels(
    looks: Sequence[int],
    pits: int = 2,
    items: int | Sequence[int] = 16,
    conf_level: float = 0.95,
    *,
    sessions: bool = False,
    calibrate: bool = False,
    simulations: int = 4000,
    seed: int = 1,
    n_jobs: int | None = None,
    progress: bool = False,
) -> StoppingLevels:
    """Levels of the looks at which a bake test may stop.

    Parameters
    ----------
    looks : sequence of int
        Bakes per pit at which anyone will look, increasing.
    pits : int, default 2
        Number of pits, 2 to 6.
    items : int or sequence of int, default 16
        Items per bake, common or one per pit.
    conf_level : float, default 0.95
        Level that all looks are to keep together.
    sessions : bool, default False
        Whether two sessions or more hold bakes of several pits, so that the answer has
        an effect of sessions: the constant is `sessions_factor` times as large.
    calibrate : bool, default False
        Whether to simulate this very plan even where constants are shipped. Shipped
        are those for up to 12 bakes and levels of 0.9, 0.95 and 0.99; for numbers of
        items between those that were simulated the larger constant is taken, and five
        or six pits use the constants of four.
    simulations : int, default 4000
        Simulated tests per cell, of which there are eight; as many again for the
        share of false calls.
    seed : int, default 1
        Seed of the simulation.
    n_jobs : int, optional
        Worker processes; what `joblib.parallel_config` says, or all cores.
    progress : bool, default False
        Whether to show a progress bar on stderr.

    Returns
    -------
    StoppingLevels

    Raises
    ------
    ValueError
        If the looks are not increasing whole numbers from 1, or another number is out
        of range.

    Notes
    -----
    With looks after ``k_1 < ... < k_J = K`` bakes of each pit, the level of look j is
    ``2 (1 - Phi(c (k_j / K)**(-1/4)))``: the boundary of [1]_ with Delta = 1/4, in
    bakes where they have information. The constant c is the ``conf_level`` quantile of
    the largest ``z_j (k_j / K)**(1/4)`` over simulated tests of equal pits, where
    ``z_j`` is the normal score of the p-value at look j; it is taken for burn rates of
    0.05, 0.1, 0.2, 0.35 and 0.5 with spreads between bakes of 1 and, from 0.2 on, 0.6
    (steadier fires give fewer false calls), two simulation errors to the safe side; the
    largest is kept, or the normal quantile where that is larger: no look is milder than
    a single one. With more than two pits the p-values allow for all pairs. With
    sessions the constant is larger by `sessions_factor`, measured with two and three
    pits.

    The interval at a look, at its own level, is a repeated confidence interval [2]_.
    A look with one bake of every pit allows no verdict and takes no part.

    References
    ----------
    .. [1] Wang SK, Tsiatis AA (1987), Approximately optimal one-parameter boundaries
       for group sequential trials, Biometrics 43:193-199.
    .. [2] Jennison C, Turnbull BW (1989), Interim analyses: the repeated confidence
       interval approach, Journal of the Royal Statistical Society B 51:305-361.

    Examples
    --------
    >>> from pitstats import stats
    >>> stats.stopping_levels([4]).levels.round(4)
    array([0.05])
    >>> found = stats.stopping_levels([2, 4, 6])
    >>> bool((found.levels < 0.05).all() and (np.diff(found.levels) > 0).all())
    True
    """
    planned = _checked_looks(looks)
    sizes = _checked_items(items, pits)
    check_conf_level(conf_level)
    if simulations < BLOCK:
        raise ValueError(f"simulations is {simulations}; use at least {BLOCK}")
    judged = tuple(look for look in planned if look > 1)
    if len(judged) <= 1:
        single = EverFalse(1.0 - conf_level, 0.0)
        found = _Found(float(ndtri(0.5 + conf_level / 2)), single, sizes, 0)
    else:
        shipped = None if calibrate else _shipped(judged, sizes, conf_level)
        found = shipped or _calibrated(
            judged, sizes, conf_level, simulations, seed, n_jobs, progress
        )
    constant = found.constant
    if sessions and len(judged) > 1:
        constant *= sessions_factor(planned[-1])
    return StoppingLevels(
        looks=planned,
        levels=boundary_levels(planned, constant),
        constant=constant,
        ever_false=found.ever_false,
        pits=pits,
        items=found.items,
        conf_level=float(conf_level),
        simulations=found.simulations,
    )


def sessions_factor(last: int) -> float:
    """Factor of the constant where sessions hold bakes of several pits.

    The session effect then takes part in every verdict. Where sessions do nothing and
    bakes scatter much it calls equal pits different more often, the more so the more
    bakes there are; ``tests/calibration/looks_sessions.py`` shows how often.

    Parameters
    ----------
    last : int
        Bakes of each pit at the last look, 2 or more.

    Returns
    -------
    float

    Examples
    --------
    >>> sessions_factor(2), sessions_factor(8)
    (1.0, 1.05)
    """
    return 1.0 + SESSIONS_RISE * math.log2(last / 2)


def boundary_levels(looks: Sequence[int], constant: float) -> Array:
    """Two-sided levels of looks on the boundary with this constant.

    Parameters
    ----------
    looks : sequence of int
        Bakes per pit at each look; the last ends the test.
    constant : float
        The constant c.

    Returns
    -------
    ndarray, shape (n_looks,)

    Examples
    --------
    >>> boundary_levels([2, 4, 6], 2.088).round(3)
    array([0.006, 0.021, 0.037])
    """
    share = np.asarray(looks, dtype=float) / looks[-1]
    return np.asarray(2.0 * ndtr(-constant * share**-0.25))


class _Found(NamedTuple):
    """A constant, what it was made for, and how it fared on fresh tests."""

    constant: float
    ever_false: EverFalse
    items: tuple[int, ...]
    simulations: int


def _checked_looks(looks: Sequence[int]) -> tuple[int, ...]:
    planned = tuple(int(look) for look in looks)
    rising = all(a < b for a, b in pairwise(planned))
    if not planned or planned != tuple(looks) or planned[0] < 1 or not rising:
        raise ValueError(
            f"looks is {list(looks)}; give bakes per pit as increasing whole numbers "
            "from 1 on, such as [2, 4, 6]"
        )
    return planned


def _checked_items(items: int | Sequence[int], pits: int) -> tuple[int, ...]:
    if not 2 <= pits <= 6:
        raise ValueError(f"pits is {pits}; a boundary is made for 2 to 6 pits")
    sizes = (items,) * pits if isinstance(items, int) else tuple(items)
    if len(sizes) != pits or min(sizes) < 1 or sizes != tuple(map(int, sizes)):
        raise ValueError(
            f"items is {items}; give one whole number from 1 on, or one per pit"
        )
    return tuple(int(size) for size in sizes)


# --- shipped constants ---------------------------------------------------------------


@lru_cache(maxsize=1)
def _table() -> list[dict[str, Any]]:
    text = files("pitstats.stats").joinpath(_TABLE).read_text(encoding="utf-8")
    tables: list[dict[str, Any]] = json.loads(text)["tables"]
    return tables


def place_of(looks: Sequence[int]) -> int:
    """Place of a choice of looks in a shipped table: a bit for each look from 2 on."""
    return sum(1 << (look - 2) for look in looks)


def _near(items: tuple[int, ...]) -> list[dict[str, Any]]:
    """Shipped tables of a number of pits for the numbers of items next to these.

    Five pits and more use those of four, whose boundary is no milder.
    """
    tables = {t["items"]: t for t in _table() if t["pits"] == min(len(items), 4)}
    near = {size for item in set(items) for size in _neighbors(item, sorted(tables))}
    return [tables[size] for size in sorted(near)]


def _shipped(
    looks: tuple[int, ...], items: tuple[int, ...], conf_level: float
) -> _Found | None:
    """The shipped constant; the larger one between two numbers of items."""
    level, place = f"{conf_level:g}", place_of(looks)
    tables = [table for table in _near(items) if level in table["constant"]]
    if looks[-1] > MOST_LOOKS_AT or not tables:
        return None
    table = max(tables, key=lambda t: t["constant"][level][place])
    return _Found(
        table["constant"][level][place] / 1e3,
        _share_in(table, table["ever_false"][level][place]),
        (table["items"],) * len(items),
        table["simulations"],
    )


def unguarded_share(
    looks: Sequence[int], pits: int = 2, items: int | Sequence[int] = 16
) -> EverFalse:
    """How often equal pits are called different when every look uses its 95 % interval.

    Parameters
    ----------
    looks : sequence of int
        Bakes per pit at each look, increasing; those beyond 12 are left out, so that
        the share is then a lower bound.
    pits : int, default 2
        Number of pits, 2 to 6.
    items : int or sequence of int, default 16
        Items per bake.

    Returns
    -------
    EverFalse
        Of pits with a long-run burn rate of 0.2 and a spread between bakes of 0.6.

    Raises
    ------
    ValueError
        As for `stopping_levels`.

    Examples
    --------
    >>> unguarded_share([2, 3, 4, 5, 6]).share > unguarded_share([6]).share
    True
    """
    judged = [k for k in _checked_looks(looks) if 1 < k <= MOST_LOOKS_AT]
    place = place_of(judged)
    tables = _near(_checked_items(items, pits))
    table = max(tables, key=lambda t: t["unguarded"][place])
    return _share_in(table, table["unguarded"][place])


def _share_in(table: dict[str, Any], per_myriad: int) -> EverFalse:
    share = per_myriad / 1e4
    return EverFalse(share, math.sqrt(share * (1 - share) / table["simulations"]))


def _neighbors(item: int, sizes: list[int]) -> list[int]:
    """Numbers of items in the table on both sides, or the nearest beyond its ends."""
    if item in sizes:
        return [item]
    below = [size for size in sizes if size < item][-1:]
    above = [size for size in sizes if size > item][:1]
    return below + above


# --- calibration of the very plan ----------------------------------------------------


def _calibrated(
    looks: tuple[int, ...],
    items: tuple[int, ...],
    conf_level: float,
    simulations: int,
    seed: int,
    n_jobs: int | None,
    progress: bool,
) -> _Found:
    """Constant of a plan from simulated tests, and how it fares on fresh ones."""
    cells = equal_pits(looks, items)
    n = simulations // BLOCK * BLOCK
    tops = _largest_scores(cells, n, (seed, seed + 1), n_jobs, progress)
    scale = float(looks[-1]) ** 0.25
    least = float(ndtri(0.5 + conf_level / 2)) * scale
    limit = max(least, *(safe_quantile(top, conf_level) for top in tops[0]))
    share = max(float(np.mean(top > limit)) for top in tops[1])
    error = math.sqrt(max(share, 1 / n) * (1 - share) / n)
    return _Found(limit / scale, EverFalse(share, error), items, n)


def upper_quantile(values: Array, conf_level: float) -> float:
    """Smallest value that at most a share ``1 - conf_level`` of values exceed."""
    rank = math.ceil(conf_level * values.size - 1e-9) - 1
    return float(np.partition(values, rank)[rank])


def safe_quantile(values: Array, conf_level: float) -> float:
    """`upper_quantile`, two simulation errors on the safe side."""
    error = 2.0 * math.sqrt(conf_level * (1.0 - conf_level) / values.size)
    return upper_quantile(values, min(conf_level + error, 1.0))


def _largest_scores(
    cells: list[Trials],
    n: int,
    seeds: tuple[int, ...],
    n_jobs: int | None,
    progress: bool,
) -> list[list[Array]]:
    """Largest score over the looks of every test: by seed, then by cell."""
    from joblib import Parallel, delayed
    from tqdm import tqdm

    work = [
        (cell, seed, block)
        for seed in seeds
        for cell in cells
        for block in range(n // BLOCK)
    ]
    n_jobs = workers(n_jobs, pieces=len(work))
    run = Parallel(n_jobs=n_jobs, return_as="generator", batch_size=1)
    done = run(delayed(_largest_score)(*piece) for piece in work)
    found = list(tqdm(done, total=len(work), desc="boundary", disable=not progress))
    each = np.concatenate(found).reshape(len(seeds), len(cells), n)
    return [list(part) for part in each]


def _largest_score(cell: Trials, seed: int, block: int) -> Array:
    return np.asarray(cell.scores(seed, block).max(axis=1))
