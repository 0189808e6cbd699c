"""Numbers are never rounded to a certainty, and levels are explained where needed."""

import pytest

import pitstats as ps
from pitstats.report import numbers
from pitstats.report.sections import pairs


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
    assert numbers.span(low, high) == text
    estimate = numbers.with_ends(numbers.percent, (low + high) / 2, low, high)
    assert estimate.endswith(f"({text})")
    assert not estimate.startswith(("0%", "100%"))


@pytest.mark.parametrize(("share", "text"), [(0.0, "0% to 0%"), (1.0, "100% to 100%")])
def test_a_range_that_was_counted_is_not_widened(share: float, text: str) -> None:
    assert numbers.span(share, share) == text


def test_the_level_of_a_look_is_explained_once_and_only_there() -> None:
    early = ps.compare_pits(ps.demo_study("early_stop"))
    told = pairs.level_sentence(early)
    assert told.startswith("Why 98.7% intervals: the results are looked at more than")
    assert told.endswith("together keep 95%; 'differs' takes a p below 0.013.")
    assert len(told.split()) <= 30
    assert pairs.level_sentence(ps.compare_pits(ps.demo_study("four_pits"))) == ""


def test_p_values_are_never_zero() -> None:
    assert numbers.p_text(0.0) == "adjusted p < 0.001"
