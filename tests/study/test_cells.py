from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitstats.study.cells import (
    AMBIGUOUS_COMMA,
    COMMA,
    MARKS,
    cell_text,
    clean,
    is_plain_number,
    number_text,
    own_numbers,
    quote,
    read_choice,
    read_clock,
    read_grade,
    read_number,
    read_text,
    read_whole,
    read_yes_no,
    rounded,
    texts,
)

GRADES = ("raw", "light", "golden", "dark", "burned")


@pytest.mark.parametrize("text", ["yes", "Y", "TRUE", "t", "1", "1.0"])
def test_yes(text: str) -> None:
    assert read_yes_no(text).value is True


@pytest.mark.parametrize("text", ["no", "N", "False", "f", "0", "0.0"])
def test_no(text: str) -> None:
    assert read_yes_no(text).value is False


@pytest.mark.parametrize("text", ["maybe", "2", "yess", "-1"])
def test_neither_yes_nor_no(text: str) -> None:
    assert "allowed are yes and no" in read_yes_no(text).problem


@pytest.mark.parametrize(
    ("text", "value", "note"),
    [
        ("12.5", 12.5, ""),
        ("-3", -3.0, ""),
        ("\N{MINUS SIGN}3", -3.0, ""),
        ("+7", 7.0, ""),
        (".5", 0.5, ""),
        ("1e3", 1000.0, ""),
        ("0012", 12.0, ""),
        ("12,5", 12.5, COMMA),
        ("0,125", 0.125, COMMA),
        (",5", 0.5, COMMA),
        ("1500,25", 1500.25, COMMA),
        ("1,500", 1.5, AMBIGUOUS_COMMA),
        ("1,234.5", 1234.5, MARKS),
        ("1.234,5", 1234.5, MARKS),
    ],
)
def test_numbers(text: str, value: float, note: str) -> None:
    cell = read_number(text)
    assert (cell.value, cell.note, cell.problem) == (value, note, "")


@pytest.mark.parametrize(
    "text",
    [
        "350F",
        "50%",
        "nan",
        "inf",
        "1_000",
        "1e999",
        "0x10",
        "12 5",
        "1,2,3",
        "--1",
        ".",
    ],
)
def test_no_numbers(text: str) -> None:
    cell = read_number(text)
    assert cell.value is None
    assert "number without unit" in cell.problem


@pytest.mark.parametrize(
    ("text", "value"), [("3", 3), ("3.0", 3), ("1e2", 100), ("3,0", 3)]
)
def test_whole_numbers(text: str, value: int) -> None:
    assert read_whole(text).value == value


@pytest.mark.parametrize("text", ["3.5", "1,000", "3,5", "three", "99999999"])
def test_no_whole_numbers(text: str) -> None:
    assert read_whole(text).problem


@pytest.mark.parametrize(
    "text",
    [
        *("7:05", "07:05", "07:05:30", "7.05", "19h05", "7:05 pm", "7.05 PM", "7 p.m."),
        *("12 am", "2026-05-02 14:05", "2026-05-02T14:05:00+02:00"),
    ],
)
def test_times_of_day_are_kept_as_typed(text: str) -> None:
    assert read_clock(text).value == text


@pytest.mark.parametrize(
    "text",
    [
        *("7", "7.5", "1405", "24:00", "7:60", "13:05 pm", "0:05 am", "about 7:05"),
        *("7:05:75", "02.05.26", "0.295", "yesterday", "2026-05-02"),
        "2026-13-02 14:05",
    ],
)
def test_no_times_of_day(text: str) -> None:
    problem = read_clock(text).problem
    assert problem.startswith(f"found '{text}'; allowed is a time of day")


@pytest.mark.parametrize("day", ["1899-12-31", "1900-01-07", "1904-01-08"])
def test_a_number_in_a_cell_for_times_is_not_taken_for_a_time(day: str) -> None:
    problem = read_clock(f"{day} 01:12:00").problem
    assert "number such as 7.05" in problem
    assert "as in 7:05" in problem


