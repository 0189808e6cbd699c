"""The command line: exit codes, answers, and no traceback for bad input."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.cli import main

COMMANDS = ["", *sorted(main.commands)]
PITS = ("--pit", "A=3x6", "--pit", "B=3x5")


def run(*words: object) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def test_demo_copies_a_study_that_check_finds_sound(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    assert run("demo", "four_pits", dest).exit_code == 0
    assert ps.read_study(dest) == ps.demo_study("four_pits")
    checked = run("check", dest)
    assert checked.exit_code == 0
    assert "no problems" in checked.output


def test_demo_without_a_name_lists_the_names() -> None:
    assert run("demo").output.split() == ps.demo_names()


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    dest.mkdir()
    (dest / "notes.txt").write_text("keep me")
    refused = run("demo", "four_pits", dest)
    assert refused.exit_code == 2
    assert "left as it is" in refused.output
    assert (dest / "notes.txt").read_text() == "keep me"
    assert run("start", dest).exit_code == 2
    assert run("demo", "four_pits", dest, "--force").exit_code == 0
    assert (dest / "pits.csv").is_file()
    assert (dest / "notes.txt").read_text() == "keep me"


def test_unknown_demo_names_the_known_ones(tmp_path: Path) -> None:
    result = run("demo", "five_pits", tmp_path / "x")
    assert result.exit_code == 2
    assert "four_pits" in result.output


@pytest.mark.parametrize("suffix", ["", ".xlsx"])
def test_start_writes_a_blank_study_that_says_what_to_fill_in(
    tmp_path: Path, suffix: str
) -> None:
    dest = tmp_path / f"blank{suffix}"
    assert run("start", dest).exit_code == 0
    checked = run("check", dest)
    assert checked.exit_code == 1
    assert "pits" in checked.output


def test_a_folder_of_sheets_names_the_workbook_that_was_meant(tmp_path: Path) -> None:
    assert run("start", tmp_path / "my test.xlsx").output.endswith('my test.xlsx"\n')
    told = run("check", tmp_path)
    assert told.exit_code == 1
    assert "The workbook my test.xlsx in it can be given by path." in told.output


def test_slides_are_called_by_their_study(tmp_path: Path) -> None:
    for name in ("saturday.xlsx", "may-sheets/entry.xlsx", "day.2"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        ps.write_study(ps.demo_study("one_bake_each"), tmp_path / name)
        made = run("report", tmp_path / name, "--slides", "--out", tmp_path / "out")
        assert made.exit_code == 0, made.output
    found = {path.name for path in (tmp_path / "out").iterdir()}
    names = ("saturday", "may", "day.2")
    assert found == {f"{name}-slide-{i}.png" for name in names for i in (1, 2)}


@pytest.mark.parametrize("more", [(), ("--slides",), ("--brief",)])
@pytest.mark.parametrize("inside", ["", "deeper"])
def test_a_file_in_place_of_the_folder_is_told_before_any_work(
    more: tuple[str, ...], inside: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def work(*_: object, **__: object) -> None:
        raise AssertionError("work was begun")

    monkeypatch.setattr("pitstats.report.slides.StudyResults", work)
    monkeypatch.setattr("pitstats.report.render.report.execute", work)
    ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "mine")
    (tmp_path / "out").write_text("kept")
    told = run("report", tmp_path / "mine", "--out", tmp_path / "out" / inside, *more)
    assert told.exit_code == 1
    assert told.output == (
        f"{tmp_path / 'out'} is a file and was left as it is. Choose another folder.\n"
    )
    assert (tmp_path / "out").read_text() == "kept"


def test_a_layout_may_put_several_rounds_into_an_afternoon(tmp_path: Path) -> None:
    pits = ("--pit", "A=2x2", "--pit", "B=2x2")
    more = ("--bakes", 4, "--sessions", 2, "--temperature-rule", "same grate")
    made = run("layout", tmp_path / "mine", *pits, *more)
    assert made.exit_code == 0, made.output
    bakes = ps.read_study(tmp_path / "mine").bakes
    assert set(bakes.groupby("session")["order"].max()) == {4}
    assert set(bakes.groupby(["session", "pit"]).size()) == {2}


def test_check_lists_all_problems_and_exits_1(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    run("demo", "one_bake_each", dest)
    items = (dest / "items.csv").read_text().splitlines()
    items[1] = items[1].replace("main,1,1", "main,9,1")
    items[2] = items[2].replace("Quarry-1", "Quarry-7")
    (dest / "items.csv").write_text("\n".join(items) + "\n")
    result = run("check", dest)
    assert result.exit_code == 1
    assert "items.csv, row 2, column row" in result.output
    assert "items.csv, row 3, column bake" in result.output
    assert "Traceback" not in result.output


@pytest.mark.parametrize("command", ["check", "compare", "report"])
def test_problems_come_with_what_was_assumed(command: str, tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    run("demo", "one_bake_each", dest)
    (dest / "items.csv").rename(dest / "item.csv")
    result = run(command, dest)
    assert result.exit_code == 1
    first, _, last = result.output.partition("\nAssumed: ")
    assert "there are no results" in first
    assert "item.csv (rename it if items was meant)" in last


def test_assumptions_beside_problems_are_plain_for_programs(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    run("demo", "one_bake_each", dest)
    (dest / "items.csv").rename(dest / "item.csv")
    told = json.loads(run("check", dest, "--format", "json").output)
    with pytest.raises(ps.InvalidStudyError) as error:
        ps.read_study(dest)
    assert told["assumptions"] == error.value.assumptions
    assert error.value.__notes__ == [f"Assumed: {text}" for text in told["assumptions"]]
    assert any("item.csv" in text for text in told["assumptions"])


def test_check_tells_what_it_noticed_in_a_sound_study(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    run("demo", "one_bake_each", dest)
    bakes = pd.read_csv(dest / "bakes.csv")
    bakes["grader"] = ["Kim", "kim"]
    bakes["photo"] = ["bake1.jpg", None]
    bakes.drop(columns="status").to_csv(dest / "bakes.csv", index=False)
    result = run("check", dest)
    assert result.exit_code == 0
    told = [text for text in result.output.splitlines() if "Assumed: bakes" in text]
    assert len(told) == 3
    for part in ("all bakes are taken as kept", "taken as two", "'bake1.jpg'"):
        assert sum(part in text for text in told) == 1


def test_messages_speak_the_language_of_the_command_line(tmp_path: Path) -> None:
    dest = tmp_path / "mine"
    run("demo", "one_bake_each", dest)
    words = (
        ("demo", "one_bake_each", dest),
        ("start", dest),
        ("layout", dest, "--pit", "A=2x3", "--pit", "B=2x3"),
    )
    for command in words:
        refused = run(*command)
        assert refused.exit_code == 2
        assert "overwrite" not in refused.output
        assert "--force" in refused.output
    with pytest.raises(ps.ExistsError, match="overwrite=True"):
        ps.write_study(ps.demo_study("one_bake_each"), dest)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes end otherwise there")
def test_a_reader_that_has_seen_enough_ends_it_quietly() -> None:
    from pitstats.study.demo import demo_folder

    command = [sys.executable, "-m", "pitstats", "check", demo_folder("four_pits")]
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as pipe:
        done = subprocess.run(command, stdout=pipe, stderr=subprocess.PIPE, check=False)
    assert done.stderr == b""


@pytest.mark.parametrize("command", ["check", "compare", "report"])
def test_a_missing_study_is_a_sentence(command: str, tmp_path: Path) -> None:
    result = run(command, tmp_path / "nowhere")
    assert result.exit_code == 1
    assert "nowhere" in result.output


def test_wrong_usage_exits_2() -> None:
    assert run("report").exit_code == 2
    assert run("report", "x", "--colour").exit_code == 2
    assert run("grill").exit_code == 2
    assert run("demo", "four_pits").exit_code == 2


def test_compare_says_why_a_look_has_its_level() -> None:
    from pitstats.study.demo import demo_folder

    assert run("compare", demo_folder("early_stop")).output.count("Why 98.7%") == 1
    assert "Why 95%" not in run("compare", demo_folder("one_bake_each")).output


def test_compare_prints_the_answer_and_machine_formats() -> None:
    from pitstats.study.demo import demo_folder

    folder = demo_folder("nothing_burned")
    plain = run("compare", folder)
    assert plain.exit_code == 0
    assert "Quarry burned more than Ferry" in plain.output
    rows = json.loads(run("compare", folder, "--format", "json").output)
    assert rows[0]["verdict"] == "differs"
    csv = run("compare", folder, "--format", "csv").output
    assert csv.splitlines()[0].startswith("pit_a,pit_b,estimate")


def test_wishes_that_a_report_cannot_grant_are_wrong_usage(tmp_path: Path) -> None:
    from pitstats.study.demo import demo_folder

    earlier = tmp_path / "one_bake_each-compare_pits.html"
    earlier.write_text("mine")
    again = run("report", demo_folder("one_bake_each"), "--out", tmp_path)
    assert again.exit_code == 2
    assert earlier.read_text() == "mine"
    out = tmp_path / "reports"
    bad = run("report", demo_folder("one_bake_each"), "-p", "margin=3", "--out", out)
    assert bad.exit_code == 2


def test_output_folder_is_not_accepted_in_silence(tmp_path: Path) -> None:
    from pitstats.study.demo import demo_folder

    asked = ("-p", f"output_folder={tmp_path / 'x'}", "--out", tmp_path / "out")
    result = run("report", demo_folder("one_bake_each"), *asked)
    assert result.exit_code == 2
    assert "--out" in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("level", ["1.5", "1"])
def test_a_level_that_cannot_be_is_wrong_usage(level: str, tmp_path: Path) -> None:
    from pitstats.study.demo import demo_folder

    asked = ("-p", f"conf_level={level}", "--out", tmp_path / "out")
    result = run("report", demo_folder("one_bake_each"), *asked)
    assert result.exit_code == 2
    assert f"conf_level is {level}; it must lie between 0 and 1." in result.output
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", COMMANDS)
def test_help_texts(command: str, snapshot: SnapshotAssertion) -> None:
    words = [command] if command else []
    assert run(*words, "--help").output == snapshot


def test_counts_that_cannot_be_are_told_by_their_entry(tmp_path: Path) -> None:
    words = ["report", "--notebook", "noise_check", "--out", tmp_path]
    result = run(*words, "-p", "burned=[3, 17]")
    assert result.exit_code == 2
    assert result.output.endswith(
        "1 problem in the counts:\n  burned, entry 2: found 17, but only 16 items were "
        "graded (n_items). Correct one of them.\n"
    )


def test_a_package_that_is_there_is_refused_before_any_work(tmp_path: Path) -> None:
    (tmp_path / "s.zip").write_text("mine")
    refused = run("pack", tmp_path / "s")  # there is no study either
    assert refused.exit_code == 2
    assert "s.zip exists." in refused.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["layout", "new", *PITS, "--bakes", "0"], "bakes is 0."),
        (["season", ".", "--conf-level", "95"], "conf_level is 95;"),
        (["season", ".", "--conf-level", "0"], "conf_level is 0;"),
        (["season", ".", "--jobs", "0"], "0 is not in the range"),
        (["plan", *("--simulations", "20"), "--power", "2"], "power is 2.0;"),
        (["compare", "s", "--conf-level", "0,9"], "'0,9' is not a share"),
        (["report", "s", "-p", "seed=-1"], "seed is -1;"),
        (
            ["report", "--notebook", "read_probes"],
            "Say which study: pitstats report STUDY --notebook read_probes.",
        ),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "s")
    refused = run(*words)
    assert refused.exit_code != 0
    assert said in refused.output
    assert "chance of 200%" not in refused.output
