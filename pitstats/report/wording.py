"""Results in, sentences out. Every sentence a reader meets about a result is made here.

The evidence chooses the words: one bake per pit never says "burns more", a wide
interval never says "the same", and none burned never says "never".
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd

from pitstats.analysis.both_ways import BothWays
from pitstats.analysis.more_bakes import MoreBakes
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.study.settings import Settings

_NUMBER_WORDS = (
    "none",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
)
_OUTCOME_VERB = {
    "burned": "burned",
    "underbaked": "left under-baked",
    "good": "baked well",
}


def percent(share: float) -> str:
    """Write a share as a whole per cent, with one digit where that would say 0 or 100.

    Parameters
    ----------
    share : float
        Between 0 and 1, or NaN.

    Returns
    -------
    str
        For example ``"28%"``, ``"0.4%"``; ``"unknown"`` for NaN.

    Examples
    --------
    >>> percent(0.284), percent(0.004), percent(0.0)
    ('28%', '0.4%', '0%')
    """
    if math.isnan(share):
        return "unknown"
    value = 100 * float(share)
    if 0 < value < 0.95 or 99.05 < value < 100:
        return f"{value:.1f}%"
    return f"{value:.0f}%"


def points(difference: float) -> str:
    """Write a difference of rates in percentage points.

    Parameters
    ----------
    difference : float
        Between -1 and 1.

    Returns
    -------
    str
        For example ``"29 points"``; the sign is left to the sentence.

    Examples
    --------
    >>> points(-0.01), points(0.294), points(0.004)
    ('1 point', '29 points', '0.4 points')
    """
    value = abs(100 * float(difference))
    text = f"{value:.1f}" if 0 < value < 0.95 else f"{value:.0f}"
    return f"{text} point" if text == "1" else f"{text} points"


def count(n: int, noun: str) -> str:
    """Write a number with its noun, as a word up to ten.

    Examples
    --------
    >>> count(1, "bake"), count(12, "item")
    ('one bake', '12 items')
    """
    number = _NUMBER_WORDS[n] if 0 <= n < len(_NUMBER_WORDS) else str(n)
    return f"{number} {noun}" if n == 1 else f"{number} {noun}s"


def listed(names: Sequence[str]) -> str:
    """Join names the way a sentence does.

    Examples
    --------
    >>> listed(["Quarry", "Ferry", "Mill"])
    'Quarry, Ferry and Mill'
    """
    names = [one_line(name) for name in names]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def one_line(text: object) -> str:
    """Return a user's text on one line, otherwise as typed."""
    return " ".join(str(text).split())


def level_text(conf_level: float) -> str:
    """Write a level as in ``95%`` or ``99.9%``."""
    return f"{100 * conf_level:g}%"


def rate_sentence(rates: BurnRates, pit: str) -> str:
    """One pit's rate, its interval and what it rests on.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates` or `estimate_shares`.
    pit : str
        Name of the pit.

    Returns
    -------
    str
        One or two sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("nothing_burned"))
    >>> "none of" in rate_sentence(rates, "Ferry")
    True
    """
    row, name = _rate_of(rates, pit), one_line(pit)
    if row["n_items"] == 0:
        return f"{name}: no graded items, so no rate."
    verb = _OUTCOME_VERB[rates.outcome]
    ends = f"{percent(row['conf_low'])} to {percent(row['conf_high'])}"
    level = level_text(rates.conf_level)
    basis = f"{count(row['n_bakes'], 'bake')}, {row['n_items']} items"
    if row["n_bakes"] == 1 and rates.table["n_bakes"].max() == 1:
        return (
            f"In this one bake {name} {verb} {row['n_burned']} of {row['n_items']} "
            f"items. Its long-run share may be anywhere from {ends} ({level} interval; "
            "width set by assumption, not by these data)."
        )
    if row["n_burned"] == 0:
        return (
            f"{name} {verb} none of {row['n_items']} items in "
            f"{count(row['n_bakes'], 'bake')}; its true share could still be up to "
            f"{percent(row['conf_high'])} ({level} interval)."
        )
    return (
        f"{name} {verb} {percent(row['estimate'])} of items in the long run ({level} "
        f"interval {ends}; {basis})."
    )


