"""What did every bake do, and what do missing items hide."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.results import BurnRates
from pitstats.report.numbers import NO_VALUE, percent
from pitstats.report.section import Answered, Sentences, Table, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import (
    Columns,
    Row,
    interval,
    of,
    span_of,
    table_of,
    written,
)
from pitstats.report.words import one_line
from pitstats.study.study import Study


@asks("bakes", "every bake", "What did every bake do?")
def bakes(results: StudyResults) -> Answered:
    """A row for every bake, and the range that missing items leave open."""
    yield ""
    rates = results.rates
    yield bake_table(results.study, rates)
    yield Sentences(missing_sentences(rates))
    yield missing_table(rates)


def missing_sentences(rates: BurnRates) -> list[str]:
    """Say what the missing items could have changed."""
    if (rates.bakes["source"] == "counts").all():
        return ["Only totals were kept: whether items were missing is not known."]
    if not (rates.missing_range["n_missing"] > 0).any():
        return ["Every item that was placed was graded."]
    return ["Missing items are left out, not counted as unburned."]


def missing_table(rates: BurnRates) -> Table:
    """Range of each share if none or all of the missing items had burned."""
    missing = rates.missing_range
    missing = missing if missing["n_missing"].any() else missing[:0]
    columns: Columns = {
        "Pit": "pit",
        "Missing items": "n_missing",
        "Share seen, missing left out": written(percent, "observed"),
        "Share seen, could have been": span_of(percent, "lowest", "highest"),
        "Long-run interval, widest": interval(percent),
    }
    caption = "Missing items, and the range each rate could have had"
    return table_of("missing", missing, caption, columns)


def bake_table(study: Study, rates: BurnRates) -> Table:
    """Every bake of the study, kept, excluded or still planned."""
    counts = rates.bakes[["bake", "n_burned", "n_items", "share", "n_missing"]]
    bakes = study.bakes.merge(counts, on="bake", how="left")
    unit = study.settings.temperature_unit
    temperatures = {
        f"{label}, °{unit}": written("{:g}".format, name)
        for name, label in (("indicated_temp", "Indicated"), ("grate_temp", "Grate"))
        if bakes[name].notna().any()
    }
    columns: Columns = {
        "Bake": "bake",
        "Pit": "pit",
        "Burned": lambda row: (
            NO_VALUE if pd.isna(row["n_burned"]) else of("n_burned", "n_items")(row)
        ),
        "Share": written(percent, "share"),
        "Missing": written("{:g}".format, "n_missing"),
        "Session": "session",
        "Order": written("{:g}".format, "order"),
        **temperatures,
        "Status": _status,
    }
    return table_of("bakes", bakes, "Every bake on record", columns, kept=rates.bakes)


def _status(row: Row) -> str:
    known = not pd.isna(row["reason"])
    return f"{row['status']}" + f": {one_line(row['reason'])}" * known
