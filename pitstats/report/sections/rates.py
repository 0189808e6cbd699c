"""How often does each pit burn? Long-run shares, bakes, and what items are worth."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from pitstats.analysis.results import BurnRates
from pitstats.report.numbers import level_text, percent, share_span, span, spans
from pitstats.report.section import Part, Section, Sentences, Table, Text
from pitstats.report.study_results import StudyResults
from pitstats.report.words import BY_ASSUMPTION, count, listed, one_line, read_with

QUESTION = "How often does each pit burn?"
VERB = {"burned": "burned", "underbaked": "left under-baked", "good": "baked well"}
_COLUMN = {"burned": "Burned", "underbaked": "Under-baked", "good": "Good"}
_PLACES = {
    "common": "over the places that all pits share",
    "as baked": "as baked, wherever the items lay",
}
SHRINKAGE = (
    "With few bakes the long-run share lies nearer 50% than the share seen: later "
    "bakes may be hotter or cooler, and a rate near 0% or 100% has more room on one "
    "side. The interval is what to quote."
)


def section(results: StudyResults) -> Section:
    """Rates of all pits, what their items are worth, how much bakes differ."""
    rates, leading = results.rates, results.both.rates
    beside = read_with(results.findings, "rates")
    body: list[Part] = [Text(beside, "note")] if beside else []
    if leading is not rates and leading.layout == "common":
        body.append(_table("rates_common_layout", leading))
    body.append(_table(f"rates_{rates.outcome}", rates))
    said = [effective_sentence(rates, pit) for pit in rates.table["pit"]]
    body += [Sentences([*bake_spread_sentences(rates), *said]), Text(SHRINKAGE, "note")]
    return Section(id="rates", question=QUESTION, answer=in_short(leading), body=body)


def in_short(rates: BurnRates) -> str:
    """Shares of all pits with their intervals in one sentence."""
    rows = [row for row in rates.table.to_dict("records") if row["n_items"]]
    if max((row["n_bakes"] for row in rows), default=0) <= 1:
        seen = [f"{_name(row)} {row['n_burned']} of {row['n_items']}" for row in rows]
        return f"Seen in one bake each: {', '.join(seen)}."
    rows.sort(key=lambda row: -row["estimate"])
    shares = [
        f"{_name(row)} {share_span(row['estimate'], row['conf_low'], row['conf_high'])}"
        for row in rows
    ]
    return f"In the long run {listed(shares)}."


def _name(row: Mapping[Hashable, Any]) -> str:
    return one_line(row["pit"])


def rate_sentence(rates: BurnRates, pit: str) -> str:
    """One pit's rate, its interval and what it rests on."""
    row, name = _rate_of(rates, pit), one_line(pit)
    if row["n_items"] == 0:
        return f"{name}: no graded items, so no rate."
    verb, level = VERB[rates.outcome], level_text(rates.conf_level)
    single, burned, items = row["n_bakes"] == 1, row["n_burned"], row["n_items"]
    ends = span(row["conf_low"], row["conf_high"])
    assumed = f"; {BY_ASSUMPTION}" * int(rates.table["n_bakes"].max() == 1)
    if burned in (0, items):
        none = burned == 0
        seen = f"{'none of' if none else 'all'} {items}"
        end = percent(row["conf_high" if none else "conf_low"])
        return (
            f"{name} {verb} {seen} items in "
            f"{'this bake' if single else count(row['n_bakes'], 'bake')}; its true "
            f"share could be {'up to' if none else 'as low as'} {end} ({level} "
            f"interval{assumed})."
        )
    if single:
        return (
            f"{name} {verb} {burned} of {items} items in this bake; its long-run share "
            f"may be anywhere from {ends} ({level} interval{assumed})."
        )
    return (
        f"{name} {verb} an estimated {percent(row['estimate'])} of items in the long "
        f"run in these conditions ({level} interval {ends}; "
        f"{count(row['n_bakes'], 'bake')}, {items} items)."
    )


def effective_sentence(rates: BurnRates, pit: str) -> str:
    """Say in words how much the items of shared fires are worth."""
    row, name = _rate_of(rates, pit), one_line(pit)
    if row["n_items"] == 0:
        return f"{name}: no graded items."
    start = (
        f"{name}: {count(row['n_items'], 'item')} from {count(row['n_bakes'], 'bake')}"
    )
    if math.isnan(row["effective_items"]):
        return f"{start}; how many independent items they are worth is unknown."
    effective = max(round(row["effective_items"]), 1)
    return f"{start} carry as much as about {effective} independent ones."


def bake_spread_sentences(rates: BurnRates) -> list[str]:
    """Say how repeatable each pit is, in words and on the logit scale."""
    if rates.table["n_bakes"].max() <= 1:
        return [
            "With one bake per pit the data say almost nothing about how much bakes of "
            "one pit differ."
        ]
    parts = [_repeatable(row) for row in rates.bake_sd.to_dict("records")]
    return [
        "How repeatable each pit is, as the SD between its bakes on the logit scale "
        f"({level_text(rates.conf_level)} interval): {'; '.join(filter(None, parts))}."
    ]


def _repeatable(row: Mapping[Hashable, Any]) -> str:
    """Spread of one pit, unknown below two bakes; nothing for a pit without any."""
    name = one_line(row["pit"])
    if row["n_bakes"] == 0:
        return ""
    if math.isnan(row["estimate"]):
        return f"{name} unknown from {count(row['n_bakes'], 'bake')}"
    ends = f"{row['conf_low']:.2f} to {row['conf_high']:.2f}"
    return f"bakes of {name} {_mood(row)}, {row['estimate']:.2f} ({ends})"


def _mood(row: Mapping[Hashable, Any]) -> str:
    """Spread of one pit in a cook's words, no surer than its interval."""
    if row["conf_low"] < 0.3 and row["conf_high"] > 1.0:
        return "may hardly differ or differ a lot"
    if row["estimate"] < 0.45:
        return "hardly differed"
    if row["estimate"] < 0.8:
        return "differed about as much as is usual"
    return "differed a lot"


def _table(name: str, rates: BurnRates) -> Table:
    caption = (
        f"{_COLUMN[rates.outcome]} items: long-run share with "
        f"{level_text(rates.conf_level)} interval, {_PLACES[rates.layout]} (unit of "
        "replication: the bake)"
    )
    return Table(name, rate_table(rates), caption, rates.table)


def rate_table(rates: BurnRates) -> pd.DataFrame:
    """Rates of all pits, ready to read."""
    table, naive = rates.table, rates.naive
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            _COLUMN[rates.outcome]: [
                f"{burned} of {total}"
                for burned, total in zip(
                    table["n_burned"], table["n_items"], strict=True
                )
            ],
            "Long-run share": [
                share_span(*ends)
                for ends in zip(
                    table["estimate"],
                    table["conf_low"],
                    table["conf_high"],
                    strict=True,
                )
            ],
            "Bakes": table["n_bakes"],
            "Missing": table["n_missing"],
            "If each item counted": spans(naive),
            "Worth (independent items)": [
                "unknown" if pd.isna(value) else f"{value:.0f}"
                for value in table["effective_items"]
            ],
        }
    )


def _rate_of(rates: BurnRates, pit: str) -> Mapping[Hashable, Any]:
    """One pit's row of the table of rates, its numbers as plain int and float."""
    return rates.table.set_index("pit").to_dict("index")[pit]
