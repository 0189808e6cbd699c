"""The page for the phone: codes and numbers only, in one file that needs nothing else.

Two tasks share the page but never a screen. The grader sees codes in shuffled order on
a plain tray. Who keeps the times sees bakes by number. Nothing in the file ties a code
to a bake, a pit or a cell; the sealed key and the study do.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import pandas as pd
from markupsafe import Markup

from pitstats.errors import DesignError
from pitstats.planning.protocol import CAUTIONS, DEFERENCE
from pitstats.planning.sheet_pages import grading_codes, ladder_pages, scale_of
from pitstats.study.blind_plan import bake_numbers, plan_id, session_numbers
from pitstats.study.settings import Settings
from pitstats.study.study import Study
from pitstats.study.workbook import MISSING_REASONS

_LARGEST_TRAY = 24


def page_plan(
    study: Study, bakes: pd.DataFrame, items: pd.DataFrame, faces: Sequence[str]
) -> dict[str, Any]:
    """Tell the page its grades, and the codes and bakes of every session."""
    numbers = session_numbers(study.bakes)
    places = bake_numbers(study.bakes)
    again = set(study.regrades["code"].dropna())
    sessions = []
    for name, own in items.groupby("session", sort=False):
        _check_codes(str(name), own["code"])
        own_bakes = bakes.loc[bakes["session"].eq(name), "bake"]
        sessions.append(
            {
                "number": numbers[str(name)],
                "trays": _trays(grading_codes(own)),
                "again": _trays(sorted(set(own["code"]) & again)),
                "bakes": sorted(places[bake][1] for bake in own_bakes),
            }
        )
    return {
        "plan": plan_id(study.bakes, study.items),
        "grades": _grades(study.settings),
        "faces": list(faces),
        "reasons": list(MISSING_REASONS),
        "sessions": sessions,
    }


def page_parts(plan: Mapping[str, Any], sources: Mapping[str, str]) -> dict[str, Any]:
    """Give the template its parts; the page runs this script and style and no other."""
    parts: dict[str, Any] = {
        name: Markup(sources[name]) for name in ("script", "style")
    }
    hashes = {f"{name}_hash": _hash(sources[name]) for name in ("script", "style")}
    about = {"plan": plan, "plan_id": plan["plan"]}
    return parts | hashes | about | {"cautions": CAUTIONS, "deference": DEFERENCE}


def _trays(codes: Sequence[str]) -> list[list[str]]:
    """Cut codes into trays of about one size."""
    count = math.ceil(len(codes) / _LARGEST_TRAY)
    bounds = [round(k * len(codes) / count) for k in range(count + 1)] if count else []
    return [list(codes[a:b]) for a, b in pairwise(bounds)]


def _grades(settings: Settings) -> list[dict[str, str]]:
    marks = scale_of(settings, ("top",)).marks
    steps = [step for page in ladder_pages(settings) for step in page]
    return [
        {"name": name, "mark": mark, "look": step.look, "counts": step.counts_as}
        for name, mark, step in zip(settings.grades, marks, steps, strict=True)
    ]


def _check_codes(session: str, codes: pd.Series) -> None:
    twice = codes[codes.duplicated()]
    if len(twice):
        raise DesignError(
            f"code {twice.iloc[0]} stands for two items of session '{session}', which "
            "a grader could not tell apart. Give every item of a session its own code."
        )


def _hash(source: str) -> str:
    digest = hashlib.sha256(source.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
