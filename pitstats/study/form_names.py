"""Names of the form for form collectors, shared by who writes it and who reads it.

XLSForm (xlsform.org) gives every choice a short name beside its label; exports hold the
names. They are made here, so that what was written is read back as what was meant.
"""

from __future__ import annotations

import re

from pitstats.study.schema import GRADE_COLUMNS

TASKS = {
    "first": "grade items",
    "second": "grade some items again, after the first grading was handed in",
    "times": "keep the times of bakes",
}
OTHER = "other"
#: Fields of the form, in the order in which they are asked.
FIELDS = (
    "plan",
    "task",
    "person",
    "session",
    "blind",
    "code",
    "missing",
    "other_reason",
    *GRADE_COLUMNS,
    "rise_mm",
    "photo",
    "bake",
    "loaded_at",
    "unloaded_at",
    "notes",
)

_PLAIN = re.compile(r"[A-Za-z0-9_-]+")


def choice_name(text: str) -> str:
    """Name of a choice: the text itself if it may be one, else its letters in hex."""
    plain = text.replace(" ", "_")
    if _PLAIN.fullmatch(plain):
        return plain
    return f"x{text.encode('utf-8', 'backslashreplace').hex()}"


def grade_names(grades: tuple[str, ...]) -> dict[str, str]:
    """Grades by the names of their choices."""
    return {f"g{k}": grade for k, grade in enumerate(grades)}
