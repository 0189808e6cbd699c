"""How the regression fits compare in time with other programs, in one run."""

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest

from pitstats import stats
from tests.benchmarks.measuring import fastest

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.mark.benchmark_ratio
def test_mixed_logistic_within_three_times_the_compiled_engine():
    glmm = pytest.importorskip("glmm")
    with (REFERENCE / "pit_sim1.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    pit = np.array([row["pit"] for row in rows])
    bake = [row["bake"] for row in rows]
    dist = np.array([float(row["dist"]) for row in rows])
    burned = np.array([float(row["burnt"]) for row in rows])
    X = np.column_stack([np.ones(len(rows)), pit == "B", pit == "C", dist])
    table = {"y": burned, "pit": list(pit), "dist": dist, "bake": bake}

    def theirs():
        glmm.fit(table, "y ~ pit + dist + (1 | bake)", "binomial", nagq=25)

    def ours():
        stats.fit_mixed_logistic(burned, np.ones(len(rows)), X, bake)

    own, other = fastest(ours, theirs, rounds=25)
    ratio = own / other
    print(f"fit_mixed_logistic / glmm, 25 nodes, 216 items in 18 bakes: {ratio:.2f}")
    assert ratio < 3


def simulated_test(pits, bakes, items):
    rng = np.random.default_rng(1)
    bake = np.repeat(np.arange(pits * bakes), items)
    pit = bake // bakes
    distance = np.tile(np.repeat(np.linspace(0, 1, items // 2), 2), pits * bakes)
    rack = np.arange(len(bake)) % 2
    eta = -0.8 + 0.4 * (pit % 2) - 1.5 * distance + 0.5 * rack
    eta = eta + rng.normal(0, 0.6, pits * bakes)[bake]
    burned = rng.binomial(1, 1 / (1 + np.exp(-eta)))
    return burned, pit, bake, np.column_stack([distance, rack])


def gee_call(burned, pit, bake, X):
    from statsmodels.genmod.cov_struct import Exchangeable
    from statsmodels.genmod.families import Binomial
    from statsmodels.genmod.generalized_estimating_equations import GEE

    design = np.column_stack([np.eye(pit.max() + 1)[pit], X])

    def call():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = GEE(
                burned, design, bake, cov_struct=Exchangeable(), family=Binomial()
            )
            model.fit(cov_type="bias_reduced")

    return call


LAYOUT = np.column_stack([np.repeat(np.linspace(0, 1, 10), 2), np.tile([0, 1], 10)])


@pytest.mark.benchmark_ratio
@pytest.mark.parametrize(
    ("pits", "bakes", "items", "most"), [(2, 4, 20, 12), (4, 6, 24, 25)]
)
def test_posterior_against_one_gee_fit(pits, bakes, items, most):
    burned, pit, bake, X = simulated_test(pits, bakes, items)
    one = np.ones_like(burned)

    def ours():
        stats.model_rates(burned, one, pit, bake, X, LAYOUT)

    own, gee = fastest(ours, gee_call(burned, pit, bake, X))
    ratio = own / gee
    print(f"model_rates / GEE, {pits} pits x {bakes} bakes x {items}: {ratio:.1f}")
    assert ratio < most


@pytest.mark.benchmark_ratio
@pytest.mark.parametrize(("pits", "bakes", "items"), [(2, 3, 20), (4, 4, 24)])
def test_sessions_cost_at_most_twice(pits, bakes, items):
    burned, pit, bake, X = simulated_test(pits, bakes, items)
    data = burned, np.ones_like(burned), pit, bake, X, LAYOUT
    with_sessions, without = fastest(
        lambda: stats.model_rates(*data, session=bake % bakes),
        lambda: stats.model_rates(*data),
    )
    ratio = with_sessions / without
    print(f"sessions, {pits} pits x {bakes} bakes x {items}: {ratio:.2f}")
    assert ratio < 2


@pytest.mark.benchmark_ratio
def test_cost_grows_with_bakes_and_patterns_not_with_items():
    burned, pit, bake, X = simulated_test(2, 4, 20)
    one = np.ones_like(burned)

    def call(times):
        def run():
            stats.model_rates(times * burned, times * one, pit, bake, X, LAYOUT)

        return run

    long = simulated_test(2, 16, 20)

    def four_times_the_bakes():
        stats.model_rates(long[0], np.ones_like(long[0]), *long[1:], LAYOUT)

    def single_items():
        stats.model_rates(burned, one, pit, bake, X, LAYOUT)

    double, forty = fastest(call(2), call(40), rounds=8)
    few, many = fastest(single_items, four_times_the_bakes, rounds=8)
    print(f"twenty times the items per cell: {forty / double:.2f}")
    print(f"four times the bakes: {many / few:.2f}")
    assert forty < 1.5 * double
    assert many < 6 * few
