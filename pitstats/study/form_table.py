"""The table that a form collector exports of the XLSForm, as sheets of one plan."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pitstats.study.cells import quote, visible
from pitstats.study.form_names import FIELDS, OTHER, TASKS, choice_name, grade_names
from pitstats.study.grade_file import (
    GradeFile,
    Sheet,
    file_text,
    holds_invisible,
    item_of,
    timed_bake_of,
)
from pitstats.study.raw import UnreadableError
from pitstats.study.schema import FACES
from pitstats.study.workbook import MISSING_REASONS

_GROUP = re.compile(r".*[/:.-]")  # exports may put the name of the form in front
_NEEDED = ("plan", "task", "person", "session")


def read_form_table(
    path: Path, codes: Iterable[str], grades: tuple[str, ...]
) -> tuple[GradeFile, list[str]]:
    """Read the table of a form collector."""
    text = file_text(path)
    rows, left_out = _rows(text)
    plans = list(dict.fromkeys(row["plan"] for row in rows))
    if len(plans) != 1:
        raise UnreadableError(
            f"its column plan holds {len(plans)} plans. Export the form of one plan."
        )
    known = {choice_name(code): code for code in codes}
    groups: dict[tuple[str, str, str], list[dict[str, str]]] = {}
    for row in rows:
        key = (row["task"], row["person"], row["session"])
        groups.setdefault(key, []).append(row)
    sheets = tuple(
        _sheet(path.name, plans[0], key, own, known, grade_names(grades))
        for key, own in groups.items()
    )
    file = GradeFile(
        name=path.name, plan=plans[0], sheets=sheets, invisible=holds_invisible(text)
    )
    return file, left_out


def _rows(text: str) -> tuple[list[dict[str, str]], list[str]]:
    """Split the table into entries by the names of the form's fields."""
    header = text[: text.find("\n")] if "\n" in text else text
    separator = max(",;\t", key=header.count)
    try:
        records = list(csv.reader(io.StringIO(text), delimiter=separator, strict=True))
    except csv.Error as error:
        raise UnreadableError(
            f"its quote marks do not fit together ({error}). Export it again."
        ) from None
    headers = records[0] if records else []
    names = [_GROUP.sub("", name).strip() for name in headers]
    lacking = [name for name in _NEEDED if name not in names]
    twice = [name for name in FIELDS if names.count(name) > 1]
    if lacking or twice:
        what = f"no column {lacking[0]}" if lacking else f"two columns {twice[0]}"
        raise UnreadableError(
            f"it has {what}, so it is no table of grade_form.xlsx. Export it again as "
            "CSV with the names of the choices, or give the file of grade.html."
        )
    at = {name: names.index(name) for name in FIELDS if name in names}
    rows = [
        {
            name: visible(record[at[name]]).strip()
            if at.get(name, 10**9) < len(record)
            else ""
            for name in FIELDS
        }
        for record in records[1:]
        if any(record)
    ]
    return rows, [h for h, name in zip(headers, names, strict=True) if name not in at]


def _sheet(
    file: str,
    plan: str,
    key: tuple[str, str, str],
    rows: list[dict[str, str]],
    codes: Mapping[str, str],
    grades: Mapping[str, str],
) -> Sheet:
    task, person, session = key
    if task not in TASKS or not re.fullmatch(r"[0-9]{1,6}", session):
        raise UnreadableError(
            f"it holds the task {quote(task)} in session {quote(session)}, which the "
            "form never writes. Export it with the names of the choices."
        )
    mark = hashlib.sha256("\n".join((plan, *key)).encode("utf-8")).hexdigest()[:12]
    about: dict[str, Any] = {"sheet": f"s{mark}", "kind": task, "person": person}
    about |= {"changes": len(rows), "file": file}
    if task == "times":
        return Sheet(bakes=tuple(map(timed_bake_of, _by_bake(rows, session))), **about)
    items = tuple(item_of(_item(row, codes, grades)) for row in rows)
    blind = all(row["blind"] != "no" for row in rows)
    return Sheet(session=int(session), blind=blind, items=items, **about)


def _item(
    row: Mapping[str, str], codes: Mapping[str, str], grades: Mapping[str, str]
) -> dict[str, Any]:
    reasons = {choice_name(r): r for r in MISSING_REASONS} | {OTHER: ""}
    missing = reasons.get(row["missing"], row["missing"]) or row["other_reason"]
    found = {face: row[f"grade_{face}"] for face in FACES}
    return {
        "code": codes.get(row["code"], row["code"]),
        "grades": {
            face: grades.get(name, name) for face, name in found.items() if name
        },
        "missing": missing,
        "rise_mm": row["rise_mm"],
        "photo": row["photo"],
        "notes": row["notes"],
    }


def _by_bake(rows: Iterable[Mapping[str, str]], session: str) -> list[dict[str, Any]]:
    """Put the entries of one bake together: begin and end may come one by one."""
    bakes: dict[str, dict[str, Any]] = {}
    for row in rows:
        if not re.fullmatch(r"[0-9]{1,6}", row["bake"]):
            raise UnreadableError(
                f"it times the bake {quote(row['bake'])}; bakes have numbers."
            )
        entry = bakes.setdefault(
            row["bake"], {"session": int(session), "bake": int(row["bake"])}
        )
        for name in ("loaded_at", "unloaded_at", "notes"):
            if entry.get(name) and row[name] and entry[name] != row[name]:
                raise UnreadableError(
                    f"bake {row['bake']} of session {session} has two values of "
                    f"{name}: {quote(entry[name])} and {quote(row[name])}. Leave one "
                    "of them out."
                )
            entry[name] = entry.get(name) or row[name]
    return list(bakes.values())
