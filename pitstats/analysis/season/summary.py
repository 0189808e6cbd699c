"""What a season needs of one study, small enough to keep beside the season."""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pitstats.errors import WriteError
from pitstats.stats.bake_model import BakeModel
from pitstats.study.atomic import write_file
from pitstats.study.grade_file import check_sum
from pitstats.study.outcomes import bake_totals
from pitstats.study.raw import UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.settings import Settings
from pitstats.study.study import Study

FOLDER = ".pitstats-season"
_VERSION, _SUM = 3, "sum"
_PARTS = {"burned_as", "regraded", "bakes", "excluded", "rates"}
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
    excluded = study.bakes[study.bakes["status"] == "excluded"]
    return {
        "version": _VERSION,
        "burned_as": burned_as(study.settings),
        "regraded": len(study.regrades) > 0,
        "bakes": _rows(columns),
        "excluded": [
            [str(bake), _text(reason)]
            for bake, reason in zip(excluded["bake"], excluded["reason"], strict=True)
        ],
        "rates": _rates(totals, study.settings.conf_level),
    }


def burned_as(settings: Settings) -> str:
    """How a study says which items burned: scale, cut and deciding face."""
    scale = " < ".join(settings.grades)
    return f"{scale}; burned from {settings.burned_from}; face {settings.face}"


def content_hash(path: Path) -> str:
    """Hash of the files a study is read from, whatever they are called above."""
    digest = hashlib.sha256(f"{_VERSION}".encode())
    alone = os.path.lexists(path) and not path.is_dir()
    for file in [path] if alone else sorted(path.iterdir()):
        if file.suffix.lower() in _ENDINGS and file.is_file():
            name = b"" if file == path else file.name.encode()
            # A file that just went makes another hash; reading tells what cannot be.
            with suppress(OSError), file.open("rb") as opened:
                inside = hashlib.file_digest(opened, "sha256")
                digest.update(b"\0" + name + b"\0" + inside.digest())
    return digest.hexdigest()


def kept_summary(season: Path, digest: str) -> dict[str, Any] | None:
    """Read the summary of a study with this content, if a sound one is kept."""
    try:
        found = json.loads(file_bytes(season / FOLDER / f"{digest}.json"))
    except (OSError, ValueError, RecursionError, UnreadableError):
        return None
    sound = isinstance(found, dict) and found.pop(_SUM, None) == check_sum(found)
    sound = sound and found.get("version") == _VERSION
    return found if sound and found.keys() >= _PARTS else None


def keep_summary(season: Path, digest: str, summary: dict[str, Any]) -> None:
    """Keep a summary under the hash of its study, where the season may be written to.

    The name says the content, so that two writers at once write the same file.
    """
    content = summary | {_SUM: check_sum(summary)}
    data = json.dumps(content, ensure_ascii=False).encode("utf-8")
    try:
        write_file(season / FOLDER / f"{digest}.json", data, overwrite=True)
    except WriteError:
        # The folder may only be read, so that studies are read again next time; or
        # another run just writes the very same.
        return


def _rates(totals: pd.DataFrame, conf_level: float) -> list[dict[str, Any]]:
    """Rates of the pits in this study alone, from its bakes as they are."""
    counted = totals[totals["n_items"] > 0]
    if counted.empty:
        return []
    code, pits = pd.factorize(counted["pit"])
    burned = counted["n_burned"].to_numpy(dtype=int)
    items = counted["n_items"].to_numpy(dtype=int)
    found = BakeModel(items, code, conf_level).rates(burned[None])
    columns = {
        "pit": [str(pit) for pit in pits],
        "n_bakes": np.bincount(code).tolist(),
        "n_items": np.bincount(code, items).astype(int).tolist(),
        "n_burned": np.bincount(code, burned).astype(int).tolist(),
        "estimate": found.estimate[0].tolist(),
        "conf_low": found.low[0].tolist(),
        "conf_high": found.high[0].tolist(),
    }
    return _rows(columns)


def _rows(columns: dict[str, list[Any]]) -> list[dict[str, Any]]:
    return [
        dict(zip(columns, row, strict=True))
        for row in zip(*columns.values(), strict=True)
    ]


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
