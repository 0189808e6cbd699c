"""A corrected copy: all that is certain is written plainly, and nothing unsaid."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

import pitstats as ps
from pitstats.cli import main
from pitstats.study.cells import cell_text
from pitstats.study.demo import copy_demo
from pitstats.study.fixed_copy import write_fixed_copy
from tests.study import slips

COUNT = 100
Cells = dict[tuple[str, int, int], str]


def typed_cells(path: Path) -> Cells:
    """Every cell of a study as typed, by a reader of its own."""
    if path.is_dir():
        tables = {}
        for file in path.glob("*.csv"):
            with file.open(encoding="utf-8-sig", newline="") as text:
                tables[file.stem] = list(csv.reader(text))
    else:
        book = openpyxl.load_workbook(path)
        tables = {
            sheet.title: [[_shown(cell) for cell in row] for row in sheet.values]
            for sheet in book.worksheets
        }
    return {
        (table, row, column): text
        for table, rows in tables.items()
        for row, cells in enumerate(rows, start=1)
        for column, text in enumerate(cells)
        if text
    }


def _shown(value: object) -> str:
    return value if isinstance(value, str) else cell_text(value)


def differences(before: Path, after: Path) -> set[tuple[str, int, str, str]]:
    """Table, row, old and new text of every cell that differs."""
    old, new = typed_cells(before), typed_cells(after)
    return {
        (place[0], place[1], old.get(place, ""), new.get(place, ""))
        for place in {*old, *new}
        if old.get(place, "") != new.get(place, "") and place[0] != "changes"
    }


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", ["s", "s.xlsx"])
def test_a_hundred_slips_are_found_in_one_pass_and_most_are_mended(
    name: str, seed: int, tmp_path: Path
) -> None:
    truth = slips.afternoons()
    ps.write_study(truth, tmp_path / "s")
    planted = slips.plant(tmp_path / "s", COUNT, np.random.default_rng(seed))
    assert len(planted) == COUNT
    assert len({slip.kind for slip in planted}) == len(slips.KINDS) >= 15
    source = tmp_path / name
    if name == "s":
        slips.into_folder(source, planted)
    else:
        ps.write_study(truth, source)
        slips.into_workbook(source, planted)
    before = source.read_bytes() if source.is_file() else typed_cells(source)

    problems = ps.check_study(source)
    copy = write_fixed_copy(source, source.with_stem("fixed"))
    fixed = source.with_stem("fixed")

    # All found, in one pass: as a question or as a change.
    told = {(p.table, p.row, p.column): p.message for p in problems}
    changed = {(c.table, c.row, c.column): c for c in copy.changes}
    places = {(s.table, s.row, s.column) for s in planted}
    assert places <= {*told, *changed}
    # Nothing but the slips is changed, each as it was meant, and most are proposed.
    assert set(changed) <= places
    right = sum(
        changed[p].new == s.truth
        if (p := (s.table, s.row, s.column)) in changed
        else bool(re.search(rf"Was '?{re.escape(s.truth)}'? meant", told[p]))
        for s in planted
    )
    assert right >= 80
    assert all(
        changed[s.table, s.row, s.column].new == s.truth
        for s in planted
        if (s.table, s.row, s.column) in changed
    )
    assert {s.kind for s in planted if (s.table, s.row, s.column) not in changed} <= {
        *(kind for kind, *_, certain in slips.KINDS if not certain),
        *("letters swapped", "letter dropped"),
    }
    # Not one difference that the list does not tell, and the original as it was.
    with copy.listing.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {(r["table"], int(r["row"]), r["from"], r["to"]) for r in rows} == (
        differences(source, fixed)
    )
    assert all(r["why"] for r in rows)
    assert before == (source.read_bytes() if source.is_file() else typed_cells(source))
    # The copy asks what is left, and reads once that is answered.
    left = [s for s in planted if (s.table, s.row, s.column) not in changed]
    asked = {(p.table, p.row, p.column) for p in ps.check_study(fixed)}
    assert asked == {(s.table, s.row, s.column) for s in left}
    answers = [replace(s, typed=s.truth) for s in left]
    (slips.into_folder if name == "s" else slips.into_workbook)(fixed, answers)
    assert ps.read_study(fixed) == truth


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study with one word in capitals and a photograph."""
    copy_demo("one_bake_each", tmp_path / "s")
    file = tmp_path / "s" / "items.csv"
    file.write_text(file.read_text("utf-8").replace("golden", "GOLDEN", 1), "utf-8")
    return tmp_path / "s"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [*map(str, arguments)])


