"""Somebody has only counts: say 3 of 18 against 7 of 16."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.settings import Settings
from pitstats.study.study import Study


def study_from_counts(
    pits: Sequence[str],
    items: Sequence[int],
    burned: Sequence[int],
    *,
    title: str = "Counts of two or more pits",
    question: str = "Is the difference more than noise?",
    margin: float | None = None,
    conf_level: float = 0.95,
) -> Study:
    """Make a study of counts, one entry per bake.

    Parameters
    ----------
    pits : sequence of str
        Pit of each bake.
    items, burned : sequence of int
        Graded and burned items of each bake.
    title, question : str
        Shown in the report.
    margin : float, optional
        Smallest difference that would change advice.
    conf_level : float, default 0.95
        Level of all intervals.

    Returns
    -------
    Study
        With totals only.

    Raises
    ------
    DesignError
        If the three sequences do not go together.
    InvalidStudyError
        If a count is impossible.

    Examples
    --------
    >>> study_from_counts(["A", "B"], [18, 16], [3, 7])
    Study('Counts of two or more pits': 2 pits, 2 bakes, 34 items)
    """
    lengths = {"pits": len(pits), "items": len(items), "burned": len(burned)}
    if len(set(lengths.values())) > 1 or not pits:
        found = ", ".join(f"{name} {n}" for name, n in lengths.items())
        raise DesignError(
            f"Give one entry per bake in pits, items and burned; found {found}."
        )
    names = [str(pit) for pit in pits]
    turn = pd.Series(names).groupby(names).cumcount() + 1
    bakes = [f"{pit}-{k}" for pit, k in zip(names, turn, strict=True)]
    return Study(
        settings=Settings(
            title=title,
            question=question,
            temperature_rule="tuned",
            margin=margin,
            conf_level=conf_level,
        ),
        pits=pd.DataFrame({"pit": list(dict.fromkeys(names))}),
        bakes=pd.DataFrame({"bake": bakes, "pit": names}),
        counts=pd.DataFrame(
            {"bake": bakes, "n_items": list(items), "n_burned": list(burned)}
        ),
    )
