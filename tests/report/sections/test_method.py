"""The method as the page tells it is the method that made the numbers."""

from dataclasses import replace

import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.section import Sentences, Text
from pitstats.report.study_results import StudyResults


def lines_of(study: ps.Study) -> tuple[StudyResults, list[str]]:
    """Results of a study, and the sentences about their method."""
    results = StudyResults(study)
    said, how = ps.ask.method(results).body
    assert isinstance(said, Sentences)
    assert isinstance(how, Text)
    return results, [*said.sentences, how.text]


@pytest.mark.parametrize("name", ["one_bake_each", "unequal_layouts", "four_pits"])
def test_the_model_told_is_the_one_that_leads(name: str) -> None:
    results, lines = lines_of(ps.demo_study(name))
    assert f"How: {results.comparison.method}." in lines
    assert not [line for line in lines if "common to all pits" in line]


def test_sessions_are_told_once_where_they_are_in_the_model() -> None:
    study = ps.demo_study("four_pits")
    results, lines = lines_of(study)
    assert results.comparison.session_note
    assert lines.count(results.comparison.session_note) == 1
    apart = replace(study, bakes=study.bakes.assign(session=pd.NA))
    assert not [text for text in lines_of(apart)[1] if "Sessions are in" in text]
