"""Does a zone of the grates stand out, does it come back, what can it come from."""

from __future__ import annotations

import math
from collections.abc import Hashable
from functools import partial
from typing import Any, NamedTuple

import pandas as pd

from pitstats.analysis.places.pattern import GratePatterns
from pitstats.errors import DesignError
from pitstats.figures.pattern import plot_patterns
from pitstats.report.numbers import (
    p_text,
    percent,
    true_minus,
)
from pitstats.report.section import (
    Part,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, one_line
from pitstats.study.study import Study

QUESTION = "Does any zone stand out?"
OTHER_TEST = (
    "This test asks whether any zone stands out at all. Near against far alone is "
    "asked under 'How evenly does each pit burn?', which can show a fall where no zone "
    "stands out here."
)
_ZONE_WORDS = {
    "near": "in the firebox third",
    "middle": "in the middle third",
    "far": "in the far third",
    "door": "on the door side",
    "back": "on the side away from the door",
}
_STANDS_OUT = {
    "burned": "burned items",
    "grade": "darker items",
    "rise": "items that rose higher",
}
PATTERN_NOTE = (
    "This test asks whether there is any pattern at all. A question that was set "
    "before the bakes, such as whether the firebox third burns more than the far "
    "third, is answered more sharply by the comparison of thirds: the two can differ. "
    "The part that is named is the one of several that stood out most, so its numbers "
    "flatter it."
)


class _Reading(NamedTuple):
    """What a pattern can come from, and the one thing to change next."""

    sources: str
    change: str


COMMON_PRACTICE = (
    "What follows is common practice, not a result of this test and no verdict on a "
    "pit: several causes can draw the same picture."
)
RETEST = (
    "Change that one thing and nothing else, bake as often with it as without, in "
    "turns and at the same places, and compare the two as if they were two pits: "
    "`pitstats plan --pits 2 --pilot STUDY` says how many bakes that takes."
)
_READINGS = {
    "near": _Reading(
        "heat radiated by the glowing opening of the firebox (steep at first and flat "
        "after, darkest on the side toward the fire), or gas that comes in too hot and "
        "fast",
        "put a plate between the opening and the first cells",
    ),
    "far": _Reading(
        "gas that gathers at the mouth of the stack, or turns there where the flow is "
        "reversed",
        "move the stack damper one step",
    ),
    "middle": _Reading(
        "the end of a plate or a gap between plates under the grate",
        "move the plate by one cell",
    ),
    "door": _Reading(
        "a door that lets air in and draws flame or hot gas along it, or a fire laid "
        "to that side",
        "seal the door for one series of bakes",
    ),
    "back": _Reading(
        "a fire laid to that side, or a door that leaks and cools its own side",
        "lay the fire in the center of its grate",
    ),
    "grate": _Reading(
        "hot gas that keeps to one height of the chamber, upper or lower",
        "bake on one grate alone",
    ),
}


def section(results: StudyResults) -> Section:
    """Whether a zone stands out, whether it comes back, and what it can come from."""
    try:
        patterns = results.patterns
    except DesignError as reason:
        return nothing("patterns", "places", QUESTION, reason)
    said = pattern_sentences(patterns)
    body: list[Part] = [
        Picture("pattern", partial(plot_patterns, patterns), " ".join(said)),
        Sentences([*said, *patterns.caveats]),
        Text(OTHER_TEST, "note"),
        Table(
            "pattern",
            pattern_table(patterns),
            pattern_caption(patterns),
            patterns.table,
        ),
        Table(
            "pattern_bakes",
            bake_pattern_table(patterns),
            bake_pattern_caption(patterns),
            patterns.bakes,
        ),
        Text(PATTERN_NOTE, "note"),
        Text(f"Method: {patterns.method}.", "note"),
    ]
    causes = reading_sentences(results.study, patterns)
    if causes:
        body += [Text(COMMON_PRACTICE, "note"), Sentences(causes), Text(RETEST)]
    answer = in_short(patterns)
    return Section(
        id="patterns", question=QUESTION, answer=answer, body=body, topic="patterns"
    )


def in_short(patterns: GratePatterns) -> str:
    """Which zones stand out, and in how many bakes."""
    shown = [
        f"{one_line(row['pit'])} {_ZONE_WORDS.get(str(row['zone']), 'on one grate')} "
        f"({row['verdict']})"
        for row in patterns.table.to_dict("records")
        if row["verdict"] in ("repeatable", "in these bakes", "in this bake")
    ]
    if shown:
        return f"More {_STANDS_OUT[patterns.value]}: {'; '.join(shown)}."
    return "No zone is shown to stand out on any grate."


def pattern_sentences(patterns: GratePatterns) -> list[str]:
    """Say for each pit whether a pattern is shown, and whether it comes back."""
    return [
        _SAY[row["verdict"]](row, patterns) for row in patterns.table.to_dict("records")
    ]


def _p(row: dict[Hashable, Any], name: str, patterns: GratePatterns) -> str:
    return p_text(float(row[name]), adjusted=len(patterns.table) > 1)


def _zone(row: dict[Hashable, Any], value: str) -> str:
    """Which part stood out, and by how much."""
    name = str(row["zone"])
    where = _ZONE_WORDS.get(
        name, f"on the grate '{one_line(name.removeprefix('grate: '))}'"
    )
    inside, outside = float(row["zone_share"]), float(row["other_share"])
    if value == "burned":
        return f"{where} ({percent(inside)} burned there, {percent(outside)} elsewhere)"
    if value == "rise":
        return f"{where} ({inside:.0f} mm there, {outside:.0f} mm elsewhere)"
    return where


def _say_repeatable(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    n = int(row["n_telling"])
    return (
        f"{one_line(row['pit'])}: a repeatable pattern. In each of {count(n, 'bake')} "
        f"{_STANDS_OUT[patterns.value]} were more frequent "
        f"{_zone(row, patterns.value)}, and the bakes agree in their places more than "
        f"chance would make them ({_p(row, 'p_repeat', patterns)})."
    )


def _say_in_these(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    n = int(row["n_telling"])
    return (
        f"{one_line(row['pit'])}: in these {count(n, 'bake')} "
        f"{_STANDS_OUT[patterns.value]} were not spread by chance alone "
        f"({_p(row, 'p_pattern', patterns)}), and most frequent "
        f"{_zone(row, patterns.value)}. {_how_often(row, patterns)}"
    )


def _how_often(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    n, out = int(row["n_telling"]), int(row["n_standing_out"])
    if out < n:
        return f"That held in {out} of {n} bakes, so it is not called repeatable."
    return (
        f"That held in all {n}, but they agree no more than chance may make them "
        f"({_p(row, 'p_repeat', patterns)}), so it is not called repeatable."
    )


def _say_in_this(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    bakes = patterns.bakes
    own = bakes[(bakes["pit"] == row["pit"]) & bakes["moran"].notna()]
    return (
        f"{one_line(row['pit'])}: in this bake ({one_line(own['bake'].iloc[0])}) "
        f"{_STANDS_OUT[patterns.value]} lay together more than chance would have it "
        f"({_p(row, 'p_pattern', patterns)}), and were most frequent "
        f"{_zone(row, patterns.value)}. "
        "Whether it comes back takes another bake to tell."
    )


def _say_none(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    n = int(row["n_telling"])
    where = "in this bake" if n == 1 else f"in these {count(n, 'bake')}"
    return (
        f"{one_line(row['pit'])}: no pattern of {_STANDS_OUT[patterns.value]} is shown "
        f"{where} by a test for any pattern at all "
        f"({_p(row, 'p_pattern', patterns)}). "
        f"{_could_show(row, patterns.value)}"
    )


def _could_show(row: dict[Hashable, Any], value: str) -> str:
    start = "That does not say there is none:"
    if value != "burned" or math.isnan(float(row["strongest"])):
        return f"{start} with {row['n_cells']} cells only a strong one can show."
    if math.isnan(float(row["detectable"])):
        return (
            f"{start} with so few cells, burned items and bakes not even a firebox "
            f"third that burned {_gap(row['strongest'])} points more often than the "
            "rest would be found four times out of five."
        )
    return (
        f"{start} a firebox third that burned about {_gap(row['detectable'])} points "
        "more often than the rest would be found four times out of five; a weaker one "
        "can hide."
    )


def _gap(share: object) -> str:
    return f"{100 * float(str(share)):.0f}"


def _say_nothing(row: dict[Hashable, Any], patterns: GratePatterns) -> str:
    return (
        f"{one_line(row['pit'])}: in no bake did neighboring cells differ, so there is "
        f"no pattern of {_STANDS_OUT[patterns.value]} to look for."
    )


_SAY = {
    "repeatable": _say_repeatable,
    "in these bakes": _say_in_these,
    "in this bake": _say_in_this,
    "none shown": _say_none,
    "cannot be judged": _say_nothing,
}


def pattern_table(patterns: GratePatterns) -> pd.DataFrame:
    """Tests of each pit, ready to read."""
    table = patterns.table
    n_pits = len(table)
    adjusted = "adjusted p" if n_pits > 1 else "p"
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bakes (telling)": [
                f"{n} ({telling})"
                for n, telling in zip(table["n_bakes"], table["n_telling"], strict=True)
            ],
            "Moran's I (chance)": [
                "none" if math.isnan(i) else f"{_signed(i)} ({_signed(e)})"
                for i, e in zip(table["moran"], table["moran_expected"], strict=True)
            ],
            "Neighbors alike, p": table["p_moran"].map(_p_cell),
            "Bakes alike, p": table["p_concordance"].map(_p_cell),
            f"Any pattern, {adjusted}": table["p_pattern"].map(_p_cell),
            f"Repeatable, {adjusted}": table["p_repeat"].map(_p_cell),
            "Said": table["verdict"],
        }
    )


def bake_pattern_table(patterns: GratePatterns) -> pd.DataFrame:
    """Tests of each bake, ready to read."""
    bakes = patterns.bakes
    shown = pd.DataFrame(
        {
            "Bake": bakes["bake"].map(one_line),
            "Burned": [
                f"{burned} of {n}"
                for burned, n in zip(bakes["n_burned"], bakes["n_items"], strict=True)
            ],
            "Moran's I": [
                "none" if math.isnan(i) else _signed(i) for i in bakes["moran"]
            ],
            "p": bakes["p_moran"].map(_p_cell),
        }
    )
    if bakes["bb"].notna().any():
        shown["Burned pairs (by chance)"] = [
            "none" if math.isnan(bb) else f"{bb:.0f} ({expected:.1f})"
            for bb, expected in zip(bakes["bb"], bakes["bb_expected"], strict=True)
        ]
        shown["p of pairs"] = bakes["p_bb"].map(_p_cell)
    return shown


def _signed(value: float) -> str:
    return true_minus(f"{value:+.2f}")


def _p_cell(p_value: float) -> str:
    """A p-value for a table, without its name."""
    if math.isnan(p_value):
        return "none"
    return p_text(p_value, adjusted=False).removeprefix("p ").removeprefix("= ")


def pattern_caption(patterns: GratePatterns) -> str:
    """Say what the table of pits shows."""
    return (
        f"Is there a pattern? Tests of {_STANDS_OUT[patterns.value]} pit by pit "
        f"({patterns.adjacency} neighbors; values shuffled within bakes, so the unit "
        "is the bake)"
    )


def bake_pattern_caption(patterns: GratePatterns) -> str:
    """Say what the table of bakes shows."""
    return (
        "Every bake by itself: neighbors alike, and pairs of neighbors that both "
        f"burned ({patterns.adjacency} neighbors; each p is for its bake alone)"
    )


def reading_sentences(study: Study, patterns: GratePatterns) -> list[str]:
    """Say what patterns that came back can come from, and one change to try next."""
    found = []
    for row in patterns.table.to_dict("records"):
        zone = str(row["zone"])
        key = "grate" if zone.startswith("grate: ") else zone
        if row["verdict"] == "repeatable" and key in _READINGS:
            where = _ZONE_WORDS.get(key, "on one grate")
            words = f"a pattern of {_STANDS_OUT[patterns.value]} {where}"
            found.append(_reading(study, str(row["pit"]), [(key, words)]))
    return found


def _reading(study: Study, pit: str, keys: list[tuple[str, str]]) -> str:
    """All that a pit shows with its sources, and one change: for what comes first."""
    sources = "; ".join(
        f"{words} can come from {_READINGS[key].sources}" for key, words in keys
    )
    own = study.pits[study.pits["pit"] == pit].iloc[0]
    first = keys[0][0]
    change = _READINGS[first].change
    damper = own["has_damper"]
    if first == "far" and pd.notna(damper) and not bool(damper):
        # Such a pit has nothing to move there.
        change = "leave the last column of cells empty"
    return f"{one_line(pit)}: {sources}. One change to try next: {change}."
