"""One afternoon in four forms: workbook, folder, a table of one's own, the phone.

Five pits, one bake each. What was typed holds a misspelt grade and the number of a
grade that there is not; `pitstats check` names the cells, they are mended, and the
second check is clean.
"""

import csv
import json
from collections.abc import Callable
from io import StringIO
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from openpyxl import load_workbook

import pitstats as ps
from pitstats.cli import main
from tests.study import grade_files

#: Value of a cell from the cells of its row and the name of its column.
Value = Callable[[dict[str, Any], str], Any]
PITS = ("Quarry", "Ferry", "Mill", "Barn", "Creek")
STATED = [
    *("--title", "One afternoon", "--question", "Which burns more?"),
    *("--temperature-rule", "same grate"),
]
SEEN = ["grade_top", "grade_bottom", "missing"]
#: Places in the table of what was seen where something else was typed at first.
TYPED_WRONG = {(2, "grade_top"): "drak", (7, "grade_bottom"): "7"}
LOST = 4
OWN = {"pit": "smoker", "bake": "fire", "grate": "rack", "row": "r", "column": "c"} | {
    name: f"my {name}" for name in ("code", *SEEN)
}


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def done(*words: object) -> str:
    result = run(*words)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plan") / "plan"
    pits = [word for pit in PITS for word in ("--pit", f"{pit}=3x6")]
    done("layout", folder, *pits, "--bakes", 1, "--seed", 8, *STATED)
    return folder


@pytest.fixture(scope="module")
def seen(plan: Path) -> pd.DataFrame:
    """What the graders saw, in the order of the items; one item fell."""
    study = ps.read_study(plan)
    place = (study.items["column"] * 3 + study.items["row"]).to_numpy(dtype=int)
    grades = study.settings.grades
    table = study.items[["bake", "grate", "row", "column", "code"]].astype(object)
    table["grade_top"] = [grades[k % 5] for k in place]
    table["grade_bottom"] = [grades[k // 2 % 5] for k in place]
    table["missing"] = ""
    table.loc[LOST, SEEN] = ["", "", "fallen"]
    table.insert(0, "pit", study.bakes.set_index("bake")["pit"][table["bake"]].values)
    return table


def as_typed(seen: pd.DataFrame) -> pd.DataFrame:
    table = seen.copy()
    for (row, column), text in TYPED_WRONG.items():
        table.loc[row, column] = text
    return table


@pytest.fixture(scope="module")
def expected(
    plan: Path, seen: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Results of the phone form, where nothing can be misspelt."""
    return results(by_phone(plan, seen, tmp_path_factory.mktemp("phone")))


def results(study: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    rates = ps.estimate_burn_rates(ps.read_study(study)).table
    return pd.read_csv(StringIO(done("compare", study, "--format", "csv"))), rates


def by_phone(plan: Path, seen: pd.DataFrame, place: Path) -> Path:
    target = place / "phone"
    ps.write_study(ps.read_study(plan), target)
    entries = [
        grade_files.item(
            row["code"], row["grade_top"], row["grade_bottom"], missing=row["missing"]
        )
        for row in seen.to_dict("records")
    ]
    sheet = grade_files.sheet(entries)
    file = grade_files.write(place / "ann.json", ps.read_study(plan), sheet)
    assert "90 first gradings" in done("record", target, file)
    assert "no problems" in done("check", target)
    return target


def in_folder(plan: Path, seen: pd.DataFrame, place: Path) -> Path:
    target = place / "folder"
    ps.write_study(ps.read_study(plan), target)

    def fill(name: str, value: Value) -> None:
        file = target / f"{name}.csv"
        with file.open(encoding="utf-8", newline="") as text:
            header, *rows = csv.reader(text)
        for cells in rows:
            known = dict(zip(header, cells, strict=True))
            cells[:] = [value(known, column) for column in header]
        with file.open("w", encoding="utf-8", newline="") as text:
            csv.writer(text).writerows([header, *rows])

    typed_and_mended(target, fill, seen)
    return target


def in_workbook(plan: Path, seen: pd.DataFrame, place: Path) -> Path:
    done("sheets", plan, "--out", place / "sheets")
    target = place / "sheets" / "entry.xlsx"

    def fill(name: str, value: Value) -> None:
        book = load_workbook(target)
        header, *rows = book[name].iter_rows()
        names = [str(cell.value) for cell in header]
        for cells in rows:
            known = {n: c.value for n, c in zip(names, cells, strict=True)}
            if known["bake"] is not None:
                for column, cell in zip(names, cells, strict=True):
                    cell.value = value(known, column) or None
        book.save(target)

    typed_and_mended(target, fill, seen)
    return target


def typed_and_mended(
    target: Path, fill: Callable[[str, Value], None], seen: pd.DataFrame
) -> None:
    """Fill in what was typed; then put right what the first check names, no more."""
    typed = as_typed(seen).astype({"code": str}).set_index("code")
    right = seen.astype({"code": str}).set_index("code")
    fill("bakes", lambda row, name: "kept" if name == "status" else row[name])
    fill(
        "items",
        lambda row, name: (
            typed.loc[str(row["code"]), name] if name in SEEN else row[name]
        ),
    )
    first = run("check", target, "--format", "json")
    assert first.exit_code == 1, first.output
    problems = json.loads(first.output)["problems"]
    assert len(problems) == len(TYPED_WRONG), first.output
    for text, problem in product(TYPED_WRONG.values(), problems):
        if repr(text) in problem["message"]:
            column = problem["column"]
            fill(
                "items",
                lambda row, name, text=text, column=column: (
                    right.loc[str(row["code"]), name]
                    if name == column and row[name] == text
                    else row[name]
                ),
            )


def by_import(plan: Path, seen: pd.DataFrame, place: Path) -> Path:
    """A flat table of one's own; pits in the order of the plan."""
    seen = seen.sort_values("pit", key=lambda pit: pit.map(PITS.index), kind="stable")
    seen = seen.reset_index(drop=True)
    table, target = place / "mine.csv", place / "mine"
    pairs = [
        word
        for column, header in OWN.items()
        for word in ("--map", f"{column}={header}")
    ]
    ours = as_typed(seen).rename(columns=OWN)
    ours.to_csv(table, index=False)
    first = run("import", table, target, *pairs, *STATED)
    assert first.exit_code == 1, first.output
    assert not target.exists()
    for (row, column), text in TYPED_WRONG.items():
        assert f"row {row + 2}" in first.output
        assert OWN[column] in first.output
        assert repr(text) in first.output
    seen.rename(columns=OWN).to_csv(table, index=False)
    done("import", table, target, *pairs, *STATED)
    return target


@pytest.mark.parametrize("form", [in_folder, in_workbook, by_import])
def test_every_form_ends_in_the_numbers_of_the_phone(
    form, plan, seen, expected, tmp_path
):
    study = form(plan, seen, tmp_path)
    assert "no problems" in done("check", study)
    pairs, rates = results(study)
    # Ends for all pairs together come from fixed draws, in the order of the bakes.
    pd.testing.assert_frame_equal(pairs, expected[0], rtol=0, atol=5e-4)
    pd.testing.assert_frame_equal(rates, expected[1])
    assert rates["n_items"].sum() == 5 * 18 - 1
