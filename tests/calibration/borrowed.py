"""Coverage and power with a spread borrowed from earlier tests.

From the top of the repository::

    python -m tests.calibration.borrowed --out tests/calibration/borrowed.json

The rule, stated before the run: of the prior weights 0.5, 0.65 and 0.8 of the borrowed
part the largest is taken whose intervals cover the true difference in 93 % of tests or
more wherever the true spread is within a factor 1.5 of the earlier one; the loss at
twice the earlier spread is kept beside it. Cells that are done are not done again.
"""

import argparse
import json
import math
from pathlib import Path

import numpy as np

from pitstats.stats.borrowed_spread import REFUSED_BELOW, borrowed_rates
from pitstats.stats.stopping_trials import Trials

EARLIER, FACTOR, ITEMS = 0.6, 1.5, 16
WEIGHTS = (0.5, 0.65, 0.8)
CELLS = [
    (bakes, ratio, rates)
    for rates in ((0.2, 0.5), (0.2, 0.2))
    for bakes in (2, 3, 4)
    for ratio in (1 / 1.5, 1.0, 1.5, 2.0)
]


def run_cell(bakes, ratio, rates, sets):
    """Coverage, share told apart and share refused, by prior weight and without."""
    trials = Trials((bakes,), (ITEMS, ITEMS), rates, EARLIER * ratio)
    burned = trials.burned(11, 0, sets).reshape(sets, -1)
    pit = np.repeat([0, 1], bakes)
    truth = rates[0] - rates[1]
    covered = dict.fromkeys(("usual", *WEIGHTS), 0)
    told, refused = dict(covered), dict.fromkeys(WEIGHTS, 0)
    for row in burned:
        found = borrowed_rates(
            row, [ITEMS] * row.size, pit, EARLIER, FACTOR, weight=0.5
        )
        parts = [
            p.difference_cdf(0, 1, [truth, 0.0]) for p in (found.usual, found.borrowed)
        ]
        odds = found.weight / (1 - found.weight)
        for name in covered:
            share = 0.0
            if name != "usual":
                here = odds * name / (1 - name)
                share = here / (1 + here)
                refused[name] += share < REFUSED_BELOW
                share = 0.0 if share < REFUSED_BELOW else share
            at_truth, at_zero = (1 - share) * parts[0] + share * parts[1]
            covered[name] += 0.025 <= at_truth <= 0.975
            told[name] += not 0.025 <= at_zero <= 0.975
    shares = {
        what: {str(k): round(v / sets, 4) for k, v in counts.items()}
        for what, counts in (("covered", covered), ("told", told), ("refused", refused))
    }
    return {
        "bakes": bakes,
        "ratio": round(ratio, 3),
        "rates": rates,
        "sets": sets,
        **shares,
    }


def chosen_weight(cells):
    """Largest prior weight that keeps coverage within a factor 1.5, or None."""
    near = [c for c in cells if c["ratio"] <= 1.5]
    kept = [w for w in WEIGHTS if min(c["covered"][str(w)] for c in near) >= 0.93]
    return max(kept, default=None)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    done = json.loads(options.out.read_text())["cells"] if options.out.exists() else []
    for bakes, ratio, rates in CELLS[len(done) :]:
        done.append(run_cell(bakes, ratio, rates, options.sets))
        error = round(math.sqrt(0.05 * 0.95 / options.sets), 4)
        result = {
            "settings": {"earlier": EARLIER, "factor": FACTOR, "items": ITEMS},
            "error": error,
            "weight": chosen_weight(done),
            "cells": done,
        }
        lines = json.dumps(result, indent=1)
        options.out.write_text(lines + "\n", encoding="utf-8")
        print(done[-1], flush=True)


if __name__ == "__main__":
    main()
