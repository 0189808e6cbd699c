from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import multivariate_normal

from pitstats import stats
from pitstats.stats.stopping import (
    boundary_levels,
    place_of,
    unguarded_share,
    upper_quantile,
)
from pitstats.stats.stopping_trials import CELLS, Trials, equal_pits

CALIBRATION = Path(__file__).parents[1] / "calibration"


def test_levels_follow_the_boundary_from_its_constant() -> None:
    # 2 (1 - Phi(c t**(Delta - 1/2))) with Delta = 1/4: Wang & Tsiatis (1987), eq. 2.2
    found = stats.stopping_levels([2, 4, 6])
    by_hand = [2 * (1 - ndtr(found.constant / (k / 6) ** 0.25)) for k in (2, 4, 6)]
    assert found.levels == pytest.approx(by_hand, rel=1e-12)
    assert boundary_levels([2, 4, 6], 2.088).round(3).tolist() == [0.006, 0.021, 0.037]


def test_one_look_keeps_its_level_exactly() -> None:
    for level in (0.8, 0.95):
        found = stats.stopping_levels([5], conf_level=level)
        assert found.levels == pytest.approx([1 - level], abs=1e-12)
        assert found.ever_false == (1 - level, 0.0)
    assert stats.stopping_levels([1, 5]).levels[1] == pytest.approx(0.05)


def test_the_rule_gives_the_constant_of_normal_data() -> None:
    # Two looks at half and all of the information: the constant by the distribution
    # function of the bivariate normal, an independent route to the quantile used here.
    share = np.array([0.5, 1.0])
    both = multivariate_normal(cov=[[1, np.sqrt(0.5)], [np.sqrt(0.5), 1]])

    def ever(c: float) -> float:
        limit = c * share**-0.25
        return 1 - float(both.cdf(limit, lower_limit=-limit))

    constant = np.linspace(1.9, 2.2, 301)
    exact = constant[np.argmin([abs(ever(c) - 0.05) for c in constant])]
    rng = np.random.default_rng(1)
    step = rng.normal(size=(200_000, 2)) * np.sqrt(0.5)
    z = np.abs(np.cumsum(step, axis=1)) / np.sqrt(share)
    found = upper_quantile((z * share**0.25).max(axis=1), 0.95)
    assert found == pytest.approx(exact, abs=0.015)


def test_shipped_constants_are_made_by_the_command_again() -> None:
    # Seed 3 in the cell that decides, a fifth of its 10,000 tests: the simulation takes
    # all bakes at once, so looks up to 12 are drawn and those after 2 to 4 kept.
    cell = Trials(tuple(range(2, 13)), (16, 16), (0.5, 0.5), 1.0)
    burned = np.concatenate([cell.burned(3, block) for block in range(2)])
    few = Trials((2, 3, 4), cell.items, cell.rates, cell.sd_bake)
    p_values = few.p_values(burned)
    top = (-ndtri(p_values / 2) * np.array([2, 3, 4]) ** 0.25).max(axis=1)
    again = upper_quantile(top, 0.9544) * 4**-0.25
    assert again == pytest.approx(stats.stopping_levels([2, 3, 4]).constant, abs=0.06)


def test_more_looks_and_a_later_end_are_never_milder() -> None:
    tables = json.loads(
        files("pitstats.stats").joinpath("stopping_constants.json").read_text()
    )["tables"]
    sizes = {(t["pits"], t["items"]) for t in tables}
    assert sizes == {(pits, items) for pits in (2, 3, 4) for items in (12, 16, 24)}
    for table in tables:
        for level, constant in table["constant"].items():
            least = ndtri(0.5 + float(level) / 2)
            assert min(constant[1:]) / 1000 >= least - 1e-9
            for looks in ([2, 4], [3, 6, 9], [5, 12]):
                for extra in range(2, looks[-1]):
                    more = place_of(sorted({*looks, extra}))
                    assert constant[more] >= constant[place_of(looks)]
        # The largest of 2,047 choices of looks in eight cells each.
        assert max(table["ever_false"]["0.95"]) / 1e4 <= 0.0525


