"""Time of the mixed linear fit against another program's, in one run."""

import warnings

import numpy as np
import pytest

from pitstats import stats
from tests.benchmarks.measuring import fastest


def readings(rows, bakes, seed=1):
    """Probe readings of two pits; where bakes differ clearly, so that both converge."""
    rng = np.random.default_rng(seed)
    bake = np.sort(rng.integers(0, bakes, rows))
    pit = (bake % 2).astype(float)
    place = rng.uniform(0, 1, rows)
    y = 350 + 6 * pit - 9 * place + rng.normal(0, 4, rows)
    y = y + rng.normal(0, 5, bakes)[bake]
    return y, np.column_stack([np.ones(rows), pit, place]), bake


@pytest.mark.benchmark_ratio
def test_five_thousand_readings_in_sixty_bakes():
    from statsmodels.regression.mixed_linear_model import MixedLM

    y, X, bake = readings(5000, 60)
    fits = {}

    def ours():
        # Kenward-Roger standard errors and degrees of freedom included.
        fits["ours"] = stats.fit_mixed_linear(y, X, bake)

    def theirs():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fits["theirs"] = MixedLM(y, X, bake).fit(reml=True)

    own, other = fastest(ours, theirs)
    ratio = own / other
    print(f"fit_mixed_linear {own * 1e3:.1f} ms, MixedLM {other * 1e3:.1f} ms")
    print(f"fit_mixed_linear / MixedLM, 5,000 readings in 60 bakes: {ratio:.3f}")
    np.testing.assert_allclose(fits["ours"].coef, fits["theirs"].fe_params, rtol=1e-4)
    assert ratio <= 1


@pytest.mark.benchmark_ratio
def test_two_levels_cost_no_more_than_a_few_times_one():
    y, X, bake = readings(5000, 60)
    both = np.column_stack([bake // 4, bake])
    one, two = fastest(
        lambda: stats.fit_mixed_linear(y, X, bake),
        lambda: stats.fit_mixed_linear(y, X, both),
    )
    print(f"two nested levels / one level: {two / one:.1f}")
    assert two < 8 * one


@pytest.mark.benchmark_ratio
def test_time_grows_with_rows_no_faster_than_the_rows():
    few, many = readings(5000, 60), readings(50000, 60)
    short, long = fastest(
        lambda: stats.fit_mixed_linear(*few),
        lambda: stats.fit_mixed_linear(*many),
        rounds=5,
    )
    print(f"ten times the readings: {long / short:.1f} times the time")
    assert long < 12 * short
