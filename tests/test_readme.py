"""What README shows is what happens."""

import contextlib
import io
import re
from pathlib import Path

import pytest

README = Path(__file__).parent.parent / "README.md"


def blocks(language: str) -> list[str]:
    pattern = rf"^```{language}\n(.*?)^```$"
    return re.findall(pattern, README.read_text("utf-8"), re.M | re.S)


def test_the_two_commands_come_first() -> None:
    first, second = blocks("sh")[:2]
    assert "pitstats report data/four_pits" in first
    assert "pytest" in second


def test_the_example_prints_what_is_shown() -> None:
    example = next(b for b in blocks("python") if "demo_study" in b)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(example, "README.md", "exec"), {})
    (shown,) = blocks("text")
    assert printed.getvalue() == shown


@pytest.mark.parametrize("word", ["plan", "layout", "sheets", "start", "check"])
def test_every_command_shown_exists(word: str) -> None:
    from pitstats.cli import main

    assert f"`pitstats {word} " in README.read_text("utf-8")
    assert word in main.commands


def test_every_file_it_points_to_is_there() -> None:
    text = README.read_text("utf-8")
    targets = re.findall(r"\]\(([^)#]+)\)|`(notebooks/[^`]+)`", text)
    paths = {a or b for a, b in targets}
    assert len(paths) >= 5
    missing = [path for path in paths if not (README.parent / path).exists()]
    assert missing == []
