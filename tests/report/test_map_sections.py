"""Sections about places: whatever was recorded, words or pictures, and no stronger."""

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.section import Photograph, Picture, Pictures, Section, Text
from pitstats.report.sections import faces as face_words
from pitstats.report.sections import maps as map_words
from pitstats.report.sections import patterns as pattern_words
from pitstats.report.study_results import StudyResults
from tests.analysis.places.test_faces import DARK_BELOW, faced
from tests.analysis.places.test_pattern import grid_study, near
from tests.conftest import small_settings, small_tables
from tests.report.overclaims import overclaims, said, typed_in

SECTIONS = (ps.ask.maps, ps.ask.bake_maps, ps.ask.patterns, ps.ask.faces)


def shown(study: ps.Study) -> list[Section]:
    results = StudyResults(study)
    return [ask(results) for ask in SECTIONS]


def texts(sections: list[Section]) -> str:
    return "\n".join(
        text
        for own in sections
        for text in ([own.missing] if own.missing else said(own, notes=True))
    )


def far_end() -> ps.Study:
    """Wandering zones in one pit; a damper that is not there."""
    door = np.zeros((3, 6))
    door[0] = 1
    study = grid_study({"1": near()[:, ::-1], "2": near()[:, ::-1], "3": door})
    pits = study.pits.assign(has_damper=False)
    return dataclasses.replace(study, pits=pits)


def thin(case: str) -> ps.Study:
    tables = small_tables()
    one_row = grid_study({"1": np.array([[1, 1, 0, 0]]), "2": np.array([[1, 0, 0, 0]])})
    cases: dict[str, Any] = {
        "as it is": lambda: ps.Study(settings=small_settings(), **tables),
        "one row": lambda: one_row,
        "a column": lambda: grid_study({"1": np.array([[1], [0], [0]])}),
        "a bake lost": lambda: grid_study({"1": near(), "2": near() * np.nan}),
        "all lost": lambda: grid_study({"1": near() * np.nan}),
        "one cell": lambda: grid_study({"1": np.array([[1]])}),
        "no places": lambda: ps.Study(
            settings=small_settings(),
            **(
                tables
                | {
                    "items": tables["items"].assign(row=None, column=None),
                    "regrades": pd.DataFrame(),
                }
            ),
        ),
        "counts only": lambda: ps.study_from_counts(["A"], [9], [2]),
        "planned": lambda: dataclasses.replace(
            one_row,
            bakes=one_row.bakes.assign(status="planned"),
            items=one_row.items.assign(burned=None),
        ),
        "excluded": lambda: dataclasses.replace(
            one_row, bakes=one_row.bakes.assign(status="excluded", reason="rain")
        ),
        "rotated": lambda: dataclasses.replace(
            one_row, bakes=one_row.bakes.assign(rotated=True)
        ),
    }
    study: ps.Study = cases[case]()
    return study


@pytest.mark.parametrize(
    "case",
    [
        "as it is",
        "one row",
        "a column",
        "a bake lost",
        "all lost",
        "one cell",
        "no places",
        "counts only",
        "planned",
        "excluded",
        "rotated",
    ],
)
def test_thin_data_give_a_section_or_a_reason(case: str, tmp_path: Path) -> None:
    page = ps.Page(tmp_path)
    for own in shown(thin(case)):
        assert bool(page.html(own)) != bool(own.missing)
        for text in [] if own.missing else said(own):
            assert overclaims(text, typed_in(thin(case))) == []


def names_of(section: Section) -> set[str]:
    return {part.name for part in section.body if isinstance(part, Picture)}


def test_rise_has_maps_where_recorded() -> None:
    study = ps.demo_study("one_bake_each")
    assert names_of(ps.ask.maps(StudyResults(study))) == set()
    rise = np.linspace(25, 40, len(study.items))
    study = dataclasses.replace(study, items=study.items.assign(rise_mm=rise))
    assert names_of(ps.ask.maps(StudyResults(study))) == {"rise_maps"}


