"""Would the answer change? Sentences, labels and tables of the alternatives."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.sensitivity.alternatives import ONE_OUT, SESSION_OUT
from pitstats.analysis.sensitivity.recount import SHARED_PLACES
from pitstats.analysis.sensitivity.sensitivity import AS_REPORTED, Sensitivity
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import (
    MINUS,
    count,
    level_text,
    listed,
    number_word,
    one_line,
    points,
)

#: Families in which data are taken away, so that intervals widen by that alone.
FEWER_BAKES = (ONE_OUT, SESSION_OUT)
_MOST_NAMED = 6


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


def _from_to(values: pd.Series) -> str:
    low, high = float(values.min()), float(values.max())
    return f"from {_number(low)} to {signed(high)}"


@passes
def sensitivity_sentences(found: Sensitivity) -> list[str]:
    """Say whether the answer stands, and what would change it.

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
    pair = found.leading_pair
    own = found.of_pair(*pair)
    reported, tried = own.iloc[0], own.iloc[1:]
    if tried.empty:
        return ["The record allows no alternative to the comparison as reported."]
    names = f"{one_line(pair[0])} {MINUS} {one_line(pair[1])}"
    if reported["verdict"] == "one bake each":
        return [
            "With one bake of each pit no verdict was given, so none can change: "
            f"{names} is {signed(reported['estimate'])} as reported and runs "
            f"{_from_to(tried['estimate'])} under {count(len(tried), 'alternative')}."
        ]
    whole = tried[~tried["about"].isin(FEWER_BAKES)]
    n_pairs = len(found.leading.table)
    level = f"{level_text(found.conf_level)} interval" + (
        f" allowing for all {n_pairs} pairs," if n_pairs > 1 else ""
    )
    sentences = [
        _stands(names, reported, whole, level),
        *_what_changes(whole, reported),
        _count_to_begin_with(found, reported, whole),
    ]
    sentences += [_fewer_bakes(tried, about) for about in FEWER_BAKES]
    sentences.append(_other_pairs(found, pair))
    return [sentence for sentence in sentences if sentence]


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
    own = found.of_pair(*found.leading_pair)
    reported, tried = own.iloc[0], own.iloc[1:]
    if reported["verdict"] == "one bake each" or tried.empty:
        return ""
    parts = []
    whole = tried[~tried["about"].isin(FEWER_BAKES)]
    if len(whole):
        parts.append(f"under {_of(whole['stands'], 'other way')} of counting")
    left_out = tried[tried["about"] == ONE_OUT]
    if len(left_out):
        parts.append(f"in {_of(left_out['stands'], 'case')} with one bake left out")
    if not parts:
        return ""
    return (
        f"How firm: the verdict on {one_line(found.leading_pair[0])} and "
        f"{one_line(found.leading_pair[1])}, '{reported['verdict']}', stands "
        f"{' and '.join(parts)}; see 'Would the answer change?'."
    )


def _of(stands: pd.Series, noun: str) -> str:
    """How many of them stand, such as "7 of 13 cases"."""
    n = len(stands)
    return f"{int(stands.sum())} of {n} {noun}{'' if n == 1 else 's'}"


def span_in_points(rows: Mapping[Hashable, Any] | pd.Series | pd.DataFrame) -> str:
    """Outermost ends of the deciding intervals, in points."""
    low = float(np.min(rows["simultaneous_low"]))
    high = float(np.max(rows["simultaneous_high"]))
    return f"{_number(low)} to {_number(high)}"


def _stands(names: str, reported: pd.Series, whole: pd.DataFrame, level: str) -> str:
    verdict, n = reported["verdict"], len(whole)
    start = (
        f"In these bakes {names} is {signed(reported['estimate'])} as reported "
        f"({level} {span_in_points(reported)}), verdict '{verdict}'."
    )
    if not n:
        return f"{start} No alternative that keeps every bake could be tried."
    n_changed = int((~whole["stands"]).sum())
    runs = f"the difference runs {_from_to(whole['estimate'])}"
    if not n_changed:
        every = "the one alternative" if n == 1 else f"each of {n} alternatives"
        return (
            f"{start} That verdict stands under {every} that keep every bake; {runs}."
        )
    if n_changed == n:
        return (
            f"{start} No alternative that keeps every bake gives that verdict; {runs}."
        )
    return (
        f"{start} That verdict stands under {n - n_changed} of {n} alternatives that "
        f"keep every bake; {runs}."
    )


def _what_changes(whole: pd.DataFrame, reported: pd.Series) -> list[str]:
    """Name the alternatives that change the verdict, by the verdict they give."""
    changed = whole[~whole["stands"]]
    sentences = []
    for verdict, group in changed.groupby("verdict", sort=False):
        parts = [
            f"{one_line(row['alternative'])} ({signed(row['estimate'])})"
            for _, row in group.iterrows()
        ]
        more = len(parts) - _MOST_NAMED
        shown = parts[:_MOST_NAMED] + ([f"{more} more"] if more > 0 else [])
        turned = group["estimate"] * reported["estimate"] < 0
        places = ""
        if str(verdict).startswith("differs") and turned.any():
            places = " (the pits change places)" if turned.all() else ""
        sentences.append(f"It would be '{verdict}'{places} with: {'; '.join(shown)}.")
    return sentences


def _count_to_begin_with(
    found: Sensitivity, reported: pd.Series, whole: pd.DataFrame
) -> str:
    """Tell what the count gives that most alternatives start from, if not the same."""
    own = whole[whole["against"] == "counted"]
    if own.empty or own["base_verdict"].iloc[0] == reported["verdict"]:
        return ""
    n, n_changed = len(own), int(own["changes"].sum())
    return (
        f"{number_word(n).capitalize()} of these alternatives "
        f"{'is' if n == 1 else 'are'} {found.counted}, and that count gives "
        f"'{own['base_verdict'].iloc[0]}' to begin with; beside it "
        f"{number_word(n_changed)} of them {'gives' if n_changed == 1 else 'give'} "
        "another verdict."
    )


