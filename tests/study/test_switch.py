"""Files of several kinds are put in place all at once, whatever happens meanwhile."""

import errno
import json
import os
import threading
from pathlib import Path

import pytest

import pitstats as ps
from pitstats.errors import BusyError, WriteError
from pitstats.study import switch as switch_module
from pitstats.study.atomic import write_folder
from pitstats.study.demo import copy_demo
from pitstats.study.files import start_study
from pitstats.study.made import list_name
from pitstats.study.switch import switching
from tests.hard_use.writing import FATES, Command, commands, undisturbed, verdict


@pytest.mark.parametrize("command", commands(), ids=lambda c: c.name)
def test_a_run_that_dies_leaves_nothing_mixed(command: Command, tmp_path: Path) -> None:
    steps, after = undisturbed(command, tmp_path / "undisturbed")
    assert steps > 4
    for fate in FATES:
        for step in (steps // 2, steps - 4):
            place = tmp_path / f"{fate}, {step}"
            assert verdict(command, place, fate, step, after) == "", place.name


def test_the_journal_is_finished_by_whoever_reads_next(tmp_path: Path) -> None:
    """A kill between two renames, seen by a reader instead of a writer."""
    study = ps.demo_study("one_bake_each")
    copy_demo("nothing_burned", tmp_path / "s")
    replace, calls = os.replace, []

    class Killed(BaseException):
        pass

    def dying(source: str, destination: str) -> None:
        calls.append(source)
        if len(calls) == 6:
            raise Killed
        replace(source, destination)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(os, "replace", dying)
        # What would put things back dies with the run.
        patched.setattr(switch_module._Steps, "take_back", lambda self: None)
        with pytest.raises(Killed):
            ps.write_study(study, tmp_path / "s", overwrite=True)
    assert [p.name for p in tmp_path.iterdir()] != ["s"]
    read = ps.read_study(tmp_path / "s")
    assert read == study
    assert any("earlier run was stopped" in text for text in read.assumptions)
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, by its name within it."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


OLD, NEW = ["a", "both", "old/deep/b"], ["fresh", "both", "new/deep/c"]
RENAMES = 1 + len(OLD) + len(NEW)  # the journal; old ones aside; new ones in


def put_new_for_old(place: Path) -> None:
    """Replace old files by new ones."""
    for name in OLD:
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(f"old {name}")
    with switching(place) as switch:
        for name in NEW:
            (switch.new / name).parent.mkdir(parents=True, exist_ok=True)
            (switch.new / name).write_text(f"new {name}")
        switch.put_into(place, OLD, NEW)


@pytest.mark.parametrize("failing", range(1, RENAMES + 1))
def test_a_rename_that_fails_undoes_those_before_it(
    failing: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace, calls = os.replace, []

    def full(source: Path, destination: Path) -> None:
        calls.append(source)
        if len(calls) == failing:
            raise OSError(errno.ENOSPC, "No space left on device")
        replace(source, destination)

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(WriteError, match="No space left"):
        put_new_for_old(tmp_path / "s")
    assert contents(tmp_path) == {f"s/{name}": f"old {name}".encode() for name in OLD}
    assert not (tmp_path / "s" / "new").exists()


def test_without_a_failure_all_new_files_are_there(tmp_path: Path) -> None:
    put_new_for_old(tmp_path / "s")
    assert contents(tmp_path) == {f"s/{name}": f"new {name}".encode() for name in NEW}
    assert sorted(p.name for p in (tmp_path / "s").iterdir()) == [
        "both",
        "fresh",
        "new",
    ]


def test_a_study_that_a_run_is_writing_is_busy_not_wrong(tmp_path: Path) -> None:
    copy_demo("nothing_burned", tmp_path / "s")
    work = switch_module._beside(tmp_path / "s")
    work.mkdir()
    (work / switch_module._JOURNAL).write_text("{}")
    handle = switch_module._lock(work, tmp_path / "s", patience=0.0)
    with pytest.raises(BusyError, match="being written by another run"):
        ps.read_study(tmp_path / "s")
    (problem,) = ps.check_study(tmp_path / "s")
    assert "being written by another run" in problem.message
    os.close(handle)


def test_two_runs_at_once_do_not_share_a_target(tmp_path: Path) -> None:
    with switching(tmp_path / "s") as first:
        (first.new / "a").write_text("first")
        with pytest.raises(BusyError, match="being written by another run"):
            ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "s")
        ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "other")
        first.put_as_whole()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["other", "s"]
    assert (tmp_path / "s" / "a").read_text() == "first"


def test_a_lock_that_is_held_for_a_moment_is_waited_for(tmp_path: Path) -> None:
    """As by a run beside this one that looks what dead runs left."""
    work = switch_module._beside(tmp_path / "s")
    handle = switch_module._lock(work, tmp_path / "s", patience=0.0)
    asked = threading.Event()
    try_lock = switch_module._try_lock

    def tried(own: int) -> bool:
        taken = try_lock(own)
        asked.set()
        return taken

    def let_go() -> None:
        asked.wait()
        os.close(handle)

    other = threading.Thread(target=let_go)
    other.start()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(switch_module, "_try_lock", tried)
        ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "s")
    other.join()
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


