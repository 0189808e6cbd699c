"""Places as the user finds them: files and rows of a folder, cells of a workbook."""

import re
from dataclasses import replace
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import pitstats as ps
from pitstats.study.demo import copy_demo


@pytest.fixture(params=["s", "s.xlsx"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A study as a folder and as a workbook, with the same slips."""
    copy_demo("one_bake_each", tmp_path / "s")
    items = tmp_path / "s" / "items.csv"
    lines = items.read_text("utf-8").splitlines()
    for row in (3, 5, 6, 9):
        lines[row - 1] = re.sub(r",main,\d,", ",main,one,", lines[row - 1])
    settings = tmp_path / "s" / "study.toml"
    settings.write_text(
        settings.read_text("utf-8").replace('unit = "F"', 'unit = "K"'), "utf-8"
    )
    if request.param == "s":
        items.write_text("\n".join(lines), "utf-8")
        return tmp_path / "s"
    study = ps.demo_study("one_bake_each")
    ps.write_study(study, tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    for row in (3, 5, 6, 9):
        book["items"].cell(row, 3).value = "one"
    for row in book["study"].iter_rows():
        if row[0].value == "temperature_unit":
            row[1].value = "K"
    book.save(tmp_path / "s.xlsx")
    return tmp_path / "s.xlsx"


def test_everybody_hears_of_what_they_have_open(place: Path) -> None:
    with pytest.raises(ps.InvalidStudyError) as error:
        ps.read_study(place)
    said = str(error.value)
    first = next(p for p in error.value.problems if p.table == "items")
    assert (first.table, first.row, first.column) == ("items", 3, "row")
    if place.is_dir():
        assert first.place == "items.csv, row 3, column row"
        assert "items.csv, rows 3, 5, 6 and 1 more, column row: found 'one'" in said
        text = (place / "study.toml").read_text("utf-8").splitlines()
        line = 1 + text.index('temperature_unit = "K"')
        assert f"study.toml, line {line}, key temperature_unit: found 'K'" in said
    else:
        assert first.place == "sheet items, cell C3 (row)"
        assert "sheet items, cells C3, C5, C6 and 1 more (row): found 'one'" in said
        assert "sheet study, cell B4 (temperature_unit): found 'K'" in said


@pytest.mark.parametrize("name", ["s", "s.xlsx"])
def test_advice_names_the_file_or_cell_of_a_setting(name: str, tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each")
    study = replace(study, settings=replace(study.settings, margin=None))
    ps.write_study(study, tmp_path / name)
    again = ps.read_study(tmp_path / name)
    assert again == study
    taken = again.form.stated("looks_taken", [2, 4])
    if name == "s":
        lines = (tmp_path / name / "study.toml").read_text("utf-8").splitlines()
        line = 1 + lines.index("# taken = [2, 4, 6]")
        assert taken == f"[looks] taken = [2, 4] in study.toml, line {line}"
    else:
        sheet = openpyxl.load_workbook(tmp_path / name)["study"]
        row = 1 + [cell.value for cell in sheet["A"]].index("looks_taken")
        assert taken == f"looks_taken = 2, 4 in the sheet study, cell B{row}"
    advice = [f.fix for f in ps.audit_fairness(again) if f.id == "no_margin"]
    assert advice == [f"State {again.form.stated('margin')}, before the next bake."]


def test_rows_of_tables_changed_in_memory_are_no_rows_of_a_file(place: Path) -> None:
    study = ps.demo_study("one_bake_each")
    pits = study.pits.assign(has_damper="perhaps")
    with pytest.raises(ps.InvalidStudyError, match="pits rows 2, 3, column has_damper"):
        ps.Study(
            **{**study.tables, "pits": pits}, settings=study.settings, form=study.form
        )


def test_a_season_names_the_study_before_the_place(place: Path) -> None:
    if place.is_file():
        (place.parent / "s").rename(place.parent / ".left")
    with pytest.raises(ps.InvalidStudyError) as error:
        ps.read_season(place.parent)
    said = str(error.value)
    cells = "items.csv, rows 3, 5, 6 and 1 more, column row"
    key = "study.toml, line "
    if place.is_file():
        cells = "sheet items, cells C3, C5, C6 and 1 more (row)"
        key = "sheet study, cell B4 (temperature_unit)"
    assert f"s: {cells}: found 'one'" in said
    assert f"s: {key}" in said


@pytest.mark.parametrize("name", ["mine.csv", "mine.xlsx"])
def test_a_table_of_ones_own_is_named_as_its_user_has_it(
    name: str, tmp_path: Path
) -> None:
    table = pd.DataFrame(
        {"Cooker": ["A", "B"], "day": ["1", "2"], "black": ["yes", "perhaps"]}
    )
    if name.endswith(".csv"):
        table.to_csv(tmp_path / name, index=False)
    else:
        table.to_excel(tmp_path / name, sheet_name="Bakes of May", index=False)
    with pytest.raises(ps.InvalidStudyError) as error:
        ps.study_from_table(
            tmp_path / name,
            {"pit": "Cooker", "bake": "day", "burned": "black"},
            title="T",
            question="Q",
            temperature_rule="tuned",
        )
    places = [problem.place for problem in error.value.problems]
    assert places == [
        f"{name}, row 3, column black"
        if name.endswith(".csv")
        else "sheet Bakes of May, cell C3 (black)"
    ]
