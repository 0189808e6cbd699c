"""The sections of the planning report, one call each."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.figures.plans import plot_power
from pitstats.planning.allocation import best_split
from pitstats.planning.designs import explain_spread
from pitstats.planning.layout import Layout
from pitstats.planning.power import BakePlan
from pitstats.planning.precision import upper_bound_if_none_burn, width_for_one_pit
from pitstats.planning.questions import one_more_bake, smallest_difference
from pitstats.planning.shopping import shopping_list
from pitstats.report import wording
from pitstats.report.old_page import Page
from pitstats.report.wording import plan as plan_wording


class PlanPage(Page):
    """A page about plans for bakes that are still to come.

    Parameters
    ----------
    folder : path-like or None
        Where figures and tables are kept; None or an empty text: show only.
    """

    def __init__(self, folder: str | Path | None = None) -> None:
        super().__init__(folder, "plans for new bakes")

    def show_answer(self, plan: BakePlan, power: float = 0.8) -> None:
        """Question, answer, picture, and the number to remember."""
        question = plan_wording.question_text(plan)
        self.title("How many bakes does it take?", f"The test is to {question}.")
        self.say(plan_wording.plan_answer(plan, power), "answer")
        if all(isinstance(value, int) for value in plan.table["bakes"].tolist()):
            self.figure(
                "power",
                partial(plot_power, plan, wanted=power),
                alt=plan_wording.plan_in_words(plan),
                caption="Bars: one simulation error. Line: the chance wanted.",
            )
        self.say(plan_wording.naive_plan_sentence(plan))

    def show_plans(self, plan: BakePlan) -> None:
        """All plans in a table, with what they assume."""
        self.table(
            "plans",
            plan_wording.plan_table(plan),
            plan_wording.plan_caption(plan),
            values=plan.table,
        )
        self.say_all(plan.caveats)

    def show_spreads(self, plan: BakePlan) -> None:
        """What the spreads mean in a cook's words."""
        spreads = dict.fromkeys(plan.table["sd_bake"].tolist())
        self.say_all(explain_spread(spread, plan.rate) for spread in spreads)

    def show_steps(self, plan: BakePlan, bakes: int, items: int) -> None:
        """What the bakes there are can find, and what one more buys."""
        spread = float(plan.table["sd_bake"].median())
        common: dict[str, Any] = {
            "rate": plan.rate,
            "sd_bake": spread,
            "pits": plan.pits,
            "simulations": plan.simulations,
            "rng": plan.seed,
            "conf_level": plan.conf_level,
            "progress": False,
        }
        found = smallest_difference(bakes, items, **common)
        self.say(plan_wording.smallest_sentence(found, bakes, items))
        steps = one_more_bake(bakes, items, difference=plan.difference, **common)
        self.say(plan_wording.more_bakes_or_items(steps))
        self.table(
            "one_more_bake",
            plan_wording.plan_table(steps),
            "What one more bake of every pit buys, against twice the items",
            values=steps.table,
        )

    def show_one_pit(self, plan: BakePlan) -> None:
        """What plans say of a single pit, and the bound if nothing burns."""
        bakes = list(dict.fromkeys(int(b) for b in _whole(plan.table["bakes"])))
        items = max(int(n) for n in _whole(plan.table["items"]))
        spread = float(plan.table["sd_bake"].median())
        single = width_for_one_pit(
            bakes, items, rate=plan.rate, sd_bake=spread, rng=plan.seed, progress=False
        )
        none = upper_bound_if_none_burn(bakes, items, conf_level=plan.conf_level)
        self.table(
            "one_pit",
            pd.DataFrame(
                {
                    "Bakes": single.table["bakes"],
                    "Items a bake": single.table["items"],
                    "Mean interval": [
                        f"{wording.percent(low)} to {wording.percent(high)}"
                        for low, high in zip(
                            single.table["low"], single.table["high"], strict=True
                        )
                    ],
                    "Width": single.table["width"].map(wording.points),
                    "Width if each item counted": single.table["naive_width"].map(
                        wording.points
                    ),
                    "If none burn: rate still up to": none.table["upper"].map(
                        wording.percent
                    ),
                    "Rule of three says": none.table["rule_of_three"].map(
                        wording.percent
                    ),
                }
            ),
            f"A single pit that burns {wording.percent(plan.rate)} in the long run: "
            f"what its interval would look like (spread {spread:g})",
            values=single.table.merge(none.table, on=["bakes", "items"]),
        )

    def show_budget(
        self,
        plan: BakePlan,
        budget: float,
        cost_per_bake: float,
        cost_per_item: float,
        most_items: int,
    ) -> None:
        """How a budget is best split between bakes and items."""
        if not (budget and cost_per_bake and cost_per_item):
            self.say("No budget and costs were stated, so no split is worked out.")
            return
        split = best_split(
            budget,
            cost_per_bake,
            cost_per_item,
            rate=plan.rate,
            difference=plan.difference,
            sd_bake=float(plan.table["sd_bake"].median()),
            pits=plan.pits,
            most_items=most_items,
            simulations=plan.simulations,
            rng=plan.seed,
            progress=False,
        )
        self.say(plan_wording.split_sentence(split))
        self.table(
            "budget",
            plan_wording.plan_table(split.plan),
            f"Ways to spend {budget:g}",
            values=split.table,
        )
        self.say_all(split.caveats)

    def show_layout(self, layout: Layout | None, pack_size: int) -> None:
        """Order of bakes, rules, comparable cells and the shopping list."""
        if layout is None:
            self.say("No grates were stated, so no layout is drawn.")
            return
        self.say_all(layout.rules)
        self.say_all(layout.caveats)
        self.table(
            "order",
            layout.bakes.drop(columns=_empty(layout.bakes)),
            f"Bakes in their drawn order (seed {layout.seed})",
        )
        self.say(layout.balance.explanation)
        needs = shopping_list(layout, pack_size=pack_size)
        self.say(needs.sentence)
        self.table("shopping", needs.table, "What to buy, bring and allow for")
        self.say_all(needs.caveats)

    def show_safety(self) -> None:
        """Cautions before any fire is lit."""
        self.cautions(wording.SAFETY, wording.SAFETY_CLOSING)


def _whole(values: Sequence[object] | pd.Series) -> list[int]:
    """Numbers of a column in which plans with unequal pits stand as text."""
    return [max(int(part) for part in str(value).split(",")) for value in list(values)]


def _empty(frame: pd.DataFrame) -> list[str]:
    return [str(name) for name in frame if frame[name].isna().all()]