def test_leftovers_of_dead_runs_go_and_those_of_the_living_stay(
    tmp_path: Path,
) -> None:
    dead = tmp_path / ".pitstats-old-12345678"
    (dead / "new").mkdir(parents=True)
    (dead / "new" / "half.html").write_text("half")
    with switching(tmp_path / "living") as living:
        (living.new / "a").write_text("a")
        start_study(tmp_path / "s")
        assert not dead.exists()
        assert (living.new / "a").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


@pytest.mark.parametrize(
    ("place", "old"),
    [("../../thesis", ["a.txt"]), ("..", ["../thesis/a.txt"]), ("..", ["/etc/x"])],
)
def test_a_journal_that_came_with_a_folder_moves_nothing_else(
    place: str, old: list[str], tmp_path: Path
) -> None:
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "a.txt").write_text("years of work")
    inner = tmp_path / "received"
    copy_demo("one_bake_each", inner / "s")
    work = switch_module._beside(inner / "s")
    work.mkdir()
    journal = {"place": place, "old": old, "new": []}
    (work / "journal.json").write_text(json.dumps(journal))
    problems = ps.check_study(inner / "s")
    assert "does not belong" in problems[0].message
    with pytest.raises(ps.PitstatsError, match="does not belong"):
        start_study(inner / "s", overwrite=True)
    assert (tmp_path / "thesis" / "a.txt").read_text() == "years of work"


class TestForce:
    """What pitstats made there is replaced, and nothing else."""

    def test_other_peoples_files_stay(self, tmp_path: Path) -> None:
        copy_demo("four_pits", tmp_path / "s")
        (tmp_path / "s" / "thesis.docx").write_text("mine")
        (tmp_path / "s" / "photos").mkdir()
        (tmp_path / "s" / "photos" / "a.jpg").write_text("mine")
        copy_demo("probed_pits", tmp_path / "s", overwrite=True)
        assert ps.read_study(tmp_path / "s") == ps.demo_study("probed_pits")
        assert (tmp_path / "s" / "thesis.docx").read_text() == "mine"
        assert (tmp_path / "s" / "photos" / "a.jpg").read_text() == "mine"
        start_study(tmp_path / "s", overwrite=True)
        assert not (tmp_path / "s" / "truth.json").exists()

    def test_what_was_typed_since_stays(self, tmp_path: Path) -> None:
        start_study(tmp_path / "s")
        pits = tmp_path / "s" / "pits.csv"
        pits.write_text("pit\nQuarry\n")
        with pytest.raises(ps.ExistsError, match=r"changed since .*: pits\.csv"):
            copy_demo("four_pits", tmp_path / "s", overwrite=True)
        assert pits.read_text() == "pit\nQuarry\n"

    def test_tables_of_a_study_that_nobody_made_here_stay(self, tmp_path: Path) -> None:
        (tmp_path / "items.csv").write_text("bake\n1\n")
        with pytest.raises(ps.ExistsError, match=r"not made by pitstats: items\.csv"):
            copy_demo("four_pits", tmp_path, overwrite=True)
        assert [p.name for p in tmp_path.iterdir()] == ["items.csv"]

    def test_a_workbook_that_was_typed_into_stays(self, tmp_path: Path) -> None:
        import openpyxl

        path = tmp_path / "s.xlsx"
        start_study(path)
        start_study(path, overwrite=True)
        book = openpyxl.load_workbook(path)
        book["pits"]["A2"] = "Quarry"
        book.save(path)
        before = path.read_bytes()
        with pytest.raises(ps.ExistsError, match="changed since"):
            start_study(path, overwrite=True)
        assert path.read_bytes() == before

    def test_a_list_that_came_with_a_folder_reaches_nothing_outside(
        self, tmp_path: Path
    ) -> None:
        (tmp_path / "thesis.txt").write_text("mine")
        folder = tmp_path / "s"
        folder.mkdir()
        digest = "0" * 64
        listed = {"files": {"../thesis.txt": digest, "/etc/hostname": digest}}
        (folder / list_name("study")).write_text(json.dumps(listed))
        copy_demo("four_pits", folder, overwrite=True)
        assert (tmp_path / "thesis.txt").read_text() == "mine"


def test_a_full_disk_is_a_sentence(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300, limits[1]))
    try:
        with pytest.raises(WriteError, match="Make room") as told:
            copy_demo("four_pits", tmp_path / "s")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert "[" not in str(told.value)
    assert list(tmp_path.iterdir()) == []


def test_folders_inside_are_made_and_go_again(tmp_path: Path) -> None:
    one, two = {"in/a.txt": b"1", "b.txt": b"2"}, {"b.txt": b"3"}
    write_folder(tmp_path / "s", one, kind="study", overwrite=False)
    write_folder(tmp_path / "s", two, kind="study", overwrite=True)
    names = sorted(p.name for p in (tmp_path / "s").iterdir())
    assert names == [list_name("study"), "b.txt"]


def test_a_name_of_any_length_can_be_written(tmp_path: Path) -> None:
    start_study(tmp_path / ("é" * 120))
    assert len(list(tmp_path.iterdir())) == 1
