"""Simulated bake tests with known rates, and how often the intervals hold them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import product

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

from pitstats import stats

# Twenty cells: ten distances on two racks, the layout over which rates are meant.
LAYOUT = np.column_stack([np.repeat(np.linspace(0, 1, 10), 2), np.tile([0.0, 1.0], 10)])
SLOPES = np.array([-2.0, 0.5])
MISSING = 0.05
STEP = {0.05: 0.15, 0.15: 0.25, 0.35: 0.30}
DRAWS = 2048


@dataclass(frozen=True)
class Cell:
    """One kind of test: two pits, how they are baked and what is true."""

    bakes: int
    items: tuple[int, int]
    rate: float
    sd: float
    far_only: bool
    different: bool

    @property
    def rates(self):
        """True long-run rates of the two pits over the layout."""
        return self.rate, self.rate + STEP[self.rate] * self.different


def full_grid():
    """All 432 cells of the main grid."""
    choices = product(
        (2, 3, 4, 6),
        ((8, 8), (20, 20), (24, 8)),
        (0.05, 0.15, 0.35),
        (0.0, 0.5, 1.0),
        (False, True),
        (False, True),
    )
    return [Cell(*choice) for choice in choices]


def intercept_for(rate, sd, slopes=SLOPES, layout=LAYOUT):
    """Intercept at which the rate over layout and bakes is the wanted one."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    weights = weights / weights.sum()
    fixed = layout @ slopes

    def excess(alpha):
        return (expit(alpha + fixed[:, None] + sd * nodes) @ weights).mean() - rate

    return brentq(excess, -30, 30, xtol=1e-12)


def simulate(cell, rng):
    """Entries of one test: burned, total, pit, bake, X."""
    pits, bakes, rows = [], [], []
    for pit, n in enumerate(cell.items):
        distance = np.linspace(0, 1, n)
        X = np.column_stack([distance, np.arange(n) % 2])
        if cell.far_only and pit == 1:
            X = X[distance >= 0.4]
        for bake in range(cell.bakes):
            kept = X[rng.random(len(X)) >= MISSING]
            pits += [pit] * len(kept)
            bakes += [pit * cell.bakes + bake] * len(kept)
            rows.append(kept)
    X = np.vstack(rows)
    alpha = np.array([intercept_for(rate, cell.sd) for rate in cell.rates])
    effect = rng.normal(0, cell.sd, 2 * cell.bakes)
    eta = alpha[pits] + X @ SLOPES + effect[bakes]
    burned = rng.binomial(1, expit(eta))
    return burned, np.ones_like(burned), np.array(pits), np.array(bakes), X


def run_cell(cell, n_sets, seed):
    """Coverage and width of one cell's intervals, as plain numbers."""
    truth = np.array(cell.rates)
    gap = truth[0] - truth[1]
    hits = np.zeros(3)
    width = np.zeros(3)
    rejected = 0
    least = np.inf
    for i in range(n_sets):
        rng = np.random.default_rng([seed, i])
        result = stats.model_rates(*simulate(cell, rng), LAYOUT, n_draws=DRAWS)
        low = np.append(result.rates.low, result.differences.low)
        high = np.append(result.rates.high, result.differences.high)
        target = np.append(truth, gap)
        hits += (low <= target) & (target <= high)
        width += high - low
        rejected += bool(low[2] > 0 or high[2] < 0)
        least = min(least, result.ess)
    coverage = dict(
        zip(("a", "b", "d"), (hits / n_sets).round(4).tolist(), strict=True)
    )
    widths = dict(zip(("a", "b", "d"), (width / n_sets).round(4).tolist(), strict=True))
    return asdict(cell) | {
        "sets": n_sets,
        "coverage": coverage,
        "width": widths,
        "rejected": round(rejected / n_sets, 4),
        "least_ess": round(float(least)),
    }
