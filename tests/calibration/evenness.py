"""Choose the model of the thirds: bakes with a tilt, parts that fit their whole.

From the top of the repository::

    python -m tests.calibration.evenness              # all cells, continues
    python -m tests.calibration.evenness --cells 0:8  # some of them
    python -m tests.calibration.evenness --summary    # judge by the rule

Results are kept in ``evenness.json`` beside this file, the losers too.

The rule, written before the first run
--------------------------------------
Candidates: thirds as rates by themselves without a tilt ("before"), the same with a
tilt that varies from bake to bake ("tilt"), and with a tilt and the thirds as parts of
a whole that has the prior of a rate ("tilt, whole"). The cells hold two pits with
slopes 0, -1.5, -3 and -5 on the logit scale, curves (steep then flat, hot middle), 1 to
5 bakes, rates 0.02 to 0.4, bake SDs to 1, unlike ones among them, and tilts with an SD
of 0, 1 and 2 between bakes.

1. A candidate qualifies if, averaged over all cells, near minus far and its difference
   between pits cover at least 94 %, and in every cell at least 92 % (90 % allowing two
   standard errors of 120 studies); false "differs" between equal pits at most 8 % on
   average.
2. Of those that qualify, one in which a pit's thirds and its whole agree is taken (in
   the cell with a rate of 0.02 the mean of the thirds is, on average, within 0.01 of
   the estimate of the whole); if none qualifies that does, the thirds are shown as
   counts and the fall is the only estimate.
3. Among several, the narrowest.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

from pitstats import stats
from tests.calibration.kept_cells import run_numbered

KEPT = Path(__file__).parent / "evenness.json"
SETS, SEED, DRAWS = 120, 47, 2048
CANDIDATES = {
    "before": {"tilt": False, "given_whole": False},
    "tilt": {"tilt": True, "given_whole": False},
    "tilt, whole": {"tilt": True, "given_whole": True},
}
COLUMNS = (np.arange(6) + 0.5) / 6
THIRD = np.repeat([0, 1, 2], 2)
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


@dataclass(frozen=True)
class Cell:
    """One kind of study: shape along the grate of each pit, and how bakes differ."""

    shapes: tuple[str, str]
    bakes: int
    rate: float
    sd: tuple[float, float]
    tilt_sd: float
    rows: int = 3


def curve(shape: str) -> np.ndarray:
    """Logit along the six columns, without its level."""
    away = COLUMNS - 0.5
    if shape == "steep then flat":
        return -9 * np.minimum(COLUMNS, 1 / 3)
    if shape == "hot middle":
        return -8 * away**2
    return float(shape) * away


def all_cells() -> list[Cell]:
    """Cells of the rule."""
    made = []
    for tilt in (0.0, 1.0, 2.0):
        made += [
            Cell(("-1.5", "-1.5"), 2, 0.3, (0.5, 0.5), tilt),
            Cell(("-1.5", "-1.5"), 3, 0.3, (0.5, 0.5), tilt),
            Cell(("-3", "0"), 3, 0.2, (0.6, 0.6), tilt),
            Cell(("-5", "-3"), 3, 0.25, (0.4, 0.4), tilt),
            Cell(("-1.5", "-1.5"), 5, 0.25, (1.0, 1.0), tilt),
            Cell(("-3", "-3"), 4, 0.15, (1.0, 0.3), tilt),
        ]
    return [
        *made,
        Cell(("-5", "0"), 2, 0.3, (0.0, 0.0), 0.0),
        Cell(("-3", "-3"), 1, 0.3, (0.5, 0.5), 0.0),
        Cell(("0", "0"), 3, 0.02, (0.3, 0.3), 0.0),
        Cell(("steep then flat", "0"), 3, 0.2, (0.5, 0.5), 0.0),
        Cell(("hot middle", "-3"), 3, 0.25, (0.5, 0.5), 1.0),
        Cell(("-5", "-5"), 3, 0.4, (0.5, 0.5), 2.0),
    ]


def true_thirds(cell: Cell, pit: int) -> tuple[np.ndarray, np.ndarray]:
    """Logit along the columns, and the long-run rates of the thirds."""
    shape = curve(cell.shapes[pit])
    sd = np.hypot(cell.sd[pit], cell.tilt_sd * (COLUMNS - 0.5))

    def rates(level: float) -> np.ndarray:
        return expit((level + shape)[:, None] + sd[:, None] * NODES) @ WEIGHTS

    level = float(brentq(lambda at: rates(at).mean() - cell.rate, -25, 25))
    return level + shape, rates(level).reshape(3, 2).mean(axis=1)


def run(cell: Cell, seed: int) -> dict[str, object]:
    """Simulate the studies of one cell and analyze them by every candidate."""
    rng = np.random.default_rng(seed)
    pit = np.repeat([0, 1], cell.bakes)
    logit, truth = zip(*(true_thirds(cell, p) for p in (0, 1)), strict=True)
    thirds = np.array(truth)
    fall = thirds[:, 0] - thirds[:, 2]
    bake = np.repeat(np.arange(pit.size), 3)
    part = np.tile([0, 1, 2], pit.size)
    total = np.full(part.size, 2 * cell.rows)
    rows: dict[str, list[list[float]]] = {name: [] for name in CANDIDATES}
    for _ in range(SETS):
        u = rng.normal(0, np.array(cell.sd)[pit])
        v = rng.normal(0, cell.tilt_sd, pit.size)
        eta = np.array(logit)[pit] + u[:, None] + v[:, None] * (COLUMNS - 0.5)
        columns = rng.binomial(cell.rows, expit(eta))
        burned = columns.reshape(pit.size, 3, 2).sum(axis=2).ravel()
        whole = stats.model_rates(
            burned.reshape(-1, 3).sum(axis=1),
            np.full(pit.size, 6 * cell.rows),
            pit,
            np.arange(pit.size),
            n_draws=512,
        ).rates.estimate
        for name, options in CANDIDATES.items():
            found = stats.part_rates(
                burned, total, pit[bake], bake, part, n_draws=DRAWS, **options
            )
            rows[name].append(judge(found, thirds, fall, whole))
    names = ["fall", "between", "thirds", "whole", "alarm", "width", "gap", "ess"]
    result: dict[str, object] = {"cell": asdict(cell), "sets": SETS}
    for name, values in rows.items():
        means = np.mean(values, axis=0)
        result[name] = dict(zip(names, means.round(4).tolist(), strict=True))
        result[name]["least_ess"] = round(float(np.min(values, axis=0)[-1]))
    return result


def judge(
    found: stats.PartRates, thirds: np.ndarray, fall: np.ndarray, whole: np.ndarray
) -> list[float]:
    """What one analysis says of one study."""
    own, pairs, parts = found.near_minus_far, found.differences, found.parts
    gap = fall[0] - fall[1]
    mean = found.rates.mean(axis=1)
    ends = [stats.summarize_draws(row, found.weights, 0.95) for row in mean]
    true = thirds.mean(axis=1)
    covered = [low <= t <= high for (_, low, high), t in zip(ends, true, strict=True)]
    return [
        float(((own.low <= fall) & (fall <= own.high)).mean()),
        float(pairs.low[0] <= gap <= pairs.high[0]),
        float(((parts.low <= thirds) & (thirds <= parts.high)).mean()),
        float(np.mean(covered)),
        float(abs(gap) < 1e-9 and (pairs.low[0] > 0 or pairs.high[0] < 0)),
        float((own.high - own.low).mean()),
        float(np.abs(parts.estimate.mean(axis=1) - whole).mean()),
        found.ess,
    ]


def summarize(cells: list[dict]) -> dict[str, object]:
    """Judge the candidates by the rule."""
    rare = next(c for c in cells if c["cell"]["rate"] == 0.02)
    found = {}
    for name in CANDIDATES:
        cover = {
            key: [c[name][key] for c in cells]
            for key in ("fall", "between", "thirds", "whole")
        }
        equal = [c[name]["alarm"] for c in cells if len(set(c["cell"]["shapes"])) == 1]
        found[name] = {
            key: {"lowest": min(v), "mean": float(np.mean(v))}
            for key, v in cover.items()
        } | {
            "false_alarms": {"mean": float(np.mean(equal)), "highest": max(equal)},
            "width": float(np.mean([c[name]["width"] for c in cells])),
            "gap_where_rare": rare[name]["gap"],
            "qualifies": all(
                min(cover[key]) >= 0.90 and float(np.mean(cover[key])) >= 0.94
                for key in ("fall", "between")
            )
            and float(np.mean(equal)) <= 0.08,
            "coherent": rare[name]["gap"] <= 0.01,
        }
    return found


if __name__ == "__main__":
    run_numbered(KEPT, all_cells(), run, summarize, about=__doc__, seed=SEED)
