"""What a season needs of one study, small enough to keep beside the season."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.analysis.rates.rates import estimate_burn_rates
from pitstats.errors import DesignError, WriteError
from pitstats.study.atomic import write_file
from pitstats.study.outcomes import bake_totals
from pitstats.study.settings import Settings
from pitstats.study.study import Study

FOLDER = ".pitstats-season"
_VERSION = 1
_PER_BAKE = ("session", "tender", "grader")
_COUNTS = ("n_items", "n_burned", "n_missing")
_ENDINGS = (".csv", ".tsv", ".txt", ".toml", ".xlsx", ".xlsm")


def summarize_study(study: Study) -> dict[str, Any]:
    """Totals, people and fingerprint of every kept bake, and the rates of the pits."""
    totals = bake_totals(study)
    bakes = study.bakes.set_index("bake").loc[totals["bake"]]
    columns: dict[str, list[Any]] = {
        **{name: [str(value) for value in totals[name]] for name in ("bake", "pit")},
        **{name: [_text(value) for value in bakes[name]] for name in _PER_BAKE},
        **{name: [int(value) for value in totals[name]] for name in _COUNTS},
        "fingerprint": _fingerprints(study, totals),
    }
    rows = [
        dict(zip(columns, row, strict=True))
        for row in zip(*columns.values(), strict=True)
    ]
    excluded = study.bakes[study.bakes["status"] == "excluded"]
    return {
        "version": _VERSION,
        "title": study.settings.title,
        "burned_as": burned_as(study.settings),
        "conf_level": study.settings.conf_level,
        "bakes": rows,
        "excluded": [
            [str(bake), _text(reason)]
            for bake, reason in zip(excluded["bake"], excluded["reason"], strict=True)
        ],
        "rates": _rates(study),
    }


def burned_as(settings: Settings) -> str:
    """How a study says which items burned: scale, cut and deciding face."""
    scale = " < ".join(settings.grades)
    return f"{scale}; burned from {settings.burned_from}; face {settings.face}"


def content_hash(path: Path) -> str:
    """Hash of the files a study is read from, whatever they are called above."""
    digest = hashlib.sha256(f"{_VERSION}".encode())
    files = [path] if path.is_file() else sorted(path.iterdir())
    for file in files:
        if file.is_file() and file.suffix.lower() in _ENDINGS:
            digest.update(
                b"\0" + (file.name.encode() if path.is_dir() else b"") + b"\0"
            )
            digest.update(file.read_bytes())
    return digest.hexdigest()


def kept_summary(season: Path, digest: str) -> dict[str, Any] | None:
    """Read the summary of a study with this content, if a sound one is kept."""
    try:
        found = json.loads((season / FOLDER / f"{digest}.json").read_text("utf-8"))
    except (OSError, ValueError):
        return None
    sound = isinstance(found, dict) and found.get("version") == _VERSION
    return found if sound else None


def keep_summary(season: Path, digest: str, summary: dict[str, Any]) -> None:
    """Keep a summary under the hash of its study, where the season may be written to.

    The name says the content, so that two writers at once write the same file.
    """
    data = json.dumps(summary, ensure_ascii=False).encode("utf-8")
    try:
        write_file(season / FOLDER / f"{digest}.json", data, overwrite=True)
    except WriteError:
        return  # a folder that may only be read; the studies are read again next time


def _rates(study: Study) -> list[dict[str, Any]]:
    try:
        table = estimate_burn_rates(study).table
    except DesignError:
        return []
    shown = ["pit", "n_bakes", "n_items", "n_burned", "estimate", "conf_low"]
    frame = table[[*shown, "conf_high"]]
    return [
        {str(name): _plain(value) for name, value in row.items()}
        for row in frame.to_dict("records")
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return value
    return None if pd.isna(value) else float(value)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def _fingerprints(study: Study, totals: pd.DataFrame) -> list[str]:
    """Hash of what was graded in each bake, by place, or of its counts."""
    columns = ["grate", "row", "column", "code", "burned", "missing"]
    columns += [name for name in study.items.columns if str(name).startswith("grade_")]
    lines: dict[str, list[str]] = {}
    cells = [study.items[name].astype("str") for name in columns]
    for bake, *line in zip(study.items["bake"], *cells, strict=True):
        lines.setdefault(str(bake), []).append("\x1f".join(map(str, line)))
    counts = totals["n_items"].astype(str) + "/" + totals["n_burned"].astype(str)
    return [
        _short_hash("\n".join(sorted(lines.get(str(bake), [count]))))
        for bake, count in zip(totals["bake"], counts, strict=True)
    ]


def _short_hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:24]
