"""Files as the page for the phone hands them out, made without it."""

import json

from pitstats.study.blind_plan import plan_id
from pitstats.study.grade_file import check_sum


def item(code, top="", bottom="", **more):
    grades = {"top": top, "bottom": bottom}
    return {
        "code": code,
        "grades": {face: grade for face, grade in grades.items() if grade},
        "missing": "",
        "rise_mm": "",
        "photo": "",
        "notes": "",
    } | more


def sheet(items, person="Ann", sheet="sann0001", kind="first", **more):
    return {
        "sheet": sheet,
        "kind": kind,
        "person": person,
        "changes": len(items),
        "session": 1,
        "blind": True,
        "items": items,
    } | more


def times(bakes, person="Bo", sheet="sbo00001", changes=2):
    return {
        "sheet": sheet,
        "kind": "times",
        "person": person,
        "changes": changes,
        "bakes": bakes,
    }


def timed(bake, loaded_at="", unloaded_at="", notes="", session=1):
    return {
        "session": session,
        "bake": bake,
        "loaded_at": loaded_at,
        "unloaded_at": unloaded_at,
        "notes": notes,
    }


def content(study, *sheets, **changes):
    found = {
        "format": "pitstats grades",
        "version": 1,
        "plan": plan_id(study.bakes, study.items),
        "handed_out": "2026-05-02T16:00:00+02:00",
        "sheets": list(sheets),
    } | changes
    return found | {"sum": check_sum(found)}


def write(path, study, *sheets, **changes):
    text = json.dumps(content(study, *sheets, **changes), ensure_ascii=False, indent=1)
    path.write_text(text, encoding="utf-8")
    return path
