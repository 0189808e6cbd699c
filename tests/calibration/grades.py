"""Run simulated bake tests with known shares of all grades and write how they did.

From the top of the repository::

    python -m tests.calibration.grades --sets 100 --first 0 --every 4 --out piece.json
    python -m tests.calibration.grades --small 6000 --out small.json
    python -m tests.calibration.grades --widths 100 --out widths.json
    python -m tests.calibration.grades --merge piece*.json small*.json widths.json

A piece is a share of the cells with a seed of its own; ``--merge`` adds pieces up and
writes ``grades.json`` beside this file, which the tests hold to the rule below.
``--small`` asks for finite answers from random small studies, down to one bake of few
items and three grades, many of them empty. ``--widths`` sets the intervals beside the
exact answer of every outcome by itself, in the same simulated sets.

Rule, written down before the run. In each of 40 cells and for each of the outcomes
"under-baked", "good" and "burned" the 95 % interval is to cover the true difference of
two pits in at least 93 % of the sets, averaged over the pairs of the cell, and a pit's
own true share in at least 91 %, averaged over its pits. A cell passes unless it falls
short by more than twice its chance error. Where equal pits were simulated, the share of
pairs called different is to be 7 % or less, by the same allowance. What falls short is
listed under ``short`` and stays there.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict, dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit

from pitstats import stats
from pitstats.stats.weighted_draws import summarize_draws

KEPT = Path(__file__).parent / "grades.json"
OUTCOMES = ("under-baked", "good", "burned")
LEAST = {"difference": 0.93, "share": 0.91}
MOST_FALSE_ALARMS = 0.07
DRAWS = 4096
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_DISTANCE = (np.arange(8) + 0.5) / 8 - 0.5


@dataclass(frozen=True)
class Cell:
    """One kind of bake test.

    Attributes
    ----------
    pits, bakes, items : int
        Size: bakes of each pit, items of each bake (a multiple of 8 places).
    rates : tuple of float
        Long-run share burned in the first and in the last pit; even steps between.
    slopes : tuple of float
        Slope along the grate (logit from wall to wall) of odd and even pits.
    sds : tuple of float
        SD between bakes of odd and even pits.
    scales : tuple of float
        Factor of the gaps of odd and even pits.
    cuts : tuple of float
        Places of the cuts, palest first; the last one, "burned", is at 0.
    light, dark : int
        Grades below ``light`` are under-baked, grades from ``dark`` on burned.
    """

    pits: int
    bakes: int
    items: int
    rates: tuple[float, float]
    slopes: tuple[float, float]
    sds: tuple[float, float]
    scales: tuple[float, float]
    cuts: tuple[float, ...]
    light: int
    dark: int

    def of_pit(self, p):
        """Slope, SD and cuts of a pit."""
        k = p % 2
        return self.slopes[k], self.sds[k], np.array(self.cuts) * self.scales[k]

    def levels(self):
        """Logit of "burned" in mid-grate and a middling bake, for each pit."""
        found = []
        for p, rate in enumerate(np.linspace(*self.rates, self.pits)):
            slope, sd, _ = self.of_pit(p)
            found.append(
                brentq(
                    lambda a, s=slope, d=sd, r=rate: long_run(a, s, d, 0.0) - r, -30, 30
                )
            )
        return found

    def truth(self):
        """True long-run shares, shape (pits, outcomes)."""
        rows = []
        for p, level in enumerate(self.levels()):
            slope, sd, cuts = self.of_pit(p)
            dark = [long_run(level, slope, sd, cut) for cut in cuts]
            light = dark[self.light - 1]
            burned = dark[self.dark - 1]
            rows.append((1 - light, light - burned, burned))
        return np.array(rows)


def long_run(level, slope, sd, cut):
    """Share beyond a cut, averaged over places and bakes."""
    eta = level - cut + slope * _DISTANCE[:, None] + sd * _NODES
    return float((expit(eta) @ _WEIGHTS).mean())


FIVE, THREE = (-4.2, -2.6, -1.2, 0.0), (-2.5, 0.0)
EMPTY = (-4.2, -2.6, -2.59, 0.0)
SIZES = [(2, 2), (2, 3), (2, 4), (2, 5), (3, 2), (3, 3), (3, 5), (4, 2), (4, 3), (4, 4)]


def full_grid():
    """Ten sizes in four kinds: plain, slopes that differ, three grades, empty grade."""
    found = []
    for pits, bakes in SIZES:
        size = (pits, bakes, 16)
        found += [
            Cell(*size, (0.2, 0.2), (0, 0), (0.6, 0.6), (1, 1), FIVE, 2, 4),
            Cell(*size, (0.2, 0.5), (0, -4), (0.6, 0.6), (1, 1), FIVE, 2, 4),
            Cell(*size, (0.35, 0.35), (-2, -2), (1.0, 1.0), (1, 1), THREE, 1, 2),
            Cell(*size, (0.1, 0.3), (0, -1), (0.3, 0.9), (0.75, 1.3), EMPTY, 2, 4),
        ]
    return found


def simulate(cell, rng):
    """Counts of all bakes by grade, and the pit of each."""
    levels = cell.levels()
    pit = np.repeat(np.arange(cell.pits), cell.bakes)
    counts = []
    for p in pit:
        slope, sd, cuts = cell.of_pit(p)
        place = np.resize(_DISTANCE, cell.items)
        score = levels[p] + rng.normal(0, sd) + slope * place
        grade = np.searchsorted(cuts, score + rng.logistic(size=cell.items))
        counts.append(np.bincount(grade, minlength=len(cuts) + 1))
    return np.array(counts), pit


def shares_of(found, cell):
    """Draws of the shares, shape (outcomes, pits, draws)."""
    light = found.draws.at_least[:, cell.light]
    burned = found.draws.at_least[:, cell.dark]
    return np.array([1 - light, light - burned, burned])


def run_cell(cell, sets, seed):
    """Hits, widths and calls of one cell."""
    truth, rng = cell.truth(), np.random.default_rng(seed)
    pairs = list(combinations(range(cell.pits), 2))
    tally = {
        name: {"difference": [], "share": [], "width": [], "called": []}
        for name in OUTCOMES
    }
    ess, retried, start = [], 0, time.process_time()
    for _ in range(sets):
        counts, pit = simulate(cell, rng)
        found = stats.grade_rates(counts, pit, burned_from=cell.dark, n_draws=DRAWS)
        ess.append(found.ess)
        retried += found.retried
        for j, draws in enumerate(shares_of(found, cell)):
            own = tally[OUTCOMES[j]]
            for p, row in enumerate(draws):
                _, low, high = summarize_draws(row, found.draws.weights, 0.95)
                own["share"].append(low <= truth[p, j] <= high)
            for a, b in pairs:
                _, low, high = summarize_draws(
                    draws[a] - draws[b], found.draws.weights, 0.95
                )
                own["difference"].append(low <= truth[a, j] - truth[b, j] <= high)
                own["width"].append(high - low)
                own["called"].append(low > 0 or high < 0)
    return {
        "cell": asdict(cell),
        "sets": sets,
        "least_ess": round(min(ess), 1),
        "retried": retried,
        "seconds": round(time.process_time() - start, 2),
        "hits": {
            name: {key: float(np.sum(values)) for key, values in own.items()}
            for name, own in tally.items()
        },
    }


def summarize(results):
    """Coverage by cell and outcome, and what falls short of the rule."""
    table, short = [], []
    for result in results:
        cell, sets = result["cell"], result["sets"]
        n_pairs = cell["pits"] * (cell["pits"] - 1) // 2
        of = {"difference": n_pairs, "share": cell["pits"], "width": n_pairs}
        equal = (
            cell["rates"][0] == cell["rates"][1]
            and len(
                {
                    cell["slopes"][0] - cell["slopes"][1],
                    cell["sds"][0] - cell["sds"][1],
                    0,
                }
            )
            == 1
        )
        for name, own in result["hits"].items():
            row = {"outcome": name, "sets": sets, "equal": equal, "cell": cell}
            row |= {key: round(own[key] / (sets * n), 4) for key, n in of.items()}
            row["called"] = round(own["called"] / (sets * n_pairs), 4)
            table.append(row)
            for key, least in LEAST.items():
                error = (least * (1 - least) / sets) ** 0.5
                if row[key] < least - 2 * error:
                    short.append({"what": key, "value": row[key], **row})
            error = (MOST_FALSE_ALARMS * (1 - MOST_FALSE_ALARMS) / sets) ** 0.5
            if equal and row["called"] > MOST_FALSE_ALARMS + 2 * error:
                short.append({"what": "called", "value": row["called"], **row})
    overall = {
        name: {
            key: {
                "lowest": min(row[key] for row in table if row["outcome"] == name),
                "mean": round(
                    float(np.mean([r[key] for r in table if r["outcome"] == name])), 4
                ),
            }
            for key in ("difference", "share")
        }
        for name in OUTCOMES
    }
    alarms = [row["called"] for row in table if row["equal"]]
    return {
        "sets": sorted({result["sets"] for result in results}),
        "draws": DRAWS,
        "coverage": overall,
        "highest_false_alarms": max(alarms),
        "least_ess": min(result["least_ess"] for result in results),
        "retried": sum(result["retried"] for result in results),
        "short": short,
        "table": table,
    }


def merge(pieces):
    """Add pieces up, cell by cell."""
    found = {}
    for piece in pieces:
        for result in piece:
            key = json.dumps(result["cell"])
            if key not in found:
                found[key] = result
                continue
            kept = found[key]
            for name in ("sets", "retried", "seconds"):
                kept[name] += result[name]
            kept["least_ess"] = min(kept["least_ess"], result["least_ess"])
            for name, own in kept["hits"].items():
                for item in own:
                    own[item] += result["hits"][name][item]
    order = [json.dumps(asdict(cell)) for cell in full_grid()]
    return [found[key] for key in order if key in found]


# ---- beside the exact answers --------------------------------------------------------


def width_cells():
    """Few under-baked: two, three and five bakes, and slopes that differ."""
    plain = dict(light=1, dark=4, cuts=FIVE, scales=(1, 1), sds=(0.6, 0.6))
    return [
        Cell(2, 2, 16, (0.2, 0.5), (0, 0), **plain),
        Cell(2, 3, 16, (0.2, 0.5), (0, 0), **plain),
        Cell(2, 5, 16, (0.2, 0.5), (0, -4), **plain),
        Cell(2, 3, 16, (0.35, 0.35), (0, -4), **plain),
    ]


def run_widths(cell, sets, seed):
    """Mean width, coverage and calls of the difference: all grades, and alone."""
    truth, rng = cell.truth(), np.random.default_rng(seed)
    goal = truth[0] - truth[1]
    found = {name: {"all grades": [], "alone": []} for name in OUTCOMES}
    for _ in range(sets):
        counts, pit = simulate(cell, rng)
        total = counts.sum(axis=1)
        drawn = stats.grade_rates(counts, pit, burned_from=cell.dark, n_draws=DRAWS)
        light, burned = counts[:, : cell.light], counts[:, cell.dark :]
        alone = (light.sum(axis=1), total - light.sum(axis=1) - burned.sum(axis=1))
        for j, (y, draws) in enumerate(
            zip((*alone, burned.sum(axis=1)), shares_of(drawn, cell), strict=True)
        ):
            _, *ends = summarize_draws(draws[0] - draws[1], drawn.draws.weights, 0.95)
            exact = stats.bake_rates(y, total, pit).differences
            for key, (low, high) in (
                ("all grades", ends),
                ("alone", (exact.low[0], exact.high[0])),
            ):
                row = (high - low, low <= goal[j] <= high, low > 0 or high < 0)
                found[OUTCOMES[j]][key].append(row)
    return {
        "cell": asdict(cell),
        "sets": sets,
        "outcomes": {
            name: {
                key: dict(
                    zip(
                        ("width", "coverage", "called"),
                        np.mean(rows, axis=0).round(4).tolist(),
                        strict=True,
                    )
                )
                for key, rows in own.items()
            }
            for name, own in found.items()
        },
    }


# ---- small studies -------------------------------------------------------------------


def small_study(rng):
    """Counts of a study with few bakes, few items and often empty grades."""
    pits, grades = int(rng.integers(1, 4)), int(rng.integers(2, 6))
    bakes = rng.integers(1, 4, pits)
    pit = np.repeat(np.arange(pits), bakes)
    mix = rng.dirichlet(np.full(grades, 0.3), size=len(pit))
    counts = [rng.multinomial(int(rng.integers(1, 13)), row) for row in mix]
    session = None
    if rng.random() < 0.2:
        session = rng.integers(0, 3, len(pit))
    cut = int(rng.integers(1, grades))
    return np.array(counts), pit, session, cut


def check_small(rng, n_draws=256):
    """Whether every number of one small study is finite, in order and in range."""
    counts, pit, session, cut = small_study(rng)
    found = stats.grade_rates(
        counts, pit, session=session, burned_from=cut, n_draws=n_draws
    )
    shares = found.shares
    whole = np.concatenate([np.ravel(part) for part in (*shares, *found.at_least)])
    pairs = [np.ravel(part) for part in found.differences[2:]]
    everything = np.concatenate([whole, *pairs, *found.scale, [found.ess]])
    return bool(
        np.isfinite(everything).all()
        and (whole >= -1e-12).all()
        and (whole <= 1 + 1e-12).all()
        and (shares.low <= shares.high).all()
        and np.allclose(shares.estimate.sum(axis=1), 1)
    )


def run_small(studies, seed):
    """How many small studies were asked, and the seeds of those that failed."""
    failed = [
        [seed, i]
        for i in range(studies)
        if not check_small(np.random.default_rng([seed, i]))
    ]
    return {"studies": studies, "seed": seed, "failed": failed}


def keep(parts):
    """Write the kept result from pieces of the grid, small studies and widths."""
    summary = summarize(merge([part for part in parts if isinstance(part, list)]))
    small = [part for part in parts if "studies" in part]
    summary["small"] = {
        "studies": sum(part["studies"] for part in small),
        "failed": [case for part in small for case in part["failed"]],
    }
    summary["widths"] = [
        row for part in parts if "widths" in part for row in part["widths"]
    ]
    KEPT.write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({k: v for k, v in summary.items() if k != "table"}, indent=1))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--seed", type=int, default=71)
    parser.add_argument("--small", type=int)
    parser.add_argument("--widths", type=int)
    parser.add_argument("--merge", type=Path, nargs="+")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    if options.merge:
        keep([json.loads(p.read_text(encoding="utf-8")) for p in options.merge])
        return
    if options.out is None:
        parser.error("say where to write with --out")
    if options.small:
        found = run_small(options.small, options.seed)
        options.out.write_text(json.dumps(found) + "\n", encoding="utf-8")
        print(found["studies"], "studies,", len(found["failed"]), "failed")
        return
    if options.widths:
        rows = [
            run_widths(cell, options.widths, [options.seed, index])
            for index, cell in enumerate(width_cells())
        ]
        options.out.write_text(json.dumps({"widths": rows}) + "\n", encoding="utf-8")
        return
    results = []
    for index, cell in list(enumerate(full_grid()))[options.first :: options.every]:
        results.append(run_cell(cell, options.sets, [options.seed, index]))
        options.out.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
        print(index, results[-1]["seconds"], "s", flush=True)


if __name__ == "__main__":
    main()