def _fewer_bakes(tried: pd.DataFrame, about: str) -> str:
    own = tried[tried["about"] == about]
    if own.empty:
        return ""
    low = own.iloc[int(own["estimate"].argmin())]
    high = own.iloc[int(own["estimate"].argmax())]
    what = "bake" if about == ONE_OUT else "session"
    text = (
        f"Leaving out one {what} at a time, the difference runs from "
        f"{_number(low['estimate'])} ({one_line(low['alternative'])}) to "
        f"{signed(high['estimate'])} ({one_line(high['alternative'])})"
    )
    n_changed = int((~own["stands"]).sum())
    if not n_changed:
        return f"{text}; the verdict stays."
    return (
        f"{text}; the verdict would be another in {n_changed} of {len(own)} cases, to "
        "which the loss of data alone contributes."
    )


def _other_pairs(found: Sensitivity, pair: tuple[str, str]) -> str:
    table = found.table
    table = table[(table["about"] != AS_REPORTED) & ~table["about"].isin(FEWER_BAKES)]
    table = table.assign(other=~table["stands"])
    counts = table.groupby(["pit_a", "pit_b"], sort=False)["other"].sum()
    counts = counts.drop(index=[pair, pair[::-1]], errors="ignore")
    if counts.empty:
        return ""
    changed = counts[counts > 0]
    if changed.empty:
        return (
            "The verdicts of the other pairs stand under every alternative that keeps "
            "every bake."
        )
    rows = changed.rename("n").reset_index().to_dict("records")
    named = [
        f"{one_line(row['pit_a'])} and {one_line(row['pit_b'])} ({row['n']})"
        for row in rows
    ]
    return (
        "Other pairs whose verdict some alternative that keeps every bake would "
        f"change, with the number of such alternatives: {listed(named)}."
    )


def sensitivity_table(found: Sensitivity) -> pd.DataFrame:
    """How much each family of alternatives could account for, ready to read.

    Parameters
    ----------
    found : Sensitivity
        As returned by `check_sensitivity`.

    Returns
    -------
    pandas.DataFrame
        Text, one row per family, for the pair with the largest difference.
    """
    own = found.of_pair(*found.leading_pair)
    tried = own[own["about"] != AS_REPORTED]
    rows = []
    for about, group in tried.groupby("about", sort=False):
        sign = group["base_estimate"].map(lambda value: math.copysign(1.0, value))
        away = float((-sign * group["shift"]).max())
        onto = float((sign * group["shift"]).max())
        rows.append(
            {
                "What": str(about).capitalize(),
                "Tried": len(group),
                "Difference, points": _ends(group["estimate"]),
                "Intervals reach": span_in_points(group),
                "Takes away at most": _size(away),
                "Adds at most": _size(onto),
                "Other verdicts": _other_verdicts(group),
            }
        )
    return pd.DataFrame(rows)


def _ends(values: pd.Series) -> str:
    """Lowest and highest value in points, once where both read alike."""
    ends = [_number(float(values.min())), _number(float(values.max()))]
    return " to ".join(dict.fromkeys(ends))


def _size(shift: float) -> str:
    """Write a shift in points, none where it goes the other way."""
    return points(shift) if shift > 0.0005 else "none"


def _other_verdicts(group: pd.DataFrame) -> str:
    changed = group.loc[~group["stands"], "verdict"].value_counts(sort=False)
    if changed.empty:
        return "none"
    return "; ".join(f"{verdict}: {n}" for verdict, n in changed.items())


def sensitivity_table_caption(found: Sensitivity) -> str:
    """Say what the table of alternatives shows."""
    first, second = map(one_line, found.leading_pair)
    return (
        f"How much of the difference {first} {MINUS} {second} each could account for "
        "(unit of replication: the bake)"
    )


def sensitivity_caption(found: Sensitivity) -> str:
    """Say how to read the figure of alternatives."""
    level = level_text(found.conf_level)
    n_pairs = len(found.leading.table)
    allowed = f" that allow for all {n_pairs} pairs" if n_pairs > 1 else ""
    beside = (
        f" Most rows are {found.counted}, without a model; that count itself is the "
        "row 'shared places, no model'."
        if found.counted == SHARED_PLACES
        else ""
    )
    return (
        f"Each row is the comparison made again; bars are {level} intervals{allowed}. "
        "Open diamonds: another verdict than reported. Dashed: the difference as "
        f"reported.{beside}"
    )


@passes
def sensitivity_in_words(found: Sensitivity) -> str:
    """Describe the figure for those who cannot see it."""
    own = found.of_pair(*found.leading_pair)
    parts = [
        f"{one_line(row['alternative'])}: {signed(row['estimate'])}, {row['verdict']}"
        for _, row in own.iterrows()
    ]
    return f"{'; '.join(parts)}."


@passes
def not_tried_sentence(found: Sensitivity) -> str:
    """Say what could not be tried, and why; empty if nothing was left."""
    parts = []
    for (about, reason), group in found.not_tried.groupby(
        ["about", "reason"], sort=False
    ):
        names = [one_line(name) for name in group["alternative"] if name != "all"]
        which = f" ({listed(names)})" if names else ""
        parts.append(f"{about}{which}: {one_line(reason).rstrip('.')}")
    return f"Not tried: {'; '.join(parts)}." if parts else ""


def sensitivity_method(found: Sensitivity) -> str:
    """Say how the alternatives were computed."""
    return f"How: {found.method.rstrip('.')}."
