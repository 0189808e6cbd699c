"""How many bakes does it take: what plans would show, and what they cost."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import pandas as pd

from pitstats.analysis.rates.earlier import earlier_in_words, moodier_sentence
from pitstats.errors import DesignError
from pitstats.figures.plans import plot_power
from pitstats.planning.allocation import SplitPlan
from pitstats.planning.designs import SPREADS, explain_spread
from pitstats.planning.power import BakePlan
from pitstats.planning.questions import SmallestDifference
from pitstats.planning.search import curve_sentence
from pitstats.report.numbers import level_text, percent, points
from pitstats.report.plan_results import PlanResults, largest
from pitstats.report.section import (
    Answered,
    FirstPage,
    Heading,
    Part,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections.first_page import short_page
from pitstats.report.tables import (
    Columns,
    Row,
    Writer,
    shown,
    span_of,
    table_of,
    written,
)
from pitstats.report.words import count
from pitstats.stats.borrowed_spread import FalseCalls
from pitstats.study.cells import counted

# Rows of plans that a reader still takes in at a glance.
_MOST_ROWS = 8
_UNKNOWN = (
    "How much bakes of one pit differ is not known beforehand: look at more than one "
    "spread.",
    "Simulated bakes follow the model of the analysis; real fires may be rougher.",
    "A smaller difference than the one stated needs more bakes.",
)


def plan_bakes(results: PlanResults) -> FirstPage:
    """The plan that will do, its chance in one picture, and what nobody knows."""
    plan, power = results.plan, results.power
    title = "How many bakes does it take?", f"The test is to {question_text(plan)}."
    body: list[Part] = [Text(chances(plan, power))]
    if results.needed is not None:
        body.append(Text(results.of_search(results.needed.sentence)))
    if all(isinstance(value, int) for value in plan.table["bakes"].tolist()):
        caption = "Bars: one simulation error. Line: the chance wanted."
        alt = "Chance of a verdict by number of bakes, a line for each spread."
        draw = partial(plot_power, plan, wanted=power)
        body.append(Picture("power", draw, alt, caption))
    lent = earlier_sentences(plan, power)
    body += [Heading("With your earlier tests" * bool(lent)), Sentences(lent)]
    asked = (
        *(plans, findable, plan_spreads, one_more_bake),
        *(one_pit, budget, order_and_shopping),
    )
    own = [each for each in (ask(results) for ask in asked) if not each.missing]
    return short_page(title, in_short(plan, power), body, _UNKNOWN, own)


@asks("plans", "plans", "What would each plan show?")
def plans(results: PlanResults) -> Answered:
    """All plans, with what they assume."""
    plan = results.plan
    near = nearest_plans(plan, results.power)
    kept = "in the table kept beside this page (CSV)"
    yield naive_plan_sentence(plan, results.power)
    yield Table("plans", plan_table(near), plan_caption(plan), plan.table)
    yield Text(left_out(plan, near, kept))
    yield Sentences(plan.caveats)


@asks("spreads", "spreads", "What do the fires do to it?")
def plan_spreads(results: PlanResults) -> Answered:
    """What the spreads mean in a cook's words."""
    plan = results.plan
    middle = _middle(plan)
    others = sorted(set(plan.table["sd_bake"].tolist()) - {middle})
    said = [explain_spread(own, plan.rate) for own in others]
    yield explain_spread(middle, plan.rate)
    yield Sentences(said)


@asks("steps", "one more bake", "What does one more bake buy?")
def one_more_bake(results: PlanResults) -> Answered:
    """What the bakes there are can find, and what one more buys."""
    found, more = results.smallest, results.steps
    caption = "What one more bake of every pit buys, against twice the items"
    yield more_bakes_or_items(more)
    yield Text(smallest_sentence(found, *results.first))
    yield Table("one_more_bake", plan_table(more), caption, more.table)


@asks("finds", "other numbers of bakes", "What can other numbers of bakes find?")
def findable(results: PlanResults) -> Answered:
    """The smallest difference that each number of bakes finds; what all pairs cost."""
    if results.plan.pilot:
        raise DesignError(
            "The rate and the spread come from a pilot; the curve is for stated ones."
        )
    curve = results.curve
    columns: Columns = {
        "Bakes a pit": "bakes",
        "Smallest difference found": written(points, "difference"),
    }
    caption = (
        f"Smallest difference from {percent(results.plan.rate)} that two pits, or a "
        f"pair named beforehand, need to be told apart with a chance of "
        f"{percent(results.power)} (spread {_spread(results.spread)}; simulation "
        f"error up to {points(curve['difference_error'].max())})"
    )
    answer, *said = found_sentences(results)
    yield answer
    yield Sentences(said)
    yield table_of("finds", curve, caption, columns)


