"""Mean temperatures of pits whose bakes scatter unequally: which interval holds?

From the top of the repository::

    python -m tests.calibration.heat methods --out methods.json
    python -m tests.calibration.heat calls --sets 600 --seed 18 --out calls.json
    python -m tests.calibration.heat faces --sets 2000 --out faces.json

``methods`` compares ways to make an interval for a difference of two or more means
from one value a bake. ``calls`` counts false alarms of `compare_rise`, from items, and
how often its door side contrasts hold (door tilts change from bake to bake, in one pit
more than in the other), beside the same contrasts with the spread pooled over pits.
``faces`` does the latter for paired shares of two faces. The kept results of all three
are ``heat.json`` beside this file; ``calls`` takes minutes: it was kept with 600 sets
a cell and the seed 18, after 40 and 150 with the seed 17 had been too few to put the
rule for contrasts to the test (errors 0.034 and 0.018 at 95 %).

The rule by which a method is chosen, written before the first run:

1. Two pits. In every cell of the grid below false alarms (verdict "differs" for equal
   pits) are at most 7 % and the interval shown, whether or not a verdict is given,
   covers at least 93 %.
2. Of the methods that pass, the one that says "differs" most often, averaged over the
   cells in which both pits scatter alike and differ by four of their SDs.
3. More than two pits. Of the ways to allow for all pairs the same rule, with the share
   of studies in which any pair is called different, and the coverage of all pairs
   together.

Methods for two pits (v: estimated variance of a pit's mean, k: its bakes):

- ``pooled``: Student's t with the variance pooled over the pits; what was done before.
- ``welch``: Welch's t with Satterthwaite's degrees of freedom.
- ``welch, withheld``: the same, no verdict where the noisier pit has two bakes.
- ``least``: Welch's error on the smaller k less one degrees of freedom where a pit has
  two bakes, else ``welch``; no verdict where the noisier pit has two bakes.
- ``cochran``: Cochran and Cox's mean of both pits' t quantiles, weighted by v, where a
  pit has two bakes, else ``welch``; the same verdicts withheld.
- ``banerjee``: half width ``sqrt(t_a^2 v_a + t_b^2 v_b)`` where a pit has two bakes,
  else ``welch``; the same verdicts withheld.
- ``never two``: ``welch``, no verdict where any pit has two bakes.

Contrasts within bakes (``calls`` and ``faces``): ``own`` (Student's t over the pit's
own bakes) and ``pooled`` (spread pooled over pits, done before). Rule: the narrower of
those that cover at least 93 % for each pit in every cell; where none does, the one with
the higher least coverage.

For more pits: ``range`` (studentized range, Games and Howell) and ``sidak`` (each pair
at the level 1 - (1 - alpha) ** (1 / pairs), Tamhane's T2), both upon the method chosen
for two pits.

References: Satterthwaite (1946), Biometrics Bulletin 2:110; Welch (1947), Biometrika
34:28; Banerjee (1960), Sankhya 22:351; Cochran (1964), Biometrics 20:191; Games &
Howell (1976), Journal of Educational Statistics 1:113; Tamhane (1979), JASA 74:471.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from functools import cache
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats as sps
from scipy.special import expit, stdtrit

import pitstats as ps
from pitstats import stats

KEPT = Path(__file__).parent / "heat.json"
BAKES = ((2, 2), (2, 3), (2, 4), (2, 6), (2, 8), (3, 3), (3, 4), (3, 8), (4, 4), (5, 5))
RATIOS = (1 / 6, 1 / 3, 1.0, 3.0, 6.0)
SEVERAL = ((3, 3, 3), (5, 5, 5), (2, 4, 4), (3, 3, 3, 3), (3, 3, 6, 6), (5, 5, 5, 5))
LEVEL = 0.95


def t_value(df, alpha):
    """Two-sided quantile of Student's t."""
    return stdtrit(df, 1 - alpha / 2)


def reaches(name, v, k, alpha):
    """Half widths of one pair for all sets; ``v`` (sets, 2), ``k`` two numbers."""
    error = np.sqrt(v.sum(axis=1))
    df = v.sum(axis=1) ** 2 / (v**2 / (k - 1)).sum(axis=1)
    if name == "pooled":
        s2 = (v * k * (k - 1)).sum(axis=1) / (k - 1).sum()
        return np.sqrt(s2 * (1 / k).sum()) * t_value((k - 1).sum(), alpha)
    if name.startswith("welch") or name == "never two" or k.min() > 2:
        return error * t_value(df, alpha)
    each = t_value(k - 1, alpha)
    if name == "least":
        return error * each.max()
    if name == "cochran":
        return (v * each).sum(axis=1) / error
    return np.sqrt((v * each**2).sum(axis=1))


