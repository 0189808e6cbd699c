from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import lognorm

from pitstats.stats.bake_model import bake_rates
from pitstats.stats.borrowed_spread import (
    borrowed_rates,
    earlier_spread,
)

TWO = ([2, 3, 7, 9], [16] * 4, [0, 0, 1, 1])


def test_the_prior_is_a_log_normal_cut_at_its_end() -> None:
    prior = earlier_spread(0.6, 1.5)
    whole = quad(lambda x: np.exp(prior.log_density(x)), 0, 2.5)[0]
    assert whole == pytest.approx(1, abs=1e-6)
    scipy_own = lognorm(np.log(1.5), scale=0.6)
    at = np.array([0.2, 0.6, 1.4])
    cut = np.log(scipy_own.cdf(2.5))
    assert prior.log_density(at) == pytest.approx(scipy_own.logpdf(at) - cut)
    assert prior.sd(prior.score(at)) == pytest.approx(at)


def test_the_evidence_of_the_bakes_moves_the_weight_as_theirs_alone_would() -> None:
    # One bake of one item in every pit tells nothing about the spread.
    silent = borrowed_rates([0, 1], [1, 1], [0, 1], 0.6)
    assert silent.weight == pytest.approx(0.5, abs=0.02)
    steady = borrowed_rates([4] * 8, [20] * 8, [0] * 4 + [1] * 4, 0.3)
    wild = borrowed_rates(
        [0, 16, 1, 20, 2, 18, 0, 15], [20] * 8, [0] * 4 + [1] * 4, 0.3
    )
    assert steady.weight > 0.5 > wild.weight
    assert wild.refused
    assert not steady.refused


def test_the_mixture_lies_between_its_parts() -> None:
    found = borrowed_rates(*TWO, 0.4)
    at = np.linspace(-0.9, 0.5, 30)
    parts = [p.difference_cdf(0, 1, at) for p in (found.usual, found.borrowed)]
    mixed = found.difference_cdf(0, 1, at)
    assert (mixed <= np.maximum(*parts) + 1e-12).all()
    assert (mixed >= np.minimum(*parts) - 1e-12).all()
    low, high = found.interval(0, 1, 0.025)
    assert found.difference_cdf(0, 1, [low, high]) == pytest.approx(
        [0.025, 0.975], abs=2e-4
    )
    assert (found.p_value(0, 1) < 0.05) == (low > 0 or high < 0)
    alone = bake_rates(*TWO).differences
    assert found.usual.differences.low == pytest.approx(alone.low)


def test_pits_and_outcomes_can_be_swapped() -> None:
    one = borrowed_rates(*TWO, 0.4)
    swapped = borrowed_rates([7, 9, 2, 3], [16] * 4, [0, 0, 1, 1], 0.4)
    low, high = one.interval(0, 1, 0.025)
    assert swapped.interval(0, 1, 0.025) == pytest.approx((-high, -low), abs=1e-3)
    assert swapped.weight == pytest.approx(one.weight, abs=1e-6)


def test_refusals() -> None:
    for wrong in (
        {"sd": 0},
        {"sd": 3},
        {"sd": 0.6, "factor": 1},
        {"sd": 0.6, "weight": 1},
    ):
        with pytest.raises(ValueError, match="must"):
            borrowed_rates(*TWO, **wrong)
