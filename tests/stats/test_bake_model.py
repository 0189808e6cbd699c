"""Rates of pits whose items share bakes: held to other routes, theory and truth."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import expit, roots_hermitenorm, roots_legendre
from scipy.stats import beta, kstest

from pitstats import stats
from pitstats.stats.bake_grid import bake_loglik, grid_for, rate_grid
from pitstats.stats.bake_model import BakeModel, bake_rates
from pitstats.stats.spread_prior import COMMON, OWN

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "i_bake_rates.json").read_text("utf-8")
)
CASES = {case["id"]: case for case in REFERENCE["cases"]}
THREE = ([2, 5, 8, 4, 9, 11], [20] * 6, [0, 0, 0, 1, 1, 1])


@pytest.fixture
def rng():
    return np.random.default_rng(12)


def simulated(rng, n_bakes, n_items, rates, sd, n_studies=1):
    """Counts of simulated studies whose rates are those of the average bake."""
    pit = np.repeat(np.arange(len(rates)), n_bakes)
    intercept = np.log(np.asarray(rates) / (1 - np.asarray(rates)))
    effect = rng.normal(0, sd, (n_studies, pit.size))
    return rng.binomial(n_items, expit(intercept[pit] + effect)), pit


# ---- another program ---------------------------------------------------------------


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_reference_posterior(case):
    """The reference sums over 1,600 x 201 points; this grid has about 64 x 16."""
    found = bake_rates(
        case["burned"], case["total"], case["pit"], case["conf_level"], spread="common"
    )
    for k, rate in enumerate(case["rates"]):
        got = [found.rates.estimate[k], medians(found)[k]]
        got += [found.rates.low[k], found.rates.high[k]]
        expected = [rate[key] for key in ("mean", "median", "low", "high")]
        assert got == pytest.approx(expected, abs=5e-4)
    for k, pair in enumerate(case["differences"]):
        assert (found.differences.a[k], found.differences.b[k]) == (
            pair["a"],
            pair["b"],
        )
        got = [getattr(found.differences, key)[k] for key in ("estimate", "low")]
        got += [found.differences.high[k], found.differences.p_value[k]]
        expected = [pair[key] for key in ("mean", "low", "high", "p_value")]
        assert got == pytest.approx(expected, abs=5e-4)
    for sd in (found.common_sd, found.bake_sd):  # for every pit the same
        assert sd.estimate == pytest.approx(case["sd_bake"]["mean"], abs=1e-5)
        assert sd.high == pytest.approx(case["sd_bake"]["high"], abs=5e-4)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_upper_end_of_the_spread_against_the_exact_root(case):
    """Read off a running sum in steps of 0.0125, the end is at most a step low."""
    model = BakeModel(case["total"], case["pit"], prior=COMMON)
    found = model.one(case["burned"])
    high = float(found.common_sd.high)
    evidence = found.posterior.sd_evidence.sum(axis=0)
    density = np.exp(model.grid.to_fine @ (evidence - evidence.max()))
    smooth = CubicSpline(model.grid.fine_sd, density).antiderivative()
    root = brentq(lambda sd: smooth(sd) - 0.975 * smooth(2.5), 0.0, 2.5)
    assert 0.0 < root - high < 0.0125


# ---- an independent route: integrate over intercepts, not rates --------------------


def variances(found):
    """Variance of each pit's rate under the posterior."""
    mass, rate = found.posterior.rate_probability, found.posterior.grid.rate
    return (mass * (rate - (mass @ rate)[:, None]) ** 2).sum(axis=1)


def medians(found):
    """Rate below which half of each pit's posterior lies."""
    edge = found.posterior.grid.edge
    below = [np.append(0.0, np.cumsum(m)) for m in found.posterior.rate_probability]
    return [np.interp(0.5, own, edge) for own in below]


