"""Which pit burns more: the answer, the number, how firm it is, the picture."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import pandas as pd

from pitstats.analysis.fairness import settings_differ
from pitstats.analysis.rates.pairs import CANNOT_TELL, largest_difference
from pitstats.analysis.results import PitComparison
from pitstats.figures.rates import plot_rates
from pitstats.report.numbers import level_text, points, signed_size
from pitstats.report.section import Number, Picture
from pitstats.report.sections.rates import rate_sentence
from pitstats.report.sections.sensitivity import falls_when
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import by_pit
from pitstats.report.words import (
    AS_SET_UP,
    BORROWED,
    BY_ASSUMPTION,
    IN_BAKES,
    Ahead,
    ahead,
    all_pairs,
    averaged_over,
    bakes_behind,
    conditions,
    count,
    doubts,
    fewest_bakes,
    listed,
    more_span,
    number_word,
    of_severity,
    one_line,
    pits_of,
    plural,
    sentence,
    separated_pairs,
)

# Pairs that the answer can name with their intervals in one sentence.
_NAMED = 2


def answer(results: StudyResults) -> str:
    """Answer the study's question, no stronger than the evidence."""
    comparison = results.comparison
    if comparison.one_bake_each:
        return _one_bake_each(comparison)
    verdicts = comparison.table["verdict"]
    apart = separated_pairs(comparison.table)
    pits = pits_of(comparison.table)
    as_set_up = settings_differ(results.study, pits)
    where = conditions(comparison, pits, results.findings, as_set_up=as_set_up)
    if apart:
        text = _separated(comparison, apart, where)
        unsure = "; this test cannot tell whether the pits caused that"
        return sentence(text + unsure * bool(doubts(results.findings)))
    level = level_text(comparison.conf_level)
    n_pairs = len(verdicts)
    if (verdicts == "no difference beyond the margin").all():
        between = f"the {len(pits)} pits" if n_pairs > 1 else listed(pits)
        text = (
            f"No difference larger than {points(comparison.margin or 0)} between "
            f"{between} {where} ({level} {plural(n_pairs, 'interval')}"
            f"{all_pairs(n_pairs)})"
        )
    elif n_pairs == 1:
        pair = ahead(comparison.table.iloc[0])
        text = (
            f"This test cannot tell whether {pair.more} or {pair.less} burns more "
            f"{where}: {level} interval {more_span(pair.low, pair.high)} for "
            f"{pair.more}"
        )
    else:
        text = (
            f"This test cannot tell which of the {number_word(len(pits))} pits burns "
            f"more {where}: no pair is separated "
            f"({level} intervals{all_pairs(n_pairs)})"
        )
    hidden = "; what went with the pits may hide a difference"
    return sentence(text + hidden * bool(doubts(results.findings)))


def _one_bake_each(comparison: PitComparison) -> str:
    known = comparison.rates[comparison.rates["n_items"] > 0]
    seen = by_pit(known, lambda row: f"burned {row['n_burned']} of {row['n_items']}")
    start = "This test cannot say which pit burns more, because each pit was baked once"
    if len(seen) > 3:
        return sentence(start)
    return f"{start}: {IN_BAKES} {listed(seen)} items."


def _separated(comparison: PitComparison, pairs: Sequence[Ahead], where: str) -> str:
    n_pairs = len(comparison.table)
    if len(pairs) > _NAMED:
        return (
            f"{len(pairs)} of {n_pairs} pairs of pits are separated {where}: "
            f"{_above(pairs)}"
        )
    level = f"{level_text(comparison.conf_level)} interval "
    named = "; ".join(
        f"{pair.more} burned more than {pair.less} "
        f"({level * (n_pairs == 1)}{more_span(pair.low, pair.high)})"
        for pair in pairs
    )
    rest = n_pairs - len(pairs)
    others = f"; {count(rest, 'other pair')} not separated" if rest else ""
    return f"{named} {where}{others}"


def _above(pairs: Sequence[Ahead]) -> str:
    below: dict[str, list[str]] = {}
    for pair in pairs:
        below.setdefault(pair.more, []).append(pair.less)
    return "; ".join(f"{more} above {listed(less)}" for more, less in below.items())


