"""Time of `bake_rates` beside marginal-model fits of the same data, in one run."""

import numpy as np
import pytest

from pitstats import stats
from tests.benchmarks.measuring import gee_fit, seconds

pytestmark = pytest.mark.benchmark_ratio


def test_four_pits_cost_at_most_two_and_a_half_marginal_fits():
    rng = np.random.default_rng(3)
    pit, total = np.repeat(np.arange(4), 4), np.full(16, 24)
    burned = rng.binomial(24, np.array([0.1, 0.2, 0.3, 0.4])[pit])
    ours = seconds(lambda: stats.bake_rates(burned, total, pit), 9)
    theirs = seconds(lambda: gee_fit(burned, total, pit), 9)
    assert ours <= 2.5 * theirs, (
        f"{ours * 1e3:.1f} ms against {theirs * 1e3:.1f} ms a fit"
    )


def test_time_grows_with_bakes_not_faster():
    rng = np.random.default_rng(4)

    def work(n_bakes):
        pit, total = np.repeat([0, 1], n_bakes), np.full(2 * n_bakes, 16)
        burned = rng.binomial(16, 0.3, 2 * n_bakes)
        return seconds(lambda: stats.bake_rates(burned, total, pit), 7)

    assert work(32) < 6 * work(8)
