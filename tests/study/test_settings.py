from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from pitstats.study import Settings
from pitstats.study.problems import ProblemLog
from pitstats.study.settings_checks import check_settings, read_settings

BASIS = {"title": "T", "question": "Q", "temperature_rule": "tuned"}


def read(**stated: Any) -> tuple[Settings, list[tuple[str | None, str]], list[str]]:
    log = ProblemLog()
    settings = read_settings({**BASIS, **stated}, log)
    problems = [(p.column, p.message) for p in log.ordered()]
    return settings, problems, log.assumptions


def test_defaults() -> None:
    settings, problems, assumptions = read()
    assert (problems, assumptions) == ([], [])
    assert settings == Settings(**BASIS)
    assert settings.grades == ("raw", "light", "golden", "dark", "burned")
    assert (settings.raw_to, settings.burned_from) == ("raw", "burned")
    assert (settings.raw_code, settings.burned_code) == (0, 4)
    assert settings.target_grades == ("golden",)
    assert (settings.face, settings.margin, settings.conf_level) == (
        "worst",
        None,
        0.95,
    )


def test_cuts_follow_the_ends_of_another_scale() -> None:
    settings, problems, _ = read(
        grades=["pale", "right", "black"], target_grades="right"
    )
    assert problems == []
    assert (settings.raw_to, settings.burned_from) == ("pale", "black")


@pytest.mark.parametrize(
    ("stated", "column", "says"),
    [
        ({"title": ""}, "title", "is not stated"),
        ({"title": ["a"]}, "title", "one text in quotes"),
        ({"question": "a\x00"}, "question", "cannot be printed"),
        ({"temperature_rule": None}, "temperature_rule", "is not stated"),
        ({"temperature_rule": "feel"}, "temperature_rule", "allowed is same indicated"),
        ({"temperature_unit": "K"}, "temperature_unit", "allowed is F or C"),
        ({"length_unit": "m"}, "length_unit", "allowed is in or cm"),
        ({"face": "both"}, "face", "allowed is worst, top"),
        ({"margin": 15}, "margin", "Was 0.15 meant?"),
        ({"margin": 0}, "margin", "above 0 and at most 1"),
        ({"margin": -0.1}, "margin", "above 0 and at most 1"),
        ({"margin": True}, "margin", "allowed is a number"),
        ({"margin": "some"}, "margin", "allowed is a number"),
        ({"conf_level": 95}, "conf_level", "Was 0.95 meant?"),
        ({"conf_level": 1}, "conf_level", "between 0 and 1"),
        ({"conf_level": float("nan")}, "conf_level", "allowed is a number"),
        ({"grades": 5}, "grades", "list of names"),
        ({"grades": ["raw", ""]}, "grades", "among the names"),
        ({"grades": ["raw", "raw", "x"]}, "grades", "twice"),
        ({"grades": ["golden"]}, "grades", "at least two"),
        ({"raw_to": "pale"}, "raw_to", "Choose one of the grades"),
        ({"raw_to": "burned"}, "raw_to", "some would be both"),
        ({"burned_from": "burnt"}, "burned_from", "Was 'burned' meant?"),
        ({"target_grades": ["crisp"]}, "target_grades", "'crisp' is not one of"),
        ({"target_grades": ["raw"]}, "target_grades", "counts as under-baked"),
        ({"target_grades": ["burned"]}, "target_grades", "counts as burned"),
        ({"grades": ["pale", "black"]}, "target_grades", "'golden' is not one of"),
        ({"mine": object()}, "mine", "allowed are texts"),
        ({"mine": ["a\x00"]}, "mine", "allowed are texts"),
        ({"mine": {"a\x00": 1}}, "mine", "allowed are texts"),
    ],
)
def test_refusals(stated: dict[str, Any], column: str, says: str) -> None:
    _, problems, _ = read(**stated)
    assert [name for name, _ in problems] == [column]
    assert says in problems[0][1]


