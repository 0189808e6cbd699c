"""Whether the answer would change: how far each alternative moves it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.sensitivity.alternatives import ONE_OUT
from pitstats.analysis.sensitivity.recount import SHARED_PLACES
from pitstats.analysis.sensitivity.sensitivity import (
    AS_REPORTED,
    FEWER_BAKES,
    Sensitivity,
)
from pitstats.figures.sensitivity import plot_sensitivity
from pitstats.report.numbers import MINUS, level_text, points
from pitstats.report.section import (
    Kept,
    Part,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.words import listed, one_line

QUESTION = "Would the answer change?"


def section(results: StudyResults) -> Section:
    """The comparison made again under every alternative on record."""
    found = results.sensitivity
    body: list[Part] = [Sentences(sensitivity_sentences(found))]
    shown = sensitivity_table(found)
    if len(shown):
        draw = partial(plot_sensitivity, found)
        words, caption = sensitivity_in_words(found), sensitivity_caption(found)
        body.append(Picture("sensitivity", draw, words, caption))
        caption = sensitivity_table_caption(found)
        body.append(Table("sensitivity", shown, caption, found.table))
    not_tried = not_tried_sentence(found)
    if not_tried:
        body.append(Kept("sensitivity_not_tried", found.not_tried))
        body.append(Text(not_tried, "note"))
    body.append(Sentences(found.caveats))
    body.append(Text(sensitivity_method(found), "note"))
    return Section(
        id="sensitivity", question=QUESTION, answer=in_short(found), body=body
    )


def in_short(found: Sensitivity) -> str:
    """What tips the verdict, or how far the furthest alternative moves it."""
    if found.tried().empty:
        return "The record allows no alternative to the comparison as reported."
    if found.reported["verdict"] == "one bake each":
        return "With one bake of each pit no verdict was given, so none can change."
    if found.tipping is not None:
        return f"It tips with {one_line(found.tipping['alternative'])}."
    far = found.largest_shift
    if far is None:
        return "No alternative that keeps every bake could be tried."
    return (
        f"Nothing tried tips it; the furthest moves it by "
        f"{of_half_width(far['shift_share'])}."
    )


def signed(difference: float) -> str:
    """Write a difference in points with its sign."""
    if abs(difference) < 0.0005:
        return "0 points"
    return f"{'+' if difference > 0 else MINUS}{points(difference)}"


def _number(difference: float) -> str:
    """The number of `signed` alone."""
    return signed(difference).split()[0]


def sensitivity_sentences(found: Sensitivity) -> list[str]:
    """Say how far other ways to compare move the answer, and what would tip it."""
    tried, reported = found.tried(), found.reported
    if tried.empty:
        return ["The record allows no alternative to the comparison as reported."]
    first, second = map(one_line, found.leading_pair)
    names = f"{first} {MINUS} {second}"
    if reported["verdict"] == "one bake each":
        low, high = float(tried["shift_from"].min()), float(tried["shift_to"].max())
        return [
            "With one bake of each pit no verdict was given, so none can change: "
            f"{names} is {signed(reported['estimate'])} as reported, and other ways to "
            f"compare move it by {_number(low)} to {signed(high)}."
        ]
    n_pairs = len(found.leading.table)
    level = f"{level_text(found.conf_level)} interval" + (
        f" allowing for all {n_pairs} pairs," if n_pairs > 1 else ""
    )
    sentences = [
        f"In these bakes {names} is {signed(reported['estimate'])} as reported "
        f"({level} {span_in_points(reported)}), verdict '{reported['verdict']}'.",
        *_what_moves(found),
        _count_to_begin_with(found),
        _fewer_bakes(found),
        _other_pairs(found),
    ]
    return [sentence for sentence in sentences if sentence]


def _what_moves(found: Sensitivity) -> list[str]:
    """Name what tips the verdict; where nothing does, what moves it furthest."""
    whole = found.tried()
    whole = whole[~whole["family"].isin(FEWER_BAKES)]
    if whole.empty:
        return ["No alternative that keeps every bake could be tried."]
    tipping = whole[whole["tips"]].sort_values("shift_share", ascending=False)
    if len(tipping):
        return [
            f"The answer tips with {one_line(row['alternative'])}: "
            f"{signed(row['estimate'])}, verdict '{row['verdict']}'; it {_moved(row)}."
            for row in tipping.to_dict("records")
        ]
    far = found.largest_shift
    assert far is not None
    return [
        "No alternative that keeps every bake tips the answer; the furthest, "
        f"{one_line(far['alternative'])}, {_moved(far)}."
    ]


def _moved(row: Mapping[Hashable, Any] | pd.Series) -> str:
    return (
        f"moves the difference by {signed(row['shift'])}, "
        f"{of_half_width(row['shift_share'])}"
    )


def share_text(share: float) -> str:
    """Share of a half width in words."""
    if share >= 1:
        return f"{share:.1f} times"
    return "less than 1%" if share < 0.005 else f"{100 * share:.0f}%"


def of_half_width(share: float) -> str:
    """Size of a shift beside the interval."""
    of = "" if share >= 1 else " of"
    return f"{share_text(share)}{of} the interval's half width"


def _count_to_begin_with(found: Sensitivity) -> str:
    """Tell what the count gives that most alternatives start from, if not the same."""
    tried = found.tried()
    own = tried[(tried["against"] == "counted") & ~tried["family"].isin(FEWER_BAKES)]
    if own.empty or own["base_verdict"].iloc[0] == found.reported["verdict"]:
        return ""
    return (
        f"Alternatives {found.counted} are set beside that count, which gives "
        f"'{own['base_verdict'].iloc[0]}' to begin with."
    )


def _fewer_bakes(found: Sensitivity) -> str:
    """Say what the loss of one bake of the two pits does."""
    if not found.n_left_out:
        return ""
    members = found.members_of(*found.leading_pair)
    own = members[members["family"] == ONE_OUT]
    low = own.iloc[int(own["estimate"].argmin())]
    high = own.iloc[int(own["estimate"].argmax())]
    text = (
        "Leaving out one bake of these two pits at a time, the difference runs from "
        f"{_number(low['estimate'])} ({one_line(low['alternative'])}) to "
        f"{signed(high['estimate'])} ({one_line(high['alternative'])})"
    )
    if not found.n_falls:
        return f"{text}; the verdict stays."
    return f"{text}; {falls_text(found)}, to which the loss of data alone contributes."


def falls_text(found: Sensitivity) -> str:
    """Say without how many bakes the verdict is another."""
    return (
        f"the verdict falls when one of {found.n_falls} of the {found.n_left_out} "
        "bakes is left out"
    )


def span_in_points(row: Mapping[Hashable, Any] | pd.Series) -> str:
    """Ends of the deciding interval, in points."""
    low, high = float(row["simultaneous_low"]), float(row["simultaneous_high"])
    return f"{_number(low)} to {_number(high)}"


def _other_pairs(found: Sensitivity) -> str:
    """Name the other pairs that an alternative tips."""
    table = found.table[found.table["family"] != AS_REPORTED]
    table = table[~table["family"].isin(FEWER_BAKES)]
    pair = set(found.leading_pair)
    of_others = [
        {row["pit_a"], row["pit_b"]} != pair for row in table.to_dict("records")
    ]
    table = table[of_others]
    if table.empty:
        return ""
    tipping = table[table["tips"]]
    if tipping.empty:
        return "No alternative that keeps every bake tips the answer on another pair."
    named = [
        f"{one_line(a)} and {one_line(b)} "
        f"({listed([one_line(name) for name in own['alternative']])})"
        for (a, b), own in tipping.groupby(["pit_a", "pit_b"], sort=False)
    ]
    return f"Other pairs that an alternative tips: {'; '.join(named)}."


def sensitivity_table(found: Sensitivity) -> pd.DataFrame:
    """How far each idea moves the difference, ready to read."""
    rows = [
        {
            "What": str(row["family"]).capitalize(),
            "Tips, or moves furthest": one_line(row["alternative"]),
            "Difference, points": f"{_number(row['estimate'])} ({span_in_points(row)})",
            "Moves it by, points": _number(row["shift"]),
            "Of the half width": share_text(row["shift_share"]),
            "Verdict": row["verdict"],
            "Tips": "yes" if row["tips"] else "no",
        }
        for row in found.tried().to_dict("records")
    ]
    return pd.DataFrame(rows)


def sensitivity_table_caption(found: Sensitivity) -> str:
    """Say what the table of alternatives shows."""
    first, second = map(one_line, found.leading_pair)
    return (
        f"How far each alternative moves the difference {first} {MINUS} {second} "
        f"({level_text(found.conf_level)} intervals; unit of replication: the bake)"
    )


def sensitivity_caption(found: Sensitivity) -> str:
    """Say how to read the figure of alternatives."""
    level = level_text(found.conf_level)
    n_pairs = len(found.leading.table)
    allowed = f" that allows for all {n_pairs} pairs" if n_pairs > 1 else ""
    beside = (
        f" Most rows are {found.counted}, without a model, and set beside that count."
        if found.counted == SHARED_PLACES
        else ""
    )
    return (
        "Each row is how far one alternative moves the difference as reported, with "
        f"the range over its members. Shaded: the {level} interval as reported"
        f"{allowed}, seen from the difference; the solid line is where no difference "
        f"is left. Open diamonds: the alternative gives another verdict.{beside}"
    )


def sensitivity_in_words(found: Sensitivity) -> str:
    """Describe the figure for those who cannot see it."""
    reported = found.reported
    parts = [f"As reported: {signed(reported['estimate'])}, {reported['verdict']}"]
    parts += [
        f"{one_line(row['alternative'])}: moved by {signed(row['shift'])}, "
        f"{row['verdict']}"
        for row in found.tried().to_dict("records")
    ]
    return f"{'; '.join(parts)}."


def not_tried_sentence(found: Sensitivity) -> str:
    """Say what could not be tried, and why; empty if nothing was left."""
    parts = []
    for (family, reason), group in found.not_tried.groupby(
        ["family", "reason"], sort=False
    ):
        names = [one_line(name) for name in group["alternative"] if name != "all"]
        which = f" ({listed(names)})" if names else ""
        parts.append(f"{family}{which}: {one_line(reason).rstrip('.')}")
    return f"Not tried: {'; '.join(parts)}." if parts else ""


def sensitivity_method(found: Sensitivity) -> str:
    """Say how the alternatives were computed."""
    return f"How: {found.method.rstrip('.')}."
