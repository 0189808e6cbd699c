"""Times of calls, and the marginal model that estimates are timed beside."""

import statistics
import time
import warnings

import numpy as np


def fastest(*calls, rounds=15, clock=time.perf_counter):
    """Shortest time of each call in seconds; the calls take turns.

    Taking turns lets a busy machine slow all of them down alike.
    """
    shortest = [np.inf] * len(calls)
    for call in calls:
        call()
    for _ in range(rounds):
        for i, call in enumerate(calls):
            start = clock()
            call()
            shortest[i] = min(shortest[i], clock() - start)
    return shortest


def seconds(work, times):
    """Median processor time of a call, after one to warm up."""
    work()
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return statistics.median(found)


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
