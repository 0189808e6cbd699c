"""Time of `grade_rates` beside marginal-model fits of one cut of the same data."""

import time
import warnings

import numpy as np
import pytest

from pitstats import stats

pytestmark = pytest.mark.benchmark_ratio


def shortest(*calls, rounds=7):
    """Shortest processor time of each call in seconds; the calls take turns."""
    found = [np.inf] * len(calls)
    for call in calls:
        call()
    for _ in range(rounds):
        for i, call in enumerate(calls):
            start = time.process_time()
            call()
            found[i] = min(found[i], time.process_time() - start)
    return found


def gee_fit(burned, total, pit):
    """Exchangeable, bias-reduced marginal model of the single items."""
    import statsmodels.api as sm

    item = np.concatenate(
        [np.arange(n) < y for y, n in zip(burned, total, strict=True)]
    ).astype(float)
    bake = np.repeat(np.arange(total.size), total)
    columns = np.eye(pit.max() + 1)[np.repeat(pit, total)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = sm.GEE(
            item,
            columns,
            groups=bake,
            family=sm.families.Binomial(),
            cov_struct=sm.cov_struct.Exchangeable(),
        )
        return model.fit(cov_type="bias_reduced")


def test_four_pits_at_all_cuts_against_marginal_fits():
    rng = np.random.default_rng(3)
    pit = np.repeat(np.arange(4), 4)
    level = np.array([-0.5, 0.0, 0.5, 1.0])[pit] + rng.normal(0, 0.6, 16)
    score = level[:, None] + rng.logistic(size=(16, 24))
    grade = np.searchsorted([-2.5, -1.0, 0.5, 2.0], score)
    counts = np.array([np.bincount(own, minlength=5) for own in grade])
    burned, total = counts[:, 4], counts.sum(axis=1)

    own, gee = shortest(
        lambda: stats.grade_rates(counts, pit), lambda: gee_fit(burned, total, pit)
    )
    print(f"grade_rates {own:.2f} s, {own / gee:.1f} marginal fits of one cut")
    # A marginal fit takes some 14 ms where this was written: 70 of them are a
    # second.
    assert own < 70 * gee
