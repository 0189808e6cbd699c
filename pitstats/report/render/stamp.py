"""What a page was made of: notebook, data, parameters, versions."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from pitstats.report.render.parameters import Declared
from pitstats.study.versions import versions

# Packages whose version can change a number or a picture.
_STAMPED = (
    "pitstats",
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "matplotlib",
    "seaborn",
    "papermill",
    "nbconvert",
)


def stamp_of(
    source: Path,
    study: Path | None,
    values: Mapping[str, object],
    declared: Declared,
    *,
    plan: str,
    dated: bool,
) -> list[tuple[str, str]]:
    """What stands at the foot of a page, and in its notebook; no line without words."""
    seed = declared.used(values).get("seed", "not used")
    data = "" if study is None else f"{study.name}, SHA-256 {data_hash(study)}"
    made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC") if dated else ""
    stamp = {
        "Notebook": source.stem,
        "Data": data,
        "Plan": plan,
        "Parameters": declared.shown(values),
        "Made": made,
        "Randomness": f"seed {seed}; the quasi-random points of the method are fixed",
        "Versions": ", ".join(map(" ".join, versions(_STAMPED).items())),
    }
    return [(name, text) for name, text in stamp.items() if text]


def data_hash(study: Path) -> str:
    """SHA-256 over the names and bytes of a study's files, in order of their names.

    Examples
    --------
    >>> from pitstats.study.demo import demo_folder
    >>> len(data_hash(demo_folder("four_pits")))
    64
    """
    digest = hashlib.sha256()
    files = [study] if study.is_file() else sorted(study.glob("*"))
    for path in files:
        if path.is_file() and path.suffix in (".csv", ".toml", ".xlsx"):
            digest.update(path.name.encode() + b"\0")
            digest.update(path.read_bytes())
    return digest.hexdigest()
