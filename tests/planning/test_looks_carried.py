from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from pitstats.cli import main
from pitstats.planning.protocol import look_steps
from pitstats.stats.stopping import stopping_levels
from pitstats.study.files import read_study
from pitstats.study.settings import Settings


def settings(*looks: int) -> Settings:
    return Settings(
        title="T", question="Q", temperature_rule="tuned", looks_planned=looks
    )


def test_the_protocol_says_what_to_do_at_each_look() -> None:
    steps = look_steps(settings(2, 4), 2, [16, 16])
    level = stopping_levels([2, 4], items=16).levels[0]
    assert [step.bakes for step in steps] == [2, 4]
    assert f"{100 * (1 - level):.1f}% interval" in steps[0].text
    assert "bake on" in steps[0].text
    assert "The test ends here" in steps[1].text
    assert look_steps(settings(4), 2, [16, 16]) == []


def test_a_layout_with_looks_carries_them_to_the_sheets(tmp_path: Path) -> None:
    run = CliRunner().invoke
    words = ["layout", str(tmp_path / "s"), "--pit", "A=2x4", "--pit", "B=2x4"]
    assert run(main, [*words, "--looks", "2,3", "--seed", "1"]).exit_code == 0
    study = read_study(tmp_path / "s")
    assert study.settings.looks_planned == (2, 3)
    assert study.bakes.groupby("pit").size().tolist() == [3, 3]
    assert run(main, ["sheets", str(tmp_path / "s")]).exit_code == 0
    page = (tmp_path / "s-sheets" / "1_protocol.html").read_text(encoding="utf-8")
    assert "Looks:" in page
    assert "After 3 bakes of each pit" in page
    wrong = run(main, [*words, "--looks", "2,3", "--bakes", "5", "--force"])
    assert wrong.exit_code == 2
    assert "The last look is after 3 bakes" in wrong.output


@pytest.mark.parametrize("word", ["2,x", "often"])
def test_looks_that_are_none(tmp_path: Path, word: str) -> None:
    words = ["layout", str(tmp_path / "s"), "--pit", "A=2x4", "--looks", word]
    assert CliRunner().invoke(main, words).exit_code == 2
