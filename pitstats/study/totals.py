"""Rows that add up others, and tables in which the results are missing altogether."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from pitstats.study.cells import quote
from pitstats.study.context import Context
from pitstats.study.problems import ProblemLog
from pitstats.study.schema import RESULT_COLUMNS

_WORDS = frozenset(
    (
        *("total", "totals", "subtotal", "sub-total", "sum", "sums", "all", "overall"),
        *("mean", "means", "average", "averages", "median"),
    )
)
_KEYS = (("pits", "pit"), ("bakes", "bake"), ("counts", "bake"), ("items", "bake"))
_LEAST_ROWS = 3


def check_totals(context: Context) -> None:
    """Ask about rows named like totals, or whose counts are the sum of the others."""
    for table, column in _KEYS:
        for name, row in context.names(table, column).items():
            words = str(name).casefold().strip(" :.").split()
            if words and words[-1] in _WORDS and len(words) <= 2:
                message = (
                    f"found {quote(name)}: a row that adds up others is not a {column}."
                    " Delete the row; everything is added up by itself. If it is the "
                    f"name of a {column}, choose another name."
                )
                context.log.problem(message, table, row, column)
    _check_sums(context)


def _check_sums(context: Context) -> None:
    counts = context.tables["counts"][["n_items", "n_burned"]].dropna()
    if len(counts) < _LEAST_ROWS:
        return
    sums = counts.sum()
    whole = counts.mul(2).eq(sums).all(axis=1) & counts["n_items"].gt(0)
    for row in counts.index[whole]:
        if not context.log.knows("counts", row, "bake"):
            message = (
                "n_items and n_burned are the sums of all other rows. Delete the row "
                "if it adds up the others; if it is a bake, enter its items in items."
            )
            context.log.problem(message, "counts", row, "n_items")


def check_no_results(tables: Mapping[str, pd.DataFrame], log: ProblemLog) -> None:
    """Refuse files whose kept bakes have items of which not one has any result.

    A study made in memory may be like that: the audit looks at plans as if they had
    been carried out.
    """
    bakes, items = tables["bakes"], tables["items"]
    kept = bakes.loc[bakes["status"].eq("kept"), "bake"].dropna()
    mine = items[items["bake"].isin(kept)]
    told = any(
        problem.table == "items" and problem.column in (*RESULT_COLUMNS, None)
        for problem in log.problems
    )
    if len(mine) and not told and not mine[[*RESULT_COLUMNS]].notna().any(axis=None):
        log.problem(
            f"none of its {len(mine)} rows has a grade, a burned mark or a reason in "
            f"missing. The columns for them are {', '.join(RESULT_COLUMNS)}: look for "
            "a header that is spelled otherwise.",
            "items",
        )
