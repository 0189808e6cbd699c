"""Mistakes of a real afternoon: each is found, and told with what to do."""

import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.cli import main
from pitstats.errors import Problem, grouped
from pitstats.study.cells import Cell, reader
from pitstats.study.demo import copy_demo
from pitstats.study.schema import BAKES
from pitstats.study.settings import Settings
from pitstats.study.similar_names import difference, skeleton
from pitstats.study.units import with_unit


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy_demo("one_bake_each", tmp_path / "s")
    return tmp_path / "s"


def change(file: Path, old: str, new: str, count: int = -1) -> None:
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, count), "utf-8")


def told(folder: Path) -> str:
    return "\n".join(map(str, ps.check_study(folder)))


@pytest.mark.parametrize(
    "name", ["Total", "total:", "Grand total", "Sum", "All", "Mean"]
)
def test_a_row_of_totals_is_asked_about(name: str, folder: Path) -> None:
    with (folder / "pits.csv").open("a") as file:
        file.write(f"{name},,,,\n")
    assert f"found '{name}': a row that adds up others is not a pit" in told(folder)


def counts_study(totals: list[tuple[str, int, int]]) -> ps.Study:
    names, n_items, n_burned = zip(*totals, strict=True)
    return ps.Study(
        settings=Settings(title="T", question="Q", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": names, "pit": "A"}),
        counts=pd.DataFrame({"bake": names, "n_items": n_items, "n_burned": n_burned}),
    )


def test_counts_that_are_the_sum_of_the_others_are_asked_about() -> None:
    rows = [("1", 18, 3), ("2", 18, 5), ("3", 16, 2)]
    assert len(counts_study(rows).counts) == 3
    with pytest.raises(ps.InvalidStudyError, match="sums of all other rows"):
        counts_study([*rows, ("4", 52, 10)])


def test_a_study_without_any_result_is_a_problem(folder: Path) -> None:
    change(folder / "items.csv", "grade_top", "grade")
    change(folder / "items.csv", "grade_bottom", "lower side")
    change(folder / "items.csv", "missing", "why")
    assert "none of its 34 rows has a grade" in told(folder)
    with pytest.raises(ps.InvalidStudyError) as error:
        ps.read_study(folder)
    notes = "\n".join(error.value.__notes__)
    assert (
        "column 'grade' kept as a column of your own; rename it if grade_top" in notes
    )


@pytest.mark.parametrize(
    ("a", "b", "how"),
    [
        ("Old  Bess 1", "Old Bess 1", "spaces"),
        ("OldBess", "Old Bess", "spaces"),
        ("quarry", "Quarry", "capital"),
        ("Caf\u00e9", "Cafe\u0301", "Unicode"),
        ("\u041cill", "Mill", "<U+041C>ill"),
    ],
)
def test_names_that_look_alike_are_told_apart(a: str, b: str, how: str) -> None:
    assert skeleton(a) == skeleton(b)
    assert how in difference(a, b)


def test_names_that_look_alike_are_one_warning_with_counts(folder: Path) -> None:
    change(folder / "bakes.csv", "crew 1", "Crew  1", 1)
    (said,) = [a for a in ps.read_study(folder).assumptions if "tender" in a]
    assert said == (
        "bakes.csv, column tender: 'Crew  1' (1 row) and 'crew 1' (1 row) taken as "
        "two; write them alike if they are one"
    )


def test_letters_of_another_script_are_shown_by_number(folder: Path) -> None:
    change(folder / "bakes.csv", "crew 1", "\u0441rew 1", 1)
    (said,) = [a for a in ps.read_study(folder).assumptions if "tender" in a]
    assert "'<U+0441>rew 1' (1 row) and 'crew 1' (1 row)" in said


def test_one_day_written_in_two_ways_is_told(folder: Path) -> None:
    change(folder / "bakes.csv", "day 1", "2026-11-28", 1)
    change(folder / "bakes.csv", "day 1", "28.11.2026", 1)
    (said,) = [a for a in ps.read_study(folder).assumptions if "session" in a]
    assert "'2026-11-28' (1 row) and '28.11.2026' (1 row) taken as two" in said


def test_a_remedy_is_not_the_same_text_again(folder: Path) -> None:
    change(folder / "items.csv", "Quarry-1,", "Quarry -1,", 3)
    assert "Was 'Quarry-1' meant? The two differ in spaces." in told(folder)


def test_two_sheets_that_differ_by_a_space(tmp_path: Path) -> None:
    ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    book.create_sheet("items ")
    book.save(tmp_path / "s.xlsx")
    assert "there are two sheets for it: 'items' and 'items '" in told(
        tmp_path / "s.xlsx"
    )


def test_a_quote_mark_that_swallows_rows_is_told_with_its_row(folder: Path) -> None:
    lines = (folder / "items.csv").read_text("utf-8").splitlines()
    lines[4] += '"stuck'
    lines[8] += '"'
    (folder / "items.csv").write_text("\n".join(lines), "utf-8")
    assert "items.csv, row 5: a quote mark opens a text that runs over 4 more" in told(
        folder
    )


def read(name: str, text: str) -> Cell:
    settings = Settings(
        title="T", question="Q", temperature_rule="tuned", temperature_unit="F"
    )
    column = BAKES.column(name)
    return with_unit(column, text, reader(column, settings), settings)


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("target_temp", "350F", 350),
        ("target_temp", "350 °F", 350),
        ("target_temp", "350 deg F", 350),
        ("minutes", "12 min", 12),
        ("minutes", "12,5 minutes", 12.5),
        ("damper_open", "50 %", 0.5),
        ("damper_open", "30%", 0.3),
    ],
)
def test_units_beside_numbers_are_read_and_told(
    name: str, text: str, value: float
) -> None:
    cell = read(name, text)
    assert cell.value == value
    assert cell.note


