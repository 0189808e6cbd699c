"""Maps, patterns and faces in words, and what such a pattern can come from.

One bake speaks of itself; only a zone that stood out in every bake is called
repeatable; and "no pattern shown" comes with what the grate could have shown.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.places.faces import FaceComparison
from pitstats.analysis.places.pattern import GratePatterns
from pitstats.analysis.results import Evenness
from pitstats.report.tables import signed_points, span_points
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import (
    count,
    level_text,
    listed,
    one_line,
    p_text,
    percent,
    true_minus,
)
from pitstats.study.study import Study

NO_PLACES = "No places were recorded, so there is no map."
NO_BAKE_MAPS = "No bake has items with a place, so there is no map of a single bake."

BURNED_CAPTION = (
    "Burned items of each cell over all kept bakes, as counted and not smoothed; one "
    "scale for all pits. The thick edge is the firebox end, row 1 the door side. "
    "Hatched: no graded item; a hatched strip: some items of the cell were lost."
)
GRADE_CAPTION = (
    "Typical grade of each cell: the darkest that at least half of its items reached. "
    "Grades are ordered names and are not averaged."
)
RISE_CAPTION = (
    "Mean rise of the items of each cell. Rise and browning tell different things: how "
    "much heat reached the item, and how fast its faces were heated."
)
TEMPERATURE_CAPTION = (
    "Mean temperature of each cell that held a probe, every bake weighing the same."
)
FACE_MAP_CAPTION = (
    "Items burned on each face, over all kept bakes, on the same scale as the maps "
    "above."
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
_FACE_WORDS = {"top": "top", "bottom": "bottom", "side": "fire side"}


# --- maps ---------------------------------------------------------------------------


@passes
def map_alt(cells: pd.DataFrame, value: str) -> str:
    """Describe maps for those who cannot see them, half by half.

    Parameters
    ----------
    cells : pandas.DataFrame
        As returned by `map_cells` or `map_temperatures`.
    value : {"share", "code", "rise_mm", "temp"}
        The column that is drawn.

    Returns
    -------
    str
        One sentence per grate (and bake).

    Examples
    --------
    >>> import pitstats as ps
    >>> cells = ps.map_cells(ps.demo_study("one_bake_each"))
    >>> map_alt(cells, "share").split(". ")[0]
    'Quarry, main grate: firebox half 5 of 9 burned, far half 4 of 9 burned'
    """
    keys = [name for name in ("bake", "pit", "grate") if name in cells.columns]
    column = cells["column"].to_numpy()
    grate = cells.groupby(keys, sort=False).ngroup().to_numpy()
    names = cells[keys].to_numpy(dtype=object)
    parts = []
    for i in dict.fromkeys(grate):
        own = np.flatnonzero(grate == i)
        near = column[own] <= column[own].max() / 2
        title = ", ".join(map(one_line, names[own[0]]))
        parts.append(
            f"{title} grate: firebox half {_half_words(cells, own[near], value)}, "
            f"far half {_half_words(cells, own[~near], value)}."
        )
    return " ".join(parts)


def _half_words(cells: pd.DataFrame, own: NDArray[np.intp], value: str) -> str:
    numbers = cells[value].to_numpy(dtype=float)
    known = own[~np.isnan(numbers[own])]
    if not len(known):
        return "nothing known"
    if value == "share":
        burned, graded = (cells[n].to_numpy() for n in ("n_burned", "n_items"))
        return f"{burned[known].sum()} of {graded[known].sum()} burned"
    if value == "code":
        grades = cells["grade"].to_numpy()[known]
        palest, darkest = numbers[known].argmin(), numbers[known].argmax()
        return f"from {one_line(grades[palest])} to {one_line(grades[darkest])}"
    return f"from {numbers[known].min():.0f} to {numbers[known].max():.0f}"


@passes
def rotated_note(study: Study) -> str:
    """Say which bakes on the maps were rotated; empty if none was."""
    kept = study.bakes[study.bakes["status"].eq("kept")]
    rotated = kept.loc[kept["rotated"].fillna(False).astype(bool), "bake"]
    if rotated.empty:
        return ""
    return (
        f"Items were turned or moved during {listed(rotated.astype(str).tolist())}, so "
        "their places there mean little; the maps show them where they were recorded."
    )


def photo_caption(bake: object, pit: object) -> str:
    """Say what a photograph shows; also its text alternative."""
    return f"Photograph of bake {one_line(bake)} in {one_line(pit)}, as recorded"


def bake_maps_caption(pit: object, faces: list[str]) -> str:
    """Say what the maps of single bakes show."""
    shown = (
        f"grades of the {listed([_FACE_WORDS[face] for face in faces])} of each item"
        if faces
        else "whether each item burned"
    )
    return (
        f"{one_line(pit)}, every kept bake by itself: {shown}. Hatched: not graded. "
        "What shows in one bake is about that bake."
    )


def bake_numbers_caption(label: str) -> str:
    """Say what maps of numbers of single bakes show."""
    return (
        f"Every bake by itself: {label}, on one scale for all bakes and pits. What "
        "shows in one bake is about that bake."
    )


# --- is there a pattern -------------------------------------------------------------


@passes
def pattern_sentences(patterns: GratePatterns) -> list[str]:
    """Say for each pit whether a pattern is shown, and whether it comes back.

    Parameters
    ----------
    patterns : GratePatterns
        As returned by `map_patterns`.

    Returns
    -------
    list of str
        One per pit.

    Examples
    --------
    >>> import pitstats as ps
    >>> patterns = ps.map_patterns(ps.demo_study("one_bake_each"))
    >>> pattern_sentences(patterns)[0].split(" (")[0]
    'Quarry: no pattern of burned items is shown in this bake by a test for any \
pattern at all'
    """
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

PATTERN_NOTE = (
    "This test asks whether there is any pattern at all. A question that was set "
    "before the bakes, such as whether the firebox third burns more than the far "
    "third, is answered more sharply by the comparison of thirds: the two can differ. "
    "The part that is named is the one of several that stood out most, so its numbers "
    "flatter it."
)


def pattern_table(patterns: GratePatterns) -> pd.DataFrame:
    """Tests of each pit, ready to read.

    Examples
    --------
    >>> import pitstats as ps
    >>> pattern_table(ps.map_patterns(ps.demo_study("one_bake_each"))).shape
    (2, 8)
    """
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
    """Tests of each bake, ready to read.

    Examples
    --------
    >>> import pitstats as ps
    >>> bake_pattern_table(ps.map_patterns(ps.demo_study("one_bake_each"))).shape
    (2, 6)
    """
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


# --- faces --------------------------------------------------------------------------


@passes
def face_sentences(faces: FaceComparison) -> list[str]:
    """Say for each pit which face is darker and which burns more.

    Parameters
    ----------
    faces : FaceComparison
        As returned by `compare_faces`.

    Returns
    -------
    list of str
        One per pit and contrast.

    Examples
    --------
    >>> import pitstats as ps
    >>> faces = ps.compare_faces(ps.demo_study("one_bake_each"))
    >>> face_sentences(faces)[0].split(":")[0]
    'Quarry, top and bottom'
    """
    whole = faces.table[faces.table["part"] == "all"]
    return [_face_sentence(row, faces) for row in whole.to_dict("records")]


def _face_sentence(row: dict[Hashable, Any], faces: FaceComparison) -> str:
    first, second = _FACE_WORDS[row["first"]], _FACE_WORDS[row["second"]]
    n = int(row["n_bakes"])
    bakes = "in this bake" if n == 1 else f"in these {count(n, 'bake')}"
    return (
        f"{one_line(row['pit'])}, {first} and {second}: {bakes} "
        f"{_direction(row, 'darker', first, second, faces)}; "
        f"{_direction(row, 'burned', first, second, faces)}."
    )


def _direction(
    row: dict[Hashable, Any], kind: str, first: str, second: str, faces: FaceComparison
) -> str:
    shares = (
        f"{percent(row[f'first_{kind}'])} {first}, "
        f"{percent(row[f'second_{kind}'])} {second}"
    )
    low, high = float(row[f"{kind}_low"]), float(row[f"{kind}_high"])
    numbers = (
        f"{shares}; difference {signed_points(row[f'{kind}_difference'])} points, "
        f"{level_text(faces.conf_level)} interval {span_points(low, high)}"
    )
    more = first if low > 0 else second if high < 0 else None
    if kind == "darker":
        said = (
            f"the {more} was the darker face more often"
            if more
            else "neither face is shown to be darker more often"
        )
    else:
        said = (
            f"more items burned on the {more}"
            if more
            else "neither face is shown to burn more"
        )
    return f"{said} ({numbers})"


def face_table(faces: FaceComparison) -> pd.DataFrame:
    """Faces compared, third by third, ready to read.

    Examples
    --------
    >>> import pitstats as ps
    >>> face_table(ps.compare_faces(ps.demo_study("one_bake_each"))).shape
    (8, 6)
    """
    table = faces.table
    columns: dict[str, Any] = {
        "Pit": table["pit"].map(one_line),
        "Faces": [
            f"{_FACE_WORDS[a]} less {_FACE_WORDS[b]}"
            for a, b in zip(table["first"], table["second"], strict=True)
        ],
        "Part": table["part"],
        "Items": table["n_items"],
    }
    for kind, label in (("darker", "Darker"), ("burned", "Burned")):
        columns[f"{label}, points"] = [
            f"{signed_points(gap)} ({span_points(low, high)})"
            for gap, low, high in zip(
                table[f"{kind}_difference"],
                table[f"{kind}_low"],
                table[f"{kind}_high"],
                strict=True,
            )
        ]
    return pd.DataFrame(columns)


def face_caption(faces: FaceComparison) -> str:
    """Say what the table of faces shows."""
    once = bool((faces.n_bakes <= 1).all())
    unit = "these bakes only" if once else "unit of replication: the bake"
    return (
        "Two faces of the same items: share darker, and share burned, on the first "
        "face less that on the second "
        f"({level_text(faces.conf_level)} intervals; {unit})"
    )


# --- reading ------------------------------------------------------------------------


class _Reading(NamedTuple):
    """What a pattern can come from, and the one thing to change next."""

    sources: str
    change: str


COMMON_PRACTICE = (
    "What follows is common practice, not a result of this test and no verdict on a "
    "pit: several causes can draw the same picture."
)
NOTHING_TO_READ = (
    "No pattern, no fall along the grates and no difference of faces is shown, so "
    "there is nothing to trace to a cause here and no reason in these maps to change a "
    "setting."
)
NOT_ON_RECORD = (
    "Neither places nor two faces of items are on record, so there is nothing here to "
    "trace to a cause."
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
    "top": _Reading(
        "a hot lid that radiates down, or hot gas that keeps under it",
        "put the items one level lower",
    ),
    "bottom": _Reading(
        "hot bars or a hot plate under the items, which is usual where gas passes "
        "under a full plate first",
        "put a wire rack between the bars and the items",
    ),
    "side": _Reading(
        "heat radiated by the opening of the firebox, which that side faces",
        "put a plate between the opening and the first cells",
    ),
}


@passes
def reading_sentences(
    study: Study,
    patterns: GratePatterns | None,
    faces: FaceComparison | None,
    evenness: Evenness | None = None,
) -> list[str]:
    """Say what the patterns shown can come from, and the one change to try next.

    Parameters
    ----------
    study : Study
        For what is recorded of the pits.
    patterns : GratePatterns or None
        None where there was nothing to test.
    faces : FaceComparison or None
        None where no two faces were graded.
    evenness : Evenness, optional
        Its fall from near to far counts where no pattern was shown before it.

    Returns
    -------
    list of str
        One per pit that shows something; a pit has one change, however much it shows.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("unequal_layouts")
    >>> said = reading_sentences(study, ps.map_patterns(study), None)
    >>> said[0].split(" can come")[0]
    'Quarry: a pattern of burned items in the firebox third'
    """
    found: list[str] = []
    for pit in study.pits["pit"]:
        places = _pattern_keys(pit, patterns) or _fall_keys(pit, evenness)
        keys = [*places, *_face_keys(pit, faces)]
        if keys:
            found.append(_reading(study, str(pit), keys))
    return found


def _pattern_keys(pit: str, patterns: GratePatterns | None) -> list[tuple[str, str]]:
    if patterns is None:
        return []
    own = patterns.table[patterns.table["pit"] == pit]
    shown = own[own["verdict"].isin(["repeatable", "in these bakes", "in this bake"])]
    found = []
    for row in shown.to_dict("records"):
        zone = str(row["zone"])
        key = "grate" if zone.startswith("grate: ") else zone
        if key in _READINGS:
            where = _ZONE_WORDS.get(key, "on one grate")
            shown_in = str(row["verdict"])
            once = "" if shown_in == "repeatable" else f" {shown_in}"
            what = _STANDS_OUT[patterns.value]
            found.append((key, f"a pattern of {what} {where}{once}"))
    return found


def _fall_keys(pit: str, evenness: Evenness | None) -> list[tuple[str, str]]:
    if evenness is None:
        return []
    table = evenness.table
    for row in table[table["pit"] == pit].to_dict("records"):
        end = "near" if row["conf_low"] > 0 else "far" if row["conf_high"] < 0 else None
        if end is not None:
            once = "this bake" if evenness.n_bakes[pit] == 1 else "these bakes"
            more = "the firebox third" if end == "near" else "the far third"
            return [(end, f"more burning in {more} than at the other end in {once}")]
    return []


def _face_keys(pit: str, faces: FaceComparison | None) -> list[tuple[str, str]]:
    if faces is None:
        return []
    table = faces.table
    found = []
    own = table[(table["pit"] == pit) & (table["part"] == "all")]
    for row in own.to_dict("records"):
        once = " in this bake" if row["n_bakes"] == 1 else ""
        low, high = float(row["darker_low"]), float(row["darker_high"])
        face = row["first"] if low > 0 else row["second"] if high < 0 else None
        if face is not None:
            other = row["second"] if face == row["first"] else row["first"]
            words = f"a {_FACE_WORDS[face]} darker than the {_FACE_WORDS[other]}"
            found.append((face, f"{words}{once}"))
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
