"""The page about probes: words by the evidence, and never a traceback for thin data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.section import FirstPage, Links, Questions, Section, Sentences
from pitstats.report.sections import gauges as words
from pitstats.report.sections import probes
from tests.analysis.heat.test_gauge import probed_by_hand
from tests.analysis.rates.test_rates import counts_study
from tests.report.overclaims import overclaims, said, sentences_of

ASKED = (
    *(ps.ask.probe_series, ps.ask.probed_cells, ps.ask.probed_temperatures),
    *(ps.ask.survey, ps.ask.gauges, ps.ask.browning, ps.ask.sensors),
)
CLASS = {"sensor": "IEC 60584-1 type K class 2", "display_step": 1.0}


def rendered(study: ps.Study, folder: Path | None, **settings: object) -> str:
    """The whole page as HTML, each of its parts short enough."""
    results = ps.ProbeResults(study, **(CLASS | settings))  # type: ignore[arg-type]
    page = ps.Page(folder)
    first = ps.pages.read_probes(results)
    html = [page.html(first)]
    checked(first, 30)
    for ask in ASKED:
        section = ask(results)
        checked(section, 45)
        html.append(page.html(section))
    return "\n".join(html)


def checked(shown: Section | FirstPage, most: int) -> None:
    texts = list(said(shown))
    if isinstance(shown, FirstPage):
        (asked,) = [part for part in shown.body if isinstance(part, Questions)]
        texts += [own.answer for own in asked.sections]
    assert sum(len(text.split()) for text in texts) <= 600 or most > 30
    for text in texts:
        assert overclaims(text) == [], text
        assert all(len(own.split()) <= most for own in sentences_of(text)), text


def sentences(study: ps.Study) -> list[str]:
    summary = ps.summarize_probes(study)
    gauges = ps.compare_gauges(study, summary=summary)
    return [
        f"{probes.window_sentence(summary)} {probes.window_note(summary)}",
        probes.offsets_sentence(summary),
        probes.lag_sentence(summary),
        probes.lag_sentence(ps.summarize_probes(study, lag=True)),
        probes.limits_sentence(summary),
        *summary.caveats,
        *words.gauge_sentences(gauges),
        *words.gauge_pair_sentences(gauges),
        *words.factor_sentences(gauges),
        words.gauge_table(gauges).caption,
        *gauges.caveats,
    ]


def test_the_words_of_the_demo(snapshot: SnapshotAssertion) -> None:
    lines = sentences(ps.demo_study("probed_pits"))
    assert lines == snapshot
    assert [line for line in lines if overclaims(line)] == []


def test_the_words_of_one_bake_each(snapshot: SnapshotAssertion) -> None:
    study = ps.demo_study("probed_pits")
    first = study.bakes["session"].eq("day 1")
    bakes = study.bakes.assign(
        status=np.where(first, "kept", "excluded"),
        reason=np.where(first, None, "left out here"),
    )
    lines = sentences(replace(study, bakes=bakes))
    assert lines == snapshot
    assert any(text.startswith("In its one bake Quarry's") for text in lines)


def test_a_level_says_which_cells_it_is_made_of() -> None:
    grate = {"a": {1: 400.0, 6: 340.0}, "b": {1: 390.0}}
    study = probed_by_hand(grate, {"a": 355.0, "b": 345.0})
    gauges = ps.compare_gauges(study)
    assert words.gauge_sentences(gauges) == [
        "In each of its two bakes A's own gauge read 45 °F lower than the grate at the "
        "cells that its bakes share; readings that all agree give no interval."
    ]
    filled = {"a": {1: 400.0, 6: 340.0}, "b": {1: 390.0, 6: 331.0}, "c": {1: 395.0}}
    gauges = ps.compare_gauges(probed_by_hand(filled, dict.fromkeys(filled, 350.0)))
    (line,) = words.gauge_sentences(gauges)
    assert "lower than the grate (" in line


def test_a_gauge_is_named_so_that_the_sentence_reads() -> None:
    study = probed_by_hand({"a": {1: 400.0}}, {"a": 355.0})
    second = study.probes[study.probes["probe"] == "lid"].assign(probe="lid 2")
    probes = pd.concat([study.probes, second], ignore_index=True)
    lines = words.gauge_sentences(ps.compare_gauges(replace(study, probes=probes)))
    assert lines[1] == (
        "In its one bake A's gauge 'lid 2' read 45 °F lower than the grate."
    )


def test_an_offset_of_nothing_has_no_direction() -> None:
    study = ps.study_from_counts(["A"] * 3 + ["B"] * 3, [20] * 6, [2, 9, 3, 12, 8, 4])
    bakes = study.bakes.assign(
        indicated_temp=325.0, grate_temp=[320.0, 330.0, 325.0, 315.0, 319.0, 317.0]
    )
    settings = replace(study.settings, temperature_unit="F")
    gauges = ps.compare_gauges(replace(study, settings=settings, bakes=bakes))
    even, high = words.gauge_sentences(gauges)
    assert "it read as the grate did on average" in even
    assert "B's own gauge reads 8.0 °F higher than the grate" in high
    # The record is audited with the same pairs of gauge and grate.
    assert [row["bias"] for row in gauges.table.to_dict("records")] == [0.0, 8.0]


def test_the_tables_of_the_demo(snapshot: SnapshotAssertion) -> None:
    study = ps.demo_study("probed_pits")
    gauges = ps.compare_gauges(study)
    assert words.gauge_table(gauges).shown.to_csv() == snapshot
    assert words.factor_table(gauges).to_csv() == snapshot
    assert probes.cells_table(ps.summarize_probes(study)).to_csv() == snapshot


def test_what_was_shown_is_kept(tmp_path: Path) -> None:
    rendered(ps.demo_study("probed_pits"), tmp_path)
    kept = {path.stem for path in (tmp_path / "tables").iterdir()}
    assert {"cells", "series", "readings", "gauges", "browning"} <= kept
    cells = pd.read_csv(tmp_path / "tables" / "cells.csv")
    expected = ps.summarize_probes(ps.demo_study("probed_pits")).cells
    pd.testing.assert_frame_equal(
        cells,
        expected.assign(flags=expected["flags"].replace("", None)),
        check_dtype=False,
    )
    figures = {path.name for path in (tmp_path / "figures").iterdir()}
    assert {"series.png", "gauges.svg", "agreement.png"} <= figures


def two_bakes() -> ps.Study:
    """The first session of the demo, every second reading: quick to draw."""
    study = ps.demo_study("probed_pits")
    bakes = study.bakes[study.bakes["session"] == "day 1"]
    probes = study.probes[study.probes["bake"].isin(bakes["bake"])]
    return replace(
        study,
        bakes=bakes,
        items=study.items[study.items["bake"].isin(bakes["bake"])],
        probes=probes[probes["minute"] % 1 == 0],
    )


def one_probe(study: ps.Study) -> ps.Study:
    probes = study.probes
    return replace(study, probes=probes[probes["probe"] == "p3"])


def one_reading(study: ps.Study) -> ps.Study:
    return replace(study, probes=study.probes.iloc[[25]])


def constant(study: ps.Study) -> ps.Study:
    return replace(study, probes=study.probes.assign(temp=325.0))


def only_lid(study: ps.Study) -> ps.Study:
    probes = study.probes
    return replace(study, probes=probes[probes["probe"] == "lid"])


def excluded(study: ps.Study) -> ps.Study:
    return replace(study, bakes=study.bakes.assign(status="excluded", reason="rain"))


def planned(study: ps.Study) -> ps.Study:
    return replace(
        study,
        bakes=study.bakes.assign(status="planned"),
        items=study.items[["bake", "grate", "row", "column", "code"]],
    )


def no_place(study: ps.Study) -> ps.Study:
    bare = {"grate": None, "row": None, "column": None}
    return replace(study, probes=study.probes.assign(**bare))


def no_temperatures(study: ps.Study) -> ps.Study:
    blank = ["target_temp", "indicated_temp", "grate_temp", "minutes"]
    bakes = study.bakes.assign(**dict.fromkeys(blank, np.nan))
    return replace(study, bakes=bakes, probe_checks=pd.DataFrame())


def before_loading(study: ps.Study) -> ps.Study:
    probes = study.probes
    return replace(study, probes=probes[probes["minute"] < 0])


def odd_names(study: ps.Study) -> ps.Study:
    nasty = "<b>$x^2$ & \n probe"
    probes = study.probes.assign(probe=study.probes["probe"].replace("p1", nasty))
    return replace(study, probes=probes)


@pytest.mark.parametrize(
    "change",
    [
        one_probe,
        one_reading,
        constant,
        only_lid,
        excluded,
        planned,
        no_place,
        no_temperatures,
        before_loading,
        odd_names,
    ],
)
def test_thin_data_give_a_result_or_a_sentence(
    change: Callable[[ps.Study], ps.Study],
) -> None:
    html = rendered(change(two_bakes()), None, lag=True)
    assert "What cannot be said" in html


@pytest.mark.parametrize("name", ["one_bake_each", "nothing_burned"])
def test_studies_without_probes_say_so_and_use_their_means(
    name: str, tmp_path: Path
) -> None:
    html = rendered(ps.demo_study(name), tmp_path)
    assert "Beyond this record: probe readings" in html
    kept = {path.stem for path in (tmp_path / "tables").iterdir()}
    assert "gauges" in kept
    assert "cells" not in kept


def test_counts_alone_say_that_nothing_is_known(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"bake": ["1", "2"], "pit": ["A", "B"], "n_items": 9, "n_burned": [1, 2]}
    )
    html = rendered(counts_study(frame), tmp_path)
    assert "Beyond this record: probe readings" in html
    assert list(tmp_path.iterdir()) == []


def told(**settings: object) -> Section:
    study = ps.demo_study("probed_pits")
    return ps.ask.sensors(ps.ProbeResults(study, **settings))  # type: ignore[arg-type]


def test_a_mistyped_sensor_class_lists_the_known_ones() -> None:
    section = told(sensor="type K")
    text = " ".join(said(section))
    assert "known are IEC 60584-1 type K class 1" in text
    results = ps.ProbeResults(ps.demo_study("probed_pits"), sensor="type K")
    (links,) = [p for p in ps.pages.read_probes(results).body if isinstance(p, Links)]
    assert [own.id for own in links.sections] == ["sensors"]


def test_the_error_of_a_probe_names_its_parts() -> None:
    section = told(display_step=1.0, reference_error=0.9)
    (lines,) = [part for part in section.body if isinstance(part, Sentences)]
    assert "offset check" in lines.sentences[0]
    # A reference off by at most 0.9 °F is 0.52 °F as a standard uncertainty.
    assert "reference thermometer 0.5" in lines.sentences[0]
    assert "No sensor class" in told().missing


def test_limits_of_a_single_bake_are_told_with_what_few_bakes_leave_open() -> None:
    results = ps.ProbeResults(ps.demo_study("probed_pits"))
    row = results.gauges.table.set_index("pit").loc["Quarry"]
    assert row["lower_low"] < row["lower"] < row["upper"] < row["upper_high"]
    assert ps.ask.gauges(results).answer == (
        "In a single bake the gauge of Quarry may read from "
        "\N{MINUS SIGN}31 to \N{MINUS SIGN}21 °F off (95% limits of agreement; with "
        "their intervals \N{MINUS SIGN}45 to \N{MINUS SIGN}6.5 °F)."
    )
