"""Write files whole or not at all, and never over others unasked."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TypeAlias

from pitstats.errors import ExistsError
from pitstats.study.made import list_name, made_list, replaceable
from pitstats.study.switch import Switch, is_work, switching

PathLike: TypeAlias = str | os.PathLike[str]


def write_file(path: Path, data: bytes, *, overwrite: bool) -> None:
    """Write one file, or nothing."""
    refuse_file(path, overwrite)
    with switching(path) as switch:
        refuse_file(path, overwrite)  # another run may have been quicker
        made = switch.new / path.name
        made.write_bytes(data)
        os.replace(made, path)


def refuse_file(path: Path, overwrite: bool) -> None:
    """Refuse to take the place of a file or folder that is there, unless asked to."""
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
    """Write files into a folder: all of them, or none."""
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
    """Put all that was made into a folder that others write into too."""
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
