"""Whether a change helped: before against after in the same pit."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import compress

import pandas as pd

from pitstats.analysis.fairness.factors import label_of
from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.analysis.retest.compare import DAYS_ALIKE, ONE_PAIR, SettingComparison
from pitstats.analysis.retest.sides import AFTER, BEFORE
from pitstats.errors import DesignError
from pitstats.figures.season import plot_changes
from pitstats.report.numbers import level_text, percent, signed_measured, signed_points
from pitstats.report.section import (
    Answered,
    FirstPage,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.sections.fairness import finding_callouts
from pitstats.report.sections.first_page import short_page
from pitstats.report.sections.next import QUESTION as NEXT_QUESTION
from pitstats.report.sections.next import curve
from pitstats.report.tables import Row, estimate, interval, table_of
from pitstats.report.words import (
    IN_CONDITIONS,
    as_typed,
    count,
    listed,
    of_severity,
    one_line,
)

QUESTION = "Did the change help?"
_WORDS = {
    "burned": "burned share",
    "target grade": "share in the target grade",
    "near less far": "burned share near the firebox less far from it",
    "usable area": "usable area",
}


def retest(changes: SettingComparison, title: str) -> FirstPage:
    """The answer, one picture, what else changed, and what cannot be said."""
    level = level_text(changes.conf_level)
    caption = f"Change with its {level} interval; unit of replication: the bake."
    caption = " ".join([caption, *what_changed(changes)])
    grave = of_severity(changes.findings, "spoils", "weakens")
    answer, draw = in_short(changes), partial(plot_changes, changes)
    picture = Picture("changes", draw, answer, caption)
    unknown = changes.caveats or ["Whatever else changed and was not recorded."]
    return short_page(
        (title, QUESTION),
        answer,
        [*finding_callouts(grave), picture],
        unknown,
        next_step=next_in_short(changes),
    )


@asks("changes", "changes", QUESTION)
def changes(changes: SettingComparison) -> Answered:
    """Every outcome of every changed pit, and the bakes behind it."""
    yield in_short(changes)
    others = changes.table["outcome"] != "burned"
    yield Sentences(list(compress(sentences(changes), others)))
    yield table(changes)
    yield Kept("levels", changes.levels)
    yield sides(changes)
    yield Text(f"How: {changes.method}.", "note")


@asks("next", "further bakes", NEXT_QUESTION)
def further(changes: SettingComparison) -> Answered:
    """More bakes of both sides, and the chance that they tell."""
    text = next_in_short(changes)
    if not text:
        raise DesignError("Further bakes of both sides are not what it would take.")
    yield text
    if changes.next_step is not None:
        yield from curve(changes.next_step)


@asks("what-else", "what else changed", "What else changed?")
def what_else(changes: SettingComparison) -> Answered:
    """What else differed between the two sides, by the detectors of the audit."""
    n_found = count(len(changes.findings), "remark")
    answer = f"The audit has {n_found} on the sides."
    yield answer
    yield from finding_callouts(changes.findings)


def table(changes: SettingComparison) -> Table:
    """Every outcome before and after, as a reader takes it in."""
    area = f" (the usable area in {changes.area_unit})" if changes.area_unit else ""
    return table_of(
        "changes",
        changes.table,
        f"Shares before and after, changes in points{area}, on the same cells, with "
        f"{level_text(changes.conf_level)} intervals, each for itself (unit of "
        "replication: the bake)",
        {
            "Pit": "pit",
            "Outcome": "outcome",
            "Before": lambda row: _level(row, changes, "before"),
            "After": lambda row: _level(row, changes, "after"),
            "Change": lambda row: estimate(_writer(row), "change")(row),
            "Verdict": _verdict,
        },
    )


def sides(changes: SettingComparison) -> Table:
    """The setting, bakes and items of either side."""
    names = changes.bakes.columns.str.removeprefix("n_").map(label_of).str.capitalize()
    shown = changes.bakes.set_axis(names, axis="columns")
    return Table("sides", shown, "Bakes and items of both sides", changes.bakes)


def what_changed(changes: SettingComparison) -> list[str]:
    """Which pits link the days, and what was set before and after."""
    setting, words = changes.setting, label_of(changes.setting)
    links, were = listed(changes.links), "was" if len(changes.links) == 1 else "were"
    told = f"{links} {were} baked unchanged on both sides, which tells the change"
    linked = [f"{told} from the day."] * bool(links)
    if setting not in changes.bakes:
        return linked
    values = changes.bakes.set_index(["pit", "side"])[setting].map(as_typed)
    return linked + [
        f"{one_line(pit)}: {words} {values[pit, BEFORE]} before, {values[pit, AFTER]} "
        "after."
        for pit in changes.bakes["pit"].drop_duplicates()
    ]


def next_in_short(changes: SettingComparison) -> str:
    """How many more bakes it takes; empty where bakes of both sides would not help."""
    if changes.next_step is not None:
        return one_line(changes.next_step.sentence)
    first = changes.table.iloc[0]
    if first["verdict"] != ONE_PAIR:
        return ""
    return (
        f"Bake {one_line(first['pit'])} at least twice more on either side of the "
        "change, in random order: one bake of each cannot show how much bakes differ."
    )


def _verdict(row: Row) -> str:
    verdict = str(row["verdict"])
    return f"none ({verdict})" if verdict == DAYS_ALIKE else verdict


def in_short(changes: SettingComparison) -> str:
    """What the change did to the burned share of every changed pit."""
    burned = changes.table["outcome"] == "burned"
    return " ".join(compress(sentences(changes), burned))


def sentences(changes: SettingComparison) -> list[str]:
    """One sentence per pit and outcome."""
    return [_sentence(row, changes) for row in changes.table.to_dict("records")]


def _sentence(row: Row, changes: SettingComparison) -> str:
    pit, what = one_line(row["pit"]), _WORDS[str(row["outcome"])]
    verdict, level = str(row["verdict"]), level_text(changes.conf_level)
    write = _writer(row)
    unit = changes.area_unit if row["outcome"] == "usable area" else "points"
    sizes = f"{write(row['change'])} {unit} ({level} interval {interval(write)(row)})"
    if verdict == ONE_PAIR:
        return (
            f"{pit}, {what}: {_level(row, changes, 'before')} before, "
            f"{_level(row, changes, 'after')} after, in one pair of bakes; no verdict."
        )
    if verdict == DAYS_ALIKE:
        return f"{pit}, {what}: {sizes}, if the days were alike."
    if verdict in SEPARATED:
        way = "higher" if row["change"] > 0 else "lower"
        inside = ", inside the margin" * (verdict != "differs")
        return f"{pit}: {what} is {way} after, {IN_CONDITIONS}{inside}: {sizes}."
    if verdict == "no difference beyond the margin":
        return f"{pit}: {what} changed by no more than the margin: {sizes}."
    return f"{pit}, {what}: this test cannot tell whether it changed: {sizes}."


def _level(row: Row, changes: SettingComparison, side: str) -> str:
    """Level of one side; only a fall from the firebox may be below 0 and has a sign."""
    asked = {"pit": row["pit"], "outcome": row["outcome"], "side": side}
    level = changes.levels.merge(pd.DataFrame([asked])).iloc[0].to_dict()
    signed = {"near less far": signed_points, "usable area": "{:.0f}".format}
    return estimate(signed.get(str(row["outcome"]), percent))(level)


def _writer(row: Row) -> Callable[[float], str]:
    """Changes of an area are of that area, all others are of shares."""
    return signed_measured if row["outcome"] == "usable area" else signed_points
