"""A table of one's own and the notebooks, from the command line."""

from pathlib import Path

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


def test_notebooks_are_copied_and_what_was_changed_stays(tmp_path: Path) -> None:
    assert run("notebooks", tmp_path / "n").exit_code == 0
    copied = {path.name for path in (tmp_path / "n").glob("*.ipynb")}
    assert {"compare_pits.ipynb", "plan_bakes.ipynb"} <= copied
    assert run("notebooks", tmp_path / "n", "--force").exit_code == 0
    (tmp_path / "n" / "compare_pits.ipynb").write_text("mine")
    refused = run("notebooks", tmp_path / "n", "--force")
    assert refused.exit_code == 2
    assert (tmp_path / "n" / "compare_pits.ipynb").read_text() == "mine"
