"""Which photographs can be shown, and why others cannot."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING

import pandas as pd

from pitstats.study.cells import listing, quote
from pitstats.study.problems import ProblemLog

if TYPE_CHECKING:
    from PIL.Image import Image

_KINDS = ("JPEG", "PNG", "WEBP")
_LARGEST_FILE = 60_000_000
#: Of a JPEG, of which an eighth a side can be read, and of what is read whole.
_MOST_PIXELS, _MOST_PIXELS_WHOLE = 220_000_000, 36_000_000


class UnusableError(Exception):
    """Why a photograph cannot be shown, in a sentence."""


def inside(folder: Path | None, name: str) -> Path:
    """Find a photograph, which must lie inside a folder whatever its name says."""
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


def picture_kinds() -> tuple[str, ...]:
    """Kinds of picture that are opened: no other reader ever sees a file.

    A picture library also knows kinds that are programs (PostScript) or rarely looked
    after. HEIC needs a plugin and is told to be missing without it.
    """
    with suppress(ImportError):
        import pillow_heif

        pillow_heif.register_heif_opener()
        return (*_KINDS, "HEIF")
    return _KINDS


@contextmanager
def opened(file: Path, side: int | None = None) -> Iterator[Image]:
    """Open a photograph; nothing but its head is read until more is asked for."""
    from PIL import Image, UnidentifiedImageError

    try:
        if file.stat().st_size > _LARGEST_FILE:
            raise UnusableError(_too_large(f"{_LARGEST_FILE / 1e6:.0f} MB"))
        with warnings.catch_warnings():
            # Its own warnings, about many pixels or odd heads, help no cook.
            warnings.simplefilter("ignore")
            with Image.open(file, formats=picture_kinds()) as image:
                most = _most_pixels(image)
                if image.width * image.height > most:
                    raise UnusableError(_too_large(f"{most / 1e6:.0f} megapixels"))
                if side is not None:
                    image.draft("RGB", (side, side))
                yield image
    except UnusableError:
        raise
    except UnidentifiedImageError:
        kinds = listing(["JPEG", "PNG", "WebP", *picture_kinds()[len(_KINDS) :]], "and")
        raise UnusableError(
            f"it is not a picture that can be read ({kinds} can)."
        ) from None
    except Exception:  # a hostile file can make a reader fail with anything
        raise UnusableError("the file is broken or cannot be opened.") from None


def _too_large(limit: str) -> str:
    return f"it is larger than {limit}. Save a smaller copy."


def _most_pixels(image: Image) -> int:
    """Pixels that can be read in bounded memory: many only where parts will do."""
    in_parts = image.format in ("JPEG", "MPO") and not image.info.get("progressive")
    return _MOST_PIXELS if in_parts else _MOST_PIXELS_WHOLE


def say_photos(bakes: pd.DataFrame, folder: Path, log: ProblemLog) -> None:
    """Say which photographs of kept bakes a report will leave out."""
    shown = bakes.loc[bakes["status"].eq("kept") & bakes["photo"].notna(), "photo"]
    for row, name in zip(map(int, shown.index), shown, strict=True):
        try:
            with opened(inside(folder, name)):
                pass
        except UnusableError as reason:
            message = f"{quote(name)} is left out, because {str(reason).rstrip('.')}"
            log.assume(message, "bakes", row, "photo")
