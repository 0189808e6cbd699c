"""Simultaneous intervals and adjusted p-values by depth."""

import numpy as np
import pytest

from pitstats.stats.multiplicity import adjusted_p_value, depth_cut, sobol_points


def test_points_are_fixed_and_even():
    points = sobol_points(4)
    assert points.shape == (2**14, 4)
    assert points is sobol_points(4)
    assert not points.flags.writeable
    assert points.min() > 0
    assert points.max() < 1
    # Each 1/16,384 slice of each axis holds exactly one point of the net.
    cells = np.sort((points * 2**14).astype(int), axis=0)
    assert np.array_equal(cells, np.tile(np.arange(2**14)[:, None], 4))


@pytest.mark.parametrize("conf_level", [0.5, 0.8, 0.9, 0.95, 0.99])
def test_cut_and_adjusted_p_agree(conf_level):
    rng = np.random.default_rng(1)
    depth = np.round(rng.uniform(0, 0.2, 1000), 3)  # with ties
    p_value = np.concatenate([rng.uniform(0, 1, 500), 2 * depth[:50]])
    cut = depth_cut(depth, conf_level)
    adjusted = adjusted_p_value(depth, p_value)
    assert np.array_equal(adjusted < 1 - conf_level, p_value / 2 < cut)
    assert np.all(adjusted >= p_value)
    assert np.all(adjusted <= 1)


def test_one_pair_needs_no_adjustment():
    """The depth of a single difference is uniform on 0 to 1/2."""
    depth = (np.arange(2000) + 0.5) / 4000
    assert depth_cut(depth, 0.95) == pytest.approx(0.025, abs=3e-4)
    p_value = np.array([0.01, 0.3, 0.99])
    assert adjusted_p_value(depth, p_value) == pytest.approx(p_value, abs=1e-3)


def test_independent_pairs_follow_sidak():
    """With k independent pairs the adjusted value is 1 - (1 - p)**k (Sidak 1967)."""
    from scipy.stats import norm

    rng = np.random.default_rng(2)
    z = norm.cdf(rng.normal(size=(200_000, 3)))
    depth = np.minimum(z, 1 - z).min(axis=1)
    p_value = np.array([0.01, 0.05, 0.2])
    expected = 1 - (1 - p_value) ** 3
    assert adjusted_p_value(depth, p_value) == pytest.approx(expected, abs=0.004)
    cut = (1 - 0.95 ** (1 / 3)) / 2
    assert depth_cut(depth, 0.95) == pytest.approx(cut, abs=5e-4)


def test_all_pairs_of_equal_normal_means_follow_tukey():
    """Equal known variances: the depth rule is the studentized range.

    Tukey's critical value for three means, infinite df, 5 %: q = 3.314 (Pearson &
    Hartley 1966, Biometrika Tables vol. 1, Table 29).
    """
    from scipy.stats import norm

    rng = np.random.default_rng(3)
    x = rng.normal(size=(400_000, 3))
    gap = np.abs(np.stack([x[:, 0] - x[:, 1], x[:, 0] - x[:, 2], x[:, 1] - x[:, 2]]))
    depth = norm.sf(gap / np.sqrt(2)).min(axis=0)
    cut = depth_cut(depth, 0.95)
    assert norm.isf(cut) * np.sqrt(2) == pytest.approx(3.314, abs=0.015)
