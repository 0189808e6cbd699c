"""Rise in words: how far items rose, and where on the grate."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.heat.rise import RiseComparison
from pitstats.errors import DesignError
from pitstats.figures.rise import plot_rise
from pitstats.report.numbers import level_text, ranged, tenths
from pitstats.report.section import (
    Answered,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections.temperatures import MoreThan, difference_sentences
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Columns, Row, Writer, by_pit, estimate, table_of
from pitstats.report.words import ahead, count, listed, one_line

BESIDE_BROWNING = (
    "Rise and browning tell different things. Rise shows how much heat reached the "
    "item before it set, browning how fast its faces were heated: a face can char in "
    "strong radiation while the item rises like its neighbors."
)
NO_RISE = "No rise was recorded, so nothing is said about it."

RISE_MORE = MoreThan(
    shown=lambda pair: f"Items rise more in {pair.more} than in {pair.less}",
    open=lambda pair: f"in which of {pair.more} and {pair.less} items rise more",
)

_EFFECTS = {
    "near_minus_far": ("firebox third", "far third"),
    "door_minus_wall": ("door side", "side away from the door"),
    "upper_minus_lower": ("upper grate", "lower grate"),
}


@asks("rise", "rise", "How far did the items rise?")
def rise(results: StudyResults) -> Answered:
    """Rise by pit and by thirds of the grate."""
    if results.study.items["rise_mm"].isna().all():
        raise DesignError(NO_RISE)
    rise = results.rise
    answer = in_short(rise)
    pairs = difference_sentences(rise, RISE_MORE, "mm")
    yield answer
    yield Text(BESIDE_BROWNING)
    yield Picture("rise", partial(plot_rise, rise), answer)
    yield rise_table(rise)
    yield Sentences([*place_sentences(rise), *pairs, *rise.caveats])
    yield Kept("rise_places", rise.effects)
    yield Kept("rise_differences", rise.table)


def in_short(rise: RiseComparison) -> str:
    """Mean rise of every pit in a sentence."""
    known = rise.levels.dropna(subset="estimate")
    if known.empty:
        return "No pit's rise can be compared."
    return f"On average, in mm: {listed(by_pit(known, _mean))}."


def _mean(row: Row) -> str:
    return _mm("estimate")(row) + " in its one bake" * int(row["n_bakes"] == 1)


def _mm(name: str, ends: str = "") -> Writer:
    return estimate(tenths, name, ends)


def place_sentences(rise: RiseComparison) -> list[str]:
    """Say where on the grate of each pit items rose farther."""
    rows = rise.effects.dropna(subset=["conf_low"]).to_dict("records")
    said = [_place(row, rise) for row in rows]
    if len(said) > 1:
        said.append(
            f"{count(len(said), 'difference').capitalize()} between places were looked "
            "at; each interval stands for itself, with no adjustment for their number."
        )
    return said


def _place(row: Row, rise: RiseComparison) -> str:
    first, second = _EFFECTS[str(row["effect"])]
    place = ahead({**row, "pit_a": first, "pit_b": second}, "conf")
    one_bake = bool(rise.n_bakes[row["pit"]] == 1)
    start = f"In {'the one bake of ' * one_bake}{one_line(row['pit'])}"
    level, ends = level_text(rise.conf_level), ranged(tenths, place.low, place.high)
    if place.low > 0:
        return (
            f"{start} items rose {place.estimate:.1f} mm more on the {place.more} than "
            f"on the {place.less} ({level} interval {ends} mm)."
        )
    return (
        f"{start} no difference in rise between the {place.more} and the {place.less} "
        f"is shown ({level} interval {ends} mm)."
    )


def rise_table(rise: RiseComparison) -> Table:
    """Rise of each pit by thirds of its grate."""
    parts = rise.parts.pivot(
        index="pit", columns="part", values=["estimate", "conf_low", "conf_high"]
    )
    parts.columns = parts.columns.map(lambda names: "_".join(reversed(names)))
    columns: Columns = {
        "Pit": "pit",
        "Bakes": "n_bakes",
        "Items": "n_items",
        "Rise, mm": _mm("estimate"),
    }
    for part in ("near", "middle", "far"):
        label = f"{part.capitalize()} third"
        columns[label] = _mm(f"{part}_estimate", f"{part}_conf")
    columns["SD between bakes"] = _mm("bake_sd")
    caption = (
        "Mean rise of items in mm, by pit and by thirds of the pit's own grates "
        f"({level_text(rise.conf_level)} intervals; unit of replication: the bake). "
        f"{rise.layout_note}"
    )
    rows = rise.levels.join(parts, on="pit")
    return table_of("rise", rows, caption, columns, kept=rise.levels)
