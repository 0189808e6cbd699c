"""Every command that writes several files, killed and starved at every step.

A child process runs the command and dies (or meets a full disk) at its k-th step that
changes the disk. Afterwards everything must be as before or as wanted, somebody else's
files must be there, and the next run must end clean.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import shutil
import signal
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Literal, get_args

import pitstats as ps
from pitstats.analysis.season.read import write_matches
from pitstats.analysis.season.summary import FOLDER as SUMMARIES
from pitstats.errors import InterruptedWarning
from pitstats.planning.layout import randomize_layout
from pitstats.planning.sheets import write_sheets
from pitstats.study.atomic import publish, write_file
from pitstats.study.demo import copy_demo
from pitstats.study.files import start_study
from pitstats.study.fixed_copy import write_fixed_copy
from pitstats.study.frozen_plan import write_plan
from pitstats.study.made import list_name
from pitstats.study.switch import switching
from pitstats.study.workbook import write_entry_workbook
from tests.study import grade_files

Fate = Literal["killed", "disk full"]
FATES: tuple[Fate, ...] = get_args(Fate)
#: Steps that change the disk, as the interpreter announces them.
_STEPS = {"os.rename", "os.mkdir", "os.remove", "os.rmdir"}
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_MINE = {"notes.txt": b"mine", "photos/a.jpg": b"photo", "stem-files/mine.txt": b"m"}


@dataclass(frozen=True)
class Command:
    """A writing command with what it is run on: a first state and a second."""

    name: str
    first: Callable[[Path], object]
    second: Callable[[Path], object]
    target: str


_OF_TABLE = [
    *("--map", "pit=who", "--map", "n_items=n", "--map", "n_burned=y"),
    *("--title", "T", "--question", "Q", "--temperature-rule", "tuned"),
]


def _command(*words: object) -> None:
    """Run a command line in this process; its errors are those of the library."""
    from pitstats.cli import main

    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        try:
            main([str(word) for word in words], standalone_mode=False)
        except SystemExit as end:
            if end.code and "Traceback" not in told.getvalue():
                raise ps.PitstatsError(told.getvalue()) from end
    if "earlier run" in told.getvalue():
        warnings.warn(told.getvalue(), InterruptedWarning, stacklevel=2)


def _mistyped(folder: Path) -> None:
    """Write a study with grades that a corrected copy writes plainly."""
    copy_demo("one_bake_each", folder)
    items = folder / "items.csv"
    items.write_bytes(items.read_bytes().replace(b",golden", b",Golden "))


def _pack(target: Path, license_text: str) -> None:
    """Pack what was worked out already."""
    from pitstats.exchange.package import package_files
    from pitstats.exchange.zip_file import zip_bytes

    files = package_files(
        ps.demo_study("one_bake_each"), license_text=license_text, results=_results()
    )
    write_file(target, zip_bytes(files), overwrite=True)


@cache
def _results() -> dict[str, bytes]:
    from pitstats.exchange.result_tables import result_files

    return result_files(ps.demo_study("one_bake_each"))


def _season(folder: Path, matches: str | None = None) -> None:
    """Read a season, which keeps its summaries; write which pits are one."""
    season = ps.read_season(folder)
    if matches:
        write_matches(season, overwrite=True)


def _layout(seed: int) -> ps.Study:
    grates = {"Quarry": {"main": (2, 3)}, "Ferry": {"main": (2, 2)}}
    return randomize_layout(grates, bakes=2, seed=seed).study


def _report(folder: Path, text: str, names: tuple[str, ...]) -> None:
    """Put a report in place that was rendered already."""
    with switching(folder / "stem.html") as switch:
        for name in ("stem.html", "stem.ipynb", *(f"stem-files/{n}" for n in names)):
            path = switch.new / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{text} {name}")
        publish(switch, folder, listing=f"stem-files/{list_name('report')}")


@cache
def commands() -> tuple[Command, ...]:
    """Every kind of writing, each over an earlier result of its own."""
    study = ps.demo_study("one_bake_each")
    other = replace(study, settings=replace(study.settings, title="Another"))
    fewer = replace(other, grates=study.grates.iloc[:0])
    plan, again = _layout(1), _layout(2)
    return (
        Command(
            "write_study",
            lambda d: ps.write_study(study, d / "s", overwrite=True),
            lambda d: ps.write_study(fewer, d / "s", overwrite=True),
            "s",
        ),
        Command(
            "workbook",
            lambda d: ps.write_study(plan, d / "s.xlsx", only_made=True),
            lambda d: ps.write_study(
                again, d / "s.xlsx", overwrite=True, only_made=True
            ),
            "s.xlsx",
        ),
        Command(
            "start",
            lambda d: ps.write_study(plan, d / "s", overwrite=True, only_made=True),
            lambda d: start_study(d / "s", overwrite=True),
            "s",
        ),
        Command(
            "demo",
            lambda d: copy_demo("one_bake_each", d / "s", overwrite=True),
            lambda d: copy_demo("nothing_burned", d / "s", overwrite=True),
            "s",
        ),
        Command(
            "layout, new",
            lambda d: None,
            lambda d: ps.write_study(plan, d / "n", overwrite=True, only_made=True),
            "n",
        ),
        Command(
            "sheets",
            lambda d: _sheets(plan, d / "s"),
            lambda d: _sheets(again, d / "s"),
            "s",
        ),
        Command(
            "report",
            lambda d: _report(d / "s", "first", ("a.png", "b.png", "stamp.json")),
            lambda d: _report(d / "s", "second", ("a.png", "c.csv", "stamp.json")),
            "s",
        ),
        Command(
            "import",
            lambda d: ps.write_study(plan, d / "s", overwrite=True, only_made=True),
            lambda d: _command("import", d / "t.csv", d / "s", *_OF_TABLE, "--force"),
            "s",
        ),
        Command(
            "check --fix",
            lambda d: _mistyped(d / "bad"),
            lambda d: write_fixed_copy(d / "bad", d / "n"),
            "n",
        ),
        Command(
            "frozen plan",
            lambda d: write_plan(plan, d / "s"),
            lambda d: write_plan(again, d / "s", overwrite=True),
            "s",
        ),
        Command(
            "notebooks",
            lambda d: _command("notebooks", d / "s", "--force"),
            lambda d: _command("notebooks", d / "s", "--force"),
            "s",
        ),
        Command(
            "entry workbook",
            lambda d: write_entry_workbook(plan, d / "s.xlsx"),
            lambda d: write_entry_workbook(again, d / "s.xlsx", overwrite=True),
            "s.xlsx",
        ),
        Command(
            "pack",
            lambda d: _pack(d / "s.zip", "first"),
            lambda d: _pack(d / "s.zip", "second"),
            "s.zip",
        ),
        Command(
            "season, summaries",
            lambda d: ps.write_study(study, d / "s" / "day 1"),
            lambda d: _season(d / "s"),
            "s",
        ),
        Command(
            "season, matches",
            lambda d: _season(d / "s", ps.write_study(study, d / "s" / "day 1")),
            lambda d: _season(d / "s", "matches"),
            "s",
        ),
        Command(
            "record",
            lambda d: _graded(plan, d / "s", d / "ann.json"),
            lambda d: _record(d / "s", d / "ann.json"),
            "s",
        ),
        Command(
            "record, workbook",
            lambda d: _graded(plan, d / "s.xlsx", d / "ann.json"),
            lambda d: _record(d / "s.xlsx", d / "ann.json"),
            "s.xlsx",
        ),
    )


def _graded(plan: ps.Study, target: Path, file: Path) -> None:
    """Write a plan, and what two graders hand out for it."""
    ps.write_study(plan, target, overwrite=True)
    bake = plan.bakes["bake"].iloc[0]
    codes = plan.items.loc[plan.items["bake"].eq(bake), "code"]
    entries = [grade_files.item(code, "golden", "dark") for code in codes]
    again = grade_files.sheet(entries[:2], person="Bo", sheet="sbo00001")
    grade_files.write(file, plan, grade_files.sheet(entries), again)


def _record(target: Path, file: Path) -> None:
    ps.record_grades(target, file)


def _sheets(plan: ps.Study, folder: Path) -> None:
    write_sheets(plan, folder, entry_workbook=True, overwrite=True)


def prepare(command: Command, folder: Path) -> None:
    """Make the first state, with somebody else's files beside and among it."""
    (folder / "s").mkdir(parents=True)
    for place in (folder, folder / "s"):
        for name, data in _MINE.items():
            (place / name).parent.mkdir(exist_ok=True)
            (place / name).write_bytes(data)
    (folder / "t.csv").write_text("who,n,y\nQuarry,18,3\nFerry,18,4\n", "utf-8")
    command.first(folder)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder; workbooks by their cells, since they hold a time."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        # What a dead run left beside a summary goes when the next one is written.
        if path.is_file() and f"{SUMMARIES}/.pitstats-" not in name:
            found[name] = _cells(path) if path.suffix == ".xlsx" else path.read_bytes()
            if path.name.endswith("made-by-pitstats.json"):
                found[name] = b"list"
    return found


