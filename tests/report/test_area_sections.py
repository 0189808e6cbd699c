"""Sections on surfaces and usable area: the words are chosen by the evidence."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.section import Picture
from pitstats.report.sections import area as words
from pitstats.report.sections.surface import contradictions
from pitstats.report.study_results import StudyResults
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
        *contradictions(ps.map_surface(STUDIES[case])),
        words.in_short(area),
        *words.area_pairs_sentences(area),
        words.usable_area_caption(area),
        *area.caveats,
        words.area_table(area).shown.to_csv(index=False),
        words.area_pairs_table(area).shown.to_csv(index=False),
    ]
    assert not [line for line in lines if FORBIDDEN.search(line)]
    assert lines == snapshot


def test_a_pair_that_differs_is_named_with_its_interval() -> None:
    def item(bake: str, row: int, column: int) -> dict[str, object]:
        return {"grade_top": "golden" if bake[0] == "B" else "raw"}

    names = [f"{pit}{k}" for pit in "AB" for k in (1, 2, 3)]
    area = ps.estimate_usable_area(study_of(placed(names, 3, 4, item)))
    (sentence,) = words.area_pairs_sentences(area)
    assert "in these conditions B has more usable grate than A, by " in sentence
    assert area.differences["verdict"].iloc[0] == "differs"


@pytest.mark.parametrize("case", ["one bake beside two", "bake lost", *THIN])
def test_sections_show_or_say_why_not(case: str) -> None:
    results = StudyResults((STUDIES | THIN)[case])
    sections = [ps.ask.surface(results), ps.ask.area(results)]
    if case in THIN:
        assert any("cannot be mapped" in own.missing for own in sections)
        return
    pictures = [p.name for own in sections for p in own.body if isinstance(p, Picture)]
    assert pictures == ["surface", "usable_area", "chance_good"]
    assert all(own.answer and not own.missing for own in sections)


def test_one_bake_each_has_no_smoothed_map() -> None:
    results = StudyResults(STUDIES["one bake each"])
    assert "would show the day" in ps.ask.surface(results).missing
    names = [p.name for p in ps.ask.area(results).body if isinstance(p, Picture)]
    assert names == ["usable_area"]
    assert ps.ask.area(results).answer.startswith("Good in the one bake of each")


def test_figures_and_numbers_are_kept(tmp_path: Path) -> None:
    page = ps.Page(tmp_path)
    results = StudyResults(STUDIES["four pits"])
    page.html(ps.ask.surface(results))
    page.html(ps.ask.area(results))
    figures = {path.stem for path in (tmp_path / "figures").glob("*.svg")}
    assert figures == {"surface", "usable_area", "chance_good"}
    cells = pd.read_csv(tmp_path / "tables" / "chance_good.csv")
    assert {"estimate", "conf_low", "conf_high", "every"} <= set(cells)
