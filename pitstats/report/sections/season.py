"""A season of studies: rates, pairs across days, and how it went on."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.season.estimate import NO_BRIDGE
from pitstats.analysis.season.graders import FEWEST_BAKES
from pitstats.figures.season import plot_season
from pitstats.report.numbers import (
    level_text,
    percent,
    points_span,
    share_span,
    span_points,
)
from pitstats.report.season_results import SeasonResults
from pitstats.report.section import (
    FirstPage,
    Heading,
    Kept,
    Part,
    Picture,
    Pictures,
    Section,
    Sentences,
    Table,
    Text,
    Title,
    nothing,
)
from pitstats.report.sections.first_page import every_question
from pitstats.report.sections.grading import kappa_text
from pitstats.report.words import Ahead, ahead, count, listed, one_line

_NO_LOOKS = (
    "Looked at after every study, a season calls equal pits different more often than "
    "its level says; the rule for planned looks was not applied here."
)
Row = Mapping[Hashable, Any]


def first_page(results: SeasonResults) -> FirstPage:
    """The answer, every study in one picture, and every other question in a line."""
    bakes = results.season.bakes
    n_studies = count(len(results.season.studies), "study").replace("studys", "studies")
    kicker = f"{n_studies}, {count(len(bakes), 'bake')}, {bakes['pit'].nunique()} pits"
    caption = (
        "Thin: each study alone, as baked; thick: the season. Unit of replication: the "
        "bake; "
        f"{level_text(results.conf_level)} intervals."
    )
    picture = Picture(
        "season",
        partial(plot_season, results.season, results.estimate),
        in_short_rates(results),
        caption,
    )
    body: list[Part] = [
        Title(one_line(results.season.path.name), kicker),
        Text(in_short_pairs(results), "answer"),
        Pictures([picture]),
        Heading("What cannot be said"),
        Sentences([*results.estimate.caveats]),
        *every_question([ask(results) for ask in (rates, pairs, course, graders)]),
    ]
    return FirstPage(body)


def rates(results: SeasonResults) -> Section:
    """How often each pit burned over the season, and how much days differed."""
    table = results.estimate.table
    rows = table.to_dict("records")
    shown = pd.DataFrame(
        {
            "Pit": [one_line(row["pit"]) for row in rows],
            "Burned": [f"{row['n_burned']} of {row['n_items']}" for row in rows],
            "Long-run share": [_share(row) for row in rows],
            "Bakes": table["n_bakes"],
            "Studies": table["n_studies"],
        }
    )
    caption = (
        f"Burned items over the season: long-run share with "
        f"{level_text(results.conf_level)} interval (unit of replication: the bake)"
    )
    spread = results.estimate.spread
    said = [_spread(row) for row in spread.to_dict("records")]
    return Section(
        id="season-rates",
        question="How often does each pit burn?",
        answer=in_short_rates(results),
        body=[
            Table("season_rates", shown, caption, table),
            Sentences(said),
            Kept("season_spread", spread),
            Kept("season_studies", results.season.rates),
            Text(f"How: {results.estimate.method}.", "note"),
        ],
    )


def in_short_rates(results: SeasonResults) -> str:
    """Shares of all pits with their intervals."""
    rows = results.estimate.table.sort_values("estimate", ascending=False)
    shares = [f"{one_line(r['pit'])} {_share(r)}" for r in rows.to_dict("records")]
    return f"Over the season {listed(shares)}."


def _share(row: Row) -> str:
    return share_span(row["estimate"], row["conf_low"], row["conf_high"])


def _spread(row: Row) -> str:
    sd, meaning = float(row["estimate"]), row["meaning"]
    if math.isnan(sd):
        return f"Spread {meaning}: the record has no such level."
    ends = f"{row['conf_low']:.2f} to {row['conf_high']:.2f}"
    return f"Spread {meaning}: SD {sd:.2f} on the logit scale ({ends})."


def pairs(results: SeasonResults) -> Section:
    """Which pit burned more, within studies and across them."""
    table = results.estimate.differences
    shown = pd.DataFrame([_pair_cells(row) for row in table.to_dict("records")])
    level = level_text(results.conf_level)
    caption = (
        f"All pairs over the season, first pit ahead: {level} intervals that allow for "
        "all pairs. Bridge: share that rests on other pits baked with both"
    )
    return Section(
        id="season-pairs",
        question="Which pit burns more?",
        answer=in_short_pairs(results),
        body=[Table("season_pairs", shown, caption, table), Text(_NO_LOOKS, "note")],
    )


def _pair_cells(row: Row) -> dict[str, object]:
    if row["verdict"] == NO_BRIDGE:
        names = f"{one_line(row['pit_a'])}, {one_line(row['pit_b'])}"
        return {"Pair": names, "Difference": "", "Bridge": "", "Verdict": NO_BRIDGE}
    pair = ahead(row)
    bridge = row["bridge_share"]
    return {
        "Pair": f"{pair.more}, {pair.less}",
        "Difference": points_span(pair.estimate, pair.low, pair.high),
        "Bridge": "days alike" if pd.isna(bridge) else percent(bridge),
        "Verdict": row["verdict"],
    }


def in_short_pairs(results: SeasonResults) -> str:
    """The firmest difference, or that the season cannot tell."""
    table = results.estimate.differences
    firm = table[table["verdict"].str.startswith("differs")]
    lead = "If all days were alike, " if results.days_alike else "Over the season "
    if firm.empty:
        return f"{lead}no pair of pits can be told apart."
    largest = int(firm["estimate"].abs().to_numpy().argmax())
    pair = ahead(firm.iloc[largest])
    more = f"; {len(firm)} of {len(table)} pairs differ" if len(firm) > 1 else ""
    return f"{lead}{pair.more} burned more than {pair.less}: {_points(pair)}{more}."


def _points(pair: Ahead) -> str:
    return f"{span_points(pair.low, pair.high)} points"


def course(results: SeasonResults) -> Section:
    """Who improved, how repeatable each pit and tender is, and what does not count."""
    change, spread = results.change, results.repeatability
    left = results.season.left_out
    body: list[Part] = [Kept("season_progress", results.progress)]
    if len(change):
        shown = pd.DataFrame(
            {
                "Pit": change["pit"].map(one_line),
                "Earlier": change["early"].map(percent),
                "Later": change["late"].map(percent),
                "Change": [
                    points_span(row["change"], row["conf_low"], row["conf_high"])
                    for row in change.to_dict("records")
                ],
                "Verdict": change["verdict"],
            }
        )
        caption = "Later half of each pit's studies against the earlier half, in points"
        body.append(Table("season_change", shown, caption, change))
    shown = pd.DataFrame(
        {
            "Of": spread["of"],
            "Name": spread["name"].map(one_line),
            "Bakes": spread["n_bakes"],
            "SD between bakes": [
                "unknown"
                if pd.isna(row["estimate"])
                else f"{row['estimate']:.2f} ({row['conf_low']:.2f} to "
                f"{row['conf_high']:.2f})"
                for row in spread.to_dict("records")
            ],
        }
    )
    caption = "How far bakes scatter (SD on the logit scale); unknown below three bakes"
    body.append(Table("season_repeatability", shown, caption, spread))
    if results.lent:
        sd, factor = results.lent
        body.append(
            Text(
                f"The next plan may borrow a spread between bakes of {sd:.2f} (SD, "
                f"logit scale), known within a factor of {factor:.1f}.",
                "note",
            )
        )
    if len(left):
        caption = "Bakes that do not count, each with its reason"
        body.append(Table("season_left_out", left, caption))
    return Section(
        id="season-course",
        question="Who improved, and how steady is each pit?",
        answer=_in_short_course(change),
        body=body,
    )


def _in_short_course(change: pd.DataFrame) -> str:
    if change.empty:
        return "No pit was baked in two studies, so nothing can be said about change."
    firm = change[change["verdict"].str.startswith("differs")]
    if firm.empty:
        return "No pit's later studies can be told from its earlier ones."
    parts = [
        f"{one_line(row['pit'])} burned {'more' if row['change'] > 0 else 'less'} later"
        for row in firm.to_dict("records")
    ]
    return f"{listed(parts)}."


def graders(results: SeasonResults) -> Section:
    """Whether the graders of the season see alike, where items were graded twice."""
    table = results.graders
    question = "Do the graders see alike?"
    if table.empty:
        why = "No items were graded twice by graders whose names are on record."
        return nothing("season-graders", "graders", question, why)
    rows = table.to_dict("records")
    shown = pd.DataFrame(
        {
            "Grader": table["grader"].map(one_line),
            "Against": table["against"],
            "Items": table["n_items"],
            "Bakes": table["n_bakes"],
            "Studies": table["n_studies"],
            "Same grade": table["agree"].map(percent),
            "Darker": table["n_darker"],
            "Paler": table["n_paler"],
            "Kappa": [_kappa(row, "kappa", "kappa") for row in rows],
            "Weighted kappa": [
                _kappa(row, "weighted_kappa", "weighted") for row in rows
            ],
        }
    )
    caption = (
        "Items graded twice over the season, deciding face: agreement beyond chance "
        f"(1 full, 0 that of chance) with {level_text(results.conf_level)} intervals "
        "(unit of replication: the bake); unknown below three bakes. Darker, paler: "
        "items to which this grader gave the darker or paler of the two grades; "
        "against own first grades, the second time"
    )
    return Section(
        id="season-graders",
        question=question,
        answer=_in_short_graders(rows),
        body=[
            Table("season_graders", shown, caption, table),
            Sentences(
                [
                    f"{one_line(row['grader'])} with {row['against']}: {row['note']}"
                    for row in rows
                    if row["note"] and row["n_bakes"] >= FEWEST_BAKES
                ]
            ),
        ],
        topic="graders",
    )


def _kappa(row: Row, value: str, ends: str) -> str:
    low, high = row[f"{ends}_low"], row[f"{ends}_high"]
    text = kappa_text(row[value], low, high)
    known = math.isnan(row[value]) or not math.isnan(low)
    return text if known else f"{text}, interval unknown"


def _in_short_graders(rows: Sequence[Row]) -> str:
    """Kappa of every grader that has an interval, or that nothing is known yet."""
    known = [row for row in rows if not math.isnan(row["weighted_low"])]
    if not known:
        return "Too few bakes were graded twice to say."
    parts = [
        f"{one_line(row['grader'])} with {row['against']} "
        f"{_kappa(row, 'weighted_kappa', 'weighted')}"
        for row in known
    ]
    return f"Agreement beyond chance (weighted kappa): {listed(parts)}."
