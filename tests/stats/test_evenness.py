"""Near, middle and far thirds of each pit as rates of their own."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from pitstats import stats
from pitstats.stats.bake_likelihood import group_items
from pitstats.stats.parts_prior import log_whole_prior
from pitstats.stats.tilted_likelihood import TiltLikelihood

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = json.loads((REFERENCE / "k_evenness.json").read_text(encoding="utf-8"))["cases"]


def arguments(case):
    return [case[name] for name in ("burned", "total", "pit", "bake", "part")]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_brute_force(case):
    # 262,144 draws; their own error is stated per case, 0.005 at most.
    result = stats.part_rates(
        *arguments(case), conf_level=case["conf_level"], tilt=False, spread="common"
    )
    for pit, expected in enumerate(case["pits"]):
        for part, name in enumerate(("near", "middle", "far")):
            found = [result.parts.low[pit, part], result.parts.high[pit, part]]
            np.testing.assert_allclose(found, expected[name], atol=0.02)
        fall = result.near_minus_far
        found = [fall.low[pit], fall.high[pit]]
        np.testing.assert_allclose(found, expected["near_minus_far"], atol=0.02)
    found = np.column_stack([result.differences.low, result.differences.high])
    np.testing.assert_allclose(found, case["differences"], atol=0.02)
    assert result.ess > 200


def case_named(name):
    return next(case for case in CASES if case["id"] == name)


def test_one_third_only_is_the_rate_without_position():
    # With all items in one third of each pit the model is that of the exact grid.
    exact = json.loads((REFERENCE / "i_bake_rates.json").read_text(encoding="utf-8"))
    case = exact["cases"][0]
    result = stats.part_rates(
        case["burned"],
        case["total"],
        case["pit"],
        range(6),
        [1] * 6,
        tilt=False,
        spread="common",
    )
    expected = [[rate["low"], rate["high"]] for rate in case["rates"]]
    found = np.column_stack([result.parts.low[:, 1], result.parts.high[:, 1]])
    np.testing.assert_allclose(found, expected, atol=0.01)


def test_mirrored_grate_mirrors_the_fall():
    case = case_named("steep_against_flat")
    burned, total, pit, bake, part = arguments(case)
    result = stats.part_rates(burned, total, pit, bake, part)
    other = stats.part_rates(burned, total, pit, bake, 2 - np.array(part))
    np.testing.assert_allclose(
        other.near_minus_far.estimate, -result.near_minus_far.estimate, atol=0.01
    )
    np.testing.assert_allclose(
        other.near_minus_far.low, -result.near_minus_far.high, atol=0.02
    )


def test_any_row_order():
    burned, total, pit, bake, part = map(np.array, arguments(case_named("three_pits")))
    order = np.random.default_rng(2).permutation(len(burned))
    result = stats.part_rates(burned, total, pit, bake, part)
    other = stats.part_rates(
        burned[order], total[order], pit[order], bake[order], part[order]
    )
    np.testing.assert_allclose(other.parts, result.parts, atol=1e-9)
    np.testing.assert_allclose(other.differences, result.differences, atol=1e-9)


class TestWithheld:
    def test_third_without_graded_items(self):
        case = case_named("three_pits")
        burned, total, pit, bake, part = map(np.array, arguments(case))
        total = np.where((pit == 1) & (part == 2), 0, total)
        burned = np.minimum(burned, total)
        result = stats.part_rates(burned, total, pit, bake, part)
        assert np.isnan(result.parts.estimate[1, 2])
        assert np.isnan(result.parts.low[1, 2])
        assert np.isfinite(result.parts.estimate[1, :2]).all()
        assert np.isnan(result.near_minus_far.estimate).tolist() == [False, True, False]
        # Pairs in the order (0, 1), (0, 2), (1, 2): only the second is known.
        known = [False, True, False]
        for column in result.differences[2:]:
            np.testing.assert_array_equal(np.isfinite(column), known)

    def test_empty_pit_among_the_codes(self):
        case = case_named("steep_against_flat")
        burned, total, pit, bake, part = map(np.array, arguments(case))
        result = stats.part_rates(burned, total, 2 * pit, bake, part)
        assert np.isnan(result.parts.estimate[1]).all()
        other = stats.part_rates(burned, total, pit, bake, part)
        # The empty pit's spread is one more coordinate, so the draws are others.
        np.testing.assert_allclose(result.parts.low[[0, 2]], other.parts.low, atol=0.01)

    def test_withheld_middle_leaves_the_fall(self):
        case = case_named("steep_against_flat")
        burned, total, pit, bake, part = map(np.array, arguments(case))
        keep = part != 1
        result = stats.part_rates(
            burned[keep], total[keep], pit[keep], bake[keep], part[keep]
        )
        assert np.isnan(result.parts.estimate[:, 1]).all()
        assert result.near_minus_far.low[0] > 0


class TestCovariates:
    def data(self, rack_effect):
        rng = np.random.default_rng(4)
        bake = np.repeat(np.arange(4), 36)
        pit = bake // 2
        part = np.tile(np.repeat([0, 1, 2], 12), 4)
        rack = np.tile([0.0, 1.0], 72)
        eta = 0.3 - 0.9 * part + rack_effect * (rack - 0.5)
        burned = rng.binomial(1, expit(eta + rng.normal(0, 0.4, 4)[bake]))
        return burned, np.ones_like(burned), pit, bake, part, rack[:, None]

    def test_layout_decides_which_rack_is_meant(self):
        data = self.data(2.5)
        lower = stats.part_rates(*data, [[[0.0]], [[0.0]], [[0.0]]])
        upper = stats.part_rates(*data, [[[1.0]], [[1.0]], [[1.0]]])
        assert (upper.parts.estimate > lower.parts.estimate + 0.1).all()

    def test_default_layout_is_the_graded_items(self):
        data = self.data(1.5)
        own = stats.part_rates(*data)
        both = stats.part_rates(*data, np.full((2, 3, 2, 1), [[0.0], [1.0]]))
        np.testing.assert_allclose(own.parts, both.parts, atol=1e-9)


def test_rate_ends_reach_zero_and_one_by_pit():
    case = case_named("none_burned")
    result = stats.part_rates(*arguments(case))
    assert (result.parts.low[0] == 0).all()
    assert (result.parts.low[1] > 0).all()
    burned, total, pit, bake, part = map(np.array, arguments(case))
    mirrored = stats.part_rates(total - burned, total, pit, bake, part)
    assert (mirrored.parts.high[0] == 1).all()


class TestTilt:
    def data(self, falls, items=8):
        """One pit, a bake for each fall over the thirds (burned of the items)."""
        bake = np.repeat(np.arange(len(falls)), 3)
        part = np.tile([0, 1, 2], len(falls))
        return np.ravel(falls), np.full(bake.size, items), 0 * bake, bake, part

    def test_falls_that_differ_between_bakes_widen_the_interval(self):
        alike = [[6, 4, 2]] * 4
        unlike = [[8, 4, 0], [4, 4, 4], [8, 4, 0], [4, 4, 4]]
        width = {}
        for name, falls in (("alike", alike), ("unlike", unlike)):
            for tilt in (True, False):
                found = stats.part_rates(*self.data(falls), tilt=tilt).near_minus_far
                width[name, tilt] = found.high[0] - found.low[0]
        assert width["unlike", True] > 1.2 * width["unlike", False]
        assert width["unlike", True] > width["alike", True]

    def test_one_bake_each_cannot_show_it(self):
        data = self.data([[6, 4, 2]])
        with_tilt, without = (
            stats.part_rates(*data, tilt=tilt) for tilt in (True, False)
        )
        np.testing.assert_array_equal(with_tilt.near_minus_far, without.near_minus_far)
        assert with_tilt.tilt_sd is None

    def test_likelihood_agrees_with_direct_integration(self):
        rng = np.random.default_rng(1)
        design = np.eye(3)[np.tile([0, 1, 2], 3)]
        bake, n = np.repeat([0, 1, 2], 3), np.full(9, 6.0)
        y = np.array([6.0, 3, 0, 4, 2, 1, 2, 3, 0])
        place = np.array([-1 / 3, 0, 1 / 3])
        data = group_items(y, n, bake, design, None)
        lean = np.bincount(bake, weights=y * np.tile(place, 3))
        theta, tilt_sd = rng.normal(0, 1, (3, 12)), rng.uniform(0, 5, 12)
        sd = rng.uniform(0, 2.5, (3, 12))
        u, v = np.meshgrid(np.linspace(-8, 8, 161), np.linspace(-8, 8, 161))
        weight = np.exp(-0.5 * (u**2 + v**2)) / (2 * np.pi) * 0.1**2
        expected = np.zeros(12)
        for k in range(12):
            for b in range(3):
                chance = weight
                for j in range(3):
                    shift = sd[b, k] * u + tilt_sd[k] * place[j] * v
                    p = expit(theta[j, k] + shift)
                    own = y[3 * b + j]
                    chance = chance * p**own * (1 - p) ** (6 - own)
                expected[k] += np.log(chance.sum())
        found = TiltLikelihood(data, data.design @ place, lean)
        value = found.value(theta, sd, tilt_sd)
        np.testing.assert_allclose(value, expected, atol=0.01)

    def test_gradient(self):
        data = group_items(
            np.array([6.0, 3, 0]), np.full(3, 6.0), np.zeros(3, int), np.eye(3), None
        )
        place = np.array([-1 / 3, 0, 1 / 3])
        found = TiltLikelihood(data, data.design @ place, np.array([-2.0]))
        theta = np.array([[0.5], [-0.2], [-1.0]])
        scales = np.array([[0.4]]), np.array([0.6])
        gradient = found.slope(theta, *scales)[1]
        for j in range(3):
            step = np.zeros((3, 1))
            step[j] = 1e-4
            up, down = (found.value(theta + s, *scales) for s in (step, -step))
            assert gradient[0, j] == pytest.approx((up - down)[0] / 2e-4, abs=0.01)


class TestWhole:
    def test_nothing_burned_in_the_thirds_as_in_the_whole(self):
        # 0 of 60 and 30 of 60 in three bakes each.
        burned = np.array([[0, 0, 0]] * 3 + [[4, 3, 3]] * 3)
        part = np.tile([0, 1, 2], 6)
        bake = np.repeat(np.arange(6), 3)
        total = np.tile([7, 6, 7], 6)
        found = stats.part_rates(burned.ravel(), total, bake // 3, bake, part)
        whole = stats.model_rates(
            burned.sum(axis=1), [20] * 6, [0, 0, 0, 1, 1, 1], range(6)
        )
        mean = found.parts.estimate @ np.array([7, 6, 7]) / 20
        np.testing.assert_allclose(mean, whole.rates.estimate, atol=0.012)
        assert (found.parts.estimate[0] < 0.025).all()

    @pytest.mark.parametrize("share", [(0.5, 0.5), (0.2, 0.3, 0.5), (1 / 3,) * 3])
    def test_the_whole_is_a_rate_like_any_other(self, share):
        # Independent parts, weighted by the ratio, must have the Jeffreys whole. Near
        # 0 and 1 the ratio grows without bound, so sums settle slowly there.
        share = np.array(share)
        rates = np.random.default_rng(2).beta(0.5, 0.5, (share.size, 400_000))
        weight = np.exp(log_whole_prior(rates, share, np.zeros(share.size, int)))
        assert weight.mean() == pytest.approx(1, abs=0.04)
        mean = share @ rates
        for level in (0.02, 0.1, 0.3, 0.6, 0.95):
            below = (weight * (mean < level)).sum() / weight.sum()
            expected = 2 / np.pi * np.arcsin(np.sqrt(level))
            assert below == pytest.approx(expected, abs=0.02)


@pytest.mark.slow
def test_coverage_of_the_fall():
    # 200 sets, three bakes of 18 items in each of two pits: nominal without margin,
    # so 0.95 less three standard errors of 0.0154.
    rng = np.random.default_rng(31)
    bake = np.repeat(np.arange(6), 18)
    pit, part = bake // 3, np.tile(np.repeat([0, 1, 2], 6), 6)
    logits = np.array([[0.2, -0.8, -1.8], [-0.8, -0.8, -0.8]])
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    rates = expit(logits[..., None] + 0.5 * nodes) @ (weights / weights.sum())
    truth = rates[:, 0] - rates[:, 2]
    inside = np.zeros(3)
    for _ in range(200):
        effect = rng.normal(0, 0.5, 6)[bake]
        burned = rng.binomial(1, expit(logits[pit, part] + effect))
        result = stats.part_rates(
            burned, np.ones_like(burned), pit, bake, part, n_draws=2048
        )
        fall, pair = result.near_minus_far, result.differences
        inside[:2] += (fall.low <= truth) & (truth <= fall.high)
        inside[2] += pair.low[0] <= truth[0] - truth[1] <= pair.high[0]
    assert (inside / 200 > 0.95 - 3 * 0.0154).all(), inside / 200


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"part": [0, 1, 3]}, "0 \\(near\\), 1 \\(middle\\) or 2 \\(far\\)"),
        ({"part": [0, 1]}, "one part per entry"),
        ({"bake": [0, 0, 0], "pit": [0, 1, 1]}, "bake 0 appears in more than one pit"),
        ({"total": [0, 0, 0], "burned": [0, 0, 0]}, "no entry has a graded item"),
        ({"X": [[1], [2], [3]], "layout": [[1]]}, "needs \\(3, cells, 1\\)"),
    ],
)
def test_says_what_is_wrong(change, message):
    given = {
        "burned": [1, 0, 1],
        "total": [2, 2, 2],
        "pit": [0, 0, 0],
        "bake": [0, 0, 0],
        "part": [0, 1, 2],
    }
    with pytest.raises(ValueError, match=message):
        stats.part_rates(**(given | change))
