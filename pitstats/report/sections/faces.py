"""Which face of an item darkens: top, bottom or fire side."""

from __future__ import annotations

from collections.abc import Hashable
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.places.faces import FaceComparison
from pitstats.errors import DesignError
from pitstats.figures.pattern import plot_faces
from pitstats.report.numbers import (
    level_text,
    percent,
    signed_points,
    span_points,
)
from pitstats.report.section import Picture, Section, Sentences, Table, Text, nothing
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, one_line

QUESTION = "Which face of an item darkens?"
FACE_WORDS = {"top": "top", "bottom": "bottom", "side": "fire side"}


def section(results: StudyResults) -> Section:
    """Two faces of the same items: differences, sentences."""
    try:
        faces = results.faces
    except DesignError as reason:
        return nothing("faces", "two faces of an item", QUESTION, reason)
    said = face_sentences(faces)
    return Section(
        id="faces",
        question=QUESTION,
        answer=in_short(faces),
        body=[
            Picture("faces", partial(plot_faces, faces), " ".join(said)),
            Sentences([*said, *faces.caveats]),
            Table("faces", face_table(faces), face_caption(faces), faces.table),
            Text(f"Method: {faces.method}.", "note"),
        ],
        topic="faces",
    )


def in_short(faces: FaceComparison) -> str:
    """Which face was darker more often, where one is shown to be."""
    shown = []
    for row in faces.table[faces.table["part"] == "all"].to_dict("records"):
        low, high = float(row["darker_low"]), float(row["darker_high"])
        more = row["first"] if low > 0 else row["second"] if high < 0 else None
        if more is not None:
            where = " in this bake" * (int(row["n_bakes"]) == 1)
            shown.append(f"the {FACE_WORDS[more]} in {one_line(row['pit'])}{where}")
    if shown:
        return f"Darker more often: {', '.join(shown)}; nothing shown beyond that."
    return "Neither face is shown to be darker more often in any pit."


def face_sentences(faces: FaceComparison) -> list[str]:
    """Say for each pit which face is darker and which burns more."""
    whole = faces.table[faces.table["part"] == "all"]
    return [_face_sentence(row, faces) for row in whole.to_dict("records")]


def _face_sentence(row: dict[Hashable, Any], faces: FaceComparison) -> str:
    first, second = FACE_WORDS[row["first"]], FACE_WORDS[row["second"]]
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
    """Faces compared, third by third, ready to read."""
    table = faces.table
    columns: dict[str, Any] = {
        "Pit": table["pit"].map(one_line),
        "Faces": [
            f"{FACE_WORDS[a]} less {FACE_WORDS[b]}"
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
