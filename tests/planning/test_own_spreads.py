"""Plans whose pits differ in spread, sessions in simulated studies, pairs of one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logit

import pitstats as ps
from pitstats.errors import DesignError
from pitstats.planning.designs import spreads_of
from pitstats.planning.simulation import BakeDesign, SimulatedTruth, simulate_burned

CALIBRATION = Path(__file__).parents[1] / "calibration"
MANY = BakeDesign((3, 3), (4_000, 4_000))


def shares(truth, n_studies=6_000, seed=1):
    """Shares of the bakes of simulated studies, with items without end."""
    rng = np.random.default_rng(seed)
    return simulate_burned(MANY, truth, rng, n_studies) / 4_000


def test_each_pit_is_simulated_with_its_own_spread_and_its_long_run_rate():
    found = shares(SimulatedTruth(np.array([[0.3, 0.5]]), np.array([[0.2, 1.0]])))
    assert found[:, :3].mean() == pytest.approx(0.3, abs=0.005)
    assert found[:, 3:].mean() == pytest.approx(0.5, abs=0.005)
    spread = logit(np.clip(found, 1e-4, 1 - 1e-4)).std(axis=0)
    assert spread == pytest.approx([0.2, 0.2, 0.2, 1.0, 1.0, 1.0], rel=0.05)


def test_bakes_of_one_session_share_its_day_and_rates_stay():
    truth = SimulatedTruth(np.array([[0.3, 0.3]]), np.array([0.4]), 0.8)
    found = shares(truth)
    assert found.mean(axis=0) == pytest.approx(np.full(6, 0.3), abs=0.01)
    together = np.corrcoef(logit(np.clip(found, 1e-4, 1 - 1e-4)).T)
    expected = 0.8**2 / (0.8**2 + 0.4**2)
    assert together[0, 3] == pytest.approx(expected, abs=0.03)
    assert together[0, 1] == pytest.approx(0.0, abs=0.05)
    assert MANY.session.tolist() == [0, 1, 2, 0, 1, 2]


def test_without_sessions_nothing_else_is_drawn():
    rates, sd = np.array([[0.3, 0.3]]), np.array([0.4])
    one, two = (
        shares(SimulatedTruth(rates, value), 50)
        for value in (sd, np.array([[0.4, 0.4]]))
    )
    np.testing.assert_array_equal(one, two)


def planned(bakes, sd_bake, **other):
    """One row of a small plan."""
    table = ps.plan_bakes(
        bakes=[bakes],
        items=16,
        rate=0.2,
        difference=0.4,
        sd_bake=sd_bake,
        simulations=600,
        rng=3,
        **other,
    ).table
    return table.iloc[0]


def test_a_moody_pit_takes_power_and_the_note_names_it():
    alike, moody = planned(4, [0.3]), planned(4, [(0.3, 1.0)])
    assert moody["power"] < alike["power"] - 0.05
    assert moody["sd_bake"] == pytest.approx(np.sqrt((0.09 + 1.0) / 2))
    assert "0.3:1" in moody["note"]
    assert alike["note"] == ""
    words = planned(4, [("steady", "moody")])
    assert words["power"] == moody["power"]


def test_a_pit_baked_once_needs_three_bakes_beside_it():
    few, enough = planned((1, 2), 0.3), planned((1, 4), 0.3)
    assert few["power"] == 0
    assert few["false_alarm"] == 0
    assert "baked once" in few["note"]
    assert enough["power"] > 0


def test_spreads_are_one_or_one_for_each_pit():
    assert spreads_of((0.3, "moody"), 2) == (0.3, 1.0)
    assert spreads_of("usual", 3) == (0.6, 0.6, 0.6)
    with pytest.raises(DesignError, match="gives 2 spreads for 3 pits"):
        spreads_of((0.3, 1.0), 3)


def test_promised_power_is_what_studies_show():
    """Kept result of ``python -m tests.calibration.plan_power``."""
    kept = json.loads((CALIBRATION / "plan_power.json").read_text("utf-8"))
    baked = [plan for plan in kept["plans"] if plan["sd_session"] is None]
    days = [plan for plan in kept["plans"] if plan["sd_session"] is not None]
    assert (len(baked), len(days)) == (12, 5)
    for plan in baked:
        assert abs(plan["promised"] - plan["realized"]) <= 0.02, plan
    for plan in days:
        share = plan["realized"]
        error = (share * (1 - share) / kept["in_sessions_from"]) ** 0.5
        assert abs(plan["promised"] - share) <= 0.02 + 2 * error, plan
