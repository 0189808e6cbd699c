"""The results of a study as named tables, so that others can work them out again."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.csv_text import write_csv
from pitstats.study.folder_files import column_texts

if TYPE_CHECKING:
    from pitstats.study.study import Study

#: Digits that are kept of every number. Machines differ in the last of sixteen digits,
#: hardly ever in one of the first six.
DIGITS = 6


def _burn_rates(study: Study) -> pd.DataFrame:
    from pitstats.analysis.rates.rates import estimate_burn_rates

    return estimate_burn_rates(study).table


def _comparison(study: Study) -> pd.DataFrame:
    from pitstats.analysis.rates.two_layouts import compare_both_ways

    return compare_both_ways(study).leading.table


def _comparison_as_baked(study: Study) -> pd.DataFrame:
    from pitstats.analysis.rates.compare import compare_pits

    return compare_pits(study).table


def _evenness(study: Study) -> pd.DataFrame:
    from pitstats.analysis.places.evenness import compare_evenness

    return compare_evenness(study).table


def _usable_area(study: Study) -> pd.DataFrame:
    from pitstats.analysis.places.usable_area import estimate_usable_area

    return estimate_usable_area(study).table


def _cells(study: Study) -> pd.DataFrame:
    from pitstats.analysis.places.grate_map import map_cells

    return map_cells(study)


def _temperatures(study: Study) -> pd.DataFrame:
    from pitstats.analysis.heat.temperatures import compare_temperatures

    return compare_temperatures(study).table


def _gauges(study: Study) -> pd.DataFrame:
    from pitstats.analysis.heat.gauge import compare_gauges

    return compare_gauges(study).table


def _rise(study: Study) -> pd.DataFrame:
    from pitstats.analysis.heat.rise import compare_rise

    return compare_rise(study).table


def _second_gradings(study: Study) -> pd.DataFrame:
    from pitstats.analysis.grading.agreement import compare_gradings

    return compare_gradings(study).table


#: Every result that a package carries, by the name of its file.
RESULTS: dict[str, Callable[[Study], pd.DataFrame]] = {
    "burn_rates": _burn_rates,
    "comparison": _comparison,
    "comparison_as_baked": _comparison_as_baked,
    "evenness": _evenness,
    "usable_area": _usable_area,
    "cells": _cells,
    "temperatures": _temperatures,
    "gauges": _gauges,
    "rise": _rise,
    "second_gradings": _second_gradings,
}
#: What a page carries: the numbers of its first screen.
LEADING = ("burn_rates", "comparison")


def result_tables(
    study: Study, names: Iterable[str] = tuple(RESULTS)
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Work out the named results; those the study cannot give, with the reason."""
    tables: dict[str, pd.DataFrame] = {}
    reasons: dict[str, str] = {}
    for name in names:
        try:
            tables[name] = RESULTS[name](study)
        except DesignError as reason:
            reasons[name] = " ".join(str(reason).split())
    return tables, reasons


def table_bytes(frame: pd.DataFrame) -> bytes:
    """Write a result as CSV with `DIGITS` digits."""
    columns = [column_texts(_rounded(frame[name])) for name in frame.columns]
    return write_csv(map(str, frame.columns), zip(*columns, strict=True))


def _rounded(cells: pd.Series) -> pd.Series:
    if not pd.api.types.is_float_dtype(cells.dtype):
        return cells
    values = [float(f"{value:.{DIGITS}g}") for value in cells.astype(np.float64)]
    return pd.Series(values, index=cells.index, dtype=np.float64)