def more_bakes_sentences(more: MoreBakes) -> list[str]:
    """Say what further bakes of every pit would do, and how sure that is.

    Parameters
    ----------
    more : MoreBakes
        As returned by `expect_more_bakes`.

    Returns
    -------
    list of str
        One sentence for each number of extra bakes.

    Examples
    --------
    >>> import numpy as np
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> more = ps.expect_more_bakes(
    ...     study, ps.compare_pits(study), studies=20, rng=np.random.default_rng(1)
    ... )
    >>> more_bakes_sentences(more)[0].startswith("With one more bake of every pit")
    True
    """
    now, later = more.table.iloc[0], more.table.iloc[1:]
    pair = f"{one_line(more.pit_a)} and {one_line(more.pit_b)}"
    lines = []
    for row in later.to_dict("records"):
        lines.append(
            f"With {count(int(row['extra_bakes']), 'more bake')} of every pit the "
            f"interval for {pair} would be about {points(row['width'])} wide "
            f"(now {points(now['width'])}), and the chance that it separates the two "
            f"is {percent(row['separated'])} (simulation error "
            f"{points(row['separated_error'])})."
        )
    return lines


SEPARATED_ALREADY = (
    "Every pair of pits has a verdict already; more bakes would only narrow the "
    "intervals."
)


ASSUMED_SPREAD = (
    "With one bake each, how much bakes differ is assumed, not measured, and these "
    "chances lean on that assumption."
)

SHRINKAGE = (
    "With few bakes the long-run share lies nearer 50% than the share seen: bakes that "
    "are still to come may be hotter or cooler than these, and a rate near 0% or 100% "
    "has more room on one side. The interval is what to quote."
)


def more_bakes_note(more: MoreBakes, seed: int) -> str:
    """Say how the expectation was made."""
    return (
        f"From {more.studies} simulated continuations of this study for each number of "
        "bakes, drawn from what it leaves unknown about rates and spread (seed "
        f"{seed}), each with as many items a bake as before."
    )


