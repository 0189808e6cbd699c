"""Pages of every kind of study: the first is short, each thing is said once.

All of them here: results of a study are worked out once for the tests of a process.
"""

import re
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from functools import cache, cached_property
from pathlib import Path

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.exchange.result_tables import result_tables, table_bytes
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.section import (
    Callout,
    FirstPage,
    Number,
    Questions,
    Section,
    Table,
    Text,
)
from pitstats.report.sections import answer, fairness, grades, maps, pairs
from pitstats.report.study_results import StudyResults
from pitstats.report.words import ahead, more_span
from pitstats.study.demo import demo_names
from tests.figures import readable
from tests.report.html_audit import Audit
from tests.report.overclaims import overclaims, said, sentences_of, typed_in, unplain
from tests.report.studies import NAMES, ONE_EACH, OUTSIDE, TOTALS, results_of


def questions_of(page: FirstPage) -> list[Section]:
    return [
        own
        for part in page.body
        if isinstance(part, Questions)
        for own in part.sections
    ]


@cache
def page_of(name: str) -> tuple[FirstPage, tuple[Section, ...]]:
    results = results_of(name)
    asked = (*(own for chapter in COMPARE_PITS for own in chapter.sections),)
    sections = (*(own(results) for own in asked), ps.ask.usual_mistake(results))
    return ps.pages.compare_pits(results), sections


@cache
def words_of_first(name: str) -> list[str]:
    return Audit(ps.Page().html(page_of(name)[0])).words


def prose(name: str) -> list[str]:
    first, sections = page_of(name)
    return [text for own in (first, *sections) for text in said(own)]


# --- the first page -------------------------------------------------------------------


def test_long_run_and_counted_shares_are_told_apart_beside_the_picture() -> None:
    told = "Long-run shares are of many fires"
    assert told in answer.picture(results_of("four_pits")).caption
    # One bake of each pit shows what was counted alone.
    assert told not in answer.picture(results_of("one_bake_each")).caption


def test_place_is_two_questions_that_do_not_contradict() -> None:
    page, _ = page_of("four_pits")
    asked = {own.question: own.answer for own in questions_of(page)}
    zone, fall = (
        asked[f"{question}?"]
        for question in ("Does any zone stand out", "How evenly does each pit burn")
    )
    assert (
        fall == "Burned more near the firebox than at the far end: Quarry and Orchard."
    )
    assert zone.endswith("a fall from the firebox is asked beside it.")


@pytest.mark.parametrize("name", NAMES)
def test_a_first_page_is_short_and_claims_no_more_than_bakes_can_show(
    name: str,
) -> None:
    results = results_of(name)
    page, _ = page_of(name)
    most = 330 if name in ONE_EACH else 600
    assert len(words_of_first(name)) <= most
    typed = typed_in(results.study)
    texts = [*said(page), *(own.answer for own in questions_of(page))]
    for text in texts:
        assert overclaims(text, typed) == [], text
    short = [part.text for part in page.body if isinstance(part, Text)]
    short += [line for p in page.body if isinstance(p, Number) for line in p.lines]
    short += [own.answer for own in questions_of(page)]
    for text in short:
        for own in sentences_of(text):
            assert len(own.split()) <= 30, own


@pytest.mark.parametrize("name", ONE_EACH)
def test_one_bake_each_has_no_verdict_no_long_run_and_no_p(name: str) -> None:
    text = " ".join(words_of_first(name))
    assert not re.search(r"\bp [=<>]|adjusted|fragile|firm\b", text, re.I)
    assert "no verdict" in text
    comparison = results_of(name).comparison
    assert comparison.table[["p_value", "p_adjusted"]].isna().all(axis=None)


@pytest.mark.parametrize("name", TOTALS)
def test_totals_have_no_faces_grades_or_places(name: str) -> None:
    text = " ".join(words_of_first(name))
    before = text.split("Beyond this record")[0]
    assert not re.search(r"\b(top|bottom|face|grades?|cells?|firebox)\b", before, re.I)


@pytest.mark.parametrize("name", NAMES)
def test_a_fragile_verdict_is_told_beside_the_number_and_in_the_next_step(
    name: str,
) -> None:
    results = results_of(name)
    page = page_of(name)[0]
    number = next(part for part in page.body if isinstance(part, Number))
    text = " ".join(number.lines)
    if results.comparison.one_bake_each:
        assert "Fragile" not in text
        return
    assert ("Fragile" in text) == results.sensitivity.fragile
    if results.sensitivity.fragile:
        assert "Not by what was tried" not in " ".join(words_of_first(name))


