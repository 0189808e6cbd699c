"""How often does each pit burn? Long-run shares, bakes, and what items are worth."""

from __future__ import annotations

import math

from pitstats.analysis.results import BurnRates
from pitstats.report.numbers import level_text, percent, ranged
from pitstats.report.section import Answered, Sentences, Table, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import (
    Columns,
    Row,
    by_pit,
    estimate,
    highest_first,
    interval,
    of,
    table_of,
    with_naive,
    written,
)
from pitstats.report.words import (
    BY_ASSUMPTION,
    averaged_over,
    count,
    listed,
    one_line,
    read_with,
)

SHRINKAGE = (
    "With few bakes the long-run share lies nearer 50% than the share seen: later "
    "bakes may be hotter or cooler, and a rate near 0% or 100% has more room on one "
    "side. The interval is what to quote."
)


@asks("rates", "rates", "How often does each pit burn?")
def rates(results: StudyResults) -> Answered:
    """Rates of all pits, what their items are worth, how much bakes differ."""
    rates, leading = results.rates, results.both.rates
    yield in_short(leading)
    yield Text(read_with(results.findings, "rates"), "note")
    if leading is not rates and leading.layout == "common":
        yield _table("rates_common_layout", leading)
    yield _table("rates_burned", rates)
    yield Sentences(bake_spread_sentences(rates))
    yield Text(SHRINKAGE, "note")


def in_short(rates: BurnRates) -> str:
    """Shares of all pits with their intervals in one sentence."""
    known = rates.table[rates.table["n_items"] > 0]
    if known.empty or known["n_bakes"].max() <= 1:
        seen = by_pit(known, of("n_burned", "n_items"))
        return f"Seen in one bake each: {', '.join(seen)}."
    return f"In the long run {listed(by_pit(highest_first(known), estimate(percent)))}."


def rate_sentence(rates: BurnRates, pit: str) -> str:
    """One pit's rate, its interval and what it rests on."""
    row = rates.table.set_index("pit").to_dict("index")[pit]
    name = one_line(pit)
    if row["n_items"] == 0:
        return f"{name}: no graded items, so no rate."
    level = level_text(rates.conf_level)
    single, burned, items = row["n_bakes"] == 1, row["n_burned"], row["n_items"]
    ends = ranged(percent, row["conf_low"], row["conf_high"])
    assumed = f"; {BY_ASSUMPTION}" * int(rates.table["n_bakes"].max() == 1)
    if burned in (0, items):
        bakes = "this bake" if single else count(row["n_bakes"], "bake")
        return (
            f"{name} burned {'all' if burned else 'none of'} {items} items in {bakes}; "
            f"its true share could be {could_be(row)} ({level} interval{assumed})."
        )
    if single:
        return (
            f"{name} burned {burned} of {items} items in this bake; its long-run share "
            f"may be anywhere from {ends} ({level} interval{assumed})."
        )
    return (
        f"{name} burned an estimated {percent(row['estimate'])} of items in the long "
        f"run in these conditions ({level} interval {ends}; "
        f"{count(row['n_bakes'], 'bake')}, {items} items)."
    )


def could_be(row: Row) -> str:
    """How far the share of a pit of whose items none or all burned could be off."""
    if row["n_burned"] == 0:
        return f"up to {percent(row['conf_high'])}"
    return f"as low as {percent(row['conf_low'])}"


def bake_spread_sentences(rates: BurnRates) -> list[str]:
    """Say how repeatable each pit is, in words and on the logit scale."""
    if rates.table["n_bakes"].max() <= 1:
        return [
            "With one bake per pit the data say almost nothing about how much bakes of "
            "one pit differ."
        ]
    level = level_text(rates.conf_level)
    return [_repeatable(row, level) for row in rates.bake_sd.to_dict("records")]


def _repeatable(row: Row, level: str) -> str:
    """Spread of one pit, unknown below two bakes; nothing for a pit without any."""
    name = one_line(row["pit"])
    if row["n_bakes"] == 0:
        return ""
    if math.isnan(row["estimate"]):
        bakes = count(row["n_bakes"], "bake")
        return f"How far bakes of {name} differ is unknown from {bakes}."
    ends = f"{row['conf_low']:.2f} to {row['conf_high']:.2f}"
    return (
        f"Bakes of {name} {_mood(row)}: SD {row['estimate']:.2f} on the logit scale "
        f"({level} interval {ends})."
    )


# By the lower and the upper end of a spread: steady, usual or moody fires.
_MOODS = (
    (
        "hardly differed",
        "may hardly differ or differ as is usual",
        "may hardly differ or differ a lot",
    ),
    ("", "differed about as much as is usual", "differed as is usual or more"),
    ("", "", "differed a lot"),
)


def _mood(row: Row) -> str:
    """Spread of one pit in a cook's words, no surer than its interval."""
    low, high = (
        (row[end] >= 0.45) + (row[end] >= 0.8) for end in ("conf_low", "conf_high")
    )
    return _MOODS[low][high]


def _table(name: str, rates: BurnRates) -> Table:
    caption = (
        f"Burned items: long-run share with {level_text(rates.conf_level)} interval, "
        f"{averaged_over(rates.layout)} (unit of replication: the bake)"
    )
    columns: Columns = {
        "Pit": "pit",
        "Burned": of("n_burned", "n_items"),
        "Long-run share": estimate(percent),
        "Bakes": "n_bakes",
        "Missing": written("{:.0f}".format, "n_missing"),
        "If each item counted": interval(percent, "naive"),
        "Worth (independent items)": written("{:.0f}".format, "effective_items"),
    }
    rows = with_naive(rates.table, rates.naive)
    # Totals do not say how many items were lost.
    placed = rates.bakes.loc[rates.bakes["source"] != "counts", "pit"]
    rows["n_missing"] = rows["n_missing"].where(rows["pit"].isin(placed))
    return table_of(name, rows, caption, columns, kept=rates.table)
