"""Photographs of bakes: small copies that show the grate and tell nothing else.

A copy is drawn anew from the pixels, so the place, time and camera that a telephone
writes into its files do not travel with a report.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from html import escape
from pathlib import Path

import pandas as pd

from pitstats.study.cells import quote
from pitstats.study.html_text import isolated
from pitstats.study.photos import UnusableError, inside, opened
from pitstats.study.study import Study

LARGEST_SIDE = 640
_QUALITY = 82


@dataclass(frozen=True)
class Photo:
    """A photograph's small copy, or a sentence that says why there is none."""

    bake: str
    jpeg: bytes = b""
    size: tuple[int, int] = (0, 0)
    problem: str = ""


def bake_photos(study: Study) -> dict[str, Photo]:
    """Small copies of the photographs that the kept bakes name."""
    return {
        str(bake): read_photo(study.source, str(bake), str(name))
        for bake, name in photographed(study).items()
    }


def photographed(study: Study) -> pd.Series:
    """Photographs that the kept bakes name, by bake."""
    return study.kept.set_index("bake")["photo"].dropna()


def read_photo(folder: Path | None, bake: str, name: str) -> Photo:
    """Make a small copy of a photograph inside a folder."""
    try:
        file = inside(folder, name)
        jpeg, size = _small_copy(file)
    except UnusableError as reason:
        told = f"The photograph {quote(name)} of bake {bake} is not shown: {reason}"
        return Photo(bake, problem=told)
    return Photo(bake, jpeg, size)


def _small_copy(file: Path) -> tuple[bytes, tuple[int, int]]:
    """Draw the pixels on a new white sheet, which carries nothing else along."""
    from PIL import Image, ImageOps

    with opened(file, 2 * LARGEST_SIDE) as image:
        # Made small first: turning copies every pixel.
        image.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
        shown = ImageOps.exif_transpose(image).convert("RGBA")
    sheet = Image.new("RGB", shown.size, "white")
    sheet.paste(shown, mask=shown.getchannel("A"))
    buffer = io.BytesIO()
    sheet.save(buffer, format="JPEG", quality=_QUALITY, optimize=True)
    return buffer.getvalue(), sheet.size


def photo_html(photo: Photo, caption: str) -> str:
    """Write a photograph into a page, with a text alternative."""
    data = base64.b64encode(photo.jpeg).decode("ascii")
    width, height = photo.size
    return (
        f'<figure class="photo" style="max-width:{min(width, 420)}px">'
        f'<img src="data:image/jpeg;base64,{data}" width="{width}" height="{height}" '
        f'alt="{escape(caption)}"><figcaption>{isolated(caption)}</figcaption></figure>'
    )
