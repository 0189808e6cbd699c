"""Simulated studies analyzed per second, beside loops over other fits of the same."""

import time
import warnings

import numpy as np
import pytest

from pitstats.planning.simulation import (
    SEPARATED,
    BakeDesign,
    SimulatedTruth,
    Task,
    blocks_of,
    run_task,
    simulate_burned,
)
from pitstats.stats import BakeModel
from pitstats.stats.spread_prior import COMMON, OWN

pytestmark = pytest.mark.benchmark_ratio

DESIGN = BakeDesign((4, 4), (16, 16))
TRUTH = SimulatedTruth(np.array([[0.2, 0.4]]), np.array([0.6]))


def task(stop, design=DESIGN):
    return Task(design, TRUTH, SEPARATED, 1, 0, stop, 300, None, 0.95)


def seconds(work):
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def per_study(n_studies=2000):
    """Seconds a study, simulated and analyzed, 300 of them with whole intervals."""
    run_task(task(500))
    return min(seconds(lambda: run_task(task(n_studies))) for _ in range(3)) / n_studies


def gee_seconds(counts):
    import statsmodels.api as sm

    def loop():
        pit = np.repeat(DESIGN.pit, DESIGN.total)
        bake = np.repeat(np.arange(DESIGN.pit.size), DESIGN.total)
        columns = np.column_stack([np.ones(pit.size), pit])
        for burned in counts:
            item = np.concatenate(
                [np.arange(n) < y for y, n in zip(burned, DESIGN.total, strict=True)]
            )
            sm.GEE(
                item.astype(float),
                columns,
                groups=bake,
                family=sm.families.Binomial(),
                cov_struct=sm.cov_struct.Exchangeable(),
            ).fit(cov_type="bias_reduced")

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        loop()
        return seconds(loop) / len(counts)


def glmm_seconds(counts):
    glmm = pytest.importorskip("glmm")
    pit = np.repeat(DESIGN.pit, DESIGN.total)
    bake = np.repeat(np.arange(DESIGN.pit.size), DESIGN.total)

    def loop():
        for burned in counts:
            item = np.concatenate(
                [np.arange(n) < y for y, n in zip(burned, DESIGN.total, strict=True)]
            )
            table = {
                "y": item.astype(float),
                "pit": pit.astype(float),
                "bake": [f"b{k}" for k in bake],
            }
            glmm.fit(table, "y ~ pit + (1 | bake)", "binomial", nagq=25)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        loop()
        return seconds(loop) / len(counts)


def test_much_faster_than_loops_over_fits():
    counts = blocks_of(task(20))
    ours = per_study()
    gee, mixed = gee_seconds(counts), glmm_seconds(counts)
    print(
        f"a study: {ours * 1e3:.3f} ms; GEE / ours {gee / ours:.0f}, "
        f"glmm / ours {mixed / ours:.0f}"
    )
    assert gee >= 20 * ours
    assert mixed >= 10 * ours


@pytest.mark.parametrize(("n_pits", "n_studies"), [(2, 2000), (4, 400)])
def test_own_spreads_cost_at_most_half_more_than_one_for_all(n_pits, n_studies):
    """One spread for all pits is what planning did before, at the same speed."""
    design = BakeDesign((4,) * n_pits, (16,) * n_pits)
    rates = np.full((1, n_pits), 0.4)
    rates[0, 0] = 0.2
    truth = SimulatedTruth(rates, np.array([0.6]))
    counts = simulate_burned(design, truth, np.random.default_rng(1), n_studies)

    def work(prior):
        model = BakeModel(design.total, design.pit, prior=prior)
        return model.separated(counts, [(0, 1)])

    took = {}
    for prior in (OWN, COMMON):
        work(prior)
        took[prior] = min(seconds(lambda p=prior: work(p)) for _ in range(3))
    print(f"own / common: {took[OWN] / took[COMMON]:.2f}")
    assert took[OWN] <= 1.5 * took[COMMON]


def test_time_grows_no_faster_than_simulations():
    few, many = (
        min(seconds(lambda n=n: run_task(task(n))) for _ in range(2))
        for n in (2000, 8000)
    )
    print(f"4 times the simulations: {many / few:.1f} times as long")
    assert many < 6 * few


def test_a_batch_beats_one_by_one():
    counts = blocks_of(task(40))
    model = BakeModel(DESIGN.total, DESIGN.pit)
    one = seconds(lambda: [model.one(burned) for burned in counts]) / 40
    ours = per_study()
    print(f"one by one / batch: {one / ours:.0f}")
    assert one > 5 * ours
