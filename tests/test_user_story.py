"""From plan to sheets to a filled workbook to the report, without any Python."""

import re
from pathlib import Path

import numpy as np
from click.testing import CliRunner, Result
from openpyxl import load_workbook
from openpyxl.worksheet.worksheet import Worksheet

import pitstats as ps
from pitstats.cli import main


def run(*words: object) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def columns_of(sheet: Worksheet) -> dict[str, int]:
    return {
        str(cell.value): int(cell.column) for cell in sheet[1] if cell.value is not None
    }


def fill_in(path: Path) -> None:
    """What a cook types: statuses and grades, one item lost, one bake spoiled."""
    rng = np.random.default_rng(5)
    book = load_workbook(path)
    bakes, items = book["bakes"], book["items"]
    at = columns_of(bakes)
    spoiled = bakes.cell(row=2, column=at["bake"]).value
    for row in range(2, bakes.max_row + 1):
        name = bakes.cell(row=row, column=at["bake"]).value
        if name is None:
            continue
        bakes.cell(row=row, column=at["status"]).value = "kept"
        if name == spoiled:
            bakes.cell(row=row, column=at["status"]).value = "excluded"
            bakes.cell(row=row, column=at["reason"]).value = "rain put the fire out"
    at = columns_of(items)
    grades = ["light", "golden", "dark", "burned"]
    for row in range(2, items.max_row + 1):
        bake = items.cell(row=row, column=at["bake"]).value
        if bake is None or bake == spoiled:
            continue
        items.cell(row=row, column=at["grade_top"]).value = str(rng.choice(grades))
        items.cell(row=row, column=at["grade_bottom"]).value = "golden"
    last = items.max_row
    while items.cell(row=last, column=at["bake"]).value in (None, spoiled):
        last -= 1
    for name in ("grade_top", "grade_bottom"):
        items.cell(row=last, column=at[name]).value = None
    items.cell(row=last, column=at["missing"]).value = "fallen"
    book.save(path)


def test_plan_layout_sheets_workbook_report(tmp_path: Path) -> None:
    planned = run("plan", "--bakes", "2,3", "--items", "18", "--simulations", "200")
    assert planned.exit_code == 0
    assert "chance of 80%" in planned.output

    study = tmp_path / "my_test"
    pits = ("--pit", "Quarry=3x6", "--pit", "Mill=main:4x5+upper:2x5")
    drawn = run("layout", study, *pits, "--bakes", "3", "--seed", "7")
    assert drawn.exit_code == 0, drawn.output
    assert "seed 7" in drawn.output
    checked = run("check", study)
    assert checked.exit_code == 0
    assert "no problems" in checked.output

    sheets = tmp_path / "sheets"
    assert run("sheets", study, "--out", sheets).exit_code == 0
    assert (sheets / "2_grids.html").is_file()
    assert run("sheets", study, "--out", sheets).exit_code == 2

    early = run("report", sheets / "entry.xlsx", "--out", tmp_path / "early")
    assert early.exit_code == 1
    assert "planned" in early.output

    fill_in(sheets / "entry.xlsx")
    filled = ps.read_study(sheets / "entry.xlsx")
    assert filled.bakes["status"].value_counts().to_dict() == {"kept": 5, "excluded": 1}
    report = run("report", sheets / "entry.xlsx", "--out", tmp_path / "reports")
    assert report.exit_code == 0, report.output
    html = (tmp_path / "reports" / "entry-compare_pits.html").read_text("utf-8")
    assert "rain put the fire out" in html
    assert re.search(r"1 item|1 of \d+ items", html)


def test_the_grading_sheet_tells_neither_pit_nor_cell(tmp_path: Path) -> None:
    study, sheets = tmp_path / "plan", tmp_path / "sheets"
    pits = ("--pit", "Quarry=2x3", "--pit", "Ferry=2x3")
    run("layout", study, *pits, "--seed", "3", "--title", "Saturday")
    run("sheets", study, "--out", sheets)
    grading = (sheets / "4_grading.html").read_text("utf-8")
    planned = ps.read_study(study)
    assert all(code in grading for code in planned.items["code"])
    assert "Quarry" not in grading
    assert "Ferry" not in grading


def test_impossible_wishes_are_sentences() -> None:
    for words, expected in (
        (("plan", "--rate", "1.2"), "between 0 and 1"),
        (("plan", "--bakes", "0"), "whole numbers from 1"),
        (("plan", "--bakes", "two"), "commas"),
        (("plan", "--pits", "9"), "6"),
        (("layout", "x", "--pit", "Quarry"), "ROWSxCOLUMNS"),
        (("layout", "x", "--pit", "Quarry=2x3", "--items", "9"), "6 cells"),
        (("layout", "x", "--pit", "A=2x3", "--pit", "A=1x3"), "twice"),
    ):
        result = run(*words)
        assert result.exit_code == 2, result.output
        assert expected in result.output