def effective_sentence(rates: BurnRates, pit: str) -> str:
    """Say in words how much the items of shared fires are worth.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.
    pit : str
        Name of the pit.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("one_bake_each"))
    >>> print(effective_sentence(rates, "Ferry"))
    Ferry: 16 items from one fire; how many independent items they are worth is
    unknown.
    """
    row, name = _rate_of(rates, pit), one_line(pit)
    items = row["n_items"]
    if items == 0:
        return f"{name}: no graded items."
    start = f"{name}: {items} items from {count(row['n_bakes'], 'fire')}"
    if math.isnan(row["effective_items"]):
        return f"{start}; how many independent items they are worth is unknown."
    effective = max(round(row["effective_items"]), 1)
    return f"{start} carry as much as about {effective} independent ones."


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
        by_pit.setdefault(more, []).append(f"{less} ({_range(low, high)} more)")
    parts = [f"{more} burned more than {listed(less)}" for more, less in by_pit.items()]
    rest = len(table) - len(differs)
    level = level_text(comparison.conf_level)
    text = (
        f"In these conditions{setup}, {'; '.join(parts)}; {level} intervals that allow "
        f"for all {len(table)} pairs."
    )
    if rest:
        pairs = "pair" if rest == 1 else "pairs"
        text += f" The other {rest} {pairs} of pits cannot be told apart by this test."
        equal_count = int((table["verdict"] == "no difference beyond the margin").sum())
        if equal_count == rest:
            margin = points(comparison.margin or 0)
            text = text.replace(
                "cannot be told apart by this test",
                f"differ by no more than the margin of {margin}",
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


def p_text(p_value: float, *, adjusted: bool = True) -> str:
    """Write a p-value; never ``0`` and never ``1``.

    Examples
    --------
    >>> p_text(0.0321), p_text(0.00004), p_text(0.9999, adjusted=False)
    ('adjusted p = 0.032', 'adjusted p < 0.001', 'p > 0.99')
    """
    name = "adjusted p" if adjusted else "p"
    if p_value < 0.001:
        return f"{name} < 0.001"
    if p_value > 0.99:
        return f"{name} > 0.99"
    return f"{name} = {p_value:.{2 if p_value >= 0.1 else 3}f}"


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
    wider = f"{width / naive_width:.1f} times as wide" if naive_width else "wider"
    return (
        f"If every item counted as independent, the interval for {more} minus {less} "
        f"would run {_signed_range(ends[0], ends[1], more)}. Items of one bake share "
        f"one fire, so that is too sure of itself; with bakes as the unit the interval "
        f"is {wider}."
    )


def bake_spread_sentence(rates: BurnRates) -> str:
    """Say how much bakes of one pit differ.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.

    Returns
    -------
    str
        One sentence in a cook's words and on the logit scale.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("four_pits"))
    >>> bake_spread_sentence(rates).startswith("Bakes of one pit")
    True
    """
    estimate, low, high = rates.bake_sd
    if rates.table["n_bakes"].max() <= 1:
        return (
            "With one bake per pit the data say almost nothing about how much bakes of "
            "one pit differ."
        )
    if low < 0.3 and high > 1.0:
        mood = "may hardly differ or differ a lot; these bakes cannot say"
    elif estimate < 0.45:
        mood = "hardly differed"
    elif estimate < 0.8:
        mood = "differed about as much as is usual"
    else:
        mood = "differed a lot"
    return (
        f"Bakes of one pit {mood}: SD between bakes {estimate:.2f} on the logit scale "
        f"({level_text(rates.conf_level)} interval {low:.2f} to {high:.2f})."
    )


def missing_sentence(rates: BurnRates) -> str:
    """Say what the missing items could have changed.

    Parameters
    ----------
    rates : BurnRates
        Rates of the study.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> import pitstats as ps
    >>> missing_sentence(ps.estimate_burn_rates(ps.demo_study("one_bake_each")))
    'Every item that was placed was graded.'
    """
    frame = rates.missing_range
    affected = frame[frame["n_missing"] > 0]
    if (rates.bakes["source"] == "counts").all():
        return "Only totals were kept, so it is not known whether items were missing."
    if affected.empty:
        return "Every item that was placed was graded."
    parts = [
        f"{one_line(row['pit'])} {percent(row['lowest'])} to "
        f"{percent(row['highest'])} ({row['n_missing']} missing; "
        f"{percent(row['observed'])} with them left out)"
        for row in affected.to_dict("records")
    ]
    return (
        "Missing items are left out, never counted as unburned. Had none or all of "
        f"them burned, the shares seen would have been: {listed(parts)}."
    )


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


def regrades_sentence(n_graded: int) -> str:
    """Say that second gradings are kept but not used here."""
    return (
        f"{count(n_graded, 'second grading').capitalize()} on record: kept with the "
        "study, not used in any number of this report."
    )


def fairness_sentence(severities: Sequence[str]) -> str:
    """Sum up how fair the test was.

    Parameters
    ----------
    severities : sequence of str
        Severities of the findings of `audit_fairness`.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> fairness_sentence(["note"])
    'No unfairness was found in the record; one note for the reader.'
    """
    spoils = severities.count("spoils")
    weakens = severities.count("weakens")
    n_notes = severities.count("note")
    if spoils:
        return (
            f"{count(spoils, 'finding').capitalize()} may spoil the comparison; read "
            f"{'it' if spoils == 1 else 'them'} before quoting any number."
        )
    if weakens:
        return (
            f"Nothing in the record spoils the comparison; {count(weakens, 'finding')} "
            f"{'weakens' if weakens == 1 else 'weaken'} it."
        )
    if n_notes:
        return (
            "No unfairness was found in the record; "
            f"{count(n_notes, 'note')} for the reader."
        )
    return "No unfairness was found in the record."


SAFETY = (
    "Fire and hot steel: keep children and pets at least 3 ft (1 m) away, use long "
    "tools and gloves, never leave a burning pit.",
    "Distance: local rules differ, some ask for 10 ft (3 m) from anything that burns; "
    "ask the fire authority and use the larger figure.",
    "Carbon monoxide: burn outdoors only, never in a garage, tent, vehicle or under a "
    "porch roof; embers give it off until they are out.",
    "Ash: embers stay hot for days; use a metal bin with a tight lid, outdoors, away "
    "from anything that burns. Do not burn in high wind.",
    "Fuel: no fluid on a lit fire; no treated, painted or glued wood. Clean the grate "
    "and drip path first, old grease can flare.",
    "Raw dough: do not taste it; wash hands, tools and surfaces; keep it as cold as "
    "its label asks. Items graded raw are not served, burned ones are thrown away.",
    "Allergens: biscuits commonly hold wheat, milk and soy.",
)

SAFETY_CLOSING = (
    "Labels, makers' manuals, local fire code and licensed practice come before "
    "anything said here. This report gives no verdict on doneness, safety or fire code."
)


def limits(comparison: PitComparison, rates: BurnRates) -> list[str]:
    """List what this test cannot say.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    rates : BurnRates
        Rates of the same study.

    Returns
    -------
    list of str
        Sentences; the caveats of both results first, each once.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("nothing_burned")
    >>> sentences = limits(ps.compare_pits(study), ps.estimate_burn_rates(study))
    >>> any("could still be up to" in sentence for sentence in sentences)
    True
    """
    found = list(dict.fromkeys([*comparison.caveats, *rates.caveats]))
    table = rates.table
    none_burned = table[(table["n_burned"] == 0) & (table["n_items"] > 0)]
    found += [rate_sentence(rates, pit) for pit in none_burned["pit"]]
    if (comparison.table["verdict"] == "cannot tell").any():
        found.append(
            "'Cannot tell' is not 'the same': these bakes are compatible with a "
            "difference and with none."
        )
    found.append(
        "The rates hold for these pits in these conditions: this wood, this weather, "
        "these items, these people. They are not properties of a kind of pit."
    )
    found.append(
        "The intervals assume that bakes of all pits vary about equally. If one pit's "
        "fire is much moodier than the others', its own interval is somewhat too short."
    )
    return found


MAP_CAPTION = (
    "Each cell: burned / graded items over all bakes, on one scale for all pits. The "
    "black bar is the firebox end; row 1 is nearest the door. A hatched cell has no "
    "graded item; a hatched strip marks items lost. Nothing is smoothed: with a few "
    "bakes per cell, single dark cells are weak evidence."
)


def rates_caption(rates: BurnRates) -> str:
    """Explain the picture of the rates in one line."""
    return (
        "Diamond: long-run estimate; wide bar: its "
        f"{level_text(rates.conf_level)} interval with the bake as the unit; thin "
        "line: the interval if every item counted; circles: single bakes, larger for "
        f"more items.{_places(rates)}"
    )


def _places(rates: BurnRates) -> str:
    if "places that all pits share" not in rates.estimand:
        return " As baked, wherever the items lay."
    return " Counted and averaged over the places that all pits share."


def rates_table_caption(rates: BurnRates) -> str:
    """Say what a table of rates shows."""
    word = {
        "burned": "Burned items",
        "underbaked": "Under-baked items (palest graded face)",
        "good": "Good items (every graded face within the target grades)",
    }
    return (
        f"{word[rates.outcome]}: long-run share per pit with "
        f"{level_text(rates.conf_level)} interval (unit of replication: the bake)."
        f"{_places(rates)}"
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


def rules_sentence(settings: Settings) -> str:
    """State the rules under which the pits were compared.

    Parameters
    ----------
    settings : Settings
        Of the study.

    Returns
    -------
    str
        Temperature rule first, because it says what was compared.

    Examples
    --------
    >>> import pitstats as ps
    >>> rules_sentence(ps.demo_study("four_pits").settings).split(":")[0]
    'Temperature rule'
    """
    meaning = {
        "same indicated": "same indicated (pits and their gauges are compared)",
        "same grate": "same grate (the pits are compared, their gauges are not)",
        "maker's setting": "maker's setting (each pit as its maker advises)",
        "tuned": "tuned (each pit set up beforehand)",
    }
    rule = meaning.get(settings.temperature_rule, one_line(settings.temperature_rule))
    stop = one_line(settings.stop_rule) or "not stated"
    margin = "not stated" if settings.margin is None else f"{points(settings.margin)}"
    face = "the darkest face" if settings.face == "worst" else f"the {settings.face}"
    last = settings.burned_from == settings.grades[-1]
    darker = "" if last else " or darker"
    return (
        f"Temperature rule: {rule}. Stop rule: {stop}. Burned means "
        f"'{one_line(settings.burned_from)}'{darker} on {face}. Smallest difference "
        f"that would change advice: {margin}."
    )


def grades_caption(settings: Settings) -> str:
    """Say which face the bars of grades show."""
    face = "darkest recorded face" if settings.face == "worst" else settings.face
    return (
        f"Grade of the {face} of every graded item, palest first; numbers are items. "
        "Missing items are not in the bars."
    )


def map_in_words(cells: pd.DataFrame) -> str:
    """Describe the maps for those who cannot see them."""
    parts = []
    for (pit, grate), own in cells.groupby(["pit", "grate"], sort=False):
        half = own["column"] <= own["column"].max() / 2
        near, far = own[half], own[~half]
        parts.append(
            f"{one_line(pit)}, {one_line(grate)} grate: firebox half "
            f"{near['n_burned'].sum()} of {near['n_items'].sum()} burned, far half "
            f"{far['n_burned'].sum()} of {far['n_items'].sum()}."
        )
    return " ".join(parts)


def grades_in_words(counts: pd.DataFrame) -> str:
    """Describe the bars of grades for those who cannot see them."""
    parts = []
    for pit, own in counts.groupby("pit", sort=False):
        grades = [
            f"{n_items} {one_line(grade)}"
            for n_items, grade in zip(own["n_items"], own["grade"], strict=True)
        ]
        parts.append(f"{one_line(pit)}: {listed(grades)}.")
    return " ".join(parts)


def method(comparison: PitComparison, rates: BurnRates) -> list[str]:
    """Describe the method from the settings used, with sources.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    rates : BurnRates
        Rates of the same study.

    Returns
    -------
    list of str
        Sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> lines = method(ps.compare_pits(study), ps.estimate_burn_rates(study))
    >>> any("Jeffreys" in line for line in lines)
    True
    """
    level = level_text(rates.conf_level)
    n_bakes = int(rates.table["n_bakes"].sum())
    lines = [
        f"Unit of replication: the bake ({n_bakes} kept bakes). Items of one bake "
        "share one fire and are not independent.",
        "Model: the log odds of burning are a pit's level plus a normal bake effect; a "
        "pit's rate is its probability averaged over bakes. Rates have a Beta(1/2, "
        "1/2) prior (Jeffreys 1946, Proc R Soc A 186:453), the SD between bakes a "
        "uniform prior on 0 to 2.5 (after Gelman 2006, Bayesian Analysis 1:515), "
        "common to all pits. The posterior is computed on a grid, without sampling.",
        f"Intervals are equal-tailed {level} posterior intervals. In simulations of "
        "two pits with two to ten bakes they covered the true difference in 94% or "
        "more of studies in every setting tried, for 95% claimed, while counting items "
        "as independent covered as little as 55%.",
    ]
    if len(comparison.table) > 1:
        lines.append(
            "Verdicts follow simultaneous intervals for all pairs, built from joint "
            "posterior ranks (Besag, Green, Higdon and Mengersen 1995, Statistical "
            "Science 10:3); adjusted p-values match them."
        )
    if comparison.formula is not None:
        lines.append(
            f"Common layout: a logistic model with formula '{comparison.formula}', "
            "bakes as normal random effects and one slope along the grate for each "
            "pit; rates are averaged over the same cells for all pits (g-formula; "
            "Muller and MacLehose 2014, Int J Epidemiol 43:962). Slopes have log-F(1,1)"
            " priors over the full range of the layout (Greenland and Mansournia 2015, "
            "Stat Med 34:3133). The posterior is computed by weighted quasi-random "
            f"draws with a fixed seed. {comparison.session_note}"
        )
    lines.append(
        "The intervals 'if each item counted' are Wilson's for one share and "
        "Newcombe's for a difference (Newcombe 1998, Stat Med 17:857 and 17:873)."
    )
    return lines


def _rate_of(rates: BurnRates, pit: str) -> Mapping[Hashable, Any]:
    """One pit's row of the table of rates, its numbers as plain int and float."""
    return rates.table.set_index("pit").to_dict("index")[pit]


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


def largest_difference(comparison: PitComparison) -> int:
    """Position of the pair with the largest difference."""
    return int(comparison.table["estimate"].abs().argmax())


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
