"""Check values for rates whose pits each have a spread of their own, by brute force.

Plain numpy and the standard library, no code of the package. Run inside this folder::

    python make_own_spread.py

Another route than the package takes: it integrates over the logit of an average bake
instead of the long-run rate, over even steps of the normal scores of every pit's spread
and of the common level, over fires by an even sum, and reads ends off a histogram of
the rate. Model: a bake of pit ``p`` burns ``Binomial(n, expit(a_p + s_p u))``, ``u``
standard normal; the long-run rate ``E expit(a_p + s_p u)`` is Beta(1/2, 1/2); ``s_p``
has the stated margin, cut at 2.5, and the normal scores of the pits correlate by
``rho`` (Gaussian copula).
"""

import json
import math
from itertools import combinations
from pathlib import Path
from statistics import NormalDist

import numpy as np

LIMIT = 2.5
NORMAL = NormalDist()
SCORES = np.linspace(-5.0, 5.0, 201)  # of one pit's spread
LEVELS = np.linspace(-4.5, 4.5, 91)  # of what the pits have in common
FIRES = np.linspace(-6.0, 6.0, 161)
LOGITS = np.linspace(-34.0, 34.0, 1361)
EDGES = np.sin(np.linspace(0.0, math.pi / 2, 1201)) ** 2
EDGES[-1] = 1.0

CASES = [
    ("two and three bakes", [[2, 6], [9, 8, 11]], [[16, 16], [16, 16, 16]]),
    ("moody with few", [[1, 11], [4, 3, 5, 4, 3, 4]], [[18, 18], [18] * 6]),
    ("one bake against four", [[4], [2, 9, 1, 6]], [[20], [20] * 4]),
    ("none burned in one pit", [[0, 0, 0], [3, 9, 5]], [[14] * 3, [14] * 3]),
    (
        "four pits of unequal size",
        [[2, 5, 3], [9, 1, 8, 12], [6, 7], [0, 3, 1]],
        [[12, 16, 14], [16] * 4, [20, 20], [12, 12, 9]],
    ),
    ("one pit alone", [[3, 8, 2, 6]], [[15] * 4]),
    ("three bakes each", [[2, 5, 8], [4, 9, 11]], [[20] * 3, [20] * 3]),
]


def expit(x):
    """Logistic function without overflow."""
    return 0.5 * (1.0 + np.tanh(0.5 * x))


def spread_of(score, margin):
    """Spread whose share under the margin is that of the score under the normal."""
    share = NORMAL.cdf(score)
    if margin == "uniform(0, 2.5)":
        return LIMIT * share
    scale = float(margin[len("half-normal(") : -1])
    inside = 2 * NORMAL.cdf(LIMIT / scale) - 1
    upper = (1 - share) * inside + (1 - inside)  # kept apart: exact near both ends
    return -scale * NORMAL.inv_cdf(0.5 * upper)


def pit_given_score(burned, total, sds):
    """For each spread: evidence, and probability of each histogram cell of the rate."""
    density = np.exp(-0.5 * FIRES**2)
    density /= density.sum()
    evidence, cells = [], []
    for sd in sds:
        p = expit(LOGITS[:, None] + sd * FIRES)
        q = expit(-LOGITS[:, None] - sd * FIRES)
        rate, other = p @ density, q @ density
        value = ((p * q) @ density) / np.sqrt(rate * other)
        for y, n in zip(burned, total, strict=True):
            value = value * ((p**y * q ** (n - y)) @ density * math.comb(n, y))
        # Even steps of the logit, carried to the rate by interpolating the total.
        running = np.concatenate([[0.0], np.cumsum(0.5 * (value[1:] + value[:-1]))])
        evidence.append(running[-1])
        at_edges = np.interp(EDGES, rate, running, left=0.0, right=running[-1])
        cells.append(np.diff(at_edges) / running[-1])
    return np.array(evidence), np.array(cells)


