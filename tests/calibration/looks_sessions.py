"""False calls at looks where every session holds a bake of each pit.

The constants of the boundary are made from bakes on days of their own. Where sessions
hold both pits the session effect leads instead, so that its false calls decide here.

First rule, written before anything was run: the same constants serve with sessions if,
for looks after every bake from the second to the sixth and after 2, 4 and 6, the share
of tests of equal pits that are ever called different stays at or below 5.5 % in every
cell, judged by the upper end of its exact 95 % interval. Every cell starts with 1,000
tests; a cell that they leave open is judged anew from 16,000 fresh ones. It failed
in two of 45 cells, where sessions do nothing and bakes scatter by 1: 5.5 % of 16,000
tests with a rate of 0.35 (upper end 5.9 %), 5.9 % of 1,000 with a rate of 0.5.

Pilots of 8,000 and 16,000 tests in such cells then showed that the excess grows with
the last look: constants 0 to 4 % larger would do at 4 bakes, 6 to 7 % at 12. One factor
of 1.07 for all held in the worst cells but cost 6 to 8 points of power at 6 bakes.
Hence `sessions_factor`, which grows by `SESSIONS_RISE` with every doubling from 2
bakes.

Second rule, written before its run: with constants larger by that factor the bar of the
first rule holds in every cell for all `PLANS`, with fresh seeds and 10,000 tests where
1,000 leave a cell open. ``needs`` in the result is the least constant that meets the
bar, so that it can be held against whatever constants are shipped.

The tables of the planner (`SessionModel`) judge the tests. They must speak for the
analysis of a study: in the cell with rate 0.5, spread between bakes 1 and sessions that
do nothing, 500 tests go through `model_rates` as well, six sessions each, and there the
share of false calls of the same tests by the tables, with the constants as shipped,
differs by at most 2 points.

Three pits, for which there are no tables, take the same factor. Rule, written before
its run: in three cells, the two that failed for two pits among them, the share of 3,000
tests of six sessions in which any pair is ever called different, by `model_rates` with
2,048 draws, is at most 5.5 % for every plan of up to six bakes; the upper end of its
interval is kept beside it.

Cells: rate 0.1 to 0.5, spread between sessions 0, 0.6 and 1, between bakes 0.3, 0.6
and 1; 16 items. Run ``python -m tests.calibration.looks_sessions``, with ``--lead`` for
the comparison and with ``--three`` for three pits; results are kept in
``looks_sessions.json``, ``looks_sessions_lead.json`` and ``looks_sessions_three.json``.
"""

from __future__ import annotations

import argparse
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import expit, ndtri
from scipy.stats import beta

from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.posterior import model_rates
from pitstats.stats.session_model import SessionModel
from pitstats.stats.stopping import stopping_levels
from tests.calibration.kept_cells import run_cells

RESULT = Path(__file__).with_suffix(".json")
LEAD = RESULT.with_name("looks_sessions_lead.json")
THREE = RESULT.with_name("looks_sessions_three.json")
SESSIONS, ITEMS, MOST = 12, 16, 0.055
FIRST, ANEW, THROUGH_LEAD, OF_THREE = 1_000, 10_000, 500, 3_000
PLANS = {
    **{f"every bake to {k}": tuple(range(2, k + 1)) for k in (4, 6, 8, 12)},
    **{", ".join(map(str, k)): k for k in ((2, 4, 6), (3, 6, 9), (4, 8, 12))},
}
CELLS = [  # those that can decide first
    {"rate": rate, "sd_session": sd_session, "sd_bake": sd_bake}
    for sd_bake, sd_session, rate in product(
        (1.0, 0.6, 0.3), (0.0, 0.6, 1.0), (0.5, 0.35, 0.2, 0.1)
    )
]
WORST = [{"rate": 0.5, "sd_session": 0.0, "sd_bake": 1.0}]
WITH_THREE = [
    {"rate": rate, "sd_session": sd_session, "sd_bake": 1.0}
    for rate, sd_session in ((0.5, 0.0), (0.35, 0.0), (0.35, 1.0))
]
LOOKS = tuple(range(2, SESSIONS + 1))
PIT = np.tile([0, 1], SESSIONS)
SESSION = np.repeat(np.arange(SESSIONS), 2)
TOTAL = np.full(PIT.size, ITEMS)


