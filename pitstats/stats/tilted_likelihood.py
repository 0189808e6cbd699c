"""Likelihood of items whose bakes differ in level and in their fall along the grate.

A bake's effect on the logit scale is ``sd u + tilt_sd v x`` at place ``x``, with
standard normal ``u`` and ``v``; both are integrated out by adaptive Gauss-Hermite
quadrature around their joint mode. Arrays have the draws last.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.bake_likelihood import BakeData
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.quadrature import log_sum_exp, normal_nodes

_LARGEST_ETA = 30.0
_LONGEST_STEP = 1.5
_MODE_STEPS = 4
_CHUNK = 240_000
_NODES, _NODES_OF_SLOPE = 5, 3


class TiltLikelihood(NamedTuple):
    """The likelihood of given items, as the engine asks for it.

    Attributes
    ----------
    data : BakeData
        Items by bake and pattern.
    place : ndarray, shape (patterns,)
        Place of each pattern, about 0.
    lean : ndarray, shape (bakes,)
        Sum of the places of the burned items of each bake.
    """

    data: BakeData
    place: FloatArray
    lean: FloatArray

    def value(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> FloatArray:
        """Log-likelihood of many draws, without the binomial coefficients."""
        slots = _slots(self.data)
        step = max(16, _CHUNK // (_NODES**2 * slots.items.size))
        value = np.empty(theta.shape[1])
        for start in range(0, theta.shape[1], step):
            part = slice(start, start + step)
            eta = self._eta(theta[:, part])
            nodes = self._nodes(slots, eta, sd[:, part], shared_sd[part], _NODES)
            value[part] = log_sum_exp(nodes.terms, axis=0).sum(axis=0)
            value[part] += self.data.burned @ eta
        return value

    def slope(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log-likelihood, gradient and information of a few, by Louis's formula.

        References
        ----------
        .. [1] Louis TA (1982), Finding the observed information matrix when using the
           EM algorithm, Journal of the Royal Statistical Society B 44:226-233.
        """
        slots = _slots(self.data)
        eta = self._eta(theta)
        nodes = self._nodes(slots, eta, sd, shared_sd, _NODES_OF_SLOPE)
        total = log_sum_exp(nodes.terms, axis=0)
        share = np.exp(nodes.terms - total)
        design = np.vstack([self.data.design, np.zeros(len(theta))])[slots.pattern]
        # Axes: i node, j slot, b bake, n draw, a and c parameters.
        chance = nodes.odds / (1 + nodes.odds)
        expected = slots.items[:, :, None] * chance
        score = -np.einsum("ijbn,jba->ibna", expected, design, optimize=True)
        average = (share[..., None] * score).sum(axis=0)
        weight = (share[:, None] * expected * (1 - chance)).sum(axis=0)
        information = np.einsum(
            "jbn,jba,jbc->nac", weight, design, design, optimize=True
        )
        away = score - average
        information -= np.einsum("ibn,ibna,ibnc->nac", share, away, away, optimize=True)
        gradient = average.sum(axis=0) + self.data.design.T @ self.data.burned
        value = total.sum(axis=0) + self.data.burned @ eta
        return value, gradient, information

    def _eta(self, theta: FloatArray) -> FloatArray:
        return np.clip(self.data.design @ theta, -_LARGEST_ETA, _LARGEST_ETA)

    def _nodes(
        self,
        slots: _Slots,
        eta: FloatArray,
        sd: FloatArray,
        tilt_sd: FloatArray,
        n_nodes: int,
    ) -> _Nodes:
        """Place nodes around the mode of every bake and evaluate them."""
        base = np.vstack([eta, np.full(eta.shape[1], -_LARGEST_ETA)])[slots.pattern]
        place = np.append(self.place, 0.0)[slots.pattern][:, :, None]
        u, v, (uu, uv, vv) = self._modes(slots, base, place, sd, tilt_sd)
        # Inverse transposed Cholesky factor of the curvature [[uu, uv], [uv, vv]].
        first = 1 / np.sqrt(uu)
        rest = 1 / np.sqrt(vv - uv**2 / uu)
        z, weight = normal_nodes(n_nodes)
        z1, z2 = (axis.ravel()[:, None, None] for axis in np.meshgrid(z, z))
        log_weight = np.add.outer(np.log(weight), np.log(weight)).ravel()
        u = u + first * z1 - uv / uu * rest * z2
        v = v + rest * z2
        terms = log_weight[:, None, None] + 0.5 * (z1**2 + z2**2 - u**2 - v**2)
        terms = terms + np.log(first * rest)
        shift = sd * u
        tilt = tilt_sd * v
        terms += self.data.bake_burned[:, None] * shift + self.lean[:, None] * tilt
        odds = base + shift[:, None]
        odds += place * tilt[:, None]
        np.clip(odds, -2 * _LARGEST_ETA, 2 * _LARGEST_ETA, out=odds)
        np.exp(odds, out=odds)
        unburned = odds + 1.0
        np.log(unburned, out=unburned)
        unburned *= slots.items[:, :, None]
        terms -= unburned.sum(axis=1)
        return _Nodes(terms, odds)

    def _modes(
        self,
        slots: _Slots,
        base: FloatArray,
        place: FloatArray,
        sd: FloatArray,
        tilt_sd: FloatArray,
    ) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray, FloatArray]]:
        """Modes of both effects by damped Newton steps, and the curvature there."""
        y, n = self.data.bake_burned[:, None], self.data.bake_total[:, None]
        noise = 1 / (y + 0.5) + 1 / (n - y + 0.5)
        mean = (slots.items[:, :, None] * base).sum(axis=0) / n
        gap = np.log((y + 0.5) / (n - y + 0.5)) - mean
        u = sd * gap / (sd**2 + noise)
        v = np.zeros_like(u)
        for step in range(_MODE_STEPS + 1):
            logit = base + sd * u + place * (tilt_sd * v)
            p = 1 / (1 + np.exp(-np.clip(logit, -2 * _LARGEST_ETA, 2 * _LARGEST_ETA)))
            fitted = slots.items[:, :, None] * p
            weight = fitted * (1 - p)
            uu = 1 + sd**2 * weight.sum(axis=0)
            uv = sd * tilt_sd * (weight * place).sum(axis=0)
            vv = 1 + tilt_sd**2 * (weight * place**2).sum(axis=0)
            if step == _MODE_STEPS:
                break
            rise_u = sd * (y - fitted.sum(axis=0)) - u
            lean = self.lean[:, None] - (fitted * place).sum(axis=0)
            rise_v = tilt_sd * lean - v
            area = uu * vv - uv**2
            step_u = (vv * rise_u - uv * rise_v) / area
            step_v = (uu * rise_v - uv * rise_u) / area
            u = u + np.clip(step_u, -_LONGEST_STEP, _LONGEST_STEP)
            v = v + np.clip(step_v, -_LONGEST_STEP, _LONGEST_STEP)
        return u, v, (uu, uv, vv)


class _Nodes(NamedTuple):
    """Log terms of the nodes, (nodes, bakes, draws), and odds in every slot."""

    terms: FloatArray
    odds: FloatArray


class _Slots(NamedTuple):
    """Patterns and numbers of items in the slots of every bake, (slots, bakes)."""

    pattern: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
    items: FloatArray


def _slots(data: BakeData) -> _Slots:
    """All slots of the data; empty ones count nothing."""
    single = (data.single < len(data.design)).astype(float)
    return _Slots(
        np.vstack([data.single, data.several]), np.vstack([single, data.slot_count])
    )
