from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.errors import InvalidStudyError
from pitstats.study import Settings, Study
from pitstats.study.schema import TABLES


def test_every_table_has_every_column_in_order_then_the_users_own(study: Study) -> None:
    for table in TABLES:
        names = tuple(study.tables[table.name].columns)
        assert names[: len(table.columns)] == table.column_names
    assert list(study.bakes.columns)[-1] == "hat"
    assert list(study.items.columns)[-1] == "weight"


def test_dtypes_follow_the_kind_of_each_column(study: Study) -> None:
    expected = {
        "text": "str",
        "choice": "str",
        "grade": "str",
        "yes/no": "boolean",
        "whole": "Int64",
        "number": "float64",
        "clock": "str",
    }
    for table in TABLES:
        for column in table.columns:
            dtype = str(study.tables[table.name][column.name].dtype)
            assert dtype == expected[column.kind], (table.name, column.name)
    assert str(study.items["weight"].dtype) == "float64"
    assert str(study.bakes["hat"].dtype) == "str"


def test_an_absent_table_is_an_empty_frame(settings: Settings) -> None:
    study = Study(
        settings=settings,
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": ["1"], "pit": ["A"], "status": ["planned"]}),
    )
    assert study.items.empty
    assert list(study.probes.columns) == [
        "bake", "probe", "grate", "row", "column", "minute", "temp",
    ]  # fmt: skip
    assert str(study.items["row"].dtype) == "Int64"


def test_empty_status_means_kept_and_an_only_grate_is_named(study: Study) -> None:
    assert study.bakes["status"].tolist() == [
        "kept", "kept", "kept", "excluded", "planned",
    ]  # fmt: skip
    assert study.items.loc[study.items["bake"] == "A1", "grate"].unique() == ["main"]
    assert study.probes["grate"].isna().tolist() == [True, False, False]


def test_grades_may_be_numbers_and_are_stored_as_names(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    named = Study(settings=settings, **tables)
    code = {name: k for k, name in enumerate(settings.grades)}
    for face in ("grade_top", "grade_bottom"):
        tables["items"][face] = tables["items"][face].map(code)
    assert Study(settings=settings, **tables) == named


def test_sizes_that_are_not_stated_are_assumed_and_stay_marked_as_such(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    del tables["grates"]
    tables["items"] = tables["items"].iloc[:6].assign(grate=None)
    tables["bakes"] = tables["bakes"].iloc[[0, 2]]
    tables["regrades"] = tables["regrades"].iloc[:1]
    study = Study(settings=settings, **tables)
    assert study.grates[["pit", "grate", "rows", "columns"]].to_numpy().tolist() == [
        ["A", "main", 2, 3]
    ]
    said = [text for text in study.assumptions if "2 rows and 3 columns" in text]
    assert len(said) == 1
    again = Study(settings=settings, **study.tables)
    assert [t for t in again.assumptions if "2 rows and 3 columns" in t] == said


def test_an_invalid_study_cannot_be_made(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    tables["bakes"].loc[1, "pit"] = "C"
    tables["items"].loc[0, "column"] = 9
    with pytest.raises(InvalidStudyError) as caught:
        Study(settings=settings, **tables)
    places = [(p.table, p.row, p.column) for p in caught.value.problems]
    assert ("bakes", 3, "pit") in places
    assert ("items", 2, "column") in places


def test_settings_are_checked_with_the_study(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    wrong = dataclasses.replace(settings, temperature_rule="by feel", conf_level=95.0)
    with pytest.raises(InvalidStudyError) as caught:
        Study(settings=wrong, **tables)
    assert [p.column for p in caught.value.problems] == [
        "temperature_rule",
        "conf_level",
    ]


def test_equality_looks_at_settings_and_cells_but_not_at_assumptions(
    study: Study,
) -> None:
    assert study == dataclasses.replace(study, assumptions=("something",))
    assert study != dataclasses.replace(
        study, settings=dataclasses.replace(study.settings, margin=0.2)
    )
    bakes = study.bakes.assign(minutes=23.0)
    assert study != dataclasses.replace(study, bakes=bakes)
    assert study != "a study"


def test_checking_a_study_again_changes_nothing(study: Study) -> None:
    again = dataclasses.replace(study)
    assert again == study
    assert again.assumptions == study.assumptions


def test_the_given_frames_are_left_alone(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    before = {name: frame.copy(deep=True) for name, frame in tables.items()}
    Study(settings=settings, **tables)
    for name, frame in tables.items():
        pd.testing.assert_frame_equal(frame, before[name])


def test_any_dtype_of_the_same_values_gives_the_same_study(
    study: Study, settings: Settings
) -> None:
    as_objects = {name: frame.astype(object) for name, frame in study.tables.items()}
    as_category = {
        name: frame.apply(
            lambda cells: (
                cells.astype("category") if str(cells.dtype) == "str" else cells
            )
        )
        for name, frame in study.tables.items()
    }
    assert Study(settings=settings, **as_objects) == study
    assert Study(settings=settings, **as_category) == study


def test_numbers_keep_fifteen_digits(
    settings: Settings, tables: dict[str, pd.DataFrame]
) -> None:
    tables["items"]["weight"] = 0.1 + 0.2
    tables["bakes"]["minutes"] = np.pi
    study = Study(settings=settings, **tables)
    assert study.items["weight"].iloc[0] == 0.3
    assert study.bakes["minutes"].iloc[0] == 3.14159265358979


def test_repr_counts(study: Study) -> None:
    assert repr(study) == (
        "Study('Two pits on one weekend': 2 pits, 5 bakes, 18 items)"
    )


def test_tables_that_nobody_wrote_are_nobody_elses() -> None:
    one, two = ps.demo_study("one_bake_each"), ps.demo_study("nothing_burned")
    assert one.probes.empty
    assert two.probes.empty
    one.probes["note"] = "typed in later"
    fresh = ps.demo_study("one_bake_each")
    for study in (two, fresh):
        assert "note" not in study.probes