def contents(place: Path) -> dict[str, bytes]:
    return {
        file.relative_to(place).as_posix(): file.read_bytes()
        for file in place.rglob("*")
        if file.is_file()
    }


def test_the_command_tells_every_change_and_checks_the_copy(folder: Path) -> None:
    before = contents(folder)
    dest = folder.with_name("fixed")
    result = run("check", folder, "--fix", dest)
    assert result.exit_code == 0, result.output
    assert "'GOLDEN' is now 'golden' (capital letters, spaces or quote marks)" in (
        result.output
    )
    assert f"1 change in {dest}, all listed in {dest / 'changes.csv'}" in result.output
    assert f"{dest}: no problems" in result.output
    assert contents(folder) == before
    after = contents(dest)
    assert {name for name in after if after[name] != before.get(name)} == {
        "changes.csv",
        "items.csv",
    }
    assert ps.read_study(dest) == ps.demo_study("one_bake_each")
    # Its own list is no table that somebody forgot.
    assert not any("changes" in text for text in ps.read_study(dest).assumptions)


def test_what_is_left_is_asked_and_the_exit_says_so(folder: Path) -> None:
    file = folder / "items.csv"
    text = file.read_text("utf-8").replace("golden", "charred", 1)
    file.write_text(text.replace("golden", "Golden", 1), "utf-8")
    offered = run("check", folder)
    assert offered.exit_code == 1
    assert f"pitstats check {folder} --fix DEST" in offered.output
    result = run("check", folder, "--fix", folder.with_name("fixed"))
    assert result.exit_code == 1
    assert "found 'charred'" in result.output
    assert "--fix DEST" not in result.output


def test_no_copy_is_offered_in_which_nothing_would_be_corrected(folder: Path) -> None:
    dest = folder.with_name("plain")
    assert run("check", folder, "--fix", dest).exit_code == 0
    source = dest if dest.exists() else folder
    file = source / "items.csv"
    file.write_text(file.read_text("utf-8").replace("golden", "charred", 1), "utf-8")
    result = run("check", source)
    assert result.exit_code == 1
    assert "found 'charred'" in result.output
    assert "--fix" not in result.output


def test_nothing_to_change_writes_nothing(tmp_path: Path) -> None:
    copy_demo("one_bake_each", tmp_path / "s")
    result = run("check", tmp_path / "s", "--fix", tmp_path / "fixed")
    assert result.exit_code == 0
    assert "Nothing can be corrected for certain, so no copy was written" in (
        result.output
    )
    assert [entry.name for entry in tmp_path.iterdir()] == ["s"]


@pytest.mark.parametrize("dest", ["s", "taken", "fixed.xlsx"])
def test_never_in_place_never_over_anything(dest: str, folder: Path) -> None:
    (folder.parent / "taken").mkdir()
    before = contents(folder.parent)
    result = run("check", folder, "--fix", folder.parent / dest)
    assert result.exit_code != 0
    assert "Traceback" not in result.output
    assert contents(folder.parent) == before


def test_how_a_file_was_written_is_a_change_too(folder: Path) -> None:
    file = folder / "items.csv"
    lines = file.read_text("utf-8").replace(",", ";").splitlines()
    lines[1] += "zerbröselt"
    file.write_bytes("\n".join(lines).encode("cp1252"))
    copy = write_fixed_copy(folder, folder.with_name("fixed"))
    first = copy.changes[0]
    assert (first.table, first.row, first.column) == ("items", None, "")
    assert (first.old, first.new) == ("Windows-1252, semicolons", "commas, UTF-8")
    assert ps.read_study(folder.with_name("fixed")) == ps.read_study(folder)


