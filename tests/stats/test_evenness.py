"""Near, middle and far thirds of each pit as rates of their own."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from pitstats import stats

REFERENCE = Path(__file__).parents[1] / "reference"
CASES = json.loads((REFERENCE / "k_evenness.json").read_text(encoding="utf-8"))["cases"]


def arguments(case):
    return [case[name] for name in ("burned", "total", "pit", "bake", "part")]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_brute_force(case):
    # 262,144 draws; their own error is stated per case, 0.005 at most.
    result = stats.part_rates(
        *arguments(case), conf_level=case["conf_level"], spread="common"
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
