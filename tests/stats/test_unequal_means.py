"""Differences of means without a common spread."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats as sps

from pitstats.stats import mean_differences, welch_differences


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


def test_a_printed_example() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.3, AUTO83B.DAT:
    # 249 and 79 cars, unequal variances: T -12.94627, nu 136.8750.
    means, errors = [20.14458, 30.48101], [0.4065151, 0.6871710]
    found = mean_differences(means, errors, [248, 78], [249, 79])
    assert found.df[0] == pytest.approx(136.8750, abs=1e-3)
    t = found.estimate[0] / np.hypot(*errors)
    assert t == pytest.approx(-12.94627, abs=1e-4)
    half = found.high[0] - found.estimate[0]
    assert half / np.hypot(*errors) == pytest.approx(sps.t.ppf(0.975, 136.875))


def test_two_replicates_take_the_quantiles_of_cochran_and_cox() -> None:
    one, two = np.array([3.0, 7.0]), np.array([1.0, 2, 4, 3, 2, 6])
    found = welch_differences(np.concatenate([one, two]), [0] * 2 + [1] * 6)
    v = np.array([one.var(ddof=1) / 2, two.var(ddof=1) / 6])
    # 12.7062 and 2.5706: Student's t on 1 and 5 degrees of freedom, any table.
    half = (v * [12.7062047, 2.5705818]).sum() / np.sqrt(v.sum())
    assert found.high[0] - found.estimate[0] == pytest.approx(half)
    # The p-value is the level at which the interval just reaches 0.
    level = 1 - found.p_value[0]
    again = welch_differences(np.concatenate([one, two]), [0] * 2 + [1] * 6, level)
    assert again.low[0] == pytest.approx(0, abs=1e-8)


def test_no_verdict_where_the_pit_that_spreads_more_has_two_replicates() -> None:
    errors = np.array([2.0, 1.0])
    assert mean_differences([9.0, 0], errors, [1, 5], [2, 6]).withheld.tolist() == [
        True
    ]
    quiet = mean_differences([9.0, 0], errors[::-1], [1, 5], [2, 6])
    assert quiet.withheld.tolist() == [False]
    both = mean_differences([9.0, 0], errors, [1, 1], [2, 2])
    assert both.withheld.tolist() == [True]
    three = mean_differences([9.0, 0], errors, [2, 5], [3, 6])
    assert three.withheld.tolist() == [False]


def test_all_pairs_hold_at_the_level_of_sidak() -> None:
    rng = np.random.default_rng(4)
    samples = [rng.normal(k, k + 1, 4 + k) for k in range(3)]
    values, group = np.concatenate(samples), np.repeat([0, 1, 2], [4, 5, 6])
    found = welch_differences(values, group)
    for k, (a, b) in enumerate(zip(found.a, found.b, strict=True)):
        other = sps.ttest_ind(samples[a], samples[b], equal_var=False)
        ends = other.confidence_interval(0.95 ** (1 / 3))
        own = found.simultaneous_low[k], found.simultaneous_high[k]
        assert own == pytest.approx(tuple(ends))
        assert found.p_adjusted[k] == pytest.approx(1 - (1 - other.pvalue) ** 3)
    assert (found.simultaneous_low < found.low).all()


def test_within_blocks_it_is_the_paired_t_test() -> None:
    rng = np.random.default_rng(6)
    one, two = rng.normal(3, 1, 5), rng.normal(0, 4, 5)
    means = [one.mean(), two.mean()]
    found = mean_differences(
        means, [1.0, 1.0], [4, 4], [5, 5], within_blocks={(0, 1): one - two}
    )
    other = sps.ttest_rel(one, two)
    ends = tuple(other.confidence_interval(0.95))
    assert found.p_value[0] == pytest.approx(other.pvalue)
    assert (found.low[0], found.high[0]) == pytest.approx(ends)


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
    with pytest.raises(ValueError, match="one entry per group"):
        mean_differences([1.0, 2], [0.1], [3], [4])
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


def test_the_kept_comparison_chose_the_methods_in_use() -> None:
    kept = json.loads(
        (Path(__file__).parents[1] / "calibration" / "heat.json").read_text("utf-8")
    )
    two, several = kept["methods"]["two"], kept["methods"]["several"]
    assert (two["chosen"], several["chosen"]) == ("cochran", "sidak")
    for found, name in ((two, "cochran"), (several, "sidak")):
        assert found["methods"][name]["most_false_alarms"] <= 0.07
        assert found["methods"][name]["least_coverage"] >= 0.93
    # What was done before, and Welch's t alone, do not hold.
    assert two["methods"]["pooled"]["most_false_alarms"] > 0.4
    assert two["methods"]["welch, withheld"]["most_false_alarms"] > 0.1
    faces = kept["faces"]["contrasts"]
    assert faces["chosen"] == "own"
    assert faces["methods"]["pooled"]["least_coverage"] < 0.85
    calls = kept["calls"]
    assert max(row["false_alarms"] for row in calls["rows"]) <= 0.07
    assert calls["contrasts"]["chosen"] == "own"
    assert calls["contrasts"]["methods"]["own"]["least_coverage"] >= 0.93
