"""The record: rules, fairness, maps and grades."""

from __future__ import annotations

import pandas as pd

from pitstats.report.wording.numbers import listed, one_line
from pitstats.study.settings import Settings


def grades_caption(settings: Settings) -> str:
    """Say which face the bars of grades show."""
    face = "darkest recorded face" if settings.face == "worst" else settings.face
    return (
        f"Grade of the {face} of every graded item, palest first; numbers are items. "
        "Missing items are not in the bars."
    )


def grades_in_words(counts: pd.DataFrame) -> str:
    """Describe the bars of grades for those who cannot see them."""
    parts = []
    for pit, own in counts.groupby("pit", sort=False):
        grades = [
            f"{n_items} {one_line(grade)}"
            for n_items, grade in zip(own["n_items"], own["grade"], strict=True)
        ]
        parts.append(f"{one_line(pit)}: {listed(grades)}.")
    return " ".join(parts)
