"""From the grades of an item's faces to its outcome: one rule, used everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.study.schema import FACES, GRADE_COLUMNS
from pitstats.study.settings import Settings


def face_codes(items: pd.DataFrame, settings: Settings) -> np.ndarray:
    """Grades of the faces as numbers, 0 for the palest."""
    code = {grade: float(k) for k, grade in enumerate(settings.grades)}
    columns = [
        items[name].map(code).to_numpy(dtype=float, na_value=np.nan)
        for name in GRADE_COLUMNS
    ]
    return np.column_stack(columns) if len(items) else np.empty((0, len(FACES)))


def deciding_code(codes: np.ndarray, settings: Settings) -> np.ndarray:
    """Grade that decides whether an item is burned."""
    if settings.face != "worst":
        return codes[:, FACES.index(settings.face)]
    darkest: np.ndarray = np.fmax.reduce(codes, axis=1)
    return darkest


def palest_code(codes: np.ndarray) -> np.ndarray:
    """Palest recorded face of each item, NaN where none was graded."""
    palest: np.ndarray = np.fmin.reduce(codes, axis=1)
    return palest
