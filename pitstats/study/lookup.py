"""Where a relative path may lead: to the working folder, or beside the notebook."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pitstats.study.cells import listing

#: Folders that a report, which runs its notebook elsewhere, has it look in.
_FOLDERS = "PITSTATS_LOOK_IN"
#: What JupyterLab tells a kernel of its notebook.
_NOTEBOOK = "JPY_SESSION_NAME"


def found(path: str | os.PathLike[str]) -> Path:
    """Find a path: in the working folder, else beside the notebook.

    A path that is nowhere comes back as it is.
    """
    place = Path(path)
    if place.is_absolute():
        return place
    there = (folder / place for folder in _folders() if (folder / place).exists())
    return next(there, place) if not place.exists() else place


def looked_in(path: str | os.PathLike[str]) -> str:
    """Sentence that says where a path was looked for, with a blank before it."""
    if Path(path).is_absolute():
        return ""
    folders = dict.fromkeys([os.getcwd(), *map(str, _folders())])
    return f" Looked in {listing(list(folders), 'and')}."


def _folders() -> list[Path]:
    named = os.environ.get(_FOLDERS, "")
    folders = [Path(folder) for folder in named.split(os.pathsep) if folder]
    notebook = os.environ.get(_NOTEBOOK, "") if "IPython" in sys.modules else ""
    if notebook.endswith(".ipynb"):
        folders.append(Path(notebook).parent)
    return [folder for folder in folders if folder.is_absolute()]


@contextmanager
def looking_in(folders: Iterable[Path]) -> Iterator[None]:
    """Have kernels that are started in this block look in some folders too."""
    before = os.environ.get(_FOLDERS)
    os.environ[_FOLDERS] = os.pathsep.join(str(f.resolve()) for f in folders)
    try:
        yield
    finally:
        if before is None:
            del os.environ[_FOLDERS]
        else:
            os.environ[_FOLDERS] = before