def test_a_photograph_stands_by_the_map_of_its_bake(tmp_path: Path) -> None:
    study = ps.demo_study("four_pits")
    names = {"Quarry-2": "q.jpg", "Ferry-1": "none.jpg"}
    bakes = study.bakes.assign(photo=study.bakes["bake"].map(names))
    Image.new("RGB", (60, 40), "brown").save(tmp_path / "q.jpg")
    own = bakes["bake"].isin(["Quarry-1", "Quarry-2", "Ferry-1"])
    few = dataclasses.replace(
        study,
        bakes=bakes[own],
        items=study.items[study.items["bake"].isin(bakes.loc[own, "bake"])],
        source=tmp_path,
    )
    maps, *body = ps.ask.bake_maps(StudyResults(few)).body
    assert isinstance(maps, Pictures)
    beside = [own for own in maps.pictures if own.beside]
    assert len(beside) == 1
    assert (
        'alt="Photograph of bake Quarry-2 in Quarry, as recorded"' in beside[0].beside
    )
    assert "Quarry-2" in beside[0].alt
    assert "Quarry-1" not in beside[0].alt
    assert not [part for part in body if isinstance(part, Photograph)]
    problems = [part.text for part in body if isinstance(part, Text)]
    assert "there is no such file" in problems[-1]


def test_bakes_that_were_rotated_are_named() -> None:
    first = next(iter(ps.ask.maps(StudyResults(thin("rotated"))).body))
    assert isinstance(first, Text)
    assert first.text.startswith("Items were turned or moved during 1 and 2")
    assert map_words.rotated_note(ps.demo_study("four_pits")) == ""


PATTERNS = {
    "in this bake": grid_study({"1": near()}),
    "repeatable": grid_study({"1": near(), "2": near(), "3": near()}),
    "in these bakes": far_end(),
    "none shown": ps.demo_study("one_bake_each"),
    "one of two can show one": grid_study({"1": near(), "2": 0 * near()}),
    "none to find": grid_study({"1": np.array([[1, 0, 0, 0]])}),
    "cannot be judged": grid_study({"1": np.zeros((2, 3))}),
}
UNNAMED = ("none to find", "one of two can show one")  # cases that are no verdict


@pytest.mark.parametrize("case", PATTERNS)
def test_words_about_patterns(case: str, snapshot: SnapshotAssertion) -> None:
    study = PATTERNS[case]
    patterns = ps.map_patterns(study)
    lines = [
        *pattern_words.pattern_sentences(patterns),
        pattern_words.pattern_table(patterns).caption,
        pattern_words.pattern_table(patterns).shown.to_csv(index=False),
        *pattern_words.reading_sentences(study, patterns),
        *patterns.caveats,
    ]
    assert lines == snapshot
    if len(patterns.table) == 1 and case not in UNNAMED:
        assert patterns.table["verdict"].item() == case


FACES = {
    "one bake": faced({"1": DARK_BELOW}),
    "bakes that agree": faced({str(k): DARK_BELOW * 2 for k in range(4)}),
    "bakes that do not": faced({"1": DARK_BELOW, "2": [("golden", "golden")] * 3}),
}


@pytest.mark.parametrize("case", FACES)
def test_words_about_faces(case: str, snapshot: SnapshotAssertion) -> None:
    study = FACES[case]
    faces = ps.compare_faces(study)
    lines = [
        face_words.in_short(faces),
        face_words.face_table(faces).caption,
        face_words.face_table(faces).shown.to_csv(index=False),
    ]
    assert lines == snapshot


def test_a_face_is_named_once_for_all_its_pits() -> None:
    faces = ps.compare_faces(FACES["bakes that agree"])
    both = pd.concat([faces.table, faces.table.assign(pit="B")], ignore_index=True)
    said = face_words.in_short(dataclasses.replace(faces, table=both))
    assert (
        said == "Darker more often: the bottom in A and B; nothing shown beyond that."
    )


def test_causes_are_common_practice_one_change_and_only_where_a_pattern_came_back() -> (
    None
):
    for case, study in PATTERNS.items():
        text = texts([ps.ask.patterns(StudyResults(study))])
        assert text.count("One change to try next") == (case == "repeatable")
        assert ("common practice" in text) == (case == "repeatable")
        assert ("pitstats plan" in text) == (case == "repeatable")
