"""Which photographs can be shown, and why others cannot."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING

import pandas as pd

from pitstats.study.cells import quote
from pitstats.study.problems import ProblemLog

if TYPE_CHECKING:
    from PIL.Image import Image

_LARGEST_FILE = 60_000_000
_MOST_PIXELS = 150_000_000


class UnusableError(Exception):
    """Why a photograph cannot be shown, in a sentence."""


def inside(folder: Path | None, name: str) -> Path:
    """Find a photograph, which must lie inside a folder whatever its name says.

    Parameters
    ----------
    folder : Path or None
        The study's folder; None if the study was not read from one.
    name : str
        Path of the file, starting from the folder.

    Returns
    -------
    Path
        An existing file.

    Raises
    ------
    UnusableError
        If there is none, or it lies elsewhere.
    """
    if folder is None:
        raise UnusableError("the study's folder is not known.")
    rooted = PurePosixPath(name).is_absolute() or PureWindowsPath(name).anchor
    if rooted or "://" in name or "\0" in name:
        raise UnusableError(
            "its path must start from the study's folder. Copy it there and write "
            "for example photos/bake1.jpg."
        )
    place = folder / name.replace("\\", "/")
    try:
        real = place.resolve()
        found = real.is_relative_to(folder.resolve())
        there = real.is_file()
    except (OSError, RuntimeError, ValueError):
        raise UnusableError("its path cannot be read.") from None
    if not found:
        raise UnusableError("it lies outside the study's folder. Copy it there.")
    if not there:
        raise UnusableError("there is no such file in the study's folder.")
    return real


@contextmanager
def opened(file: Path) -> Iterator[Image]:
    """Open a photograph; nothing but its head is read until more is asked for.

    Parameters
    ----------
    file : Path
        An existing file.

    Yields
    ------
    PIL.Image.Image
        A picture of a size that can be handled.

    Raises
    ------
    UnusableError
        If it is no picture, too large or broken, also if that is found later within.
    """
    from PIL import Image, UnidentifiedImageError

    limit = f"{_LARGEST_FILE / 1e6:.0f} MB or {_MOST_PIXELS / 1e6:.0f} megapixels"
    too_large = f"it is larger than {limit}. Save a smaller copy."
    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise UnusableError(too_large)
        with warnings.catch_warnings():
            # Its own warning about many pixels comes before ours can.
            warnings.simplefilter("ignore")
            with Image.open(file) as image:
                if image.width * image.height > _MOST_PIXELS:
                    raise UnusableError(too_large)
                yield image
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        if isinstance(error, UnidentifiedImageError):
            what = "it is not a picture that can be read (JPEG and PNG can)."
        else:
            what = "the file is broken or cannot be opened."
        raise UnusableError(what) from None


def say_photos(bakes: pd.DataFrame, folder: Path, log: ProblemLog) -> None:
    """Say which photographs of kept bakes a report will leave out.

    Parameters
    ----------
    bakes : DataFrame
        Typed, indexed by spreadsheet row.
    folder : Path
        The study's folder.
    log : ProblemLog
        Takes up one assumption for each such photograph.
    """
    shown = bakes.loc[bakes["status"].eq("kept") & bakes["photo"].notna(), "photo"]
    for row, name in shown.items():
        try:
            with opened(inside(folder, name)):
                pass
        except UnusableError as reason:
            log.assume(
                f"bakes row {row}, column photo: {quote(name)} is left out, because "
                f"{str(reason).rstrip('.')}"
            )
