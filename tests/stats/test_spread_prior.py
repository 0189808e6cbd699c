"""The prior of spreads: margins, copula, nodes of the common level."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pitstats.stats.spread_prior import COMMON, OWN, SpreadPrior, chosen_prior

MARGINS = ["uniform(0, 2.5)", "half-normal(1.5)", "half-normal(2)"]


@pytest.mark.parametrize("margin", MARGINS)
def test_margins_are_the_named_distributions(margin: str) -> None:
    prior = SpreadPrior(0.5, margin)
    sd = np.linspace(0.05, 2.45, 25)
    if margin.startswith("uniform"):
        known = stats.uniform(0, 2.5)
        density, share = known.pdf(sd), known.cdf(sd)
    else:
        known = stats.halfnorm(scale=float(margin[12:-1]))
        density, share = known.pdf(sd) / known.cdf(2.5), known.cdf(sd) / known.cdf(2.5)
    np.testing.assert_allclose(np.exp(prior.log_density(sd)), density, rtol=1e-12)
    np.testing.assert_allclose(prior.score(sd), stats.norm.ppf(share), atol=1e-9)
    np.testing.assert_allclose(prior.sd(prior.score(sd)), sd, atol=1e-12)


def test_joint_density_is_the_normal_copula() -> None:
    prior = SpreadPrior(0.6, "half-normal(1.5)")
    sd = np.array([[0.3, 1.0], [0.9, 2.2], [1.7, 0.1]])
    z = prior.score(sd)
    correlation = np.full((3, 3), 0.6) + 0.4 * np.eye(3)
    copula = stats.multivariate_normal(np.zeros(3), correlation).logpdf(z.T)
    expected = copula - stats.norm.logpdf(z).sum(axis=0)
    expected += prior.log_density(sd).sum(axis=0)
    np.testing.assert_allclose(prior.log_joint(sd), expected, atol=1e-10)


def test_joint_density_is_the_average_over_the_level() -> None:
    prior = SpreadPrior(0.5, "half-normal(2)")
    sd = np.array([0.4, 1.3])

    def at(level: float) -> float:
        given = prior.log_ratio(level, sd) + prior.log_density(sd)
        return float(stats.norm.pdf(level) * np.exp(given.sum()))

    average = integrate.quad(at, -8, 8)[0]
    assert np.log(average) == pytest.approx(float(prior.log_joint(sd)), abs=1e-8)


@pytest.mark.parametrize("rho", [0.5, 2 / 3, 0.75])
@pytest.mark.parametrize("margin", MARGINS)
def test_levels_give_back_margin_and_correlation(rho: float, margin: str) -> None:
    prior = SpreadPrior(rho, margin)
    nodes, weights = np.polynomial.legendre.leggauss(32)
    sd, sd_weight = 1.25 * (nodes + 1), 1.25 * weights
    found = prior.levels(3, sd, sd_weight)
    np.testing.assert_allclose(found.kernel.sum(axis=1), 1, atol=1e-12)
    np.testing.assert_allclose(
        found.weight @ found.kernel,
        sd_weight * np.exp(prior.log_density(sd)),
        atol=1.5e-3,
    )
    mean = found.kernel @ prior.score(sd)
    assert found.weight @ (mean * mean) == pytest.approx(rho, abs=0.015)


def test_spreads_from_normal_coordinates_have_the_stated_correlation() -> None:
    rng = np.random.default_rng(5)
    own = rng.normal(size=(2, 40_000))
    sd = OWN.spreads(rng.normal(size=40_000), own)
    assert np.corrcoef(OWN.score(sd))[0, 1] == pytest.approx(OWN.rho, abs=0.02)
    assert sd.min() > 0
    assert sd.max() < 2.5


def test_one_spread_for_all_has_the_identity_for_kernel() -> None:
    sd, weight = np.array([0.5, 1.0, 2.0]), np.array([0.8, 0.9, 0.8])
    found = COMMON.levels(2, sd, weight)
    np.testing.assert_array_equal(found.kernel, np.eye(3))
    np.testing.assert_allclose(found.weight, weight / 2.5)


def test_prior_is_chosen_by_name() -> None:
    assert chosen_prior("own", None, None) == OWN
    assert chosen_prior("own", 0.75, None) == SpreadPrior(0.75, OWN.margin)
    with pytest.raises(ValueError, match='spread is "mine"; use "own" or "common"'):
        chosen_prior("mine", None, None)
    with pytest.raises(ValueError, match="rho and margin belong to"):
        chosen_prior("common", 0.5, None)
    with pytest.raises(ValueError, match=r"rho is 1\.5"):
        chosen_prior("own", 1.5, None)
    with pytest.raises(ValueError, match='margin is "flat"; use "uniform'):
        chosen_prior("own", 0.5, "flat")
