"""How much of each grate can be used: good cells so far, in the long run, next time."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pandas as pd

from pitstats.analysis.places.usable_area import UsableArea
from pitstats.analysis.rates.pairs import seen_ahead
from pitstats.figures.area import plot_chance_good, plot_usable_area
from pitstats.report.numbers import (
    NO_VALUE,
    percent,
    ranged,
    signed_measured,
    signed_points,
)
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
from pitstats.report.tables import (
    Columns,
    Row,
    Writer,
    by_pit,
    estimate,
    highest_first,
    minus,
    of,
    shown,
    table_of,
)
from pitstats.report.words import (
    count,
    intervals_for,
    listed,
    one_line,
    plural,
    separated_pairs,
)

CHANCE_CAPTION = (
    "Counted: good items / graded items of the cell. Beside it the chance, in per "
    "cent, that an item there is good in one more bake, whatever that fire is like; "
    "the bar shows how well the cell's long-run chance is known (0 to 100% across the "
    "cell). Cells borrow from their neighbors; in brackets: no graded item there."
)
_MOST_IN_A_LINE = 4  # pits whose shares fit into one sentence


@asks("area", "usable area", "How much of the grate can be used?")
def area(results: StudyResults) -> Answered:
    """Cells in the target grade: share, area, every bake, and next time."""
    area = results.area
    answer = in_short(area)
    yield answer
    draw = partial(plot_usable_area, area)
    yield Picture("usable_area", draw, answer, usable_area_caption(area))
    yield area_table(area)
    yield grates_table(area)
    yield Sentences(area_pairs_sentences(area))
    yield area_pairs_table(area)
    if not area.one_bake_each:
        chance = partial(plot_chance_good, area)
        alt = "Chance of a good item in one more bake, cell by cell."
        yield Picture("chance_good", chance, alt, CHANCE_CAPTION)
    yield Kept("chance_good", area.cells)
    yield Kept("usable_area_next", area.future)
    yield Kept("usable_area_every", area.every)
    yield Kept("usable_area_bakes", area.bakes)
    yield Sentences(area.caveats)
    how = f"Shares: {area.method}. Area: long-run share of the tested area."
    yield Text(how, "note")


def in_short(area: UsableArea) -> str:
    """Good shares of all pits in a sentence."""
    known = area.table[area.table["n_items"] > 0]
    if area.one_bake_each:
        seen = by_pit(known, of("n_good", "n_items"))
        return f"Good in the one bake of each: {listed(seen)} items."
    shares = by_pit(highest_first(known), estimate(percent))
    if len(shares) > _MOST_IN_A_LINE:
        return f"Good cells in the long run: most {shares[0]}, fewest {shares[-1]}."
    return f"Good cells in the long run: {listed(shares)}."


def area_pairs_sentences(area: UsableArea) -> list[str]:
    """Say which pits differ in usable share and in usable area; numbers stand below."""
    table = area.differences
    if table.empty:
        return ["There is no pair of pits to compare in usable area."]
    if area.one_bake_each:
        return ["Which pit has more usable grate cannot be told from one bake each."]
    measures = [own for own in ("share", "area") if (table["measure"] == own).any()]
    return [_of_measure(table[table["measure"] == own], own, area) for own in measures]


def _of_measure(pairs: pd.DataFrame, measure: str, area: UsableArea) -> str:
    start = f"By {measure}" + " of the tested cells" * (measure == "share")
    differs = separated_pairs(pairs)
    if not differs:
        which = "any two pits apart"
        if len(pairs) == 1:
            one = pairs.iloc[0]
            which = f"{one_line(one['pit_a'])} from {one_line(one['pit_b'])}"
        return f"{start}, these bakes cannot tell {which}."
    parts = []
    for pair in differs:
        by = ranged(_sign_of(measure), pair.low, pair.high).replace("+", "")
        unit = "points" if measure == "share" else area.unit
        parts.append(
            f"{pair.more} has more usable grate than {pair.less}, by {by} {unit}"
        )
    allowed = intervals_for(area.conf_level, len(pairs))
    rest = len(pairs) - len(differs)
    others = f" {count(rest, 'other pair').capitalize()} cannot be told apart."
    said = f"{start}, in these conditions {listed(parts)} ({allowed})."
    return said + others * (rest > 0)


def _sign_of(measure: str) -> Callable[[float], str]:
    return signed_points if measure == "share" else signed_measured


def area_table(area: UsableArea) -> Table:
    """Usable share and area of all pits."""
    coming = area.future[area.future["bakes"] == area.next_bakes].set_index("pit")
    every = area.every.set_index("pit")[["n_every", "cells_complete"]]
    coming = coming[["estimate", "conf_low", "conf_high"]].add_prefix("next_")
    table = area.table.join(every, on="pit").join(coming, on="pit")
    bakes = plural(area.next_bakes, "bake")
    columns: Columns = {
        "Pit": "pit",
        "Bakes": "n_bakes",
        "Good items": of("n_good", "n_items"),
        "Missing": "n_missing",
        "Cells tested": of("cells_tested", "cells"),
        **_estimates(area),
        "Good in every bake so far": lambda row: (
            NO_VALUE if row["n_bakes"] < 2 else of("n_every", "cells_complete")(row)
        ),
    }
    if not area.one_bake_each:
        columns[f"Good through the next {area.next_bakes} {bakes}"] = estimate(
            percent, "next_estimate", "next_conf"
        )
    unit = "unit of replication: the bake"
    if area.one_bake_each:
        unit = "one bake each: width set by assumption, not by these data"
    caption = (
        "Usable grate: items with every graded face in the target grades, long-run "
        f"share of the tested cells with {intervals_for(area.conf_level, 1)} "
        f"({unit}). Missing items are neither good nor bad."
    )
    return table_of("usable_area", table, caption, columns, kept=area.table)


def grates_table(area: UsableArea) -> Table:
    """Usable share and area of each grate of pits with several."""
    caption = "Each grate apart (unit of replication: the bake)"
    columns: Columns = {
        "Pit": "pit",
        "Grate": "grate",
        "Bakes": "n_bakes",
        "Good items": of("n_good", "n_items"),
        **_estimates(area),
    }
    return table_of("usable_area_grates", area.grates, caption, columns)


def _estimates(area: UsableArea) -> dict[str, Writer]:
    """Columns with the long-run share and the area."""

    def size(row: Row) -> str:
        text = estimate("{:.0f}".format, "area")(row)
        return text if text == NO_VALUE else f"{text} of {row['area_tested']:.0f}"

    columns = {"Long-run share": estimate(percent)}
    return columns | ({f"Usable area, {area.unit}": size} if area.unit else {})


def area_pairs_table(area: UsableArea) -> Table:
    """All pairs by share and by area."""
    keys = ["pit_a", "pit_b"]
    # The share, which every study has, decides who is ahead.
    by = area.differences.groupby(keys, sort=False)["estimate"].transform("first")
    turned = seen_ahead(area.differences, by)
    pairs = turned[keys].drop_duplicates()
    table = shown(pairs, {"Pair": minus})
    for measure, unit in (("share", "points"), ("area", area.unit)):
        own = turned[turned["measure"] == measure]
        if len(own):
            size = estimate(_sign_of(measure), ends="simultaneous")
            columns: Columns = {
                f"{measure.capitalize()}, {unit}": size,
                f"Verdict by {measure}": "verdict",
            }
            found = shown(pairs.merge(own, how="left", on=keys), columns)
            table = pd.concat([table, found], axis=1)
    caption = f"All pairs, with {intervals_for(area.conf_level, len(pairs))}"
    return Table("usable_area_pairs", table, caption, area.differences)


def usable_area_caption(area: UsableArea) -> str:
    """Explain the picture of usable area."""
    every = "" if area.one_bake_each else "; square: cells good in every bake so far"
    return (
        "Diamond: long-run share, or area, of tested cells that are good; wide bar: "
        f"its {intervals_for(area.conf_level, 1)}; circles: single bakes{every}."
    )
