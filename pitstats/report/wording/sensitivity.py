"""Would the answer change? Sentences, labels and tables of the alternatives."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from pitstats.analysis.sensitivity.alternatives import ONE_OUT
from pitstats.analysis.sensitivity.recount import SHARED_PLACES
from pitstats.analysis.sensitivity.sensitivity import (
    AS_REPORTED,
    FEWER_BAKES,
    Sensitivity,
)
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import (
    MINUS,
    level_text,
    listed,
    one_line,
    points,
)


def signed(difference: float) -> str:
    """Write a difference in points with its sign.

    Examples
    --------
    >>> signed(0.123), signed(-0.05), signed(0.00001)
    ('+12 points', '\N{MINUS SIGN}5 points', '0 points')
    """
    if abs(difference) < 0.0005:
        return "0 points"
    return f"{'+' if difference > 0 else MINUS}{points(difference)}"


def _number(difference: float) -> str:
    """The number of `signed` alone."""
    return signed(difference).split()[0]


@passes
def sensitivity_sentences(found: Sensitivity) -> list[str]:
    """Say how far other ways to compare move the answer, and what would tip it.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.

    Returns
    -------
    list of str
        About the pair with the largest difference, then about the other pairs.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.check_sensitivity(ps.demo_study("one_bake_each"))
    >>> sensitivity_sentences(found)[0].startswith("With one bake of each pit")
    True
    """
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
    """Share of a half width in words.

    Examples
    --------
    >>> share_text(0.314), share_text(1.26), share_text(0.001)
    ('31%', '1.3 times', 'less than 1%')
    """
    if share >= 1:
        return f"{share:.1f} times"
    return "less than 1%" if share < 0.005 else f"{100 * share:.0f}%"


def of_half_width(share: float) -> str:
    """Size of a shift beside the interval.

    Examples
    --------
    >>> of_half_width(0.314), of_half_width(1.26)
    ("31% of the interval's half width", "1.3 times the interval's half width")
    """
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


@passes
def firmness_sentence(found: Sensitivity) -> str:
    """Say in one line how firm the verdict of the first screen is.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.

    Returns
    -------
    str
        Empty where no verdict was given or nothing else could be tried.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.check_sensitivity(ps.demo_study("nothing_burned"))
    >>> firmness_sentence(found).startswith("How firm")
    True
    """
    if found.reported["verdict"] == "one bake each" or found.tried().empty:
        return ""
    start = (
        f"How firm: the verdict on {one_line(found.leading_pair[0])} and "
        f"{one_line(found.leading_pair[1])} is '{found.reported['verdict']}'"
    )
    reasons = []
    if found.n_falls:
        reasons.append(falls_text(found))
    if found.tipping is not None:
        reasons.append(f"it tips with {one_line(found.tipping['alternative'])}")
    if not reasons:
        reasons.append("nothing that was tried tips it")
    return f"{start}; {' and '.join(reasons)}; see 'Would the answer change?'."


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
    """How far each idea moves the difference, ready to read.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per idea, for the pair with the largest difference.
    """
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


@passes
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


@passes
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
