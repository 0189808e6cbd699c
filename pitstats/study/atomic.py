"""Write files whole or not at all, and never over others unasked."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from pathlib import Path

from pitstats.errors import ExistsError
from pitstats.study.made import list_name, made_list, replaceable
from pitstats.study.switch import Switch, is_work, switching


def write_file(path: Path, data: bytes, *, overwrite: bool) -> None:
    """Write one file, or nothing.

    Parameters
    ----------
    path : Path
        Its folder is made if need be.
    data : bytes
        The whole content.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ExistsError
        If something is there and may not be replaced.
    WriteError
        If it cannot be written.
    """
    _refuse_file(path, overwrite)
    with switching(path) as switch:
        _refuse_file(path, overwrite)  # another run may have been quicker
        made = switch.new / path.name
        made.write_bytes(data)
        os.replace(made, path)


def _refuse_file(path: Path, overwrite: bool) -> None:
    if path.is_dir():
        raise ExistsError(f"{path} is a folder. Choose another name.")
    if os.path.lexists(path) and not overwrite:
        raise ExistsError(
            f"{path} exists. Choose another name, or replace it with overwrite=True."
        )


def write_folder(
    path: Path,
    files: Mapping[str, bytes],
    *,
    kind: str | None,
    overwrite: bool,
    replaced: Collection[str] = (),
    unless_changed: Collection[str] = (),
    untouched: Collection[str] = (),
) -> None:
    """Write files into a folder: all of them, or none.

    Parameters
    ----------
    path : Path
        The folder; made if it is not there.
    files : mapping of str to bytes
        Content by name inside the folder.
    kind : str or None
        What the files are, such as ``"study"``; each kind has a list of its own. None
        for files that hold what somebody recorded, which are never on a list.
    overwrite : bool
        Whether the folder may hold anything beforehand.
    replaced : collection of str
        Names of files in the folder that the new ones replace whatever they hold.
    unless_changed : collection of str
        Names that may be replaced if pitstats made them and nobody changed them since,
        and that must not stay beside the new files.
    untouched : collection of str
        Names that stay even if pitstats made them. All other files stay too.

    Raises
    ------
    ExistsError
        If the folder is not empty and may not be changed, is a file, or holds
        somebody's work in the way.
    WriteError
        If it cannot be written; what was there is put back.
    """
    _refuse_folder(path, overwrite)
    with switching(path) as switch:
        _refuse_folder(path, overwrite)
        content, old = dict(files), set(replaced)
        if kind is not None:
            listing = list_name(kind)
            content[listing] = made_list(files)
            if path.is_dir():
                known = {*replaced, *untouched}
                old |= set(replaceable(path, listing, files, unless_changed, known))
        for name, data in content.items():
            made = switch.new / name
            made.parent.mkdir(parents=True, exist_ok=True)
            made.write_bytes(data)
        if path.exists():
            switch.put_into(path, sorted(old), list(content))
        else:
            switch.put_as_whole()


def publish(switch: Switch, folder: Path, *, listing: str) -> None:
    """Put all that was made into a folder that others write into too.

    Parameters
    ----------
    switch : Switch
        Holds the new files.
    folder : Path
        The folder; what an earlier run of the same target made there goes, everything
        else stays.
    listing : str
        Name of the list of what is made, which is added.

    Raises
    ------
    ExistsError
        If a file of the earlier run was changed since, or another is in the way.
    """
    files = {
        file.relative_to(switch.new).as_posix(): file.read_bytes()
        for file in sorted(switch.new.rglob("*"))
        if file.is_file()
    }
    old = replaceable(folder, listing, files)
    (switch.new / listing).write_bytes(made_list(files))
    switch.put_into(folder, old, [*files, listing])


def _refuse_folder(path: Path, overwrite: bool) -> None:
    if path.exists() and not path.is_dir():
        raise ExistsError(f"{path} is a file. Choose another name for the folder.")
    if overwrite or not path.is_dir():
        return
    if not all(is_work(entry) for entry in path.iterdir()):
        raise ExistsError(
            f"{path} is not empty and was left as it is. Choose another name, or "
            "replace what pitstats made there with overwrite=True."
        )
