"""The planner finds the number: bakes until the chance wanted, what they can find."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.designs import (
    as_list,
    question_maker,
    seed_from,
    simulation_rules,
)
from pitstats.planning.formulas import check_level
from pitstats.planning.power import BakePlan, work_out
from pitstats.planning.questions import smallest_difference
from pitstats.study.cells import listing
from pitstats.study.percent import percent

MOST_BAKES = 20
"""Bakes of each pit up to which a plan is searched for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BakesNeeded:
    """Fewest bakes of each pit that tell pits apart as often as wanted.

    Attributes
    ----------
    bakes : int or None
        Fewest bakes of each pit; None when `MOST_BAKES` are not enough.
    plan : BakePlan
        Numbers of bakes that were tried, fewest first.
    power : float
        Chance wanted.
    """

    bakes: int | None
    plan: BakePlan
    power: float

    @property
    def sentence(self) -> str:
        """The answer in a sentence."""
        table = self.plan.table
        items = table["items"].iloc[0]
        if self.bakes is None:
            best = table.iloc[-1]
            return (
                f"Even {best['bakes']} bakes of each pit with {items} items reach only "
                f"{percent(best['power'])}; look for a larger difference."
            )
        row = table[table["bakes"] == self.bakes].iloc[0]
        error = max(1, round(100 * row["power_error"]))
        return (
            f"It takes {self.bakes} bakes of each pit with {items} items for a chance "
            f"of {percent(self.power)} (found {percent(row['power'])}, simulation "
            f"error {error} point{'s' * (error > 1)}; spread "
            f"{row['sd_bake']:.2g})."
        )


def find_bakes(
    items: int = 24,
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 2,
    *,
    power: float = 0.8,
    most: int = MOST_BAKES,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> BakesNeeded:
    """Search the fewest bakes of each pit that reach a chance.

    Parameters
    ----------
    items : int, default 24
        Items per bake.
    rate, difference, sd_bake, pits
        As in `plan_bakes`.
    power : float, default 0.8
        Chance wanted.
    most : int, default 20
        Bakes of each pit beyond which the search ends.
    simulations, rng, conf_level
        As in `plan_bakes`.

    Returns
    -------
    BakesNeeded

    Raises
    ------
    DesignError
        If a number is out of range.

    Notes
    -----
    By bisection: the chance grows with the number of bakes. Each number tried is
    simulated as `plan_bakes` simulates it.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.find_bakes(18, 0.1, 0.4, simulations=200, rng=1)
    >>> 3 <= found.bakes <= 5
    True
    """
    check_level("power", power)
    if not 2 <= most <= 200:
        raise ArgumentError(f"most is {most}; use 2 to 200 bakes")
    question = question_maker(rate, difference, sd_bake, pits)
    rules = simulation_rules(simulations, rng, conf_level)
    tried: dict[int, BakePlan] = {}

    def chance(bakes: int) -> float:
        tried[bakes] = work_out([question(bakes, items)], rules)
        return float(tried[bakes].table["power"].iloc[0])

    found = _bisect(chance, power, most)
    table = pd.concat([tried[k].table for k in sorted(tried)], ignore_index=True)
    plan = replace(next(iter(tried.values())), table=table)
    return BakesNeeded(bakes=found, plan=plan, power=power)


def _bisect(chance: Callable[[int], float], power: float, most: int) -> int | None:
    """Fewest bakes, from 2, whose chance reaches the one wanted."""
    low, high = 1, min(4, most)  # one bake each gives no verdict
    while chance(high) < power:
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= power else (middle, high)
    return high


def findable_differences(
    bakes: Sequence[int] = (2, 3, 4, 6, 8),
    items: int = 24,
    *,
    rate: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 2,
    power: float = 0.8,
    simulations: int = 1000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> pd.DataFrame:
    """Smallest difference that each number of bakes finds.

    Parameters
    ----------
    bakes : sequence of int, default (2, 3, 4, 6, 8)
        Bakes of each pit.
    items : int, default 24
        Items per bake.
    rate, sd_bake, pits, power, simulations, rng, conf_level
        As in `smallest_difference`.

    Returns
    -------
    pandas.DataFrame
        ``bakes, difference, difference_error``; NaN where no possible difference is
        found that often.

    Raises
    ------
    DesignError
        If a number is out of range.

    Examples
    --------
    >>> import pitstats as ps
    >>> curve = ps.findable_differences([3, 6], 24, simulations=100, rng=1)
    >>> bool(curve["difference"].is_monotonic_decreasing)
    True
    """
    seed = seed_from(rng)
    rows = []
    for number in as_list(bakes):
        found = smallest_difference(
            int(number),
            items,
            rate=rate,
            sd_bake=sd_bake,
            pits=pits,
            power=power,
            simulations=simulations,
            rng=seed,
            conf_level=conf_level,
        )
        rows.append((int(number), found.difference, found.difference_error))
    return pd.DataFrame(rows, columns=["bakes", "difference", "difference_error"])


def curve_sentence(
    curve: pd.DataFrame, power: float = 0.8, of: str = "", given: str = ""
) -> str:
    """Read the curve of smallest differences out, of which pits and given what."""
    known = curve[curve["difference"].notna()]
    if known.empty:
        return "None of these numbers of bakes finds any possible difference."
    bakes = listing([str(b) for b in known["bakes"]], "and")
    points = listing([f"{100 * abs(d):.0f}" for d in known["difference"]], "and")
    return (
        f"With {bakes} bakes of each pit you can find {points} points{of} ({given}"
        f"chance {percent(power)})."
    )


def split_with_reference(
    bakes: int,
    items: int = 24,
    *,
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 3,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> BakePlan:
    """Share a number of bakes between a reference pit and the others.

    Parameters
    ----------
    bakes : int
        Bakes of all pits together.
    items : int, default 24
        Items per bake.
    rate, difference, sd_bake, pits
        As in `plan_bakes`; the first pit is the reference.
    simulations, rng, conf_level
        As in `plan_bakes`.

    Returns
    -------
    BakePlan
        One row per split in which the other pits have equally many bakes, at least
        two each; ``power`` is that of telling the reference from the second pit. What
        cannot be shared evenly is left out, and ``note`` says how many bakes are used.

    Raises
    ------
    DesignError
        If there are not two bakes for every pit, or a number is out of range.

    Notes
    -----
    With equal spreads the classical optimum gives the reference the square root of the
    number of other pits times as many bakes as each of them [1]_; few bakes and the
    price of learning the spread move it, which the simulation shows.

    References
    ----------
    .. [1] Dunnett (1955), A multiple comparison procedure for comparing several
       treatments with a control, Journal of the American Statistical Association
       50:1096-1121.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.split_with_reference(12, 12, simulations=100, rng=1)
    >>> plan.table["bakes"].tolist()
    ['8, 2, 2', '6, 3, 3', 4, '2, 5, 5']
    """
    question, others = question_maker(rate, difference, sd_bake, pits), pits - 1
    sizes = [
        (bakes - others * each, each)
        for each in range(2, bakes // others + 1)
        if bakes - others * each >= 2
    ]
    if not sizes:
        raise DesignError(
            f"{bakes} bakes do not give each of {pits} pits two; plan at least "
            f"{2 * pits}"
        )
    questions = [
        question(
            (first, *[each] * others),
            items,
            f"{first} of the reference, {each} of each other pit",
        )
        for first, each in sizes
    ]
    return work_out(questions, simulation_rules(simulations, rng, conf_level))
