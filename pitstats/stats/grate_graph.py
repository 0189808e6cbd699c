"""Cells of a bake as a graph: which are graded, and which are neighbors."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Adjacency = Literal["rook", "queen"]


Place = tuple[str, int, int]


class BakeCells(NamedTuple):
    """Graded cells of one bake as a graph.

    Attributes
    ----------
    x : ndarray, shape (n,)
        Values of the cells.
    weights : ndarray, shape (n, n)
        1 between neighbors.
    places : list of tuple
        Grate, row and column of each cell.
    name : str
        Of the bake.
    """

    x: Array
    weights: Array
    places: list[Place]
    name: str

    @property
    def n(self) -> int:
        """Number of cells."""
        return len(self.x)

    @property
    def z(self) -> Array:
        """Deviations from the mean of the bake."""
        return np.asarray(self.x - self.x.mean())

    @property
    def ss(self) -> float:
        """Sum of their squares."""
        return float((self.z**2).sum())

    @property
    def varies(self) -> bool:
        """Whether there are neighbors and something to shuffle among them."""
        return bool(self.s0 > 0 and np.ptp(self.x) > 0)

    @property
    def s0(self) -> float:
        """Sum of all weights: twice the pairs of neighbors."""
        return float(self.weights.sum())

    @property
    def s1(self) -> float:
        """Half the sum of the squares of both weights of a pair."""
        return float(((self.weights + self.weights.T) ** 2).sum() / 2)

    @property
    def s2(self) -> float:
        """Sum of the squares of the weights that meet in a cell."""
        return float(((self.weights.sum(0) + self.weights.sum(1)) ** 2).sum())


def read_bakes(
    values: ArrayLike,
    row: ArrayLike | None,
    column: ArrayLike | None,
    grate: ArrayLike | None,
    bake: ArrayLike | None,
    adjacency: Adjacency,
) -> list[BakeCells]:
    """Split values into bakes, in their order, and find the neighbors in each.

    Arguments as for `moran_test`; cells with NaN are left out.
    """
    if adjacency not in ("rook", "queen"):
        raise ValueError(f'adjacency is {adjacency!r}; choose "rook" or "queen".')
    array = np.asarray(values, dtype=np.float64)
    if row is None and column is None:
        array, row, column, bake = _from_grid(array, bake)
    if array.ndim != 1 or row is None or column is None:
        raise ValueError(
            "Give values as a grid of rows and columns, or as a list with row and "
            "column of each."
        )
    rows, columns = _whole(row, "row", len(array)), _whole(column, "column", len(array))
    grates, names = _labels(grate, len(array)), _labels(bake, len(array))
    known = np.isfinite(array)
    if not known.any():
        raise ValueError("All cells are missing.")
    bakes = []
    for name in dict.fromkeys(names[known].tolist()):
        own = known & (names == name)
        places = list(
            zip(
                grates[own].tolist(),
                rows[own].tolist(),
                columns[own].tolist(),
                strict=True,
            )
        )
        if len(set(places)) < len(places):
            raise ValueError("A place occurs twice in one bake.")
        weights = neighbors(places, adjacency)
        bakes.append(BakeCells(array[own], weights, places, str(name)))
    if all(b.s0 == 0 for b in bakes):
        raise ValueError("No two graded cells are neighbors, so there is no pattern.")
    return bakes


def _from_grid(
    array: Array, bake: ArrayLike | None
) -> tuple[Array, Array, Array, NDArray[np.str_]]:
    """Cells of a grid, or of one grid per bake, row by row."""
    if array.ndim not in (2, 3) or bake is not None:
        raise ValueError(
            "A grid has the shape (rows, columns), or (bakes, rows, columns) without "
            "bake."
        )
    grid = array if array.ndim == 3 else array[None]
    bakes, rows, columns = np.indices(grid.shape).reshape(3, -1)
    flat = grid.reshape(-1)
    return flat, rows.astype(np.float64), columns.astype(np.float64), bakes.astype(str)


def _whole(numbers: ArrayLike, name: str, n: int) -> NDArray[np.intp]:
    array = np.asarray(numbers, dtype=np.float64)
    if array.shape != (n,) or not np.array_equal(array, np.round(array)):
        raise ValueError(f"{name} needs a whole number for each value.")
    return array.astype(np.intp)


def _labels(labels: ArrayLike | None, n: int) -> NDArray[np.str_]:
    if labels is None:
        return np.full(n, "", dtype=np.str_)
    array = np.asarray(labels).astype(np.str_)
    if array.shape != (n,):
        raise ValueError("grate and bake need one entry for each value.")
    return array


def neighbors(places: Sequence[Place], adjacency: Adjacency) -> Array:
    """Weights 1 between cells of one grate that share a side (queen: or a corner)."""
    grate = np.array([place[0] for place in places])
    at = np.array([place[1:] for place in places], dtype=float).reshape(-1, 2)
    steps = np.abs(at[:, None, :] - at[None, :, :])
    reach = steps.sum(-1) if adjacency == "rook" else steps.max(-1)
    return np.asarray(
        (reach == 1) & (grate[:, None] == grate[None, :]), dtype=np.float64
    )


def quadratic(x: Array, weights: Array) -> Array:
    """Value of x'Wx along the last axis, for symmetric weights, mostly zeros."""
    cells = np.ascontiguousarray(np.moveaxis(x, -1, 0))
    out = np.zeros(cells.shape[1:])
    # Few pairs of cells are neighbors: cheaper than a product of matrices, and free of
    # its threads, which get in each other's way on a busy machine.
    for i, weight in enumerate(np.diagonal(weights)):
        if weight:
            out += weight * cells[i] * cells[i]
    for i, j in zip(*np.nonzero(np.triu(weights, 1)), strict=True):
        out += 2 * weights[i, j] * cells[i] * cells[j]
    return out
