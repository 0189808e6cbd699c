"""Numbers are never rounded to a certainty, and levels are explained where needed."""

from dataclasses import replace

import pytest

import pitstats as ps
from pitstats.report import numbers
from pitstats.report.section import Section, Table
from pitstats.report.sections import next as next_step
from pitstats.report.sections import not_asked, pairs
from pitstats.report.words import more_span
from tests.report.studies import results_of


@pytest.mark.parametrize(
    ("value", "text"),
    [
        *((0.0, "0%"), (0.0004, "under 0.1%"), (0.0006, "0.1%"), (0.004, "0.4%")),
        *((1.0, "100%"), (0.9996, "over 99.9%"), (0.9994, "99.9%"), (0.996, "99.6%")),
        *((0.285, "28%"), (float("nan"), "unknown")),
    ],
)
def test_percent_never_rounds_to_certainty(value: float, text: str) -> None:
    assert numbers.percent(value) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.0, 1.0, "0% to 100%"),
        (0.0002, 0.02, "0% to 2%"),
        (0.98, 0.9998, "98% to 100%"),
        (0.0001, 0.0002, "0% to 0.1%"),
        (0.9998, 0.9999, "99.9% to 100%"),
    ],
)
def test_ends_of_an_interval_of_shares_are_rounded_outward(
    low: float, high: float, text: str
) -> None:
    assert numbers.ranged(numbers.percent, low, high) == text
    estimate = numbers.with_ends(numbers.percent, (low + high) / 2, low, high)
    assert estimate.endswith(f"({text})")
    assert not estimate.startswith(("0%", "100%"))


@pytest.mark.parametrize(("share", "text"), [(0.0, "0% to 0%"), (1.0, "100% to 100%")])
def test_a_range_that_was_counted_is_not_widened(share: float, text: str) -> None:
    assert numbers.ranged(numbers.percent, share, share) == text


@pytest.mark.parametrize(
    ("end", "text", "seen"),
    [
        *((0.0004, "+0.04", "0.04"), (0.00006, "+0.006", "0.006")),
        *((-0.0004, "\N{MINUS SIGN}0.04", ""), (0.004, "+0.4", "0.4")),
        (0.00001, "0", "0"),
    ],
)
def test_an_end_stays_on_the_side_of_0_that_decides(
    end: float, text: str, seen: str
) -> None:
    assert numbers.ranged(numbers.signed_points, end, 0.51) == f"{text} to +51"
    assert numbers.signed_points(0.0004) == "0"  # an estimate is no closer than that
    if end > 0:
        assert more_span(end, 0.51) == f"{seen} to 51 points more"


@pytest.mark.parametrize("shift", [0.1, 0.3, 0.7, 0.9])
def test_a_half_is_rounded_the_same_way_however_it_was_worked_out(shift: float) -> None:
    for half in range(5, 400, 10):
        share = half / 1000
        noisy = (share + shift) - shift
        told = numbers.percent(share)
        assert numbers.percent(noisy) == told
        if half > 10:
            assert numbers.signed_points(-noisy)[1:] == told.removesuffix("%")


def test_pairs_whose_verdict_hangs_on_the_places_are_named_as_in_the_table() -> None:
    both = ps.compare_both_ways(ps.demo_study("unequal_layouts"))
    told = pairs.ways_sentences(both)
    assert "the verdict for Quarry \N{MINUS SIGN} Orchard would be another" in told[1]


def test_a_chance_that_falls_short_is_not_rounded_up_to_the_one_wanted() -> None:
    assert next_step._chance(0.796) == "not quite 80%"
    assert (next_step._chance(0.8), next_step._chance(0.79)) == ("80%", "79%")


def test_what_is_lacking_is_told_once_a_topic_with_what_to_do() -> None:
    lacking = [
        Section(id=name, topic="places", question="?", missing=why)
        for name, why in (("a", "No places."), ("b", "No places: fill in row."))
    ]
    section = not_asked.reasons(lacking)
    told = [own for part in section.body for own in part.sentences]
    assert told == ["Places: No places: fill in row."]


def test_totals_do_not_say_how_many_items_are_missing() -> None:
    results = results_of("totals, open")
    table = next(p for p in ps.ask.rates(results).body if isinstance(p, Table))
    assert set(table.shown["Missing"]) == {numbers.NO_VALUE}
    left = results.sensitivity.not_tried.set_index("family")["reason"]
    assert left["missing items"] == "only totals were kept, which do not tell"
    four = next(
        p for p in ps.ask.rates(results_of("four_pits")).body if isinstance(p, Table)
    )
    assert table.shown.columns.tolist() == four.shown.columns.tolist()
    assert four.shown["Missing"].tolist() == ["2", "1", "2", "4"]


def test_a_record_without_places_is_told_so_and_not_of_a_formula() -> None:
    study = ps.demo_study("one_bake_each")
    bare = study.items.assign(row=None, column=None, grate=None, load_rank=None)
    both = ps.compare_both_ways(replace(study, items=bare, grates=study.grates[:0]))
    assert both.why_not.startswith("No graded item has a place on the grate")


def test_the_level_of_a_look_is_explained_once_and_only_there() -> None:
    early = ps.compare_pits(ps.demo_study("early_stop"))
    told = pairs.level_sentence(early)
    assert told.startswith("Why 98.7% intervals: the results are looked at more than")
    assert told.endswith("together keep 95%; 'differs' takes a p below 0.013.")
    assert len(told.split()) <= 30
    assert pairs.level_sentence(ps.compare_pits(ps.demo_study("four_pits"))) == ""


def test_p_values_are_never_zero() -> None:
    assert numbers.p_text(0.0) == "adjusted p < 0.001"
