"""The sections of the report on "is it more than noise?", one call each."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.errors import DesignError
from pitstats.figures.rates import plot_rates
from pitstats.planning.power import BakePlan, plan_bakes
from pitstats.report import tables, wording
from pitstats.report.compare_page import ComparisonPage
from pitstats.report.wording import plan as plan_wording
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study


class NoisePage(ComparisonPage):
    """A page for somebody who has counts and a difference."""

    begins_with_maps = False

    def show_noise_answer(self, comparison: PitComparison, rates: BurnRates) -> None:
        """The answer, the picture and the number."""
        self.title(self._study.settings.title, self._study.settings.question)
        self.say(wording.answer(comparison), "answer")
        self.figure(
            "rates",
            partial(plot_rates, rates),
            alt=" ".join(wording.rate_sentence(rates, p) for p in rates.table["pit"]),
            caption=wording.rates_caption(rates),
        )
        self.number(*wording.headline_number(comparison))

    def show_usual_mistake(self, comparison: PitComparison) -> None:
        """How it looks if each item counted, and with the bakes respected."""
        self.say(wording.naive_sentence(comparison))
        table, naive = comparison.table, comparison.naive
        self.table(
            "two_ways",
            pd.DataFrame(
                {
                    "Pair": tables.pair_names(comparison),
                    "If each item counted": tables.point_spans(naive, "conf"),
                    "With bakes respected": tables.point_spans(table, "simultaneous"),
                    "Verdict": table["verdict"],
                }
            ),
            "Interval for the difference, in points, counted both ways",
            values=table.merge(naive, on=["pit_a", "pit_b"], suffixes=("", "_naive")),
        )

    def show_new_test(
        self, comparison: PitComparison, simulations: int, seed: int
    ) -> None:
        """What 2, 3 and 5 bakes of a new test would show, two truths assumed."""
        try:
            plan = new_test(self._study, comparison, simulations=simulations, seed=seed)
        except DesignError as reason:
            self.say(str(reason))
            return
        self.say_all(plan_wording.new_test_sentences(plan))
        self.table(
            "new_test",
            plan_wording.plan_table(plan),
            "A new test of 2, 3 and 5 bakes a pit, if the truth were the estimate "
            "(chance to separate) and if there were no difference (false alarm)",
            values=plan.table,
        )
        self.say(plan_wording.NOT_OBSERVED_POWER, "note")


def new_test(
    study: Study, comparison: PitComparison, *, simulations: int, seed: int
) -> BakePlan:
    """Plan a new test of the pair that differs most, from its estimated rates.

    The posterior means are drawn in from the shares seen, which were picked because
    they differ most.

    Parameters
    ----------
    study : Study
        What was counted.
    comparison : PitComparison
        Its comparison.
    simulations : int
        Simulated studies per plan.
    seed : int
        Seed of the simulation.

    Returns
    -------
    BakePlan
        Bakes 2, 3 and 5, spread 0.3, 0.6 and 1.0.

    Raises
    ------
    DesignError
        If both pits burned alike, so that there is no difference to look for.
    """
    table = comparison.table
    pair = table.iloc[wording.largest_difference(comparison)]
    rates = comparison.rates.set_index("pit")["estimate"]
    low, high = sorted(float(rates[pair[side]]) for side in ("pit_a", "pit_b"))
    if high - low < 0.005:
        raise DesignError(
            "The pits burned alike, so there is no difference that a new test could be "
            "planned to find. State the smallest one worth finding and use the "
            "planning notebook."
        )
    per_bake = round(float(bake_totals(study)["n_items"].median()))
    # A rate of exactly 0 or 1 leaves nothing to vary; the seen rate is only a guess.
    low, high = max(low, 0.01), min(high, 0.99)
    return plan_bakes(
        bakes=[2, 3, 5],
        items=per_bake,
        rate=low,
        difference=high - low,
        sd_bake=[0.3, 0.6, 1.0],
        simulations=simulations,
        rng=seed,
        conf_level=comparison.conf_level,
        progress=False,
    )
