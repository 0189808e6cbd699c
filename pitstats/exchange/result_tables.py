"""The results of a study as named tables, so that others can work them out again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.cells import one_line
from pitstats.study.csv_text import write_csv
from pitstats.study.folder_files import column_texts

if TYPE_CHECKING:
    from pitstats.study.study import Study

#: Digits that are kept of every number. Machines differ in the last of sixteen digits,
#: hardly ever in one of the first six.
DIGITS = 6
#: The table of results that a study cannot give, with the reason in words.
UNANSWERED = "unanswered"

#: Every result that a package carries, by the name of its file: the public function
#: that works it out from the study, and where its result holds the table. Left out is
#: what asks the same again with other choices: sensitivity and the next step.
RESULTS: dict[str, tuple[str, str]] = {
    "burn_rates": ("estimate_burn_rates", "table"),
    "comparison": ("compare_both_ways", "leading.table"),
    "comparison_as_baked": ("compare_both_ways", "as_baked.table"),
    "ranks": ("rank_pits", "table"),
    "grades": ("compare_grades", "table"),
    "grade_differences": ("compare_grades", "differences"),
    "evenness": ("compare_evenness", "table"),
    "evenness_differences": ("compare_evenness", "differences"),
    "faces": ("compare_faces", "table"),
    "usable_area": ("estimate_usable_area", "table"),
    "usable_area_differences": ("estimate_usable_area", "differences"),
    "cells": ("map_cells", ""),
    "patterns": ("map_patterns", "table"),
    "surface": ("map_surface", "table"),
    "temperatures": ("compare_temperatures", "table"),
    "uniformity": ("survey_uniformity", "table"),
    "gauges": ("compare_gauges", "table"),
    "rise": ("compare_rise", "table"),
    "second_gradings": ("compare_gradings", "table"),
    "setting_changes": ("compare_settings", "table"),
}


def result_tables(
    study: Study,
    names: Iterable[str] = tuple(RESULTS),
    at_hand: Mapping[str, Callable[[], Any]] | None = None,
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Work out the named results; those the study cannot give, with the reason.

    ``at_hand`` gives, by public function, what that would return for this study.
    """
    import pitstats

    tables: dict[str, pd.DataFrame] = {}
    reasons: dict[str, str] = {}
    known = at_hand or {}
    worked_out = cache(
        lambda call: known[call]() if call in known else getattr(pitstats, call)(study)
    )
    for name in names:
        call, place = RESULTS[name]
        try:
            result = worked_out(call)
            tables[name] = attrgetter(place)(result) if place else result
        except DesignError as reason:
            reasons[name] = one_line(reason)
    return tables, reasons


def result_files(
    study: Study,
    names: Iterable[str] = tuple(RESULTS),
    at_hand: Mapping[str, Callable[[], Any]] | None = None,
) -> dict[str, bytes]:
    """Write the named results as a package holds them, by the names of the files.

    The arguments are those of `result_tables`.
    """
    tables, reasons = result_tables(study, names, at_hand)
    files = {f"{name}.csv": table_bytes(table) for name, table in tables.items()}
    return files | {
        f"{UNANSWERED}.csv": write_csv(["result", "reason"], reasons.items())
    }


def table_bytes(frame: pd.DataFrame) -> bytes:
    """Write a result as CSV with `DIGITS` digits."""
    columns = [column_texts(_rounded(frame[name])) for name in frame.columns]
    return write_csv(map(str, frame.columns), zip(*columns, strict=True))


def _rounded(cells: pd.Series) -> pd.Series:
    if not pd.api.types.is_float_dtype(cells.dtype):
        return cells
    values = [float(f"{value:.{DIGITS}g}") for value in cells.astype(np.float64)]
    return pd.Series(values, index=cells.index, dtype=np.float64)