@pytest.mark.parametrize(
    ("name", "text"),
    [("target_temp", "180C"), ("minutes", "1 h"), ("minutes", "50 %"), ("order", "2F")],
)
def test_other_units_are_a_problem(name: str, text: str) -> None:
    cell = read(name, text)
    assert cell.value is None
    assert f"'{text}'" in cell.problem


class TestGrouping:
    def test_equal_problems_are_one_line(self, folder: Path) -> None:
        change(folder / "items.csv", "burned", "Burnt")
        change(folder / "items.csv", ",Burnt,rise_mm", ",burned,rise_mm")
        with pytest.raises(ps.InvalidStudyError) as error:
            ps.read_study(folder)
        lines = str(error.value).splitlines()
        assert len(lines) == 3
        assert len(error.value.problems) == 17
        assert (
            "rows 2, 8, 11 and 6 more, column grade_bottom: found 'Burnt'" in lines[1]
        )
        # What was found but not understood is not said to be missing as well.
        assert not getattr(error.value, "__notes__", None)

    def test_a_message_never_has_megabytes(self) -> None:
        many = [Problem("items", row, "row", f"found {row}.") for row in range(50_000)]
        assert sum(map(len, grouped(many))) < 10_000
        assert grouped(many)[-1] == "and 49,900 more; mend these first"


def test_problems_go_to_stdout_and_json_is_for_programs(folder: Path) -> None:
    change(folder / "bakes.csv", "oak", "oak\x07", 1)
    plain = CliRunner().invoke(main, ["check", str(folder)])
    assert plain.exit_code == 1
    assert plain.stderr == ""
    assert "bakes.csv, row 2, column wood" in plain.stdout
    found = CliRunner().invoke(main, ["check", str(folder), "--format", "json"])
    assert found.exit_code == 1
    problems = json.loads(found.stdout)["problems"]
    assert [p["column"] for p in problems] == ["wood"]
    change(folder / "bakes.csv", "\x07", "", 1)
    fine = CliRunner().invoke(main, ["check", str(folder), "--format", "json"])
    assert (fine.exit_code, json.loads(fine.stdout)["problems"]) == (0, [])
