"""Thirds are told as far as the bakes show them, and not at all from one bake."""

from dataclasses import replace

import numpy as np
import pandas as pd

import pitstats as ps
from pitstats.report.section import Sentences
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


def test_a_fall_that_no_two_pits_show_is_not_compared() -> None:
    evenness = ps.compare_evenness(ps.demo_study("unequal_layouts"))
    unknown = evenness.differences.assign(
        verdict="cannot tell", simultaneous_low=np.nan, simultaneous_high=np.nan
    )
    none = replace(evenness, differences=unknown)
    assert evenness_pairs_sentence(none).startswith("How burning falls cannot be")
    one = unknown.assign(simultaneous_low=-0.2, simultaneous_high=0.3)
    some = replace(evenness, differences=pd.concat([unknown, one], ignore_index=True))
    told = evenness_pairs_sentence(some)
    assert "with items at both ends larger than 30 points are excluded." in told


def test_what_is_said_of_the_comparison_is_not_said_of_evenness_again() -> None:
    results = ps.StudyResults(ps.demo_study("four_pits"))
    body = ps.ask.evenness(results).body
    said = [
        own for part in body if isinstance(part, Sentences) for own in part.sentences
    ]
    assert not set(said) & set(results.comparison.caveats)
    assert sum("without a grade" in own for own in said) == 1
    assert "The curves leave out upper: not every pit used the same grates." in said


def test_why_pits_share_no_layout_is_not_said_with_evenness_again() -> None:
    study = ps.demo_study("unequal_layouts")
    pit_of = study.items["bake"].map(study.bakes.set_index("bake")["pit"])
    near = study.items["column"] <= 4
    apart = replace(study, items=study.items[near == pit_of.eq("Orchard")])
    results = ps.StudyResults(apart)
    why = results.both.why_not
    assert why.startswith("No place was used in all pits")
    texts = [str(part) for part in ps.ask.evenness(results).body]
    assert not any("No place was used" in text for text in texts)
    left = results.sensitivity.not_tried.set_index("family")["reason"]
    assert left["places"] == "the pits have no common layout"
