"""Cells against the smooth surface: by hand, another route, theory, simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

from pitstats import stats
from pitstats.analysis.places.surface import MARK_LEVEL


def test_with_a_known_surface_it_is_binomial_arithmetic() -> None:
    # One known probability: taking the cell's own count out changes nothing.
    here = np.full((50, 3), 0.8)
    found = stats.cells_against_surface(here, [0, 4, 3], [4, 4, 4])
    law = binom(4, 0.8)
    tails = np.minimum(law.cdf(range(5)), law.sf(np.arange(5) - 1))
    for p, count in zip(found, (0, 4, 3), strict=True):
        outward = law.pmf(range(5))[tails <= tails[count] * (1 + 1e-9)].sum()
        assert p == pytest.approx(1 - (1 - outward) ** 3)


def test_taking_a_count_out_is_the_posterior_without_it() -> None:
    # A conjugate cell: Beta(2, 3) from elsewhere, its own 1 of 5 in the draws.
    rng = np.random.default_rng(3)
    here = np.column_stack([rng.beta(2 + 1, 3 + 4, 200_000), np.full(200_000, 0.5)])
    found = stats.cells_against_surface(here, [1, 1], [5, 2], [0, 1])
    from scipy.stats import betabinom

    law = betabinom(5, 2, 3)
    tails = np.minimum(law.cdf(range(6)), law.sf(np.arange(6) - 1))
    outward = law.pmf(range(6))[tails <= tails[1] * (1 + 1e-9)].sum()
    # 200,000 draws with weights of uneven size: two digits.
    assert found[0] == pytest.approx(outward, abs=0.02)


def test_burned_and_not_burned_are_alike() -> None:
    rng = np.random.default_rng(5)
    here = rng.beta(8, 2, (400, 6))
    y, n = np.array([0, 3, 3, 2, 3, 1]), np.full(6, 3)
    one = stats.cells_against_surface(here, y, n)
    other = stats.cells_against_surface(1 - here, n - y, n)
    np.testing.assert_allclose(one, other)
    assert np.nanmin(one) == one[0]


def test_each_grate_is_a_family_and_bare_cells_have_none() -> None:
    here = np.full((10, 4), 0.9)
    alone = stats.cells_against_surface(here[:, :2], [0, 3], [3, 3])
    both = stats.cells_against_surface(here, [0, 3, 0, 3], [3, 3, 0, 3], [0, 0, 1, 1])
    np.testing.assert_allclose(both[:2], alone)
    assert np.isnan(both[2])
    more = stats.cells_against_surface(here, [0, 3, 3, 3], [3] * 4)
    assert more[0] > alone[0]


def test_marks_hold_their_level_on_a_known_surface() -> None:
    rng = np.random.default_rng(8)
    p = np.linspace(0.1, 0.9, 18)
    here = np.tile(p, (5, 1))
    least = [
        stats.cells_against_surface(here, rng.binomial(4, p), np.full(18, 4)).min()
        for _ in range(400)
    ]
    # Discrete counts: at most the level; its error is 0.015.
    assert np.mean(np.less(least, 0.1)) < 0.13


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="one column for each of 2 cells"):
        stats.cells_against_surface(np.full((5, 3), 0.5), [1, 1], [2, 2])
    with pytest.raises(ValueError, match="one grate per cell"):
        stats.cells_against_surface(np.full((5, 2), 0.5), [1, 1], [2, 2], [0])


def test_the_kept_run_chose_the_level_in_use() -> None:
    kept = json.loads(
        (Path(__file__).parents[1] / "calibration" / "surface_marks.json").read_text()
    )
    assert kept["level"] == MARK_LEVEL
    assert all(row["marked"]["0.1"] <= 0.1 for row in kept["null"])
    # 0.13 among 0.87: more often than not from three bakes on.
    lone = {row["bakes"]: row["marked"]["0.1"] for row in kept["lone"]}
    assert min(lone[3], lone[4], lone[6]) > 0.5