@pytest.mark.parametrize(
    ("stated", "name", "value"),
    [
        ({"temperature_unit": "°F"}, "temperature_unit", "F"),
        ({"temperature_unit": "Celsius"}, "temperature_unit", "C"),
        ({"length_unit": "inches"}, "length_unit", "in"),
        ({"margin": "0,15"}, "margin", 0.15),
        ({"margin": ""}, "margin", None),
        ({"margin": 1}, "margin", 1.0),
        ({"Conf-Level": 0.9}, "conf_level", 0.9),
        ({"target_grades": "golden; light"}, "target_grades", ("golden", "light")),
        ({"target_grades": ["Golden"]}, "target_grades", ("golden",)),
        ({"title": 2026}, "title", "2026"),
        ({"title": " a\r\nb "}, "title", "a\nb"),
        ({"grades": []}, "grades", ("raw", "light", "golden", "dark", "burned")),
    ],
)
def test_what_is_forgiven(stated: dict[str, Any], name: str, value: object) -> None:
    settings, problems, _ = read(**stated)
    assert problems == []
    assert getattr(settings, name) == value


def test_keys_of_ones_own_are_kept() -> None:
    own = {
        "place": "yard",
        "when": dt.date(2026, 5, 1),
        "deep": {"a": [1, {"b": True}]},
    }
    settings, problems, assumptions = read(**own)
    assert problems == []
    assert settings.extra == own
    assert assumptions == []
    _, _, said = read(targetgrades=["light"])
    assert "rename it if target_grades was meant" in said[0]


def test_a_key_that_is_stated_twice() -> None:
    _, problems, _ = read(Title="Another")
    assert problems == [("title", "is stated twice. Delete one.")]


def test_settings_made_in_memory_are_read_like_files() -> None:
    log = ProblemLog()
    made = Settings(
        title=" T ", question="Q", temperature_rule="Tuned", extra={"own": 1}
    )
    checked = check_settings(made, log)
    assert log.problems == []
    assert (checked.title, checked.temperature_rule) == ("T", "tuned")
    assert checked.extra == {"own": 1}


@pytest.mark.parametrize("key", ["title", "Conf-Level", " own", "", "a\x00"])
def test_own_keys_that_a_file_could_not_hold(key: str) -> None:
    log = ProblemLog()
    check_settings(Settings(**BASIS, extra={key: 1}), log)
    assert log.problems


def test_looks_and_the_earlier_spread_stand_in_tables_of_their_own() -> None:
    settings, problems, assumptions = read(
        looks={"planned": [2, 4, 6], "taken": [2, 4], "written": dt.date(2026, 5, 1)},
        earlier={"sd": 0.6, "factor": 1.4, "declared": True},
    )
    assert (problems, assumptions) == ([], [])
    assert (settings.looks_planned, settings.looks_taken) == ((2, 4, 6), (2, 4))
    assert settings.looks_written == "2026-05-01"
    assert (settings.earlier_sd, settings.earlier_factor) == (0.6, 1.4)
    assert settings.earlier_declared == "yes"
    flat, problems, _ = read(looks_planned="2, 4, 6", looks_taken=4)
    assert problems == []
    assert (flat.looks_planned, flat.looks_taken) == ((2, 4, 6), (4,))


@pytest.mark.parametrize(
    ("stated", "column", "says"),
    [
        ({"looks": [2, 4]}, "looks", "write [looks] on a line of its own"),
        ({"looks": {"plan": [2]}}, "looks", "allowed are planned, taken and written"),
        ({"looks": {"planned": [4, 2]}}, "looks_planned", "increasing whole numbers"),
        ({"looks": {"planned": [2, 2]}}, "looks_planned", "increasing whole numbers"),
        ({"looks": {"planned": [2, "x"]}}, "looks_planned", "such as 2, 4, 6"),
        ({"looks": {"taken": [0]}}, "looks_taken", "increasing whole numbers"),
        ({"looks": {"taken": [2.5]}}, "looks_taken", "increasing whole numbers"),
        ({"looks": {"written": "soon"}}, "looks_written", "yes, no or a day"),
        ({"earlier": {"sd": 0}}, "earlier_sd", "above 0 to 2.5"),
        ({"earlier": {"sd": 3}}, "earlier_sd", "above 0 to 2.5"),
        ({"earlier": {"sd": 0.6, "factor": 1}}, "earlier_factor", "from 1.05 to 4"),
        ({"earlier": {"sd": True}}, "earlier_sd", "allowed is a number"),
    ],
)
def test_looks_and_earlier_spreads_that_cannot_be(
    stated: dict[str, Any], column: str, says: str
) -> None:
    _, problems, _ = read(**stated)
    assert [place for place, _ in problems] == [column]
    assert says in problems[0][1]


def test_a_key_outside_its_table_is_pointed_out() -> None:
    _, problems, assumptions = read(planned=[2, 4])
    assert problems == []
    assert "put it below [looks]" in assumptions[0]
