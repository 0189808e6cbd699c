"""Show what the session effect gains and costs where sessions hold several pits.

From the top of the repository::

    python -m tests.calibration.sessions              # all cells, continues
    python -m tests.calibration.sessions --cells 0:8  # some of them
    python -m tests.calibration.sessions --summary    # judge by the rule

Results are kept in ``sessions.json`` beside this file.

The rule, written before the first run
--------------------------------------
The answer with the session effect leads wherever two sessions or more each hold two
pits or more, if in the cells below, analyzed from counts without covariates,

1. power in the three cells "as planned" (session SD 0.6, bake SD 0.4, two pits with
   rates 0.2 and 0.5, 18 items; 1,000 studies each) is at least .46, .64 and .85 at 3, 4
   and 5 bakes;
2. any pair of equal pits is falsely separated in at most 7 % of the studies of every
   cell, allowing two standard errors of 400 studies (so at most 9.5 %), and in at most
   7 % on average over the cells with equal pits;
3. the difference of the first two pits is covered in at least 93 % on average and in at
   least 90.5 % (the same allowance) in every cell;
4. no cell with a true difference loses more than 0.05 of power against the analysis
   that ignores the sessions.

Cells hold two to four pits, complete and incomplete blocks, a pit that has a day of its
own once, session SDs from 0 to 1.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.special import expit

from pitstats import stats
from pitstats.stats.marginal import marginal_intercept
from tests.calibration.kept_cells import run_numbered

KEPT = Path(__file__).parent / "sessions.json"
SETS, PLANNED_SETS, SEED = 400, 1_000, 31
POWER = {3: 0.46, 4: 0.64, 5: 0.85}
BLOCKS = ("complete", "incomplete", "lone day")


@dataclass(frozen=True)
class Cell:
    """One kind of study and what is true."""

    pits: int
    bakes: int
    blocks: str
    sd_session: float
    sd_bake: float
    rate: float
    difference: float
    items: int = 18
    planned: bool = False

    @property
    def place(self) -> tuple[np.ndarray, np.ndarray]:
        """Pit and session of every bake."""
        pit = np.tile(np.arange(self.pits), self.bakes)
        session = np.repeat(np.arange(self.bakes), self.pits)
        if self.blocks == "incomplete":
            # Every session lacks one pit, in turn.
            keep = pit != session % self.pits
            return pit[keep], session[keep]
        if self.blocks == "lone day":
            # One more bake of the first pit, on a day that no other pit had.
            return np.append(pit, 0), np.append(session, self.bakes)
        return pit, session

    @property
    def rates(self) -> np.ndarray:
        """Long-run rates; all pits but the first have another one."""
        return self.rate + self.difference * (np.arange(self.pits) > 0)


def all_cells() -> list[Cell]:
    """Cells of the rule: three as planned, then the others."""
    planned = [
        Cell(2, k, "complete", 0.6, 0.4, 0.2, 0.3, planned=True) for k in (3, 4, 5)
    ]
    others = [
        # pits, bakes, blocks, session SD, bake SD, rate, difference
        Cell(2, 3, "complete", 0.0, 0.6, 0.2, 0.0),
        Cell(2, 5, "complete", 0.0, 0.8, 0.3, 0.0),
        Cell(2, 3, "complete", 1.0, 0.5, 0.2, 0.0),
        Cell(2, 5, "complete", 1.0, 0.3, 0.35, 0.0),
        Cell(2, 2, "complete", 0.5, 0.5, 0.3, 0.0),
        Cell(2, 4, "complete", 0.0, 0.6, 0.2, 0.3),
        Cell(2, 4, "complete", 1.0, 0.4, 0.2, 0.3),
        Cell(2, 3, "lone day", 0.5, 0.5, 0.25, 0.0),
        Cell(2, 3, "lone day", 1.0, 0.3, 0.15, 0.0),
        Cell(2, 4, "lone day", 0.6, 0.4, 0.2, 0.3),
        Cell(3, 3, "complete", 0.6, 0.4, 0.2, 0.0),
        Cell(3, 4, "complete", 1.0, 0.6, 0.3, 0.0),
        Cell(3, 4, "complete", 0.6, 0.4, 0.2, 0.3),
        Cell(3, 4, "incomplete", 0.6, 0.4, 0.2, 0.0),
        Cell(3, 6, "incomplete", 1.0, 0.5, 0.3, 0.0),
        Cell(3, 6, "incomplete", 0.6, 0.4, 0.2, 0.3),
        Cell(3, 3, "lone day", 0.0, 0.6, 0.25, 0.0),
        Cell(4, 3, "complete", 0.6, 0.4, 0.25, 0.0),
        Cell(4, 4, "complete", 1.0, 0.4, 0.2, 0.3),
        Cell(4, 4, "incomplete", 0.8, 0.4, 0.3, 0.0),
    ]
    return planned + others


def simulate(cell: Cell, rng: np.random.Generator) -> np.ndarray:
    """Burned items of every bake of one study."""
    pit, session = cell.place
    sd = np.hypot(cell.sd_bake, cell.sd_session)
    logit = marginal_intercept(cell.rates, np.full(cell.pits, sd))[pit]
    logit = logit + rng.normal(0, cell.sd_bake, pit.size)
    logit = logit + rng.normal(0, cell.sd_session, cell.bakes + 1)[session]
    return rng.binomial(cell.items, expit(logit))


def judge(cell: Cell, found: stats.ModelRates) -> dict[str, float]:
    """What one analysis says of one study."""
    pairs, true = found.differences, cell.rates
    out = (pairs.simultaneous_low > 0) | (pairs.simultaneous_high < 0)
    gap = -cell.difference
    rates = found.rates
    return {
        "covered": float(pairs.low[0] <= gap <= pairs.high[0]),
        "rates_covered": float(((rates.low <= true) & (true <= rates.high)).mean()),
        "first_pair": float(out[0]),
        "any_pair": float(out.any()),
        "width": float(pairs.high[0] - pairs.low[0]),
        "ess": found.ess,
    }


def run(cell: Cell, seed: int) -> dict[str, object]:
    """Simulate and analyze the studies of one cell, with and without sessions."""
    rng = np.random.default_rng(seed)
    pit, session = cell.place
    total = np.full(pit.size, cell.items)
    bake = np.arange(pit.size)
    draws = 2048 if cell.pits == 2 else 4096
    with_sessions, without = [], []
    for _ in range(PLANNED_SETS if cell.planned else SETS):
        burned = simulate(cell, rng)
        for kept, days in ((with_sessions, session), (without, None)):
            found = stats.model_rates(
                burned, total, pit, bake, session=days, n_draws=draws
            )
            kept.append(judge(cell, found))
    result: dict[str, object] = {"cell": asdict(cell), "sets": len(without)}
    for name, rows in (("sessions", with_sessions), ("ignored", without)):
        keys = [key for key in rows[0] if key != "ess"]
        means = {key: round(float(np.mean([r[key] for r in rows])), 4) for key in keys}
        result[name] = means | {"least_ess": round(min(r["ess"] for r in rows))}
    return result


def summarize(cells: list[dict]) -> dict[str, object]:
    """Judge the cells by the rule."""
    planned = {c["cell"]["bakes"]: c for c in cells if c["cell"]["planned"]}
    alike = [c["sessions"]["any_pair"] for c in cells if not c["cell"]["difference"]]
    apart = [c for c in cells if c["cell"]["difference"]]
    covered = [c["sessions"]["covered"] for c in cells]
    loss = [c["ignored"]["first_pair"] - c["sessions"]["first_pair"] for c in apart]
    power = {k: c["sessions"]["first_pair"] for k, c in planned.items()}
    return {
        "power": power,
        "power_ignored": {k: c["ignored"]["first_pair"] for k, c in planned.items()},
        "false_alarms": {"mean": float(np.mean(alike)), "highest": max(alike)},
        "coverage": {"mean": float(np.mean(covered)), "lowest": min(covered)},
        "largest_loss": max(loss),
        "least_ess": min(c["sessions"]["least_ess"] for c in cells),
        "clauses": [
            all(power[k] >= bar for k, bar in POWER.items()),
            max(alike) <= 0.095 and float(np.mean(alike)) <= 0.07,
            min(covered) >= 0.905 and float(np.mean(covered)) >= 0.93,
            max(loss) <= 0.05,
        ],
    }


if __name__ == "__main__":
    run_numbered(KEPT, all_cells(), run, summarize, about=__doc__, seed=SEED)