@pytest.mark.parametrize(
    ("margin", "low", "high", "found"),
    [
        (0.1, 0.12, 0.4, "larger"),
        (0.1, -0.4, -0.12, "larger"),
        (0.5, -0.2, 0.3, "smaller"),
        (0.1, 0.02, 0.3, "cannot say"),
        (0.1, -0.3, 0.3, "cannot say"),
    ],
)
def test_a_margin_is_answered(
    margin: float, low: float, high: float, found: str
) -> None:
    comparison = replace(results_of("totals, clear").comparison, margin=margin)
    pair = comparison.table.iloc[0].copy()
    pair["simultaneous_low"], pair["simultaneous_high"] = low, high
    text = answer.margin_sentence(comparison, pair)
    assert found in text
    assert (f"is {found}" in text) or found == "cannot say"


def test_differences_have_one_direction_on_the_page() -> None:
    for name in ("four_pits", "five pits, three days"):
        results = results_of(name)
        shown = ps.ask.pairs(results)
        tables = [part for part in shown.body if getattr(part, "name", "") == "pairs"]
        differences = tables[0].shown["Difference, points"]
        assert not differences.str.startswith("\N{MINUS SIGN}").any()
        for pair, row in zip(
            tables[0].shown["Pair"],
            results.comparison.table.itertuples(),
            strict=True,
        ):
            more = row.pit_a if row.estimate >= 0 else row.pit_b
            assert pair.startswith(more)


# --- the whole page -------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["1 items", "one bakes", "two pair", "+1 points", "3 cell of 12"]
)
def test_wrong_numbers_are_seen(text: str) -> None:
    assert unplain(text)


@pytest.mark.parametrize("text", ["21 items", "0.1 points", "one bake", "1.1 points"])
def test_right_numbers_pass(text: str) -> None:
    assert unplain(text) == []


@pytest.mark.parametrize("name", NAMES)
def test_sentences_are_short_and_their_numbers_right(name: str) -> None:
    for text in prose(name):
        assert unplain(text) == [], text


@pytest.mark.parametrize("name", OUTSIDE)
def test_tables_from_outside_are_answered_too(name: str) -> None:
    assert "burned more than" in " ".join(prose(name))


@pytest.mark.parametrize("name", [*demo_names(), *OUTSIDE])
def test_every_section_is_shown_and_kept(name: str, tmp_path: Path) -> None:
    first, (*asked, _) = page_of(name)  # the last stands on a page of its own
    results, page = results_of(name), ps.Page(tmp_path)
    everything = (first, *asked, ps.pages.not_asked(results))
    seen = Audit("".join(page.html(own) for own in everything))
    assert seen.remote == []
    assert min(map(len, seen.alts)) > 20
    assert len(set(seen.sections)) == len(seen.sections) >= 10
    assert set(seen.links) <= set(seen.sections) - {"not-asked"}
    kept = {str(own.relative_to(tmp_path)) for own in tmp_path.rglob("*.*")}
    drawn = {own[:-4] for own in kept if own.startswith("figures/")}
    assert len(seen.alts) == len(drawn) >= 2
    assert {f"{own}{end}" for own in drawn for end in (".png", ".svg")} <= kept
    if name not in OUTSIDE:
        places = {f"figures/{own}.png" for own in ("grates", "bakes_1_1", "faces")}
        tables = ("grates", "pattern", "pattern_bakes", "faces")
        assert places | {f"tables/{own}.csv" for own in tables} <= kept
    table = pd.read_csv(tmp_path / "tables" / "pairs.csv")
    expected = results.comparison.table
    pd.testing.assert_frame_equal(table, expected, check_dtype=False)


@pytest.mark.parametrize("name", ["four_pits", "one_bake_each", "probed_pits"])
def test_every_figure_can_be_read_on_a_phone(name: str) -> None:
    first, sections = page_of(name)
    readable.held(first, *sections)


@pytest.mark.parametrize("name", NAMES)
def test_no_interval_stands_in_the_prose_more_than_three_times(name: str) -> None:
    comparison = results_of(name).comparison
    text = " ".join(prose(name))
    for _, row in comparison.table.iterrows():
        pair = ahead(row)
        span = re.escape(more_span(pair.low, pair.high))
        told = re.findall(rf"(?<!\d){span}", text)
        alike = Counter(
            more_span(own.low, own.high)
            for own in (ahead(other) for _, other in comparison.table.iterrows())
        )
        assert len(told) <= 3 * alike[more_span(pair.low, pair.high)], span


