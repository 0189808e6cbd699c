"""Coverage of season rates where one pit is moodier than the others.

Rule, written before the run: a season gives every pit a spread of its own if then, in
every cell, the rate of the moody pit and the mean over the three pits cover at least
0.93 (300 sets, Monte-Carlo error 0.013) and pits that burn alike are called different
in at most 7 % of sets by the first pair's own interval; one spread for all is measured
beside it, on every third set. Cells: few or many studies, spreads alike or of a moody
first pit, which may also have half the bakes of the others, and rates alike or apart.
Every study has two sessions, every session a bake of each pit.

Run ``python -m tests.calibration.season``; the result is kept in ``season.json``.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.nested_rates import NestedRates, nested_rates
from tests.calibration.kept_cells import run_cells

RESULT = Path(__file__).with_suffix(".json")
SD_SESSION, SD_STUDY, ITEMS = 0.3, 0.5, 16
CELLS = [
    {"studies": studies, "sd_bake": sds, "half": half, "rates": rates}
    for studies, (sds, half), rates in product(
        (3, 8),
        (
            ((0.5, 0.5, 0.5), False),
            ((1.0, 0.3, 0.3), False),
            ((1.2, 0.2, 0.2), True),
        ),
        ((0.25, 0.25, 0.25), (0.2, 0.35, 0.5)),
    )
]
Bakes = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def simulate(cell: dict, rng: np.random.Generator) -> Bakes:
    """Burned items, pit, session and study of every bake."""
    shape = (cell["studies"], 2, 3)
    study, session, pit = (axis.ravel() for axis in np.indices(shape))
    if cell["half"]:
        baked = (pit > 0) | (session == 0)
        study, session, pit = study[baked], session[baked], pit[baked]
    sd = np.array(cell["sd_bake"])
    total_sd = np.sqrt(sd**2 + SD_SESSION**2 + SD_STUDY**2)
    eta = (
        marginal_intercept(np.array(cell["rates"]), total_sd)[pit]
        + rng.normal(0, SD_STUDY, shape[0])[study]
        + rng.normal(0, SD_SESSION, shape[:2])[study, session]
        + rng.normal(0, 1, pit.size) * sd[pit]
    )
    return rng.binomial(ITEMS, 1 / (1 + np.exp(-eta))), pit, session, study


def judge(found: NestedRates, cell: dict) -> tuple[float, ...]:
    """Coverage of the first rate, of all, of the first difference; width; verdict."""
    rates = cell["rates"]
    held = [r.low <= t <= r.high for r, t in zip(found.rates, rates, strict=True)]
    low, high = found.differences.low[0], found.differences.high[0]
    sd = found.bake_sds[0]
    return (
        held[0],
        float(np.mean(held)),
        low <= rates[0] - rates[1] <= high,
        float(high - low),
        low > 0 or high < 0,
        sd.low <= cell["sd_bake"][0] <= sd.high,
    )


def measure(cell: dict, n_sets: int, seed: int) -> dict:
    """Coverage, width and verdicts with spreads of their own and with one for all."""
    rng = np.random.default_rng(seed)
    rows: dict[str, list] = {"own": [], "common": []}
    for number in range(n_sets):
        burned, pit, session, study = simulate(cell, rng)
        data = (burned, np.full(pit.size, ITEMS), pit, session, study)
        rows["own"].append(judge(nested_rates(*data), cell))
        if number % 3 == 0:
            rows["common"].append(judge(nested_rates(*data, spread="common"), cell))
    names = ("first_rate", "rates", "difference", "width", "differs", "first_sd")
    return {
        name: dict(zip(names, np.mean(each, axis=0).round(4).tolist(), strict=True))
        for name, each in rows.items()
    }


def main() -> None:
    """Run the cells that are not in the kept result yet."""
    run_cells(RESULT, CELLS, measure, about=__doc__, sets=300, seed=6000)


if __name__ == "__main__":
    main()