def _cells(path: Path) -> bytes:
    from pitstats.study.workbook_files import load_sheets

    return repr(load_sheets(path.read_bytes())).encode()


def in_child(action: Callable[[], object], fate: Fate | None, step: int) -> int:
    """Run in a child process that meets its fate at one step.

    Returns the number of steps it took, or -1 if it was killed, -2 if it ended with an
    error of the kit, -3 with any other.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        taken = _child(action, fate, step)
        os.write(writer, str(taken).encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    return int(said) if said else -1


def _child(action: Callable[[], object], fate: Fate | None, step: int) -> int:
    taken = 0

    def watch(event: str, args: tuple[object, ...]) -> None:
        nonlocal taken
        opened = event == "open" and isinstance(args[2], int) and args[2] & _WRITING
        if event not in _STEPS and not opened:
            return
        taken += 1
        if fate == "killed" and taken == step:
            os.kill(os.getpid(), signal.SIGKILL)
        # A full disk stays full, but names can be changed and files go.
        growing = opened or event == "os.mkdir"
        if fate == "disk full" and taken >= step and growing:
            raise OSError(errno.ENOSPC, "No space left on device")

    sys.addaudithook(watch)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            action()
    except ps.PitstatsError:
        return -2
    except BaseException:
        return -3
    return taken


def undisturbed(command: Command, folder: Path) -> tuple[int, dict[str, bytes]]:
    """Steps of the second run when nothing happens to it, and what it leaves.

    The first state stays beside it, for every run that meets a fate.
    """
    prepare(command, _first_state(folder))
    shutil.copytree(_first_state(folder), folder)
    steps = in_child(lambda: command.second(folder), None, 0)
    return steps, contents(folder)


def _first_state(folder: Path) -> Path:
    return folder.with_name("first state")


def verdict(
    command: Command, folder: Path, fate: Fate, step: int, after: dict[str, bytes]
) -> str:
    """What became of a target: "" if all is well, else what was wrong.

    ``after`` is what the second run leaves when nothing happens to it; the first state
    is that of `undisturbed` in the same place.
    """
    shutil.copytree(_first_state(folder), folder)
    before = contents(folder)
    end = in_child(lambda: command.second(folder), fate, step)
    if end == -3:
        return "an error that is not told in a sentence"
    left = contents(folder)
    if any(left.get(n) != d for n, d in before.items() if n.endswith(tuple(_MINE))):
        return "somebody else's file was lost"
    work = {n for n in left if ".pitstats-" in n.replace(f"{SUMMARIES}/", "")}
    journal = any(name.endswith("journal.json") for name in work)
    kept = {name: data for name, data in left.items() if name not in work}
    if fate == "disk full" and end == -2 and (work or kept != before):
        return "a full disk changed something"
    if not journal and kept not in (before, after):
        return "mixed, and no journal to say so"
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        with contextlib.suppress(ps.ExistsError):
            command.second(folder)
    if journal and not any("earlier run" in str(w.message) for w in told):
        return "nobody was told that a run was finished"
    return "" if contents(folder) == after else "the next run did not end clean"
