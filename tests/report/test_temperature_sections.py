"""Sections on temperatures and rises: what is shown and kept, thin data included."""

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.section import Section
from pitstats.report.study_results import StudyResults
from tests.report.overclaims import said


def sections_of(study: ps.Study) -> list[Section]:
    results = StudyResults(study)
    return [ps.ask.temperatures(results), ps.ask.rise(results)]


def texts_of(study: ps.Study) -> list[str]:
    """Everything that both sections say, or why they say nothing."""
    return [
        text
        for own in sections_of(study)
        for text in ([own.missing] if own.missing else said(own, notes=True))
    ]


def test_the_demo_shows_and_keeps_everything(tmp_path: Path) -> None:
    page, study = ps.Page(tmp_path), ps.demo_study("probed_pits")
    shown = [page.html(own) for own in sections_of(study)]
    found = ps.ask.survey(ps.ProbeResults(study))
    text = "\n".join([*shown, page.html(found)])
    assert "Quarry is hotter at the grate than Ferry" in text
    assert "after the pattern of" in text
    assert "compl" not in re.sub('base64,[^"]*', "", text)
    assert "Rise and browning tell different things" in text
    figures = {path.name for path in (tmp_path / "figures").glob("*.png")}
    assert figures == {
        "temperatures.png",
        "cell_temperatures.png",
        "survey.png",
        "rise.png",
    }
    tables = {path.stem for path in (tmp_path / "tables").glob("*.csv")}
    assert {"temperatures", "temperature_differences", "survey", "rise"} <= tables
    kept = pd.read_csv(tmp_path / "tables" / "temperatures.csv")
    assert {"estimate", "conf_low", "bake_sd_high"} <= set(kept.columns)


def test_a_study_without_probes_or_rises_says_so() -> None:
    temperatures, rise = sections_of(ps.demo_study("one_bake_each"))
    assert "No probe readings" in temperatures.missing
    assert "No rise" in rise.missing


@cache
def thin_probes() -> dict[str, pd.DataFrame]:
    probes = ps.demo_study("probed_pits").probes
    first = probes["bake"] == "Quarry-1"
    return {
        "one probe": probes[probes["probe"] == "p1"],
        "one reading": probes[first].iloc[[40]],
        "constant": probes[probes["minute"] % 5 < 0.1].assign(temp=350.0),
        "a bake without probes": probes[~first & (probes["minute"] % 5 < 0.1)],
        "only lid gauges": probes[probes["probe"].str.startswith("lid")],
        "no places": probes[first].assign(row=np.nan, column=np.nan),
    }


@pytest.mark.parametrize("name", thin_probes())
def test_thin_probes_give_a_section_or_a_sentence(name: str) -> None:
    texts = texts_of(replace(ps.demo_study("probed_pits"), probes=thin_probes()[name]))
    assert texts
    assert not [text for text in texts if "nan " in text or " inf" in text]


def test_one_bake_each_and_one_rise() -> None:
    study = ps.demo_study("probed_pits")
    kept = study.bakes["bake"].isin(["Quarry-1", "Ferry-1"])
    bakes = study.bakes.assign(
        status=np.where(kept, "kept", "excluded"), reason=np.where(kept, None, "thin")
    )
    texts = texts_of(replace(study, bakes=bakes))
    assert any("One bake cannot show how much bakes" in text for text in texts)
    one = study.items["rise_mm"].where(study.items.index == 3)
    alone = replace(study, items=study.items.assign(rise_mm=one))
    section = ps.ask.rise(StudyResults(alone))
    assert section.answer.endswith("in its one bake.")
    assert not any("rise more in" in text for text in said(section))


def test_no_kept_bake() -> None:
    study = ps.demo_study("probed_pits")
    bakes = study.bakes.assign(status="excluded", reason="rain")
    assert all(own.missing for own in sections_of(replace(study, bakes=bakes)))
