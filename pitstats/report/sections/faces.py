"""Which face of an item darkens: top, bottom or fire side."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.places.faces import FaceComparison
from pitstats.figures.faces import plot_faces
from pitstats.report.numbers import level_text, percent, signed_points
from pitstats.report.section import Answered, Picture, Sentences, Table, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Row, Writer, estimate, table_of
from pitstats.report.words import listed, one_line

FACE_WORDS = {"top": "top", "bottom": "bottom", "side": "fire side"}


@asks(
    "faces",
    "faces",
    "Which face of an item darkens?",
    unrecorded="two faces of an item",
)
def faces(results: StudyResults) -> Answered:
    """Two faces of the same items, third by third."""
    faces = results.faces
    answer = in_short(faces)
    yield answer
    yield Picture("faces", partial(plot_faces, faces), answer)
    yield face_table(faces)
    yield Sentences(faces.caveats)
    yield Text(f"Method: {faces.method}.", "note")


def in_short(faces: FaceComparison) -> str:
    """Which face was darker more often, where one is shown to be."""
    named: dict[str, list[str]] = {}
    for row in faces.table[faces.table["part"] == "all"].to_dict("records"):
        low, high = float(row["darker_low"]), float(row["darker_high"])
        more = row["first"] if low > 0 else row["second"] if high < 0 else None
        if more is not None:
            where = " in this bake" * (int(row["n_bakes"]) == 1)
            pits = named.setdefault(f"the {FACE_WORDS[more]}", [])
            pits.append(f"{one_line(row['pit'])}{where}")
    if named:
        told = ", ".join(f"{face} in {listed(pits)}" for face, pits in named.items())
        return f"Darker more often: {told}; nothing shown beyond that."
    return "Neither face is shown to darken more often in any pit."


def face_table(faces: FaceComparison) -> Table:
    """Faces compared, third by third."""
    once = bool((faces.n_bakes <= 1).all())
    unit = "these bakes only" if once else "unit of replication: the bake"
    return table_of(
        "faces",
        faces.table,
        "Two faces of the same items: shares darker, and burned, on the first and on "
        "the second, and the first less the second "
        f"({level_text(faces.conf_level)} intervals; {unit})",
        {
            "Pit": "pit",
            "Faces": lambda row: (
                f"{FACE_WORDS[row['first']]} less {FACE_WORDS[row['second']]}"
            ),
            "Part": "part",
            "Items": "n_items",
            "Darker": _shares("darker"),
            "Darker, points": estimate(signed_points, "darker_difference", "darker"),
            "Burned": _shares("burned"),
            "Burned, points": estimate(signed_points, "burned_difference", "burned"),
        },
    )


def _shares(kind: str) -> Writer:
    """Shares of both faces, the first of the pair first."""

    def write(row: Row) -> str:
        first, second = (percent(row[f"{side}_{kind}"]) for side in ("first", "second"))
        return f"{first}, {second}"

    return write
