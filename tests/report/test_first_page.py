"""The first page is short, hard sentences are broken up, and it agrees with itself."""

import re
from html.parser import HTMLParser

import pytest

import pitstats as ps
from pitstats.report.section import FirstPage, Number, Questions, Section, Text
from pitstats.report.sections import answer
from tests.report.overclaims import overclaims, said, sentences_of, typed_in
from tests.report.studies import NAMES, ONE_EACH, TOTALS, results_of


class Visible(HTMLParser):
    """Words that a reader sees."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words += data.split()


def first(name: str) -> FirstPage:
    return ps.pages.compare_pits(results_of(name))


def words_of(page: FirstPage) -> list[str]:
    seen = Visible()
    seen.feed(ps.Page().html(page))
    return seen.words


def questions_of(page: FirstPage) -> list[Section]:
    return [
        own
        for part in page.body
        if isinstance(part, Questions)
        for own in part.sections
    ]


def test_long_run_and_counted_shares_are_told_apart_beside_the_picture() -> None:
    told = "Long-run shares are of many fires"
    assert told in answer.picture(results_of("four_pits")).caption
    # One bake of each pit shows what was counted alone.
    assert told not in answer.picture(results_of("one_bake_each")).caption


def test_place_is_two_questions_that_do_not_contradict() -> None:
    page = ps.pages.compare_pits(results_of("four_pits"))
    asked = {own.question: own.answer for own in questions_of(page)}
    zone, fall = (
        asked[f"{question}?"]
        for question in ("Does any zone stand out", "How evenly does each pit burn")
    )
    assert (
        fall == "Burned more near the firebox than at the far end: Quarry and Orchard."
    )
    assert zone.endswith("a fall from the firebox is asked apart.")


@pytest.mark.parametrize("name", NAMES)
def test_a_first_page_is_short_and_claims_no_more_than_bakes_can_show(
    name: str,
) -> None:
    results = results_of(name)
    page = ps.pages.compare_pits(results)
    most = 330 if name in ONE_EACH else 600
    assert len(words_of(page)) <= most
    typed = typed_in(results.study)
    texts = [*said(page), *(own.answer for own in questions_of(page))]
    for text in texts:
        assert overclaims(text, typed) == [], text
    prose = [part for part in page.body if isinstance(part, Text)]
    numbers = [line for p in page.body if isinstance(p, Number) for line in p.lines]
    short = [p.text for p in prose] + numbers + [q.answer for q in questions_of(page)]
    for text in short:
        for own in sentences_of(text):
            assert len(own.split()) <= 30, own


@pytest.mark.parametrize("name", ONE_EACH)
def test_one_bake_each_has_no_verdict_no_long_run_and_no_p(name: str) -> None:
    page = first(name)
    text = " ".join(words_of(page))
    assert not re.search(r"\bp [=<>]|adjusted|fragile|firm\b", text, re.I)
    assert "no verdict" in text
    comparison = results_of(name).comparison
    assert comparison.table[["p_value", "p_adjusted"]].isna().all(axis=None)


@pytest.mark.parametrize("name", TOTALS)
def test_totals_have_no_faces_grades_or_places(name: str) -> None:
    text = " ".join(words_of(first(name)))
    before = text.split("Beyond this record")[0]
    assert not re.search(r"\b(top|bottom|face|grades?|cells?|firebox)\b", before, re.I)


@pytest.mark.parametrize("name", NAMES)
def test_a_fragile_verdict_is_told_beside_the_number_and_in_the_next_step(
    name: str,
) -> None:
    results = results_of(name)
    page = first(name)
    number = next(part for part in page.body if isinstance(part, Number))
    text = " ".join(number.lines)
    if results.comparison.one_bake_each:
        assert "verdict falls" not in text
        return
    assert ("Fragile" in text) == results.sensitivity.fragile
    if results.sensitivity.fragile:
        assert "Not by what was tried" not in " ".join(words_of(page))


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
    from dataclasses import replace

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
