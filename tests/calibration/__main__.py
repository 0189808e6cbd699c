"""Run the coverage grid and write what was found.

From the top of the repository::

    python -m tests.calibration --sets 400 --every 1 --jobs 2 --out found.json

``--every 4`` runs every fourth cell. The kept result is ``coverage.json`` beside this
file; the tests compare it with the figures that the method promises.
"""

import argparse
import json
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

from tests.calibration.simulate import DRAWS, full_grid, run_cell


def summarize(cells):
    """Lowest and mean coverage, widths and false alarms over all cells."""
    found = {
        name: {
            "lowest": min(cell["coverage"][name] for cell in cells),
            "mean": round(float(np.mean([c["coverage"][name] for c in cells])), 4),
            "mean_width": round(float(np.mean([c["width"][name] for c in cells])), 4),
        }
        for name in ("a", "b", "d")
    }
    null = [cell["rejected"] for cell in cells if not cell["different"]]
    alternative = [cell["rejected"] for cell in cells if cell["different"]]
    found["false_alarms"] = {
        "mean": round(float(np.mean(null)), 4),
        "highest": max(null),
    }
    found["power"] = {"mean": round(float(np.mean(alternative)), 4)}
    found["least_ess"] = min(cell["least_ess"] for cell in cells)
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=400)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    numbered = list(enumerate(full_grid()))[options.first :: options.every]
    cells = Parallel(n_jobs=options.jobs, verbose=5)(
        delayed(run_cell)(cell, options.sets, options.seed + 1000 * index)
        for index, cell in numbered
    )
    settings = {"sets": options.sets, "every": options.every, "first": options.first}
    settings |= {"seed": options.seed, "draws": DRAWS}
    result = {"settings": settings, "summary": summarize(cells), "cells": cells}
    options.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result["summary"], indent=1))


if __name__ == "__main__":
    main()
