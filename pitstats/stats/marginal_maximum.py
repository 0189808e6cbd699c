"""Top of a marginal likelihood over coefficients and the SD of one group effect."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from pitstats.stats.binomial_data import FloatArray

# An SD on the logit scale beyond which "all or none in every bake" is the better
# description: at 10, two bakes in three lie under 1 % or over 99 %.
LARGEST_SD = 10.0


class MarginalLikelihood(Protocol):
    """A log-likelihood of coefficients and, last, the group SD."""

    def value(self, parameters: FloatArray, n_nodes: int) -> float:
        """Marginal log-likelihood by this many nodes."""

    def slope(
        self, parameters: FloatArray, n_nodes: int
    ) -> tuple[float, FloatArray, FloatArray]:
        """Value, exact gradient and an approximation of the information."""


class VarianceTest(NamedTuple):
    """Likelihood ratio test that groups do not differ.

    Attributes
    ----------
    statistic : float
        Twice the gain in log-likelihood over the model without group effect.
    p_value : float
        From the equal mixture of chi-square on 0 and 1 df.
    """

    statistic: float
    p_value: float


def climb(
    likelihood: MarginalLikelihood, start: FloatArray, n_nodes: int
) -> tuple[FloatArray, float]:
    """Newton's method with Louis's information, steps halved when they overshoot."""
    here = start
    shape_nodes = max(n_nodes, 7)
    for _ in range(100):
        value, gradient, information = likelihood.slope(here, shape_nodes)
        if shape_nodes != n_nodes:
            value, gradient, _ = likelihood.slope(here, n_nodes)
        step = ascent_step(information, gradient)
        if float(gradient @ step) < 1e-15 or abs(here[-1]) > 3 * LARGEST_SD:
            break
        for _ in range(30):
            if likelihood.value(here + step, n_nodes) >= value - 1e-13 * abs(value):
                break
            step = step / 2
        else:
            break
        here = here + step
    return here, value


def ascent_step(information: FloatArray, gradient: FloatArray) -> FloatArray:
    """Newton step with negative curvature turned round, of bounded length."""
    values, vectors = np.linalg.eigh(information)
    size = np.maximum(np.abs(values), 1e-6 * max(1.0, float(np.abs(values).max())))
    step: FloatArray = vectors @ ((vectors.T @ gradient) / size)
    longest = abs(float(step[-1]))
    return step if longest <= 2.0 else step * (2.0 / longest)


def observed_covariance(
    likelihood: MarginalLikelihood, top: FloatArray, n_nodes: int
) -> FloatArray:
    """Inverse of the observed information, from differences of the exact gradient."""
    p = len(top)
    if top[-1] == 0:
        covariance = np.full((p, p), np.nan)
        information = likelihood.slope(top, n_nodes)[2][:-1, :-1]
        covariance[:-1, :-1] = np.linalg.inv(information)
        return covariance
    information = np.empty((p, p))
    for j in range(p):
        width = 1e-4 * max(1.0, abs(float(top[j])))
        shift = np.zeros(p)
        shift[j] = width
        up = likelihood.slope(top + shift, n_nodes)[1]
        down = likelihood.slope(top - shift, n_nodes)[1]
        information[j] = (down - up) / (2 * width)
    return np.asarray(np.linalg.inv((information + information.T) / 2))


def variance_test(with_groups: float, without: float) -> VarianceTest:
    """Likelihood ratio test from the log-likelihoods with and without the effect."""
    from scipy.special import chdtrc

    statistic = max(0.0, 2 * (with_groups - without))
    if statistic < 1e-10:
        return VarianceTest(0.0, 1.0)
    return VarianceTest(statistic, 0.5 * float(chdtrc(1.0, statistic)))
