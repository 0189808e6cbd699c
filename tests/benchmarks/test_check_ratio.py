"""Time of `pitstats check` as a record grows from 500 bakes to 5,000."""

import time
from math import log

import numpy as np
import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.cli import main
from pitstats.study.demo import SimulatedPit, simulate_study

pytestmark = pytest.mark.benchmark_ratio

RATES = {"Quarry": 0.40, "Ferry": 0.12, "Orchard": 0.18, "Mill": 0.22}
FEW, MANY = 500, 5_000


def written(n_bakes, folder):
    """A folder with a study of four pits, 12 items a bake."""
    pits = [
        SimulatedPit(pit=pit, rate=rate, grates={"main": (3, 4)})
        for pit, rate in RATES.items()
    ]
    rng = np.random.default_rng(1)
    study = simulate_study(pits, bakes=n_bakes // 4, sd_bake=1.2, rng=rng).study
    ps.write_study(study, folder)
    return str(folder)


def test_ten_times_the_bakes_take_ten_times_the_time_and_a_logarithm(tmp_path):
    few, many = (written(n, tmp_path / str(n)) for n in (FEW, MANY))

    def seconds(folder):
        start = time.process_time()
        result = CliRunner().invoke(main, ["check", folder])
        assert result.exit_code == 0, result.output
        assert "Items of one bake share its fire" in result.output
        assert len(result.output) < 10_000
        return time.process_time() - start

    seconds(few)
    short, long = min(seconds(few) for _ in range(2)), seconds(many)
    growth = MANY * log(MANY) / (FEW * log(FEW))
    assert long < growth * short, f"{long:.1f} s against {short:.1f} s"
