"""Rates of single pits, what they rest on."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

from pitstats.analysis.results import BurnRates
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import (
    count,
    level_text,
    listed,
    one_line,
    percent,
)
from pitstats.report.wording.scope import rates_averaged_over

_OUTCOME_VERB = {
    "burned": "burned",
    "underbaked": "left under-baked",
    "good": "baked well",
}
_BORROWED = "spread between bakes borrowed from the other pits"


def rate_sentence(rates: BurnRates, pit: str) -> str:
    """One pit's rate, its interval and what it rests on.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates` or `estimate_shares`.
    pit : str
        Name of the pit.

    Returns
    -------
    str
        One or two sentences. None, or all, of the items is said as a count, with how
        high (how low) the true share could be; a pit baked once is spoken of in this
        bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("nothing_burned"))
    >>> "none of" in rate_sentence(rates, "Ferry")
    True
    """
    row, name = _rate_of(rates, pit), one_line(pit)
    if row["n_items"] == 0:
        return f"{name}: no graded items, so no rate."
    verb = _OUTCOME_VERB[rates.outcome]
    ends = f"{percent(row['conf_low'])} to {percent(row['conf_high'])}"
    level = level_text(rates.conf_level)
    average = rates_averaged_over(rates)
    if row["n_bakes"] == 1 and row["n_burned"] > 0:
        width = (
            "width set by assumption, not by these data"
            if rates.table["n_bakes"].max() == 1
            else _BORROWED
        )
        return sentence(
            f"{name} {verb} {row['n_burned']} of {row['n_items']} items in this bake; "
            f"its long-run share, {average}, may be anywhere from {ends} ({level} "
            f"interval; {width})."
        )
    if row["n_burned"] in (0, row["n_items"]):
        return sentence(_none_or_all(rates, row, name))
    return sentence(
        f"{name} {verb} an estimated {percent(row['estimate'])} of items in the long "
        f"run in these conditions, {average} ({level} interval {ends}; "
        f"{count(row['n_bakes'], 'bake')}, {row['n_items']} items)."
    )


def _none_or_all(rates: BurnRates, row: Mapping[Hashable, Any], name: str) -> str:
    """None of n is not 0, and n of n is not 100%: say what is left open."""
    none = row["n_burned"] == 0
    seen = f"{'none of' if none else 'all'} {row['n_items']}"
    where = "this bake" if row["n_bakes"] == 1 else count(row["n_bakes"], "bake")
    open_end = (
        f"up to {percent(row['conf_high'])}"
        if none
        else f"as low as {percent(row['conf_low'])}"
    )
    assumed = "; width set by assumption, not by these data"
    assumed *= int(rates.table["n_bakes"].max() == 1)
    reach = "" if row["n_bakes"] == 1 else " in these conditions"
    return (
        f"{name} {_OUTCOME_VERB[rates.outcome]} {seen} items in {where}; its true "
        f"share could be {open_end}{reach} ({level_text(rates.conf_level)} interval, "
        f"{rates_averaged_over(rates)}{assumed})."
    )


def effective_sentence(rates: BurnRates, pit: str) -> str:
    """Say in words how much the items of shared fires are worth.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.
    pit : str
        Name of the pit.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("one_bake_each"))
    >>> print(effective_sentence(rates, "Ferry"))
    Ferry: 16 items from one bake; how many independent items they are worth is
    unknown.
    """
    row, name = _rate_of(rates, pit), one_line(pit)
    items = row["n_items"]
    if items == 0:
        return f"{name}: no graded items."
    start = f"{name}: {items} items from {count(row['n_bakes'], 'bake')}"
    if math.isnan(row["effective_items"]):
        return sentence(
            f"{start}; how many independent items they are worth is unknown."
        )
    effective = max(round(row["effective_items"]), 1)
    return sentence(f"{start} carry as much as about {effective} independent ones.")


def bake_spread_sentence(rates: BurnRates) -> str:
    """Say how repeatable each pit is: how much its bakes differ.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.

    Returns
    -------
    str
        One sentence in a cook's words and on the logit scale, pit by pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("four_pits"))
    >>> bake_spread_sentence(rates).startswith("How repeatable each pit is")
    True
    """
    if rates.table["n_bakes"].max() <= 1:
        return sentence(
            "With one bake per pit the data say almost nothing about how much bakes of "
            "one pit differ."
        )
    parts = [
        f"{one_line(row['pit'])} unknown from {count(row['n_bakes'], 'bake')}"
        if math.isnan(row["estimate"])
        else f"bakes of {one_line(row['pit'])} {_mood(row)}, {row['estimate']:.2f} "
        f"({row['conf_low']:.2f} to {row['conf_high']:.2f})"
        for row in rates.bake_sd.to_dict("records")
        if row["n_bakes"] > 0
    ]
    return sentence(
        "How repeatable each pit is, as the SD between its bakes on the logit scale "
        f"({level_text(rates.conf_level)} interval): {'; '.join(parts)}."
    )


def _mood(row: Mapping[Hashable, Any]) -> str:
    """Spread of one pit in a cook's words, no surer than its interval."""
    if row["conf_low"] < 0.3 and row["conf_high"] > 1.0:
        return "may hardly differ or differ a lot"
    if row["estimate"] < 0.45:
        return "hardly differed"
    if row["estimate"] < 0.8:
        return "differed about as much as is usual"
    return "differed a lot"


