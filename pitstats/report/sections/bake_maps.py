"""Every bake, cell by cell and face by face, with its photograph."""

from __future__ import annotations

from collections.abc import Container, Sequence

import pandas as pd

from pitstats.analysis.places.grate_map import Face, map_cells
from pitstats.errors import DesignError
from pitstats.figures import grates as draw
from pitstats.figures.map_scale import share_scale, step_scale
from pitstats.figures.style import shorten
from pitstats.report.photos import Photo, bake_photos, photo_html, photographed
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
from pitstats.report.sections.maps import belonging, has_places, map_alt
from pitstats.report.study_results import StudyResults
from pitstats.report.words import listed, one_line
from pitstats.study.study import Study

NO_BAKE_MAPS = "No bake has items with a place, so there is no map of a single bake."
BURNED = "burned"
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
    if not has_places(study) and photographed(study).empty:
        raise DesignError(NO_BAKE_MAPS)
    yield ""
    photos = bake_photos(study)
    usable = {bake: photo for bake, photo in photos.items() if not photo.problem}
    cells = _bake_cells(study)
    pictures: list[Picture] = []
    first = next(iter(cells.values()))
    for i, pit in enumerate(first["pit"].unique(), 1):
        bakes = first.loc[first["pit"] == pit, "bake"].unique().tolist()
        for k, group in enumerate(_groups(bakes, usable), 1):
            html = ""
            if group[0] in usable:
                html = photo_html(usable[group[0]], photo_caption(group[0], pit))
            pictures += _bake_pictures(study, f"bakes_{i}_{k}", group, cells, html)
    yield Pictures(pictures)
    mapped, pits = set(first["bake"]), study.bakes.set_index("bake")["pit"]
    for bake, photo in photos.items():
        if bake not in usable or bake not in mapped:
            yield _photograph(photo, pits[bake])


def _photograph(photo: Photo, pit: object) -> Part:
    if photo.problem:
        return Text(photo.problem, "note")
    return Photograph(photo_html(photo, photo_caption(photo.bake, pit)))


def _bake_cells(study: Study) -> dict[str, pd.DataFrame]:
    """Cells by bake, for each face that was graded; without any, what burned."""
    by_face: dict[str, pd.DataFrame] = {
        face: map_cells(study, "grade", by_bake=True, face=face)
        for face in _FACES
        if study.items[f"grade_{face}"].notna().any()
    }
    graded = {face: own for face, own in by_face.items() if own["code"].notna().any()}
    return graded or {BURNED: map_cells(study, by_bake=True)}


def _bake_pictures(
    study: Study,
    name: str,
    bakes: Sequence[str],
    cells: dict[str, pd.DataFrame],
    beside: str,
) -> list[Picture]:
    cells = {face: own[own["bake"].isin(bakes)] for face, own in cells.items()}
    rows = [row for bake in bakes for row in _bake_rows(bake, cells)]
    if BURNED in cells:
        rows = draw.pairs_of([panel for row in rows for panel in row])
        scale, value = share_scale("burned / graded items"), "share"
    else:
        scale = step_scale(study.settings.grades, "grade of the face")
        value = "code"
    figures = draw.map_drawings(
        rows, value=value, scale=scale, largest_cell=_SMALL_CELL, no_value="not graded"
    )
    first = next(iter(cells.values()))
    caption = bake_maps_caption(first["pit"].iloc[0], list(cells))
    return belonging(name, figures, map_alt(first, value), caption, beside)


def photo_caption(bake: object, pit: object) -> str:
    """Say what a photograph shows; also its text alternative."""
    return f"Photograph of bake {one_line(bake)} in {one_line(pit)}, as recorded"


def bake_maps_caption(pit: object, faces: list[str]) -> str:
    """Say what the maps of single bakes show."""
    shown = "whether each item burned"
    if BURNED not in faces:
        shown = f"grades of the {listed(FACE_WORDS[own] for own in faces)} of each item"
    return (
        f"{one_line(pit)}, every kept bake by itself: {shown}. Hatched: not graded. "
        "What shows in one bake is about that bake."
    )


def _groups(bakes: Sequence[str], photos: Container[str]) -> list[list[str]]:
    """Bakes in their order; one with a photograph has a figure of its own beside it."""
    groups: list[list[str]] = []
    alone = True
    for bake in bakes:
        if alone or bake in photos:
            groups.append([])
        groups[-1].append(bake)
        alone = bake in photos
    return groups


def _wrapped(name: str, cells: dict[str, pd.DataFrame]) -> list[list[draw.MapPanel]]:
    """Maps of one grate, one per face, in as many rows as keep cells readable."""
    wide = int(next(iter(cells.values()))["column"].max())
    across = max(1, _COLUMNS_A_ROW // wide)
    faces = enumerate(cells)
    titles = [f"{name}, {face}" if k % across == 0 else face for k, face in faces]
    titles = [name] if BURNED in cells else titles
    panels = list(map(draw.MapPanel, titles, cells.values()))
    return [panels[k : k + across] for k in range(0, len(panels), across)]


def _bake_rows(bake: str, cells: dict[str, pd.DataFrame]) -> list[list[draw.MapPanel]]:
    """Rows of maps of a bake: grate by grate, one panel per face."""
    cells = {face: own[own["bake"] == bake] for face, own in cells.items()}
    grates = next(iter(cells.values()))["grate"].unique()
    rows = []
    for grate in grates:
        name = shorten(bake, 16) + f", {shorten(grate, 10)}" * (len(grates) > 1)
        own = {face: frame[frame["grate"] == grate] for face, frame in cells.items()}
        rows += _wrapped(name, own)
    return rows