def by_quadrature(burned, total, pit):
    """Posterior means of the rates and P(rate 0 <= rate 1), two pits.

    Integrates over the logit intercept, with the Jacobian of the rate, instead of the
    rate: another variable, other nodes, no interpolation.
    """
    z, w = roots_hermitenorm(80)
    w = w / w.sum()
    x, sd_weight = roots_legendre(30)
    intercept = np.linspace(-30, 30, 3001)
    mean, below, evidence = np.zeros(2), 0.0, 0.0
    for sd, weight in zip(1.25 * (x + 1), sd_weight, strict=True):
        p = expit(intercept[:, None] + sd * z)
        rate = p @ w
        jacobian = (p * (1 - p)) @ w
        density = []
        for k in (0, 1):
            value = jacobian / np.sqrt(rate * (1 - rate))
            for y, n in zip(
                burned[np.equal(pit, k)], total[np.equal(pit, k)], strict=True
            ):
                value = value * ((p**y * (1 - p) ** (n - y)) @ w) * 10.0 ** (n / 4)
            density.append(value)
        whole = [d.sum() for d in density]
        part = weight * whole[0] * whole[1]
        mean += part * np.array([(d @ rate) / d.sum() for d in density])
        share = np.cumsum(density[0]) - density[0] / 2
        below += weight * (share * density[1]).sum()
        evidence += part
    return mean / evidence, below / evidence


@pytest.mark.parametrize(
    ("burned", "total", "pit"),
    [
        ([2, 5, 4, 9], [20, 20, 20, 20], [0, 0, 1, 1]),
        ([1, 0, 3, 7, 2], [5, 9, 6, 12, 4], [0, 0, 1, 1, 1]),
        ([3, 10], [20, 20], [0, 1]),
        ([12, 3, 0, 5, 2, 11], [14, 14, 14, 14, 14, 14], [0, 0, 0, 1, 1, 1]),
    ],
)
def test_agrees_with_quadrature_over_intercepts(burned, total, pit):
    mean, below = by_quadrature(np.array(burned), np.array(total), np.array(pit))
    found = bake_rates(burned, total, pit, spread="common")
    assert found.rates.estimate == pytest.approx(mean, abs=2e-5)
    p_value = 2 * min(below, 1 - below)
    assert found.differences.p_value[0] == pytest.approx(p_value, abs=2e-4)


@pytest.mark.parametrize("n_items", [1, 12, 200, 1000])
@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 1.0])
def test_likelihood_of_a_bake(n_items, share, rng):
    """Against a dense sum over the bake effect, at random points of the grid."""
    burned = round(share * n_items)
    grid = rate_grid(96, 20, 0.25)
    found = np.exp(bake_loglik(grid, burned, n_items))
    z = np.linspace(-9, 9, 6001)
    w = np.exp(-0.5 * z**2)
    rows, columns = rng.integers(0, 20, 40), rng.integers(0, 96, 40)
    eta = grid.intercept[rows, columns, None] + grid.sd[rows, None] * z
    log_value = -burned * np.logaddexp(0, -eta)
    log_value -= (n_items - burned) * np.logaddexp(0, eta)
    top = sum(x * np.log(x / n_items) for x in (burned, n_items - burned) if x)
    expected = np.exp(log_value - top) @ w / w.sum()
    assert found[rows, columns] == pytest.approx(expected, abs=1e-6)


def test_intercepts_average_to_their_rate():
    grid = rate_grid(64, 16, 0.5)
    z, w = roots_hermitenorm(120)
    mean = expit(grid.intercept[:, :, None] + grid.sd[:, None, None] * z) @ (
        w / w.sum()
    )
    assert mean == pytest.approx(np.broadcast_to(grid.rate, mean.shape), abs=1e-7)


# ---- theory ------------------------------------------------------------------------


