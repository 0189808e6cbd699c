from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit, logsumexp
from scipy.stats import lognorm

from pitstats.stats.bake_model import bake_rates
from pitstats.stats.borrowed_spread import (
    BorrowedModel,
    borrowed_rates,
    earlier_spread,
    false_calls_if_moodier,
    spread_to_lend,
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


def test_the_answer_is_the_mixture_of_its_parts() -> None:
    found = borrowed_rates(*TWO, 0.4)
    mixed = found.differences
    at = [mixed.low[0], mixed.high[0], 0.0]
    shares = (1 - found.weight, found.weight)
    below = sum(
        share * part.difference_cdf(0, 1, at)
        for share, part in zip(shares, (found.usual, found.borrowed), strict=True)
    )
    assert below[:2] == pytest.approx([0.025, 0.975], abs=1e-6)
    assert mixed.p_value[0] == pytest.approx(2 * min(below[2], 1 - below[2]), abs=1e-6)
    means = (found.usual.rates.estimate, found.borrowed.rates.estimate)
    assert found.rates.estimate == pytest.approx(np.average(means, 0, shares))
    alone = bake_rates(*TWO).differences
    assert found.usual.differences.low == pytest.approx(alone.low)


def test_the_weight_is_that_of_the_evidence() -> None:
    """Against the log evidence of two separate posteriors."""
    found = borrowed_rates(*TWO, 0.4, weight=0.3)
    usual, borrowed = (
        logsumexp(
            part.posterior.level_evidence.sum(axis=0)
            + np.log(part.posterior.levels.weight)
        )
        for part in (found.usual, found.borrowed)
    )
    odds = np.exp(borrowed - usual) * 0.3 / 0.7
    assert found.weight == pytest.approx(odds / (1 + odds), abs=1e-9)


def test_many_studies_are_judged_as_one_by_one() -> None:
    total, pit = [16] * 4, [0, 0, 1, 1]
    model = BorrowedModel(total, pit, 0.3)
    burned = np.array([[2, 3, 7, 9], [0, 16, 1, 15], [1, 1, 9, 9], [0, 0, 16, 16]])
    one = [borrowed_rates(row, total, pit, 0.3) for row in burned]
    assert model.weights(burned) == pytest.approx([found.weight for found in one])
    assert [found.refused for found in one] == [False, True, False, False]
    ends, told = model.ends(burned), model.separated(burned)
    for k, found in enumerate(one):
        alone = found.usual.differences if found.refused else found.differences
        assert ends.low[k] == pytest.approx(alone.low, abs=1e-8)
        assert ends.high[k] == pytest.approx(alone.high, abs=1e-8)
        assert told[k, 0] == (alone.p_value[0] < 0.05)


def test_borrowing_fails_where_fires_are_moodier_than_before() -> None:
    found = false_calls_if_moodier([16] * 6, [0] * 3 + [1] * 3, 0.3, 0.6)
    assert found.usual < 0.08 < found.borrowed < 0.2


def test_pits_and_outcomes_can_be_swapped() -> None:
    one = borrowed_rates(*TWO, 0.4)
    swapped = borrowed_rates([7, 9, 2, 3], [16] * 4, [0, 0, 1, 1], 0.4)
    assert swapped.differences.low == pytest.approx(-one.differences.high, abs=1e-8)
    assert swapped.weight == pytest.approx(one.weight, abs=1e-9)


def test_refusals() -> None:
    for wrong in (
        {"sd": 0},
        {"sd": 3},
        {"sd": 0.6, "factor": 1},
        {"sd": 0.6, "weight": 1},
    ):
        with pytest.raises(ValueError, match="must"):
            borrowed_rates(*TWO, **wrong)


def test_what_is_lent_is_the_common_level_of_the_exact_grid():
    pit = [0, 0, 0, 1, 1, 1]
    bakes = ([2, 3, 7, 9, 10, 4], [20] * 6)
    level = bake_rates(*bakes, pit, conf_level=0.6826895).common_sd
    sd, factor = spread_to_lend(*bakes, pit, [0] * 6)
    assert sd == pytest.approx(float(np.sqrt(level.low * level.high)), rel=1e-6)
    assert factor == pytest.approx(float(np.sqrt(level.high / level.low)), rel=1e-6)


def test_neither_pits_nor_studies_count_as_spread():
    # The same bakes in studies of their own; only the rates of the studies differ.
    steady = [1, 1, 1, 18, 18, 18]
    pit, study = [0] * 6, [0, 0, 0, 1, 1, 1]
    apart = spread_to_lend(steady, [20] * 6, pit, study)
    mixed = spread_to_lend(steady, [20] * 6, pit, [0] * 6)
    assert apart[0] < 0.6 < 1.3 < mixed[0]


@pytest.mark.parametrize("sd", [0.3, 0.6, 1.0])
def test_the_spread_of_many_studies_is_found_again(sd):
    rng = np.random.default_rng(31)
    study, pit, _ = (axis.ravel() for axis in np.indices((40, 3, 4)))
    rate = rng.normal(-1, 0.5, (40, 3))[study, pit]
    burned = rng.binomial(20, expit(rate + rng.normal(0, sd, pit.size)))
    found, factor = spread_to_lend(burned, np.full(pit.size, 20), pit, study)
    assert sd / factor < found < sd * factor
    assert factor == pytest.approx(1.5, abs=0.2)


def test_a_spread_is_lent_from_three_bakes_on():
    sd, factor = spread_to_lend([2, 3, 9], [20] * 3, [0] * 3, [0] * 3)
    assert 0 < sd < 2.5
    assert 1.5 < factor <= 4
    earlier_spread(sd, factor)
    for study in ([0, 0, 1], [0, 1, 2]):
        with pytest.raises(ValueError, match="three bakes"):
            spread_to_lend([2, 3, 9], [20] * 3, [0] * 3, study)