def missing_sentence(rates: BurnRates) -> str:
    """Say what the missing items could have changed.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> import pitstats as ps
    >>> missing_sentence(ps.estimate_burn_rates(ps.demo_study("one_bake_each")))
    'Every item that was placed was graded.'
    """
    frame = rates.missing_range
    affected = frame[frame["n_missing"] > 0]
    if (rates.bakes["source"] == "counts").all():
        return "Only totals were kept, so it is not known whether items were missing."
    if affected.empty:
        return "Every item that was placed was graded."
    parts = [
        f"{one_line(row['pit'])} {percent(row['lowest'])} to "
        f"{percent(row['highest'])} ({row['n_missing']} missing; "
        f"{percent(row['observed'])} with them left out)"
        for row in affected.to_dict("records")
    ]
    return sentence(
        "Missing items are left out, not counted as unburned. Had none or all of "
        "them burned, the shares seen in these bakes would have been: "
        f"{listed(parts)}."
    )


SHRINKAGE = (
    "With few bakes the long-run share lies nearer 50% than the share seen: bakes that "
    "are still to come may be hotter or cooler than these, and a rate near 0% or 100% "
    "has more room on one side. The interval is what to quote."
)


def rates_caption(rates: BurnRates) -> str:
    """Explain the picture of the rates in one line."""
    return (
        "Diamond: long-run estimate; wide bar: its "
        f"{level_text(rates.conf_level)} interval with the bake as the unit; thin "
        "line: the interval if every item counted; circles: single bakes, larger for "
        f"more items.{_places(rates)}"
    )


def rates_table_caption(rates: BurnRates) -> str:
    """Say what a table of rates shows."""
    word = {
        "burned": "Burned items",
        "underbaked": "Under-baked items (palest graded face)",
        "good": "Good items (every graded face within the target grades)",
    }
    return (
        f"{word[rates.outcome]}: long-run share per pit with "
        f"{level_text(rates.conf_level)} interval (unit of replication: the bake)."
        f"{_places(rates)}"
    )


def _places(rates: BurnRates) -> str:
    if rates.layout != "common":
        return " As baked, wherever the items lay."
    return " Counted and averaged over the places that all pits share."


def _rate_of(rates: BurnRates, pit: str) -> Mapping[Hashable, Any]:
    """One pit's row of the table of rates, its numbers as plain int and float."""
    return rates.table.set_index("pit").to_dict("index")[pit]
