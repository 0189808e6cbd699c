"""How often cells are marked as contradicting their surface: falsely, and rightly.

From the top of the repository::

    python -m tests.calibration.surface_marks --sets 30 --out found.json

The kept result is ``surface_marks.json`` beside this file: 120 grates of each shape, so
that a share of one in ten is known to three in a hundred.

The rule for the level of the mark, written before the run: the largest of 0.1 and 0.05
at which no smooth truth (flat, linear, steep then flat; all bakes and SDs together) has
a marked cell in more than that share of its grates plus two standard errors. A sharp
hot spot and a lone cell are what the mark is for; their shares are reported.
"""

from __future__ import annotations

import argparse
import json
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import expit

from pitstats.stats.surface_check import cells_against_surface
from tests.calibration.surface import SHAPES, Grate, fit, simulate

SMOOTH = ("flat", "linear", "steep then flat")
LEVELS = (0.1, 0.05)
LONE = 9


def p_values(burned, place):
    """P-value of every cell from counts of one item per cell and bake."""
    found = fit(burned, place)
    total = np.full(burned.shape[1], len(burned))
    return cells_against_surface(found.here, burned.sum(axis=0), total)


def run_null(shape, n_sets, seed):
    """Smallest p-value of each simulated grate of one shape."""
    least = []
    for bakes, sd in product((3, 6), (0.5, 1.0)):
        grate = Grate(shape, bakes, 0.3, sd)
        for i in range(n_sets):
            rng = np.random.default_rng([seed, bakes, int(10 * sd), i])
            least.append(p_values(simulate(grate, rng), grate.place).min())
    shares = {str(level): float(np.mean(np.less(least, level))) for level in LEVELS}
    return {"shape": shape, "grates": len(least), "marked": shares}


def run_lone(bakes, n_sets, seed):
    """A cell at 0.13 among cells at 0.87, bake SD 0.5: is it marked, and others?"""
    grate = Grate("flat", bakes, 0.5, 0.5)
    logits = np.full(18, np.log(0.87 / 0.13))
    logits[LONE] *= -1
    lone, others = [], []
    for i in range(n_sets):
        rng = np.random.default_rng([seed, 77, bakes, i])
        burned = rng.binomial(1, expit(logits + rng.normal(0, 0.5, (bakes, 1))))
        p = p_values(burned, grate.place)
        lone.append(p[LONE])
        others.append(np.delete(p, LONE).min())
    return {
        "bakes": bakes,
        "grates": n_sets,
        "marked": {str(v): float(np.mean(np.less(lone, v))) for v in LEVELS},
        "others_marked": {str(v): float(np.mean(np.less(others, v))) for v in LEVELS},
    }


def choose(null):
    """Apply the rule of the head of this file."""
    for level in LEVELS:
        smooth = [row for row in null if row["shape"] in SMOOTH]
        if all(
            row["marked"][str(level)]
            <= level + 2 * np.sqrt(level * (1 - level) / row["grates"])
            for row in smooth
        ):
            return level
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=8)
    parser.add_argument("--seed", type=int, default=53)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    result = {"sets": options.sets, "seed": options.seed, "null": [], "lone": []}
    for shape in SHAPES:
        result["null"].append(run_null(shape, options.sets, options.seed))
        options.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    for bakes in (2, 3, 4, 6):
        result["lone"].append(run_lone(bakes, options.sets, options.seed))
    result["level"] = choose(result["null"])
    options.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