def test_photographs_go_along_and_links_do_not(folder: Path) -> None:
    bakes = pd.read_csv(folder / "bakes.csv", dtype=str)
    bakes.loc[0, "photo"] = "photos/one.jpg"
    bakes.loc[1, "photo"] = "../other.jpg"
    bakes.to_csv(folder / "bakes.csv", index=False)
    (folder / "photos").mkdir()
    (folder / "photos" / "one.jpg").write_bytes(b"picture")
    (folder.parent / "other.jpg").write_bytes(b"elsewhere")
    (folder / "link.txt").symlink_to(folder.parent / "other.jpg")
    write_fixed_copy(folder, folder.with_name("fixed"))
    copied = contents(folder.with_name("fixed"))
    assert copied["photos/one.jpg"] == b"picture"
    assert b"elsewhere" not in copied.values()


def test_a_workbook_keeps_its_sheets_and_tells_of_formulas(tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each")
    ps.write_entry_workbook(study, tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    sheet = book["items"]
    column = 1 + [cell.value for cell in sheet[1]].index("grade_top")
    sheet.cell(5, column).value = f" {str(sheet.cell(5, column).value).upper()}"
    book.create_sheet("weather")["A1"] = "=1+1"
    book.save(tmp_path / "s.xlsx")
    write_fixed_copy(tmp_path / "s.xlsx", tmp_path / "t.xlsx")
    assert ps.read_study(tmp_path / "t.xlsx") == ps.read_study(tmp_path / "s.xlsx")
    again = openpyxl.load_workbook(tmp_path / "t.xlsx")
    assert again["weather"]["A1"].value == "=1+1"
    assert len(again["items"].data_validations.dataValidation) == len(
        sheet.data_validations.dataValidation
    )
    assert again["items"]["A1"].comment is not None
    rows = (tmp_path / "t-changes.csv").read_text("utf-8").splitlines()
    assert rows[1].startswith("items,5,grade_top,")


def test_words_of_the_settings(folder: Path) -> None:
    file = folder / "study.toml"
    text = file.read_text("utf-8")
    file.write_text(
        text.replace('temperature_unit = "F"', "Temperature Unit = '°F' # gauge")
        .replace("Temperature Unit", '"Temperature Unit"')
        .replace('"same indicated"', '"Same  indicated"'),
        "utf-8",
    )
    fixed = folder.with_name("fixed")
    copy = write_fixed_copy(folder, fixed)
    own = {(c.column, c.old, c.new) for c in copy.changes if c.table == "study"}
    assert own >= {
        ("temperature_unit", "Temperature Unit", "temperature_unit"),
        ("temperature_unit", "°F", "F"),
    }
    assert "# gauge" in (fixed / "study.toml").read_text("utf-8")
    assert ps.read_study(fixed) == ps.read_study(folder)


@pytest.mark.parametrize("content", [b"", b"\x00\xff\x00", b'a,"b\n', b"PK\x03\x04"])
def test_files_that_cannot_be_read_stay_as_they_are(
    content: bytes, folder: Path
) -> None:
    (folder / "grates.csv").write_bytes(content)
    fixed = folder.with_name("fixed")
    result = run("check", folder, "--fix", fixed)
    assert result.exit_code == 1
    assert "Traceback" not in result.output
    assert (fixed / "grates.csv").read_bytes() == content


def test_names_that_two_may_be_meant_by_stay(folder: Path) -> None:
    bakes = (folder / "bakes.csv").read_text("utf-8").splitlines()
    twin = bakes[1].replace("Quarry-1", "quarry-1").replace("kept", "planned")
    (folder / "bakes.csv").write_text("\n".join([*bakes, twin]), "utf-8")
    items = folder / "items.csv"
    items.write_text(
        items.read_text("utf-8").replace("Quarry-1,", "QUARRY-1,", 1), "utf-8"
    )
    copy = write_fixed_copy(folder, folder.with_name("fixed"))
    assert "bake" not in {change.column for change in copy.changes}


def test_a_copy_is_not_offered_where_there_is_nothing_to_copy(folder: Path) -> None:
    result = run("check", folder.with_name("not there"))
    assert result.exit_code == 1
    assert "Check the path" in result.output
    assert "--fix" not in result.output
