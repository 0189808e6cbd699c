"""Smaller questions before the fire: what can be found, what one more bake buys."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.designs import (
    Count,
    check_pits,
    check_rates,
    make_design,
    question_maker,
    simulation_rules,
    spread_of,
)
from pitstats.planning.exact import can_be_enumerated, exact_chance
from pitstats.planning.formulas import check_level
from pitstats.planning.power import BakePlan, work_out
from pitstats.planning.simulation import (
    SEPARATED,
    Question,
    SimulationRules,
    run_designs,
    share_with_error,
)
from pitstats.study.html_text import notebook_html
from pitstats.study.percent import percent


@dataclass(frozen=True, kw_only=True, eq=False)
class SmallestDifference:
    """Difference that a plan finds with a stated chance.

    Attributes
    ----------
    difference, difference_error : float
        Rate of the other pits less that of the first, and its Monte-Carlo standard
        error; NaN when no possible difference is found that often.
    power : float
        Chance wanted.
    table : pandas.DataFrame
        Differences that were tried: ``difference, power, power_error``.
    rate, sd_bake : float
        Assumed rate of the first pit and spread between bakes.
    seed, simulations : int
        Give the seed as ``rng`` to repeat the answer.
    conf_level : float
        Level of the intervals.
    caveats : tuple of str
        Shown wherever the answer is shown.
    """

    difference: float
    difference_error: float
    power: float
    table: pd.DataFrame
    rate: float
    sd_bake: float
    seed: int
    simulations: int
    conf_level: float
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        found = (
            f"Found in {percent(self.power)} of studies: {self.difference:+.3f} "
            f"(\u00b1 {self.difference_error:.3f})"
        )
        return notebook_html(found, self.table, self.caveats)


def smallest_difference(
    bakes: Count,
    items: Count,
    *,
    rate: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 2,
    power: float = 0.8,
    direction: int = 1,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> SmallestDifference:
    """Smallest difference that can be found with the bakes and items there are.

    Parameters
    ----------
    bakes, items : int or sequence of int
        Bakes per pit and items per bake, common or one per pit.
    rate : float, default 0.2
        Long-run burn rate of the first pit.
    sd_bake : float or {"steady", "usual", "moody"}, default 0.6
        Standard deviation between bakes, logit scale.
    pits : int, default 2
        Number of pits, 2 to 6.
    power : float, default 0.8
        Chance wanted to find the difference.
    direction : {1, -1}, default 1
        Whether the other pits burn more or less than the first.
    simulations : int, default 2000
        Simulated studies per difference tried.
    rng : numpy.random.Generator or int, optional
        Generator from which the seed is drawn, or the seed itself.
    conf_level : float, default 0.95
        Level of the intervals.

    Returns
    -------
    SmallestDifference

    Raises
    ------
    DesignError
        If a number is out of range, or every pit has one bake.

    Notes
    -----
    The same random fires are used for every difference, and the chance is taken to be
    straight on the normal scale between the two that enclose the one wanted.

    Examples
    --------
    >>> from pitstats.planning.questions import smallest_difference
    >>> found = smallest_difference(6, 24, rate=0.1, simulations=500, rng=1)
    >>> bool(0.2 < found.difference < 0.4)
    True
    """
    question = _asked(bakes, items, rate, sd_bake, pits, direction)
    check_level("power", power)
    rules = simulation_rules(simulations, rng, conf_level)
    room = (1 - rate if direction > 0 else rate) * 0.99
    tried = _chances(direction * room * np.linspace(0.1, 1, 10), question, rules)
    for _ in range(2):
        bracket = _bracket(tried, power)
        if bracket is None:
            break
        inner = np.linspace(*bracket, 5)[1:-1]
        tried = pd.concat([tried, _chances(inner, question, rules)])
        tried = tried.sort_values("difference", key=abs, ignore_index=True)
    value, error = _crossing(tried, power)
    notes = [
        f"Each chance rests on {rules.simulations} simulated studies; seed "
        f"{rules.seed}.",
        "Assumes that real bakes differ as stated and that every planned item is "
        "graded.",
    ]
    if np.isnan(value):
        notes.append(
            f"No possible difference from a rate of {rate:g} is found in "
            f"{percent(power)} of studies; bake more often."
        )
    return SmallestDifference(
        difference=value,
        difference_error=error,
        power=power,
        table=tried,
        rate=rate,
        sd_bake=question.sd_bake,
        seed=rules.seed,
        simulations=rules.simulations,
        conf_level=rules.conf_level,
        caveats=tuple(notes),
    )


def _asked(
    bakes: Count,
    items: Count,
    rate: float,
    sd_bake: float | str,
    pits: int,
    direction: int,
) -> Question:
    if direction not in (1, -1):
        raise ArgumentError(
            f"direction is {direction}; use 1 (others burn more) or -1 (less)"
        )
    check_rates(rate, direction * 1e-3)
    design = make_design(bakes, items, check_pits(pits))
    if design.one_bake_each:
        raise DesignError(
            "with one bake in every pit no verdict is given, so no difference can be "
            "found; plan at least two bakes of one pit"
        )
    return Question(design, rate, 0.0, spread_of(sd_bake))


def _chances(
    differences: np.ndarray, question: Question, rules: SimulationRules
) -> pd.DataFrame:
    """Chance to separate the first two pits, for each difference."""
    asked = [replace(question, difference=float(d)) for d in differences]
    if can_be_enumerated(question):
        chances = [(exact_chance(q, rules.conf_level, alike=False), 0.0) for q in asked]
    else:
        found = run_designs([(q, SEPARATED) for q in asked], rules, label="differences")
        chances = [share_with_error(x.separated, x.studies) for x in found]
    rows = [(q.difference, *own) for q, own in zip(asked, chances, strict=True)]
    return pd.DataFrame(rows, columns=["difference", "power", "power_error"])


def _bracket(tried: pd.DataFrame, power: float) -> tuple[float, float] | None:
    """Neighboring differences whose chances enclose the one wanted."""
    enough = np.flatnonzero(tried["power"].to_numpy() >= power)
    if enough.size == 0:
        return None
    value = tried["difference"].to_numpy()
    last = int(enough[0])
    return (0.0 if last == 0 else float(value[last - 1])), float(value[last])


def _crossing(tried: pd.DataFrame, power: float) -> tuple[float, float]:
    """Difference found with the chance wanted, by a straight line on normal scores."""
    chance = tried["power"].to_numpy(dtype=float)
    enough = np.flatnonzero(chance >= power)
    if enough.size == 0:
        return float("nan"), float("nan")
    value = np.concatenate([[0.0], tried["difference"].to_numpy(dtype=float)])
    chance = np.concatenate([[0.0], chance])
    k = int(enough[0]) + 1
    low, high = ndtri(np.clip(chance[k - 1 : k + 1], 0.005, 0.995))
    share = float(np.clip((ndtri(power) - low) / (high - low), 0, 1))
    gap = float(value[k] - value[k - 1])
    slope = abs(float(chance[k] - chance[k - 1]) / gap)
    error = float(tried["power_error"].iloc[k - 1]) / max(slope, 1e-9)
    return float(value[k - 1]) + share * gap, error


def one_more_bake(
    bakes: int,
    items: int,
    *,
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 2,
    margin: float | None = None,
    cost_per_bake: float | None = None,
    cost_per_item: float | None = None,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> BakePlan:
    """What one and two more bakes of each pit buy, and what twice the items would.

    Parameters
    ----------
    bakes, items : int
        Bakes per pit and items per bake as planned so far.
    rate, difference, sd_bake, pits, margin, cost_per_bake, cost_per_item
        As in `plan_bakes`.
    simulations, rng, conf_level
        As in `plan_bakes`.

    Returns
    -------
    BakePlan
        Four rows, named in ``note``: as planned, one more bake, two more bakes, twice
        the items.

    Raises
    ------
    DesignError
        If a number is out of range.

    Examples
    --------
    >>> from pitstats.planning.questions import one_more_bake
    >>> plan = one_more_bake(3, 12, simulations=500, rng=1)
    >>> plan.table["note"].tolist()
    ['as planned', 'one more bake', 'two more bakes', 'twice the items']
    """
    question = question_maker(rate, difference, sd_bake, pits)
    steps = (
        ("as planned", bakes, items),
        ("one more bake", bakes + 1, items),
        ("two more bakes", bakes + 2, items),
        ("twice the items", bakes, 2 * items),
    )
    return work_out(
        [question(b, n, name) for name, b, n in steps],
        simulation_rules(simulations, rng, conf_level, margin),
        (cost_per_bake, cost_per_item),
    )
