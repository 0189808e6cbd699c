"""Somebody has only counts: say 3 of 18 against 7 of 16."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pitstats.errors import DesignError, InvalidStudyError, Problem
from pitstats.study.settings import Settings
from pitstats.study.study import FIRST_ROW, Study


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
    settings = Settings(
        title=title,
        question=question,
        temperature_rule="tuned",
        margin=margin,
        conf_level=conf_level,
    )
    counts = {"bake": bakes, "n_items": list(items), "n_burned": list(burned)}
    try:
        return Study(
            settings=settings,
            pits=pd.DataFrame({"pit": list(dict.fromkeys(names))}),
            bakes=pd.DataFrame({"bake": bakes, "pit": names}),
            counts=pd.DataFrame(counts),
        )
    except InvalidStudyError as error:
        own = map(_of_entry, error.problems)
        raise InvalidStudyError(own, "the counts") from None


def _of_entry(problem: Problem) -> Problem:
    """The problem of a row as one of the entry that was given."""
    name = {"n_items": "items", "n_burned": "burned"}.get(problem.column or "")
    if name is None or problem.row is None:
        return problem
    where = f"{name}, entry {problem.row - FIRST_ROW + 1}"
    return Problem(where, None, None, problem.message)
