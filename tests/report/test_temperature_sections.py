"""Sections on temperatures and rises: what is shown and kept, thin data included."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.rise_sections import RiseSections
from pitstats.report.temperature_sections import TemperatureSections


class _Page(TemperatureSections, RiseSections):
    """Both families of sections on one page, with all that was shown."""


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    texts: list[str] = []
    monkeypatch.setattr(
        "IPython.display.display",
        lambda data, **_: texts.append(data["text/plain"]),
    )
    return texts


def show_all(page: _Page) -> None:
    page.show_temperatures()
    page.show_survey()
    page.show_rise()


def test_the_demo_shows_and_keeps_everything(shown: list[str], tmp_path: Path) -> None:
    show_all(_Page(ps.demo_study("probed_pits"), tmp_path))
    text = "\n".join(shown)
    assert "Quarry is hotter at the grate than Ferry" in text
    assert "after the pattern of" in text
    assert "compl" not in text
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


def test_a_study_without_probes_or_rises_says_so(shown: list[str]) -> None:
    show_all(_Page(ps.demo_study("one_bake_each")))
    assert len(shown) == 3
    assert "No probe readings" in shown[0]
    assert "No rise" in shown[2]


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


@pytest.fixture
def unrendered(monkeypatch: pytest.MonkeyPatch, shown: list[str]) -> list[str]:
    """Figures are made, but not turned into pictures."""
    monkeypatch.setattr(
        "pitstats.report.old_page.Page.figure",
        lambda self, name, figure, *, alt, caption="": shown.append(alt),
    )
    return shown


@pytest.mark.parametrize("name", thin_probes())
def test_thin_probes_give_a_section_or_a_sentence(
    name: str, unrendered: list[str]
) -> None:
    page = _Page(replace(ps.demo_study("probed_pits"), probes=thin_probes()[name]))
    page.show_temperatures()
    page.show_survey()
    assert unrendered
    assert not [text for text in unrendered if "nan " in text or " inf" in text]


def test_one_bake_each_and_one_rise(unrendered: list[str]) -> None:
    study = ps.demo_study("probed_pits")
    kept = study.bakes["bake"].isin(["Quarry-1", "Ferry-1"])
    bakes = study.bakes.assign(
        status=np.where(kept, "kept", "excluded"), reason=np.where(kept, None, "thin")
    )
    single = replace(study, bakes=bakes)
    show_all(_Page(single))
    assert any("how far another bake would be" in text for text in unrendered)
    assert any("one bake of Quarry" in text for text in unrendered)
    one = study.items["rise_mm"].where(study.items.index == 3)
    _Page(replace(study, items=study.items.assign(rise_mm=one))).show_rise()
    assert any("(one item)" in text for text in unrendered)


def test_rise_is_shown_where_nothing_tells_how_evenly_items_burned(
    unrendered: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        raise ps.DesignError("No item has a grade.")

    monkeypatch.setattr("pitstats.report.rise_sections.compare_evenness", none)
    _Page(ps.demo_study("probed_pits")).show_rise()
    assert "No item has a grade." in unrendered
    assert any("Items in Quarry rose" in text for text in unrendered)


def test_no_kept_bake(unrendered: list[str]) -> None:
    study = ps.demo_study("probed_pits")
    bakes = study.bakes.assign(status="excluded", reason="rain")
    show_all(_Page(replace(study, bakes=bakes)))
    assert len(unrendered) == 3
