"""A whole page says each thing once, in one direction and in plain sentences."""

import re
from collections import Counter
from functools import cache

import pandas as pd
import pytest

import pitstats as ps
from pitstats.exchange.result_tables import result_tables, table_bytes
from pitstats.report.pages import COMPARE_PITS
from pitstats.report.section import FirstPage, Section, Table
from pitstats.report.sections import pairs
from pitstats.report.words import ahead, more_span
from tests.report.overclaims import said, unplain
from tests.report.studies import NAMES, results_of


@cache
def page_of(name: str) -> tuple[FirstPage, tuple[Section, ...]]:
    results = results_of(name)
    asked = (*(own for chapter in COMPARE_PITS for own in chapter.sections),)
    sections = (*(own(results) for own in asked), ps.ask.usual_mistake(results))
    return ps.pages.compare_pits(results), sections


def prose(name: str) -> list[str]:
    first, sections = page_of(name)
    return [text for own in (first, *sections) for text in said(own)]


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
        assert row.min() - 0.05 <= whole[pit] <= row.max() + 0.05, pit
