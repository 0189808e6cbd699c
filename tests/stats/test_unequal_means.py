"""Differences of means without a common spread."""

import numpy as np
import pytest
from scipy import stats as sps

from pitstats.stats import welch_differences


def test_a_pair_alone_is_the_t_test_of_welch() -> None:
    rng = np.random.default_rng(2)
    one, two = rng.normal(0, 1, 5), rng.normal(1, 3, 8)
    found = welch_differences(np.concatenate([one, two]), [0] * 5 + [1] * 8)
    other = sps.ttest_ind(one, two, equal_var=False)
    interval = other.confidence_interval(0.95)
    assert found.p_value[0] == pytest.approx(other.pvalue)
    assert found.df[0] == pytest.approx(other.df)
    assert (found.low[0], found.high[0]) == pytest.approx(tuple(interval))
    assert found.simultaneous_low == found.low
    assert found.p_adjusted == found.p_value


def test_all_pairs_are_those_of_games_and_howell() -> None:
    rng = np.random.default_rng(4)
    samples = [rng.normal(k, k + 1, 4 + k) for k in range(3)]
    values, group = np.concatenate(samples), np.repeat([0, 1, 2], [4, 5, 6])
    found = welch_differences(values, group)
    other = sps.tukey_hsd(*samples, equal_var=False)
    interval = other.confidence_interval(0.95)
    for k, (a, b) in enumerate(zip(found.a, found.b, strict=True)):
        assert found.estimate[k] == pytest.approx(other.statistic[a, b])
        assert found.p_adjusted[k] == pytest.approx(other.pvalue[a, b], abs=1e-6)
        ends = found.simultaneous_low[k], found.simultaneous_high[k]
        assert ends == pytest.approx((interval.low[a, b], interval.high[a, b]))
    assert (found.simultaneous_low < found.low).all()


def test_naming_the_groups_the_other_way_turns_the_signs() -> None:
    values = np.array([3.0, 5, 4, 8, 9, 12, 7])
    found = welch_differences(values, [0, 0, 0, 1, 1, 1, 1])
    other = welch_differences(values, [1, 1, 1, 0, 0, 0, 0])
    assert other.estimate == -found.estimate
    assert other.low == pytest.approx(-found.high)


def test_what_cannot_be_known_is_nan() -> None:
    found = welch_differences([1.0, 2, 3, 9], [0, 0, 0, 1])
    assert found.estimate[0] == -7
    assert np.isnan([found.low[0], found.p_value[0], found.df[0]]).all()
    same = welch_differences([1.0, 1, 2, 2], [0, 0, 1, 1])
    assert np.isnan(same.low[0])
    assert welch_differences([1.0, 2], [0, 0]).estimate.size == 0
    with pytest.raises(ValueError, match="one entry"):
        welch_differences([1.0, 2], [0])
    with pytest.raises(ValueError, match="between 0 and 1"):
        welch_differences([1.0, 2], [0, 1], 95)


def test_false_alarms_stay_near_the_level() -> None:
    rng = np.random.default_rng(9)
    alarms = []
    for _ in range(2000):
        values = np.concatenate([rng.normal(0, 1, 4), rng.normal(0, 4, 4)])
        found = welch_differences(values, [0] * 4 + [1] * 4)
        alarms.append(found.p_value[0] < 0.05)
    assert 0.035 < np.mean(alarms) < 0.075
