"""Coverage of pits compared across studies through a pit baked in both.

Rule, written before the run: the season uses one method for every size; among the
nested Laplace rates (`nested_rates`) and weighted draws with the study as a block
(`model_rates`), the one whose differences across studies cover at least 0.93 in every
cell (400 sets, Monte-Carlo error 0.011), then the narrower. Cells: two studies, pit A
and the reference in the first, pit B and the reference in the second.

Run ``python -m tests.calibration.bridge``; the result is kept in ``bridge.json``.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from pitstats.stats.estimates import PairEstimates
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.nested_rates import nested_rates
from pitstats.stats.posterior import model_rates
from tests.calibration.kept_cells import run_cells

RESULT = Path(__file__).with_suffix(".json")
CELLS = [
    {"bakes": k, "sd_study": study, "sd_bake": bake, "rates": rates}
    for k, (study, bake), rates in product(
        (2, 4),
        ((0.0, 0.6), (0.6, 0.4), (1.0, 0.8)),
        ((0.25, 0.25), (0.2, 0.5)),
    )
]
ITEMS = 16
SHARE_OF_DRAWS = 4  # every fourth set goes through the slower method too


def simulate(
    cell: dict, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Burned items, pit and study of every bake; the reference burns 30 %."""
    total_sd = np.hypot(cell["sd_study"], cell["sd_bake"])
    level = marginal_intercept(np.array([*cell["rates"], 0.3]), total_sd)
    k = cell["bakes"]
    pit = np.repeat([0, 2, 1, 2], k)
    study = np.repeat([0, 0, 1, 1], k)
    eta = (
        level[pit]
        + rng.normal(0, cell["sd_study"], 2)[study]
        + rng.normal(0, cell["sd_bake"], pit.size)
    )
    return rng.binomial(ITEMS, 1 / (1 + np.exp(-eta))), pit, study


def measure(cell: dict, n_sets: int, seed: int) -> dict:
    """Coverage, width and false alarms of both methods in one cell."""
    rng = np.random.default_rng(seed)
    truth = cell["rates"][0] - cell["rates"][1]
    found: dict[str, list] = {"nested": [], "draws": []}
    for number in range(n_sets):
        burned, pit, study = simulate(cell, rng)
        total = np.full(pit.size, ITEMS)
        nested = nested_rates(burned, total, pit, study, study)
        a = nested.rates[0]
        found["nested"].append(
            judge(nested.differences, (a.low, a.high), cell["rates"][0], truth)
        )
        if number % SHARE_OF_DRAWS == 0:
            bake = np.arange(pit.size)
            drawn = model_rates(burned, total, pit, bake, session=study, n_draws=2048)
            ends = (drawn.rates.low[0], drawn.rates.high[0])
            found["draws"].append(
                judge(drawn.differences, ends, cell["rates"][0], truth)
            )
    names = ("coverage", "width", "differs", "rate_coverage")
    return {
        method: dict(zip(names, np.mean(rows, axis=0).round(4).tolist(), strict=True))
        for method, rows in found.items()
    }


def judge(
    differences: PairEstimates, ends: tuple[float, float], rate: float, truth: float
) -> tuple[bool, float, bool, bool]:
    """Whether the difference is covered, its width, a verdict, the rate covered."""
    low, high = differences.low[0], differences.high[0]
    return (
        bool(low <= truth <= high),
        float(high - low),
        bool(low > 0 or high < 0),
        bool(ends[0] <= rate <= ends[1]),
    )


def main() -> None:
    """Run the cells that are not in the kept result yet."""
    run_cells(RESULT, CELLS, measure, about=__doc__, sets=400, seed=4000)


if __name__ == "__main__":
    main()
