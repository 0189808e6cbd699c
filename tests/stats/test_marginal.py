"""Rates averaged over bakes: limits, symmetry, inversion, independent integration."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit, logit
from scipy.stats import norm

from pitstats.stats.marginal import marginal_intercept, marginal_rate


@pytest.mark.parametrize("sd", [0.0, 0.3, 1.0, 2.5])
@pytest.mark.parametrize("intercept", [-4.0, -1.0, 0.0, 2.0])
def test_agrees_with_adaptive_integration(intercept: float, sd: float) -> None:
    expected, _ = quad(
        lambda z: expit(intercept + sd * z) * norm.pdf(z), -10, 10, epsabs=1e-12
    )
    assert marginal_rate(intercept, sd) == pytest.approx(expected, abs=1e-9)


def test_inversion_and_symmetry() -> None:
    rate = np.linspace(0.001, 0.999, 41)[:, None]
    sd = np.array([0.0, 0.5, 1.5, 2.5])
    intercept = marginal_intercept(rate, sd)
    np.testing.assert_allclose(
        marginal_rate(intercept, sd), np.broadcast_to(rate, intercept.shape), atol=1e-9
    )
    np.testing.assert_allclose(intercept, -intercept[::-1], atol=1e-8)


def test_limits() -> None:
    np.testing.assert_allclose(marginal_intercept(0.2, 0.0), logit(0.2))
    assert marginal_intercept(0.0, 1.0) == -np.inf
    assert marginal_intercept(1.0, 1.0) == np.inf


@pytest.mark.parametrize(("rate", "sd"), [(1.2, 0.1), (-0.1, 0.1), (0.2, -1.0)])
def test_impossible_values_are_refused(rate: float, sd: float) -> None:
    with pytest.raises(ValueError, match="must"):
        marginal_intercept(rate, sd)