def test_false_calls_over_all_looks_hold_their_bound_in_every_cell() -> None:
    # Kept result of ``python -m tests.calibration.looks judge``.
    kept = json.loads((CALIBRATION / "looks.json").read_text("utf-8"))["false_calls"]
    assert {row["pits"] for row in kept} == {2, 3, 4}
    for row in kept:
        assert row["tests"] >= 10_000
        assert row["largest_upper"] <= 0.055
        assert row["above"] == 0


def test_intervals_of_all_looks_hold_together() -> None:
    # Kept result of ``python -m tests.calibration.looks report``: repeated confidence
    # intervals hold together at their common level.
    for row in json.loads((CALIBRATION / "looks.json").read_text("utf-8"))["plans"]:
        if row["sd_bake"] <= 1:
            assert row["covered_at_all_looks"] >= 0.93, row


def test_numbers_of_items_between_take_the_larger_constant() -> None:
    between = stats.stopping_levels([2, 4, 6], items=14).constant
    ends = [stats.stopping_levels([2, 4, 6], items=n).constant for n in (12, 16)]
    assert between == max(ends)


def test_a_plan_that_is_not_shipped_is_calibrated() -> None:
    found = stats.stopping_levels(
        [2, 3], items=[8, 12], calibrate=True, simulations=1000, n_jobs=1
    )
    assert found.items == (8, 12)
    assert found.simulations == 1000
    assert found.ever_false.share <= 0.08
    assert found.constant >= ndtri(0.975)
    again = stats.stopping_levels(
        [2, 3], items=[8, 12], calibrate=True, simulations=1000, n_jobs=1
    )
    assert again.constant == found.constant


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"looks": []}, "increasing whole numbers"),
        ({"looks": [4, 2]}, "increasing whole numbers"),
        ({"looks": [0, 2]}, "increasing whole numbers"),
        ({"looks": [2, 4], "pits": 1}, "2 to 6 pits"),
        ({"looks": [2, 4], "items": [8, 8, 8]}, "one per pit"),
        ({"looks": [2, 4], "items": 0}, "one whole number"),
        ({"looks": [2, 4], "conf_level": 1}, "between 0 and 1"),
        ({"looks": [2, 4], "simulations": 10}, "at least 1000"),
    ],
)
def test_refusals(asked: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        stats.stopping_levels(**asked)


def test_looks_without_a_boundary_call_equal_pits_different_more_often() -> None:
    shares = [unguarded_share(range(2, k + 1)).share for k in (2, 4, 6, 12)]
    assert shares == sorted(shares)
    assert shares[-1] > 0.09


def test_trials_repeat_and_hold_their_rate() -> None:
    cell = Trials((2, 4), (16, 16), (0.2, 0.2), 0.6)
    burned = cell.burned(3, 0)
    assert np.array_equal(burned, cell.burned(3, 0))
    assert not np.array_equal(burned, cell.burned(3, 1))
    assert burned.mean() / 16 == pytest.approx(0.2, abs=0.01)
    assert len(equal_pits((2,), (8, 8))) == len(CELLS)


def test_p_values_are_those_of_a_single_study() -> None:
    for pits in (2, 3):
        cell = Trials((1, 3), (12,) * pits, (0.3,) * pits, 0.6)
        burned = cell.burned(5, 0, 40)
        found = cell.p_values(burned, below=1.0)
        assert (found[:, 0] == 1).all()
        for k in range(6):
            one = stats.bake_rates(
                burned[k].ravel(), [12] * 3 * pits, np.repeat(range(pits), 3)
            )
            assert found[k, 1] == pytest.approx(
                one.differences.p_adjusted.min(), abs=1e-9 if pits == 2 else 0.02
            )
