"""Time of a smooth surface beside the posterior of a plane over the same items."""

import numpy as np
import pytest

from pitstats import stats
from tests.benchmarks.measuring import seconds
from tests.calibration.surface import Grate, fit, simulate

pytestmark = pytest.mark.benchmark_ratio


def both_times(rows, columns, bakes):
    """Median seconds of `surface_rates` and of `model_rates` on one grate."""
    grate = Grate("linear", bakes, 0.3, 0.5, rows, columns)
    burned = simulate(grate, np.random.default_rng(2))
    cells = rows * columns
    place = grate.place / columns
    rows_of_data = (
        burned.ravel(),
        np.ones(burned.size, dtype=int),
        np.zeros(burned.size, dtype=int),
        np.repeat(np.arange(bakes), cells),
        place[np.tile(np.arange(cells), bakes)],
        place,
    )
    ours = seconds(lambda: fit(burned, grate.place), 9)
    return ours, seconds(lambda: stats.model_rates(*rows_of_data), 9)


@pytest.mark.parametrize(
    ("rows", "columns", "bakes"), [(3, 4, 2), (3, 6, 4), (4, 6, 6)]
)
def test_surface_costs_at_most_three_planes(rows, columns, bakes):
    ours, plane = both_times(rows, columns, bakes)
    assert ours <= 3 * plane, f"{ours * 1e3:.0f} ms against {plane * 1e3:.0f} ms"
