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
from pitstats.report.map_sections import MapSections
from pitstats.report.wording import maps as wording
from tests.analysis.places.test_faces import DARK_BELOW, faced
from tests.analysis.places.test_pattern import grid_study, near
from tests.conftest import small_settings, small_tables

SECTIONS = (
    "show_maps",
    "show_bake_maps",
    "show_pattern",
    "show_faces",
    "show_reading",
)
FORBIDDEN = ("significant", "never", "identical", "proves", "proven")


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Everything that a page displays, in order."""
    outputs: list[dict[str, Any]] = []

    def keep(data: dict[str, Any], raw: bool, metadata: Any = None) -> None:
        outputs.append({**data, "metadata": metadata or {}})

    monkeypatch.setattr("IPython.display.display", keep)
    return outputs


def words(outputs: list[dict[str, Any]]) -> str:
    return "\n".join(str(output["text/plain"]) for output in outputs)


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
def test_thin_data_give_a_picture_or_a_sentence(
    case: str, shown: list[dict[str, Any]]
) -> None:
    page = MapSections(thin(case))
    for section in SECTIONS:
        before = len(shown)
        getattr(page, section)()
        assert len(shown) > before, section
    assert not any(word in words(shown).lower().split() for word in FORBIDDEN)


def test_pictures_have_words_and_files(
    shown: list[dict[str, Any]], tmp_path: Path
) -> None:
    page = MapSections(ps.demo_study("one_bake_each"), tmp_path)
    for section in SECTIONS:
        getattr(page, section)()
    pictures = [output for output in shown if "image/png" in output]
    assert len(pictures) >= 6
    for output in pictures:
        assert len(output["metadata"]["image/png"]["alt"]) > 20
    kept = {file.name for file in (tmp_path / "figures").glob("*.png")}
    assert {"grates.png", "bakes_1_1.png", "pattern.png", "faces.png"} <= kept
    tables = {file.name for file in (tmp_path / "tables").glob("*.csv")}
    assert {"grates.csv", "pattern.csv", "pattern_bakes.csv", "faces.csv"} <= tables


def test_rise_and_temperature_have_maps_where_recorded(
    shown: list[dict[str, Any]], tmp_path: Path
) -> None:
    study = ps.demo_study("one_bake_each")
    rise = np.linspace(25, 40, len(study.items))
    study = dataclasses.replace(study, items=study.items.assign(rise_mm=rise))
    readings = ps.map_cells(study, by_bake=True).assign(temp=330.0)
    MapSections(study, tmp_path).show_maps(temperatures=readings)
    kept = {file.name for file in (tmp_path / "figures").glob("*.png")}
    assert kept == {
        "grates.png",
        "grade_maps.png",
        "rise_maps.png",
        "temperature_maps.png",
    }


def test_probes_and_rise_of_single_bakes_stand_on_one_scale(
    shown: list[dict[str, Any]], tmp_path: Path
) -> None:
    study = ps.demo_study("probed_pits")
    own = study.bakes["bake"].isin(["Quarry-1", "Ferry-2"])
    kept = study.bakes.loc[own, "bake"]
    few = dataclasses.replace(
        study,
        bakes=study.bakes[own],
        items=study.items[study.items["bake"].isin(kept)],
        probes=study.probes[study.probes["bake"].isin(kept)],
        regrades=pd.DataFrame(),
    )
    MapSections(few, tmp_path).show_bake_maps()
    names = {file.stem for file in (tmp_path / "figures").glob("*.png")}
    assert {"bake_rise", "bake_temperatures", "bakes_1_1", "bakes_2_1"} == names
    alts = words(shown)
    assert "Quarry-1, Quarry, main grate: firebox half from" in alts


def test_a_photograph_stands_by_the_map_of_its_bake(
    shown: list[dict[str, Any]], tmp_path: Path
) -> None:
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
    MapSections(few).show_bake_maps()
    htmls = [str(output.get("text/html", "")) for output in shown]
    at = next(i for i, html in enumerate(htmls) if "data:image/jpeg" in html)
    assert 'alt="Photograph of bake Quarry-2 in Quarry, as recorded"' in htmls[at]
    assert htmls[at].count("<img") == 2
    assert "Quarry-2" in shown[at]["text/plain"]
    assert "Quarry-1" not in shown[at]["text/plain"]
    assert "there is no such file" in htmls[-1]


def test_bakes_that_were_rotated_are_named(shown: list[dict[str, Any]]) -> None:
    MapSections(thin("rotated")).show_maps()
    assert shown[0]["text/plain"].startswith(
        "Items were turned or moved during 1 and 2"
    )
    assert wording.rotated_note(ps.demo_study("four_pits")) == ""


PATTERNS = {
    "in this bake": grid_study({"1": near()}),
    "repeatable": grid_study({"1": near(), "2": near(), "3": near()}),
    "in these bakes": far_end(),
    "none shown": ps.demo_study("one_bake_each"),
    "none to find": grid_study({"1": np.array([[1, 0, 0, 0]])}),
    "cannot be judged": grid_study({"1": np.zeros((2, 3))}),
}


@pytest.mark.parametrize("case", PATTERNS)
def test_words_about_patterns(case: str, snapshot: SnapshotAssertion) -> None:
    study = PATTERNS[case]
    patterns = ps.map_patterns(study)
    lines = [
        *wording.pattern_sentences(patterns),
        wording.pattern_caption(patterns),
        wording.pattern_table(patterns).to_csv(index=False),
        wording.bake_pattern_table(patterns).to_csv(index=False),
        *wording.reading_sentences(study, patterns, None),
        *patterns.caveats,
    ]
    assert lines == snapshot
    if len(patterns.table) == 1 and case != "none to find":
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
        *wording.face_sentences(faces),
        wording.face_caption(faces),
        wording.face_table(faces).to_csv(index=False),
        *wording.reading_sentences(study, None, faces),
    ]
    assert lines == snapshot


def test_causes_are_common_practice_and_one_change(
    shown: list[dict[str, Any]],
) -> None:
    MapSections(PATTERNS["repeatable"]).show_reading()
    said = words(shown)
    assert "common practice" in said
    assert said.count("One change to try next") == 1
    assert "pitstats plan" in said
    shown.clear()
    MapSections(PATTERNS["none shown"]).show_reading()
    assert "nothing to trace" in words(shown)


def test_a_fall_along_the_grate_is_read_where_no_pattern_was_shown() -> None:
    study = ps.demo_study("four_pits")
    evenness = ps.compare_evenness(study)
    said = wording.reading_sentences(study, None, None, evenness)
    fallen = evenness.table.loc[evenness.table["conf_low"] > 0, "pit"]
    assert len(fallen)
    assert [sentence.split(":")[0] for sentence in said] == list(fallen)
    assert all("more burning in the firebox third" in s for s in said)
    assert wording.reading_sentences(study, None, None) == []
