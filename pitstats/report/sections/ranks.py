"""In what order? Ranks of three pits or more, with what the bakes leave open."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.rates.ranks import PitRanks
from pitstats.figures.ranks import plot_ranks
from pitstats.report.numbers import level_text, percent
from pitstats.report.section import (
    Answered,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Row, estimate, table_of, written
from pitstats.report.words import averaged_over, conditions

FIGURE_CAPTION = (
    "Bar: ranks that the intervals for all pairs leave possible. Dots: chance of each "
    "rank, as area. Long bars: these bakes leave the rank open."
)
_SOURCES = (
    "Mogstad, Romano, Shaikh and Wilhelm 2024, Review of Economic Studies 91:476; "
    "Klein, Wright and Wieczorek 2020, J R Stat Soc C 69:589"
)


@asks("ranks", "ranks", "In what order?")
def ranks(results: StudyResults) -> Answered:
    """Ranks of three pits or more, with their uncertainty or not at all."""
    ranks, pits = results.ranks, results.ranks.table["pit"].tolist()
    where = conditions(results.comparison, pits, results.findings)
    answer = how_firm(ranks)
    yield answer
    yield Picture("ranks", partial(plot_ranks, ranks), answer, FIGURE_CAPTION)
    yield ranks_table(ranks, where)
    yield Kept("rank_chances", ranks.chances)
    yield Sentences(ranks.caveats)
    yield Text(
        f"Ranks: {ranks.method} ({_SOURCES}). They hold for all pits together as "
        "often as the intervals for all pairs do; the chances are posterior "
        "probabilities.",
        "note",
    )


def how_firm(ranks: PitRanks) -> str:
    """Of how many pairs the bakes show the order."""
    n_shown = f"{ranks.n_separated or 'none'} of {ranks.n_pairs} pairs"
    pairs = f"These bakes show the order of {n_shown}"
    if ranks.n_separated == 0:
        return f"{pairs}: this test cannot tell any rank from any other."
    if ranks.n_separated < ranks.n_pairs:
        return f"{pairs}: a list in order of the estimates is not a result."
    return f"{pairs}."


def _chance(chance: float) -> str:
    """A chance from draws, which cannot tell little from nothing."""
    if chance < 0.01:
        return "under 1%"
    return "over 99%" if chance > 0.99 else percent(chance)


def ranks_table(ranks: PitRanks, where: str) -> Table:
    """Ranks with their uncertainty."""
    return table_of(
        "ranks",
        ranks.table,
        f"Ranks by long-run burn rate {where}, 1 burned least, "
        f"{averaged_over(ranks.layout)}; rates with "
        f"{level_text(ranks.conf_level)} intervals, ranks possible at that level for "
        "all pits together (unit of replication: the bake)",
        {
            "Pit": "pit",
            "Bakes": "n_bakes",
            "Long-run burn rate": estimate(percent),
            "Ranks possible": _possible,
            "Mean rank": written("{:.1f}".format, "mean_rank"),
            "Chance lowest": written(_chance, "chance_lowest"),
            "Chance highest": written(_chance, "chance_highest"),
        },
    )


def _possible(row: Row) -> str:
    ends = dict.fromkeys([row["rank_low"], row["rank_high"]])
    return " to ".join(map(str, ends))