def test_choices_forgive_capitals_blanks_and_curly_apostrophes() -> None:
    choices = ("same grate", "maker's setting")
    assert read_choice("same grate", choices).note == ""
    assert read_choice("Same  Grate", choices).value == "same grate"
    curly = "maker\N{RIGHT SINGLE QUOTATION MARK}s setting"
    assert read_choice(curly, choices).value == "maker's setting"
    assert read_choice("by feel", choices).problem == (
        "found 'by feel'; allowed is same grate or maker's setting."
    )


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("golden", "golden"),
        ("Golden", "golden"),
        ("2", "golden"),
        ("2.0", "golden"),
        ("2,0", "golden"),
    ],
)
def test_grades(text: str, value: str) -> None:
    assert read_grade(text, GRADES).value == value


@pytest.mark.parametrize("text", ["charred", "5", "-1", "2.5", "1,000"])
def test_no_grades(text: str) -> None:
    assert "allowed is raw, light" in read_grade(text, GRADES).problem


def test_numbers_that_are_names_of_grades_are_names_only() -> None:
    grades = ("1", "2", "3")
    assert read_grade("1", grades).value == "1"
    assert read_grade("0", grades).problem


def test_names_that_differ_in_capitals_only_must_be_written_exactly() -> None:
    grades = ("pale", "Pale", "dark")
    assert read_grade("Pale", grades).value == "Pale"
    assert read_grade("PALE", grades).problem


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (float("nan"), ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        (True, "yes"),
        (np.bool_(False), "no"),
        (5, "5"),
        (5.0, "5"),
        (0.1 + 0.2, "0.3"),
        (np.int64(7), "7"),
        (1e20, "100000000000000000000"),
        (dt.datetime(2026, 5, 1), "2026-05-01"),
        (dt.datetime(2026, 5, 1, 9, 30), "2026-05-01 09:30:00"),
        (dt.date(2026, 5, 1), "2026-05-01"),
        ("  a\r\nb ", "a\nb"),
        ("\N{NO-BREAK SPACE}x", "x"),
    ],
)
def test_whatever_stands_in_a_cell_becomes_text(value: object, text: str) -> None:
    assert cell_text(value) == text


def test_lists_in_cells_do_not_stop_the_reading() -> None:
    assert texts(pd.Series([[1], "a"])).tolist() == ["[1]", "a"]


@pytest.mark.parametrize("bad", ["a\x00b", "\x1b", "\ud800", "\ufffe"])
def test_unprintable_characters_are_refused(bad: str) -> None:
    assert "cannot be printed" in read_text(bad).problem


def test_text_longer_than_a_cell_is_refused() -> None:
    assert "32,767" in read_text("x" * 32_768).problem
    assert read_text("x" * 32_767).problem == ""


def test_quotes_stay_on_one_line_and_short() -> None:
    assert quote("a\nb") == "'a b'"
    assert len(quote("x" * 500)) == 63


@pytest.mark.parametrize("text", ["0", "-4", "12", "0.50", "123456789012345"])
def test_plain_numbers(text: str) -> None:
    assert is_plain_number(text)


@pytest.mark.parametrize(
    "text", ["007", "1e5", "1,5", "NA", "", "+4", ".5", "5.", "1234567890123456789"]
)
def test_codes_are_no_plain_numbers(text: str) -> None:
    assert not is_plain_number(text)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_rounded_number_reads_back_from_its_text(value: float) -> None:
    kept = float(rounded(np.array([value]))[0])
    text = number_text(kept)
    assert float(text) == kept
    assert is_plain_number(text)
    assert read_number(text).value == kept
    assert kept == pytest.approx(value, rel=1e-14)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.text())
def test_cleaning_twice_is_cleaning_once(text: str) -> None:
    assert clean(clean(text)) == clean(text)


@pytest.mark.parametrize(
    ("words", "numbers"),
    [
        (["1", "2.5"], [1, 2.5]),
        (["1,5", "2,25"], [1.5, 2.25]),
        (["1,5", "1,500"], [1.5, 1.5]),
        (["1", "NA"], [1, np.nan]),
        (["1,500"], []),
        (["1,5", "1,500", "2.5"], []),
        (["NA"], []),
        (["1", "x"], []),
        (["1", "007"], []),
        ([], []),
    ],
)
def test_columns_of_ones_own_that_can_only_be_numbers(
    words: list[str], numbers: list[float]
) -> None:
    found, _ = own_numbers(words)
    assert list(found.values()) == pytest.approx(numbers, nan_ok=True)
