"""The XLSForm: accepted by the standard's own converter, blind, and read back."""

import csv
import io
import xml.etree.ElementTree as ET
from dataclasses import replace

import openpyxl
import pandas as pd
import pytest
from pyxform.xls2xform import convert

from pitstats.errors import GradeFileError
from pitstats.planning import sheets
from pitstats.planning.layout import randomize_layout
from pitstats.planning.sheets import write_sheets
from pitstats.study.files import read_study, write_study
from pitstats.study.form_names import choice_name
from pitstats.study.record import record_grades


@pytest.fixture(scope="module")
def plan():
    return randomize_layout(
        {"Oak": (3, 3), "Creek": (3, 3)},
        bakes=2,
        settings={
            "grades": ("raw ${code}", "=light", "golden, good", "'dark\"", "burned 🔥"),
            "target_grades": ("golden, good",),
        },
        seed=5,
    ).study


@pytest.fixture(scope="module")
def form(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    write_sheets(plan, folder)
    return folder / sheets.FORM


def table(form, name):
    """Rows of a sheet by its header, as the standard reads them."""
    head, *rows = openpyxl.load_workbook(form)[name].iter_rows(values_only=True)
    return [{k: v for k, v in zip(head, row, strict=True) if v} for row in rows]


def test_the_standards_own_converter_takes_it_without_a_word(form):
    done = convert(str(form), validate=False)
    assert done.warnings == []
    body = ET.fromstring(done.xform)
    asked = [node.get("ref", "").removeprefix("/data/") for node in body.iter()]
    for name in ("task", "person", "code", "grade_top", "grade_side", "unloaded_at"):
        assert name in asked


def test_sheets_and_columns_are_those_of_the_standard(form):
    book = openpyxl.load_workbook(form)
    assert book.sheetnames == ["survey", "choices", "settings"]
    lists = {row["list_name"] for row in table(form, "choices")}
    for row in table(form, "survey"):
        kind, *of = row["type"].split()
        assert kind in {
            "calculate", "note", "select_one", "text", "decimal", "image", "dateTime",
        }  # fmt: skip
        assert set(of) <= lists
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]


def test_it_is_blind_and_in_shuffled_order(plan, form):
    book = openpyxl.load_workbook(form)
    texts = [
        str(c)
        for sheet in book
        for row in sheet.iter_rows(values_only=True)
        for c in row
    ]
    for secret in ("Oak", "Creek", "B01", "main"):
        assert not [text for text in texts if secret in text]
    codes = [r for r in table(form, "choices") if r["list_name"] == "code"]
    expected = plan.items.merge(plan.bakes[["bake", "session"]], on="bake")
    expected = expected.sort_values(["session", "grading_order"])
    assert [row["label"] for row in codes] == expected["code"].tolist()
    again = {row["label"] for row in codes if row["again"] == "yes"}
    assert again == set(plan.regrades["code"])


def export(path, rows, front="", separator=","):
    """Write what a collector exports: its own columns around those of the form."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator)
    writer.writerow(["SubmissionDate", *(front + name for name in names), "KEY"])
    for number, row in enumerate(rows):
        cells = [row.get(name, "") for name in names]
        writer.writerow(["2026-05-02", *cells, f"uuid:{number}"])
    path.write_text(text.getvalue(), encoding="utf-8")
    return path


def rows_of(plan, form):
    codes = [r["name"] for r in table(form, "choices") if r["list_name"] == "code"]
    calculated = table(form, "survey")[0]["calculation"].strip("'")
    about = {"plan": calculated, "person": "Ann", "session": "1"}
    grading = about | {"task": "first", "blind": "yes"}
    timing = about | {"task": "times", "bake": "2", "person": "Bo"}
    return [
        grading | {"code": codes[0], "grade_top": "g0", "grade_bottom": "g4"},
        grading | {"code": codes[1], "missing": "not_graded", "rise_mm": "40.5"},
        grading
        | {
            "code": codes[2],
            "missing": "other",
            "other_reason": "eaten",
            "notes": "=1",
        },
        grading
        | {"code": codes[0], "task": "second", "person": "Bo", "grade_top": "g1"},
        timing | {"loaded_at": "2026-05-02T14:00:00.000+02:00"},
        timing | {"unloaded_at": "2026-05-02T14:20:30.000+02:00"},
    ]


@pytest.mark.parametrize(("front", "separator"), [("", ","), ("data/", ";")])
def test_what_a_collector_exports_is_recorded(plan, form, tmp_path, front, separator):
    write_study(plan, tmp_path / "plan")
    file = export(tmp_path / "out.csv", rows_of(plan, form), front, separator)
    done = record_grades(tmp_path / "plan", file)
    assert done.table[["first", "second", "timed"]].to_numpy().tolist() == [
        [3, 0, 0],
        [0, 1, 0],
        [0, 0, 1],
    ]
    assert any("'SubmissionDate', 'KEY'" in note for note in done.notes)
    study = read_study(tmp_path / "plan")
    codes = [r["label"] for r in table(form, "choices") if r["list_name"] == "code"]
    items = study.items.set_index("code").loc[codes[:3]]
    assert items["grade_top"].tolist()[0] == "raw ${code}"
    assert items["grade_bottom"].tolist()[0] == "burned 🔥"
    assert items["missing"].tolist()[1:] == ["not graded", "eaten"]
    assert items["notes"].tolist()[2] == "=1"
    regrades = study.regrades.set_index("code")
    assert regrades.loc[codes[0], "grade_top"] == "=light"
    assert study.bakes["minutes"].tolist()[1] == 20.5
    again = record_grades(tmp_path / "plan", file)
    assert again.table["same"].tolist() == [3, 1, 1]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"plan": "0" * 16}, "plans"),
        ({"code": "nobody"}, "no such codes in session 1: 'nobody'"),
        ({"grade_top": "g9"}, "graded 'g9'"),
        ({"task": "grade items"}, "the task 'grade items'"),
        ({"session": "one"}, "session 'one'"),
        ({"rise_mm": "tall"}, "allowed is a number of mm"),
    ],
)
def test_other_tables_are_refused(plan, form, tmp_path, change, message):
    write_study(plan, tmp_path / "plan")
    rows = rows_of(plan, form)
    rows[0] |= change
    with pytest.raises(GradeFileError, match=message):
        record_grades(tmp_path / "plan", export(tmp_path / "out.csv", rows))
    assert read_study(tmp_path / "plan") == plan


def test_a_table_of_something_else_is_named(plan, tmp_path):
    write_study(plan, tmp_path / "plan")
    (tmp_path / "out.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(GradeFileError, match="no column plan"):
        record_grades(tmp_path / "plan", tmp_path / "out.csv")
    (tmp_path / "out.csv").write_text('plan,"task\n1,2\n', encoding="utf-8")
    with pytest.raises(GradeFileError, match="quote marks"):
        record_grades(tmp_path / "plan", tmp_path / "out.csv")


def test_hostile_codes_have_names_of_their_own(plan, tmp_path):
    codes = [f"{k} </x>,é" for k in range(len(plan.items))]
    hard = replace(plan, items=plan.items.assign(code=codes), regrades=pd.DataFrame())
    write_sheets(hard, tmp_path / "sheets")
    form = tmp_path / "sheets" / sheets.FORM
    assert convert(str(form), validate=False).warnings == []
    write_study(hard, tmp_path / "plan")
    rows = rows_of(hard, form)[:1]
    record_grades(tmp_path / "plan", export(tmp_path / "out.csv", rows))
    assert read_study(tmp_path / "plan").items["grade_top"].notna().sum() == 1
    assert len({choice_name(code) for code in codes}) == len(codes)
