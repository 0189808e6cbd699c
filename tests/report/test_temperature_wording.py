"""Temperatures and rises in words, chosen by the evidence."""

import re
from dataclasses import replace

import numpy as np
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.sections import rise as rise_words
from pitstats.report.sections import survey as survey_words
from pitstats.report.sections import temperatures as words
from tests.analysis.cell_studies import bakes_study, cell_frame
from tests.analysis.heat.test_rise import rise_study

LEVEL = {"Quarry": 352.0, "Ferry": 331.0, "Mill": 349.0}
FALL = {"Quarry": 40.0, "Ferry": -15.0, "Mill": 0.0}
BANNED = re.compile(r"significan|never|identical|prove|compl[iy]", re.IGNORECASE)


def said(study, cells, **settings):
    comparison = ps.compare_temperatures(study, cells=cells, **settings)
    levels = comparison.levels
    return [
        words.in_short(levels),
        *words.pair_sentences(comparison),
        *words.spread_pair_sentences(comparison),
        words.temperature_table(levels).caption,
        *levels.caveats,
    ]


def case(name):
    rng = np.random.default_rng(11)
    if name == "three pits":
        study = bakes_study({"Quarry": 4, "Ferry": 4, "Mill": 4}, sessions=True)
        return said(study, cell_frame(study, rng, level=LEVEL, fall=FALL))
    if name == "one bake each":
        study = bakes_study({"Quarry": 1, "Ferry": 1})
        return said(study, cell_frame(study, rng, level=LEVEL, fall=FALL))
    if name == "within the margin, in C":
        study = bakes_study({"Quarry": 5, "Ferry": 5}, unit="C", target=175.0)
        level = {"Quarry": 176.0, "Ferry": 175.5}
        cells = cell_frame(study, rng, level=level, sd_bake=1.0, sd_cell=1.0)
        return said(study, cells, margin=5.0)
    if name == "one pit missing, one probe":
        study = bakes_study({"Quarry": 3, "Ferry": 2})
        cells = cell_frame(study, rng, level=LEVEL)
        one = (cells["row"] == 1) & (cells["column"] == 2) & (cells["pit"] == "Quarry")
        return said(study, cells[one])
    study = bakes_study({"Quarry": 3, "Ferry": 3})
    cells = cell_frame(study, rng, level=LEVEL)
    ends = np.where(cells["pit"] == "Quarry", cells["column"] < 3, cells["column"] > 4)
    return said(study, cells[ends.astype(bool)])


CASES = [
    "three pits",
    "one bake each",
    "within the margin, in C",
    "one pit missing, one probe",
    "no place in common",
]


@pytest.mark.parametrize("name", CASES)
def test_temperatures_in_words(name: str, snapshot: SnapshotAssertion) -> None:
    lines = case(name)
    assert lines == snapshot
    assert not [line for line in lines if BANNED.search(line) or "nan" in line]


def test_table_of_temperatures(snapshot: SnapshotAssertion) -> None:
    study = bakes_study({"Quarry": 3, "Ferry": 1})
    cells = cell_frame(study, np.random.default_rng(3), level=LEVEL, fall=FALL)
    levels = ps.estimate_cell_temperatures(study, cells=cells)
    assert words.temperature_table(levels).shown.to_dict("records") == snapshot


def survey_of(n_bakes, **settings):
    study = bakes_study({"Quarry": n_bakes, "Ferry": n_bakes}, (1, 3))
    level = {"Quarry": 352.0, "Ferry": 362.0}
    rng = np.random.default_rng(4)
    cells = cell_frame(study, rng, level=level, sd_bake=2.0)
    cells = cells[cells["column"] < 3]
    cells = cells.assign(min=cells["temp"] - 6, max=cells["temp"] + 6)
    return ps.survey_uniformity(study, cells=cells, **settings)


@pytest.mark.parametrize(("n_bakes", "survey_class"), [(1, 2), (3, 4), (3, 5)])
def test_survey_in_words(
    n_bakes: int, survey_class: int, snapshot: SnapshotAssertion
) -> None:
    survey = survey_of(n_bakes, survey_class=survey_class)
    lines = [
        *survey_words.survey_sentences(survey),
        survey_words.survey_caption(survey),
        survey.method,
        *survey.caveats,
    ]
    assert lines == snapshot
    assert "after the pattern of" in survey_words.survey_caption(survey)
    assert not [line for line in lines if BANNED.search(line)]
    assert survey_words.survey_table(survey).shown.to_dict("records") == snapshot


@pytest.mark.parametrize("n_bakes", [1, 4])
def test_rise_in_words(n_bakes: int, snapshot: SnapshotAssertion) -> None:
    rise = ps.compare_rise(rise_study(np.random.default_rng(5), n_bakes))
    lines = [
        rise_words.in_short(rise),
        *rise_words.place_sentences(rise),
        rise_words.rise_table(rise).caption,
        *rise.caveats,
    ]
    assert lines == snapshot
    assert not [line for line in lines if BANNED.search(line) or "nan" in line]
    assert rise_words.rise_table(rise).shown.to_dict("records") == snapshot


def test_several_places_are_said_to_be_unadjusted_once() -> None:
    rise = ps.compare_rise(rise_study(np.random.default_rng(5), 3))
    lines = rise_words.place_sentences(rise)
    assert sum("no adjustment for their number" in line for line in lines) == 1
    assert lines[-1].startswith("Four differences")
    one = replace(rise, effects=rise.effects.iloc[:1])
    assert len(rise_words.place_sentences(one)) == 1
