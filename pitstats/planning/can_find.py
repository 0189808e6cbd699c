"""What a planned test can find, before anything is lit."""

from __future__ import annotations

import math

from pitstats.errors import DesignError
from pitstats.planning.questions import smallest_difference
from pitstats.study.study import Study

RATE, SPREAD, POWER = 0.2, 0.6, 0.8
"""Assumed long-run rate of the first pit, spread between bakes, chance wanted."""

_SIMULATIONS, _SEED = 500, 1


def what_a_plan_finds(study: Study) -> str:
    """The smallest difference that the planned bakes of a study find, in a sentence.

    Bakes that were made already count with those that are planned. Empty where the plan
    is not one of two to six pits with cells.

    Examples
    --------
    >>> from pitstats.planning.layout import randomize_layout
    >>> layout = randomize_layout({"Oak": (3, 4), "Creek": (3, 4)}, bakes=1, seed=11)
    >>> what_a_plan_finds(layout.study)
    'One bake of each pit allows no verdict, whatever burns: plan at least two.'
    """
    kept = study.bakes[study.bakes["status"] != "excluded"]
    items = study.items[study.items["bake"].isin(kept["bake"])]
    pits = [pit for pit in study.pits["pit"] if pit in set(kept["pit"])]
    placed = items.groupby("bake").size().reindex(kept["bake"]).to_numpy()
    sizes = kept.assign(placed=placed).groupby("pit")["placed"].median()
    if not 2 <= len(pits) <= 6 or sizes.isna().any():
        return ""
    bakes = [int(n) for n in kept["pit"].value_counts().loc[pits]]
    if max(bakes) == 1:
        return (
            "One bake of each pit allows no verdict, whatever burns: plan at least two."
        )
    per_bake = [int(n) for n in sizes.loc[pits]]
    try:
        found = smallest_difference(
            bakes,
            per_bake,
            rate=RATE,
            sd_bake=SPREAD,
            pits=len(pits),
            power=POWER,
            simulations=_SIMULATIONS,
            rng=_SEED,
        )
    except DesignError:
        return ""
    asked = (
        f"{_range(bakes)} bakes of {_range(per_bake)} items a pit, a rate of "
        f"{100 * RATE:.0f}% in the first and usual fires (spread {SPREAD:g})"
    )
    if math.isnan(found.difference):
        return (
            f"With {asked}, no possible difference is found in {10 * POWER:.0f} of 10 "
            "tests: plan more bakes."
        )
    simulated = (
        f"; {_SIMULATIONS} simulated tests, seed {_SEED}"
        if found.difference_error > 0
        else ""
    )
    return (
        f"With {asked}, this test finds a difference of "
        f"{100 * found.difference:.0f} points or more in {10 * POWER:.0f} of 10 "
        f"tests{simulated}. Smaller ones it will mostly call 'cannot tell'."
    )


def _range(numbers: list[int]) -> str:
    low, high = min(numbers), max(numbers)
    return f"{low}" if low == high else f"{low} to {high}"
