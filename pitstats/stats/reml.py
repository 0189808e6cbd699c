"""Restricted likelihood of readings in groups, its slopes, and its top."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.nested_groups import Covariance, Groups, GroupSums


class Fixed(NamedTuple):
    """Least squares for given variance ratios, in units of the residual variance.

    Attributes
    ----------
    covariance : Covariance
        Of the readings.
    information : ndarray, shape (p, p)
        ``X' V^-1 X``.
    inverse : ndarray, shape (p, p)
        Its inverse.
    coef : ndarray, shape (p,)
        Generalized least squares coefficients.
    squares : float
        Weighted residual sum of squares.
    criterion : float
        -2 restricted log-likelihood, up to a constant.
    """

    covariance: Covariance
    information: FloatArray
    inverse: FloatArray
    coef: FloatArray
    squares: float
    criterion: float


class Slopes(NamedTuple):
    """What the fit does when a variance changes; order residual, outer, inner.

    All in units of the residual variance, with ``G_k`` the derivative of the
    covariance of the readings by variance k, ``r`` the residuals and ``P`` the
    matrix that takes readings to ``V^-1 r``.

    Attributes
    ----------
    once : ndarray, shape (k, p, p)
        ``X' V^-1 G_k V^-1 X``.
    left : ndarray, shape (k, k, p, p)
        ``X' V^-1 G_k P G_l V^-1 X``.
    trace : ndarray, shape (k,)
        ``tr(P G_k)``.
    information : ndarray, shape (k, k)
        ``tr(P G_k P G_l)``.
    squares : ndarray, shape (k,)
        ``r' V^-1 G_k V^-1 r``.
    curvature : ndarray, shape (k, k)
        ``y' P G_k P G_l P y``.
    effect : list of ndarray
        ``Z_k' V^-1 r`` of the outer and inner level: predicted effects before they
        are multiplied by the ratio.
    """

    once: FloatArray
    left: FloatArray
    trace: FloatArray
    information: FloatArray
    squares: FloatArray
    curvature: FloatArray
    effect: list[FloatArray]


class Restricted:
    """Restricted likelihood as a function of the variance ratios.

    Parameters
    ----------
    groups : Groups
        Which readings belong together.
    sums : GroupSums
        Sums of the p columns of X and, last, of y.
    residual : float, optional
        Residual variance when it is not estimated but held (needed where readings of
        a group do not differ at all, so that the ratio would be infinite).
    """

    def __init__(
        self, groups: Groups, sums: GroupSums, residual: float | None = None
    ) -> None:
        self.groups = groups
        self.sums = sums
        self.residual = residual
        self.n_free = float(groups.size.sum()) - (sums.within.shape[0] - 1)

    def fixed(self, ratio: FloatArray) -> Fixed:
        """Least squares and criterion for given ratios (outer, inner)."""
        covariance = Covariance(self.groups, ratio)
        mean = self.sums.mean
        product = self.sums.within + covariance.product(mean, mean)
        information = product[:-1, :-1]
        root = np.linalg.inv(np.linalg.cholesky(information))
        inverse = root.T @ root
        coef = inverse @ product[:-1, -1]
        squares = float(product[-1, -1] - product[:-1, -1] @ coef)
        squares = max(squares, np.finfo(float).tiny)
        criterion = covariance.log_det() - 2 * float(np.log(np.diag(root)).sum())
        if self.residual is None:
            criterion += self.n_free * np.log(squares)
        else:
            criterion += squares / self.residual
        return Fixed(covariance, information, inverse, coef, squares, criterion)

    def slopes(self, fixed: Fixed) -> Slopes:
        """Derivatives at a fit."""
        p = len(fixed.coef)
        to_residual = np.eye(p + 1)
        to_residual[:p, p] = -fixed.coef
        sums = self.sums.transform(to_residual)
        inverse_mean = fixed.covariance.inverse_means(sums.mean)
        total = self.groups.size[:, None] * inverse_mean
        outer_total = self.groups.by_outer(total)
        spread = [inverse_mean, outer_total[self.groups.outer], total]
        square = [sums.within + inverse_mean.T @ total, outer_total.T @ outer_total]
        effect = [outer_total[:, p]]
        if self.groups.n_levels == 2:
            square.append(total.T @ total)
            effect.append(total[:, p])
        left = self._left_over(fixed, sums, spread, np.array(square))
        return self._assemble(fixed, np.array(square), left, effect)

    def _left_over(
        self,
        fixed: Fixed,
        sums: GroupSums,
        spread: list[FloatArray],
        square: FloatArray,
    ) -> FloatArray:
        """``C' V^-1 G_k P G_l V^-1 C`` for the columns ``C`` of X and the residuals.

        As cross-products of what least squares on X leaves of ``G_k V^-1 C``: a
        difference of large numbers would lose its digits where the ratios are large.
        """
        k, m = len(square), len(fixed.coef) + 1
        pull = np.zeros((k, m, m))
        pull[:, : m - 1] = -fixed.inverse @ square[:, : m - 1]
        mean = [spread[a] + sums.mean @ pull[a] for a in range(k)]
        # Only the residual variance keeps what lies within the inner groups.
        pull[0] += np.eye(m)
        out = np.empty((k, k, m, m))
        for a in range(k):
            for b in range(a, k):
                out[a, b] = fixed.covariance.product(mean[a], mean[b])
                out[a, b] += pull[a].T @ sums.within @ pull[b]
                out[b, a] = out[a, b].T
        return out

    def _assemble(
        self,
        fixed: Fixed,
        square: FloatArray,
        left: FloatArray,
        effect: list[FloatArray],
    ) -> Slopes:
        p = len(fixed.coef)
        once = square[:, :p, :p]
        pulled = once @ fixed.inverse
        trace = fixed.covariance.traces() - np.einsum("kii->k", pulled)
        # tr(PGPG) = tr(V^-1 G V^-1 G) - tr(X' V^-1 G (V^-1 + P) G V^-1 X F), with F
        # the inverse of X' V^-1 X and V^-1 = P + V^-1 X F X' V^-1.
        information = fixed.covariance.pair_traces()
        information -= 2 * np.einsum("klij,ji->kl", left[..., :p, :p], fixed.inverse)
        information -= np.einsum("kij,lji->kl", pulled, pulled)
        return Slopes(
            once,
            left[..., :p, :p],
            trace,
            information,
            square[:, p, p],
            left[..., p, p],
            effect,
        )

    def ratio_slopes(self, fixed: Fixed) -> tuple[FloatArray, FloatArray]:
        """Gradient and Hessian of the criterion by the ratios."""
        slopes = self.slopes(fixed)
        s, r = slopes.squares[1:], slopes.curvature[1:, 1:]
        hessian = -slopes.information[1:, 1:]
        if self.residual is not None:
            pull = 1.0 / self.residual
            return slopes.trace[1:] - pull * s, hessian + 2 * pull * r
        pull = self.n_free / fixed.squares
        gradient = slopes.trace[1:] - pull * s
        change = 2 * pull * r - pull * np.outer(s, s) / fixed.squares
        return gradient, hessian + change


def maximize(restricted: Restricted, free: list[int]) -> FloatArray:
    """Ratios at the top of the restricted likelihood.

    Exactly 0 where it lies on that edge. ``free`` are the levels to estimate (0 outer,
    1 inner); the others stay at 0. The best point of a coarse grid of ratios is
    improved by Newton's method in the logarithms of the positive ones. A ratio of 0 is
    left when the criterion falls from there.
    """
    ratio = _best_start(restricted, free)
    for _ in range(5):
        ratio = _climb(restricted, ratio)
        edge = [k for k in free if ratio[k] == 0]
        if not edge:
            break
        gradient, _ = restricted.ratio_slopes(restricted.fixed(ratio))
        falling = [k for k in edge if gradient[k] < -1e-9]
        if not falling:
            break
        for k in falling:
            ratio[k] = 1e-3 / float(restricted.groups.size.mean())
    return ratio


def _best_start(restricted: Restricted, free: list[int]) -> FloatArray:
    n_levels = restricted.groups.n_levels
    top = 8.0 if restricted.residual is None else 14.0
    step = 0.75 if len(free) < 2 else 1.25
    powers = np.concatenate([[0.0], 10 ** np.arange(-4.0, top, step)])
    grid = [powers if k in free else np.zeros(1) for k in range(n_levels)]
    points = np.stack(np.meshgrid(*grid, indexing="ij"), axis=-1).reshape(-1, n_levels)
    values = [restricted.fixed(point).criterion for point in points]
    return np.array(points[int(np.argmin(values))])


def _climb(restricted: Restricted, ratio: FloatArray) -> FloatArray:
    """Newton's method in the logarithms of the positive ratios."""
    here = restricted.fixed(ratio)
    for _ in range(100):
        ratio, here = _try_edge(restricted, ratio, here)
        active = ratio > 0
        if not active.any():
            break
        gradient, hessian = restricted.ratio_slopes(here)
        size = ratio[active]
        slope = size * gradient[active]
        bend = np.outer(size, size) * hessian[np.ix_(active, active)] + np.diag(slope)
        step = _newton_step(bend, slope)
        if float(-slope @ step) < 1e-14:
            break
        for _ in range(30):
            moved = ratio.copy()
            moved[active] = size * np.exp(step)
            there = restricted.fixed(moved)
            if there.criterion <= here.criterion + 1e-13 * abs(here.criterion):
                break
            step = step / 2
        else:
            break
        ratio, here = moved, there
    return ratio


def _try_edge(
    restricted: Restricted, ratio: FloatArray, here: Fixed
) -> tuple[FloatArray, Fixed]:
    """Set small ratios to 0 where that is at least as likely."""
    typical = float(restricted.groups.size.mean())
    for k in np.flatnonzero((ratio > 0) & (ratio * typical < 1e-2)):
        moved = ratio.copy()
        moved[k] = 0.0
        there = restricted.fixed(moved)
        if there.criterion <= here.criterion:
            ratio, here = moved, there
    return ratio, here


def _newton_step(hessian: FloatArray, gradient: FloatArray) -> FloatArray:
    """Step downhill with negative curvature turned round, at most a factor of e^2."""
    values, vectors = np.linalg.eigh(hessian)
    size = np.maximum(np.abs(values), 1e-8)
    step: FloatArray = -vectors @ ((vectors.T @ gradient) / size)
    longest = float(np.abs(step).max())
    return step if longest <= 2.0 else step * (2.0 / longest)
