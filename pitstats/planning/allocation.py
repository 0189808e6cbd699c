"""Best split of a budget between bakes and items."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.designs import question_maker, simulation_rules, spread_of
from pitstats.planning.formulas import Split, rate_icc, split_for_budget
from pitstats.planning.power import BakePlan, work_out

_MOST_PLANS = 10


@dataclass(frozen=True, kw_only=True, eq=False)
class SplitPlan:
    """Ways to spend a budget, and the best of them.

    Attributes
    ----------
    plan : BakePlan
        The ways that were simulated, one row each, fewest bakes first.
    best : pandas.Series
        Row with the highest power.
    formula : Split or None
        What the textbook formula says for one pit's share of the budget; None when
        bakes do not differ, where one large bake is cheapest.
    budget : float
        What may be spent on all pits.
    caveats : tuple of str
        Shown wherever the split is shown.
    """

    plan: BakePlan
    best: pd.Series
    formula: Split | None
    budget: float
    caveats: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """Table of the plan."""
        return self.plan.table

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.plan.to_frame()

    def _repr_html_(self) -> str:
        return self.plan._repr_html_()


def best_split(
    budget: float,
    cost_per_bake: float,
    cost_per_item: float,
    *,
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str = 0.6,
    pits: int = 2,
    most_items: int = 60,
    margin: float | None = None,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> SplitPlan:
    """Split a budget between bakes and items so that pits are told apart most often.

    Parameters
    ----------
    budget : float
        What may be spent on all pits together.
    cost_per_bake, cost_per_item : float
        Cost of one bake and of one item, in the unit of the budget.
    rate, difference, sd_bake, pits, margin
        As in `plan_bakes`.
    most_items : int, default 60
        Items that fit on a grate.
    simulations, rng, conf_level
        As in `plan_bakes`.

    Returns
    -------
    SplitPlan
        Every affordable number of bakes (at most ten, closer together where they are
        few) with as many items as the money leaves, the best of them, and the
        formula's answer.

    Raises
    ------
    DesignError
        If a number is out of range or the budget does not buy two bakes of one item
        for every pit.

    Notes
    -----
    The formula makes the rate of one pit most precise; it knows nothing of the price
    of estimating the spread from few bakes, which the simulation pays.

    References
    ----------
    .. [1] Cochran (1977), Sampling Techniques, 3rd ed., section 10.6.

    Examples
    --------
    >>> from pitstats.planning.allocation import best_split
    >>> split = best_split(200, 20, 0.4, simulations=500, rng=1)
    >>> int(split.best["bakes"]), int(split.best["items"])
    (4, 12)
    """
    question = question_maker(rate, difference, sd_bake, pits)
    _check_money(budget, cost_per_bake, cost_per_item)
    sizes = _affordable(budget / pits, cost_per_bake, cost_per_item, most_items)
    plan = work_out(
        [question(b, n) for b, n in sizes],
        simulation_rules(simulations, rng, conf_level, margin),
        (cost_per_bake, cost_per_item),
    )
    spread = spread_of(sd_bake)
    icc = rate_icc(rate, spread)
    formula = (
        split_for_budget(budget / pits, cost_per_bake, cost_per_item, icc)
        if spread > 0
        else None
    )
    return SplitPlan(
        plan=plan,
        best=plan.table.iloc[int(plan.table["power"].to_numpy().argmax())],
        formula=formula,
        budget=budget,
        caveats=(
            *plan.caveats,
            "Plans whose powers lie within twice their errors cannot be told apart.",
        ),
    )


def _check_money(budget: float, cost_per_bake: float, cost_per_item: float) -> None:
    for name, value in (
        ("budget", budget),
        ("cost_per_bake", cost_per_bake),
        ("cost_per_item", cost_per_item),
    ):
        if not 0 < value < math.inf:
            raise ArgumentError(f"{name} is {value}; it must be above 0")


def _affordable(
    share: float, cost_per_bake: float, cost_per_item: float, most_items: int
) -> list[tuple[int, int]]:
    """Bakes and items that one pit's share of the budget buys."""
    if most_items < 1:
        raise ArgumentError(f"most_items is {most_items}; use at least 1")
    most = int(share / (cost_per_bake + cost_per_item) + 1e-9)
    if most < 2:
        raise DesignError(
            f"{share:g} for each pit does not buy two bakes of one item; raise the "
            "budget or take fewer pits"
        )
    most = min(most, 200)
    chosen = (
        list(range(2, most + 1))
        if most - 1 <= _MOST_PLANS
        else sorted({round(b) for b in np.geomspace(2, most, _MOST_PLANS)})
    )
    return [
        (b, max(1, min(most_items, int((share / b - cost_per_bake) / cost_per_item))))
        for b in chosen
    ]