def withheld(name, v, k):
    """Pairs without a verdict."""
    if name in ("pooled", "welch"):
        return np.zeros(len(v), dtype=bool)
    if name == "never two":
        return np.full(len(v), k.min() < 3)
    spread = v * k
    noisier = k[spread.argmax(axis=1)]
    return noisier < 3


METHODS = (
    "pooled",
    "welch",
    "welch, withheld",
    "least",
    "cochran",
    "banerjee",
    "never two",
)


def draw(bakes, sds, n_sets, rng):
    """Means and their estimated variances, shapes (sets, pits)."""
    values = [rng.normal(0, sd, (n_sets, k)) for k, sd in zip(bakes, sds, strict=True)]
    mean = np.column_stack([x.mean(axis=1) for x in values])
    variance = np.column_stack([x.var(axis=1, ddof=1) / x.shape[1] for x in values])
    return mean, variance


def run_two(n_sets, seed):
    """Every method on every pair of bakes and ratio of SDs."""
    rows = []
    for number, (bakes, ratio) in enumerate(product(BAKES, RATIOS)):
        rng = np.random.default_rng([seed, number])
        k = np.array(bakes)
        mean, v = draw(bakes, (ratio, 1.0), n_sets, rng)
        gap = mean[:, 0] - mean[:, 1]
        for name in METHODS:
            half, quiet = reaches(name, v, k, 1 - LEVEL), withheld(name, v, k)
            row = {
                "bakes": bakes,
                "ratio": round(ratio, 3),
                "method": name,
                "false_alarms": ((np.abs(gap) > half) & ~quiet).mean(),
                "coverage": (np.abs(gap) <= half).mean(),
                "power": ((np.abs(gap + 4) > half) & ~quiet).mean(),
                "median_width": np.median(2 * half),
            }
            rows.append({n: _plain(x) for n, x in row.items()})
    return rows


def run_several(base, n_sets, seed):
    """Ways to allow for all pairs, upon a method for two pits."""
    rows = []
    for number, (bakes, ratio) in enumerate(product(SEVERAL, RATIOS)):
        rng = np.random.default_rng([seed, 1000 + number])
        k, n = np.array(bakes), len(bakes)
        sds = (ratio, *[1.0] * (n - 1))
        mean, v = draw(bakes, sds, n_sets, rng)
        pairs = list(combinations(range(n), 2))
        for name in ("range", "sidak"):
            alarm, held = np.zeros(n_sets, bool), np.ones(n_sets, bool)
            power = np.zeros(n_sets)
            for a, b in pairs:
                own, few = v[:, [a, b]], k[[a, b]]
                gap = mean[:, a] - mean[:, b]
                if name == "sidak":
                    half = reaches(base, own, few, 1 - LEVEL ** (1 / len(pairs)))
                else:
                    half = _range_reaches(base, own, few, n)
                quiet = withheld(base, own, few)
                alarm |= (np.abs(gap) > half) & ~quiet
                held &= np.abs(gap) <= half
                power += ((np.abs(gap + 4) > half) & ~quiet) / len(pairs)
            row = {
                "bakes": bakes,
                "ratio": round(ratio, 3),
                "method": name,
                "false_alarms": alarm.mean(),
                "coverage": held.mean(),
                "power": power.mean(),
            }
            rows.append({key: _plain(x) for key, x in row.items()})
    return rows


def _range_reaches(base, v, k, n_pits):
    """The studentized range in place of t; by a table over degrees of freedom."""
    error = np.sqrt(v.sum(axis=1))
    df = v.sum(axis=1) ** 2 / (v**2 / (k - 1)).sum(axis=1)
    at, table = _range_table(n_pits)
    if base.startswith("welch") or base == "never two" or k.min() > 2:
        return error * np.interp(df, at, table)
    each = np.interp(k - 1, at, table)
    if base == "least":
        return error * each.max()
    if base == "cochran":
        return (v * each).sum(axis=1) / error
    return np.sqrt((v * each**2).sum(axis=1))


@cache
def _range_table(n_pits):
    at = np.concatenate([np.linspace(1, 4, 19), np.linspace(4.5, 30, 12)])
    return at, sps.studentized_range.ppf(LEVEL, n_pits, at) / np.sqrt(2)


def _plain(x):
    return round(float(x), 4) if isinstance(x, np.floating | float) else x


