"""Marginal likelihood of a logistic model with one random intercept.

Adaptive Gauss-Hermite quadrature around the mode of each group's effect, with exact
first derivatives of the quadrature formula itself.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.quadrature import log_sum_exp, normal_nodes


class _Groups(NamedTuple):
    """Modes of the group effects and what depends on them."""

    mode: FloatArray
    curvature: FloatArray
    mode_slope: FloatArray
    scale_slope: FloatArray


class GroupedLikelihood:
    """Marginal log-likelihood of (coefficients, group SD), one data set.

    Parameters
    ----------
    y, n : ndarray, shape (rows,)
        Burned and graded items.
    design : ndarray, shape (rows, p)
        Design matrix of full rank.
    group : ndarray of int, shape (rows,)
        Group codes 0, 1 ... in rising order without gaps.
    offset : ndarray, shape (rows,)
        Fixed part of the predictor.

    Notes
    -----
    ``eta = offset + X b + s u`` with ``u`` standard normal per group [1]_ [2]_. The
    likelihood is even in ``s``, so a climb may pass through zero.

    References
    ----------
    .. [1] Pinheiro JC, Bates DM (1995), Approximations to the log-likelihood function
       in the nonlinear mixed-effects model, Journal of Computational and Graphical
       Statistics 4:12-35.
    .. [2] Louis TA (1982), Finding the observed information matrix when using the EM
       algorithm, Journal of the Royal Statistical Society B 44:226-233.
    """

    def __init__(
        self,
        y: FloatArray,
        n: FloatArray,
        design: FloatArray,
        group: npt.NDArray[np.intp],
        offset: FloatArray,
    ) -> None:
        self.y, self.n, self.design, self.offset = y, n, design, offset
        self.group = group
        self.starts = np.flatnonzero(np.diff(group, prepend=-1))
        self._warm = np.zeros(len(self.starts))

    def _sum(self, values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, self.starts, axis=0))

    def _find_modes(
        self, fixed: FloatArray, sd: float
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Newton's method on all groups at once; each is a concave climb."""
        from scipy.special import expit

        mode = self._warm.copy()
        reach = 2.0 + 2.0 / max(abs(sd), 0.1)
        for _ in range(60):
            mu = expit(fixed + sd * mode[self.group])
            weight = self.n * mu * (1 - mu)
            curvature = 1 + sd * sd * self._sum(weight)
            step = (sd * self._sum(self.y - self.n * mu) - mode) / curvature
            if np.abs(step).max() < 1e-11:
                break
            mode = mode + np.clip(step, -reach, reach)
        self._warm = mode
        return mode, curvature, mu, weight

    def _groups(self, fixed: FloatArray, sd: float) -> _Groups:
        """Modes with the derivatives of node centre and node spacing."""
        mode, curvature, mu, weight = self._find_modes(fixed, sd)
        residual = self._sum(self.y - self.n * mu)
        total = self._sum(weight)
        pull = -sd * self._sum(weight[:, None] * self.design)
        pull = np.column_stack([pull, residual - sd * mode * total])
        mode_slope = pull / curvature[:, None]
        skew = weight * (1 - 2 * mu)
        turn = sd * sd * self._sum(skew[:, None] * self.design)
        bend = self._sum(skew)
        turn = np.column_stack([turn, 2 * sd * total + sd * sd * bend * mode])
        turn += (sd**3 * bend)[:, None] * mode_slope
        return _Groups(mode, curvature, mode_slope, -0.5 * turn / curvature[:, None])

    def value(self, parameters: FloatArray, n_nodes: int) -> float:
        """Marginal log-likelihood without the binomial coefficients."""
        sd = float(parameters[-1])
        fixed = self.offset + self.design @ parameters[:-1]
        mode, curvature, _, _ = self._find_modes(fixed, sd)
        nodes, weights = normal_nodes(n_nodes)
        u = mode[:, None] + nodes / np.sqrt(curvature)[:, None]
        eta = fixed[:, None] + sd * u[self.group]
        log_terms = self._log_terms(eta, u, nodes, weights)
        total = log_sum_exp(log_terms, axis=1)
        return float((total - 0.5 * np.log(curvature)).sum())

    def _log_terms(
        self, eta: FloatArray, u: FloatArray, nodes: FloatArray, weights: FloatArray
    ) -> FloatArray:
        item = self.y[:, None] * eta - self.n[:, None] * np.logaddexp(0.0, eta)
        normal = 0.5 * nodes**2 + np.log(weights) - 0.5 * u**2
        return self._sum(item) + normal

    def slope(
        self, parameters: FloatArray, n_nodes: int
    ) -> tuple[float, FloatArray, FloatArray]:
        """Value, exact gradient and Louis's approximation of the information.

        Over coefficients and, last, the group SD. The information leaves out how the
        nodes move, which vanishes with many nodes.
        """
        from scipy.special import expit

        sd = float(parameters[-1])
        fixed = self.offset + self.design @ parameters[:-1]
        groups = self._groups(fixed, sd)
        nodes, weights = normal_nodes(n_nodes)
        spacing = 1 / np.sqrt(groups.curvature)
        u = groups.mode[:, None] + nodes * spacing[:, None]
        row_u = u[self.group]
        eta = fixed[:, None] + sd * row_u
        log_terms = self._log_terms(eta, u, nodes, weights)
        top = log_terms.max(axis=1)
        share = np.exp(log_terms - top[:, None])
        total = share.sum(axis=1)
        share /= total[:, None]
        value = float((np.log(total) + top + np.log(spacing)).sum())

        mu = expit(eta)
        residual = self.y[:, None] - self.n[:, None] * mu
        score = self._scores(residual, u)
        explicit = (share[:, None, :] * score).sum(axis=2)
        drift = share * (sd * self._sum(residual) - u)
        gradient = explicit + groups.scale_slope
        gradient += drift.sum(axis=1)[:, None] * groups.mode_slope
        moved = (drift * nodes).sum(axis=1) * spacing
        gradient += moved[:, None] * groups.scale_slope
        weight = self.n[:, None] * mu * (1 - mu) * share[self.group]
        information = self._expected(weight, row_u)
        centred = score - explicit[:, :, None]
        information -= np.einsum("gak,gbk->ab", centred * share[:, None, :], centred)
        return value, gradient.sum(axis=0), information

    def _scores(self, residual: FloatArray, u: FloatArray) -> FloatArray:
        """Complete-data scores per group and node, shape (groups, p + 1, nodes)."""
        by_column = self._sum(self.design[:, :, None] * residual[:, None, :])
        last = self._sum(residual) * u
        return np.concatenate([by_column, last[:, None, :]], axis=1)

    def _expected(self, weight: FloatArray, row_u: FloatArray) -> FloatArray:
        """Complete-data information averaged over the group effects."""
        p = self.design.shape[1]
        information = np.empty((p + 1, p + 1))
        information[:p, :p] = (
            self.design * weight.sum(axis=1)[:, None]
        ).T @ self.design
        cross = self.design.T @ (weight * row_u).sum(axis=1)
        information[:p, p] = cross
        information[p, :p] = cross
        information[p, p] = (weight * row_u**2).sum()
        return information
