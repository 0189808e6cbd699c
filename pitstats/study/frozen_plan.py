"""The plan as it was frozen before the first bake, and what differs from it since.

It holds what was to be done: settings, bakes in their order, the cell and code of every
item, the seed, and the versions that drew them, under one hash. A folder keeps it as
``plan.json``; a workbook ``my_test.xlsx`` has ``my_test.plan.json`` beside it. The hash
shows a later change to whoever saw it before the bakes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from hashlib import sha256
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.errors import DesignError, some
from pitstats.study.atomic import write_file
from pitstats.study.blind_plan import plan_id
from pitstats.study.folder_files import column_texts
from pitstats.study.outcomes import regrades_undone
from pitstats.study.raw import UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.schema import PLACE_COLUMNS
from pitstats.study.settings import Settings
from pitstats.study.study import Study
from pitstats.study.versions import versions

NAME = "plan.json"
_FORMAT = "pitstats plan"
# A new title changes no plan; which looks were taken is known only later.
_NOT_FROZEN = ("title", "looks_taken", "extra")
# The units of what is read during the bakes change no plan that names none.
_STATED_LATER = ("temperature_unit", "length_unit")
_BAKES = ("bake", "pit", "session", "order")
_ITEMS = (*PLACE_COLUMNS, "code")
_NAMED = 5


@dataclass(frozen=True, kw_only=True)
class FrozenPlan:
    """A plan read again.

    Attributes
    ----------
    sha256 : str
        Hash that stands in the file.
    intact : bool
        Whether the file is as it was frozen.
    content : mapping
        What was frozen.
    """

    sha256: str
    intact: bool
    content: Mapping[str, Any]


def plan_path(study: Path) -> Path:
    """Where the plan of a study is kept."""
    if study.is_dir() or study.suffix.lower() not in (".xlsx", ".xlsm"):
        return study / NAME
    return study.with_name(f"{study.stem}.{NAME}")


def plan_bytes(study: Study) -> bytes:
    """Freeze the plan of a study in which nothing was baked."""
    if study.bakes.empty or not study.bakes["status"].eq("planned").all():
        raise DesignError(
            "A plan is frozen before the first bake, but bakes are recorded already."
        )
    content = _plan_of(study)
    return _text({**content, "sha256": _hash(content)})


def write_plan(study: Study, path: Path, *, overwrite: bool = False) -> str:
    """Write the plan of a study beside it; returns its hash."""
    data = plan_bytes(study)
    write_file(plan_path(path), data, overwrite=overwrite)
    return read_plan(data).sha256


def kept_plan(study: Path) -> bytes | None:
    """The plan file of a study as it lies there; no bytes if it may not be read."""
    path = plan_path(study)
    if not os.path.lexists(path):
        return None
    try:
        return file_bytes(path, path.parent)
    except (OSError, UnreadableError):
        return b""


def read_plan(data: bytes) -> FrozenPlan:
    """Read a plan; one that was changed or is none is not intact."""
    try:
        content = json.loads(data)
        stated = content.pop("sha256")
        intact = content["format"] == _FORMAT and stated == _hash(content)
        intact = intact and data == _text({**content, "sha256": stated})
        intact = intact and isinstance(content["settings"], dict)
        intact = intact and all(map(_is_table, (content["bakes"], content["items"])))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return FrozenPlan(sha256="", intact=False, content={})
    return FrozenPlan(sha256=str(stated), intact=intact, content=content)


def plan_changes(data: bytes, study: Study) -> list[str]:
    """What differs between a frozen plan and the record, in sentences."""
    plan = read_plan(data)
    if not plan.intact:
        return [
            f"{NAME} was changed after it was frozen: its hash does not fit. Put back "
            "the file as it was, or say that the plan is lost."
        ]
    then, now = plan.content, _plan_of(study)
    return [
        *_changed_settings(then["settings"], now["settings"]),
        *_changed_bakes(then["bakes"], now["bakes"], study),
        *_moved_items(then["items"], now["items"]),
        *_undone_regrades(study),
    ]


def changed_settings(study: Study) -> dict[str, tuple[str, str]] | None:
    """Settings that are not as the frozen plan has them: then, and now, in words.

    None where no plan lies beside the study, or where it was changed itself.
    """
    plan = None if study.plan is None else read_plan(study.plan)
    if plan is None or not plan.intact:
        return None
    now = json.loads(json.dumps(_frozen_settings(study.settings), default=str))
    return _differing(plan.content["settings"], now)


def _plan_of(study: Study) -> dict[str, Any]:
    settings = study.settings
    extra = settings.extra
    per_bake = study.items.groupby("bake", sort=False).size()
    items = study.items.dropna(subset=["code"])
    planned = [name for name in study.bakes.columns if name not in _BAKES]
    content = {
        "format": _FORMAT,
        "version": 1,
        "plan": plan_id(study.bakes, study.items),
        "seed": extra.get("layout_seed"),
        "rules": list(extra.get("layout_rules", ())),
        "settings": _frozen_settings(settings),
        "design": {
            str(pit): {
                "bakes": len(own),
                "items": [int(per_bake.get(bake, 0)) for bake in own],
            }
            for pit, own in study.bakes.groupby("pit", sort=False)["bake"]
        },
        "bakes": _rows(study.bakes, [*_BAKES, *planned]),
        "items": _rows(items, _ITEMS),
        "versions": versions(("pitstats", "numpy")),
    }
    # As JSON knows it, to be compared with what is read.
    plain: dict[str, Any] = json.loads(json.dumps(content, default=str))
    return plain


def _frozen_settings(settings: Settings) -> dict[str, Any]:
    return {
        field.name: getattr(settings, field.name)
        for field in fields(settings)
        if field.name not in _NOT_FROZEN
    }


def _rows(frame: pd.DataFrame, names: list[str] | tuple[str, ...]) -> list[list[str]]:
    """A header, then rows of texts as the study's files hold them."""
    filled = [name for name in names if name in _BAKES or frame[name].notna().any()]
    columns = [column_texts(frame[name]) for name in filled]
    return [list(filled), *map(list, zip(*columns, strict=True))]


