"""A season of studies: rates, pairs across days, and how it went on."""

from __future__ import annotations

import math
from functools import partial

import pandas as pd

from pitstats.analysis.rates.pairs import largest_difference, seen_ahead
from pitstats.analysis.season.estimate import NO_BRIDGE
from pitstats.analysis.season.graders import FEWEST_BAKES
from pitstats.errors import DesignError
from pitstats.figures.season import plot_season
from pitstats.report.numbers import NO_VALUE, level_text, percent, signed_points
from pitstats.report.season_results import SeasonResults
from pitstats.report.section import (
    Answered,
    FirstPage,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections.first_page import short_page
from pitstats.report.sections.grading import kappa
from pitstats.report.tables import (
    Columns,
    Row,
    Writer,
    by_pit,
    estimate,
    highest_first,
    minus,
    of,
    table_of,
    written,
)
from pitstats.report.words import (
    ahead,
    all_pairs,
    count,
    listed,
    more_span,
    number_word,
    one_line,
    plural,
    separated,
)

_sd = estimate("{:.2f}".format, unknown="unknown")
_NO_LOOKS = (
    "Looked at after every study, a season calls equal pits different more often than "
    "its level says; the rule for planned looks was not applied here."
)


def season(results: SeasonResults) -> FirstPage:
    """The answer, every study in one picture, and every other question in a line."""
    bakes, n_studies = results.season.bakes, len(results.season.studies)
    kicker = (
        f"{count(n_studies, 'study', 'studies')}, {count(len(bakes), 'bake')}, "
        f"{count(bakes['pit'].nunique(), 'pit')}"
    )
    caption = (
        "Thin: each study alone, as baked; thick: the season, a share of many further "
        "days, so it may lie nearer to 50% than every study. Unit of replication: the "
        f"bake; {level_text(results.conf_level)} intervals."
    )
    draw = partial(plot_season, results.season, results.estimate)
    picture = Picture("season", draw, in_short_rates(results), caption)
    asked = (season_rates, season_pairs, season_course, season_graders)
    title = one_line(results.season.name), kicker
    own = [ask(results) for ask in asked]
    unknown = results.estimate.caveats
    return short_page(title, in_short_pairs(results), [picture], unknown, own)


@asks("season-rates", "rates", "How often does each pit burn?")
def season_rates(results: SeasonResults) -> Answered:
    """How often each pit burned over the season, and how much days differed."""
    table, spread = results.estimate.table, results.estimate.spread
    columns: Columns = {
        "Pit": "pit",
        "Burned": of("n_burned", "n_items"),
        "Long-run share": estimate(percent),
        "Bakes": "n_bakes",
        "Studies": "n_studies",
    }
    caption = (
        f"Burned items over the season: long-run share with "
        f"{level_text(results.conf_level)} interval (unit of replication: the bake)"
    )
    yield in_short_rates(results)
    yield table_of("season_rates", table, caption, columns)
    yield Sentences([_spread(row) for row in spread.to_dict("records")])
    yield Kept("season_spread", spread)
    yield Kept("season_studies", results.season.rates)
    yield Text(f"How: {results.estimate.method}.", "note")


def in_short_rates(results: SeasonResults) -> str:
    """Shares of all pits with their intervals."""
    shares = by_pit(highest_first(results.estimate.table), estimate(percent))
    return f"Over the season {listed(shares)}."


def _spread(row: Row) -> str:
    if math.isnan(row["estimate"]):
        return f"Spread {row['meaning']}: the record has no such level."
    return f"Spread {row['meaning']}: SD {_sd(row)} on the logit scale."


@asks("season-pairs", "pairs", "Which pit burns more?")
def season_pairs(results: SeasonResults) -> Answered:
    """Which pit burned more, within studies and across them."""
    table = results.estimate.differences
    columns: Columns = {
        "Pair": minus,
        "Difference, points": estimate(signed_points, ends="simultaneous"),
        "Bridge": _bridge,
        "Verdict": "verdict",
    }
    level = level_text(results.conf_level)
    caption = (
        f"All pairs over the season, first pit ahead: {level} intervals that allow for "
        "all pairs (unit of replication: the bake). Bridge: share that rests on other "
        "pits baked with both"
    )
    yield _in_short_differences(table)
    yield table_of("season_pairs", seen_ahead(table), caption, columns, kept=table)
    yield Text(_NO_LOOKS, "note")


def _in_short_differences(table: pd.DataFrame) -> str:
    """How many pairs are told apart, and how many have nothing that links them."""
    n_apart = len(separated(table))
    n_unlinked = int(table["verdict"].eq(NO_BRIDGE).sum())
    n_linked = len(table) - n_unlinked
    unlinked = f"nothing links the pits of {count(n_unlinked, 'pair')}"
    if not n_linked:
        return f"This season cannot tell: {unlinked}."
    if n_linked == 1:
        which = "one linked pair" if n_unlinked else "one pair"
        told = f"The {which} {'is' if n_apart else 'cannot be'} told apart"
    else:
        told = (
            f"{number_word(n_apart).capitalize()} of {count(n_linked, 'pair')} "
            f"{plural(n_apart, 'is', 'are')} told apart"
        )
    return f"{told}; {unlinked}." if n_unlinked else f"{told}."


def _bridge(row: Row) -> str:
    if row["verdict"] == NO_BRIDGE:
        return NO_VALUE
    bridge = row["bridge_share"]
    return "days alike" if pd.isna(bridge) else percent(bridge)


def in_short_pairs(results: SeasonResults) -> str:
    """The firmest difference, or that the season cannot tell."""
    table = results.estimate.differences
    firm = separated(table)
    lead = "If all days were alike, " if results.days_alike else "Over the season "
    if firm.empty:
        return f"{lead}no pair of pits can be told apart."
    pair = ahead(largest_difference(firm))
    level = f"{level_text(results.conf_level)} interval{all_pairs(len(table))}"
    by = more_span(pair.low, pair.high)
    return f"{lead}{pair.more} burned more than {pair.less}: {by} ({level})."


@asks("season-course", "course", "Who improved, and how steady is each pit?")
def season_course(results: SeasonResults) -> Answered:
    """Who improved, how repeatable each pit and tender is, and what does not count."""
    change, spread = results.change, results.repeatability
    changed: Columns = {
        "Pit": "pit",
        "Earlier": estimate(percent, "early"),
        "Later": estimate(percent, "late"),
        "Change": estimate(signed_points, "change"),
        "Verdict": "verdict",
    }
    steady: Columns = {"Of": "of", "Name": "name", "Bakes": "n_bakes"}
    steady["SD between bakes"] = _sd
    level = level_text(results.conf_level)
    halves = (
        f"Later half of each pit's studies less the earlier half, in points, with "
        f"{level} intervals, each for itself (unit of replication: the bake). A half "
        "has fewer bakes than the season: both shares may lie nearer to 50% than the "
        "season's"
    )
    scatter = (
        f"How far bakes scatter (SD on the logit scale, {level} intervals); unknown "
        "below three bakes"
    )
    left = "Bakes that do not count, each with its reason"
    yield _in_short_course(change)
    yield Kept("season_progress", results.progress)
    yield table_of("season_change", change, halves, changed)
    yield table_of("season_repeatability", spread, scatter, steady)
    yield Text(_lent(results), "note")
    yield Table("season_left_out", results.season.left_out, left)


def _lent(results: SeasonResults) -> str:
    if not results.lent:
        return ""
    sd, factor = results.lent
    return (
        f"The next plan may borrow a spread between bakes of {sd:.2f} (SD, logit "
        f"scale), known within a factor of {factor:.1f}."
    )


def _in_short_course(change: pd.DataFrame) -> str:
    if change.empty:
        return "No pit was baked in two studies, so nothing can be said about change."
    firm = separated(change)
    if firm.empty:
        return "No pit's later studies can be told from its earlier ones."
    turned = by_pit(
        firm, lambda row: f"burned {'more' if row['change'] > 0 else 'less'} later"
    )
    return f"{listed(turned)}."


@asks("season-graders", "graders", "Do the graders see alike?")
def season_graders(results: SeasonResults) -> Answered:
    """Whether the graders of the season see alike, where items were graded twice."""
    table = results.graders
    if table.empty:
        raise DesignError(
            "No items were graded twice by graders whose names are on record."
        )
    columns: Columns = {
        "Grader": "grader",
        "Against": "against",
        "Items": "n_items",
        "Bakes": "n_bakes",
        "Studies": "n_studies",
        "Same grade": written(percent, "agree"),
        "Darker": "n_darker",
        "Paler": "n_paler",
        "Kappa": _kappa("kappa", "kappa"),
        "Weighted kappa": _WEIGHTED,
    }
    caption = (
        "Items graded twice over the season, deciding face: agreement beyond chance "
        f"(1 full, 0 that of chance) with {level_text(results.conf_level)} intervals "
        "(unit of replication: the bake); unknown below three bakes. Darker, paler: "
        "items to which this grader gave the darker or paler of the two grades; "
        "against own first grades, the second time"
    )
    notes = [
        f"{_graders(row)}: {row['note']}"
        for row in table.to_dict("records")
        if row["note"] and row["n_bakes"] >= FEWEST_BAKES
    ]
    yield _in_short_graders(table)
    yield table_of("season_graders", table, caption, columns)
    yield Sentences(notes)


def _kappa(name: str, ends: str) -> Writer:
    """Write kappa, and say where its interval is not known."""

    def write(row: Row) -> str:
        known = math.isnan(row[name]) or not math.isnan(row[f"{ends}_low"])
        return kappa(name, ends)(row) + ("" if known else ", interval unknown")

    return write


_WEIGHTED = _kappa("weighted_kappa", "weighted")


def _graders(row: Row) -> str:
    return f"{one_line(row['grader'])} with {row['against']}"


def _in_short_graders(table: pd.DataFrame) -> str:
    """Kappa of every grader that has an interval, or that nothing is known yet."""
    known = table.dropna(subset="weighted_low").to_dict("records")
    if not known:
        return "Too few bakes were graded twice to say."
    parts = [f"{_graders(row)} {_WEIGHTED(row)}" for row in known]
    return f"Agreement beyond chance (1 is full, 0 none): {listed(parts)}."
