"""Sections about places: maps, single bakes, patterns, faces, and how to read them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property, partial
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from pitstats.analysis.heat.probe_series import summarize_probes
from pitstats.analysis.places.faces import FaceComparison, compare_faces
from pitstats.analysis.places.grate_map import Face, map_cells, map_temperatures
from pitstats.analysis.places.pattern import GratePatterns, map_patterns
from pitstats.errors import DesignError
from pitstats.figures import grates as draw
from pitstats.figures.map_scale import (
    WANTED,
    MapScale,
    number_scale,
    share_scale,
    step_scale,
)
from pitstats.figures.pattern import plot_faces, plot_patterns
from pitstats.figures.style import shorten
from pitstats.report.old_page import Picture
from pitstats.report.photos import Photo, bake_photos, photo_html
from pitstats.report.study_page import StudyPage
from pitstats.report.wording import maps as wording
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

_FACES: tuple[Face, ...] = ("top", "bottom", "side")
# Inches, and cells in a row of maps: small, but a letter in a cell can be read.
_SMALL_CELL = 0.32
_COLUMNS_A_ROW = 16
_RISE_LABEL = "mean rise, mm"


class MapSections(StudyPage):
    """Sections about where on the grates items burned, each one call.

    Parameters
    ----------
    study : Study
        What the page is about.
    folder : path-like or None
        Where figures and tables are kept; None or an empty text: show only.
    """

    #: Maps need no estimate, so a renderer can draw them while the kernel computes.
    begins_with_maps: ClassVar[bool] = True

    def __init__(self, study: Study, folder: str | Path | None = None) -> None:
        super().__init__(study, folder)
        if self.begins_with_maps and self._renderer_keeps:
            self._order_ahead()

    def show_maps(self, temperatures: pd.DataFrame | None = None) -> None:
        """Cells over all bakes: burned, typical grade, rise and temperature.

        Parameters
        ----------
        temperatures : pandas.DataFrame, optional
            ``bake, pit, grate, row, column, temp``; by default the cells of
            `summarize_probes`.
        """
        cells, pictures = self._burned_maps
        if cells.empty:
            self.say(wording.NO_PLACES)
            return
        self._beside("map")
        note = wording.rotated_note(self._study)
        if note:
            self.say(note, "note")
        self.pictures(pictures)
        self.keep_table("grates", cells)
        cells, pictures = self._grade_maps
        if pictures:
            self.pictures(pictures)
            self.keep_table("grade_maps", cells)
        if self._has_rise:
            rise = map_cells(self._study, "rise")
            scale = number_scale(rise["rise_mm"], _RISE_LABEL, WANTED)
            caption = wording.RISE_CAPTION
            self._maps("rise_maps", rise, "rise_mm", scale, caption, "not measured")
        readings = self._readings if temperatures is None else temperatures
        if readings is not None:
            self._show_temperatures(readings)

    @property
    def _has_rise(self) -> bool:
        items = item_outcomes(self._study)
        return bool(items.dropna(subset=["row", "column"])["rise_mm"].notna().any())

    @cached_property
    def _readings(self) -> pd.DataFrame | None:
        """Mean temperatures of cells by bake; None where there are none."""
        if self._study.probes.empty:
            return None
        try:
            return summarize_probes(self._study).cells
        except DesignError:
            # The section about probes says why; here there is no map of them.
            return None

    def _order_ahead(self) -> None:
        """Let the renderer begin with what needs no estimate."""
        self.order(self._burned_maps[1])
        self.order(self._grade_maps[1])
        for pictures in self._bake_maps.values():
            self.order(pictures)
        if not isinstance(self._faces(None), str):
            self.order(self._face_maps)

    @cached_property
    def _burned_maps(self) -> tuple[pd.DataFrame, list[Picture]]:
        cells = map_cells(self._study)
        scale = share_scale(draw.BURNED_LABEL)
        caption = wording.BURNED_CAPTION
        return cells, _map_pictures("grates", cells, "share", scale, caption)

    @cached_property
    def _grade_maps(self) -> tuple[pd.DataFrame, list[Picture]]:
        cells = map_cells(self._study, "grade")
        if not cells["code"].notna().any():
            return cells, []
        scale = step_scale(self._study.settings.grades, "typical grade")
        caption = wording.GRADE_CAPTION
        return cells, _map_pictures("grade_maps", cells, "code", scale, caption)

    def _show_temperatures(self, readings: pd.DataFrame) -> None:
        cells = map_temperatures(self._study, readings)
        if cells.empty or cells["temp"].isna().all():
            return
        scale = number_scale(cells["temp"], self._temperature_label)
        caption = wording.TEMPERATURE_CAPTION
        self._maps("temperature_maps", cells, "temp", scale, caption, "no probe")

    @property
    def _temperature_label(self) -> str:
        unit = self._study.settings.temperature_unit or ""
        return f"mean temperature, \N{DEGREE SIGN}{unit}"

    def _maps(
        self,
        name: str,
        cells: pd.DataFrame,
        value: str,
        scale: MapScale,
        caption: str,
        no_value: str = "no graded item",
    ) -> None:
        self.pictures(_map_pictures(name, cells, value, scale, caption, no_value))
        self.keep_table(name, cells)

    def show_bake_maps(self) -> None:
        """Every bake by itself, grate by grate and face by face, with photographs."""
        photos = self._photos
        if not self._bake_maps:
            self.say(wording.NO_BAKE_MAPS)
            self._show_photos(list(photos))
            return
        for pictures in self._bake_maps.values():
            self.pictures(pictures)
        beside = {
            bake
            for bake, pictures in self._bake_maps.items()
            if any(picture.beside for picture in pictures)
        }
        self._show_photos([bake for bake in photos if bake not in beside])
        self._show_rise_by_bake()
        self._show_temperatures_by_bake()

    @cached_property
    def _photos(self) -> dict[str, Photo]:
        return bake_photos(self._study)

    @cached_property
    def _bake_maps(self) -> dict[str, list[Picture]]:
        """Maps of single bakes by the first bake of a picture, pit after pit."""
        faces, cells = self._bake_cells
        if all(own.empty for own in cells.values()):
            return {}
        made: dict[str, list[Picture]] = {}
        first = next(iter(cells.values()))
        for i, pit in enumerate(first["pit"].unique()):
            bakes = first.loc[first["pit"] == pit, "bake"].unique().tolist()
            for k, group in enumerate(_groups(bakes, self._photos)):
                photo = self._photos.get(group[0])
                beside = ""
                if photo is not None and not photo.problem:
                    beside = photo_html(photo, wording.photo_caption(group[0], pit))
                name = f"bakes_{i + 1}_{k + 1}"
                made[group[0]] = self._bake_pictures(
                    name, pit, group, faces, cells, beside
                )
        return made

    def _show_rise_by_bake(self) -> None:
        if self._has_rise:
            cells = map_cells(self._study, "rise", by_bake=True)
            scale = number_scale(cells["rise_mm"], _RISE_LABEL, WANTED)
            self._number_maps("bake_rise", cells, "rise_mm", scale, "not measured")

    def _show_temperatures_by_bake(self) -> None:
        if self._readings is None:
            return
        cells = map_temperatures(self._study, self._readings, by_bake=True)
        if not cells.empty and cells["temp"].notna().any():
            scale = number_scale(cells["temp"], self._temperature_label)
            self._number_maps("bake_temperatures", cells, "temp", scale, "no probe")

    def _number_maps(
        self,
        name: str,
        cells: pd.DataFrame,
        value: str,
        scale: MapScale,
        no_value: str,
    ) -> None:
        """Maps of numbers, bake by bake, on one scale for all bakes of all pits."""
        panels = [
            panel
            for bake, own in cells.groupby("bake", sort=False)
            for row in _bake_rows(str(bake), {"burned": own}, [])
            for panel in row
        ]
        figures = draw.map_drawings(
            draw.pairs_of(panels),
            value=value,
            scale=scale,
            largest_cell=_SMALL_CELL,
            no_value=no_value,
        )
        caption = wording.bake_numbers_caption(scale.label)
        alt = wording.map_alt(cells, value)
        self.pictures(_belonging(name, figures, alt, caption))

    @cached_property
    def _bake_cells(self) -> tuple[list[Face], dict[str, pd.DataFrame]]:
        """Faces that were graded, and the cells of each by bake."""
        by_face = {
            face: map_cells(self._study, "grade", by_bake=True, face=face)
            for face in _FACES
            if self._study.items[f"grade_{face}"].notna().any()
        }
        faces = [f for f, cells in by_face.items() if cells["code"].notna().any()]
        if faces:
            return faces, {face: by_face[face] for face in faces}
        return [], {"burned": map_cells(self._study, by_bake=True)}

    def _bake_pictures(
        self,
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
            scale = step_scale(self._study.settings.grades, "grade of the face")
            value = "code"
        else:
            rows = draw.pairs_of([panel for row in rows for panel in row])
            scale, value = share_scale("burned / graded items"), "share"
        figures = draw.map_drawings(
            rows,
            value=value,
            scale=scale,
            largest_cell=_SMALL_CELL,
            no_value="not graded",
        )
        first = next(iter(cells.values()))
        own = first[first["bake"].isin(bakes)]
        caption = wording.bake_maps_caption(pit, list(faces))
        alt = wording.map_alt(own, value)
        return _belonging(name, figures, alt, caption, beside)

    def _show_photos(self, bakes: Sequence[str]) -> None:
        pits = self._study.bakes.set_index("bake")["pit"]
        for bake in bakes:
            photo = self._photos[bake]
            if photo.problem:
                self.say(photo.problem, "note")
            else:
                caption = wording.photo_caption(bake, pits[bake])
                self.html(photo_html(photo, caption), caption)

    def show_pattern(self, seed: int = 1, conf_level: float | None = None) -> None:
        """Say whether there is a pattern at all, and whether it comes back."""
        patterns = self._patterns(seed, conf_level)
        if isinstance(patterns, str):
            self.say(patterns, "note")
            return
        sentences = wording.pattern_sentences(patterns)
        self.figure(
            "pattern", partial(plot_patterns, patterns), alt=" ".join(sentences)
        )
        self.say_all(sentences)
        self.table(
            "pattern",
            wording.pattern_table(patterns),
            wording.pattern_caption(patterns),
            values=patterns.table,
        )
        self.table(
            "pattern_bakes",
            wording.bake_pattern_table(patterns),
            wording.bake_pattern_caption(patterns),
            values=patterns.bakes,
        )
        self.say(wording.PATTERN_NOTE, "note")
        self.say_all(patterns.caveats)
        self.say(f"Method: {patterns.method}.", "note")

    def _patterns(self, seed: int, conf_level: float | None) -> GratePatterns | str:
        """Patterns, worked out once for all sections; or why there are none."""
        key = (seed, conf_level)
        if key not in self._found_patterns:
            try:
                found: GratePatterns | str = map_patterns(
                    self._study, seed=seed, conf_level=conf_level
                )
            except DesignError as reason:
                found = str(reason)
            self._found_patterns[key] = found
        return self._found_patterns[key]

    @cached_property
    def _found_patterns(self) -> dict[tuple[int, float | None], GratePatterns | str]:
        return {}

    def show_faces(self, conf_level: float | None = None) -> None:
        """Two faces of the same items: maps, differences, sentences."""
        faces = self._faces(conf_level)
        if isinstance(faces, str):
            self.say(faces, "note")
            return
        self.pictures(self._face_maps)
        sentences = wording.face_sentences(faces)
        self.figure("faces", partial(plot_faces, faces), alt=" ".join(sentences))
        self.say_all(sentences)
        self.table(
            "faces",
            wording.face_table(faces),
            wording.face_caption(faces),
            values=faces.table,
        )
        self.say_all(faces.caveats)
        self.say(f"Method: {faces.method}.", "note")

    def _faces(self, conf_level: float | None) -> FaceComparison | str:
        """Faces, compared once for all sections; or why they cannot be."""
        if conf_level not in self._found_faces:
            try:
                found: FaceComparison | str = compare_faces(self._study, conf_level)
            except DesignError as reason:
                found = str(reason)
            self._found_faces[conf_level] = found
        return self._found_faces[conf_level]

    @cached_property
    def _found_faces(self) -> dict[float | None, FaceComparison | str]:
        return {}

    @cached_property
    def _face_maps(self) -> list[Picture]:
        maps = {face: map_cells(self._study, face=face) for face in self._bake_cells[0]}
        panels = {face: draw.grate_panels(cells) for face, cells in maps.items()}
        rows = [
            wrapped
            for own in zip(*panels.values(), strict=True)
            for wrapped in _wrapped(
                own[0].title,
                {f: panel.cells for f, panel in zip(panels, own, strict=True)},
            )
        ]
        figures = draw.map_drawings(
            rows,
            value="share",
            scale=share_scale("burned / graded items, by face"),
            largest_cell=_SMALL_CELL,
            no_value="not graded",
        )
        alt = " ".join(
            f"{face.capitalize()}: " + wording.map_alt(cells, "share")
            for face, cells in maps.items()
        )
        return _belonging("face_maps", figures, alt, wording.FACE_MAP_CAPTION)

    def show_reading(self, seed: int = 1, conf_level: float | None = None) -> None:
        """What the patterns shown can come from, and the one change to try next."""
        patterns, faces = self._patterns(seed, conf_level), self._faces(conf_level)
        if isinstance(patterns, str) and isinstance(faces, str):
            self.say(wording.NOT_ON_RECORD)
            return
        said = wording.reading_sentences(
            self._study,
            None if isinstance(patterns, str) else patterns,
            None if isinstance(faces, str) else faces,
            self._evenness,
        )
        if not said:
            self.say(wording.NOTHING_TO_READ)
            return
        self.say(wording.COMMON_PRACTICE, "note")
        self.say_all(said)
        self.say(wording.RETEST)


def _map_pictures(
    name: str,
    cells: pd.DataFrame,
    value: str,
    scale: MapScale,
    caption: str,
    no_value: str = "no graded item",
) -> list[Picture]:
    """Maps of all pits on one scale, in as many figures as fit a page."""
    rows = draw.pairs_of(draw.grate_panels(cells))
    figures = draw.map_drawings(rows, value=value, scale=scale, no_value=no_value)
    return _belonging(name, figures, wording.map_alt(cells, value), caption)


def _belonging(
    name: str,
    figures: Sequence[Callable[[], Any]],
    alt: str,
    caption: str,
    beside: str = "",
) -> list[Picture]:
    """Figures that belong together; the words stand with the first."""
    continued = f"{caption.split('.')[0]}, continued."
    first = [Picture(name, figure, alt, caption, beside) for figure in figures[:1]]
    return first + [
        Picture(f"{name}_{i}", figure, continued, continued)
        for i, figure in enumerate(figures[1:], 2)
    ]


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
