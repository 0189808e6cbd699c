"""Write files whole or not at all, and never over others unasked."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from pitstats.errors import ExistsError, WriteError


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
    if path.is_dir():
        raise ExistsError(f"{path} is a folder. Choose another name.")
    if path.exists() and not overwrite:
        raise ExistsError(
            f"{path} exists. Choose another name, or replace it with overwrite=True."
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            _open_to_others(Path(name), 0o666)
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise WriteError(f"{path} cannot be written: {error.strerror}.") from error


def _open_to_others(path: Path, mode: int) -> None:
    """Give a temporary file or folder the rights that a new one would have."""
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(mode & ~mask)


def write_folder(
    path: Path, files: Mapping[str, bytes], replaced: list[str], *, overwrite: bool
) -> None:
    """Write files into a folder: all of them, or none.

    Parameters
    ----------
    path : Path
        The folder; made if it is not there.
    files : mapping of str to bytes
        Content by file name.
    replaced : list of str
        Names of files in the folder that the new ones replace; all other files in it
        stay.
    overwrite : bool
        Whether the folder may hold anything beforehand.

    Raises
    ------
    ExistsError
        If the folder is not empty and may not be changed, or is a file.
    WriteError
        If it cannot be written; what was there is put back.
    """
    if path.exists() and not path.is_dir():
        raise ExistsError(f"{path} is a file. Choose another name for the folder.")
    if path.is_dir() and any(path.iterdir()) and not overwrite:
        raise ExistsError(
            f"{path} is not empty. Choose another name, or replace what is there with "
            "overwrite=True."
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
        try:
            new, old = work / "new", work / "old"
            new.mkdir()
            old.mkdir()
            for name, data in files.items():
                (new / name).write_bytes(data)
            _exchange(path, new, old, replaced)
        finally:
            shutil.rmtree(work, ignore_errors=True)
    except OSError as error:
        raise WriteError(f"{path} cannot be written: {error.strerror}.") from error


def _exchange(path: Path, new: Path, old: Path, replaced: list[str]) -> None:
    """Move the new files in; on any failure put everything back."""
    if not path.exists():
        os.replace(new, path)
        return
    moved: list[tuple[Path, Path]] = []
    try:
        for name in replaced:
            os.replace(path / name, old / name)
            moved.append((old / name, path / name))
        for file in sorted(new.iterdir()):
            target = path / file.name
            if target.exists():
                raise IsADirectoryError(
                    0, f"something other than a file is called {file.name}"
                )
            os.replace(file, target)
            moved.append((target, file))
    except BaseException:
        for here, back in reversed(moved):
            os.replace(here, back)
        raise
