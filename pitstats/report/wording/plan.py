"""Plans in, sentences out: how many bakes, what they would show, what they cost."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pandas as pd

from pitstats.planning.allocation import SplitPlan
from pitstats.planning.designs import SPREADS
from pitstats.planning.power import BakePlan
from pitstats.planning.questions import SmallestDifference
from pitstats.report.wording import count, level_text, percent, points

NO_VERDICT = "No verdict comes from one bake each."


def plan_answer(plan: BakePlan, power: float = 0.8) -> str:
    """Answer "how many bakes and items do I need?" in one sentence.

    Parameters
    ----------
    plan : BakePlan
        As returned by `plan_bakes`.
    power : float, default 0.8
        Chance wanted.

    Returns
    -------
    str
        The cheapest plan that reaches the chance, or how near the best one comes.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], [12], simulations=200, rng=1, progress=False)
    >>> "none of these plans can tell" in plan_answer(plan)
    True
    """
    what = question_text(plan)
    spreads = sorted(set(plan.table["sd_bake"].tolist()))
    middle = spreads[(len(spreads) - 1) // 2]
    usual = replace(plan, table=plan.table[plan.table["sd_bake"] == middle])
    best = usual.cheapest(power)
    if best is not None:
        return (
            f"With {_mood(middle)} it takes {_times(best['bakes'])} of every pit with "
            f"{best['items']} items each to {what} with a chance of {percent(power)} "
            f"or more: {_chances(plan, best)}."
        )
    top = usual.table.iloc[int(usual.table["power"].argmax())]
    return (
        f"With {_mood(middle)} none of these plans can {what} with a chance of "
        f"{percent(power)}. The best, {_times(top['bakes'])} with {top['items']} items "
        "each, gives "
        f"{_chances(plan, top)}. Plan more bakes, or look for a larger difference."
    )


def _chances(plan: BakePlan, row: pd.Series) -> str:
    """Chance of one design at every spread asked about, with its largest error."""
    same = (plan.table["bakes"] == row["bakes"]) & (plan.table["items"] == row["items"])
    own = plan.table[same].sort_values("sd_bake")
    parts = [
        f"{percent(chance)} with {_mood(spread)}"
        for chance, spread in zip(own["power"], own["sd_bake"], strict=True)
    ]
    error = 100 * float(own["power_error"].max())
    return f"{', '.join(parts)} (simulation error up to {points(error / 100)})"


def _mood(spread: float) -> str:
    """Name a spread the way a cook would, with its number."""
    for word, value in SPREADS.items():
        if abs(spread - value) < 1e-9:
            return f"{word} fires (spread {_spread(spread)})"
    return f"a spread between bakes of {_spread(spread)} on the logit scale"


def _spread(value: float) -> str:
    """Write a spread between bakes with two digits: an estimate tells no more.

    Examples
    --------
    >>> _spread(0.53906), _spread(1.0)
    ('0.54', '1')
    """
    return f"{float(value):.2g}"


def question_text(plan: BakePlan) -> str:
    """Say what the plan is to find."""
    other = plan.rate + plan.difference
    return (
        f"tell {percent(plan.rate)} burned from {percent(other)} (a difference of "
        f"{points(plan.difference)}) between {count(plan.pits, 'pit')}"
    )


def _times(bakes: object) -> str:
    return f"{bakes} bakes" if not isinstance(bakes, str) else f"{bakes} bakes by pit"


def _chance(row: pd.Series) -> str:
    return (
        f"chance {percent(float(row['power']))}, simulation error "
        f"{points(float(row['power_error']))}, spread between bakes "
        f"{_spread(row['sd_bake'])}"
    )


def naive_plan_sentence(plan: BakePlan) -> str:
    """Say how far off the usual formula is.

    Parameters
    ----------
    plan : BakePlan
        As returned by `plan_bakes`.

    Returns
    -------
    str
        One sentence about the plan where the formula promises most.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], [12], simulations=200, rng=1, progress=False)
    >>> "if every item counted" in naive_plan_sentence(plan)
    True
    """
    gap = plan.table["naive_power"] - plan.table["power"]
    row = plan.table.iloc[int(gap.argmax())]
    return (
        f"A formula for independent items, as if every item counted on its own, would "
        f"promise {percent(float(row['naive_power']))} for {row['bakes']} bakes of "
        f"{row['items']} items where the simulation finds "
        f"{percent(float(row['power']))} (spread {_spread(row['sd_bake'])}): items of "
        "one bake share one fire."
    )


def more_bakes_or_items(steps: BakePlan) -> str:
    """Compare one more bake with twice the items.

    Parameters
    ----------
    steps : BakePlan
        As returned by `one_more_bake`.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> from pitstats.planning.questions import one_more_bake
    >>> steps = one_more_bake(3, 12, simulations=200, rng=1, progress=False)
    >>> more_bakes_or_items(steps).startswith("From 3 bakes of 12 items")
    True
    """
    rows: dict[str, Any] = {
        str(row["note"]): row for row in steps.table.to_dict("records")
    }
    now, bake, twice = (
        rows[name] for name in ("as planned", "one more bake", "twice the items")
    )
    return (
        f"From {now['bakes']} bakes of {now['items']} items ({percent(now['power'])}), "
        f"one more bake of every pit lifts the chance to {percent(bake['power'])}; "
        f"twice the items in the same bakes to {percent(twice['power'])} (simulation "
        f"error about {points(now['power_error'])})."
    )


def smallest_sentence(found: SmallestDifference, bakes: int, items: int) -> str:
    """Say what can be found with the bakes and items there are.

    Parameters
    ----------
    found : SmallestDifference
        As returned by `smallest_difference`.
    bakes, items : int
        Bakes per pit and items per bake it was asked about.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> from pitstats.planning.questions import smallest_difference
    >>> found = smallest_difference(4, 18, simulations=200, rng=1, progress=False)
    >>> smallest_sentence(found, 4, 18).startswith("With 4 bakes of 18 items")
    True
    """
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
    """Say how a budget is best spent.

    Parameters
    ----------
    split : SplitPlan
        As returned by `best_split`.

    Returns
    -------
    str
        One or two sentences.

    Examples
    --------
    >>> from pitstats.planning.allocation import best_split
    >>> split = best_split(200, 20, 0.4, simulations=200, rng=1, progress=False)
    >>> split_sentence(split).startswith("A budget of 200 is best spent")
    True
    """
    best = split.best
    text = (
        f"A budget of {split.budget:g} is best spent on {best['bakes']} bakes of "
        f"{best['items']} items a pit: {_chance(best)}."
    )
    if split.formula is not None:
        text += (
            f" The textbook formula for one pit says {split.formula.items:.0f} items a "
            "bake; it does not know the price of few bakes."
        )
    return text


NOT_OBSERVED_POWER = (
    "This is a plan for a new test, not the power of the finished one: the power of a "
    "finished test at the difference it found only repeats its p-value (Hoenig and "
    "Heisey 2001, American Statistician 55:19)."
)


def new_test_sentences(plan: BakePlan) -> list[str]:
    """Say what new tests of several sizes would show, and how often they would err.

    Parameters
    ----------
    plan : BakePlan
        Plans with one number of items and several spreads between bakes.

    Returns
    -------
    list of str
        One sentence per number of bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], 18, simulations=200, rng=1, progress=False)
    >>> new_test_sentences(plan)[0].startswith("2 bakes of 18 items")
    True
    """
    lines = []
    for bakes, own in plan.table.groupby("bakes", sort=False):
        low, high = own["power"].min(), own["power"].max()
        error = 100 * own["power_error"].max()
        chance = (
            percent(low)
            if percent(low) == percent(high)
            else f"{percent(low)} to {percent(high)}"
        )
        lines.append(
            f"{bakes} bakes of {own['items'].iloc[0]} items a pit: if the rates "
            f"estimated here were the truth, {percent(plan.rate)} and "
            f"{percent(plan.rate + plan.difference)}, a new test would separate the "
            f"pits with a chance of {chance}, by how moody the fires are; if there"
            " were no difference it would cry wolf in at most "
            f"{percent(own['false_alarm'].max())} (simulation error up to "
            f"{points(error / 100)})."
        )
    return lines


def plan_table(plan: BakePlan) -> pd.DataFrame:
    """Table of plans, ready to read.

    Parameters
    ----------
    plan : BakePlan
        As returned by `plan_bakes`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per plan.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes([2, 3], [12], simulations=200, rng=1, progress=False)
    >>> plan_table(plan).shape[0]
    2
    """
    table = plan.table
    columns: dict[str, Any] = {
        "Bakes a pit": table["bakes"],
        "Items a bake": table["items"],
        "Spread": [_spread(value) for value in table["sd_bake"]],
        "ICC": [f"{value:.2f}" for value in table["icc"]],
        "Chance to separate": _with_errors(table, "power"),
        **_look_columns(plan),
        "Width of the interval": [
            f"{points(width)} ± {100 * error:.1f}"
            for width, error in zip(table["width"], table["width_error"], strict=True)
        ],
        "False alarm": _with_errors(table, "false_alarm"),
    }
    if table["no_difference"].notna().any():
        columns["Chance of 'no difference beyond the margin'"] = _with_errors(
            table, "no_difference"
        )
    columns["If each item counted"] = table["naive_power"].map(percent)
    if table["cost"].notna().any():
        columns["Cost"] = [f"{value:g}" for value in table["cost"]]
    if table["note"].astype(bool).any():
        columns["Note"] = table["note"]
    return pd.DataFrame(columns)


def _look_columns(plan: BakePlan) -> dict[str, Any]:
    """Columns of a plan that may stop early."""
    if not plan.looks:
        return {}
    table = plan.table
    return {
        "With one look": table["one_look_power"].map(percent),
        "Mean bakes a pit": [
            f"{mean:.1f} ± {error:.1g}"
            for mean, error in zip(
                table["mean_bakes"], table["mean_bakes_error"], strict=True
            )
        ],
    }


def _with_errors(table: pd.DataFrame, name: str) -> list[str]:
    return [
        f"{percent(value)} ± {100 * error:.1f}"
        for value, error in zip(table[name], table[f"{name}_error"], strict=True)
    ]


def plan_caption(plan: BakePlan) -> str:
    """Say what the table of plans shows."""
    level = level_text(plan.conf_level)
    return (
        f"Plans to {question_text(plan)}; {level} intervals, unit of replication: the "
        f"bake; ± one simulation error ({plan.simulations} simulated studies, seed "
        f"{plan.seed})"
    )


def plan_in_words(plan: BakePlan) -> str:
    """Describe the power curves for those who cannot see them."""
    return " ".join(
        f"{row['bakes']} bakes of {row['items']} items, spread "
        f"{_spread(row['sd_bake'])}: {percent(row['power'])}."
        for row in plan.table.to_dict("records")
    )
