"""In what order? Ranks of three pits or more, with what the bakes leave open."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.rates.ranks import PitRanks
from pitstats.errors import DesignError
from pitstats.figures.ranks import plot_ranks
from pitstats.report.numbers import level_text, percent, share_span
from pitstats.report.section import (
    Kept,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.words import IN_BAKES, IN_CONDITIONS, count, doubts, one_line

QUESTION = "In what order?"
FIGURE_CAPTION = (
    "Bar: ranks that the intervals for all pairs leave possible. Dots: chance of each "
    "rank, as area. Long bars: these bakes leave the rank open."
)
_PLACES = {
    "common": "over the places that all pits share",
    "own": "over the cells of the stated layout",
}
_SOURCES = (
    "Mogstad, Romano, Shaikh and Wilhelm 2024, Review of Economic Studies 91:476; "
    "Klein, Wright and Wieczorek 2020, J R Stat Soc C 69:589"
)


def section(results: StudyResults) -> Section:
    """Ranks of three pits or more, with their uncertainty or not at all."""
    try:
        ranks = results.ranks
    except DesignError as reason:
        return nothing("ranks", "ranks", QUESTION, reason)
    said = pit_sentences(ranks, spoiled=bool(doubts(results.findings)))
    draw = partial(plot_ranks, ranks)
    return Section(
        id="ranks",
        question=QUESTION,
        answer=how_firm(ranks),
        body=[
            Picture("ranks", draw, " ".join(said), FIGURE_CAPTION),
            Table("ranks", ranks_table(ranks), _caption(ranks), ranks.table),
            Kept("rank_chances", ranks.chances),
            Sentences([*said, *ranks.caveats]),
            Text(
                f"Ranks: {ranks.method} ({_SOURCES}). They hold for all pits together "
                "as often as the intervals for all pairs do; the chances are posterior "
                "probabilities.",
                "note",
            ),
        ],
    )


def how_firm(ranks: PitRanks) -> str:
    """Of how many pairs the bakes show the order."""
    shown = f"These bakes show the order of {ranks.n_separated or 'none'} of "
    pairs = f"{shown}{ranks.n_pairs} pairs"
    if ranks.n_separated == 0:
        return f"{pairs}: this test cannot tell any rank from any other."
    if ranks.n_separated < ranks.n_pairs:
        return f"{pairs}: a list in order of the estimates is not a result."
    return f"{pairs}."


def pit_sentences(ranks: PitRanks, *, spoiled: bool = False) -> list[str]:
    """Which ranks each pit may have; of these bakes where something spoils them."""
    these = spoiled or int(ranks.table["n_bakes"].min()) <= 1
    where = IN_BAKES if these else IN_CONDITIONS
    return [_of_pit(row, ranks, where) for row in ranks.table.to_dict("records")]


def _of_pit(row: Mapping[Hashable, Any], ranks: PitRanks, where: str) -> str:
    low, high = int(row["rank_low"]), int(row["rank_high"])
    places = f"rank {low}" if low == high else f"any rank from {low} to {high}"
    return (
        f"{one_line(row['pit'])}: {places} of {len(ranks.table)} {where} (1 burned "
        f"least; {count(int(row['n_bakes']), 'bake')}); chance that its long-run rate "
        f"is the lowest of all: {_chance(row['chance_lowest'])}; the highest: "
        f"{_chance(row['chance_highest'])}."
    )


def _chance(chance: float) -> str:
    """A chance from draws, which cannot tell little from nothing."""
    if chance < 0.01:
        return "under 1%"
    return "over 99%" if chance > 0.99 else percent(chance)


def ranks_table(ranks: PitRanks) -> pd.DataFrame:
    """Ranks with their uncertainty, ready to read."""
    rows = ranks.table.to_dict("records")
    return pd.DataFrame(
        {
            "Pit": [one_line(row["pit"]) for row in rows],
            "Bakes": [row["n_bakes"] for row in rows],
            "Long-run burn rate": [
                share_span(row["estimate"], row["conf_low"], row["conf_high"])
                for row in rows
            ],
            "Ranks possible": [
                str(row["rank_low"])
                if row["rank_low"] == row["rank_high"]
                else f"{row['rank_low']} to {row['rank_high']}"
                for row in rows
            ],
            "Mean rank": [f"{row['mean_rank']:.1f}" for row in rows],
            "Chance lowest": [_chance(row["chance_lowest"]) for row in rows],
            "Chance highest": [_chance(row["chance_highest"]) for row in rows],
        }
    )


def _caption(ranks: PitRanks) -> str:
    places = _PLACES.get(ranks.layout, "wherever the items lay")
    return (
        f"Ranks by long-run burn rate, 1 burned least, averaged over bakes, {places}; "
        f"ranks possible at {level_text(ranks.conf_level)} for all pits together (unit "
        "of replication: the bake)"
    )
