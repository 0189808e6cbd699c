"""Five pits, one bake each, typed afterwards with slips: two rounds to the truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

import pitstats as ps
from pitstats.cli import main

PITS = {"Quarry": (3, 6), "Old Bess": (3, 5), "Ferry": (2, 6), "Mill": (3, 4)} | {
    "Tower": (2, 5)
}
GRADES = ("burned", "dark", "golden", "light", "raw", "raw")
BAKED = {
    "session": "2026-11-28",
    "target_temp": "325",
    "damper_open": "1",
    "minutes": "22",
    "tender": "Alva",
    "grader": "Bo",
}
STATED = {
    "title": "Five pits",
    "question": "Which burns most?",
    "temperature_rule": "Same grate",
    "temperature_unit": "°F",
}
Typed = dict[tuple[str, int, str], str]
#: Typed instead of the truth, by table, row and column.
SLIPS: Typed = {
    ("bakes", 2, "session"): "28.11.2026",
    ("bakes", 2, "target_temp"): "325F",
    ("bakes", 2, "minutes"): "22 min",
    ("bakes", 2, "damper_open"): "100%",
    ("bakes", 3, "tender"): "alva",
    ("bakes", 4, "grader"): "Bo ",
    ("bakes", 4, "damper_open"): "50",
    ("bakes", 5, "target_temp"): "3225",
    ("bakes", 6, "status"): "keep",
    ("items", 3, "grade_top"): "drak",
    ("items", 9, "grade_top"): "Dark ",
    ("items", 10, "grade_top"): "goldn",
    ("items", 20, "bake"): "old bess-1",
    ("items", 21, "bake"): "Old Bess -1",
    ("items", 37, "grade_top"): "burnt",
    ("items", 38, "grade_top"): "DARK",
    ("items", 52, "column"): "22",
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [*map(str, arguments)])


def started() -> Typed:
    """What is right, by table, row and column; row 2 is the first."""
    right: Typed = {}
    row = 2
    for k, (pit, (rows, columns)) in enumerate(PITS.items(), start=2):
        for name, value in (BAKED | {"order": str(k - 1), "status": "kept"}).items():
            right["bakes", k, name] = value
        for place in range(rows):
            for column in range(columns):
                right["items", row, "bake"] = f"{pit}-1"
                right["items", row, "row"] = str(place + 1)
                right["items", row, "column"] = str(column + 1)
                right["items", row, "grade_top"] = GRADES[column]
                row += 1
    return right


def type_into(study: Path, typed: Typed, stated: dict[str, str] | None = None) -> None:
    """Type cells, and settings, as a person would: into the file or the sheet."""
    if study.is_dir():
        for table in {place[0] for place in typed}:
            frame = pd.read_csv(
                study / f"{table}.csv", dtype=str, keep_default_na=False
            )
            for (name, row, column), text in typed.items():
                if name == table:
                    frame.loc[row - 2, column] = text
            frame.to_csv(study / f"{table}.csv", index=False)
        text = (study / "study.toml").read_text("utf-8")
        for key, value in (stated or {}).items():
            text = text.replace(f'{key} = ""', f'{key} = "{value}"')
        (study / "study.toml").write_text(text, "utf-8")
        return
    book = openpyxl.load_workbook(study)
    for (table, row, column), text in typed.items():
        names = [cell.value for cell in book[table][1]]
        book[table].cell(row, names.index(column) + 1).value = _as_typed(text)
    for key, value in book["study"].iter_rows(max_col=2):
        value.value = (stated or {}).get(key.value, value.value)
    book.save(study)


def _as_typed(text: str) -> Any:
    """A spreadsheet takes what looks like a number for one."""
    return int(text) if text.isdecimal() else text


@pytest.mark.parametrize("name", ["afternoon", "afternoon.xlsx"])
def test_two_rounds_to_the_right_numbers(name: str, tmp_path: Path) -> None:
    study, copy = tmp_path / name, tmp_path / f"again-{name}"
    sizes = [f"--pit={pit}={rows}x{columns}" for pit, (rows, columns) in PITS.items()]
    assert run("start", study, *sizes, "--bakes", 1).exit_code == 0
    right = started()
    type_into(study, right | SLIPS, STATED)

    first = run("check", study, "--fix", copy)
    assert first.exit_code == 1, first.output
    left = {(p.table, p.row, p.column): p for p in ps.check_study(copy)}
    # Six of seventeen are asked about, each with its place; the rest is mended. A word
    # with its letters swapped is asked about where another one is near as well.
    assert set(left) == {
        ("bakes", 4, "damper_open"),
        ("bakes", 5, "target_temp"),
        ("bakes", 6, "status"),
        ("items", 3, "grade_top"),
        ("items", 37, "grade_top"),
        ("items", 52, "column"),
    }
    assert all(problem.place in first.output for problem in left.values())
    type_into(copy, {place: right[place] for place in left})  # type: ignore[misc]

    second = run("check", copy)
    assert second.exit_code == 0, second.output
    assert f"{copy}: no problems" in second.output
    rates = ps.estimate_burn_rates(ps.read_study(copy)).table
    assert dict(zip(rates["pit"], rates["n_burned"], strict=True)) == {
        pit: rows for pit, (rows, _) in PITS.items()
    }
    assert dict(zip(rates["pit"], rates["n_items"], strict=True)) == {
        pit: rows * columns for pit, (rows, columns) in PITS.items()
    }
