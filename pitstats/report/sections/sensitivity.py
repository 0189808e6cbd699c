"""Whether the answer would change: how far each alternative moves it."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.sensitivity.recount import SHARED_PLACES
from pitstats.analysis.sensitivity.sensitivity import Sensitivity
from pitstats.figures.sensitivity import plot_sensitivity
from pitstats.report.numbers import (
    level_text,
    ranged,
    signed_points,
    signed_size,
)
from pitstats.report.section import (
    Answered,
    Kept,
    Picture,
    Sentences,
    Table,
    Text,
    asks,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Columns, Row, estimate, minus, table_of, written
from pitstats.report.words import all_pairs, count, intervals_for, listed, one_line


@asks("sensitivity", "other choices", "Would the answer change?")
def sensitivity(results: StudyResults) -> Answered:
    """The comparison made again under every alternative on record."""
    found = results.sensitivity
    answer = in_short(found)
    yield answer
    yield Sentences(sensitivity_sentences(found))
    table = sensitivity_table(found)
    if len(table.shown):
        draw, caption = partial(plot_sensitivity, found), sensitivity_caption(found)
        yield Picture("sensitivity", draw, answer, caption)
        yield table
    yield Kept("sensitivity_not_tried", found.not_tried)
    yield Text(not_tried_sentence(found), "note")
    yield Sentences(found.caveats)
    yield Text(f"How: {found.method.rstrip('.')}.", "note")


def in_short(found: Sensitivity) -> str:
    """What tips the verdict, or how far the furthest alternative moves it."""
    if found.tried().empty:
        return "The record allows no alternative to the comparison as reported."
    if found.reported["verdict"] == "one bake each":
        return "With one bake of each pit no verdict was given, so none can change."
    n_others = found.n_others_tipped
    others = f"; alternatives change {count(n_others, 'other pair')}" * bool(n_others)
    if found.tipping is not None:
        return f"Yes, {falls_when(found, counted=False)}{others}."
    far = found.largest_shift
    less = [what for what, falls, _ in _left_out(found) if falls]
    when = f"Only with one {' or '.join(less)} less" if less else ""
    when = when or (
        "Not for the largest difference" if n_others else "Not by what was tried"
    )
    if far is None:
        return f"{when}; no alternative that keeps every bake could be tried."
    by = signed_size(far["shift"])
    return (
        f"{when}; the furthest alternative that keeps every bake moves the difference "
        f"by {by}{others}."
    )


def _left_out(found: Sensitivity) -> tuple[tuple[str, int, int], ...]:
    """What was left out one at a time: how often the verdict changed, and of how many.

    A session takes bakes of both pits with it.
    """
    sessions = found.session_falls
    return (
        ("bake", found.n_falls, found.n_left_out),
        ("session", sum(sessions), len(sessions)),
    )


def falls_when(found: Sensitivity, *, counted: bool = True) -> str:
    """Say under what the verdict is another: with less data, or an alternative."""
    less = [
        what + f" ({falls} of {tried})" * counted
        for what, falls, tried in _left_out(found)
        if falls
    ]
    reasons = [f"without one {' or '.join(less)}"] if less else []
    if found.tipping is not None:
        n_more = int(found.with_all_bakes()["tips"].sum()) - 1
        others = count(n_more, "other choice")
        more = f" or {others}" * (n_more > 0)
        reasons.append(f"with '{one_line(found.tipping['alternative'])}'{more}")
    return listed(reasons)


def sensitivity_sentences(found: Sensitivity) -> list[str]:
    """Say how far other ways to compare move the answer, and what would tip it."""
    tried, reported = found.tried(), found.reported
    if tried.empty:
        return []
    names = minus(reported)
    if reported["verdict"] == "one bake each":
        low, high = float(tried["shift_from"].min()), float(tried["shift_to"].max())
        return [
            f"{names} is {signed_size(reported['estimate'])} as reported; other ways "
            f"to compare move it by {signed_points(low)} to {signed_size(high)}."
        ]
    ends = reported["simultaneous_low"], reported["simultaneous_high"]
    interval = (
        f"{level_text(found.conf_level)} interval {ranged(signed_points, *ends)}"
        f"{all_pairs(len(found.leading.table))}"
    )
    sentences = [
        f"In these bakes {names} is {signed_size(reported['estimate'])} as reported "
        f"({interval}), verdict '{reported['verdict']}'.",
        *_what_moves(found),
        _count_to_begin_with(found),
        _fewer_bakes(found),
        _other_pairs(found),
    ]
    return [own for own in sentences if own]


def _what_moves(found: Sensitivity) -> list[str]:
    """Name what tips the verdict; where nothing does, what moves it furthest."""
    whole = found.with_all_bakes()
    if whole.empty:
        return ["No alternative that keeps every bake could be tried."]
    tipping = whole[whole["tips"]].sort_values("shift_share", ascending=False)
    if len(tipping):
        return [
            f"The answer tips with '{one_line(row['alternative'])}': "
            f"{signed_size(row['estimate'])}, verdict '{row['verdict']}'; it "
            f"{_moved(row)}."
            for row in tipping.to_dict("records")
        ]
    far = found.largest_shift
    assert far is not None
    return [
        "No alternative that keeps every bake tips the answer; the furthest, "
        f"'{one_line(far['alternative'])}', {_moved(far)}."
    ]


def _moved(row: Row | pd.Series) -> str:
    return (
        f"moves the difference by {signed_size(row['shift'])}, "
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
    own = found.with_all_bakes().query("against == 'counted'")
    if own.empty or own["base_verdict"].iloc[0] == found.reported["verdict"]:
        return ""
    return (
        f"Alternatives {found.counted} are set beside that count, which gives "
        f"'{own['base_verdict'].iloc[0]}' to begin with."
    )


def _fewer_bakes(found: Sensitivity) -> str:
    """Say what the loss of one bake of the two pits does, and of one session."""
    if not found.n_left_out:
        return ""
    own = found.one_out()
    low = own.iloc[int(own["estimate"].argmin())]
    high = own.iloc[int(own["estimate"].argmax())]
    text = (
        "Leaving out one bake of these two pits at a time, the difference runs from "
        f"{signed_points(low['estimate'])} ({one_line(low['alternative'])}) to "
        f"{signed_size(high['estimate'])} ({one_line(high['alternative'])})"
    )
    these = {"bake": "these", "session": "the"}
    falls = [
        f"{n} of {these[what]} {tried} {what}s"
        for what, n, tried in _left_out(found)
        if n
    ]
    if not falls:
        return f"{text}; the verdict stays."
    change = "changes" if found.n_falls + sum(found.session_falls) == 1 else "change"
    text += f". Left out alone, {listed(falls)} {change} the verdict"
    # Fewer data alone can undo a verdict, they cannot give one.
    if found.reported["verdict"] != "cannot tell":
        text += ", to which the loss of data alone contributes"
    return f"{text}."


def _other_pairs(found: Sensitivity) -> str:
    """Name the other pairs that an alternative tips."""
    table = found.other_pairs()
    if table.empty:
        return ""
    tipping = table[table["tips"]]
    if tipping.empty:
        return "No alternative that keeps every bake tips the answer on another pair."
    named = [
        f"{listed(pits)} ({listed(own['alternative'])})"
        for pits, own in tipping.groupby(["pit_a", "pit_b"], sort=False)
    ]
    return f"Other pairs that an alternative tips: {'; '.join(named)}."


def sensitivity_table(found: Sensitivity) -> Table:
    """How far each idea moves the difference."""
    columns: Columns = {
        "What": lambda row: str(row["family"]).capitalize(),
        "Tips, or moves furthest": "alternative",
        "Difference, points": estimate(signed_points, ends="simultaneous"),
        "Moves it by, points": written(signed_points, "shift"),
        "Of the half width": written(share_text, "shift_share"),
        "Verdict": "verdict",
        "Tips": lambda row: "yes" if row["tips"] else "no",
    }
    caption = (
        f"How far each alternative moves the difference {minus(found.reported)} "
        f"({level_text(found.conf_level)} intervals; unit of replication: the bake)"
    )
    return table_of("sensitivity", found.tried(), caption, columns, kept=found.table)


def sensitivity_caption(found: Sensitivity) -> str:
    """Say how to read the figure of alternatives."""
    interval = intervals_for(found.conf_level, len(found.leading.table))
    beside = (
        f" Most rows are {found.counted}, without a model, and set beside that count."
        if found.counted == SHARED_PLACES
        else ""
    )
    return (
        "Each row is how far one alternative moves the difference as reported, with "
        f"the range over its members. Shaded: the interval as reported ({interval}), "
        "seen from the difference; the solid line is where no difference is left. Open "
        f"diamonds: the alternative gives another verdict.{beside}"
    )


def not_tried_sentence(found: Sensitivity) -> str:
    """Say what could not be tried, and why; empty if nothing was left."""
    parts = []
    groups = found.not_tried.groupby(["family", "reason"], sort=False)
    for (family, reason), group in groups:
        names = [name for name in group["alternative"] if name != "all"]
        which = f" ({listed(names)})" if names else ""
        parts.append(f"{family}{which}: {one_line(reason).rstrip('.')}")
    return f"Not tried: {'; '.join(parts)}." if parts else ""
