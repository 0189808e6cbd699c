"""The form of the phone page as XLSForm, for those who already use a form collector.

XLSForm (xlsform.org) is an open standard: a workbook with the sheets survey, choices
and settings. One entry is one item graded, or one bake timed. The form holds what the
page holds: codes in shuffled order and numbers, no pit, grate or place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pitstats.planning.sheet_pages import FACE_NAMES
from pitstats.study.form_names import OTHER, TASKS, choice_name
from pitstats.study.grade_file import VERSION
from pitstats.study.workbook_files import making_workbook, put_text, saved

_SURVEY = (
    "type",
    "name",
    "label",
    "hint",
    "required",
    "relevant",
    "constraint",
    "constraint_message",
    "choice_filter",
    "calculation",
    "parameters",
)
_CHOICES = ("list_name", "name", "label", "session", "again")
_SETTINGS = ("form_title", "form_id", "version", "allow_choice_duplicates")
_GRADING, _TIMING = "${task} != 'times'", "${task} = 'times'"


@making_workbook()
def form_bytes(plan: Mapping[str, Any]) -> bytes:
    """Make the form of a plan as `page_plan` describes it."""
    import openpyxl

    book = openpyxl.Workbook()
    survey = book.active
    survey.title = "survey"
    settings = {
        "form_title": f"Blind grades and times of bakes, plan {plan['plan']}",
        "form_id": f"pitstats_grades_{plan['plan']}",
        "version": str(VERSION),
        "allow_choice_duplicates": "yes",  # codes may come again in another session
    }
    for sheet, columns, rows in (
        (survey, _SURVEY, _survey(plan)),
        (book.create_sheet("choices"), _CHOICES, _choices(plan)),
        (book.create_sheet("settings"), _SETTINGS, [settings]),
    ):
        for position, name in enumerate(columns, start=1):
            put_text(sheet.cell(1, position), name)
            sheet.column_dimensions[sheet.cell(1, position).column_letter].width = 22
        for number, row in enumerate(rows, start=2):
            for position, name in enumerate(columns, start=1):
                put_text(sheet.cell(number, position), row.get(name, ""))
        sheet.freeze_panes = "A2"
    return saved(book)


def _ask(kind: str, name: str, label: str, **more: str) -> dict[str, str]:
    return {"type": kind, "name": name, "label": label} | more


def _survey(plan: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    yield _ask("calculate", "plan", "", calculation=f"'{plan['plan']}'")
    yield _ask(
        "note",
        "about",
        "Grading is blind: codes in shuffled order, no pit, grate or bake. Times are "
        "kept by the person at the fire, who does not grade. Nobody tastes test "
        "items; raw or pasty ones are not served.",
    )
    yield _ask("select_one task", "task", "What you do", required="yes")
    yield _ask("text", "person", "Your name", required="yes")
    yield _ask(
        "select_one session",
        "session",
        "Session, numbered in baking order",
        required="yes",
    )
    yield from _grading(plan["faces"])
    yield from _timing()
    yield _ask("text", "notes", "Notes")


def _grading(faces: Sequence[str]) -> Iterator[dict[str, str]]:
    yield _ask(
        "select_one known",
        "blind",
        "Do you know which item came from which pit?",
        required="yes",
        relevant=_GRADING,
    )
    yield _ask(
        "select_one code",
        "code",
        "Code of the item",
        hint="The order is shuffled: grade from top to bottom.",
        required="yes",
        relevant=_GRADING,
        choice_filter="session = ${session} and (${task} = 'first' or again = 'yes')",
    )
    yield _ask(
        "select_one reason",
        "missing",
        "Why has the item no grade?",
        hint="Leave empty if it can be graded. Missing is not pale.",
        relevant=_GRADING,
    )
    yield _ask(
        "text",
        "other_reason",
        "The reason",
        required="yes",
        relevant=f"${{missing}} = '{OTHER}'",
    )
    for face in faces:
        yield _ask(
            "select_one grade",
            f"grade_{face}",
            f"Grade of the {FACE_NAMES[face]}",
            hint="Grade beside the reference ladder.",
            relevant=f"{_GRADING} and ${{missing}} = ''",
        )
    yield _ask(
        "decimal",
        "rise_mm",
        "Rise in mm, at the tallest point",
        relevant=_GRADING,
        constraint=". >= 0 and . <= 500",
        constraint_message="A number of mm from 0 to 500, such as 41.5.",
    )
    yield _ask(
        "image",
        "photo",
        "Photograph of the item",
        relevant=_GRADING,
        parameters="max-pixels=2000",
    )


def _timing() -> Iterator[dict[str, str]]:
    yield _ask(
        "select_one bake",
        "bake",
        "Bake, numbered in the order of the baking list",
        hint="Put the phone away from fire and hot steel; somebody stays with every "
        "fire.",
        required="yes",
        relevant=_TIMING,
        choice_filter="session = ${session}",
    )
    yield _ask("dateTime", "loaded_at", "Loaded, lid shut", relevant=_TIMING)
    yield _ask(
        "dateTime",
        "unloaded_at",
        "Lid open to unload",
        relevant=_TIMING,
        constraint="${loaded_at} = '' or . > ${loaded_at}",
        constraint_message="The bake ends after it begins.",
    )


def _choices(plan: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    lists = {
        "task": TASKS,
        "known": {"yes": "no, I know only codes", "no": "yes, of some or all"},
        "reason": {choice_name(r): r for r in plan["reasons"]} | {OTHER: "another"},
        "grade": {f"g{k}": _grade_label(g) for k, g in enumerate(plan["grades"])},
        "session": {
            str(s["number"]): f"session {s['number']}" for s in plan["sessions"]
        },
    }
    for name, choices in lists.items():
        for choice, label in choices.items():
            yield {"list_name": name, "name": choice, "label": _plain(label)}
    for session in plan["sessions"]:
        again = {code for tray in session["again"] for code in tray}
        for code in (code for tray in session["trays"] for code in tray):
            yield {
                "list_name": "code",
                "name": choice_name(code),
                "label": _plain(code),
                "session": str(session["number"]),
                "again": "yes" if code in again else "no",
            }
        for bake in session["bakes"]:
            yield {
                "list_name": "bake",
                "name": str(bake),
                "label": f"bake {bake}",
                "session": str(session["number"]),
            }


def _grade_label(grade: Mapping[str, str]) -> str:
    mark = "" if grade["mark"] == grade["name"] else f"{grade['mark']} "
    look = f" ({grade['look']})" if grade["look"] else ""
    return f"{mark}{grade['name']}{look}"


def _plain(label: str) -> str:
    """Keep a label from being read as a reference to another field."""
    return label.replace("${", "$ {")