@pytest.mark.parametrize(("burned", "n_items"), [(0, 7), (1, 7), (3, 10), (12, 40)])
def test_single_items_are_independent(burned, n_items):
    """With one item a bake the spread cannot matter: Beta(y + 1/2, n - y + 1/2).

    Brown, Cai & DasGupta 2001, Table 5 prints 0.292 and (0.016, 0.501) for 0 and 1 of
    7.
    """
    outcome = np.arange(n_items) < burned
    whole = bake_rates(outcome, np.ones(n_items), np.zeros(n_items))
    found = whole.rates
    low, high = stats.jeffreys_interval(burned, n_items)
    assert (found.low[0], found.high[0]) == pytest.approx((low, high), abs=5e-5)
    mean = (burned + 0.5) / (n_items + 1)
    assert found.estimate[0] == pytest.approx(mean, abs=1e-6)
    expected = mean * (1 - mean) / (n_items + 2)
    assert variances(whole)[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("burned", [0, 5, 24])
def test_without_spread_it_is_the_beta_posterior(burned):
    posterior = bake_rates([burned, 0], [24, 24], [0, 1]).posterior
    at = np.cumsum(posterior.rate_given_sd[0, 0])
    assert posterior.grid.sd[0] < 0.02
    exact = beta.cdf(posterior.grid.edge[1:], burned + 0.5, 24 - burned + 0.5)
    assert at == pytest.approx(exact, abs=2e-3)


def test_exchanging_pits_only_turns_the_signs(rng):
    for _ in range(20):
        y, pit = simulated(rng, 3, 15, rng.uniform(0.02, 0.9, 2), 0.8)
        total = np.full(6, 15)
        one, two = (bake_rates(y[0], total, p).differences for p in (pit, 1 - pit))
        assert two.estimate == pytest.approx(-one.estimate, abs=1e-12)
        assert two.low == pytest.approx(-one.high, abs=1e-12)
        assert two.high == pytest.approx(-one.low, abs=1e-12)
        assert two.p_value == pytest.approx(one.p_value, abs=1e-12)


def test_relabeling_four_pits(rng):
    y, pit = simulated(rng, 2, 18, [0.1, 0.3, 0.3, 0.6], 0.5)
    order = np.array([2, 0, 3, 1])
    one = bake_rates(y[0], np.full(8, 18), pit)
    two = bake_rates(y[0], np.full(8, 18), order[pit])
    assert two.rates.low[order] == pytest.approx(one.rates.low, abs=1e-12)
    ends = {}
    for found, name in ((one.differences, np.arange(4)), (two.differences, order)):
        for a, b, low, high in zip(
            found.a, found.b, found.low, found.high, strict=True
        ):
            first, second = np.flatnonzero(name == a)[0], np.flatnonzero(name == b)[0]
            flip = first > second
            key = (min(first, second), max(first, second))
            ends.setdefault(key, []).append((-high, -low) if flip else (low, high))
    assert len(ends) == 6
    for pair in ends.values():
        assert pair[0] == pytest.approx(pair[1], abs=1e-12)


def test_order_of_bakes_changes_nothing(rng):
    y, pit = simulated(rng, 4, 12, [0.1, 0.4, 0.3], 0.9)
    total = rng.integers(12, 20, 12)
    base = bake_rates(y[0], total, pit)
    for _ in range(5):
        order = rng.permutation(12)
        other = bake_rates(y[0][order], total[order], pit[order])
        assert other.rates.low == pytest.approx(base.rates.low, abs=1e-12)
        for key in ("low", "high", "simultaneous_low", "p_value", "p_adjusted"):
            one, two = (getattr(x.differences, key) for x in (base, other))
            assert two == pytest.approx(one, abs=1e-12), key


def test_counting_what_did_not_burn_mirrors_everything(rng):
    y, pit = simulated(rng, 3, 14, [0.05, 0.3], 0.7)
    total = np.full(6, 14)
    one, two = bake_rates(y[0], total, pit), bake_rates(total - y[0], total, pit)
    assert two.rates.estimate == pytest.approx(1 - one.rates.estimate, abs=1e-7)
    assert two.rates.low == pytest.approx(1 - one.rates.high, abs=1e-6)
    assert two.differences.low == pytest.approx(-one.differences.high, abs=1e-6)
    assert two.bake_sd.high == pytest.approx(one.bake_sd.high, abs=1e-5)


def test_equal_pits_differ_by_nothing():
    found = bake_rates([3, 6, 3, 6], [12] * 4, [0, 0, 1, 1]).differences
    assert found.estimate[0] == 0.0
    assert found.low[0] == pytest.approx(-found.high[0], abs=1e-9)
    assert found.p_value[0] == pytest.approx(1.0, abs=1e-12)


def test_more_burned_means_a_higher_rate():
    ends = [bake_rates([y, 4, 3], [12] * 3, [0, 0, 1]) for y in range(13)]
    for key in ("estimate", "low", "high"):
        assert np.all(np.diff([getattr(e.rates, key)[0] for e in ends]) > 0), key
    assert np.all(np.diff([e.differences.estimate[0] for e in ends]) > 0)


def test_ends_when_none_or_all_burned():
    found = bake_rates([0, 0, 12, 12], [12] * 4, [0, 0, 1, 1])
    assert found.rates.low[0] == 0.0
    assert found.rates.high[1] == 1.0
    assert 0 < found.rates.high[0] < 0.5 < found.rates.low[1] < 1
    assert -1 < found.differences.low[0] < found.differences.high[0] < 0


@pytest.mark.parametrize(
    ("burned", "total", "pit"),
    [([2, 3, 0], [9, 9, 0], [0, 0, 1]), ([2, 3, 1, 1], [9, 9, 9, 9], [0, 0, 2, 2])],
    ids=["no graded item", "no bake"],
)
def test_a_pit_without_items_returns_its_prior(burned, total, pit):
    found = bake_rates(burned, total, pit)
    assert (found.rates.low[1], found.rates.high[1]) == (0.0, 1.0)
    assert found.rates.estimate[1] == pytest.approx(0.5, abs=1e-9)
    assert found.effective_items[1] == pytest.approx(0.0, abs=1e-6)
    assert found.differences.p_value[0] > 0.1


def test_effective_items(rng):
    case = CASES["three_bakes_each"]
    found = bake_rates(case["burned"], case["total"], case["pit"], spread="common")
    assert round(found.effective_items[0]) == 18
    for sd in (0.0, 1.5):
        y, pit = simulated(rng, 4, 25, [0.2, 0.5], sd)
        items = bake_rates(y[0], np.full(8, 25), pit).effective_items
        assert np.all((items > 0) & (items <= 100))
    assert np.all(np.isnan(bake_rates([3, 4], [9, 9], [0, 1]).effective_items))
    # A bake that lost all its items does not count as a second one.
    lost = bake_rates([3, 4, 0], [9, 9, 0], [0, 1, 1]).effective_items
    assert np.all(np.isnan(lost))
    mixed = bake_rates([3, 4, 5], [9, 9, 9], [0, 1, 1]).effective_items
    assert np.all(np.isfinite(mixed))


def test_spread_follows_the_bakes():
    steady = bake_rates([5, 5, 5, 5, 5, 5], [20] * 6, [0, 0, 0, 1, 1, 1])
    moody = bake_rates([0, 20] * 5, [20] * 10, [0] * 5 + [1] * 5)
    assert np.all(steady.bake_sd.low == 0.0)
    assert steady.cap_mass < 0.05
    assert np.all(moody.bake_sd.low > 0.9)
    assert moody.cap_mass > 0.9
    large = CASES["large_bakes"]
    found = bake_rates(large["burned"], large["total"], large["pit"])
    assert np.all(found.bake_sd.low > 0.15)


def test_each_pit_has_the_spread_of_its_own_bakes():
    burned, total = [1, 17, 3, 14, 8, 9, 8, 7], [20] * 8
    found = bake_rates(burned, total, [0] * 4 + [1] * 4)
    moody, steady = found.bake_sd.estimate
    assert moody > 1.2
    assert steady < 0.6
    assert steady < found.common_sd.estimate < moody
    # One spread for both lies between, and both pits have it.
    common = bake_rates(burned, total, [0] * 4 + [1] * 4, spread="common")
    assert steady < common.common_sd.estimate < moody
    assert common.bake_sd.low == pytest.approx(float(common.common_sd.low))
    # The moody pit's rate is less sure than one spread would have it.
    for k, wider in ((0, True), (1, False)):
        widths = [x.rates.high[k] - x.rates.low[k] for x in (found, common)]
        assert (widths[0] > widths[1]) == wider


def test_a_pit_with_one_bake_learns_its_spread_from_the_others():
    once, steady, moody = [5], [4, 5, 5, 6, 5], [0, 12, 2, 11, 5]
    spread = {}
    for name, others in (("steady", steady), ("moody", moody)):
        found = bake_rates([*once, *others], [14] * 6, [0] + [1] * 5)
        spread[name] = found.bake_sd
    assert spread["steady"].estimate[0] < spread["moody"].estimate[0]
    width = [spread[name].high[0] - spread[name].low[0] for name in spread]
    assert min(width) > 1.2


@pytest.mark.parametrize(("spread", "prior"), [("own", OWN), ("common", COMMON)])
def test_items_alone_in_their_bakes_say_nothing_about_spreads(spread, prior):
    """The prior comes back, mean and ends."""
    none = bake_rates([1, 0, 1, 0], [1] * 4, [0, 0, 1, 1], spread=spread)
    sd = np.linspace(0, 2.5, 20_001)
    density = np.exp(prior.log_density(sd))
    mean = (density * sd).sum() / density.sum()
    running = np.cumsum(density) / density.sum()
    assert none.bake_sd.estimate == pytest.approx(np.full(2, mean), abs=2e-3)
    high = sd[np.searchsorted(running, 0.975)]
    assert none.bake_sd.high == pytest.approx(np.full(2, high), abs=0.0125)
    beyond = 1 - running[np.searchsorted(sd, 2.0)]
    assert none.cap_mass == pytest.approx(beyond, abs=2e-3)


def test_shipped_prior_is_what_no_argument_means():
    by_default = bake_rates(*THREE)
    stated = bake_rates(*THREE, rho=OWN.rho, margin=OWN.margin)
    assert by_default.rates.low == pytest.approx(stated.rates.low, abs=0)
    with pytest.raises(ValueError, match="rho and margin belong to"):
        bake_rates(*THREE, spread="common", rho=0.5)


@pytest.mark.parametrize(
    ("burned", "total", "pit"),
    [
        (
            [0, 3, 40, 310, 2, 15, 180],
            [1, 10, 100, 1000, 5, 50, 500],
            [0] * 4 + [1] * 3,
        ),
        ([0, 1000, 0, 1000], [1000] * 4, [0, 0, 1, 1]),
        ([0] * 30, [1000] * 30, [0] * 15 + [1] * 15),
        ([0, 1], [1, 1], [0, 1]),
        ([190, 210, 205, 200] * 5, [1000] * 20, [0] * 10 + [1] * 10),
    ],
    ids=["1 to 1000", "all or none", "30,000 unburned", "two items", "even bakes"],
)
def test_a_finer_grid_gives_the_same(burned, total, pit):
    model = BakeModel(total, pit)
    fine = BakeModel(total, pit)
    n_sds, n_rates = model.grid.shape
    fine.grid = rate_grid(4 * n_rates, 3 * n_sds, 0.1)
    fine.levels = OWN.levels(fine.n_pits, fine.grid.sd, fine.grid.sd_weight)
    fine._table = np.empty((0, *fine.grid.shape))
    one, two = model.one(burned), fine.one(burned)
    for part, keys in (
        ("rates", ("estimate", "low", "high")),
        ("differences", ("estimate", "low", "high", "p_value")),
    ):
        for key in keys:
            a, b = (getattr(getattr(x, part), key) for x in (one, two))
            assert a == pytest.approx(b, abs=5e-4), key
    # Against the cap the density of the spread is steep, and 16 nodes show it.
    assert one.bake_sd.estimate == pytest.approx(two.bake_sd.estimate, abs=3e-3)
    assert one.bake_sd.high == pytest.approx(two.bake_sd.high, abs=3e-3)


def test_grid_grows_with_the_design():
    small = grid_for(np.full(4, 12.0), np.array([0, 0, 1, 1]))
    large = grid_for(np.full(4, 1000.0), np.array([0, 0, 1, 1]))
    many = grid_for(np.full(40, 12.0), np.repeat([0, 1], 20))
    assert large.rate.size > small.rate.size
    assert many.sd.size > small.sd.size
    assert small.sd_weight.sum() == pytest.approx(2.5)
    assert grid_for(np.full(6, 12.0), np.repeat([0, 1], 3)) is grid_for(
        np.full(6, 14.0), np.repeat([0, 1], 3)
    )


# ---- all pairs ---------------------------------------------------------------------


@pytest.mark.parametrize("n_pits", [3, 4, 6])
def test_simultaneous_intervals(n_pits, rng):
    for _ in range(6):
        y, pit = simulated(rng, 3, 20, rng.uniform(0.1, 0.6, n_pits), 0.4)
        found = bake_rates(y[0], np.full(pit.size, 20), pit, 0.9).differences
        assert np.all(found.simultaneous_low <= found.low)
        assert np.all(found.simultaneous_high >= found.high)
        assert np.all(found.p_adjusted >= found.p_value)
        outside = (found.simultaneous_low > 0) | (found.simultaneous_high < 0)
        assert np.array_equal(found.p_adjusted < 1 - 0.9, outside)
        alone = (found.low > 0) | (found.high < 0)
        assert np.array_equal(found.p_value < 1 - 0.9, alone)


def test_two_pits_need_no_adjustment():
    found = bake_rates(*THREE).differences
    assert found.simultaneous_low == found.low
    assert found.simultaneous_high == found.high
    assert found.p_adjusted == found.p_value


def test_one_pit_has_no_pairs():
    found = bake_rates([3, 4], [9, 9], [0, 0])
    assert found.differences.estimate.size == 0
    assert found.rates.estimate.shape == (1,)


def test_simultaneous_intervals_hold_their_share_of_the_posterior(rng):
    """By their meaning: fresh draws lie inside all of them at the stated rate."""
    case = CASES["five_pits"]
    found = bake_rates(case["burned"], case["total"], case["pit"])
    rates, _ = found.posterior.draw(40_000, rng)
    pairs = found.differences
    gap = rates[:, pairs.a] - rates[:, pairs.b]
    inside = (gap >= pairs.simultaneous_low) & (gap <= pairs.simultaneous_high)
    assert inside.all(axis=1).mean() == pytest.approx(0.95, abs=0.005)
    alone = ((gap >= pairs.low) & (gap <= pairs.high)).mean(axis=0)
    assert alone == pytest.approx(np.full(10, 0.95), abs=0.006)


# ---- the posterior as an object ----------------------------------------------------


def test_difference_cdf_and_density():
    found = bake_rates(*THREE)
    at = np.linspace(-1, 1, 41)
    value = found.difference_cdf(0, 1, at)
    assert value[0] == 0.0
    assert value[-1] == 1.0
    assert np.all(np.diff(value) >= 0)
    assert found.difference_cdf(1, 0, -at) == pytest.approx(1 - value, abs=1e-12)
    ends = np.array([found.differences.low[0], found.differences.high[0]])
    assert found.difference_cdf(0, 1, ends) == pytest.approx([0.025, 0.975], abs=1e-8)
    width = np.diff(found.posterior.grid.edge)
    assert (found.posterior.density * width).sum(axis=1) == pytest.approx([1.0, 1.0])
    rates, sd = found.posterior.draw(50_000, np.random.default_rng(1))
    assert rates.mean(axis=0) == pytest.approx(found.rates.estimate, abs=0.003)
    assert rates.var(axis=0) == pytest.approx(variances(found), rel=0.03)
    assert sd.mean(axis=0) == pytest.approx(found.bake_sd.estimate, abs=0.01)
    again = found.posterior.draw(10, np.random.default_rng(1))[0]
    assert again == pytest.approx(found.posterior.draw(10, np.random.default_rng(1))[0])


# ---- many studies at a time --------------------------------------------------------


@pytest.mark.parametrize(
    ("n_bakes", "rates", "conf_level"),
    [(2, [0.2, 0.4], 0.95), (4, [0.05, 0.5], 0.8), (3, [0.15, 0.3, 0.5, 0.5], 0.95)],
)
def test_a_batch_equals_one_by_one(n_bakes, rates, conf_level, rng):
    y, pit = simulated(rng, n_bakes, 16, rates, 0.6, n_studies=24)
    model = BakeModel(np.full(pit.size, 16), pit, conf_level)
    rate, ends = model.rates(y), model.ends(y)
    p_value, separated = model.p_values(y), model.separated(y)
    any_pair = model.separated(y, any_pair=True)
    first = model.separated(y, [(0, 1)])
    for k in range(24):
        one = bake_rates(y[k], np.full(pit.size, 16), pit, conf_level)
        for key in ("estimate", "low", "high"):
            assert getattr(rate, key)[k] == pytest.approx(
                getattr(one.rates, key), abs=1e-9
            )
        for key in ("low", "high", "simultaneous_low", "simultaneous_high"):
            assert getattr(ends, key)[k] == pytest.approx(
                getattr(one.differences, key), abs=1e-9
            )
        assert p_value[k] == pytest.approx(one.differences.p_value, abs=1e-9)
        expected = one.differences.p_adjusted < 1 - conf_level
        assert np.array_equal(separated[k], expected)
        assert any_pair[k] == expected.any()
        assert first[k, 0] == expected[0]


def test_a_batch_of_unequal_bakes_in_small_blocks(rng, monkeypatch):
    total, pit = np.array([3, 20, 9, 9, 14]), np.array([0, 0, 1, 1, 1])
    y = rng.binomial(total, 0.3, size=(40, 5))
    whole = BakeModel(total, pit).ends(y)
    monkeypatch.setattr("pitstats.stats.bake_model._OUTCOME_BLOCK", 8_000)
    monkeypatch.setattr("pitstats.stats.bake_model._PAIR_BLOCK", 5_000)
    parts = BakeModel(total, pit).ends(y)
    assert parts.low == pytest.approx(whole.low, abs=1e-9)
    k = 17
    one = bake_rates(y[k], total, pit).differences
    assert (whole.low[k, 0], whole.high[k, 0]) == pytest.approx(
        (one.low[0], one.high[0]), abs=1e-9
    )


# ---- truth -------------------------------------------------------------------------


def prior_ranks(rng, n_studies, n_bakes, n_items):
    """Posterior ranks of rates drawn from the prior (simulation-based calibration)."""
    rates = rng.beta(0.5, 0.5, (n_studies, 2))
    sd = OWN.spreads(rng.normal(size=n_studies), rng.normal(size=(2, n_studies))).T
    total, pit = np.full(2 * n_bakes, n_items), np.repeat([0, 1], n_bakes)
    z, w = roots_hermitenorm(60)
    low, high = np.full((n_studies, 2), -80.0), np.full((n_studies, 2), 80.0)
    for _ in range(60):  # intercept whose bakes average to the rate
        middle = (low + high) / 2
        mean = expit(middle[:, :, None] + sd[:, :, None] * z) @ (w / w.sum())
        low, high = (
            np.where(mean < rates, middle, low),
            np.where(mean < rates, high, middle),
        )
    effect = sd[:, pit] * rng.normal(size=(n_studies, pit.size))
    y = rng.binomial(total, expit(middle[:, pit] + effect))
    rank, gap_rank = np.empty((n_studies, 2)), np.empty(n_studies)
    for k in range(n_studies):
        found = bake_rates(y[k], total, pit)
        mass = np.cumsum(found.posterior.rate_probability, axis=1)
        edge = found.posterior.grid.edge[1:]
        rank[k] = [
            np.interp(np.sqrt(rates[k, p]), np.sqrt(edge), mass[p]) for p in (0, 1)
        ]
        gap_rank[k] = found.difference_cdf(0, 1, rates[k, 0] - rates[k, 1])
    return rank, gap_rank


def test_calibrated_under_the_prior():
    """Ranks are uniform (Talts et al. 2018, arXiv:1804.06788)."""
    rank, gap_rank = prior_ranks(np.random.default_rng(5), 400, 3, 12)
    assert kstest(rank[:, 0], "uniform").pvalue > 0.001
    assert kstest(gap_rank, "uniform").pvalue > 0.001
    assert 0.91 < np.mean((gap_rank > 0.025) & (gap_rank < 0.975)) < 0.985


@pytest.mark.slow
@pytest.mark.parametrize(("n_bakes", "n_items"), [(1, 20), (2, 8), (4, 24), (6, 40)])
def test_calibrated_under_the_prior_at_length(n_bakes, n_items):
    rank, gap_rank = prior_ranks(np.random.default_rng(6), 4000, n_bakes, n_items)
    for value in (*rank.T, gap_rank):
        assert kstest(value, "uniform").pvalue > 0.001
        inside = np.mean((value > 0.025) & (value < 0.975))
        assert inside == pytest.approx(0.95, abs=0.012)


@pytest.mark.slow
@pytest.mark.parametrize("sd", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(("n_bakes", "n_items"), [(2, 12), (3, 20), (6, 12)])
def test_coverage_at_fixed_rates(n_bakes, n_items, sd):
    """At or above 93 % for normal bake effects up to SD 1 (three binomial errors)."""
    rng = np.random.default_rng(7)
    z, w = roots_hermitenorm(60)
    intercept = np.array([-2.2, -0.7])
    truth = expit(intercept[:, None] + sd * z) @ (w / w.sum())
    pit = np.repeat([0, 1], n_bakes)
    y = rng.binomial(
        n_items, expit(intercept[pit] + sd * rng.normal(size=(2000, pit.size)))
    )
    model = BakeModel(np.full(pit.size, n_items), pit)
    ends, rates = model.ends(y), model.rates(y)
    gap = truth[0] - truth[1]
    cover = np.mean((ends.low[:, 0] <= gap) & (gap <= ends.high[:, 0]))
    assert cover > 0.93 - 3 * np.sqrt(0.93 * 0.07 / 2000)
    cover = np.mean((rates.low <= truth) & (truth <= rates.high), axis=0)
    assert np.all(cover > 0.93 - 3 * np.sqrt(0.93 * 0.07 / 2000))


def test_finds_the_truth_when_there_is_much_to_see():
    rng = np.random.default_rng(8)
    z, w = roots_hermitenorm(60)
    intercept, sd = np.array([-1.5, 0.2]), 0.7
    truth = expit(intercept[:, None] + sd * z) @ (w / w.sum())
    pit = np.repeat([0, 1], 80)
    y = rng.binomial(60, expit(intercept[pit] + sd * rng.normal(size=160)))
    found = bake_rates(y, np.full(160, 60), pit)
    assert found.rates.estimate == pytest.approx(truth, abs=0.03)
    assert np.all((found.bake_sd.low < sd) & (sd < found.bake_sd.high))
    assert found.bake_sd.estimate == pytest.approx(np.full(2, sd), abs=0.15)
    assert found.differences.low[0] < truth[0] - truth[1] < found.differences.high[0]


# ---- errors and costs --------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([5], [3], [0]), "bake 0 has more burned items than its 3 graded"),
        (([1, 2], [3], [0]), "one entry per bake"),
        (([1], [3], [0, 1]), "one entry per bake in each"),
        (([-1], [3], [0]), "whole numbers from 0 up"),
        (([1.5], [3], [0]), "whole numbers from 0 up"),
        (([1], [np.nan], [0]), "whole numbers from 0 up"),
        (([1], [3], [-1]), "pit holds -1"),
        (([], [], []), "no bake"),
        (([1], [3], [0], 95), "conf_level is 95"),
        ((["x"], [3], [0]), "not a number"),
    ],
)
def test_bad_input_is_named(arguments, message):
    with pytest.raises(ValueError, match=message):
        bake_rates(*arguments)


def test_two_pits_load_nothing_heavy():
    code = (
        "import sys; from pitstats import stats;"
        "stats.bake_rates([1, 2], [9, 9], [0, 1]);"
        "heavy = {'scipy.stats', 'pandas', 'statsmodels', 'matplotlib'};"
        "sys.exit(bool(heavy & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n_pits", "n_bakes", "conf_level"), [(3, 4, 0.95), (6, 3, 0.95), (5, 3, 0.99)]
)
def test_shortcuts_never_change_a_verdict(n_pits, n_bakes, conf_level):
    """Most studies are settled without the whole depth; none of them wrongly."""
    rng = np.random.default_rng(14)
    rates = np.full(n_pits, 0.45)
    rates[0] = 0.15
    y, pit = simulated(rng, n_bakes, 20, rates, 0.5, n_studies=400)
    total = np.full(pit.size, 20)
    separated = BakeModel(total, pit, conf_level).separated(y)
    for k in range(400):
        adjusted = bake_rates(y[k], total, pit, conf_level).differences.p_adjusted
        assert np.array_equal(separated[k], adjusted < 1 - conf_level)
    assert separated.sum() > 20
