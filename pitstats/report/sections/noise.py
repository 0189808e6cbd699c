"""Is it more than noise: the usual mistake, and what a new test would show."""

from __future__ import annotations

from pitstats.analysis.rates.pairs import largest_difference, seen_ahead
from pitstats.errors import DesignError
from pitstats.planning.power import BakePlan, plan_bakes
from pitstats.report.numbers import percent, signed_points
from pitstats.report.section import Answered, Sentences, Table, Text, asks
from pitstats.report.sections.pairs import naive_sentences
from pitstats.report.sections.plan import error_of, plan_table
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import (
    Columns,
    interval,
    minus,
    table_of,
    with_naive,
)
from pitstats.study.outcomes import bake_totals

_NOT_OBSERVED_POWER = (
    "This is a plan for a new test, not the power of the finished one. The power of a "
    "finished test at the difference it found only repeats its p-value (Hoenig and "
    "Heisey 2001, American Statistician 55:19)."
)


@asks("usual-mistake", "the usual mistake", "What if every item counted?")
def usual_mistake(results: StudyResults) -> Answered:
    """How it looks if each item counted, and with the bakes respected."""
    comparison = results.both.as_baked
    said = naive_sentences(comparison)
    both = with_naive(comparison.table, comparison.naive)
    columns: Columns = {
        "Pair": minus,
        "If each item counted": interval(signed_points, "naive"),
        "With bakes respected": interval(signed_points, "simultaneous"),
        "Verdict": "verdict",
    }
    caption = "Interval for the difference, in points, counted both ways"
    table = table_of("two_ways", seen_ahead(both), caption, columns, kept=both)
    yield said[-1]
    yield Sentences(said[:-1])
    yield table


@asks("new-test", "a new test", "What would a new test show?")
def new_test(results: StudyResults, simulations: int = 1000) -> Answered:
    """What 2, 3 and 5 bakes of a new test would show, two truths assumed."""
    plan = plan_new_test(results, simulations)
    yield ""
    caption = (
        "A new test of 2, 3 and 5 bakes a pit, if the truth were the estimate (chance "
        "to separate) and if there were no difference (false alarm)"
    )
    yield Sentences(new_test_sentences(plan))
    yield Table("new_test", plan_table(plan), caption, plan.table)
    yield Text(_NOT_OBSERVED_POWER, "note")


def new_test_sentences(plan: BakePlan) -> list[str]:
    """What new tests of several sizes would show, and how often they would err."""
    truth = f"{percent(plan.rate)} and {percent(plan.rate + plan.difference)}"
    said = [
        f"If the rates estimated here were the truth, {truth}, a new test would "
        "separate the pits with these chances, by how moody the fires are."
    ]
    for bakes, own in plan.table.groupby("bakes", sort=False):
        power = own["power"]
        ends = dict.fromkeys([percent(power.min()), percent(power.max())])
        items = own["items"].iloc[0]
        said.append(
            f"{bakes} bakes of {items} items a pit: {' to '.join(ends)}; "
            "without a difference it would cry wolf in at most "
            f"{percent(own['false_alarm'].max())} ({error_of(own['power_error'])})."
        )
    return said


def plan_new_test(results: StudyResults, simulations: int) -> BakePlan:
    """Plan a new test of the pair that differs most, from its estimated rates."""
    comparison = results.both.as_baked
    pair = largest_difference(comparison.table)
    rates = comparison.rates.set_index("pit")["estimate"]
    low, high = sorted(float(rates[pair[side]]) for side in ("pit_a", "pit_b"))
    if high - low < 0.005:
        raise DesignError(
            "The pits burned alike, so there is no difference that a new test could be "
            "planned to find. State the smallest one worth finding and use the "
            "planning notebook."
        )
    per_bake = round(float(bake_totals(results.study)["n_items"].median()))
    # A rate of exactly 0 or 1 leaves nothing to vary; the seen rate is only a guess.
    low, high = max(low, 0.01), min(high, 0.99)
    return plan_bakes(
        bakes=[2, 3, 5],
        items=per_bake,
        rate=low,
        difference=high - low,
        sd_bake=[0.3, 0.6, 1.0],
        simulations=simulations,
        rng=results.seed,
        conf_level=comparison.conf_level,
    )
