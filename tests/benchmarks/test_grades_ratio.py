"""Time of `grade_rates` beside marginal-model fits of one cut of the same data."""

import time

import numpy as np
import pytest

from pitstats import stats
from tests.benchmarks.measuring import fastest, gee_fit

pytestmark = pytest.mark.benchmark_ratio


def test_four_pits_at_all_cuts_against_marginal_fits():
    rng = np.random.default_rng(3)
    pit = np.repeat(np.arange(4), 4)
    level = np.array([-0.5, 0.0, 0.5, 1.0])[pit] + rng.normal(0, 0.6, 16)
    score = level[:, None] + rng.logistic(size=(16, 24))
    grade = np.searchsorted([-2.5, -1.0, 0.5, 2.0], score)
    counts = np.array([np.bincount(own, minlength=5) for own in grade])
    burned, total = counts[:, 4], counts.sum(axis=1)

    own, gee = fastest(
        lambda: stats.grade_rates(counts, pit),
        lambda: gee_fit(burned, total, pit),
        rounds=7,
        clock=time.process_time,
    )
    print(f"grade_rates {own:.2f} s, {own / gee:.1f} marginal fits of one cut")
    # A marginal fit takes some 14 ms where this was written: 70 of them are a
    # second.
    assert own < 70 * gee
