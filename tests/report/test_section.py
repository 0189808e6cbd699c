"""A section as data: its answer first, its parts when they are shown."""

import pytest

from pitstats.errors import ArgumentError, DesignError
from pitstats.report.page import Page
from pitstats.report.section import Answered, Kept, Section, Text, asks


def asked(made: list[str]) -> Section:
    """A section that notes when its parts are made."""

    @asks("flour", "flour", "How much flour?")
    def flour() -> Answered:
        yield "Two cups."
        made.append("body")
        yield Text("Sifted.")
        yield Text("Not packed.")

    return flour()


def test_an_answer_alone_makes_no_part() -> None:
    made: list[str] = []
    section = asked(made)
    assert section.answer == "Two cups."
    assert made == []


def test_parts_are_made_once_and_can_be_read_again() -> None:
    made: list[str] = []
    section = asked(made)
    once, again = list(section.body), list(section.body)
    assert once == again == [Text("Sifted."), Text("Not packed.")]
    assert made == ["body"]


def test_what_the_record_cannot_say_is_told_in_place_of_an_answer() -> None:
    @asks("flour", "flour", "How much flour?", unrecorded="sacks")
    def flour(asked: str) -> Answered:
        if asked:
            raise ArgumentError(f"There is no flour called {asked}.")
        raise DesignError("No sack was weighed.")
        yield Kept("flour", None)  # type: ignore[arg-type]

    section = flour("")
    assert (section.missing, section.topic) == ("No sack was weighed.", "sacks")
    assert (section.answer, list(section.body)) == ("", [])
    with pytest.raises(ArgumentError, match="no flour called rye"):
        flour("rye")


def test_a_section_begins_with_its_answer() -> None:
    @asks("flour", "flour", "How much flour?")
    def flour() -> Answered:
        yield Text("Sifted.")

    with pytest.raises(AssertionError, match="flour does not begin with its answer"):
        flour()


def test_a_second_text_among_the_parts_is_not_lost_in_silence() -> None:
    @asks("flour", "flour", "How much flour?")
    def flour() -> Answered:
        yield "Two cups."
        yield "Sifted."

    with pytest.raises(TypeError, match="cannot show str"):
        Page().html(flour())
