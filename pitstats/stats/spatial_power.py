"""What could the tests for a pattern have found? Planted zones, simulated."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.stats.grate_graph import (
    Adjacency,
    Array,
    BakeCells,
    neighbors,
    quadratic,
    read_bakes,
)

N_SIMULATIONS = 400
_N_NULL = 1000
_SEED = 1
_ODDS = (2.0, 4.0, 8.0, 16.0, 32.0, 128.0, 1e9)


class ZonePower(NamedTuple):
    """Smallest planted difference that the tests for a pattern find often enough.

    Attributes
    ----------
    difference : float
        Mean share of dark cells in the zone less that elsewhere; NaN if not even the
        strongest possible pattern is found so often.
    strongest : float
        Difference if the zone takes as many of the dark cells as it can.
    power : float
        Share of simulated tests that had to find it.
    n_bakes, n_simulations : int
        Bakes with dark and other cells, simulated tests for each strength.
    """

    difference: float
    strongest: float
    power: float
    n_bakes: int
    n_simulations: int


def smallest_zone_difference(
    dark: ArrayLike,
    row: ArrayLike,
    column: ArrayLike,
    zone: ArrayLike,
    *,
    grate: ArrayLike | None = None,
    bake: ArrayLike | None = None,
    adjacency: Adjacency = "rook",
    level: float = 0.05,
    power: float = 0.8,
    n_simulations: int = N_SIMULATIONS,
    rng: np.random.Generator | None = None,
) -> ZonePower:
    """Find how strong a pattern these cells and bakes could have shown.

    Parameters
    ----------
    dark : array_like of 0/1, shape (n,)
        What was observed; NaN for a missing cell. Only the number of dark cells of each
        bake matters.
    row, column : array_like of int, shape (n,)
        Places.
    zone : array_like of bool, shape (n,)
        Where the planted pattern is darker.
    grate, bake : array_like, shape (n,), optional
        As for `moran_test`.
    adjacency : {"rook", "queen"}, default "rook"
        What counts as neighbors.
    level : float, default 0.05
        Level of the test.
    power : float, default 0.8
        How often the pattern has to be found.
    n_simulations : int, default 400
        Simulated tests for each strength.
    rng : numpy.random.Generator, optional
        By default one with the seed 1.

    Returns
    -------
    ZonePower

    Raises
    ------
    ValueError
        As for `moran_test`.

    Notes
    -----
    Each bake keeps its number of dark cells. They fall one after the other, a cell in
    the zone having k times the chance of one elsewhere, for k from 2 to almost
    infinity. One bake counts as found if Moran's I passes at ``level``; several if
    I over all bakes or the concordance of bakes passes at half of it. The difference at
    which the wanted share is found is read off between the strengths tried.

    Examples
    --------
    >>> import numpy as np
    >>> row, column = np.indices((3, 6)).reshape(2, -1)
    >>> dark = np.arange(18) < 5
    >>> found = smallest_zone_difference(dark, row, column, column < 2)
    >>> bool(0.4 < found.difference < found.strongest)
    True
    """
    rng = np.random.default_rng(_SEED) if rng is None else rng
    bakes = [
        b for b in read_bakes(dark, row, column, grate, bake, adjacency) if b.varies
    ]
    if not bakes:
        return ZonePower(np.nan, np.nan, power, 0, n_simulations)
    inside = _zones(row, column, grate, zone)
    near = [np.array([inside[place] for place in b.places]) for b in bakes]
    graph = _Graph.of(bakes, adjacency)
    several = len(bakes) > 1
    null = graph.statistics([_fall(b, np.zeros(b.n), _N_NULL, rng) for b in bakes])
    share = 1 - level / (2 if several else 1)
    limits = np.quantile(null, share, axis=1, method="higher")
    found, gaps = [0.0], [0.0]
    for odds in _ODDS:
        layouts = [
            _fall(b, np.log(odds) * own, n_simulations, rng)
            for b, own in zip(bakes, near, strict=True)
        ]
        passed = graph.statistics(layouts) > limits[:, None] + 1e-9
        found.append(float((passed.any(0) if several else passed[0]).mean()))
        gaps.append(_mean_gap(layouts, near))
    return ZonePower(
        _crossing(found, gaps, power), gaps[-1], power, len(bakes), n_simulations
    )


def _zones(
    row: ArrayLike, column: ArrayLike, grate: ArrayLike | None, zone: ArrayLike
) -> dict[tuple[str, int, int], bool]:
    rows, columns = np.asarray(row, dtype=float), np.asarray(column, dtype=float)
    names = np.full(len(rows), "") if grate is None else np.asarray(grate).astype(str)
    return {
        (str(g), int(r), int(c)): bool(inside)
        for g, r, c, inside in zip(
            names, rows, columns, np.asarray(zone, dtype=bool), strict=True
        )
    }


def _fall(
    b: BakeCells, log_odds: Array, n: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Layouts with the bake's number of dark cells, drawn without replacement."""
    # The largest of keys with Gumbel noise are a sample one after the other.
    keys = log_odds + rng.gumbel(size=(n, b.n))
    n_dark = round(float(b.x.sum()))
    darkest = np.argpartition(-keys, n_dark - 1, axis=1)[:, :n_dark]
    layouts = np.zeros((n, b.n))
    np.put_along_axis(layouts, darkest, 1.0, axis=1)
    return layouts


class _Graph(NamedTuple):
    """All places of the bakes with their neighbors, and where each bake lies."""

    weights: Array
    at: list[list[int]]

    @classmethod
    def of(cls, bakes: list[BakeCells], adjacency: Adjacency) -> _Graph:
        places = sorted({place for b in bakes for place in b.places})
        index = {place: i for i, place in enumerate(places)}
        at = [[index[place] for place in b.places] for b in bakes]
        return cls(neighbors(places, adjacency), at)

    def statistics(self, layouts: list[Array]) -> Array:
        """Moran's sum and the concordance of many layouts, shape (2, layouts)."""
        both = self.weights / 2 + np.eye(len(self.weights))
        n = len(layouts[0])
        total, moran, own = np.zeros((n, len(both))), np.zeros(n), np.zeros(n)
        for at, layout in zip(self.at, layouts, strict=True):
            z = layout - layout.mean(axis=1, keepdims=True)
            moran += quadratic(z, self.weights[np.ix_(at, at)])
            own += quadratic(z, both[np.ix_(at, at)])
            total[:, at] += z
        return np.stack([moran, quadratic(total, both) - own])


def _mean_gap(layouts: list[Array], near: list[NDArray[np.bool_]]) -> float:
    gaps = [
        float(layout[:, own].mean() - layout[:, ~own].mean())
        for layout, own in zip(layouts, near, strict=True)
        if own.any() and not own.all()
    ]
    return float(np.mean(gaps)) if gaps else float("nan")


def _crossing(found: list[float], gaps: list[float], power: float) -> float:
    """Difference at which the share found first reaches the wanted power."""
    for i in range(1, len(found)):
        if found[i] >= power:
            rise = found[i] - found[i - 1]
            step = (power - found[i - 1]) / rise if rise > 0 else 1.0
            return float(gaps[i - 1] + step * (gaps[i] - gaps[i - 1]))
    return float("nan")
