"""Whether a change helped: before against after in the same pit."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.retest.compare import DAYS_ALIKE, ONE_PAIR, SettingComparison
from pitstats.figures.season import plot_changes
from pitstats.report.numbers import (
    level_text,
    percent,
    points_span,
    signed_points,
    span_points,
)
from pitstats.report.section import (
    FirstPage,
    Heading,
    Part,
    Picture,
    Pictures,
    Section,
    Sentences,
    Table,
    Text,
    Title,
)
from pitstats.report.sections.fairness import finding_frames
from pitstats.report.words import IN_CONDITIONS, count, one_line

QUESTION = "Did the change help?"
_WORDS = {
    "burned": "burned share",
    "target grade": "share in the target grade",
    "near less far": "burned share near the firebox less far from it",
    "usable area": "usable area",
}
Row = Mapping[Hashable, Any]


def first_page(changes: SettingComparison, title: str) -> FirstPage:
    """The answer, one picture, what else changed, and what cannot be said."""
    caption = (
        f"Change with its {level_text(changes.conf_level)} interval; unit of "
        "replication: the bake."
    )
    draw = partial(plot_changes, changes)
    words = " ".join(sentences(changes))
    grave = [f for f in changes.findings if f.severity in ("spoils", "weakens")]
    body: list[Part] = [
        Title(title, QUESTION),
        Text(in_short(changes), "answer"),
        *finding_frames(grave),
        Pictures([Picture("changes", draw, words, caption)]),
        Heading("What cannot be said"),
        Sentences(changes.caveats or ["What else changed and was not recorded."]),
    ]
    return FirstPage(body)


def section(changes: SettingComparison) -> Section:
    """Every outcome of every changed pit, and the bakes behind it."""
    rows = changes.table.to_dict("records")
    shown = pd.DataFrame(
        {
            "Pit": [one_line(row["pit"]) for row in rows],
            "Outcome": [row["outcome"] for row in rows],
            "Before": [_level(row, "before") for row in rows],
            "After": [_level(row, "after") for row in rows],
            "Change": [_change(row) for row in rows],
            "Verdict": [row["verdict"] for row in rows],
        }
    )
    bakes = changes.bakes.rename(columns=lambda name: name.replace("n_", ""))
    return Section(
        id="changes",
        question=QUESTION,
        answer=in_short(changes),
        body=[
            Sentences(sentences(changes)),
            Table("changes", shown, changes.estimand, changes.table),
            Table("sides", bakes, "Bakes and items of both sides", changes.bakes),
            Text(f"How: {changes.method}.", "note"),
        ],
    )


def what_else(changes: SettingComparison) -> Section:
    """What else differed between the two sides, by the detectors of the audit."""
    return Section(
        id="what-else",
        question="What else changed?",
        answer=f"The audit has {count(len(changes.findings), 'remark')} on the sides.",
        body=finding_frames(changes.findings),
    )


def in_short(changes: SettingComparison) -> str:
    """What the change did to the burned share of the first changed pit."""
    burned = changes.table[changes.table["outcome"] == "burned"]
    return _sentence(burned.iloc[0].to_dict(), changes)


def sentences(changes: SettingComparison) -> list[str]:
    """One sentence per pit and outcome."""
    return [_sentence(row, changes) for row in changes.table.to_dict("records")]


def _sentence(row: Row, changes: SettingComparison) -> str:
    pit, what = one_line(row["pit"]), _WORDS[str(row["outcome"])]
    verdict, level = str(row["verdict"]), level_text(changes.conf_level)
    sizes = f"{_size(row)} ({level} interval {_ends(row)})"
    if verdict == ONE_PAIR:
        return (
            f"{pit}, {what}: {_level(row, 'before')} before, {_level(row, 'after')} "
            "after, in one pair of bakes; no verdict."
        )
    if verdict == DAYS_ALIKE:
        return f"{pit}, {what}: {sizes}, if the days were alike."
    if verdict.startswith("differs"):
        way = "higher" if row["change"] > 0 else "lower"
        inside = ", inside the margin" * (verdict != "differs")
        return f"{pit}: {what} is {way} after, {IN_CONDITIONS}{inside}: {sizes}."
    if verdict == "no difference beyond the margin":
        return f"{pit}: {what} changed by no more than the margin: {sizes}."
    return f"{pit}, {what}: this test cannot tell whether it changed: {sizes}."


def _level(row: Row, side: str) -> str:
    value = float(row[side])
    if row["outcome"] == "usable area":
        return f"{value:.0f}"
    if row["outcome"] == "near less far":
        return signed_points(value)
    return percent(value)


def _size(row: Row) -> str:
    if row["outcome"] == "usable area":
        return f"{row['change']:+.0f} square units"
    return f"{signed_points(row['change'])} points"


def _ends(row: Row) -> str:
    if row["outcome"] == "usable area":
        return f"{row['conf_low']:+.0f} to {row['conf_high']:+.0f}"
    return span_points(row["conf_low"], row["conf_high"])


def _change(row: Row) -> str:
    if row["outcome"] == "usable area":
        return f"{row['change']:+.0f} ({_ends(row)})"
    return points_span(row["change"], row["conf_low"], row["conf_high"])
