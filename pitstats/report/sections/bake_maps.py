"""Every bake, cell by cell and face by face, with its photograph."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pitstats.analysis.places.grate_map import Face, map_cells
from pitstats.errors import DesignError
from pitstats.figures import grates as draw
from pitstats.figures.map_scale import share_scale, step_scale
from pitstats.figures.style import shorten
from pitstats.report.photos import Photo, bake_photos, photo_html
from pitstats.report.section import (
    Answered,
    Part,
    Photograph,
    Picture,
    Pictures,
    Text,
    asks,
)
from pitstats.report.sections.faces import FACE_WORDS
from pitstats.report.sections.maps import belonging, map_alt
from pitstats.report.study_results import StudyResults
from pitstats.report.words import listed, one_line
from pitstats.study.study import Study

NO_BAKE_MAPS = "No bake has items with a place, so there is no map of a single bake."
_FACES: tuple[Face, ...] = ("top", "bottom", "side")
# Inches, and cells in a row of maps: small, but a letter in a cell can be read.
_SMALL_CELL = 0.32
_COLUMNS_A_ROW = 16


@asks(
    "bake-maps",
    "every cell of every bake",
    "What did every cell do in every bake?",
    unrecorded="places",
)
def bake_maps(results: StudyResults) -> Answered:
    """Maps of single bakes, pit after pit, each photograph beside its bake."""
    study = results.study
    photos = bake_photos(study)
    faces, cells = _bake_cells(study)
    pits = study.bakes.set_index("bake")["pit"]
    pictures: list[Picture] = []
    beside: set[str] = set()
    first = next(iter(cells.values()))
    for i, pit in enumerate(first["pit"].unique()):
        bakes = first.loc[first["pit"] == pit, "bake"].unique().tolist()
        for k, group in enumerate(_groups(bakes, photos)):
            photo = photos.get(group[0])
            html = ""
            if photo is not None and not photo.problem:
                html = photo_html(photo, photo_caption(group[0], pit))
                beside.add(group[0])
            name = f"bakes_{i + 1}_{k + 1}"
            pictures += _bake_pictures(study, name, pit, group, faces, cells, html)
    left = [bake for bake in photos if bake not in beside]
    if not pictures and not left:
        raise DesignError(NO_BAKE_MAPS)
    alone = [_photograph(photos[bake], pits[bake]) for bake in left]
    return "", [Pictures(pictures), *alone]


def _photograph(photo: Photo, pit: object) -> Part:
    if photo.problem:
        return Text(photo.problem, "note")
    caption = photo_caption(photo.bake, pit)
    return Photograph(photo_html(photo, caption), caption)


def _bake_cells(study: Study) -> tuple[list[Face], dict[str, pd.DataFrame]]:
    """Faces that were graded, and the cells of each by bake."""
    by_face = {
        face: map_cells(study, "grade", by_bake=True, face=face)
        for face in _FACES
        if study.items[f"grade_{face}"].notna().any()
    }
    faces = [f for f, cells in by_face.items() if cells["code"].notna().any()]
    if faces:
        return faces, {face: by_face[face] for face in faces}
    return [], {"burned": map_cells(study, by_bake=True)}


def _bake_pictures(
    study: Study,
    name: str,
    pit: str,
    bakes: Sequence[str],
    faces: Sequence[Face],
    cells: dict[str, pd.DataFrame],
    beside: str,
) -> list[Picture]:
    rows = [
        row
        for bake in bakes
        for row in _bake_rows(
            bake, {k: own[own["bake"] == bake] for k, own in cells.items()}, faces
        )
    ]
    if faces:
        scale = step_scale(study.settings.grades, "grade of the face")
        value = "code"
    else:
        rows = draw.pairs_of([panel for row in rows for panel in row])
        scale, value = share_scale("burned / graded items"), "share"
    figures = draw.map_drawings(
        rows, value=value, scale=scale, largest_cell=_SMALL_CELL, no_value="not graded"
    )
    first = next(iter(cells.values()))
    alt = map_alt(first[first["bake"].isin(bakes)], value)
    return belonging(name, figures, alt, bake_maps_caption(pit, list(faces)), beside)


def photo_caption(bake: object, pit: object) -> str:
    """Say what a photograph shows; also its text alternative."""
    return f"Photograph of bake {one_line(bake)} in {one_line(pit)}, as recorded"


def bake_maps_caption(pit: object, faces: list[str]) -> str:
    """Say what the maps of single bakes show."""
    shown = (
        f"grades of the {listed([FACE_WORDS[face] for face in faces])} of each item"
        if faces
        else "whether each item burned"
    )
    return (
        f"{one_line(pit)}, every kept bake by itself: {shown}. Hatched: not graded. "
        "What shows in one bake is about that bake."
    )


def _groups(bakes: Sequence[str], photos: dict[str, Photo]) -> list[list[str]]:
    """Bakes in their order; one with a photograph has a figure of its own beside it."""
    groups: list[list[str]] = []
    alone = True
    for bake in bakes:
        has_photo = bake in photos and not photos[bake].problem
        if alone or has_photo:
            groups.append([])
        groups[-1].append(bake)
        alone = has_photo
    return groups


def _wrapped(name: str, cells: dict[str, pd.DataFrame]) -> list[list[draw.MapPanel]]:
    """Maps of one grate, one per face, in as many rows as keep cells readable."""
    wide = int(next(iter(cells.values()))["column"].max())
    across = max(1, _COLUMNS_A_ROW // wide)
    faces = list(cells)
    return [
        [
            draw.MapPanel(f"{name}, {face}" if i == 0 else face, cells[face])
            for i, face in enumerate(faces[start : start + across])
        ]
        for start in range(0, len(faces), across)
    ]


def _bake_rows(
    bake: str, cells: dict[str, pd.DataFrame], faces: Sequence[Face]
) -> list[list[draw.MapPanel]]:
    """Rows of maps of a bake: grate by grate, one panel per face."""
    first = next(iter(cells.values()))
    several = first["grate"].nunique() > 1
    rows = []
    for grate in first["grate"].unique():
        name = shorten(bake, 16)
        if several:
            name += f", {shorten(grate, 10)}"
        own = {k: frame[frame["grate"] == grate] for k, frame in cells.items()}
        if faces:
            rows += _wrapped(name, own)
        else:
            rows.append([draw.MapPanel(name, own["burned"])])
    return rows
