"""Each refusal alone: where it is found and what it says."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable

import pandas as pd
import pytest

from pitstats.errors import InvalidStudyError, Problem
from pitstats.study import Settings, Study
from pitstats.study.columns import suggestion

Tables = dict[str, pd.DataFrame]


def problems_of(settings: Settings, tables: Tables) -> list[Problem]:
    try:
        Study(settings=settings, **tables)
    except InvalidStudyError as error:
        return error.problems
    return []


def put(table: str, row: int, column: str, value: object) -> Callable[[Tables], None]:
    """Put a value into a spreadsheet row of a table."""

    def change(tables: Tables) -> None:
        frame = tables[table].astype(object)
        frame.loc[row - 2, column] = value
        tables[table] = frame

    return change


def again(table: str, row: int) -> Callable[[Tables], None]:
    """Repeat a row at the end of its table."""

    def change(tables: Tables) -> None:
        frame = tables[table]
        tables[table] = pd.concat([frame, frame.iloc[[row - 2]]], ignore_index=True)

    return change


def drop(table: str, column: str) -> Callable[[Tables], None]:
    def change(tables: Tables) -> None:
        tables[table] = tables[table].drop(columns=column)

    return change


MISTAKES = [
    # a cell alone
    (put("pits", 2, "flow", "sideways"), "pits", 2, "flow", "conventional or reverse"),
    (put("pits", 2, "has_damper", "perhaps"), "pits", 2, "has_damper", "yes and no"),
    (put("grates", 2, "rows", 0), "grates", 2, "rows", "1 to 200"),
    (put("grates", 2, "rows", 2.5), "grates", 2, "rows", "whole number"),
    (put("grates", 2, "cell_length", 0), "grates", 2, "cell_length", "more than 0"),
    (put("bakes", 2, "damper_open", 50), "bakes", 2, "damper_open", "Was 0.5 meant?"),
    (put("bakes", 2, "intake_open", -0.1), "bakes", 2, "intake_open", "0 (shut) to 1"),
    (put("bakes", 2, "target_temp", 60), "bakes", 2, "target_temp", "was °C meant"),
    (put("bakes", 2, "target_temp", 1000), "bakes", 2, "target_temp", "572"),
    (put("bakes", 2, "ambient_temp", 150), "bakes", 2, "ambient_temp", "outdoor air"),
    (put("bakes", 2, "minutes", 0), "bakes", 2, "minutes", "more than 0"),
    (put("bakes", 2, "order", "first"), "bakes", 2, "order", "whole number"),
    (put("bakes", 2, "status", "done"), "bakes", 2, "status", "planned, kept"),
    (put("items", 2, "grade_top", "charred"), "items", 2, "grade_top", "'charred'"),
    (put("items", 2, "grade_top", 5), "items", 2, "grade_top", "0 to 4"),
    (put("items", 2, "rise_mm", 900), "items", 2, "rise_mm", "0 to 500"),
    (put("probes", 2, "temp", 20), "probes", 2, "temp", "122 and 572"),
    (put("probes", 2, "minute", None), "probes", 2, "minute", "is empty"),
    (put("probe_checks", 2, "temp", 5), "probe_checks", 2, "temp", "14 and 572"),
    (put("probe_checks", 3, "probe", None), "probe_checks", 3, "probe", "is empty"),
    (put("bakes", 2, "pit", None), "bakes", 2, "pit", "is empty"),
    (put("counts", 2, "n_burned", "NA"), "counts", 2, "n_burned", "whole number"),
    (put("pits", 2, "notes", "a\x00b"), "pits", 2, "notes", "cannot be printed"),
    (put("bakes", 2, "hat", "\x1b[31m"), "bakes", 2, "hat", "cannot be printed"),
    # names and references
    (again("pits", 2), "pits", 4, "pit", "already in row 2"),
    (again("grates", 2), "grates", 5, "grate", "already in row 2"),
    (again("bakes", 2), "bakes", 7, "bake", "already in row 2"),
    (again("items", 2), "items", 14, "column", "see row 2"),
    (again("counts", 2), "counts", 3, "bake", "already in row 2"),
    (put("bakes", 2, "pit", "a"), "bakes", 2, "pit", "Was 'A' meant?"),
    (put("grates", 2, "pit", "C"), "grates", 2, "pit", "Known: 'A' and 'B'"),
    (put("items", 2, "bake", "Z9"), "items", 2, "bake", "bakes has no such bake"),
    (put("counts", 2, "bake", "Z9"), "counts", 2, "bake", "no such bake"),
    (put("probes", 2, "bake", "Z9"), "probes", 2, "bake", "no such bake"),
    (put("regrades", 3, "bake", "Z9"), "regrades", 3, "bake", "no such bake"),
    (put("items", 3, "code", "007"), "items", 3, "code", "already in row 2"),
    # places
    (put("items", 2, "row", 3), "items", 2, "row", "rows 1 to 2"),
    (put("items", 2, "column", 4), "items", 2, "column", "columns 1 to 3"),
    (put("probes", 3, "column", 4), "probes", 3, "column", "columns 1 to 3"),
    (put("items", 2, "grate", "upper"), "items", 2, "grate", "no such grate"),
    (put("items", 8, "grate", None), "items", 8, "grate", "'lower' and 'upper'"),
    (put("grates", 3, "grate", None), "grates", 3, "grate", "has 2 grates"),
    # bakes and their results
    (put("bakes", 3, "damper_open", 0.5), "bakes", 3, "damper_open", "has no damper"),
    (put("bakes", 5, "reason", None), "bakes", 5, "reason", "Say why"),
    (put("bakes", 6, "status", "kept"), "bakes", 6, "status", "has no rows in items"),
    (put("bakes", 2, "status", "planned"), "items", 2, "bake", "is planned"),
    (put("bakes", 4, "status", "planned"), "counts", 2, "bake", "is planned"),
    (put("counts", 2, "bake", "A1"), "counts", 2, "bake", "also has rows in items"),
    (put("counts", 2, "n_burned", 7), "counts", 2, "n_burned", "only 6 items"),
    (put("counts", 2, "n_raw", 7), "counts", 2, "n_raw", "only 6 items"),
    (put("counts", 2, "n_items", 0), "counts", 2, "n_items", "1 or more"),
    # outcomes
    (put("items", 2, "burned", "yes"), "items", 2, "burned", "graded 'golden'"),
    (put("items", 4, "burned", 0), "items", 4, "burned", "graded 'burned'"),
    # second gradings
    (put("regrades", 2, "code", "999"), "regrades", 2, "code", "no item has this code"),
    (put("regrades", 3, "column", None), "regrades", 3, "code", "neither the code"),
    (put("regrades", 3, "column", 4), "regrades", 3, "bake", "there is no item of"),
    (put("regrades", 2, "bake", "B1"), "regrades", 2, "code", "no item of bake 'B1'"),
    # columns
    (drop("pits", "pit"), "pits", None, "pit", "no such column"),
    (drop("items", "bake"), "items", None, "bake", "no such column"),
    (drop("counts", "n_items"), "counts", None, "n_items", "no such column"),
    (put("items", 2, "distance", 0.5), "items", None, "distance", "worked out"),
    (put("items", 2, "pit", "B"), "items", 2, "pit", "bakes has 'A'"),
    (put("items", 2, "", "x"), "items", None, None, "its header is empty"),
]


@pytest.mark.parametrize(
    ("change", "table", "row", "column", "says"),
    MISTAKES,
    ids=[f"{t}-{r}-{c}-{k}" for k, (_, t, r, c, _s) in enumerate(MISTAKES)],
)
def test_one_mistake(
    settings: Settings,
    tables: Tables,
    change: Callable[[Tables], None],
    table: str,
    row: int | None,
    column: str | None,
    says: str,
) -> None:
    assert problems_of(settings, tables) == []
    change(tables)
    found = problems_of(settings, tables)
    here = [p for p in found if (p.table, p.row, p.column) == (table, row, column)]
    assert len(here) == 1, found
    assert says in here[0].message


def test_a_mistake_is_told_once_and_not_by_everything_that_follows(
    settings: Settings, tables: Tables
) -> None:
    for change in (
        drop("pits", "pit"),
        drop("bakes", "bake"),
        drop("bakes", "pit"),
        drop("items", "bake"),
    ):
        broken = dict(tables)
        change(broken)
        found = problems_of(settings, broken)
        assert len(found) == 1, found


@pytest.mark.parametrize(
    ("unit", "value", "hint"),
    [
        ("C", 325, "found 325 °C: was °F meant?"),
        ("C", 20, "found 20 °C. A pit in use is between 50 and 300 °C."),
        ("F", 100, "found 100 °F: was °C meant?"),
        ("F", 600, "found 600 °F. A pit in use is between 122 and 572 °F."),
    ],
)
def test_temperatures_that_cannot_be(
    settings: Settings, unit: str, value: float, hint: str
) -> None:
    settings = dataclasses.replace(settings, temperature_unit=unit)
    bakes = pd.DataFrame(
        {"bake": ["1"], "pit": ["A"], "status": ["planned"], "target_temp": [value]}
    )
    found = problems_of(
        settings, {"pits": pd.DataFrame({"pit": ["A"]}), "bakes": bakes}
    )
    assert len(found) == 1
    assert found[0].message.startswith(hint)


@pytest.mark.parametrize(
    ("unit", "limits"), [("C", (50.0, 300.0)), ("F", (122.0, 572.0))]
)
def test_the_limits_of_temperature_themselves_are_allowed(
    settings: Settings, unit: str, limits: tuple[float, float]
) -> None:
    settings = dataclasses.replace(settings, temperature_unit=unit)
    pits = pd.DataFrame({"pit": ["A"]})
    for value, count in (
        (limits[0], 0),
        (limits[1], 0),
        (limits[0] - 0.1, 1),
        (limits[1] + 0.1, 1),
    ):
        bakes = pd.DataFrame(
            {"bake": ["1"], "pit": "A", "status": "planned", "grate_temp": [value]}
        )
        assert len(problems_of(settings, {"pits": pits, "bakes": bakes})) == count


def test_units_that_are_not_stated_are_asked_for(
    settings: Settings, tables: Tables
) -> None:
    settings = dataclasses.replace(settings, temperature_unit=None, length_unit=None)
    found = problems_of(settings, tables)
    assert [(p.table, p.column) for p in found] == [
        ("study", "temperature_unit"),
        ("study", "length_unit"),
    ]
    assert "target_temp in bakes" in found[0].message
    assert "cell_length in grates" in found[1].message


def test_units_are_not_asked_for_where_there_is_nothing_to_measure(
    settings: Settings,
) -> None:
    settings = dataclasses.replace(settings, temperature_unit=None, length_unit=None)
    bakes = pd.DataFrame({"bake": ["1"], "pit": ["A"], "status": ["planned"]})
    pits = pd.DataFrame({"pit": ["A"]})
    assert problems_of(settings, {"pits": pits, "bakes": bakes}) == []


def test_an_infinite_number_is_refused(settings: Settings, tables: Tables) -> None:
    tables["items"].loc[3, "weight"] = float("inf")
    tables["bakes"].loc[1, "minutes"] = float("-inf")
    found = problems_of(settings, tables)
    assert [(p.table, p.row, p.column) for p in found] == [
        ("bakes", 3, "minutes"),
        ("items", 5, "weight"),
    ]


def test_an_empty_study_says_what_to_add(settings: Settings) -> None:
    assert [(p.table, p.row) for p in problems_of(settings, {})] == [
        ("pits", None),
        ("bakes", None),
    ]


def test_kept_bakes_without_any_results_are_told_once(
    settings: Settings, tables: Tables
) -> None:
    found = problems_of(settings, {k: tables[k] for k in ("pits", "bakes")})
    assert [(p.table, p.row, p.column) for p in found] == [("items", None, None)]


def test_a_planned_bake_may_have_its_layout(settings: Settings, tables: Tables) -> None:
    layout = pd.DataFrame({"bake": "A3", "row": [1, 2], "column": [1, 1]})
    tables["items"] = pd.concat([tables["items"], layout], ignore_index=True)
    assert problems_of(settings, tables) == []


def test_an_excluded_bake_needs_no_results(settings: Settings, tables: Tables) -> None:
    tables["items"] = tables["items"][tables["items"]["bake"] != "B2"]
    assert problems_of(settings, tables) == []


def test_the_burned_mark_is_held_against_the_deciding_face(
    settings: Settings, tables: Tables
) -> None:
    # item in row 4: top burned, bottom dark
    put("items", 4, "burned", "no")(tables)
    assert len(problems_of(settings, tables)) == 1
    bottom = dataclasses.replace(settings, face="bottom")
    assert problems_of(bottom, tables) == []
    put("items", 4, "burned", "yes")(tables)
    assert problems_of(settings, tables) == []
    assert "bottom face is graded 'dark'" in problems_of(bottom, tables)[0].message


def test_two_items_may_share_a_cell_of_which_only_a_part_is_known(
    settings: Settings, tables: Tables
) -> None:
    tables["items"]["row"] = None
    tables["regrades"] = tables["regrades"].iloc[:1]
    assert problems_of(settings, tables) == []


def test_problems_come_table_by_table_and_row_by_row(
    settings: Settings, tables: Tables
) -> None:
    for change in (
        put("items", 11, "column", 99),
        put("items", 3, "grade_top", "x"),
        put("items", 3, "row", 99),
        put("bakes", 4, "order", "x"),
        put("pits", 3, "flow", "x"),
        put("probes", 2, "temp", 1),
    ):
        change(tables)
    wrong = dataclasses.replace(settings, margin=15.0)
    places = [(p.table, p.row, p.column) for p in problems_of(wrong, tables)]
    assert places == [
        ("study", None, "margin"),
        ("pits", 3, "flow"),
        ("bakes", 4, "order"),
        ("items", 3, "row"),
        ("items", 3, "grade_top"),
        ("items", 11, "column"),
        ("probes", 2, "temp"),
    ]


def test_ambiguous_commas_need_a_neighbor_that_settles_them(
    settings: Settings, tables: Tables
) -> None:
    tables["bakes"]["minutes"] = ["22,125", "22,5", "22,25", None, None]
    study = Study(settings=settings, **tables)
    assert study.bakes["minutes"].tolist()[:3] == [22.125, 22.5, 22.25]
    assert any("decimal commas" in text for text in study.assumptions)
    tables["bakes"]["minutes"] = ["22,125", "22.5", "22,25", None, None]
    found = problems_of(settings, tables)
    assert [(p.table, p.row, p.column) for p in found] == [("bakes", 2, "minutes")]
    assert found[0].message == (
        "found '22,125', which may mean 22.125 or 22125. Write it without the comma."
    )


def test_na_is_a_name_in_text_and_nothing_elsewhere(
    settings: Settings, tables: Tables
) -> None:
    tables["pits"]["label"] = ["NA", "n/a"]
    tables["bakes"]["minutes"] = ["NA", "n/a", "-", None, None]
    study = Study(settings=settings, **tables)
    assert study.pits["label"].tolist() == ["NA", "n/a"]
    assert study.bakes["minutes"].isna().all()
    assert any(
        "not recorded" in text and "3 cells" in text for text in study.assumptions
    )


def test_the_only_grate_of_a_pit_is_meant_only_where_there_is_one(
    settings: Settings, tables: Tables
) -> None:
    del tables["grates"]
    assert problems_of(settings, tables) == []
    put("items", 3, "grate", "upper")(tables)  # now bake A1 names one, and others none
    found = problems_of(settings, tables)
    assert {(p.table, p.column) for p in found} == {
        ("items", "grate"),
        ("probes", "grate"),
    }
    assert "pit 'A' has 'upper'. Say which grate it is." in found[0].message


# --- what is assumed ----------------------------------------------------------------


def test_a_reason_for_exclusion_is_no_reason_of_a_kept_bake(
    settings: Settings, tables: Tables
) -> None:
    for row in (2, 3):  # row 2 has no status, row 3 says kept
        changed = dict(tables)
        put("bakes", row, "reason", "grease fire")(changed)
        (problem,) = problems_of(settings, changed)
        assert (problem.table, problem.row, problem.column) == ("bakes", row, "reason")
        assert "'grease fire'" in problem.message
        assert "Set status to excluded, or clear the reason" in problem.message


def test_a_status_column_by_another_name_puts_no_bake_back_unseen(
    settings: Settings, tables: Tables
) -> None:
    tables["bakes"] = tables["bakes"].rename(columns={"status": "state"})
    found = [(p.row, p.column) for p in problems_of(settings, tables)]
    assert (5, "reason") in found


def test_bakes_without_a_status_are_said_to_be_kept(settings: Settings) -> None:
    bakes = pd.DataFrame({"bake": ["1"], "pit": ["A"], "state": ["Kept"]})
    counts = pd.DataFrame({"bake": ["1"], "n_items": [6], "n_burned": [1]})
    pits = pd.DataFrame({"pit": ["A"]})

    def said(bakes: pd.DataFrame) -> list[str]:
        study = Study(settings=settings, pits=pits, bakes=bakes, counts=counts)
        return [text for text in study.assumptions if "no column status" in text]

    assert said(bakes) == [
        "bakes: there is no column status, so all bakes are taken as kept; rename "
        "'state' if it was meant"
    ]
    (plain,) = said(bakes.drop(columns="state"))
    assert plain.endswith("taken as kept")
    assert said(bakes.rename(columns={"state": " Status "})) == []


def test_names_that_differ_in_capitals_or_spaces_are_said_to_be_two(
    settings: Settings, tables: Tables
) -> None:
    put("bakes", 2, "session", "sat")(tables)
    put("bakes", 3, "lot", "Lot 1")(tables)
    put("bakes", 4, "lot", "Lot  1")(tables)
    put("bakes", 5, "lot", "lot1")(tables)
    put("bakes", 2, "grader", "kim")(tables)
    put("probes", 2, "probe", "P1")(tables)
    said = [
        text
        for text in Study(settings=settings, **tables).assumptions
        if "write them alike" in text
    ]
    rest = "; write them alike if they are one"
    assert all(text.endswith(rest) for text in said)
    # Beside every spelling stands the number of rows that have it.
    counts = [re.findall(r" \((\d+) rows?\)", text) for text in said]
    assert all(
        len(own) == text.count("'") // 2 for own, text in zip(counts, said, strict=True)
    )
    assert [re.sub(r" \(\d+ rows?\)", "", t).removesuffix(rest) for t in said] == [
        "bakes, column session: 'sat' and 'Sat' taken as two",
        "bakes, column lot: 'Lot 1', 'Lot  1' and 'lot1' taken as three",
        "bakes and regrades, column grader: 'kim' and 'Kim' taken as two",
        "probes, column probe: 'P1' and 'p1' taken as two",
    ]


def test_a_face_that_others_of_the_bake_have_is_missed_once(
    settings: Settings, tables: Tables
) -> None:
    def said(settings: Settings) -> list[str]:
        study = Study(settings=settings, **tables)
        return [text for text in study.assumptions if "by the faces that were" in text]

    before = said(settings)
    items = tables["items"]
    both = (
        items[["grade_top", "grade_bottom"]].notna().all(axis=1)
        & items["missing"].isna()
        & items["burned"].isna()
    )
    items.loc[both[both].index[0], "grade_top"] = None
    (text,) = said(settings)
    assert "no grade of a face that others of the bake have" in text
    assert text not in before
    assert said(dataclasses.replace(settings, face="bottom")) == []


@pytest.mark.parametrize("found", ["quary", "QUARY", "Qarry", "quarry"])
def test_a_known_name_is_suggested_whatever_its_capitals(found: str) -> None:
    assert suggestion(found, ["Quarry", "Ferry"]).startswith("Was 'Quarry' meant?")


def test_names_that_differ_in_letters_are_not_remarked_upon(study: Study) -> None:
    assert not [text for text in study.assumptions if "write them alike" in text]


def test_second_gradings_without_items_are_one_problem(
    settings: Settings, tables: Tables
) -> None:
    tables["items"] = tables["items"].iloc[:0]
    found = [p for p in problems_of(settings, tables) if p.table == "regrades"]
    assert [(p.row, p.column) for p in found] == [(None, None)]
    assert "2 rows of second gradings" in found[0].message


def test_headers_below_a_title_are_one_problem(
    settings: Settings, tables: Tables
) -> None:
    bakes = tables["bakes"].astype(object)
    header = pd.DataFrame([dict(zip(bakes, bakes, strict=True))])
    titled = pd.concat([header, bakes], ignore_index=True)
    titled.columns = ["Saturday", *map(str, range(1, len(bakes.columns)))]
    with pytest.raises(InvalidStudyError) as error:
        Study(settings=settings, **tables | {"bakes": titled})
    (problem,) = error.value.problems
    assert str(problem) == (
        "bakes: the headers stand in row 2; they are looked for in the first row. "
        "Delete what is above them."
    )


def assumed_of_bakes(
    settings: Settings, tables: Tables, cells: dict[tuple[int, str], object]
) -> list[str]:
    for (row, column), value in cells.items():
        put("bakes", row, column, value)(tables)
    return list(Study(settings=settings, **tables).assumptions)


@pytest.mark.parametrize("year", ["2026", ""])
def test_a_date_that_no_calendar_has_is_told(
    settings: Settings, tables: Tables, year: str
) -> None:
    cells = {(2, "date"): f"31.04.{year}", (3, "date"): f"30.04.{year}"}
    said = assumed_of_bakes(settings, tables, cells)
    (told,) = [text for text in said if "calendar" in text]
    assert told.startswith(f"bakes row 2, column date: '31.04.{year}' is no day")


@pytest.mark.parametrize(
    ("day", "told"),
    [("2026-05-03", False), ("2026-05-04", False), ("2062-05-03", True)],
)
def test_days_that_are_no_one_session_are_told(
    settings: Settings, tables: Tables, day: str, told: bool
) -> None:
    cells = {(2, "date"): "2026-05-03", (3, "date"): day}
    said = assumed_of_bakes(settings, tables, cells)
    assert (
        any(
            "session 'Sat' has bakes of 2026-05-03 and of 2062-05-03" in text
            for text in said
        )
        is told
    )


@pytest.mark.parametrize(
    ("begin", "end", "minutes", "told"),
    [
        ("10:05", "10:27", 22, False),
        ("23:50", "0:12", 22, False),
        ("12:50", "1:12", 22, False),
        ("10:05", "10:31", 22, False),
        ("10:05", "6:27 pm", 22, True),
        ("10:27", "10:05", 22, True),
        ("2026-05-02 10:05", "2026-05-02 10:27", 220, True),
    ],
)
def test_minutes_beside_the_clock_are_told_where_they_differ(
    settings: Settings,
    tables: Tables,
    begin: str,
    end: str,
    minutes: int,
    told: bool,
) -> None:
    cells: dict[tuple[int, str], object] = {
        (2, "loaded_at"): begin,
        (2, "unloaded_at"): end,
        (2, "minutes"): minutes,
    }
    said = assumed_of_bakes(settings, tables, cells)
    assert any(f"{minutes} min, but {begin} (loaded_at)" in t for t in said) is told


def test_the_example_of_a_number_is_one_that_the_column_takes(
    settings: Settings, tables: Tables
) -> None:
    put("bakes", 2, "damper_open", "half")(tables)
    put("bakes", 2, "minutes", "short")(tables)
    found = {p.column: p.message for p in problems_of(settings, tables)}
    assert "such as 0.5." in found["damper_open"]
    assert "such as 12.5." in found["minutes"]
