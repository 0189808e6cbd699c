"""How many items got each grade."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.study.grading import deciding_code, face_codes
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study


def count_grades(study: Study) -> pd.DataFrame:
    """Count items by the grade of the face that decides "burned".

    Parameters
    ----------
    study : Study
        A valid study.

    Returns
    -------
    pandas.DataFrame
        One row per pit and grade, in the order of the pits and of the grade scale:
        ``pit, grade, n_items, share``; the share is of the pit's graded items. The
        last row of a pit, ``grade`` = ``"missing"``, counts items without a grade;
        its share is of all items placed. Pits without grades are left out.

    Examples
    --------
    >>> import pitstats as ps
    >>> counts = count_grades(ps.demo_study("one_bake_each"))
    >>> counts["grade"].drop_duplicates().tolist()
    ['raw', 'light', 'golden', 'dark', 'burned', 'missing']
    """
    items = item_outcomes(study)
    settings = study.settings
    code = deciding_code(face_codes(items, settings), settings)
    code[items["burned"].isna().to_numpy()] = np.nan
    rows = []
    for pit in study.pits["pit"]:
        of_pit = (items["pit"] == pit).to_numpy()
        own, graded = items[of_pit], code[of_pit & ~np.isnan(code)]
        if not len(graded):
            continue
        for step, grade in enumerate(settings.grades):
            n = int((graded == step).sum())
            rows.append((pit, grade, n, n / len(graded)))
        n_missing = int(own["burned"].isna().sum())
        rows.append((pit, "missing", n_missing, n_missing / len(own)))
    return pd.DataFrame(rows, columns=["pit", "grade", "n_items", "share"])