def found_sentences(results: PlanResults) -> list[str]:
    """What numbers of bakes find, and what looking at all pairs costs."""
    named = " between a pair named beforehand" if results.plan.pits > 2 else ""
    given = f"{results.items} items a bake, spread {_spread(results.spread)}, "
    found = curve_sentence(results.curve, results.power, named, given)
    said = [results.of_search(found)]
    pair, plan = results.pair, results.plan
    if pair is not None:
        own = plan.table[plan.table["sd_bake"] == results.spread]
        both = own.merge(pair.table, on=["bakes", "items"], suffixes=("", "_pair"))
        worst = both.iloc[int((both["power_pair"] - both["power"]).argmax())]
        said.append(
            f"Looking at all pairs of {plan.pits} pits has its price: with "
            f"{_times(worst['bakes'])} of {worst['items']} items a pair is told apart "
            f"in {percent(worst['power'])} of tests, a pair named beforehand, the only "
            f"one to be judged, in {percent(worst['power_pair'])} (spread "
            f"{_spread(results.spread)}; simulation error up to "
            f"{points(max(worst['power_error'], worst['power_error_pair']))})."
        )
    return said


@asks("one-pit", "one pit", "What of one pit alone?")
def one_pit(results: PlanResults) -> Answered:
    """What plans say of a single pit, and the bound if nothing burns."""
    both = results.one_pit.table.merge(results.none_burned.table, on=["bakes", "items"])
    columns: Columns = {
        "Bakes": "bakes",
        "Items a bake": "items",
        "Mean interval": span_of(percent, "low", "high"),
        "Width": written(points, "width"),
        "Width if each item counted": written(points, "naive_width"),
        "If none burn: rate still up to": written(percent, "upper"),
        "Rule of three says": written(percent, "rule_of_three"),
    }
    rate, most = percent(results.plan.rate), both.iloc[-1]
    caption = (
        f"A single pit that burns {rate} in the long run: what its "
        f"{level_text(results.plan.conf_level)} interval would look like (spread "
        f"{_spread(results.spread)}; unit of replication: the bake)"
    )
    answer = (
        f"In {most['bakes']:.0f} bakes of {most['items']:.0f} items its interval is "
        f"about {points(most['width'])} wide. If none burn, its rate may still be up "
        f"to {percent(most['upper'])}."
    )
    table = table_of("one_pit", both, caption, columns)
    yield answer
    yield table
    yield Sentences(results.one_pit.caveats)


@asks("budget", "a budget", "How is the budget best split?")
def budget(results: PlanResults) -> Answered:
    """How a budget is best split between bakes and items."""
    split = results.split
    caption = f"Ways to spend {split.budget:g}"
    yield split_sentence(split)
    yield Table("budget", plan_table(split.plan), caption, split.table)
    yield Sentences([own for own in split.caveats if own not in results.plan.caveats])


@asks("order", "a layout", "Who bakes when, and what to buy?")
def order_and_shopping(results: PlanResults) -> Answered:
    """Order of bakes, rules, and the shopping list."""
    layout, needs = results.layout, results.shopping
    assert layout is not None
    known = layout.bakes.dropna(axis="columns", how="all")
    caption = f"Bakes in their drawn order (seed {layout.seed})"
    yield needs.sentence
    yield Sentences([*layout.rules, *layout.caveats])
    yield Table("order", known, caption)
    yield Table("shopping", needs.table, "What to buy, bring and allow for")
    yield Sentences(needs.caveats)


def question_text(plan: BakePlan) -> str:
    """What the plan is to find."""
    other = plan.rate + plan.difference
    return (
        f"tell {percent(plan.rate)} burned from {percent(other)} (a difference of "
        f"{points(plan.difference)}) between {count(plan.pits, 'pit')}"
    )


def in_short(plan: BakePlan, power: float) -> str:
    """The cheapest plan that reaches the chance, or which comes nearest."""
    mood, row = _mood(_middle(plan)), _nearest(plan.usual, power)
    bakes, items = _times(row["bakes"]), f"{row['items']} items each"
    if plan.usual.cheapest(power) is not None:
        return (
            f"With {mood} it takes {bakes} of every pit with {items} for a chance of "
            f"{percent(power)} or more."
        )
    near = "comes" if row["bakes"] == 1 else "come"
    return (
        f"With {mood} none of these plans reaches a chance of {percent(power)}; "
        f"{bakes} with {items} {near} nearest."
    )


