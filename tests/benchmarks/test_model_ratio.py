"""How the regression fits compare in time with other programs, in one run."""

import csv
import time
from pathlib import Path

import numpy as np
import pytest

from pitstats import stats

REFERENCE = Path(__file__).parents[1] / "reference"


def fastest(call, repeats):
    """Shortest of several timings, in seconds, after one call to warm up."""
    call()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


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

    ratio = fastest(ours, 15) / fastest(theirs, 15)
    print(f"fit_mixed_logistic / glmm, 25 nodes, 216 items in 18 bakes: {ratio:.2f}")
    assert ratio < 3
