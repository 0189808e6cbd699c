"""Pairs of pits: the answer, the number, and what moves it."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.both_ways import BothWays
from pitstats.analysis.results import PitComparison
from pitstats.report.wording.numbers import (
    count,
    level_text,
    listed,
    one_line,
    p_text,
    points,
)


def answer(comparison: PitComparison, *, as_set_up: bool = False) -> str:
    """Answer the study's question in one sentence, no stronger than the evidence.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    as_set_up : bool, default False
        Whether a setting differs between pits throughout, so that the sentence speaks
        of the pits as set up.

    Returns
    -------
    str
        One sentence (two when a limit must be added).

    Examples
    --------
    >>> import pitstats as ps
    >>> print(answer(ps.compare_pits(ps.demo_study("one_bake_each"))))
    This test cannot say which pit burns more, because each pit was baked once...
    """
    table = comparison.table
    if comparison.one_bake_each:
        return _answer_one_bake(comparison)
    setup = ", on the places that all pits share" if _is_common(comparison) else ""
    setup += ", as set up" if as_set_up else ""
    if len(table) == 1:
        return _answer_pair(comparison, table.iloc[0], setup)
    return _answer_many(comparison, setup)


def _answer_one_bake(comparison: PitComparison) -> str:
    seen = [
        f"{one_line(row['pit'])} burned {row['n_burned']} of {row['n_items']}"
        for row in comparison.rates.to_dict("records")
        if row["n_items"]
    ]
    return (
        "This test cannot say which pit burns more, because each pit was baked once: "
        f"in these bakes {listed(seen)} items."
    )


def _answer_pair(comparison: PitComparison, pair: pd.Series, setup: str) -> str:
    more, less = _more_and_less(pair)
    level = level_text(comparison.conf_level)
    low, high = _sorted_ends(pair)
    verdict = str(pair["verdict"])
    if verdict.startswith("differs"):
        text = (
            f"In these conditions{setup}, {more} burned more than {less}: "
            f"{points(pair['estimate'])} more, {level} interval {_range(low, high)} "
            f"({_bakes_of(comparison, pair)})."
        )
        if verdict == "differs, within the margin":
            text += (
                " The whole interval lies inside the margin of "
                f"{points(comparison.margin or 0)} stated before the bake, so the "
                "difference is too small to change advice."
            )
        return text
    if verdict == "no difference beyond the margin":
        return (
            f"No difference larger than {points(comparison.margin or 0)} between "
            f"{more} and {less}{setup}: the {level} interval runs "
            f"{_signed_range(low, high, more)}."
        )
    return (
        f"This test cannot tell whether {more} or {less} burns more{setup}: the "
        f"{level} interval runs {_signed_range(low, high, more)} "
        f"({_bakes_of(comparison, pair)})."
    )


def _answer_many(comparison: PitComparison, setup: str) -> str:
    table = comparison.table
    differs = table[table["verdict"].str.startswith("differs")]
    if differs.empty:
        equal = table["verdict"] == "no difference beyond the margin"
        if equal.all():
            return (
                f"No two of the {len(comparison.rates)} pits differ by more than the "
                f"margin of {points(comparison.margin or 0)}{setup}."
            )
        return (
            "This test cannot tell the pits apart"
            f"{setup}: no pair of the {_n_pits(comparison)} pits is separated once all "
            f"{len(table)} comparisons are allowed for."
        )
    by_pit: dict[str, list[str]] = {}
    for _, pair in differs.iterrows():
        more, less = _more_and_less(pair)
        low, high = _sorted_ends(pair)
        inside = ", within the margin" if pair["verdict"] != "differs" else ""
        by_pit.setdefault(more, []).append(f"{less} ({_range(low, high)} more{inside})")
    parts = [f"{more} burned more than {listed(less)}" for more, less in by_pit.items()]
    level = level_text(comparison.conf_level)
    text = (
        f"In these conditions{setup}, {'; '.join(parts)}; {level} intervals that allow "
        f"for all {len(table)} pairs."
    )
    alike = int((table["verdict"] == "no difference beyond the margin").sum())
    unknown = int((table["verdict"] == "cannot tell").sum())
    if alike:
        verb = "differs" if alike == 1 else "differ"
        text += (
            f" {count(alike, 'pair').capitalize()} {verb} by no more than the margin "
            f"of {points(comparison.margin or 0)}."
        )
    if unknown:
        text += (
            f" {count(unknown, 'other pair').capitalize()} of pits cannot be told "
            "apart by this test."
        )
    return text


def _n_pits(comparison: PitComparison) -> int:
    return len(set(comparison.table["pit_a"]) | set(comparison.table["pit_b"]))


def headline_number(comparison: PitComparison) -> tuple[str, str]:
    """Give the one number with its range for the first screen.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.

    Returns
    -------
    tuple of str
        The number, and the sentence that says what it is and what it rests on. With
        more than two pits it is the largest difference, whose simultaneous interval
        already allows for having been picked.

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
    level = level_text(comparison.conf_level)
    what = "Difference" if len(table) == 1 else "Largest difference"
    allowed = "" if len(table) == 1 else f", allowing for all {len(table)} pairs"
    text = (
        f"{what} in long-run burn rate, {more} minus {less}; {level} interval"
        f"{allowed}: {_signed_range(low, high, more)}. It rests on "
        f"{_bakes_of(comparison, pair)}."
    )
    number = points(pair["estimate"])
    if comparison.one_bake_each:
        text += " Its width is set by assumption, not by these data."
        number += ", no verdict"
    elif pair["verdict"] == "cannot tell":
        number += ", cannot tell"
    return number, text


