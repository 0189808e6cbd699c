"""Pairs of pits: the answer, the number, and what moves it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.results import PitComparison
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import (
    MINUS,
    count,
    level_text,
    listed,
    one_line,
    p_text,
    points,
)
from pitstats.report.wording.scope import (
    AS_SET_UP,
    IN_BAKES,
    averaged_over,
    bakes_behind,
    both_pits,
    conditions,
    doubts,
)

if TYPE_CHECKING:
    from pitstats.analysis.fairness import Finding

Pair = Mapping[Any, Any]

_BORROWED = "the spread between bakes of a pit baked once is borrowed from the others"


def title(
    comparison: PitComparison,
    *,
    as_set_up: bool = False,
    findings: Sequence[Finding] = (),
) -> str:
    """Put the answer into a headline, no stronger than the evidence.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    as_set_up : bool, default False
        Whether a setting went with the pits.
    findings : sequence of Finding, default ()
        From `audit_fairness`; what spoils the comparison takes the verdict out.

    Returns
    -------
    str
        A few words, with the number of bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> title(ps.compare_pits(ps.demo_study("one_bake_each")))
    'No verdict from one bake of each pit'
    """
    pits = _pits(comparison)
    if comparison.one_bake_each:
        return sentence("No verdict from one bake of each pit")
    where = conditions(comparison, pits, as_set_up)
    if doubts(findings):
        where = IN_BAKES + (AS_SET_UP if as_set_up else "")
    text = f"{_short_verdict(comparison, where)} ({bakes_behind(comparison, pits)})"
    if not doubts(findings):
        return sentence(text)
    verdicts = comparison.table["verdict"]
    if verdicts.str.startswith("differs").any():
        return sentence(f"{text}: open whether that belongs to the pits")
    if (verdicts == "no difference beyond the margin").all():
        return sentence(f"{text}: what went with the pits may hide one")
    return sentence(text)


def _short_verdict(comparison: PitComparison, where: str) -> str:
    table = comparison.table
    differs = table[table["verdict"].str.startswith("differs")]
    margin = points(comparison.margin or 0)
    if (table["verdict"] == "no difference beyond the margin").all():
        return f"No difference larger than {margin} {where}"
    if differs.empty:
        return f"This test cannot tell which pit burns more {where}"
    if len(differs) == 1:
        more, less = _more_and_less(differs.iloc[0])
        return f"{more} burned more than {less} {where}"
    return f"{len(differs)} of {len(table)} pairs of pits separated {where}"


def answer(
    comparison: PitComparison,
    *,
    as_set_up: bool = False,
    findings: Sequence[Finding] = (),
) -> str:
    """Answer the study's question in one sentence, no stronger than the evidence.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    as_set_up : bool, default False
        Whether a setting differs between pits throughout, so that the sentence speaks
        of the pits as set up.
    findings : sequence of Finding, default ()
        From `audit_fairness`. What spoils the comparison is in the sentence itself.

    Returns
    -------
    str
        One sentence (more when a limit must be added): who burned more and by how
        much, on what conditions, averaged over what, from how many bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> print(answer(ps.compare_pits(ps.demo_study("one_bake_each"))))
    This test cannot say which pit burns more, because each pit was baked once...

    A test that was spoiled has no answer that reads like a fair one:

    >>> study = ps.demo_study("unfair_order")
    >>> text = answer(ps.compare_pits(study), findings=ps.audit_fairness(study))
    >>> "cannot tell whether" in text
    True
    """
    if comparison.one_bake_each:
        return _answer_one_bake(comparison)
    doubt = doubts(findings)
    if len(comparison.table) == 1:
        return _answer_pair(comparison, comparison.table.iloc[0], as_set_up, doubt)
    return _answer_many(comparison, as_set_up, doubt)


def _answer_one_bake(comparison: PitComparison) -> str:
    seen = [
        f"{one_line(row['pit'])} burned {row['n_burned']} of {row['n_items']}"
        for row in comparison.rates.to_dict("records")
        if row["n_items"]
    ]
    return sentence(
        "This test cannot say which pit burns more, because each pit was baked once: "
        f"in these bakes {listed(seen)} items."
    )


def _answer_pair(
    comparison: PitComparison, pair: pd.Series, as_set_up: bool, doubt: str
) -> str:
    more, less = _more_and_less(pair)
    low, high = _sorted_ends(pair)
    pits = both_pits(pair)
    where = _where(comparison, pits, as_set_up, doubt)
    level = level_text(comparison.conf_level)
    basis = f"{averaged_over(comparison)} ({bakes_behind(comparison, pits)}"
    basis += f"; {_BORROWED})" if _has_single(comparison, pits) else ")"
    verdict = str(pair["verdict"])
    if verdict.startswith("differs"):
        text = (
            f"{more} burned more than {less} {where}: {points(pair['estimate'])} more, "
            f"{level} interval {_range(low, high)}, {basis}"
        )
        inside = (
            " The whole interval lies inside the margin of "
            f"{points(comparison.margin or 0)} stated before the bakes: too small a "
            "difference to change advice."
        )
        return _with_doubt(text, doubt, inside * (verdict != "differs"))
    if verdict == "no difference beyond the margin":
        return _with_hiding(
            f"No difference larger than {points(comparison.margin or 0)} between "
            f"{more} and {less} {where}: the {level} interval runs "
            f"{_signed_range(low, high, more)}, {basis}, inside the margin stated "
            "before the bakes.",
            doubt,
        )
    return _with_hiding(
        f"This test cannot tell whether {more} or {less} burns more {where}: the "
        f"{level} interval runs {_signed_range(low, high, more)}, {basis}. "
        f"{_excluded(max(abs(low), abs(high)))}",
        doubt,
    )


def _where(
    comparison: PitComparison, pits: Sequence[str], as_set_up: bool, doubt: str
) -> str:
    if doubt:
        return IN_BAKES + (AS_SET_UP if as_set_up else "")
    return conditions(comparison, pits, as_set_up)


def _with_doubt(text: str, doubt: str, more: str = "") -> str:
    """End a sentence about a difference, with what else may have made it."""
    if not doubt:
        return sentence(f"{text}.{more}")
    unsure = sentence(
        f"{text}; but this test cannot tell whether that belongs to the pits"
    )
    return f"{unsure}: {doubt}.{sentence(more)}"


def _with_hiding(text: str, doubt: str) -> str:
    """Add what may hide a difference to a sentence that shows none."""
    if not doubt:
        return sentence(text)
    hidden = sentence(f"{text} What went with the pits may hide a difference")
    return f"{hidden}: {doubt}."


def _excluded(largest: float) -> str:
    return (
        f"Differences larger than {points(largest)}, whichever pit is ahead, are "
        "excluded."
    )


def _answer_many(comparison: PitComparison, as_set_up: bool, doubt: str) -> str:
    table = comparison.table
    pits = _pits(comparison)
    where = _where(comparison, pits, as_set_up, doubt)
    level = level_text(comparison.conf_level)
    basis = f"{averaged_over(comparison)} ({bakes_behind(comparison, pits)}"
    basis += f"; {_BORROWED})" if _has_single(comparison, pits) else ")"
    differs = table[table["verdict"].str.startswith("differs")]
    rest = _rest_sentences(comparison)
    if len(differs):
        text = (
            f"{_by_pit(differs)} {where}, {basis}; {level} intervals that allow for "
            f"all {len(table)} pairs"
        )
        return _with_doubt(text, doubt, rest)
    equal = table["verdict"] == "no difference beyond the margin"
    if equal.all():
        return _with_hiding(
            f"No difference larger than {points(comparison.margin or 0)} between any "
            f"two of the {len(pits)} pits {where}, {basis}: all {len(table)} {level} "
            "intervals, which allow for one another, lie inside the margin stated "
            "before the bakes.",
            doubt,
        )
    return _with_hiding(
        f"This test cannot tell which of the {len(pits)} pits burns more {where}, "
        f"{basis}: no pair is separated once all {len(table)} comparisons are allowed "
        f"for ({level} intervals).{rest}",
        doubt,
    )


def _by_pit(differs: pd.DataFrame) -> str:
    by_pit: dict[str, list[str]] = {}
    for _, pair in differs.iterrows():
        more, less = _more_and_less(pair)
        low, high = _sorted_ends(pair)
        inside = ", within the margin" if pair["verdict"] != "differs" else ""
        by_pit.setdefault(more, []).append(f"{less} ({_range(low, high)} more{inside})")
    return "; ".join(
        f"{more} burned more than {listed(less)}" for more, less in by_pit.items()
    )


def _rest_sentences(comparison: PitComparison) -> str:
    """What is known about the pairs that are not separated."""
    table = comparison.table
    alike = int((table["verdict"] == "no difference beyond the margin").sum())
    unknown = table[table["verdict"] == "cannot tell"]
    text = ""
    if alike:
        text += (
            f" For {count(alike, 'pair')} there is no difference larger than the "
            f"margin of {points(comparison.margin or 0)}, stated before the bakes."
        )
    if len(unknown):
        ends = unknown[["simultaneous_low", "simultaneous_high"]].abs()
        other = "" if len(unknown) == len(table) else "other "
        text += (
            f" For {count(len(unknown), f'{other}pair')} this test cannot tell; "
            f"differences larger than {points(float(ends.to_numpy().max()))} are "
            "excluded."
        )
    return text


def _pits(comparison: PitComparison) -> list[str]:
    table = comparison.table
    return list(dict.fromkeys([*table["pit_a"], *table["pit_b"]]))


def _has_single(comparison: PitComparison, pits: Sequence[str]) -> bool:
    return min(int(comparison.n_bakes.get(pit, 0)) for pit in pits) <= 1


def headline_number(
    comparison: PitComparison, findings: Sequence[Finding] = ()
) -> tuple[str, str]:
    """Give the one number with its range for the first screen.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    findings : sequence of Finding, default ()
        From `audit_fairness`; where one spoils the comparison, the number is one of
        these bakes.

    Returns
    -------
    tuple of str
        The number, and the sentence that says what it is and what it rests on. With
        more than two pits it is the largest difference, picked after looking, and the
        sentence says so; its simultaneous interval allows for that.

    Examples
    --------
    >>> import pitstats as ps
    >>> number, text = headline_number(ps.compare_pits(ps.demo_study("one_bake_each")))
    >>> number.endswith("points, no verdict")
    True
    """
    table = comparison.table
    pair = table.iloc[largest_difference(comparison)]
    more, less = _more_and_less(pair)
    low, high = _sorted_ends(pair)
    pits = both_pits(pair)
    level = level_text(comparison.conf_level)
    what = "Difference" if len(table) == 1 else "Largest difference"
    allowed = "" if len(table) == 1 else f", allowing for all {len(table)} pairs"
    text = (
        f"{what} in long-run burn rate, in percentage points, {more} minus {less}, "
        f"{averaged_over(comparison)}, "
        f"{_where(comparison, pits, False, doubts(findings))}; {level} interval"
        f"{allowed}: {_signed_range(low, high, more)}. It rests on "
        f"{bakes_behind(comparison, pits)}."
    )
    if len(table) > 1:
        text += f" {PICKED_AFTER_LOOKING}"
    number = points(pair["estimate"])
    if comparison.one_bake_each:
        text += " Its width is set by assumption, not by these data."
        number += ", no verdict"
    elif pair["verdict"] == "cannot tell":
        number += ", cannot tell"
    return number, sentence(text)


PICKED_AFTER_LOOKING = (
    "This pair was picked after looking at all of them: this interval allows for that, "
    "an interval for the pair alone would not."
)


def pair_sentence(
    comparison: PitComparison,
    pit_a: str,
    pit_b: str,
    findings: Sequence[Finding] = (),
) -> str:
    """Say what is known about one pair of pits.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    pit_a, pit_b : str
        The pair, in either order.
    findings : sequence of Finding, default ()
        From `audit_fairness`; where one spoils the comparison, the sentence is about
        these bakes.

    Returns
    -------
    str
        One or two sentences; ``"cannot tell"`` names the smallest difference that the
        data exclude.

    Examples
    --------
    >>> import pitstats as ps
    >>> comparison = ps.compare_pits(ps.demo_study("four_pits"))
    >>> pair_sentence(comparison, "Ferry", "Quarry").startswith("Quarry")
    True
    """
    table = comparison.table
    wanted = {pit_a, pit_b}
    match = [
        {a, b} == wanted for a, b in zip(table["pit_a"], table["pit_b"], strict=True)
    ]
    pair = table[match].iloc[0]
    more, less = _more_and_less(pair)
    low, high = _sorted_ends(pair)
    pits = both_pits(pair)
    verdict = str(pair["verdict"])
    span = _signed_range(low, high, more)
    if verdict == "one bake each":
        return sentence(
            f"{more} against {less}: no verdict from one bake each. The long-run "
            f"difference, {averaged_over(comparison)}, may run {span}; that width is "
            "set by assumption."
        )
    where = _where(comparison, pits, False, doubts(findings))
    p = p_text(float(pair["p_adjusted"]), adjusted=len(table) > 1)
    basis = f"{p}; {averaged_over(comparison)}; {bakes_behind(comparison, pits)}"
    basis += f"; {_BORROWED}" if _has_single(comparison, pits) else ""
    if verdict.startswith("differs"):
        inside = ", inside the margin stated before the bakes"
        tail = inside * (verdict != "differs")
        return sentence(
            f"{more} burned more than {less} {where}{tail}: {span} ({basis})."
        )
    if verdict == "no difference beyond the margin":
        return sentence(
            f"{more} and {less}: no difference larger than the margin of "
            f"{points(comparison.margin or 0)}, stated before the bakes, {where}: "
            f"{span} ({basis})."
        )
    return sentence(
        f"{more} against {less}: this test cannot tell {where}; {span} ({basis}). "
        f"{_excluded(max(abs(low), abs(high)))}"
    )


def naive_sentence(comparison: PitComparison) -> str:
    """Compare the interval with the usual mistake of counting every item.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.

    Returns
    -------
    str
        Two sentences about the pair with the largest difference.

    Examples
    --------
    >>> import pitstats as ps
    >>> print(naive_sentence(ps.compare_pits(ps.demo_study("one_bake_each"))))
    If every item counted as independent, ...
    """
    place = largest_difference(comparison)
    pair, naive = comparison.table.iloc[place], comparison.naive.iloc[place]
    more, less = _more_and_less(pair)
    ends = sorted(
        (naive["conf_low"], naive["conf_high"])
        if pair["estimate"] >= 0
        else (-naive["conf_low"], -naive["conf_high"])
    )
    naive_width = float(ends[1] - ends[0])
    width = float(pair["conf_high"] - pair["conf_low"])
    start = (
        f"If every item counted as independent, the interval for {more} minus {less} "
        f"{IN_BAKES} would run {_signed_range(ends[0], ends[1], more)}."
    )
    picked = (
        " The pair was picked after looking; neither interval allows for that."
        if len(comparison.table) > 1
        else ""
    )
    if naive_width and width < 1.05 * naive_width:
        return sentence(
            f"{start} With bakes as the unit the interval is no wider here: the bakes "
            "hardly differed, or the model uses the places of the items as well."
            f"{picked}"
        )
    wider = f"{width / naive_width:.1f} times as wide" if naive_width else "wider"
    alone = " for this pair alone" if len(comparison.table) > 1 else ""
    return sentence(
        f"{start} Items of one bake share one fire, so that is too sure of itself; "
        f"with bakes as the unit the interval{alone} is {wider}.{picked}"
    )


def ways_sentence(both: BothWays) -> str:
    """Say which comparison leads, why, and whether the other agrees.

    Parameters
    ----------
    both : BothWays
        As returned by `compare_both_ways`.

    Returns
    -------
    str
        One or more sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> both = ps.compare_both_ways(ps.demo_study("four_pits"))
    >>> ways_sentence(both).startswith("Items did not lie at the same places")
    True
    """
    if both.common is None:
        return sentence(
            "The pits are compared as baked, wherever the items lay. A comparison on a "
            "common layout is not possible: "
        ) + one_line(both.why_not)
    lead = (
        "Items did not lie at the same places in all pits, so the comparison on the "
        "places that all pits share leads."
        if both.leads == "common"
        else "Items lay at about the same places in all pits, so the comparison as "
        "baked leads; the one on a common layout stands beside it."
    )
    changed = _changed_verdicts(both.as_baked, both.common)
    if both.as_baked.one_bake_each:
        agreement = "Neither gives a verdict from one bake each."
    elif changed:
        agreement = (
            f"As baked, the verdict for {listed(changed)} would be another: the raw "
            "counts mix the pits with the places their items had."
            if both.leads == "common"
            else f"On the common layout the verdict for {listed(changed)} would be "
            "another: that answer is not firm."
        )
    else:
        agreement = "Both ways, with bakes as the unit, agree on every verdict."
    return f"{sentence(f'{lead} {agreement}')} {both.common.layout_note}"


def _changed_verdicts(one: PitComparison, other: PitComparison) -> list[str]:
    merged = one.table.merge(other.table, on=["pit_a", "pit_b"], suffixes=("", "_b"))
    return [
        f"{one_line(row['pit_a'])} and {one_line(row['pit_b'])}"
        for row in merged.to_dict("records")
        if row["verdict"] != row["verdict_b"]
        or (
            row["estimate"] * row["estimate_b"] < 0
            and row["verdict"].startswith("differs")
        )
    ]


def cuts_sentence(cuts: pd.DataFrame) -> str:
    """Say what the verdicts would be if "burned" began elsewhere.

    Parameters
    ----------
    cuts : pandas.DataFrame
        ``cut_differences`` of `compare_grades`, without the cut that is stated.

    Returns
    -------
    str
        One or two sentences; only separated pairs are named.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("nothing_burned")
    >>> cuts_sentence(ps.compare_grades(study).cut_differences).startswith("With")
    True
    """
    if (cuts["verdict"] == "one bake each").all():
        return sentence("With one bake of each pit no cut gives a verdict.")
    parts = []
    for cut, group in cuts.groupby("burned_from", sort=False):
        differs = group[group["verdict"].str.startswith("differs")]
        pairs = [
            f"{more} more than {less}"
            for more, less in (_more_and_less(pair) for _, pair in differs.iterrows())
        ]
        found = listed(pairs) if pairs else "cannot tell the pits apart"
        parts.append(f"'{one_line(cut)}' or darker: {found}")
    return sentence(
        f"With burned taken to mean {'; '.join(parts)} ({IN_BAKES}, as baked, so "
        "without regard to where the items lay; bakes as the unit)."
    )


def methods_caption(comparison: PitComparison, methods: pd.DataFrame) -> str:
    """Say which pair the table of methods is about."""
    first = methods.iloc[0]
    names = f"{one_line(first['pit_a'])} {MINUS} {one_line(first['pit_b'])}"
    picked = (
        ", picked after looking, which they do not allow for"
        if len(comparison.table) > 1
        else ""
    )
    return (
        f"{names}, as baked, by other methods ({level_text(comparison.conf_level)} "
        f"intervals of this pair alone{picked})"
    )


def pairs_caption(comparison: PitComparison) -> str:
    """Say what the table of pairs shows."""
    level = level_text(comparison.conf_level)
    return (
        "Differences of long-run burn rates in percentage points, "
        f"{averaged_over(comparison)}, with {level} intervals (unit of replication: "
        "the bake)"
    )


def largest_difference(comparison: PitComparison) -> int:
    """Position of the pair with the largest difference."""
    return int(comparison.table["estimate"].abs().argmax())


def _more_and_less(pair: Pair | pd.Series) -> tuple[str, str]:
    names = one_line(pair["pit_a"]), one_line(pair["pit_b"])
    return names if pair["estimate"] >= 0 else (names[1], names[0])


def _sorted_ends(pair: Pair | pd.Series) -> tuple[float, float]:
    """Ends of the deciding interval, seen from the pit that burned more."""
    low, high = float(pair["simultaneous_low"]), float(pair["simultaneous_high"])
    return (low, high) if pair["estimate"] >= 0 else (-high, -low)


def _range(low: float, high: float) -> str:
    return f"{points(low).split()[0]} to {points(high)}"


def _signed_range(low: float, high: float, more: str) -> str:
    if low > 0:
        return f"from {_range(low, high)} more for {more}"
    return f"from {points(low)} less to {points(high)} more for {more}"
