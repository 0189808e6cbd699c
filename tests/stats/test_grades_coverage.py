"""How often intervals of grades hold the truth: the kept grid, and small studies."""

import json

import numpy as np
import pytest

from tests.calibration.grades import (
    KEPT,
    LEAST,
    OUTCOMES,
    check_small,
    full_grid,
    run_cell,
    run_widths,
    width_cells,
)

FOUND = json.loads(KEPT.read_text(encoding="utf-8"))


def test_the_kept_grid_passes_the_rule_that_was_written_before_it():
    assert len(FOUND["table"]) == len(full_grid()) * len(OUTCOMES)
    assert min(FOUND["sets"]) >= 150
    for row in FOUND["table"]:
        for key, least in LEAST.items():
            slack = 2 * np.sqrt(least * (1 - least) / row["sets"])
            listed = [s for s in FOUND["short"] if s["what"] == key and s | row == s]
            assert (row[key] < least - slack) == bool(listed)
    assert FOUND["short"] == []
    for name in OUTCOMES:
        for key, least in LEAST.items():
            assert FOUND["coverage"][name][key]["mean"] >= least + 0.02
    assert FOUND["least_ess"] >= 200


def test_random_small_studies_were_all_finite():
    assert FOUND["small"]["studies"] >= 100
    assert FOUND["small"]["failed"] == []


@pytest.mark.parametrize("seed", range(4))
def test_random_small_studies_are_finite(seed):
    failed = [
        i for i in range(30) if not check_small(np.random.default_rng([9000 + seed, i]))
    ]
    assert failed == []


@pytest.mark.slow
@pytest.mark.parametrize("index", [1, 6, 23])
def test_intervals_hold_the_truth(index):
    sets = 80
    found = run_cell(full_grid()[index], sets, seed=3)
    pits = found["cell"]["pits"]
    n_pairs = pits * (pits - 1) // 2
    for own in found["hits"].values():
        for key, n in (("difference", n_pairs), ("share", pits)):
            slack = 3 * np.sqrt(LEAST[key] * (1 - LEAST[key]) / sets)
            assert own[key] / (sets * n) >= LEAST[key] - slack


@pytest.mark.slow
def test_under_baked_and_good_are_told_sharper_than_alone():
    found = run_widths(width_cells()[0], 12, 5)["outcomes"]
    for name, most in (("under-baked", 0.9), ("good", 1.0)):
        width = {key: own["width"] for key, own in found[name].items()}
        assert width["all grades"] < most * width["alone"]
