"""A table of one's own and the notebooks, from the command line."""

from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result

import pitstats as ps
from pitstats.cli import main

TABLE = "smoker,day,biscuits,black\nA,Sat,18,3\nA,Sun,18,4\nB,Sat,16,7\nB,Sun,16,5\n"
STATED = [
    *("--title", "Two pits", "--question", "Which burns more?"),
    *("--temperature-rule", "tuned"),
]
MAP = [
    *("--map", "pit=smoker", "--map", "session=day"),
    *("--map", "n_items=biscuits", "--map", "n_burned=black"),
]


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_a_table_becomes_a_study(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(TABLE)
    result = run("import", tmp_path / "t.csv", tmp_path / "s", *MAP, *STATED)
    assert result.exit_code == 0, result.output
    study = ps.read_study(tmp_path / "s")
    assert study.counts["n_burned"].tolist() == [3, 4, 7, 5]
    assert study.bakes["session"].tolist() == ["Sat", "Sun", "Sat", "Sun"]
    again = run("import", tmp_path / "t.csv", tmp_path / "s", *MAP, *STATED)
    assert again.exit_code == 2
    assert "--force" in again.output


def test_what_it_cannot_know_is_asked_for(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(TABLE)
    asked = run("import", tmp_path / "t.csv", tmp_path / "s", *MAP, *STATED[:4])
    assert asked.exit_code == 2
    assert "--temperature-rule" in asked.output
    assert "same grate" in asked.output
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize(
    ("pair", "words"), [("pit=smokr", "smoker"), ("pit", "COLUMN=HEADER")]
)
def test_a_mistyped_header_is_told(pair: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(TABLE)
    pairs = ["--map", pair, *MAP[2:]]
    result = run("import", tmp_path / "t.csv", tmp_path / "s", *pairs, *STATED)
    assert result.exit_code in (1, 2)
    assert words in result.output
    assert not (tmp_path / "s").exists()


TITLED = """Backtag 2026
;;
Ofen;Tag;colour;rise;;
Nord;3.5.2026;hell;4,5;x;
Nord;10.5.2026;gold;5,0;;y
Ost;3.5.2026;verbrannt;4,5;x;
Ost;10.5.2026;gold;5,5;;
"""
ITEMS = [
    *("--map", "pit=Ofen", "--map", "bake=Ofen", "--map", "bake=Tag"),
    *("--map", "grade_top=colour", "--map", "rise_mm=rise"),
    *("--grades", "hell,gold,verbrannt", "--target-grades", "gold"),
]


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_titles_and_columns_without_a_name_are_left_out(
    suffix: str, tmp_path: Path
) -> None:
    source = tmp_path / f"own{suffix}"
    source.write_text(TITLED, "utf-8")
    if suffix == ".xlsx":
        book = openpyxl.Workbook()
        for line in TITLED.splitlines():
            book.active.append([cell or None for cell in line.split(";")])
        book.save(source)
    result = run("import", source, tmp_path / "s", *ITEMS, *STATED)
    assert result.exit_code == 0, result.output
    assert "the headers stand in row 3; what is above them was left out" in (
        result.output
    )
    study = ps.read_study(tmp_path / "s")
    assert study.items["rise_mm"].tolist() == [4.5, 5.0, 4.5, 5.5]
    assert study.settings.target_grades == ("gold",)
    totals = ps.estimate_burn_rates(study).table
    assert dict(zip(totals["pit"], totals["n_burned"], strict=True)) == {
        "Nord": 0,
        "Ost": 1,
    }


def test_a_header_that_stands_twice_is_told_only_where_it_is_named(
    tmp_path: Path,
) -> None:
    twice = TABLE.replace("black\n", "black,note,note\n", 1).replace(",3\n", ",3,a,b\n")
    (tmp_path / "t.csv").write_text(twice)
    result = run("import", tmp_path / "t.csv", tmp_path / "s", *MAP, *STATED)
    assert result.exit_code == 0, result.output
    keep = ("--keep", "note", "--force")
    result = run("import", tmp_path / "t.csv", tmp_path / "s", *MAP, *STATED, *keep)
    assert result.exit_code == 1
    assert "Two columns of" in result.output
    assert "are called 'note'" in result.output


def test_notebooks_are_copied_and_what_was_changed_stays(tmp_path: Path) -> None:
    assert run("notebooks", tmp_path / "n").exit_code == 0
    copied = {path.name for path in (tmp_path / "n").glob("*.ipynb")}
    assert {"compare_pits.ipynb", "plan_bakes.ipynb"} <= copied
    assert run("notebooks", tmp_path / "n", "--force").exit_code == 0
    (tmp_path / "n" / "compare_pits.ipynb").write_text("mine")
    refused = run("notebooks", tmp_path / "n", "--force")
    assert refused.exit_code == 2
    assert (tmp_path / "n" / "compare_pits.ipynb").read_text() == "mine"
