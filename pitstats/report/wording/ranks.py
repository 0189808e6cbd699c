"""Ranks in words: places a pit may have, and what a ranking cannot carry."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from pitstats.analysis.rates.ranks import PitRanks
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import level_text, one_line, percent
from pitstats.report.wording.scope import IN_BAKES, IN_CONDITIONS, doubts

if TYPE_CHECKING:
    from pitstats.analysis.fairness import Finding

_PLACES = {
    "common": "over the places that all pits share",
    "own": "over the cells of the stated layout",
}


def rank_sentences(ranks: PitRanks, findings: Sequence[Finding] = ()) -> list[str]:
    """Say how firm the ranking is, and which ranks each pit may have.

    Parameters
    ----------
    ranks : PitRanks
        As returned by `rank_pits`.
    findings : sequence of Finding, default ()
        From `audit_fairness`; where one spoils the comparison, the ranks are of these
        bakes.

    Returns
    -------
    list of str
        How many pairs have a shown order first, then one sentence per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> print(rank_sentences(ps.rank_pits(ps.demo_study("four_pits")))[0])
    These bakes show the order of 1 of 6 pairs of pits...
    """
    spoiled = bool(doubts(findings)) or int(ranks.table["n_bakes"].min()) <= 1
    where = IN_BAKES if spoiled else IN_CONDITIONS
    return [
        _how_firm(ranks),
        *(_of_pit(row, ranks, where) for row in ranks.table.to_dict("records")),
    ]


def _how_firm(ranks: PitRanks) -> str:
    level = level_text(ranks.conf_level)
    shown = ranks.n_separated or "none"
    text = (
        f"These bakes show the order of {shown} of {ranks.n_pairs} pairs "
        f"of pits (rates averaged over bakes, {_places(ranks)}; {level} intervals that "
        "allow for all pairs)"
    )
    if ranks.n_separated == 0:
        return sentence(f"{text}: this test cannot tell any rank from any other.")
    if ranks.n_separated < ranks.n_pairs:
        return sentence(f"{text}: a list in order of the estimates is not a result.")
    return sentence(f"{text}.")


def _places(ranks: PitRanks) -> str:
    return _PLACES.get(ranks.layout, "wherever the items lay")


def _of_pit(row: dict[object, object], ranks: PitRanks, where: str) -> str:
    low, high = int(str(row["rank_low"])), int(str(row["rank_high"]))
    n_pits = len(ranks.table)
    places = f"rank {low}" if low == high else f"any rank from {low} to {high}"
    bakes = int(str(row["n_bakes"]))
    return sentence(
        f"{one_line(row['pit'])}: {places} of {n_pits} {where} (1 burned least; "
        f"{bakes} {'bake' if bakes == 1 else 'bakes'}); chance that its long-run rate "
        f"is the lowest of all: {_chance(row['chance_lowest'])}; the highest: "
        f"{_chance(row['chance_highest'])}."
    )


def _chance(chance: object) -> str:
    """A chance from draws, which cannot tell little from nothing."""
    value = float(str(chance))
    if value < 0.01:
        return "under 1%"
    return "over 99%" if value > 0.99 else percent(value)


def ranks_table(ranks: PitRanks) -> pd.DataFrame:
    """Ranks with their uncertainty, ready to read.

    Parameters
    ----------
    ranks : PitRanks
        As returned by `rank_pits`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> ranks_table(ps.rank_pits(ps.demo_study("four_pits")))["Ranks possible"][0]
    '1 to 3'
    """
    table = ranks.table
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bakes": table["n_bakes"],
            "Long-run burn rate": [
                f"{percent(rate)} ({percent(low)} to {percent(high)})"
                for rate, low, high in zip(
                    table["estimate"],
                    table["conf_low"],
                    table["conf_high"],
                    strict=True,
                )
            ],
            "Ranks possible": [
                str(low) if low == high else f"{low} to {high}"
                for low, high in zip(table["rank_low"], table["rank_high"], strict=True)
            ],
            "Mean rank": [f"{value:.1f}" for value in table["mean_rank"]],
            "Chance lowest": table["chance_lowest"].map(_chance),
            "Chance highest": table["chance_highest"].map(_chance),
        }
    )


def ranks_caption(ranks: PitRanks) -> str:
    """Say what the table of ranks shows."""
    return (
        "Ranks by long-run burn rate, 1 burned least, averaged over bakes, "
        f"{_places(ranks)}; ranks possible at {level_text(ranks.conf_level)} for all "
        "pits together (unit of replication: the bake)"
    )


FIGURE_CAPTION = (
    "Bar: ranks that the intervals for all pairs leave possible. Dots: chance of each "
    "rank, as area. Long bars mean that more bakes are needed before a ranking says "
    "anything."
)


def ranks_in_words(ranks: PitRanks) -> str:
    """Describe the picture of ranks for those who cannot see it."""
    return " ".join(rank_sentences(ranks)[1:])


def ranks_method(ranks: PitRanks) -> str:
    """Describe the method behind the ranks, with its sources."""
    return (
        f"Ranks: {ranks.method} (Mogstad, Romano, Shaikh and Wilhelm 2024, Review of "
        "Economic Studies 91:476; Klein, Wright and Wieczorek 2020, J R Stat Soc C "
        "69:589). The possible ranks hold for all pits together as often as the "
        "intervals for all pairs do; the chances are posterior probabilities under the "
        "priors of the rates."
    )
