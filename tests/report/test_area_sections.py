"""Sections on surfaces and usable area: the words are chosen by the evidence."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.area_sections import AreaSections
from pitstats.report.wording import area as wording
from tests.analysis.places.test_usable_area import (
    FOUR,
    SIZES,
    near_burns,
    placed,
    study_of,
)

FORBIDDEN = re.compile(r"\b(significant|never|identical|proves?)\b", re.IGNORECASE)
COUNTS = pd.DataFrame({"bake": ["A1", "B1"], "n_items": 10, "n_burned": [1, 2]})
PLANNED = pd.DataFrame({"bake": ["A1", "B1"], "pit": ["A", "B"], "status": "planned"})
STUDIES = {
    "four pits": ps.demo_study("four_pits"),
    "one bake each": ps.demo_study("one_bake_each"),
    "unfair order": ps.demo_study("unfair_order"),
    "all good": study_of(
        placed(FOUR, 2, 3, lambda *_: {"grade_top": "golden"}), grates=SIZES
    ),
    "none good": study_of(
        placed(FOUR, 2, 3, lambda *_: {"grade_top": "burned"}), grates=SIZES
    ),
    "one bake beside two": study_of(placed(FOUR[1:], 1, 7, near_burns)),
    "bake lost": study_of(
        placed(
            FOUR,
            2,
            3,
            lambda bake, *_: (
                {"missing": "rain"} if bake == "A2" else {"grade_top": "golden"}
            ),
        )
    ),
    "single cells": study_of(placed(FOUR, 1, 1, near_burns)),
}
THIN = {
    "marks only": study_of(placed(FOUR, 2, 3, lambda *_: {"burned": False})),
    "counts only": study_of(counts=COUNTS),
    "planned only": study_of(bakes=PLANNED),
    "no places": study_of(pd.DataFrame({"bake": FOUR, "grade_top": "golden"})),
}


@pytest.mark.parametrize("case", STUDIES)
def test_sentences_of_each_kind_of_evidence(
    case: str, snapshot: SnapshotAssertion
) -> None:
    area = ps.estimate_usable_area(STUDIES[case])
    lines = [
        *wording.surface_sentences(ps.map_surface(STUDIES[case])),
        *wording.area_sentences(area),
        *wording.every_sentences(area),
        *wording.area_pairs_sentences(area),
        wording.usable_area_caption(area),
        wording.area_method(area),
        *area.caveats,
        wording.area_table(area).to_csv(index=False),
        wording.area_pairs_table(area).to_csv(index=False),
    ]
    assert not [line for line in lines if FORBIDDEN.search(line)]
    assert lines == snapshot


def test_a_pair_that_differs_is_named_with_its_interval() -> None:
    def item(bake: str, row: int, column: int) -> dict[str, object]:
        return {"grade_top": "golden" if bake[0] == "B" else "raw"}

    names = [f"{pit}{k}" for pit in "AB" for k in (1, 2, 3)]
    area = ps.estimate_usable_area(study_of(placed(names, 3, 4, item)))
    (sentence,) = wording.area_pairs_sentences(area)
    assert "in these conditions B has more usable grate than A, by " in sentence
    assert area.differences["verdict"].iloc[0] == "differs"


@pytest.mark.parametrize("case", ["one bake beside two", "bake lost", *THIN])
def test_sections_show_or_say_why_not(
    case: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # Figures are made and asked for, but not turned into files here.
    shown: list[str] = []
    monkeypatch.setattr(
        AreaSections, "figure", lambda self, name, figure, **words: shown.append(name)
    )
    page = AreaSections((STUDIES | THIN)[case])
    page.show_surface()
    page.show_usable_area()
    if case in THIN:
        assert "cannot be mapped" in capsys.readouterr().out
    else:
        assert shown == ["surface", "usable_area", "chance_good"]


def test_figures_and_numbers_are_kept(tmp_path: Path) -> None:
    page = AreaSections(STUDIES["single cells"], tmp_path)
    page.show_surface()
    page.show_usable_area()
    figures = {path.stem for path in (tmp_path / "figures").glob("*.svg")}
    assert figures == {"surface", "usable_area", "chance_good"}
    cells = pd.read_csv(tmp_path / "tables" / "chance_good.csv")
    assert {"estimate", "conf_low", "conf_high", "every"} <= set(cells)