def quantile(edges, mass, level):
    """Where a histogram reaches a level."""
    running = np.concatenate([[0.0], np.cumsum(mass)]) / mass.sum()
    return float(np.interp(level, running, edges))


def analyze(burned, total, rho, margin):
    """Rates, differences and spreads of all pits."""
    sds = np.array([spread_of(z, margin) for z in SCORES])
    middle = 0.5 * (EDGES[1:] + EDGES[:-1])
    base = np.exp(-0.5 * LEVELS**2)
    gap = SCORES - math.sqrt(rho) * LEVELS[:, None]
    given = np.exp(-0.5 * gap**2 / (1 - rho))
    given /= given.sum(axis=1, keepdims=True)
    pits = [pit_given_score(y, n, sds) for y, n in zip(burned, total, strict=True)]
    alone = [given @ evidence for evidence, _ in pits]  # by level
    joint = base * np.prod(alone, axis=0)
    joint /= joint.sum()
    by_level = [
        (given * evidence) @ cells / own[:, None]
        for (evidence, cells), own in zip(pits, alone, strict=True)
    ]
    rates, spreads = [], []
    for (evidence, _), own, cells in zip(pits, alone, by_level, strict=True):
        mass = joint @ cells
        ends = [quantile(EDGES, mass, level) for level in (0.025, 0.975)]
        rates.append([float(mass @ middle), *ends])
        score_mass = (joint / own) @ given * evidence
        middles = [spread_of(z, margin) for z in 0.5 * (SCORES[1:] + SCORES[:-1])]
        borders = np.array([0.0, *middles, LIMIT])  # one cell around every score
        ends = [quantile(borders, score_mass, level) for level in (0.025, 0.975)]
        spreads.append([float(score_mass @ sds / score_mass.sum()), *ends])
    differences = []
    steps = np.linspace(-1, 1, 4001)
    for a, b in combinations(range(len(burned)), 2):
        table = (by_level[a] * joint[:, None]).T @ by_level[b]
        # P(rate a - rate b <= d): rows of b's running totals at rate a - d.
        running = np.concatenate(
            [np.zeros((middle.size, 1)), np.cumsum(table, axis=1)], axis=1
        )
        below = np.array(
            [sum_at(running, np.clip(middle - d, 0.0, 1.0)) for d in steps]
        )
        cdf = 1.0 - below / running[:, -1].sum()
        low, high = (float(np.interp(x, cdf, steps)) for x in (0.025, 0.975))
        differences.append([a, b, rates[a][0] - rates[b][0], low, high])
    return {"rates": rates, "differences": differences, "spreads": spreads}


def sum_at(running, at):
    """Sum of rows of running totals, each read at its own place on the edges."""
    cell = np.clip(np.searchsorted(EDGES, at, side="right") - 1, 0, EDGES.size - 2)
    share = (at - EDGES[cell]) / (EDGES[cell + 1] - EDGES[cell])
    rows = np.arange(running.shape[0])
    low, high = running[rows, cell], running[rows, cell + 1]
    return float((low + share * (high - low)).sum())


def main():
    """Write the check values beside this file."""
    priors = [(0.5, "half-normal(1.5)"), (2 / 3, "half-normal(2)")]
    found = [
        {
            "id": name,
            "rho": rho,
            "margin": margin,
            "burned": burned,
            "total": total,
            **analyze(burned, total, rho, margin),
        }
        for name, burned, total in CASES
        for rho, margin in priors
    ]
    text = {
        "made_by": "make_own_spread.py: 1,361 logits x 201 scores x 161 fires, numpy; "
        "no code of the package. Do not edit.",
        "columns": "rates and spreads: mean, 2.5 %, 97.5 %; differences: a, b, mean, "
        "2.5 %, 97.5 % of rate a - rate b. Plain quantiles. Good to about 0.0005.",
        "cases": found,
    }
    Path("own_spread.json").write_text(json.dumps(text, indent=1) + "\n")


if __name__ == "__main__":
    main()
