"""Several files put in place at once: made aside, then switched, or nothing at all.

Everything is made in a working folder beside its target. Putting it in place takes one
rename, or a series of them under a journal: a run that is killed in between leaves the
journal, and whoever comes next finishes the series and says so. A lock that the system
lets go of when a run dies keeps two runs off one target.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import stat
import time
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pitstats.errors import BusyError, InterruptedWarning, WriteError

_PREFIX = ".pitstats-"
_JOURNAL, _LOCK = "journal.json", "lock"
_DRAFT = f"{_JOURNAL}.new"
_OURS = ("new", "old", "scratch", _DRAFT)
_LONGEST_NAME = 40
# Seconds to wait for a lock: who clears away what dead runs left holds it that briefly.
_MOMENT = 1.0
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NO_LOCKS = {errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS}


@dataclass(frozen=True)
class Switch:
    """Where the files of one target are made before they are put in place.

    Attributes
    ----------
    target : Path
        What is written: a file, a folder, or the first of several files beside it.
    work : Path
        Working folder on the same disk; gone when all is done.
    """

    target: Path
    work: Path

    @property
    def new(self) -> Path:
        """Folder in which the new files are made, under the names they will have."""
        return self.work / "new"

    @property
    def scratch(self) -> Path:
        """Folder for what helps in making them and is thrown away."""
        folder = self.work / "scratch"
        folder.mkdir(exist_ok=True)
        return folder

    def put_as_whole(self) -> None:
        """Make the folder of new files the target, which must not be there."""
        os.replace(self.new, self.target)

    def put_into(self, place: Path, old: Sequence[str], new: Sequence[str]) -> None:
        """Take old files out of a folder and put new ones in: all of it, or nothing."""
        steps = _Steps(self.work, place, tuple(old), tuple(new))
        steps.write_down()
        try:
            steps.take()
        except BaseException:
            steps.take_back()
            raise
        (self.work / _JOURNAL).unlink()


@contextmanager
def switching(target: Path) -> Iterator[Switch]:
    """Lock a target and give a clean place to make its files in."""
    target = Path(os.path.abspath(target))
    above = [folder for folder in target.parents if not folder.exists()]
    refuse_below_file(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        work = _work_of(target)
        with _held(work, target):
            _clear_dead(work)
            told = _settle(work, target)
            if told:
                warnings.warn(told, InterruptedWarning, stacklevel=3)
            (work / "new").mkdir()
            (work / "old").mkdir()
            yield Switch(target, work)
    except OSError as error:
        raise WriteError(f"{target} cannot be written: {reason(error)}") from error
    finally:
        for folder in above:
            with suppress(OSError):  # not empty: something was written
                folder.rmdir()


def refuse_below_file(target: Path) -> None:
    """Stop where a file stands in the place of a folder that the target is to be in."""
    for place in target.parents:
        if place.exists() and not place.is_dir():
            raise WriteError(
                f"{place} is a file and was left as it is. Choose another folder."
            )


def reason(error: OSError) -> str:
    """Say why something could not be written, and what to do."""
    text = f"{error.strerror or error}."
    if error.errno in _FULL:
        return f"{text} Make room, then run it again; nothing was changed."
    return text


def settle_target(target: Path) -> str:
    """Finish what a dead run began to put into a folder that is about to be read.

    Returns what was done, in a sentence, or "" if there was nothing to finish. Raises
    `BusyError` while a run that lives is at it.
    """
    target = Path(os.path.abspath(target))
    for work in (_beside(target), target / f"{_PREFIX}work"):
        if (work / _JOURNAL).is_file() and _is_ours(work):
            with _held(work, target):
                return _settle(work, target)
    return ""


def is_work(path: Path) -> bool:
    """Tell whether a folder is where a run works, or worked."""
    return path.name.startswith(_PREFIX) and path.is_dir()


def _clear_dead(work: Path) -> None:
    """Remove what dead runs left beside; journals wait for their own targets."""
    for other in work.parent.glob(f"{_PREFIX}*"):
        with suppress(BusyError, OSError):  # another run lives, or has just ended
            dead = other != work and _is_ours(other) and not (other / _JOURNAL).exists()
            # What holds anything else, such as summaries, is no working folder.
            if dead and {entry.name for entry in other.iterdir()} <= {*_OURS, _LOCK}:
                with _held(other, other, patience=0.0):
                    pass


def _is_ours(work: Path) -> bool:
    """Tell whether a working folder was made by whoever runs this."""
    try:
        found = work.lstat()
    except OSError:  # its run has just ended
        return False
    return stat.S_ISDIR(found.st_mode) and (
        os.name == "nt" or found.st_uid == os.getuid()
    )


def _work_of(target: Path) -> Path:
    """Name the working folder, which must lie on the same disk as the target."""
    inside = target.is_dir() and (
        os.path.ismount(target) or not os.access(target.parent, os.W_OK)
    )
    return target / f"{_PREFIX}work" if inside else _beside(target)


def _beside(target: Path) -> Path:
    mark = hashlib.sha256(os.fsencode(target.name)).hexdigest()[:8]
    return target.parent / f"{_PREFIX}{target.name[:_LONGEST_NAME]}-{mark}"


# --- the lock -----------------------------------------------------------------------


@contextmanager
def _held(work: Path, target: Path, patience: float = _MOMENT) -> Iterator[None]:
    """Hold the lock in a working folder, and remove the folder in the end.

    A journal stays, with what it needs: it was not possible to put things back.
    """
    handle = _lock(work, target, patience)
    try:
        yield
    finally:
        if not (work / _JOURNAL).exists():
            _clear(work)
        with suppress(OSError):
            (work / _LOCK).unlink()
        os.close(handle)
        with suppress(OSError):  # the next run is in it already, or the journal
            work.rmdir()


def _clear(work: Path) -> None:
    """Remove what runs put into a working folder."""
    for name in _OURS:
        entry = work / name
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            with suppress(OSError):
                entry.unlink(missing_ok=True)


def _lock(work: Path, target: Path, patience: float) -> int:
    until = time.monotonic() + patience
    while True:
        work.mkdir(exist_ok=True)
        try:
            handle = os.open(work / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        except FileNotFoundError:
            continue  # its last holder was just clearing away
        try:
            if not _try_lock(handle):
                if time.monotonic() >= until:
                    raise BusyError(
                        f"{target} is being written by another run. Wait until it has "
                        "ended, or choose another name. Nothing was written."
                    )
                time.sleep(0.01)
            # Its last holder may have removed the file that was locked here.
            elif os.path.samestat(os.fstat(handle), os.stat(work / _LOCK)):
                return handle
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _try_lock(handle: int) -> bool:
    """Take a lock that ends with the process that holds it."""
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # Some network disks know no locks; the journal protects there too.
        return error.errno in _NO_LOCKS
    return True


# --- the journal --------------------------------------------------------------------


@dataclass(frozen=True)
class _Steps:
    """Renames that take old files out and put new ones in, each done once."""

    work: Path
    place: Path
    old: tuple[str, ...]
    new: tuple[str, ...]

    def write_down(self) -> None:
        """Write the journal: from here on everything will be put in place."""
        content = {
            "made by": "pitstats",
            "place": os.path.relpath(self.place, self.work),
            "old": self.old,
            "new": self.new,
        }
        draft = self.work / _DRAFT
        draft.write_text(json.dumps(content), encoding="utf-8")
        os.replace(draft, self.work / _JOURNAL)

    def take(self) -> None:
        """Take all steps that were not taken yet."""
        for name in self.old:
            here, aside = self.place / name, self.work / "old" / name
            waits = name not in self.new or (self.work / "new" / name).exists()
            if waits and not os.path.lexists(aside) and os.path.lexists(here):
                aside.parent.mkdir(parents=True, exist_ok=True)
                os.replace(here, aside)
        for name in self.new:
            made, final = self.work / "new" / name, self.place / name
            if made.exists():
                if os.path.lexists(final):
                    raise FileExistsError(
                        errno.EEXIST, f"{final.name} is in the way. Move it away"
                    )
                final.parent.mkdir(parents=True, exist_ok=True)
                os.replace(made, final)
        _without_empty(self.place, self.old)

    def take_back(self) -> None:
        """Undo all steps that were taken, and the journal with them."""
        for name in self.new:
            made, final = self.work / "new" / name, self.place / name
            if not made.exists() and os.path.lexists(final):
                os.replace(final, made)
        _without_empty(self.place, self.new)
        for name in self.old:
            here, aside = self.place / name, self.work / "old" / name
            if os.path.lexists(aside):
                here.parent.mkdir(parents=True, exist_ok=True)
                os.replace(aside, here)
        (self.work / _JOURNAL).unlink(missing_ok=True)


def _without_empty(place: Path, names: Iterable[str]) -> None:
    """Remove folders inside a place that nothing is left in."""
    inner = {str(p) for name in names for p in PurePosixPath(name).parents}
    for folder in sorted(inner - {"."}, key=len, reverse=True):
        with suppress(OSError):
            (place / folder).rmdir()


def _settle(work: Path, target: Path) -> str:
    """Finish the journal of a dead run; without one its files were not wanted yet."""
    journal, told = work / _JOURNAL, ""
    if journal.exists():
        steps = _read_journal(work, target)
        steps.take()
        journal.unlink()
        told = (
            f"an earlier run was stopped while it put files into {steps.place}; they "
            "have now been put in place, all of them"
        )
    _clear(work)
    return told


def _read_journal(work: Path, target: Path) -> _Steps:
    """Read a journal; one that reaches outside its target was not written here."""
    try:
        content = json.loads((work / _JOURNAL).read_text("utf-8"))
        place = Path(os.path.normpath(work / content["place"]))
        steps = _Steps(work, place, tuple(content["old"]), tuple(content["new"]))
        names = [PurePosixPath(name) for name in (*steps.old, *steps.new)]
        inside = place in (target, target.parent) and all(
            not name.is_absolute()
            and ".." not in name.parts
            and (place / name).parent.resolve().is_relative_to(place.resolve())
            for name in names
        )
    except (ValueError, KeyError, TypeError, RecursionError):
        inside = False
    if not inside:
        raise WriteError(
            f"{work} holds a journal that does not belong to {target}. Move that "
            "folder away, then run it again; nothing was changed."
        )
    return steps
