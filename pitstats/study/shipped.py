"""Where the notebooks and demo studies lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path
from typing import Literal


def shipped_folder(kind: Literal["data", "notebooks"]) -> Path:
    """Folder of the shipped demo studies or notebooks."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "_shipped" / kind
    return inside if inside.is_dir() else package.parent / kind