def _is_table(rows: object) -> bool:
    """Whether rows are lists of texts under a header."""
    return (
        isinstance(rows, list)
        and len(rows) > 0
        and all(isinstance(row, list) and row for row in rows)
        and all(isinstance(cell, str) for row in rows for cell in row)
    )


def _changed_settings(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    for name, (was, is_now) in _differing(then, now).items():
        yield f"Setting {name} was {was} in the plan and is {is_now} in the study."


def _differing(
    then: Mapping[str, Any], now: Mapping[str, Any]
) -> dict[str, tuple[str, str]]:
    return {
        name: (_shown(value), _shown(now[name]))
        for name, value in then.items()
        if name in now and now[name] != value and (value or name not in _STATED_LATER)
    }


def _changed_bakes(
    then: list[list[str]], now: list[list[str]], study: Study
) -> Iterator[str]:
    planned, found = (_by_name(rows) for rows in (then, now))
    gone = [name for name in planned if name not in found]
    new = [name for name in found if name not in planned]
    moved = [n for n in planned if n in found and planned[n] != found[n]]
    if gone:
        yield f"Planned but not in the record: {some(gone, _NAMED)}."
    if new:
        yield f"In the record but not planned: {some(new, _NAMED)}."
    if moved:
        yield f"Pit, session or order is not as planned: {some(moved, _NAMED)}."
    left_out = study.bakes.loc[study.bakes["status"] == "excluded", "bake"]
    if len(left_out):
        yield f"Planned and excluded: {some(map(str, left_out), _NAMED)}."


def _by_name(rows: list[list[str]]) -> dict[str, list[str]]:
    return {row[0]: row[1 : len(_BAKES)] for row in rows[1:]}


def _moved_items(then: list[list[str]], now: list[list[str]]) -> Iterator[str]:
    places = {tuple(row) for row in now[1:]}
    n = sum(tuple(row) not in places for row in then[1:])
    if n:
        yield f"{n} of {len(then) - 1} items are not where the plan has their code."


def _undone_regrades(study: Study) -> Iterator[str]:
    """Rows of second gradings that the layout drew, of bakes that were made, empty."""
    n_undone, n_due = regrades_undone(study)
    if n_undone:
        yield f"Second gradings not done: {n_undone} of {n_due} planned ones."


def _shown(value: object) -> str:
    if value in (None, "", []):
        return "not stated"
    return json.dumps(value, ensure_ascii=False)


def _hash(content: Mapping[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return sha256(text.encode("ascii")).hexdigest()


def _text(content: Mapping[str, Any]) -> bytes:
    """One line a setting, a bake and an item, so that a change is easy to see."""
    lines = []
    for name, value in content.items():
        text = json.dumps(value, ensure_ascii=False)
        if isinstance(value, list) and value and isinstance(value[0], list):
            rows = ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in value)
            text = f"[\n  {rows}\n ]"
        lines.append(f" {json.dumps(name)}: {text}")
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()
