"""Everything that is worked out from plans for new bakes, each once and when asked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from pitstats.errors import DesignError
from pitstats.planning.allocation import SplitPlan, best_split
from pitstats.planning.formulas import check_level
from pitstats.planning.layout import Layout
from pitstats.planning.power import BakePlan, plan_bakes
from pitstats.planning.precision import (
    RatePlan,
    upper_bound_if_none_burn,
    width_for_one_pit,
)
from pitstats.planning.questions import (
    SmallestDifference,
    one_more_bake,
    smallest_difference,
)
from pitstats.planning.search import BakesNeeded, find_bakes, findable_differences
from pitstats.planning.shopping import ShoppingList, shopping_list

NO_MONEY = "No budget and costs were stated, so no split is worked out."
NO_LAYOUT = "No grates were stated, so no layout is drawn."


@dataclass(frozen=True, eq=False)
class PlanResults:
    """Results of plans for new bakes for the sections of a page.

    Parameters
    ----------
    plan : BakePlan
        From `plan_bakes`.
    power : float, default 0.8
        Chance wanted to find the difference.
    budget, cost_per_bake, cost_per_item : float, default 0
        What may be spent on all pits and what bakes and items cost, in one unit; 0:
        not stated.
    layout : Layout, optional
        From `randomize_layout`.
    pack_size : int, default 8
        Test items in a pack.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], [12], simulations=200, rng=1)
    >>> ps.PlanResults(plan).smallest.power
    0.8
    """

    plan: BakePlan
    power: float = 0.8
    budget: float = 0.0
    cost_per_bake: float = 0.0
    cost_per_item: float = 0.0
    layout: Layout | None = None
    pack_size: int = 8

    def __post_init__(self) -> None:
        """Check the chance before anything is said of it."""
        check_level("power", self.power)

    @property
    def about(self) -> str:
        """What pages of plans are about, to tell them apart."""
        return "plans for new bakes"

    @property
    def spread(self) -> float:
        """The spread between bakes that stands for those asked about."""
        return float(self.plan.table["sd_bake"].median())

    @property
    def _equal(self) -> pd.DataFrame:
        """Bakes and items of plans with equal pits; of others they stand as text."""
        sizes = self.plan.table[["bakes", "items"]]
        return sizes[~sizes.map(lambda n: isinstance(n, str)).any(axis=1)]

    @property
    def first(self) -> tuple[int, int]:
        """Bakes of each pit and items a bake of the first plan with equal pits."""
        if self._equal.empty:
            raise DesignError(
                "In every plan the pits have different numbers of bakes or items; add "
                "one plan with equal numbers to see what one more bake buys."
            )
        bakes, items = self._equal.iloc[0]
        return int(bakes), int(items)

    @property
    def _asked(self) -> dict[str, Any]:
        plan = self.plan
        return {
            "rate": plan.rate,
            "sd_bake": self.spread,
            "pits": plan.pits,
            "simulations": plan.simulations,
            "rng": plan.seed,
            "conf_level": plan.conf_level,
        }

    @cached_property
    def smallest(self) -> SmallestDifference:
        """The smallest difference that the first plan finds."""
        return smallest_difference(*self.first, power=self.power, **self._asked)

    @cached_property
    def curve(self) -> pd.DataFrame:
        """The smallest difference of a named pair that numbers of bakes find."""
        asked = self._quick | {"pits": 2}
        return findable_differences(items=self.items, power=self.power, **asked)

    @cached_property
    def needed(self) -> BakesNeeded | None:
        """The number of bakes that would do, where no plan of the usual spread does."""
        if self.plan.pilot or self.plan.usual.cheapest(self.power) is not None:
            return None
        difference = self.plan.difference
        return find_bakes(
            self.items, difference=difference, power=self.power, **self._quick
        )

    def of_search(self, sentence: str) -> str:
        """Add to what a search found which parts of the plan it leaves out."""
        left = ["looks"] * bool(self.plan.looks)
        left += ["sessions"] * (self.plan.sd_session is not None)
        aside = f", reckoned without {' and '.join(left)}" if left else ""
        return f"{sentence.removesuffix('.')}{aside}."

    @property
    def _quick(self) -> dict[str, Any]:
        """What was asked, with as many simulations as a search can do."""
        return self._asked | {"simulations": min(self.plan.simulations, 500)}

    @cached_property
    def pair(self) -> BakePlan | None:
        """The same plans for a pair named beforehand; None with two pits."""
        asked = self._asked | {"pits": 2, "difference": self.plan.difference}
        if self.plan.pits == 2 or self._equal.empty:
            return None
        bakes, items = (list(dict.fromkeys(own)) for _, own in self._equal.items())
        return plan_bakes(bakes, items, **asked)

    @cached_property
    def steps(self) -> BakePlan:
        """One more bake than in the first plan, and twice its items."""
        difference = self.plan.difference
        return one_more_bake(*self.first, difference=difference, **self._asked)

    @cached_property
    def one_pit(self) -> RatePlan:
        """Intervals of a single pit."""
        plan = self.plan
        return width_for_one_pit(
            self._bakes,
            self.items,
            rate=plan.rate,
            sd_bake=self.spread,
            rng=plan.seed,
            conf_level=plan.conf_level,
        )

    @cached_property
    def none_burned(self) -> RatePlan:
        """The rate that a single pit may still have if nothing burns."""
        level = self.plan.conf_level
        return upper_bound_if_none_burn(self._bakes, self.items, conf_level=level)

    @property
    def _bakes(self) -> list[int]:
        return list(dict.fromkeys(largest(n) for n in self.plan.table["bakes"]))

    @property
    def items(self) -> int:
        """The most items of a bake in the plans."""
        return max(largest(n) for n in self.plan.table["items"])

    @cached_property
    def split(self) -> SplitPlan:
        """The best split of the budget between bakes and items."""
        if not (self.budget and self.cost_per_bake and self.cost_per_item):
            raise DesignError(NO_MONEY)
        return best_split(
            self.budget,
            self.cost_per_bake,
            self.cost_per_item,
            difference=self.plan.difference,
            **self._asked,
        )

    @cached_property
    def shopping(self) -> ShoppingList:
        """What to buy and bring for the layout."""
        if self.layout is None:
            raise DesignError(NO_LAYOUT)
        return shopping_list(self.layout, pack_size=self.pack_size)


def largest(number: object) -> int:
    """A number of a plan, in which unequal pits stand as text."""
    return max(int(part) for part in str(number).split(","))
