"""Does a zone of the grates stand out, does it come back, what can it come from."""

from __future__ import annotations

import math
from typing import NamedTuple

import pandas as pd

from pitstats.analysis.places.pattern import GratePatterns
from pitstats.report.numbers import NO_VALUE, p_number, p_text, percent, true_minus
from pitstats.report.section import Answered, Kept, Sentences, Table, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Row, table_of, written
from pitstats.report.words import count, in_these, number_word, one_line
from pitstats.study.study import Study

_ZONE_WORDS = {
    "near": "in the firebox third",
    "middle": "in the middle third",
    "far": "in the far third",
    "door": "on the door side",
    "back": "on the side away from the door",
}
PATTERN_NOTE = (
    "This test asks whether there is any pattern at all. The comparison of thirds, a "
    "question set before the bakes, is sharper, and can show a fall where no zone "
    "stands out here. The part that is named is the one of several that stood out "
    "most, so its numbers flatter it."
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


@asks("patterns", "patterns", "Does any zone stand out?", unrecorded="places")
def patterns(results: StudyResults) -> Answered:
    """Whether a zone stands out, whether it comes back, and what it can come from."""
    patterns = results.patterns
    causes = reading_sentences(results.study, patterns)
    yield in_short(patterns)
    yield Sentences([*pattern_sentences(patterns), *patterns.caveats])
    yield pattern_table(patterns)
    yield Kept("pattern_bakes", patterns.bakes)
    yield Text(PATTERN_NOTE, "note")
    yield Text(f"Method: {patterns.method}.", "note")
    yield Text(COMMON_PRACTICE * bool(causes), "note")
    yield Sentences(causes)
    yield Text(RETEST * bool(causes))


def in_short(patterns: GratePatterns) -> str:
    """Which zones stand out, and in how many bakes."""
    shown = [
        f"{one_line(row['pit'])} {_ZONE_WORDS.get(str(row['zone']), 'on one grate')} "
        f"({row['verdict']})"
        for row in patterns.table.to_dict("records")
        if row["verdict"] in ("repeatable", "in these bakes", "in this bake")
    ]
    if shown:
        return f"More burned items: {'; '.join(shown)}."
    return "No zone is shown to stand out; a fall from the firebox is asked beside it."


def pattern_sentences(patterns: GratePatterns) -> list[str]:
    """Say for each pit whether a pattern is shown, and whether it comes back."""
    return [
        f"{one_line(row['pit'])}: {_said(row, adjusted=len(patterns.table) > 1)}"
        for row in patterns.table.to_dict("records")
    ]


def _said(row: Row, *, adjusted: bool) -> str:
    n, out = int(row["n_telling"]), int(row["n_standing_out"])
    shown, again = (p_text(row[name], adjusted) for name in ("p_pattern", "p_repeat"))
    if row["verdict"] == "cannot be judged":
        return (
            "in no bake did neighboring cells differ, so there is no pattern of burned "
            "items to look for."
        )
    if row["verdict"] == "none shown":
        return (
            f"no pattern of burned items is shown {_in_telling(row)} by a test for any "
            f"pattern at all ({shown}). {_could_show(row)}"
        )
    zone = _zone(row)
    if row["verdict"] == "repeatable":
        return (
            f"a repeatable pattern. In each of {count(n, 'bake')} burned items were "
            f"more frequent {zone}, and the bakes agree in their places more than "
            f"chance would make them ({again})."
        )
    told = (
        f"{_in_telling(row)} burned items were not spread by chance alone ({shown}), "
        f"and most frequent {zone}."
    )
    if row["verdict"] == "in this bake":
        return f"{told} Whether it comes back takes another bake to tell."
    held = f"in {out} of {n} bakes" if out < n else f"in all {n}"
    why = "" if out < n else f", but they agree no more than chance may ({again})"
    return f"{told} That held {held}{why}, so it is not called repeatable."


def _in_telling(row: Row) -> str:
    """In which bakes: those in which a pattern could show, of how many."""
    n, of = int(row["n_telling"]), int(row["n_bakes"])
    if n == of:
        return in_these(n)
    many = f"{number_word(n)} of {number_word(of)}"
    return f"in the {many} bakes that can show a pattern"


def _zone(row: Row) -> str:
    """Which part stood out, and by how much."""
    name = str(row["zone"])
    where = _ZONE_WORDS.get(
        name, f"on the grate '{one_line(name.removeprefix('grate: '))}'"
    )
    inside, outside = percent(row["zone_share"]), percent(row["other_share"])
    return f"{where} ({inside} burned there, {outside} elsewhere)"


def _could_show(row: Row) -> str:
    start = "That does not say there is none:"
    if math.isnan(row["strongest"]):
        return f"{start} with {row['n_cells']} cells only a strong one can show."
    if math.isnan(row["detectable"]):
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


def _gap(share: float) -> str:
    return f"{100 * share:.0f}"


def pattern_table(patterns: GratePatterns) -> Table:
    """Tests of each pit."""
    adjusted = "adjusted p" if len(patterns.table) > 1 else "p"
    return table_of(
        "pattern",
        patterns.table,
        f"Is there a pattern? Tests of burned items pit by pit ({patterns.adjacency} "
        "neighbors; values shuffled within bakes, so the unit is the bake)",
        {
            "Pit": "pit",
            "Bakes (telling)": lambda row: f"{row['n_bakes']} ({row['n_telling']})",
            "Moran's I (chance)": _moran,
            "Neighbors alike, p": written(p_number, "p_moran"),
            "Bakes alike, p": written(p_number, "p_concordance"),
            f"Any pattern, {adjusted}": written(p_number, "p_pattern"),
            f"Repeatable, {adjusted}": written(p_number, "p_repeat"),
            "Said": "verdict",
        },
    )


def _moran(row: Row) -> str:
    if math.isnan(row["moran"]):
        return NO_VALUE
    return true_minus(f"{row['moran']:+.2f} ({row['moran_expected']:+.2f})")


def reading_sentences(study: Study, patterns: GratePatterns) -> list[str]:
    """Say what patterns that came back can come from, and one change to try next."""
    found = []
    for row in patterns.table.query("verdict == 'repeatable'").to_dict("records"):
        key = row["zone"] if row["zone"] in _ZONE_WORDS else "grate"
        where = _ZONE_WORDS.get(key, "on one grate")
        found.append(
            f"{one_line(row['pit'])}: a pattern of burned items {where} can come from "
            f"{_READINGS[key].sources}. One change to try next: "
            f"{_change(study, str(row['pit']), key)}."
        )
    return found


def _change(study: Study, pit: str, zone: str) -> str:
    damper = study.pits.loc[study.pits["pit"] == pit, "has_damper"].iloc[0]
    if zone == "far" and pd.notna(damper) and not bool(damper):
        # Such a pit has nothing to move there.
        return "leave the last column of cells empty"
    return _READINGS[zone].change