def choose(rows):
    """Apply the rule of the head of this file."""
    found = {}
    for name in dict.fromkeys(row["method"] for row in rows):
        own = [row for row in rows if row["method"] == name]
        alike = [row["power"] for row in own if row["ratio"] == 1]
        found[name] = {
            "most_false_alarms": max(row["false_alarms"] for row in own),
            "least_coverage": min(row["coverage"] for row in own),
            "mean_power_alike": round(float(np.mean(alike)), 4),
        }
    passing = [
        name
        for name, own in found.items()
        if own["most_false_alarms"] <= 0.07 and own["least_coverage"] >= 0.93
    ]
    best = max(passing, key=lambda name: found[name]["mean_power_alike"], default=None)
    return {"methods": found, "passing": passing, "chosen": best}


CALLED = ((2, 6), (3, 3), (2, 8), (5, 5))
CELLS = np.array([(row, column) for row in (1, 2) for column in (1, 2, 3)])


def _study(bakes):
    """A study without readings: two pits with one grate of two rows."""
    names = [f"{pit}{k}" for pit, n in zip("AB", bakes, strict=True) for k in range(n)]
    frame = pd.DataFrame({"bake": names, "pit": [name[0] for name in names]})
    items = pd.DataFrame(
        [(b, "main", r, c, "golden", 40.0) for b in names for r, c in CELLS],
        columns=["bake", "grate", "row", "column", "grade_top", "rise_mm"],
    )
    return ps.Study(
        settings=ps.Settings(title="T", question="Q", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": ["A", "B"]}),
        grates=pd.DataFrame(
            {"pit": ["A", "B"], "grate": "main", "rows": 2, "columns": 3}
        ),
        bakes=frame,
        items=items,
    )


def run_calls(n_sets, seed):
    """False alarms of `compare_rise`, and how often door side contrasts hold."""
    rows = []
    for number, (bakes, ratio) in enumerate(product(CALLED, (1 / 6, 1.0, 6.0))):
        rng = np.random.default_rng([seed, 2000 + number])
        study = _study(bakes)
        sd = np.repeat([ratio, 1.0], bakes)
        found = [_one_call(study, sd, rng) for _ in range(n_sets)]
        alarm, *held = np.mean([f[:5] for f in found], axis=0)
        row = {"bakes": bakes, "ratio": round(ratio, 3), "sets": n_sets}
        row |= {"false_alarms": alarm}
        names = ("own_first", "own_second", "pooled_first", "pooled_second")
        row |= dict(zip(names, held, strict=True))
        width = np.median([f[5:] for f in found], axis=0)
        row |= {"own_width": width[:2].mean(), "pooled_width": width[2:].mean()}
        rows.append({key: _plain(x) for key, x in row.items()})
        print(rows[-1], flush=True)
    return rows


def _one_call(study, sd, rng):
    """Whether one study raises a false alarm, and what its contrasts hold."""
    n = len(sd)
    side = np.where(CELLS[:, 0] == 1, 0.5, -0.5)
    level, tilt = rng.normal(0, sd), rng.normal(0, sd)
    rise = 40 + level[:, None] + tilt[:, None] * side
    rise = rise + rng.normal(0, 0.5, (n, len(CELLS)))
    items = study.items.assign(rise_mm=rise.ravel())
    found = ps.compare_rise(replace(study, items=items))
    own = found.effects[found.effects["effect"] == "door_minus_wall"]
    apart = rise[:, :3].mean(axis=1) - rise[:, 3:].mean(axis=1)
    first = study.bakes["pit"].eq("A").to_numpy()
    parts = [apart[first], apart[~first]]
    df = n - 2
    s2 = sum(((x - x.mean()) ** 2).sum() for x in parts) / df
    half = [t_value(df, 1 - LEVEL) * np.sqrt(s2 / len(x)) for x in parts]
    return (
        found.table["verdict"].str.startswith("differs").any(),
        *((own["conf_low"] <= 0) & (own["conf_high"] >= 0)),
        *(abs(x.mean()) <= h for x, h in zip(parts, half, strict=True)),
        *(own["conf_high"] - own["conf_low"]),
        *(2 * h for h in half),
    )


FACE_BAKES = ((2, 2), (2, 6), (3, 3), (3, 6), (5, 5))
FACE_SDS = ((0.0, 0.0), (0.5, 0.5), (1.0, 0.0), (0.0, 1.0), (1.5, 0.3), (0.3, 1.5))


def run_faces(n_sets, seed):
    """Paired shares of two faces whose difference changes from bake to bake."""
    rows = []
    for number, (bakes, sds, rate) in enumerate(
        product(FACE_BAKES, FACE_SDS, (0.1, 0.3))
    ):
        rng = np.random.default_rng([seed, 3000 + number])
        pit = np.repeat([0, 1], bakes)
        truth = _face_truth(sds, rate)
        both = _face_counts(pit, sds, rate, (n_sets, len(pit)), rng)
        found = {name: _faces_by(name, *both, pit) for name in ("own", "pooled")}
        row = {"bakes": bakes, "sds": sds, "rate": rate, "sets": n_sets}
        for name, (low, high) in found.items():
            first, second = ((low <= truth) & (truth <= high)).mean(axis=0)
            row |= {f"{name}_first": first, f"{name}_second": second}
            row |= {f"{name}_width": (high - low).mean()}
        rows.append({key: _plain(x) for key, x in row.items()})
    return rows


ITEMS = 18
GAP = 0.8
BAKE_SD = 0.6
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def _face_truth(sds, rate):
    """Long-run difference of the two faces' shares in each pit."""
    start, found = np.log(rate / (1 - rate)), []
    for sd in sds:
        spread = np.hypot(BAKE_SD, sd / 2)
        sides = [expit(start + s * GAP / 2 + spread * NODES) @ WEIGHTS for s in (1, -1)]
        found.append(sides[0] - sides[1])
    return np.array(found)


def _face_counts(pit, sds, rate, shape, rng):
    """Pairs of which the first face only, and the second only, burned: sets, bakes."""
    start = np.log(rate / (1 - rate)) + rng.normal(0, BAKE_SD, shape)
    gap = GAP + rng.normal(0, 1, shape) * np.asarray(sds)[pit]
    one = rng.random((*shape, ITEMS)) < expit(start + gap / 2)[..., None]
    two = rng.random((*shape, ITEMS)) < expit(start - gap / 2)[..., None]
    return (one & ~two).sum(axis=-1), (two & ~one).sum(axis=-1)


def _faces_by(name, first, second, pit):
    """Student's t over bakes, never narrower than Tango's for all pairs."""
    own = np.eye(2)[pit]
    n_bakes = own.sum(axis=0)
    low, high = stats.tango_paired_difference(
        first @ own, second @ own, ITEMS * n_bakes, LEVEL
    )
    apart = (first - second) / ITEMS
    mean = apart @ own / n_bakes
    squares = (apart - mean[:, pit]) ** 2 @ own
    if name == "own":
        df = n_bakes - 1
        variance = squares / df
    else:
        df = (n_bakes - 1).sum()
        variance = squares.sum(axis=1, keepdims=True) / df
    half = t_value(df, 1 - LEVEL) * np.sqrt(variance / n_bakes)
    low = np.minimum(low, np.maximum(mean - half, -1))
    return low, np.maximum(high, np.minimum(mean + half, 1))


def choose_contrast(rows):
    """Apply the rule for contrasts within bakes."""
    found = {}
    for name in ("own", "pooled"):
        least = min(min(r[f"{name}_first"], r[f"{name}_second"]) for r in rows)
        width = float(np.mean([r[f"{name}_width"] for r in rows]))
        found[name] = {"least_coverage": least, "mean_width": round(width, 4)}
    passing = [name for name, own in found.items() if own["least_coverage"] >= 0.93]
    if passing:
        best = min(passing, key=lambda name: found[name]["mean_width"])
    else:
        best = max(found, key=lambda name: found[name]["least_coverage"])
    return {"methods": found, "passing": passing, "chosen": best}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", choices=["methods", "calls", "faces"])
    parser.add_argument("--sets", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=17)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    if options.part != "methods":
        run = {"calls": run_calls, "faces": run_faces}[options.part]
        rows = run(options.sets, options.seed)
        made = {"sets": options.sets, "seed": options.seed, "rows": rows}
        made["contrasts"] = choose_contrast(rows)
        options.out.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
        print(json.dumps(made["contrasts"], indent=1))
        return
    two = run_two(options.sets, options.seed)
    chosen = choose(two)
    several = run_several(chosen["chosen"], options.sets, options.seed)
    result = {
        "settings": {"sets": options.sets, "seed": options.seed},
        "two": chosen,
        "several": choose(several),
        "two_rows": two,
        "several_rows": several,
    }
    options.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps({k: result[k] for k in ("two", "several")}, indent=1))


if __name__ == "__main__":
    main()