def pair_sentence(comparison: PitComparison, pit_a: str, pit_b: str) -> str:
    """Say what is known about one pair of pits.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    pit_a, pit_b : str
        The pair, in either order.

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
    verdict = str(pair["verdict"])
    span = _signed_range(low, high, more)
    p = p_text(float(pair["p_adjusted"]), adjusted=len(table) > 1)
    if verdict == "one bake each":
        return (
            f"{more} against {less}: no verdict from one bake each. The long-run "
            f"difference may run {span}; that width is set by assumption."
        )
    if verdict.startswith("differs"):
        tail = ", inside the margin" if verdict != "differs" else ""
        return f"{more} burned more than {less}{tail}: {span} ({p})."
    if verdict == "no difference beyond the margin":
        margin = points(comparison.margin or 0)
        return f"{more} and {less} differ by no more than {margin}: {span}."
    excluded = points(max(abs(low), abs(high)))
    return (
        f"{more} against {less}: this test cannot tell; {span} ({p}). "
        f"Differences larger than {excluded}, whichever pit is ahead, are excluded."
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
        f"would run {_signed_range(ends[0], ends[1], more)}."
    )
    if naive_width and width < 1.05 * naive_width:
        return (
            f"{start} With bakes as the unit the interval is no wider here: the bakes "
            "hardly differed, or the model uses the places of the items as well."
        )
    wider = f"{width / naive_width:.1f} times as wide" if naive_width else "wider"
    alone = " for this pair alone" if len(comparison.table) > 1 else ""
    return (
        f"{start} Items of one bake share one fire, so that is too sure of itself; "
        f"with bakes as the unit the interval{alone} is {wider}."
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
        return (
            "The pits are compared as baked, wherever the items lay. A comparison on a "
            f"common layout is not possible: {both.why_not}"
        )
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
        agreement = "Both give the same verdicts."
    return f"{lead} {agreement} {both.common.layout_note}"


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
    """Say whether the verdicts depend on where "burned" begins.

    Parameters
    ----------
    cuts : pandas.DataFrame
        As returned by `compare_cut_verdicts`.

    Returns
    -------
    str
        One or two sentences; only separated pairs are named.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("nothing_burned")
    >>> cuts_sentence(ps.compare_cut_verdicts(study)).startswith("With")
    True
    """
    if cuts.empty:
        return "Only burned or not was recorded, so no other cut can be shown."
    if (cuts["verdict"] == "one bake each").all():
        return "With one bake of each pit no cut gives a verdict."
    parts = []
    for cut, group in cuts.groupby("burned_from", sort=False):
        differs = group[group["verdict"].str.startswith("differs")]
        pairs = [
            f"{more} more than {less}"
            for more, less in (_more_and_less(pair) for _, pair in differs.iterrows())
        ]
        stated = " (as stated)" if bool(group["headline"].iloc[0]) else ""
        found = listed(pairs) if pairs else "no pits separated"
        parts.append(f"'{one_line(cut)}' or darker{stated}: {found}")
    return f"With burned taken to mean {'; '.join(parts)}."


def methods_caption(comparison: PitComparison, methods: pd.DataFrame) -> str:
    """Say which pair the table of methods is about."""
    first = methods.iloc[0]
    names = f"{one_line(first['pit_a'])} \N{MINUS SIGN} {one_line(first['pit_b'])}"
    return (
        f"{names}, as baked, by other methods ({level_text(comparison.conf_level)} "
        "intervals of this pair alone)"
    )


def pairs_caption(comparison: PitComparison) -> str:
    """Say what the table of pairs shows."""
    level = level_text(comparison.conf_level)
    where = (
        "on the places that all pits share" if _is_common(comparison) else "as baked"
    )
    return (
        f"Differences of long-run burn rates in percentage points, {where}, with "
        f"{level} intervals (unit of replication: the bake)"
    )


def largest_difference(comparison: PitComparison) -> int:
    """Position of the pair with the largest difference."""
    return int(comparison.table["estimate"].abs().argmax())


def _bakes_of(comparison: PitComparison, pair: pd.Series) -> str:
    """Unit of replication behind one pair."""
    bakes = comparison.n_bakes
    first, second = (int(bakes.get(pair[side], 0)) for side in ("pit_a", "pit_b"))
    if first == second:
        return f"{count(first, 'bake')} of each pit"
    names = one_line(pair["pit_a"]), one_line(pair["pit_b"])
    return (
        f"{count(first, 'bake')} of {names[0]}, {count(second, 'bake')} of {names[1]}"
    )


def _is_common(comparison: PitComparison) -> bool:
    return comparison.layout == "common" and comparison.cells is not None


def _more_and_less(pair: pd.Series) -> tuple[str, str]:
    names = one_line(pair["pit_a"]), one_line(pair["pit_b"])
    return names if pair["estimate"] >= 0 else (names[1], names[0])


def _sorted_ends(pair: pd.Series) -> tuple[float, float]:
    """Ends of the deciding interval, seen from the pit that burned more."""
    low, high = float(pair["simultaneous_low"]), float(pair["simultaneous_high"])
    return (low, high) if pair["estimate"] >= 0 else (-high, -low)


def _range(low: float, high: float) -> str:
    return f"{points(low).split()[0]} to {points(high)}"


def _signed_range(low: float, high: float, more: str) -> str:
    if low > 0:
        return f"from {_range(low, high)} more for {more}"
    return f"from {points(low)} less to {points(high)} more for {more}"