def chances(plan: BakePlan, power: float) -> str:
    """Chance of that plan at every spread asked about, with its largest error."""
    row = _nearest(plan.usual, power)
    own = _same(plan, row).sort_values("sd_bake")
    parts = [
        f"{percent(each['power'])} with {_mood(each['sd_bake'])}"
        for each in own.to_dict("records")
    ]
    return (
        f"Chance with {_times(row['bakes'])} of {row['items']} items: "
        f"{', '.join(parts)} ({error_of(own['power_error'])})."
    )


def error_of(errors: pd.Series) -> str:
    """Largest simulation error of some chances, or that they are exact."""
    error = float(errors.max())
    return f"simulation error up to {points(error)}" if error else "exact"


def _nearest(usual: BakePlan, power: float) -> pd.Series:
    """The cheapest plan that reaches the chance, else the one that comes nearest."""
    best = usual.cheapest(power)
    most = usual.table.iloc[int(usual.table["power"].argmax())]
    return most if best is None else best


def _same(plan: BakePlan, row: pd.Series) -> pd.DataFrame:
    """One plan at every spread."""
    own = plan.table[["bakes", "items"]].eq(row[["bakes", "items"]]).all(axis=1)
    return plan.table.loc[own]


def _middle(plan: BakePlan) -> float:
    return float(plan.usual.table["sd_bake"].iloc[0])


def _mood(spread: float) -> str:
    """Name a spread the way a cook would, with its number."""
    word, near = min(SPREADS.items(), key=lambda named: abs(named[1] - spread))
    if abs(spread - near) < 1e-9:
        return f"{word} fires (spread {_spread(spread)})"
    return f"a spread of {_spread(spread)} between bakes ({word} fires have {near:g})"


def _fires(spread: float) -> str:
    """A spread that has a name with it, as a cell of a table."""
    names = {value: f"{word} ({value:g})" for word, value in SPREADS.items()}
    return names.get(spread, _spread(spread))


def _spread(value: float) -> str:
    """A spread between bakes with two digits: an estimate tells no more."""
    return f"{float(value):.2g}"


def _times(bakes: object) -> str:
    if isinstance(bakes, str):
        return f"{bakes} bakes by pit"
    return counted(int(str(bakes)), "bake")


def naive_plan_sentence(plan: BakePlan, power: float) -> str:
    """How far off the usual formula is for the plan that the page begins with."""
    row = _nearest(plan.usual, power)
    error = row["power_error"]
    sure = f"error {points(error)}" if error else "exact"
    return (
        f"If every item counted, a formula would promise {percent(row['naive_power'])} "
        f"for {row['bakes']} bakes of {row['items']} items; the analysis itself finds "
        f"{percent(row['power'])} (spread {_spread(row['sd_bake'])}, {sure})."
    )


def more_bakes_or_items(steps: BakePlan) -> str:
    """One more bake against twice the items."""
    rows = steps.table.set_index("note").to_dict("index")
    notes = ("as planned", "one more bake", "twice the items")
    now, bake, twice = (rows[note] for note in notes)
    return (
        f"From {now['bakes']} bakes of {now['items']} items ({percent(now['power'])}), "
        f"one more bake gives {percent(bake['power'])}, twice the items "
        f"{percent(twice['power'])} ({error_of(steps.table['power_error'])})."
    )


def smallest_sentence(found: SmallestDifference, bakes: int, items: int) -> str:
    """What can be found with the bakes and items there are."""
    start = f"With {bakes} bakes of {items} items a pit"
    if math.isnan(found.difference):
        return (
            f"{start}, no difference from {percent(found.rate)} is found with a chance "
            f"of {percent(found.power)}."
        )
    error = max(100 * found.difference_error, 0.1)
    return (
        f"{start}, the smallest difference found with a chance of "
        f"{percent(found.power)} is about {points(found.difference)} (from "
        f"{percent(found.rate)}; simulation error {error:.1f} points)."
    )


def split_sentence(split: SplitPlan) -> str:
    """How a budget is best spent."""
    best = split.best
    return (
        f"A budget of {split.budget:g} is best spent on {best['bakes']} bakes of "
        f"{best['items']} items a pit: chance {percent(best['power'])}, simulation "
        f"error {points(best['power_error'])}, spread {_spread(best['sd_bake'])}."
    )