@pytest.mark.parametrize("name", NAMES)
def test_every_pair_has_one_direction(name: str) -> None:
    orders = {
        tuple(pair.split(" \N{MINUS SIGN} "))
        for own in page_of(name)[1]
        for part in own.body
        # The last section stands on a page of its own, which leads as baked.
        if isinstance(part, Table) and part.name in ("pairs", "ways")
        for pair in part.shown["Pair"]
    }
    assert orders
    assert not {tuple(reversed(order)) for order in orders} & orders


def test_the_package_ranks_as_the_page_does() -> None:
    results = results_of("four_pits")
    assert results.both.leads == "common"
    packed, _ = result_tables(results.study, ["ranks"])
    pd.testing.assert_frame_equal(packed["ranks"], results.ranks.table)
    assert results.files()["ranks.csv"] == table_bytes(packed["ranks"])


@pytest.mark.parametrize("name", NAMES)
def test_a_fragile_verdict_is_not_called_settled(name: str) -> None:
    results = results_of(name)
    if results.comparison.one_bake_each or not results.sensitivity.fragile:
        return
    text = " ".join([*prose(name), pairs.in_short(results.comparison)])
    assert "every pair has a verdict" not in text.lower()


@pytest.mark.parametrize("name", NAMES)
def test_thirds_hold_their_whole(name: str) -> None:
    results = results_of(name)
    section = next(own for own in page_of(name)[1] if own.id == "evenness")
    if section.missing:
        return
    whole = results.rates.table.set_index("pit")["estimate"]
    parts = results.evenness.table.set_index("pit")[["near", "middle", "far"]]
    for pit, row in parts.dropna().iterrows():
        assert row.min() - 0.03 <= whole[pit] <= row.max() + 0.03, pit


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_is_shown(name: str) -> None:
    results = results_of(name)
    section = ps.ask.fairness(results)
    callouts = [part for part in section.body if isinstance(part, Callout)]
    shown = " ".join(text for frame in callouts for _, text in frame.lines)
    assert all(
        " ".join(f.message.split()) in " ".join(shown.split()) for f in results.findings
    )
    assert section.answer == fairness.in_short(results.findings)


@pytest.mark.parametrize("name", demo_names())
def test_checklist_of_every_demo(name: str) -> None:
    section = ps.ask.checklist(results_of(name))
    table = next(iter(section.body))
    assert isinstance(table, Table)
    assert isinstance(table.values, pd.DataFrame)
    assert table.values["answer"].notna().all()
    n_open = int((~table.values["recorded"]).sum())
    assert f"{len(table.values)} items; {n_open} of them not" in table.caption


# --- results that every study has -----------------------------------------------------


@pytest.mark.parametrize("name", demo_names())
def test_a_recommendation_never_falls(name: str) -> None:
    step = results_of(name).next_step
    assert step.continuations >= 1000
    assert step.table["settled"].is_monotonic_increasing
    assert step.table["if_as_seen"].dropna().is_monotonic_increasing
    if step.advice == "bake twice":
        assert "%" not in " ".join(step.sentences)
        assert "in 10" not in " ".join(step.sentences)
    if step.advice == "too small":
        assert step.sentence.startswith("Even 12 more bakes each of")


def test_an_alternative_that_comes_back_to_the_report_does_not_tip_it() -> None:
    # Only another verdict than the reported one can tip; the same one never does.
    got = results_of("four_pits").sensitivity
    assert got.reported["verdict"] == "cannot tell"
    tried = got.members_of(*got.leading_pair).iloc[1:]
    back = tried[tried["against"].eq("counted") & tried["verdict"].eq("cannot tell")]
    assert len(back) > 0
    assert not back["tips"].any()


@pytest.mark.parametrize("name", demo_names())
def test_sentences_of_the_demo_studies(name: str, snapshot: SnapshotAssertion) -> None:
    results = results_of(name)
    lines = [
        answer.answer(results),
        *(f"{f.id} ({f.severity}): {f.message} {f.fix}" for f in results.findings),
        *grades.grade_sentences(results.grades),
        maps.map_alt(ps.map_cells(results.study), "share"),
    ]
    assert lines == snapshot


def test_a_level_asked_for_reaches_every_result() -> None:
    results = StudyResults(ps.demo_study("probed_pits"), conf_level=0.8)
    levels = {"comparison": results.comparison.conf_level}
    for name, own in vars(StudyResults).items():
        if isinstance(own, cached_property):
            with suppress(ps.DesignError):
                levels[name] = getattr(getattr(results, name), "conf_level", None)
    known = [level for level in levels.values() if level is not None]
    assert known == [0.8] * 11
