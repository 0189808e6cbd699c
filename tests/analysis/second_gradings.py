"""A study with everything that can be tried: second gradings, gauges, exclusions."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

import pitstats as ps
from pitstats.study.demo import SimulatedPit

GRADES = ["raw", "light", "golden", "dark", "burned"]


def rich_study(seed: int = 3, **changes: float) -> ps.Study:
    """Three pits, five bakes each; a hot grate, missing items, an excluded bake."""
    rng = np.random.default_rng(seed)
    made = ps.simulate_study(
        [
            SimulatedPit(pit="North", rate=0.45, bake={"minutes": 24}),
            SimulatedPit(pit="South", rate=0.15),
            SimulatedPit(pit="West", rate=0.25),
        ],
        bakes=5,
        sd_bake=0.4,
        share_missing=0.05,
        rng=rng,
        **changes,
    ).study
    bakes = made.bakes.copy()
    hot = bakes["pit"] == "North"
    bakes.loc[hot, "grate_temp"] = bakes.loc[hot, "grate_temp"] + 25
    out = bakes["bake"] == "South-5"
    bakes.loc[out, ["status", "reason"]] = ["excluded", "door left open"]
    return replace(made, bakes=bakes)


def shifted(items: pd.DataFrame, step: int, rng: np.random.Generator) -> pd.DataFrame:
    """Grades one step darker (or paler) for a third of the items."""
    out = items.copy()
    for face in ("grade_top", "grade_bottom"):
        code = items[face].map({name: k for k, name in enumerate(GRADES)})
        moved = np.where(rng.random(len(items)) < 1 / 3, code + step, code)
        moved = np.clip(moved, 0, 4)
        out[face] = [None if np.isnan(k) else GRADES[int(k)] for k in moved]
    return out


def regraded(
    study: ps.Study,
    *,
    share: float = 0.3,
    step: int = 1,
    grader: str | None = "Kim",
    by: str = "code",
    seed: int = 4,
) -> pd.DataFrame:
    """Second gradings of some items, one step off for a third of them."""
    rng = np.random.default_rng(seed)
    items = study.items[study.items["missing"].isna()]
    chosen = items.sample(frac=share, random_state=seed)
    again = shifted(chosen, step, rng)
    keys = ["code"] if by == "code" else ["bake", "grate", "row", "column"]
    out = again[[*keys, "grade_top", "grade_bottom"]].reset_index(drop=True)
    if by == "code":
        out.insert(1, "bake", again["bake"].to_numpy())
    return out if grader is None else out.assign(grader=grader)


def with_regrades(study: ps.Study, *regrades: pd.DataFrame) -> ps.Study:
    """Return the study with second gradings."""
    return replace(study, regrades=pd.concat(regrades, ignore_index=True))


@cache
def rich() -> ps.Study:
    """Return the full study, with second gradings by two graders."""
    study = rich_study()
    lee = regraded(study, step=-1, grader="Lee", by="place")
    return with_regrades(study, regraded(study), lee)


@cache
def both() -> ps.BothWays:
    """Return its comparison, worked out once for all tests."""
    return ps.compare_both_ways(rich())


@cache
def found() -> ps.Sensitivity:
    """Return its alternatives."""
    return ps.check_sensitivity(rich(), both=both())


@cache
def gradings() -> ps.GradingAgreement:
    """Return its agreement of gradings."""
    return ps.compare_gradings(rich(), both=both())
