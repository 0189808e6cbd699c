"""One series of readings: weights, limits, swing, lag, runs."""

import numpy as np
import pytest

from pitstats.stats import correct_lag
from pitstats.stats.series import (
    minutes_above,
    reading_weights,
    still_runs,
    sway,
    weighted_mean,
)


def test_the_mean_over_time_is_the_integral_of_the_line() -> None:
    rng = np.random.default_rng(3)
    minute = np.cumsum(rng.uniform(0.2, 1.0, 40))
    temp = 330 + 10 * np.sin(minute)
    weights = reading_weights(minute, gap=5)
    assert weights.sum() == pytest.approx(minute[-1] - minute[0])
    expected = np.trapezoid(temp, minute) / (minute[-1] - minute[0])
    assert weighted_mean(temp, weights) == pytest.approx(expected)


def test_readings_taken_more_often_do_not_count_more() -> None:
    # Every second for a minute at 400, then every minute at 300.
    minute = np.concatenate([np.arange(0, 1, 1 / 60), np.arange(1, 12)])
    temp = np.where(minute < 1, 400.0, 300.0)
    weights = reading_weights(minute, gap=5)
    assert temp.mean() > 380
    assert weighted_mean(temp, weights) == pytest.approx(309, abs=1)


def test_gaps_carry_no_weight() -> None:
    weights = reading_weights([0, 1, 2, 20, 21], gap=5)
    assert weights.tolist() == [0.5, 1, 0.5, 0.5, 0.5]


def test_minutes_beyond_limits_split_the_time() -> None:
    rng = np.random.default_rng(1)
    minute = np.cumsum(rng.uniform(0.2, 1.0, 60))
    temp = rng.normal(330, 10, 60)
    above = minutes_above(minute, temp, 335, gap=5)
    below = minutes_above(minute, -temp, -335, gap=5)
    assert above + below == pytest.approx(minute[-1] - minute[0])
    # By brute force on a fine grid.
    fine = np.linspace(minute[0], minute[-1], 400_001)
    share = (np.interp(fine, minute, temp) > 335).mean()
    assert above == pytest.approx(share * (minute[-1] - minute[0]), abs=0.001)


def test_minutes_at_the_limit_itself() -> None:
    assert minutes_above([0, 1, 2], [350, 350, 350], 350, gap=5) == 0
    assert minutes_above([0, 1], [350, 360], 350, gap=5) == 1
    assert minutes_above([0], [400], 350, gap=5) == 0


def test_swing_of_known_curves() -> None:
    minute = np.arange(0, 56, 0.05)
    # An even curve over whole periods has no slope of its own.
    wave = 10 * np.cos(2 * np.pi * minute / 14)
    # It spends 5 % of its time beyond sin(0.45 pi) of its height.
    assert sway(minute, wave, reading_weights(minute, 5)).swing == pytest.approx(
        2 * 10 * np.sin(0.45 * np.pi), rel=0.02
    )
    saw = 20 * np.abs(2 * (minute / 14 % 1) - 1)
    assert sway(minute, saw, reading_weights(minute, 5)).swing == pytest.approx(
        18, rel=0.02
    )
    line = 3 * minute + 300
    drift, swing = sway(minute, line, reading_weights(minute, 5))
    assert drift == pytest.approx(3)
    assert swing == pytest.approx(0, abs=1e-9)


def test_too_few_readings_have_no_swing() -> None:
    assert np.isnan(sway([0, 1, 2, 3], [1, 2, 3, 4], [1, 1, 1, 1])).all()
    assert np.isnan(sway([], [], [])).all()


def test_the_lag_of_a_step_is_undone() -> None:
    # A first-order probe shows 63.21, 86.47, 95.02, 98.17 and 99.33 % of a step after
    # 1 to 5 time constants.
    tau, step = 0.6, 1 / 60
    minute = np.arange(0, 6, step)
    shown = 100 * (1 - np.exp(-minute / tau))
    at = np.interp(tau * np.arange(1, 6), minute, shown)
    assert at == pytest.approx([63.21, 86.47, 95.02, 98.17, 99.33], abs=0.01)
    undone = correct_lag(minute, shown, tau, gap=1).temp
    assert undone[1:-1] == pytest.approx(100, abs=0.02)


def test_the_price_of_undoing_the_lag() -> None:
    tau = 35 / 60
    minute = np.arange(0, 40, 0.5)
    lagged = correct_lag(minute, np.full(80, 330.0), tau, gap=2)
    assert lagged.temp == pytest.approx(330)
    # Even steps: sqrt(1 + tau^2 / (2 d^2)), a little more with the two ends.
    assert lagged.noise_factor == pytest.approx(
        np.sqrt(1 + tau**2 / (2 * 0.25)), rel=0.02
    )
    rng = np.random.default_rng(6)
    noise = rng.normal(0, 1, (4000, 80))
    spread = np.array([correct_lag(minute, one, tau, 2).temp for one in noise])
    assert np.sqrt((spread**2).mean()) == pytest.approx(lagged.noise_factor, rel=0.01)


def test_slopes_are_not_taken_across_a_gap() -> None:
    minute = np.array([0.0, 0.5, 1.0, 9.0, 9.5, 10.0, 20.0])
    temp = np.array([300.0, 300, 300, 360, 360, 360, 400])
    assert correct_lag(minute, temp, 0.6, gap=1).temp.tolist() == temp.tolist()


def test_runs_that_stand_still() -> None:
    minute = np.arange(0, 20, 0.5)
    temp = np.where(minute < 8, 330 + minute, 340.0)
    assert still_runs(minute, temp, least_minutes=5, least_readings=10) == [(16, 40)]
    assert still_runs(minute, temp, least_minutes=15, least_readings=10) == []
    assert still_runs([], [], least_minutes=5, least_readings=10) == []
    by_hand = still_runs([0, 5, 10, 15], [350] * 4, least_minutes=5, least_readings=10)
    assert by_hand == []


def test_times_must_increase() -> None:
    with pytest.raises(ValueError, match="increase"):
        reading_weights([0, 2, 1], gap=5)