def number(results: StudyResults) -> Number:
    """The one number with its range, what it rests on, and how firm it is."""
    comparison = results.comparison
    row = largest_difference(comparison.table)
    pair, n_pairs = ahead(row), len(comparison.table)
    level = level_text(comparison.conf_level)
    pits = [str(row["pit_a"]), str(row["pit_b"])]
    size, single = points(pair.estimate), comparison.one_bake_each
    if single:
        size += " apart, no verdict"
    elif row["verdict"] == CANNOT_TELL:
        size += ", cannot tell"
    which = f", the largest of {n_pairs} differences and picked after looking"
    as_set_up = AS_SET_UP * settings_differ(results.study, pits)
    borrowed = not single and fewest_bakes(comparison, pits) <= 1
    lines = [
        f"{pair.more} minus {pair.less}{which * (n_pairs > 1)}: {level} interval "
        f"{more_span(pair.low, pair.high)}{all_pairs(n_pairs)}{as_set_up}.",
        sentence(BY_ASSUMPTION) if single else "",
        sentence(
            f"{averaged_over(comparison.layout)}; {bakes_behind(comparison, pits)}"
        ),
        sentence(BORROWED) if borrowed else "",
        borrowed_sentence(comparison, row),
        firmness(results),
        margin_sentence(comparison, row),
    ]
    return Number(size, [line for line in lines if line])


def borrowed_sentence(comparison: PitComparison, pair: pd.Series) -> str:
    """What leads on a spread of earlier tests, and what would stand without it."""
    earlier = comparison.earlier
    if earlier is None or not earlier.leads:
        return ""
    plain = earlier.plain.set_index(["pit_a", "pit_b"], drop=False)
    alone = ahead(plain.loc[(pair["pit_a"], pair["pit_b"])])
    return (
        "The spread between bakes is borrowed from earlier tests; without that "
        f"{more_span(alone.low, alone.high)} for {alone.more}. Rates of single pits "
        "borrow nothing."
    )


def margin_sentence(comparison: PitComparison, pair: pd.Series) -> str:
    """Answer the margin that was stated: more, less, or this test cannot say."""
    margin = comparison.margin
    if margin is None or comparison.one_bake_each:
        return ""
    low, high = float(pair["simultaneous_low"]), float(pair["simultaneous_high"])
    stated = f"Against the stated margin of {points(margin)}: "
    if min(abs(low), abs(high)) > margin and low * high > 0:
        return f"{stated}the difference is larger."
    if max(abs(low), abs(high)) < margin:
        return f"{stated}the difference is smaller."
    return f"{stated}this test cannot say whether the difference is larger."


def firmness(results: StudyResults) -> str:
    """Say what changes the verdict; empty where none was given."""
    tried = results.sensitivity
    if tried.reported["verdict"] == "one bake each" or tried.tried().empty:
        return ""
    if tried.fragile:
        return f"Fragile: the verdict changes {falls_when(tried)}."
    tries = []
    if tried.n_left_out:
        # The only bake of a pit cannot be left out, nor are all of very many.
        n, there = tried.n_left_out, int(tried.reported["n_bakes"])
        bakes = f"{n}" if n == there else f"{n} of the {there}"
        tries.append(f"without any one of {bakes} bakes")
    if tried.largest_shift is not None:
        by = signed_size(tried.largest_shift["shift"])
        tries.append(
            "under every alternative that keeps all, the furthest moving the "
            f"difference by {by}"
        )
    stands = f"the verdict stands {' and '.join(tries)}"
    # Not fragile, so what is left is a session, which takes bakes of both pits.
    falls = falls_when(tried)
    if falls:
        return sentence(f"{stands}. It changes {falls}")
    which = " for this pair" * (len(tried.leading.table) > 1)
    if tried.reported["verdict"] == CANNOT_TELL:
        return f"No verdict{which} either {' and '.join(tries)}."
    if tried.largest_shift is None:
        return sentence(f"{stands}; nothing else could be tried")
    return f"Firm{which}: {stands}."


def doubt_lines(results: StudyResults) -> list[str]:
    """What spoils the comparison, with what to do: it belongs beside the answer."""
    return [
        one_line(f"{finding.message} {finding.fix}")
        for finding in of_severity(results.findings, "spoils")
    ]


def picture(results: StudyResults) -> Picture:
    """Rates of all pits, every bake in sight."""
    rates = results.both.rates
    words = " ".join(rate_sentence(rates, pit) for pit in rates.table["pit"])
    level = level_text(rates.conf_level)
    bar = f"bar: {level} interval, the bake as the unit; "
    if results.comparison.one_bake_each:
        caption = sentence(f"{bar}circles: single bakes")
    else:
        caption = (
            f"Diamond: long-run share; {bar}thin line: if every item counted; circles: "
            "single bakes. Long-run shares are of many fires: a little off these "
            "counts."
        )
    return Picture("rates", partial(plot_rates, rates), words, caption)
