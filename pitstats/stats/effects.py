"""Random effects of the engine: which SD belongs to which bakes, and their priors."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from pitstats.stats.binomial_data import FloatArray, IntArray
from pitstats.stats.spread_prior import SpreadPrior


def log_normal(score: FloatArray) -> FloatArray:
    """Log density of the standard normal distribution."""
    return np.asarray(-0.5 * score**2 - 0.5 * np.log(2 * np.pi))


class Scales(NamedTuple):
    """Standard deviations of the effects, logit scale.

    Attributes
    ----------
    sd : ndarray, shape (groups, draws)
        Of the bakes of each group.
    shared_sd : ndarray, shape (draws,)
        Of the effect that all groups share (sessions, or tilts of bakes); 0 without.
    """

    sd: FloatArray
    shared_sd: FloatArray


class Likelihood(Protocol):
    """Likelihood of the items with all effects integrated out."""

    def value(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> FloatArray:
        """Log-likelihood, shape (draws,), at ``sd`` of shape (bakes, draws)."""
        ...

    def slope(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log-likelihood, gradient and information for a few draws."""
        ...


class Effects(NamedTuple):
    """Which bakes share an SD, and the prior of all SDs.

    Attributes
    ----------
    bake_group : ndarray of int, shape (bakes,)
        Group of each bake: its pit, or 0 throughout for one common SD.
    intercept_group : ndarray of int, shape (intercepts,)
        Group of the bakes behind each intercept.
    n_groups : int
        Number of groups.
    prior : SpreadPrior
        Of the SDs of the groups.
    shared_knots : ndarray, shape (k,)
        SDs of the shared effect at which modes are found; a single 0 without.
    shared_scale : float
        Scale of the half-normal prior of the shared SD.
    load : ndarray, shape (intercepts,)
        Factor of the shared effect in the items of each intercept.
    """

    bake_group: IntArray
    intercept_group: IntArray
    n_groups: int
    prior: SpreadPrior
    shared_knots: FloatArray
    shared_scale: float
    load: FloatArray

    def of_bakes(self, scales: Scales) -> FloatArray:
        """SD of the effect of each bake, shape (bakes, draws)."""
        return scales.sd[self.bake_group]

    def total_sd(self, scales: Scales) -> FloatArray:
        """SD of all effects together, shape (intercepts, draws)."""
        return np.hypot(
            scales.sd[self.intercept_group], self.load[:, None] * scales.shared_sd
        )

    @property
    def rho(self) -> float:
        """Correlation of the groups' scores; a single group has none."""
        return self.prior.rho if self.n_groups > 1 else 0.0

    def log_shared_prior(self, sd: FloatArray) -> FloatArray:
        """Log density of the shared SD, half-normal up to a constant."""
        return np.asarray(-0.5 * (sd / self.shared_scale) ** 2)