def plan_table(plan: BakePlan) -> pd.DataFrame:
    """Table of plans, ready to read."""
    table = plan.table
    columns: Columns = {
        "Bakes a pit": "bakes",
        "Items a bake": "items",
        "Fires (spread)": written(_fires, "sd_bake"),
        "Chance to separate": _chance("power"),
    }
    if plan.looks:
        columns["With one look"] = written(percent, "one_look_power")
        columns["False alarm, one look"] = written(percent, "one_look_false_alarm")
        columns["Mean bakes a pit"] = lambda row: (
            f"{row['mean_bakes']:.1f} ± {row['mean_bakes_error']:.1g}"
        )
    if plan.earlier is not None:
        columns["With the earlier spread"] = _chance("borrowed_power")
        columns["Its false alarm"] = _chance("borrowed_false_alarm")
        columns["Borrowing refused"] = written(percent, "refused")
    columns["Width of the interval"] = _chance("width", points)
    columns["False alarm"] = _chance("false_alarm")
    if table["no_difference"].notna().any():
        label = "Chance of 'no difference beyond the margin'"
        columns[label] = _chance("no_difference")
    columns["If each item counted"] = written(percent, "naive_power")
    if table["cost"].notna().any():
        columns["Cost"] = written("{:g}".format, "cost")
    if table["note"].astype(bool).any():
        columns["Note"] = "note"
    return shown(table, columns)


def nearest_plans(plan: BakePlan, power: float) -> BakePlan:
    """The plan that answers at every spread, and its neighbors at the middle one.

    A neighbor stands before or after it among the numbers of bakes, or of items.
    """
    table = plan.table
    if len(table) <= _MOST_ROWS:
        return plan
    best, usual = _nearest(plan.usual, power), plan.usual.table
    kept = set(_same(plan, best).index)
    for held in ("bakes", "items"):
        row = usual[usual[held] == best[held]]
        sizes = ["bakes", "items"]
        row = row.sort_values(sizes, key=lambda own: own.map(largest), kind="stable")
        at = row.index.get_loc(best.name)
        kept |= set(row.index[max(at - 1, 0) : at + 2])
    near = replace(plan, table=table.loc[sorted(kept)])
    return plan if len(kept) == len(table) else near


def left_out(plan: BakePlan, near: BakePlan, where: str) -> str:
    """Say which plans are shown and where all of them are; empty if all are shown."""
    if len(near.table) == len(plan.table):
        return ""
    return (
        f"Shown: the plan above at every spread, and its neighbors with "
        f"{_mood(_middle(plan))}. All {len(plan.table)} rows are {where}."
    )


def _chance(name: str, write: Callable[[float], str] = percent) -> Writer:
    """Write a share with its simulation error; one that is exact has none."""

    def write_row(row: Row) -> str:
        error = row[f"{name}_error"]
        beside = f" ± {max(100 * error, 0.1):.1f}" if error else ""
        return write(row[name]) + beside

    return write_row


def earlier_sentences(plan: BakePlan, power: float) -> list[str]:
    """What borrowing an earlier spread buys and risks; empty without one."""
    if plan.earlier is None:
        return []
    sd, factor = plan.earlier
    row = _nearest(plan.usual, power)
    error = max(row["power_error"], row["borrowed_power_error"])
    risk = FalseCalls(
        row["moodier_plain_false_alarm"],
        row["moodier_false_alarm"],
        plan.simulations,
        plan.seed,
    )
    return [
        f"With {earlier_in_words(sd, factor)}, {_times(row['bakes'])} of "
        f"{row['items']} items find the difference in "
        f"{percent(row['borrowed_power'])} of tests, without it in "
        f"{percent(row['power'])} (simulation error up to {points(error)}; spread "
        f"{_spread(row['sd_bake'])}).",
        f"Such bakes leave {percent(row['unknown_weight'])} of the weight on 'spread "
        f"not known' on average; in {percent(row['refused'])} of tests they contradict "
        "the earlier spread, and nothing is borrowed.",
        moodier_sentence(sd, risk),
        "The plain answer leads unless the borrowing was declared before the bakes: "
        f"write [earlier] sd = {sd:.2g}, factor = {factor:.2g} and declared = the day "
        "into the study settings before the first fire.",
    ]


def plan_caption(plan: BakePlan) -> str:
    """What the table of plans shows."""
    return (
        f"Plans to {question_text(plan)}; {level_text(plan.conf_level)} intervals, "
        f"unit of replication: the bake; ± one simulation error ({plan.simulations} "
        f"simulated studies, seed {plan.seed})"
    )
