"""Long-run shares of all grades at once."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit, ndtr, ndtri

from pitstats import stats
from pitstats.stats.grade_posterior import GradeModel
from pitstats.stats.spread_prior import OWN
from pitstats.stats.weighted_draws import summarize_draws

REFERENCE = Path(__file__).parents[1] / "reference"
TWO_GRADES = [
    case
    for case in json.loads(
        (REFERENCE / "l_own_spread.json").read_text(encoding="utf-8")
    )["cases"]
    if abs(case["rho"] - OWN.rho) < 1e-3 and case["margin"] == OWN.margin
]

# Two pits, three bakes each of ten items, pale to burned.
COUNTS = np.array(
    [[1, 4, 3, 2], [0, 3, 3, 4], [2, 5, 1, 2], [0, 1, 2, 7], [1, 2, 3, 4], [0, 2, 2, 6]]
)
PIT = np.repeat([0, 1], 3)


def graded(rng, pits=2, bakes=3, items=12, sd=0.6, level=0.0, cuts=(-2.0, 0.0, 1.5)):
    """Counts of bakes simulated from a cumulative logit."""
    pit = np.repeat(np.arange(pits), bakes)
    shift = np.broadcast_to(level, pits)[pit] + rng.normal(0, sd, len(pit))
    scores = shift[:, None] + rng.logistic(size=(len(pit), items))
    grade = np.searchsorted(cuts, scores)
    counts = [np.bincount(own, minlength=len(cuts) + 1) for own in grade]
    return np.array(counts), pit


def long_run(level, sd, cuts):
    z = np.linspace(-7, 7, 71)
    weight = np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum()
    return expit(level + sd * z[:, None] - np.asarray(cuts)).T @ weight


def test_the_last_digit_of_a_likelihood_moves_no_number_that_is_shown(monkeypatch):
    # One bake each leaves directions that only the prior holds, all of one strength.
    asked = [[0, 1, 2, 6, 9], [0, 2, 5, 5, 4]], [0, 1]
    before = stats.grade_rates(*asked, session=["day 1"] * 2, burned_from=4)
    exact = GradeModel.log_posterior

    def noisy(self, point):
        last = np.random.default_rng(5).integers(-1, 2, point.shape[1])
        return exact(self, point) * (1 + np.finfo(float).eps * last)

    monkeypatch.setattr(GradeModel, "log_posterior", noisy)
    after = stats.grade_rates(*asked, session=["day 1"] * 2, burned_from=4)
    for old, new in zip(before.shares, after.shares, strict=True):
        np.testing.assert_allclose(new, old, atol=1e-7)


# ---- other routes to the same numbers ------------------------------------------------


@pytest.mark.parametrize("case", TWO_GRADES, ids=lambda case: case["id"])
def test_two_grades_are_the_exact_grid(case):
    # Brute force over rates, spreads and fires, without any code of the kit.
    burned, total = np.concatenate(case["burned"]), np.concatenate(case["total"])
    pit = np.repeat(np.arange(len(case["burned"])), [len(y) for y in case["burned"]])
    counts = np.column_stack([total - burned, burned])
    found = stats.grade_rates(counts, pit, n_draws=65536)
    rates = np.array([getattr(found.at_least, end)[:, 1] for end in
                      ("estimate", "low", "high")]).T  # fmt: skip
    np.testing.assert_allclose(rates, case["rates"], atol=0.004)
    pairs = [
        getattr(found.differences, end)[:, 1] for end in ("estimate", "low", "high")
    ]
    expected = np.array(case["differences"])[:, 2:]
    np.testing.assert_allclose(np.array(pairs).T, expected, atol=0.005)


def test_one_pit_of_three_grades_by_a_sum_over_a_grid():
    # Rate, spread and gap on a grid; a bake's probability written out and averaged
    # over its fire. With one pit the gap and its factor are one quantity.
    counts = np.array([[3, 6, 1], [1, 5, 4], [2, 6, 2]])
    rate = np.sin(np.linspace(0, np.pi / 2, 152)[1:-1]) ** 2
    score = np.linspace(-3, 3, 25)
    log_gap = np.log(1.4) + np.hypot(1.0, 0.4) * np.linspace(-3.5, 3.5, 31)
    z = np.linspace(-4.5, 4.5, 31)
    weight = np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum()
    mass, at_least = [], []
    for s in score:
        sd = float(OWN.sd(s))
        levels = np.linspace(-25, 25, 2001)
        level = np.interp(rate, expit(levels[:, None] + sd * z) @ weight, levels)
        eta = level[:, None, None] + sd * z
        dark = expit(eta + np.exp(log_gap)[:, None])
        burned = np.broadcast_to(expit(eta), dark.shape)
        chance = np.stack([1 - dark, dark - burned, burned])
        joint = np.exp(-0.5 * s**2 - 0.5 * np.linspace(-3.5, 3.5, 31) ** 2)
        for bake in counts:
            joint = joint * (np.prod(chance.T**bake, axis=-1).T @ weight)
        mass.append(joint)
        at_least.append(np.stack([dark @ weight, burned @ weight]))
    mass, at_least = np.array(mass), np.moveaxis(np.array(at_least), 1, 0)
    found = stats.grade_rates(counts, [0, 0, 0], n_draws=65536)
    for j in (0, 1):
        exact = summarize_draws(at_least[j].ravel(), mass.ravel() / mass.sum(), 0.95)
        ours = [getattr(found.at_least, end)[0, j + 1] for end in exact._fields]
        np.testing.assert_allclose(ours, exact, atol=0.006)


def test_two_pits_with_sessions_by_draws_from_the_prior():
    # Everything, fires and sessions included, drawn from its prior and weighed by the
    # probability of the counts: no quadrature, no proposal.
    counts = np.array([[0, 3, 1, 0], [1, 3, 0, 0], [0, 1, 2, 1], [0, 2, 1, 1]])
    pit, session = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
    n, rng = 200_000, np.random.default_rng(11)
    gap = 1.4 * np.exp(rng.normal(size=(2, n)))
    session_sd = ndtri(0.5 + (ndtr(2.5) - 0.5) * rng.random(n))
    day = session_sd * rng.normal(size=(2, n))
    common, log_weight, shares = rng.normal(size=n), np.zeros(n), []
    grid = np.linspace(-25, 25, 501)
    for p in (0, 1):
        own = np.sqrt(OWN.rho) * common + np.sqrt(1 - OWN.rho) * rng.normal(size=n)
        sd = OWN.sd(own)
        total_sd = np.hypot(sd, session_sd)
        rate, level = rng.beta(0.5, 0.5, n), np.empty(n)
        step = np.rint(total_sd / 0.04).astype(int)
        for k in np.unique(step):
            table = long_run(0.0, 0.04 * k, -grid)
            level[step == k] = np.interp(rate[step == k], table, grid)
        scale = np.exp(0.4 * rng.normal(size=n))
        place = np.array([-(gap[0] + gap[1]) * scale, -gap[1] * scale, np.zeros(n)])
        for b in np.flatnonzero(pit == p):
            dark = expit(level + sd * rng.normal(size=n) + day[session[b]] - place)
            chance = -np.diff(np.vstack([np.ones(n), dark, np.zeros(n)]), axis=0)
            log_weight += counts[b] @ np.log(np.maximum(chance, 1e-300))
        nodes, weight = np.polynomial.hermite_e.hermegauss(12)
        weight = weight / weight.sum()
        shares.append(
            sum(w * expit(level + x * total_sd - place)
                for x, w in zip(nodes, weight, strict=True))
        )  # fmt: skip
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    assert 1 / (weights**2).sum() > 300
    found = stats.grade_rates(counts, pit, session=session)
    shares = np.array(shares)
    np.testing.assert_allclose(
        found.at_least.estimate[:, 1:], shares @ weights, atol=0.03
    )
    difference = np.array(
        [summarize_draws(row, weights, 0.95) for row in shares[0] - shares[1]]
    )
    ends = np.array([found.differences.low[0, 1:], found.differences.high[0, 1:]]).T
    np.testing.assert_allclose(ends, difference[:, 1:], atol=0.07)
    assert found.session_sd is not None


# ---- theory --------------------------------------------------------------------------


def test_shares_add_up():
    found = stats.grade_rates(COUNTS, PIT)
    np.testing.assert_allclose(found.shares.estimate.sum(axis=1), 1, atol=1e-12)
    np.testing.assert_allclose(found.draws.shares.sum(axis=1), 1, atol=1e-12)
    assert (found.draws.shares >= 0).all()
    np.testing.assert_array_equal(found.at_least.low[:, 0], 1)
    np.testing.assert_allclose(found.at_least.estimate[:, 0], 1)
    np.testing.assert_allclose(found.differences.estimate[:, 0], 0, atol=1e-12)
    assert (np.diff(found.at_least.estimate, axis=1) < 0).all()
    assert found.ess > 1000
    assert found.session_sd is None


def test_turned_round_the_scale_turns_the_shares():
    found = stats.grade_rates(COUNTS, PIT, burned_from=3)
    turned = stats.grade_rates(COUNTS[:, ::-1], PIT, burned_from=1)
    np.testing.assert_allclose(
        turned.shares.estimate[:, ::-1], found.shares.estimate, atol=0.004
    )
    np.testing.assert_allclose(
        turned.shares.high[:, ::-1], found.shares.high, atol=0.02
    )


def test_pits_exchanged_exchange_the_answer():
    found = stats.grade_rates(COUNTS, PIT)
    other = stats.grade_rates(COUNTS, 1 - PIT)
    np.testing.assert_allclose(
        other.differences.low, -found.differences.high, atol=0.02
    )
    np.testing.assert_allclose(
        other.scale.estimate, found.scale.estimate[::-1], atol=0.02
    )
    order = np.random.default_rng(3).permutation(len(PIT))
    mixed = stats.grade_rates(COUNTS[order], PIT[order])
    np.testing.assert_allclose(mixed.shares.estimate, found.shares.estimate, atol=1e-9)


def test_a_grade_that_nobody_got_shifts_nothing():
    wide = np.insert(COUNTS, 2, 0, axis=1)
    found, empty = stats.grade_rates(COUNTS, PIT), stats.grade_rates(wide, PIT)
    assert (empty.shares.low[:, 2] == 0).all()
    assert (empty.shares.estimate[:, 2] < 0.06).all()
    np.testing.assert_allclose(
        empty.at_least.estimate[:, [1, 4]], found.at_least.estimate[:, [1, 3]],
        atol=0.02,
    )  # fmt: skip


def test_ends_of_the_scale():
    counts = np.array([[0, 0, 12], [0, 0, 12], [12, 0, 0], [12, 0, 0]])
    found = stats.grade_rates(counts, [0, 0, 1, 1])
    assert found.shares.high[0, 2] == 1
    assert found.shares.low[0, 0] == 0
    assert found.at_least.high[1, 1] < 0.5
    assert found.at_least.low[1, 2] == 0
    assert found.differences.low[0, 2] > 0.3


def test_more_bakes_narrow_and_one_bake_does_not_break():
    widths = []
    for times in (1, 2, 4):
        found = stats.grade_rates(np.repeat(COUNTS[[0, 3]], times, axis=0),
                                  np.repeat([0, 1], times))  # fmt: skip
        widths.append(found.differences.high - found.differences.low)
    assert (widths[0][0, 1:] > widths[1][0, 1:]).all()
    assert (widths[1][0, 1:] > widths[2][0, 1:]).all()


def test_p_values_go_with_the_intervals():
    counts, pit = graded(np.random.default_rng(4), pits=3, bakes=4, level=[0, 1.5, 2])
    pairs = stats.grade_rates(counts, pit).differences
    assert pairs.low.shape == (3, 4)
    for low, high, p in (
        (pairs.low, pairs.high, pairs.p_value),
        (pairs.simultaneous_low, pairs.simultaneous_high, pairs.p_adjusted),
    ):
        outside = ((low > 0) | (high < 0))[:, 1:]
        np.testing.assert_array_equal(outside, p[:, 1:] < 0.05)
    assert (pairs.simultaneous_low <= pairs.low + 1e-12).all()


def test_the_seed_decides_and_hardly_matters():
    first, again = stats.grade_rates(COUNTS, PIT), stats.grade_rates(COUNTS, PIT)
    np.testing.assert_array_equal(first.shares.low, again.shares.low)
    other = stats.grade_rates(COUNTS, PIT, seed=5)
    np.testing.assert_allclose(other.shares.high, first.shares.high, atol=0.02)
    assert not np.array_equal(other.shares.low, first.shares.low)


def test_a_pit_that_spreads_its_items_has_the_larger_scale_the_other_way():
    rng = np.random.default_rng(8)
    near, _ = graded(rng, pits=1, bakes=6, items=30, cuts=(-4.0, -2.0, 1.0))
    wide, _ = graded(rng, pits=1, bakes=6, items=30, cuts=(-1.5, -0.7, 1.0))
    found = stats.grade_rates(np.vstack([near, wide]), np.repeat([0, 1], 6))
    # Cuts far apart: few items leave the middle grades, the scale is large.
    assert found.scale.estimate[0] > 1 > found.scale.estimate[1]
    assert found.scale_differences.low[0] > 0


def test_sessions_enter_only_where_they_hold_two_pits():
    shared = stats.grade_rates(COUNTS, PIT, session=[0, 1, 2, 0, 1, 2])
    alone = stats.grade_rates(COUNTS, PIT, session=[0, 1, 2, 3, 4, 5])
    assert shared.session_sd is not None
    assert alone.session_sd is None
    np.testing.assert_array_equal(
        alone.shares.low, stats.grade_rates(COUNTS, PIT).shares.low
    )


def test_bakes_without_items_say_nothing():
    more = np.vstack([COUNTS, np.zeros((1, 4), dtype=int)])
    found = stats.grade_rates(more, [*PIT, 1])
    np.testing.assert_array_equal(
        found.shares.low, stats.grade_rates(COUNTS, PIT).shares.low
    )


def test_uneven_weights_are_drawn_again():
    counts, pit = graded(np.random.default_rng(2), pits=6, bakes=2, level=range(6))
    few = stats.grade_rates(counts, pit, n_draws=512)
    assert few.retried
    assert few.n_draws == 2048
    enough = stats.grade_rates(counts, pit)
    assert not enough.retried
    assert enough.n_draws == 16384


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (([[1, 2, 3]], [0, 1]), "give one pit per entry"),
        (([[1, -2, 3]], [0]), "whole numbers"),
        (([[1], [2]], [0, 1]), "two grades or more"),
        (([1, 2, 3], [0, 0, 1]), "one row per bake"),
        (([[0, 0, 0]], [0]), "nothing to estimate"),
        (([[1, 2, 3]], [0.5]), "codes 0, 1, 2"),
        (([[1, 2, 3]], [0], 1.2), "conf_level"),
    ],
)
def test_what_cannot_be_used_is_refused_in_words(arguments, said):
    with pytest.raises(ValueError, match=said):
        stats.grade_rates(*arguments)


@pytest.mark.parametrize("cut", [0, 4, 1.5])
def test_a_cut_outside_the_scale_is_refused(cut):
    with pytest.raises(ValueError, match="whole number, 1 to 3"):
        stats.grade_rates(COUNTS, PIT, burned_from=cut)


@pytest.mark.slow
def test_recovers_what_was_simulated():
    cuts = (-2.0, 0.0, 1.5)
    counts, pit = graded(
        np.random.default_rng(6), bakes=80, items=30, level=[0, 1.0], cuts=cuts
    )
    found = stats.grade_rates(counts, pit)
    truth = np.array([long_run(level, 0.6, cuts) for level in (0.0, 1.0)])
    np.testing.assert_allclose(found.at_least.estimate[:, 1:], truth, atol=0.06)
    assert (found.at_least.low[:, 1:] < truth).all()
    assert (found.at_least.high[:, 1:] > truth).all()
    sd = found.draws.bake_sd @ found.draws.weights
    np.testing.assert_allclose(sd, 0.6, atol=0.15)
