"""Thirds are told as far as the bakes show them, and not at all from one bake."""

import pandas as pd

import pitstats as ps
from pitstats.report.sections.evenness import (
    evenness_pairs_sentence,
    evenness_table,
    in_short,
)


def test_an_end_that_burned_more_is_named_with_its_interval() -> None:
    evenness = ps.compare_evenness(ps.demo_study("unequal_layouts"))
    fall = evenness_table(evenness).shown["Near minus far, points"]
    assert fall.str.contains(" to ").all()
    assert in_short(evenness).startswith(
        "Burned more near the firebox than at the far end: "
    )


def test_one_bake_each_has_no_thirds() -> None:
    section = ps.ask.evenness(ps.StudyResults(ps.demo_study("one_bake_each")))
    assert section.body == ()
    assert "One bake of each pit" in section.missing


def test_pairs_and_table() -> None:
    evenness = ps.compare_evenness(ps.demo_study("four_pits"))
    assert evenness_pairs_sentence(evenness).count(".") >= 1
    shown = evenness_table(evenness).shown
    assert isinstance(shown, pd.DataFrame)
    assert list(shown["Pit"]) == list(evenness.table["pit"])
