"""Is there a pattern on the grate? Neighbors alike, and bakes alike, by permutation.

The cells of one bake share one fire, so values are only ever exchanged within a bake:
what a hot bake does to all of its cells cannot pass for a pattern. Small grids are
enumerated in full; others are permuted at random.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.stats.grate_graph import (
    Adjacency,
    BakeCells,
    neighbors,
    quadratic,
    read_bakes,
)

Array = NDArray[np.float64]
Alternative = Literal["greater", "less", "two-sided"]

N_PERMUTATIONS = 9999
MAX_LAYOUTS = 20_000
_MAX_SUMS = 2_000_000
_SEED = 1


@dataclass(frozen=True, kw_only=True)
class MoranTest:
    """Moran's I of one or more bakes, and how unusual it is.

    Attributes
    ----------
    statistic : float
        Moran's I; of several bakes their mean weighted by joins and spread. NaN where
        no bake has two different values.
    expected, variance_normal, variance_randomization : float
        Moments if there is no pattern: under normality (N) and when the values are
        shuffled over the cells (R).
    p_value : float
        By enumeration or random permutation within bakes.
    exact : bool
        Whether all layouts were enumerated.
    n_layouts : int
        Random permutations, or layouts enumerated in the largest bake.
    n_bakes, n_cells, n_joins : int
        Bakes with at least two different values, their cells, and pairs of neighbors.
    bake : str
        Name of the bake; empty where there are several or none.
    by_bake : tuple of MoranTest
        The same for each bake that entered; empty for a single bake.
    adjacency : {"rook", "queen"}
        What counts as neighbors.
    alternative : {"greater", "less", "two-sided"}
        Which side the p-value is about.
    """

    statistic: float
    expected: float
    variance_normal: float
    variance_randomization: float
    p_value: float
    exact: bool
    n_layouts: int
    n_bakes: int
    n_cells: int
    n_joins: int
    adjacency: Adjacency
    alternative: Alternative
    bake: str = ""
    by_bake: tuple[MoranTest, ...] = ()


@dataclass(frozen=True, kw_only=True)
class JoinCounts:
    """Pairs of neighbors by color: black-black, black-white, white-white.

    Attributes
    ----------
    bb, bw, ww : float
        Pairs counted, over all bakes.
    expected, variance : tuple of float
        Of BB, BW and WW under non-free sampling: the number of black cells of each bake
        is given.
    p_bb, p_bw : float
        Probability of as many BB or more, and of as few BW or fewer.
    exact : bool
        Whether all layouts were enumerated.
    n_layouts : int
        Random permutations, or layouts enumerated in the largest bake.
    n_bakes, n_cells, n_joins : int
        Bakes, their cells and pairs of neighbors.
    adjacency : {"rook", "queen"}
        What counts as neighbors.
    """

    bb: float
    bw: float
    ww: float
    expected: tuple[float, float, float]
    variance: tuple[float, float, float]
    p_bb: float
    p_bw: float
    exact: bool
    n_layouts: int
    n_bakes: int
    n_cells: int
    n_joins: int
    adjacency: Adjacency


@dataclass(frozen=True, kw_only=True)
class ConcordanceTest:
    """Whether the same places stand out in bake after bake.

    Attributes
    ----------
    statistic : float
        Mean product of the maps of two bakes, neighbors included, in units of their
        spread; NaN with fewer than two bakes that have different values.
    mean_correlation : float
        The same without neighbors: the mean correlation of two bakes, weighted by
        spread.
    p_value : float
        Probability of a statistic as large or larger if at most one of the bakes has
        any pattern.
    n_bakes, n_cells, n_permutations : int
        Bakes that entered, places, random permutations.
    adjacency : {"rook", "queen"}
        What counts as neighbors.
    """

    statistic: float
    mean_correlation: float
    p_value: float
    n_bakes: int
    n_cells: int
    n_permutations: int
    adjacency: Adjacency


def moran_test(
    values: ArrayLike,
    row: ArrayLike | None = None,
    column: ArrayLike | None = None,
    *,
    grate: ArrayLike | None = None,
    bake: ArrayLike | None = None,
    adjacency: Adjacency = "rook",
    alternative: Alternative = "greater",
    n_permutations: int = N_PERMUTATIONS,
    max_layouts: int = MAX_LAYOUTS,
    rng: np.random.Generator | None = None,
) -> MoranTest:
    """Test whether neighboring cells are alike (Moran's I, permuted within bakes).

    Parameters
    ----------
    values : array_like of float
        Either a grid, shape (rows, columns) or (bakes, rows, columns), or one value
        per cell, shape (n,), with its row and column. NaN marks a missing cell, which
        leaves the graph.
    row, column : array_like of int, shape (n,), optional
        Place of each value when ``values`` is not a grid.
    grate, bake : array_like, shape (n,), optional
        Grate and bake of each value; cells of different grates or bakes are never
        neighbors.
    adjacency : {"rook", "queen"}, default "rook"
        Cells that share a side, or a side or a corner. All pairs weigh the same.
    alternative : {"greater", "less", "two-sided"}, default "greater"
        ``"greater"``: neighbors are alike. The two-sided p-value is twice the smaller
        of the others, at most 1.
    n_permutations : int, default 9999
        Random permutations where layouts are too many to enumerate.
    max_layouts : int, default 20000
        A bake with at most so many distinct layouts is enumerated.
    rng : numpy.random.Generator, optional
        For random permutations; by default one with the seed 1.

    Returns
    -------
    MoranTest

    Raises
    ------
    ValueError
        If shapes do not fit, a place occurs twice in a bake, or no two cells are
        neighbors.

    Notes
    -----
    Within a bake, ``I = (n / S0) z'Wz / z'z`` with z the deviations from the bake's
    mean. Several bakes are combined as ``(N / S0) sum(z'Wz) / sum(z'z)`` with N and S0
    summed over the bakes that hold at least two different values. The null
    distribution shuffles the values within each bake. When every bake is enumerated
    the distribution of the sum is the convolution of theirs.

    With 10 to 20 cells only strong patterns can be shown, and the normal
    approximation should not be used.

    References
    ----------
    .. [1] Moran (1950), Notes on continuous stochastic phenomena, Biometrika 37:17-23.
    .. [2] Cliff & Ord (1981), Spatial Processes: Models and Applications, Pion, ch. 2
       (moments under N and R; permutation test).

    Examples
    --------
    >>> import numpy as np
    >>> found = moran_test(np.arange(1, 10).reshape(3, 3))
    >>> round(found.statistic, 6), round(found.variance_randomization, 7)
    (0.5, 0.0596875)
    """
    if alternative not in ("greater", "less", "two-sided"):
        raise ValueError(
            f'alternative is {alternative!r}; choose "greater", "less" or "two-sided".'
        )
    bakes = read_bakes(values, row, column, grate, bake, adjacency)
    rng = np.random.default_rng(_SEED) if rng is None else rng
    nulls = [_null(b, n_permutations, max_layouts, rng) for b in bakes if b.varies]
    tests = [
        _moran_of([null], adjacency, alternative, n_permutations, rng) for null in nulls
    ]
    if len(tests) == 1:
        return tests[0]
    whole = _moran_of(nulls, adjacency, alternative, n_permutations, rng)
    return replace(whole, by_bake=tuple(tests))


def _moran_of(
    nulls: Sequence[_Null],
    adjacency: Adjacency,
    alternative: Alternative,
    n_permutations: int,
    rng: np.random.Generator,
) -> MoranTest:
    if not nulls:
        return _nothing_varies(adjacency, alternative)
    n = sum(null.bake.n for null in nulls)
    s0 = sum(null.bake.s0 for null in nulls)
    ss = sum(null.bake.ss for null in nulls)
    scale = n / (s0 * ss)
    moments = np.zeros(3)
    for null in nulls:
        b = null.bake
        # The bake's share in the pooled I, so that moments add up over bakes.
        share = scale * b.s0 * b.ss / b.n
        mean, normal, shuffled = _moran_moments(b)
        moments += [share * mean, share**2 * normal, share**2 * shuffled]
    observed = sum(null.observed for null in nulls)
    p_value, exact = _p_value(nulls, observed, alternative, n_permutations, rng)
    return MoranTest(
        statistic=float(scale * observed),
        expected=float(moments[0]),
        variance_normal=float(moments[1]),
        variance_randomization=float(moments[2]),
        p_value=p_value,
        exact=exact,
        n_layouts=max(len(null.values) for null in nulls) if exact else n_permutations,
        n_bakes=len(nulls),
        n_cells=n,
        n_joins=round(s0 / 2),
        adjacency=adjacency,
        alternative=alternative,
        bake=nulls[0].bake.name if len(nulls) == 1 else "",
    )


def _nothing_varies(adjacency: Adjacency, alternative: Alternative) -> MoranTest:
    return MoranTest(
        statistic=np.nan,
        expected=np.nan,
        variance_normal=np.nan,
        variance_randomization=np.nan,
        p_value=np.nan,
        exact=True,
        n_layouts=1,
        n_bakes=0,
        n_cells=0,
        n_joins=0,
        adjacency=adjacency,
        alternative=alternative,
    )


def _moran_moments(b: BakeCells) -> tuple[float, float, float]:
    """Mean, and variance under normality and under shuffling (Cliff & Ord 1981)."""
    n, s0, s1, s2 = b.n, b.s0, b.s1, b.s2
    mean = -1 / (n - 1)
    normal = (n**2 * s1 - n * s2 + 3 * s0**2) / (s0**2 * (n**2 - 1)) - mean**2
    if n < 4:
        return mean, normal, float("nan")
    kurtosis = n * float((b.z**4).sum()) / b.ss**2
    first = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * s0**2)
    second = kurtosis * ((n**2 - n) * s1 - 2 * n * s2 + 6 * s0**2)
    below = (n - 1) * (n - 2) * (n - 3) * s0**2
    return mean, normal, (first - second) / below - mean**2


def join_count_test(
    black: ArrayLike,
    row: ArrayLike | None = None,
    column: ArrayLike | None = None,
    *,
    grate: ArrayLike | None = None,
    bake: ArrayLike | None = None,
    adjacency: Adjacency = "rook",
    n_permutations: int = N_PERMUTATIONS,
    max_layouts: int = MAX_LAYOUTS,
    rng: np.random.Generator | None = None,
) -> JoinCounts:
    """Count pairs of neighbors that are both black, mixed, or both white.

    Parameters
    ----------
    black : array_like of 0/1
        A grid, shape (rows, columns) or (bakes, rows, columns), or shape (n,). NaN
        marks a missing cell.
    row, column, grate, bake, adjacency, n_permutations, max_layouts, rng
        As for `moran_test`.

    Returns
    -------
    JoinCounts

    Raises
    ------
    ValueError
        As for `moran_test`, and if a value is neither 0 nor 1.

    Notes
    -----
    Non-free sampling: the number of black cells of each bake is held. Counts and
    moments of bakes are added; the p-values shuffle within bakes.

    References
    ----------
    .. [1] Cliff & Ord (1981), Spatial Processes: Models and Applications, Pion, ch. 2
       (join counts, non-free sampling).

    Examples
    --------
    >>> import numpy as np
    >>> found = join_count_test(np.repeat([1, 0], 8).reshape(4, 4))
    >>> found.bb, found.bw, found.ww, round(found.expected[0], 6)
    (10.0, 4.0, 10.0, 5.6)
    """
    bakes = read_bakes(black, row, column, grate, bake, adjacency)
    rng = np.random.default_rng(_SEED) if rng is None else rng
    for b in bakes:
        if not np.isin(b.x, (0.0, 1.0)).all():
            raise ValueError("Join counts need 0 and 1 (or NaN for a missing cell).")
    counts = sum((_joins(b, b.x) for b in bakes), np.zeros(3))
    moments = [_join_moments(b) for b in bakes]
    telling = [b for b in bakes if b.varies]
    drawn = [_layouts(b.x, n_permutations, max_layouts, rng) for b in telling]
    null_counts = [
        _joins(b, layouts) for b, (layouts, _) in zip(telling, drawn, strict=True)
    ]
    p_values, exact = [1.0, 1.0], True
    sides: tuple[tuple[int, Alternative], ...] = ((0, "greater"), (1, "less"))
    for kind, side in sides if telling else ():
        nulls = [
            _Null(b, float(_joins(b, b.x)[kind]), values[:, kind], sure)
            for b, values, (_, sure) in zip(telling, null_counts, drawn, strict=True)
        ]
        observed = sum(null.observed for null in nulls)
        p_values[kind], sure = _p_value(nulls, observed, side, n_permutations, rng)
        exact = exact and sure
    n_layouts = max([1, *(len(layouts) for layouts, _ in drawn)])
    return JoinCounts(
        bb=float(counts[0]),
        bw=float(counts[1]),
        ww=float(counts[2]),
        expected=_three(sum((m[0] for m in moments), np.zeros(3))),
        variance=_three(sum((m[1] for m in moments), np.zeros(3))),
        p_bb=p_values[0],
        p_bw=p_values[1],
        exact=exact,
        n_layouts=n_layouts if exact else n_permutations,
        n_bakes=len(bakes),
        n_cells=sum(b.n for b in bakes),
        n_joins=round(sum(b.s0 for b in bakes) / 2),
        adjacency=adjacency,
    )


def _three(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _joins(b: BakeCells, x: Array) -> Array:
    """BB, BW and WW of one layout or of many, along the last axis."""
    bb = quadratic(x, b.weights) / 2
    ww = quadratic(1 - x, b.weights) / 2
    return np.stack([bb, b.s0 / 2 - bb - ww, ww], axis=-1)


def _join_moments(b: BakeCells) -> tuple[Array, Array]:
    """Means and variances of BB, BW, WW under non-free sampling (Cliff & Ord 1981)."""
    n_joins = b.s0 / 2
    degree = b.weights.sum(axis=1)
    # Ordered pairs of joins that share one cell, and that share none.
    shared = float((degree * (degree - 1)).sum())
    apart = n_joins * (n_joins - 1) - shared
    black, white = float(b.x.sum()), float(b.n - b.x.sum())

    def same(m: float) -> tuple[float, float]:
        mean = n_joins * _falling(m, 2, b.n)
        square = mean + shared * _falling(m, 3, b.n) + apart * _falling(m, 4, b.n)
        return mean, square - mean**2

    both = black * white
    bw = 2 * n_joins * both * _falling_reciprocal(2, b.n)
    bw_square = (
        bw
        + shared * both * (black + white - 2) * _falling_reciprocal(3, b.n)
        + apart * 4 * both * (black - 1) * (white - 1) * _falling_reciprocal(4, b.n)
    )
    (bb, bb_var), (ww, ww_var) = same(black), same(white)
    return np.array([bb, bw, ww]), np.array([bb_var, bw_square - bw**2, ww_var])


def _falling(m: float, k: int, n: int) -> float:
    """Share m (m - 1) ... of n (n - 1) ..., k factors each."""
    return math.prod(m - i for i in range(k)) * _falling_reciprocal(k, n)


def _falling_reciprocal(k: int, n: int) -> float:
    below = math.prod(n - i for i in range(k))
    return 1 / below if below > 0 else 0.0


def concordance_test(
    values: ArrayLike,
    row: ArrayLike | None = None,
    column: ArrayLike | None = None,
    *,
    grate: ArrayLike | None = None,
    bake: ArrayLike | None = None,
    adjacency: Adjacency = "rook",
    neighbor_weight: float = 0.5,
    n_permutations: int = N_PERMUTATIONS,
    rng: np.random.Generator | None = None,
) -> ConcordanceTest:
    """Test whether the same places, or their neighbors, stand out in several bakes.

    Parameters
    ----------
    values : array_like of float
        A grid, shape (bakes, rows, columns), or shape (n,). NaN marks a missing cell.
    row, column, grate, bake, adjacency, n_permutations, rng
        As for `moran_test`; here always random permutations.
    neighbor_weight : float, default 0.5
        What a neighboring cell counts beside the cell itself, at least 0.

    Returns
    -------
    ConcordanceTest

    Raises
    ------
    ValueError
        As for `moran_test`.

    Notes
    -----
    The statistic is the sum over pairs of bakes of ``z_a' (I + c W) z_b``, z the
    deviations from the bake's own mean, c the neighbor weight. Values are shuffled
    within bakes. A pattern in one bake alone does not count: products are only taken
    between bakes. With c = 0 and no missing cell, the test is that of Cochran's Q for
    0/1 values and Friedman's for ranks, by permutation. In simulations of grates of 18
    cells, c = 0.5 found falls along the grate and hot spots more often than 0 or than
    neighbors alone.

    References
    ----------
    .. [1] Cochran (1950), The comparison of percentages in matched samples, Biometrika
       37:256-266.
    .. [2] Hubert, Golledge & Costanzo (1981), Generalized procedures for evaluating
       spatial autocorrelation, Geographical Analysis 13:224-233.

    Examples
    --------
    >>> import numpy as np
    >>> grid = np.array([[1, 1, 0, 0, 0, 0], [1, 0, 1, 0, 0, 0]])[:, None, :]
    >>> concordance_test(grid, n_permutations=999).n_bakes
    2
    """
    if neighbor_weight < 0:
        raise ValueError("neighbor_weight must be at least 0.")
    bakes = read_bakes(values, row, column, grate, bake, adjacency)
    bakes = [b for b in bakes if b.varies]
    rng = np.random.default_rng(_SEED) if rng is None else rng
    places = sorted({place for b in bakes for place in b.places})
    if len(bakes) < 2:
        return ConcordanceTest(
            statistic=np.nan,
            mean_correlation=np.nan,
            p_value=np.nan,
            n_bakes=len(bakes),
            n_cells=len(places),
            n_permutations=0,
            adjacency=adjacency,
        )
    index = {place: i for i, place in enumerate(places)}
    weights = neighbor_weight * neighbors(places, adjacency) + np.eye(len(places))
    shuffled = np.zeros((n_permutations, len(places)))
    within = np.zeros(n_permutations)
    own = np.zeros(len(places))
    own_within, plain_within = 0.0, 0.0
    for b in bakes:
        at = [index[place] for place in b.places]
        layouts = rng.permuted(np.tile(b.z, (n_permutations, 1)), axis=1)
        part = weights[np.ix_(at, at)]
        within += quadratic(layouts, part)
        shuffled[:, at] += layouts
        own[at] += b.z
        own_within += float(quadratic(b.z, part))
        plain_within += b.ss
    observed = float(quadratic(own, weights)) - own_within
    null = quadratic(shuffled, weights) - within
    spread = np.sqrt([b.ss for b in bakes])
    unit = float(spread.sum() ** 2 - (spread**2).sum())
    return ConcordanceTest(
        statistic=observed / unit,
        mean_correlation=(float(own @ own) - plain_within) / unit,
        p_value=_tail(null, observed, "greater"),
        n_bakes=len(bakes),
        n_cells=len(places),
        n_permutations=n_permutations,
        adjacency=adjacency,
    )


# --- shuffling ----------------------------------------------------------------------


class _Null(NamedTuple):
    """Observed value of one bake, and its values under shuffling."""

    bake: BakeCells
    observed: float
    values: Array
    exact: bool


def _null(
    b: BakeCells, n_permutations: int, max_layouts: int, rng: np.random.Generator
) -> _Null:
    layouts, exact = _layouts(b.z, n_permutations, max_layouts, rng)
    observed = float(quadratic(b.z, b.weights))
    return _Null(b, observed, quadratic(layouts, b.weights), exact)


def _layouts(
    x: Array, n_permutations: int, max_layouts: int, rng: np.random.Generator
) -> tuple[Array, bool]:
    """All distinct layouts of the values, or random ones where they are too many."""
    counts = np.unique(x, return_counts=True)[1]
    n_layouts = math.factorial(len(x)) // math.prod(math.factorial(c) for c in counts)
    if n_layouts <= max_layouts:
        return _every_layout(x), True
    return rng.permuted(np.tile(x, (n_permutations, 1)), axis=1), False


def _every_layout(x: Array) -> Array:
    """Every distinct layout once, filled in value by value."""
    values, counts = np.unique(x, return_counts=True)
    n = len(x)
    out = np.empty((1, n))
    free = np.arange(n)[None, :]
    for value, count in zip(values, counts, strict=True):
        n_free = free.shape[1]
        chosen = np.array(list(combinations(range(n_free), count)), dtype=np.intp)
        taken = np.zeros((len(chosen), n_free), dtype=bool)
        taken[np.arange(len(chosen))[:, None], chosen] = True
        rest = np.nonzero(~taken)[1].reshape(len(chosen), n_free - count)
        out = np.repeat(out, len(chosen), axis=0)
        spots = free[:, chosen].reshape(-1, count)
        out[np.arange(len(out))[:, None], spots] = value
        free = free[:, rest].reshape(len(out), n_free - count)
    return out


def _p_value(
    nulls: Sequence[_Null],
    observed: float,
    alternative: Alternative,
    n_permutations: int,
    rng: np.random.Generator,
) -> tuple[float, bool]:
    """Probability of a sum over bakes at least as extreme; True if exact."""
    if all(null.exact for null in nulls):
        sums = _convolve([null.values for null in nulls])
        if sums is not None:
            return _tail(sums[0], observed, alternative, sums[1]), True
    total = np.zeros(n_permutations)
    for null in nulls:
        total += rng.choice(null.values, n_permutations) if null.exact else null.values
    return _tail(total, observed, alternative), False


def _convolve(parts: Sequence[Array]) -> tuple[Array, Array] | None:
    """Distribution of a sum of independent values; None if it has too many values."""
    # Sums of the same numbers in another order differ in the last digits.
    unit = max(float(np.abs(part).max()) for part in parts) or 1.0
    sums: Array = np.zeros(1)
    chance: Array = np.ones(1)
    for part in parts:
        values, counts = np.unique(np.round(part / unit, 9), return_counts=True)
        if len(sums) * len(values) > _MAX_SUMS:
            return None
        every = np.round(np.add.outer(sums, values).reshape(-1), 9)
        weight = np.multiply.outer(chance, counts / len(part)).reshape(-1)
        sums, place = np.unique(every, return_inverse=True)
        chance = np.asarray(np.bincount(place, weight), dtype=np.float64)
    return sums * unit, chance


def _tail(
    null: Array,
    observed: float,
    alternative: Alternative,
    chance: Array | None = None,
) -> float:
    """Share of the null distribution at least as extreme as what was observed.

    Random permutations, which come without chances, count the observed layout as one of
    them, so that the p-value holds its level (Phipson & Smyth 2010, Stat Appl Genet Mol
    Biol 9:39).
    """
    slack = 1e-7 * max(float(np.abs(null).max()), abs(observed))
    share = np.full(len(null), 1 / len(null)) if chance is None else chance
    more = float(share[null >= observed - slack].sum())
    fewer = float(share[null <= observed + slack].sum())
    if chance is None:
        more, fewer = ((p * len(null) + 1) / (len(null) + 1) for p in (more, fewer))
    sides = {"greater": more, "less": fewer, "two-sided": 2 * min(more, fewer)}
    return min(sides[alternative], 1.0)
