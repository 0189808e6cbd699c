"""What did every bake do, and what do missing items hide."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.results import BurnRates
from pitstats.report.numbers import NO_VALUE, percent, spans
from pitstats.report.section import Part, Section, Sentences, Table
from pitstats.report.study_results import StudyResults
from pitstats.report.words import one_line
from pitstats.study.study import Study

QUESTION = "What did every bake do?"


def section(results: StudyResults) -> Section:
    """A row for every bake, and the range that missing items leave open."""
    study, rates = results.study, results.rates
    missing = rates.missing_range
    body: list[Part] = [
        Table(
            "bakes",
            bake_table(study, rates),
            "Every bake on record, one row per bake",
            rates.bakes,
        ),
        Sentences(missing_sentences(rates)),
    ]
    if (missing["n_missing"] > 0).any():
        caption = "Missing items, and the range each rate could have had"
        body.append(Table("missing", missing_table(rates), caption, missing))
    return Section(id="bakes", question=QUESTION, body=body, topic="every bake")


def missing_sentences(rates: BurnRates) -> list[str]:
    """Say what the missing items could have changed."""
    if (rates.bakes["source"] == "counts").all():
        return ["Only totals were kept: whether items were missing is not known."]
    if not (rates.missing_range["n_missing"] > 0).any():
        return ["Every item that was placed was graded."]
    return ["Missing items are left out, not counted as unburned."]


def missing_table(rates: BurnRates) -> pd.DataFrame:
    """Range of each share if none or all of the missing items had burned."""
    frame = rates.missing_range
    open_range = frame.rename(columns={"lowest": "range_low", "highest": "range_high"})
    return pd.DataFrame(
        {
            "Pit": frame["pit"].map(one_line),
            "Missing items": frame["n_missing"],
            "Share seen, missing left out": frame["observed"].map(percent),
            "Share seen, could have been": spans(open_range, "range"),
            "Long-run interval, widest": spans(frame),
        }
    )


def bake_table(study: Study, rates: BurnRates) -> pd.DataFrame:
    """Every bake of the study, kept, excluded or still planned."""
    counts = rates.bakes.set_index("bake")
    bakes = study.bakes
    unit = study.settings.temperature_unit
    burned, items, share, missing = (
        bakes["bake"].map(counts[name])
        for name in ("n_burned", "n_items", "share", "n_missing")
    )
    columns: dict[str, object] = {
        "Bake": bakes["bake"].map(one_line),
        "Pit": bakes["pit"].map(one_line),
        "Burned": [
            f"{b:.0f} of {n:.0f}" if pd.notna(b) else NO_VALUE
            for b, n in zip(burned, items, strict=True)
        ],
        "Share": [percent(s) if pd.notna(s) else NO_VALUE for s in share],
        "Missing": missing.map(_text),
        "Session": bakes["session"].map(_text),
        "Order": bakes["order"].map(_text),
    }
    for name, label in (("indicated_temp", "Indicated"), ("grate_temp", "Grate")):
        if bakes[name].notna().any():
            columns[f"{label}, °{unit}"] = bakes[name].map(_text)
    columns["Status"] = [
        status if pd.isna(reason) else f"{status}: {one_line(reason)}"
        for status, reason in zip(bakes["status"], bakes["reason"], strict=True)
    ]
    return pd.DataFrame(columns)


def _text(value: object) -> str:
    if pd.isna(value):  # type: ignore[call-overload]
        return NO_VALUE
    return f"{value:g}" if isinstance(value, int | float) else one_line(value)
