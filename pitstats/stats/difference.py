"""Distribution of a difference between two rates that share a bake spread.

Given the spread the two rates are independent, so their joint distribution on the grid
is a mixture of products: one matrix product per pair. Its distribution function, at any
difference, is then one interpolation per grid row, and interval ends are its roots.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitstats.stats.bake_grid import Array, RateGrid

Index = NDArray[np.intp]

_BLOCK = 4_000_000  # numbers held at a time, 32 MB


def cell_borders(mass: Array) -> Array:
    """Cumulative probability at cell borders -1 to n_rates + 1, along the last axis.

    The sum of mid-point values differs from the integral by 1/24 of the change across
    the border (Euler-Maclaurin); with that the borders are right to fourth order. The
    density in the angle is even about both ends, which gives one value beyond either.
    """
    n = mass.shape[-1]
    out = np.empty((*mass.shape[:-1], n + 3))
    out[..., 1] = 0.0
    np.cumsum(mass, axis=-1, out=out[..., 2 : n + 2])
    out[..., 2 : n + 1] += (mass[..., 1:] - mass[..., :-1]) / 24.0
    out[..., 0] = -out[..., 2]
    out[..., n + 2] = 2.0 * out[..., n + 1] - out[..., n]
    return out


def cell_middles(mass: Array) -> Array:
    """Cumulative probability at the middle of each cell, along the last axis.

    Written so that for two pits ``sum(mass_a * middles_b)`` and its mirror image add up
    to one exactly.
    """
    out = np.cumsum(mass, axis=-1)
    out -= 0.5 * mass
    out[..., :-1] -= mass[..., 1:] / 24.0
    out[..., 1:] += mass[..., :-1] / 24.0
    return out


def invert_borders(borders: Array, level: Array) -> Array:
    """Position, 0 to n_rates, at which each row of `cell_borders` reaches its level.

    ``borders`` has shape (n, n_rates + 3), each row ending at one; ``level`` shape
    (n,).
    """
    inner = borders[:, 1:-1]
    cell = np.clip((inner < level[:, None]).sum(axis=1) - 1, 0, inner.shape[1] - 2)
    near = np.take_along_axis(borders, cell[:, None] + np.arange(4), axis=1)
    low, high = np.zeros(cell.size), np.ones(cell.size)
    for _ in range(28):
        middle = 0.5 * (low + high)
        below = (near * _cubic_weights(middle)).sum(axis=1) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(cell + 0.5 * (low + high))


def _cubic_weights(u: Array) -> Array:
    """Weights of the four nearest borders for a point ``u`` of the way between two."""
    v, w, x = u - 1.0, u - 2.0, u + 1.0
    uv, xw = u * v, x * w
    return np.stack([-uv * w / 6, xw * v / 2, -xw * u / 2, uv * x / 6], axis=-1)


def refine_table(values: Array, times: int) -> Array:
    """Interpolate evenly spaced rows of values to ``times`` as many steps (cubic)."""
    n = values.shape[0] - 1
    ends = 2 * values[[0, -1]] - values[[1, -2]]
    padded = np.concatenate([ends[:1], values, ends[1:]])
    weights = _cubic_weights(np.arange(times) / times)
    out = sum(weights[:, k, None] * padded[k : k + n, None] for k in range(4))
    return np.concatenate([np.reshape(out, (n * times, -1)), values[-1:]])


@dataclass(frozen=True, eq=False)
class _OneSided:
    """P(rate of the second pit <= rate of the first + shift), several pairs at a time.

    ``joint`` holds, per pair and per cell of the first pit, `cell_borders` of the
    second pit.
    """

    grid: RateGrid
    joint: Array

    def at(self, pair: Index, shift: Array) -> Array:
        n = self.grid.rate.size
        moved = np.clip(self.grid.rate + shift[:, None], 0.0, 1.0)
        place = np.arcsin(np.sqrt(moved)) * (1.0 / self.grid.angle_step)
        cell = np.minimum(place.astype(np.intp), n - 1)
        u = place - cell
        start = (pair[:, None] * n + np.arange(n)) * (n + 3) + cell
        flat = self.joint.ravel()
        v, w, x = u - 1.0, u - 2.0, u + 1.0
        uv, xw = u * v, x * w
        value = flat[start] * (uv * w) * (-1 / 6)
        value += flat[start + 1] * (xw * v) * 0.5
        value -= flat[start + 2] * (xw * u) * 0.5
        value += flat[start + 3] * (uv * x) * (1 / 6)
        return np.asarray(value.sum(axis=1))

    def solve(
        self, pair: Index, target: Array, positive: NDArray[np.bool_], precision: float
    ) -> Array:
        """Shift at which each pair reaches its target, on the stated side of nought.

        Chandrupatla's bracketing search; when rounding leaves no change of sign the
        root is at nought.
        """
        x1, x2 = np.where(positive, 1.0, 0.0), np.where(positive, 0.0, -1.0)
        at_zero = self.at(pair, np.zeros(target.size))
        f1 = np.where(positive, 1.0, at_zero) - target
        f2 = np.where(positive, at_zero, 0.0) - target
        x3, f3 = x2.copy(), f2.copy()
        t = np.full(target.size, 0.5)
        found = np.zeros(target.size)
        live = np.flatnonzero(f1 * f2 < 0)
        for _ in range(60):
            if live.size == 0:
                break
            x = x1[live] + t[live] * (x2[live] - x1[live])
            f = self.at(pair[live], x) - target[live]
            same = np.sign(f) == np.sign(f1[live])
            x3[live] = np.where(same, x1[live], x2[live])
            f3[live] = np.where(same, f1[live], f2[live])
            x2[live] = np.where(same, x2[live], x1[live])
            f2[live] = np.where(same, f2[live], f1[live])
            x1[live], f1[live] = x, f
            found[live] = np.where(np.abs(f1[live]) < np.abs(f2[live]), x, x2[live])
            width = np.abs(x2[live] - x1[live])
            tolerance = precision / np.maximum(width, 1e-300)
            done = (tolerance > 0.5) | (f == 0.0)
            t[live] = _chandrupatla_step(x1, x2, x3, f1, f2, f3, live)
            t[live] = np.clip(t[live], tolerance, 1.0 - np.minimum(tolerance, 0.5))
            live = live[~done]
        return found


def _chandrupatla_step(
    x1: Array, x2: Array, x3: Array, f1: Array, f2: Array, f3: Array, live: Index
) -> Array:
    """Fraction of the bracket for the next trial: inverse quadratic, or one half."""
    a, b, c = x1[live], x2[live], x3[live]
    fa, fb, fc = f1[live], f2[live], f3[live]
    with np.errstate(divide="ignore", invalid="ignore"):
        xi = (a - b) / (c - b)
        phi = (fa - fb) / (fc - fb)
        good = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        step = fa / (fb - fa) * fc / (fb - fc)
        step += (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
    return np.where(good & np.isfinite(step), step, 0.5)


@dataclass(frozen=True, eq=False)
class PairDifferences:
    """Differences ``rate_a - rate_b`` of several pairs, of one or of many studies.

    Attributes
    ----------
    grid : RateGrid
        The grid.
    weight : ndarray, shape (n_pairs, n_sds)
        Posterior probability of each bake spread.
    mass_a, mass_b : ndarray, shape (n_pairs, n_sds, n_rates)
        Posterior of each rate given the spread.
    at_zero : ndarray, shape (n_pairs,)
        P(rate_a <= rate_b).
    """

    grid: RateGrid
    weight: Array
    mass_a: Array
    mass_b: Array
    at_zero: Array

    def _use_a(self, positive: NDArray[np.bool_], pair: Index) -> NDArray[np.bool_]:
        """Interpolate the distribution of a (summing over b), or the other way round.

        The interpolated distribution starts with a kink at 0 or ends with one at 1
        when its density there is not nought (none or all of the items burned); of the
        two ways of working out the same number, take the one with the smaller kink.
        Exchanging the pits exchanges the ways, so that their difference only changes
        its sign.
        """
        ends_a = np.einsum("nm,nme->ne", self.weight, self.mass_a[:, :, [0, -1]])
        ends_b = np.einsum("nm,nme->ne", self.weight, self.mass_b[:, :, [0, -1]])
        above = ends_a[pair, 1] <= ends_b[pair, 0]
        below = ends_a[pair, 0] < ends_b[pair, 1]
        return np.asarray(np.where(positive, above, below))

    def _side(self, use_a: bool, pairs: Index) -> _OneSided:
        weight = self.weight[pairs, :, None]
        a, b = self.mass_a[pairs], self.mass_b[pairs]
        first, second = (b, a) if use_a else (a, b)
        joint = np.matmul((weight * first).swapaxes(1, 2), second)
        return _OneSided(self.grid, cell_borders(joint))

    def cdf(self, pair: Index, at: Array) -> Array:
        """P(rate_a - rate_b <= at), for the pair and the difference of each entry."""
        value = np.where(at < 0, 0.0, 1.0)
        value[at == 0] = self.at_zero[pair[at == 0]]
        inside = (np.abs(at) < 1) & (at != 0)
        use_a = self._use_a(at > 0, pair)
        for flag in (True, False):
            for rows, local, side in self._blocks(flag, inside & (use_a == flag), pair):
                for part in np.array_split(
                    np.arange(rows.size), rows.size * self.grid.rate.size // 60_000 + 1
                ):
                    move = at[rows[part]] if flag else -at[rows[part]]
                    got = side.at(local[part], move)
                    value[rows[part]] = got if flag else 1.0 - got
        return value

    def quantile(self, pair: Index, level: Array, *, tolerance: float = 2e-10) -> Array:
        """Difference below which a posterior share lies, for the pair of each entry.

        ``tolerance`` is the largest error of a root.
        """
        positive = level > self.at_zero[pair]
        use_a = self._use_a(positive, pair)
        value = np.zeros(level.size)
        for flag in (True, False):
            for rows, local, side in self._blocks(flag, use_a == flag, pair):
                target = level[rows] if flag else 1.0 - level[rows]
                upward = positive[rows] == flag
                root = side.solve(local, target, upward, tolerance)
                value[rows] = root if flag else -root
        exact = level == self.at_zero[pair]
        tiny = np.where(positive, 1e-12, -1e-12)
        return np.where(exact, 0.0, np.where(value == 0.0, tiny, value))

    def _blocks(
        self, use_a: bool, chosen: NDArray[np.bool_], pair: Index
    ) -> Iterator[tuple[Index, Index, _OneSided]]:
        """Pairs in blocks of bounded memory, with the entries that ask about them."""
        entries = np.flatnonzero(chosen)
        wanted, local = np.unique(pair[entries], return_inverse=True)
        size = max(1, _BLOCK // (self.grid.rate.size + 3) ** 2)
        for start in range(0, wanted.size, size):
            inside = (local >= start) & (local < start + size)
            side = self._side(use_a, wanted[start : start + size])
            yield entries[inside], local[inside] - start, side