def simulate(
    cell: dict,
    n_sets: int,
    rng: np.random.Generator,
    pits: int = 2,
    days: int = SESSIONS,
) -> np.ndarray:
    """Burned items, shape (sets, bakes): in every session a bake of each pit."""
    spread = np.hypot(cell["sd_bake"], cell["sd_session"])
    level = float(marginal_intercept(np.array([cell["rate"]]), spread)[0])
    heat = rng.normal(0, cell["sd_session"], (n_sets, days)).repeat(pits, axis=1)
    heat += rng.normal(0, cell["sd_bake"], heat.shape)
    return rng.binomial(ITEMS, expit(level + heat))


def scores(p_values: np.ndarray, plan: str) -> np.ndarray:
    """Largest score over the looks of a plan: a call where it exceeds the constant."""
    looks = np.array(PLANS[plan])
    p_values = np.maximum(p_values[:, looks - 2], 1e-15)
    return (-ndtri(p_values / 2) * (looks / looks[-1]) ** 0.25).max(axis=1)


def called(top: np.ndarray, plan: str, pits: int) -> dict:
    """Share of tests with a call, and the upper end of its exact 95 % interval."""
    constant = stopping_levels(PLANS[plan], pits, ITEMS, sessions=True).constant
    hits = int((top > constant).sum())
    upper = float(beta.ppf(0.975, hits + 1, top.size - hits))
    return {"share": round(hits / top.size, 5), "upper": round(upper, 5)}


def judged(top: np.ndarray, plan: str) -> dict:
    """The same for two pits, and the least constant that passes."""
    calls = np.arange(top.size)
    passing = calls[beta.ppf(0.975, calls + 1, top.size - calls) <= MOST].max()
    needs = round(float(np.sort(top)[-1 - passing]), 4)
    return {**called(top, plan, 2), "needs": needs}


def measure(cell: dict, n_sets: int, seed: int) -> dict:
    """False calls of all plans in one cell, by the tables."""
    model = SessionModel(TOTAL, PIT, SESSION)
    rng = np.random.default_rng(seed)
    for tests in (n_sets, ANEW):
        p_values = model.after_sessions(simulate(cell, tests, rng), LOOKS).p_value
        found = {plan: judged(scores(p_values, plan), plan) for plan in PLANS}
        if all(f["upper"] <= MOST for f in found.values()):
            break
    return {"tests": tests, "plans": found}


def p_values_of_lead(
    burned: np.ndarray, pits: int = 2, n_draws: int | None = None
) -> np.ndarray:
    """Least p-value of one test after every session from the second on, by the engine.

    It allows for all pairs.
    """
    found = []
    for n in range(2 * pits, burned.size + 1, pits):
        bake = np.arange(n)
        lead = model_rates(
            burned[:n],
            np.full(n, ITEMS),
            bake % pits,
            bake,
            session=bake // pits,
            n_draws=n_draws,
        )
        found.append(float(lead.differences.p_adjusted.min()))
    return np.array(found)


def measure_three(cell: dict, n_sets: int, seed: int) -> dict:
    """False calls among three pits by the engine."""
    burned = simulate(cell, n_sets, np.random.default_rng(seed), pits=3, days=6)
    p_values = np.array([p_values_of_lead(row, 3, 2048) for row in burned])
    return {
        plan: called(scores(p_values, plan), plan, 3)
        for plan, looks in PLANS.items()
        if looks[-1] <= 6
    }


def measure_lead(cell: dict, n_sets: int, seed: int) -> dict:
    """Shares of false calls of the same tests, of six sessions, by both."""
    burned = simulate(cell, n_sets, np.random.default_rng(seed))[:, :12]
    model = SessionModel(TOTAL[:12], PIT[:12], SESSION[:12])
    both = {
        "tables": model.after_sessions(burned, LOOKS[:5]).p_value,
        "lead": np.array([p_values_of_lead(row) for row in burned]),
    }
    return {
        plan: {
            name: float((scores(p, plan) > stopping_levels(looks, 2).constant).mean())
            for name, p in both.items()
        }
        for plan, looks in PLANS.items()
        if looks[-1] <= 6
    }


def main() -> None:
    """Run the cells that are not in the kept result yet, by tables or by the engine."""
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--lead", action="store_true")
    parser.add_argument("--three", action="store_true")
    asked, others = parser.parse_known_args()
    if asked.lead:
        how = {"sets": THROUGH_LEAD, "seed": 9200, "arguments": others}
        run_cells(LEAD, WORST, measure_lead, about=__doc__, **how)
        return
    if asked.three:
        how = {"sets": OF_THREE, "seed": 9800, "arguments": others}
        run_cells(THREE, WITH_THREE, measure_three, about=__doc__, **how)
        return
    how = {"sets": FIRST, "seed": 9600, "arguments": others}
    run_cells(RESULT, CELLS, measure, about=__doc__, **how)


if __name__ == "__main__":
    main()
