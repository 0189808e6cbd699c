"""How sure is every pair of pits? All differences, counted in several ways."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

import pandas as pd

from pitstats.analysis.rates.other_methods import compare_methods
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.results import PitComparison
from pitstats.figures.rates import plot_differences
from pitstats.report.numbers import (
    MINUS,
    level_text,
    p_number,
    p_text,
    point_spans,
    points,
    points_span,
    signed_points,
)
from pitstats.report.section import Part, Picture, Section, Sentences, Table, Text
from pitstats.report.study_results import StudyResults
from pitstats.report.words import (
    BORROWED,
    BY_ASSUMPTION,
    IN_BAKES,
    ahead,
    averaged_over,
    conditions,
    count,
    fewest_bakes,
    listed,
    more_span,
    number_word,
    one_line,
    plural,
    read_with,
    sentence,
)

QUESTION = "How sure is each difference?"


def section(results: StudyResults) -> Section:
    """Every pair: picture, sentences, table, and what other methods say."""
    comparison, both = results.comparison, results.both
    said = [pair_sentence(results, row) for row in _rows(comparison)]
    body: list[Part] = [Text(note, "note") for note in _read_with(results)]
    if not comparison.one_bake_each:
        differences = partial(plot_differences, comparison)
        body.append(Picture("differences", differences, " ".join(said)))
    body += [
        Sentences(said),
        Table("pairs", pair_table(comparison), caption(comparison), comparison.table),
        Sentences(naive_sentences(comparison)),
        Sentences(ways_sentences(both)),
    ]
    if both.common is not None:
        frames = [both.as_baked.table.assign(layout="as baked")]
        frames.append(both.common.table.assign(layout="common"))
        ways = pd.concat(frames, ignore_index=True)
        both_ways = "As baked and on the common layout, in points"
        body.append(Table("ways", ways_table(both), both_ways, ways))
    if not comparison.one_bake_each:
        methods = compare_methods(results.study, both.as_baked)
        about = _methods_caption(both.as_baked, methods)
        shown = methods_table(methods)
        body.append(Table("other_methods", shown, about, methods))
    return Section(
        id="pairs", question=QUESTION, answer=in_short(comparison), body=body
    )


def in_short(comparison: PitComparison) -> str:
    """How many pairs have which verdict, in one sentence."""
    verdicts = comparison.table["verdict"]
    if comparison.one_bake_each:
        return "None has a verdict: one bake of a pit does not show how bakes differ."
    n_pairs = len(verdicts)
    if n_pairs == 1:
        pair = ahead(comparison.table.iloc[0])
        span = more_span(pair.low, pair.high)
        level = level_text(comparison.conf_level)
        return f"{level} interval: {span} for {pair.more}."
    kinds = {
        "separated": int(verdicts.str.startswith("differs").sum()),
        "within the margin": int((verdicts == "no difference beyond the margin").sum()),
        "open": int((verdicts == "cannot tell").sum()),
    }
    parts = [f"{number_word(n)} {kind}" for kind, n in kinds.items() if n]
    return f"Of {count(n_pairs, 'pair')} {listed(parts)}."


def pair_sentence(results: StudyResults, row: pd.Series) -> str:
    """Say what is known about one pair of pits."""
    comparison = results.comparison
    pair, pits = ahead(row), [str(row["pit_a"]), str(row["pit_b"])]
    span = f"{more_span(pair.low, pair.high)} for {pair.more}"
    verdict = str(row["verdict"])
    if verdict == "one bake each":
        return (
            f"{pair.more} and {pair.less}: no verdict from one bake each; the long-run "
            f"difference may be {span}, and {BY_ASSUMPTION}."
        )
    where = conditions(comparison, pits, results.findings)
    basis = p_text(float(row["p_adjusted"]), adjusted=len(comparison.table) > 1)
    basis += f"; {BORROWED}" * (fewest_bakes(comparison, pits) <= 1)
    if verdict.startswith("differs"):
        inside = ", inside the margin" * (verdict != "differs")
        return (
            f"{pair.more} burned more than {pair.less} {where}{inside}: {span} "
            f"({basis})."
        )
    if verdict == "no difference beyond the margin":
        margin = points(comparison.margin or 0)
        return (
            f"{pair.more} and {pair.less}: no difference larger than the margin of "
            f"{margin} {where}: {span} ({basis})."
        )
    largest = points(max(abs(pair.low), abs(pair.high)))
    return (
        f"{pair.more} and {pair.less}: this test cannot tell {where}; {span} "
        f"({basis}); more than {largest} either way is excluded."
    )


def _rows(comparison: PitComparison) -> Iterable[pd.Series]:
    return (row for _, row in comparison.table.iterrows())


def _read_with(results: StudyResults) -> list[str]:
    line = read_with(results.findings, "difference")
    return [line] if line else []


def pair_table(comparison: PitComparison) -> pd.DataFrame:
    """All pairs, the pit that is ahead first, as a reader takes them in."""
    rows = []
    several = len(comparison.table) > 1
    naive = comparison.naive.assign(estimate=comparison.table["estimate"])
    for row, counted in zip(_rows(comparison), naive.iterrows(), strict=True):
        pair, alone = ahead(row), ahead(row, "conf")
        items = ahead(counted[1], "conf")
        cells = {
            "Pair": f"{pair.more} {MINUS} {pair.less}",
            "Verdict": row["verdict"],
            "Difference, points": signed_points(pair.estimate),
            "Interval, all pairs": _ends(pair.low, pair.high),
            "Interval, this pair alone": _ends(alone.low, alone.high),
            "If each item counted": _ends(items.low, items.high),
            "p, adjusted" if several else "p": p_number(float(row["p_adjusted"])),
        }
        if not several:
            del cells["Interval, all pairs"]
        if comparison.one_bake_each:
            # A p-value would look like a verdict where none is given.
            cells.pop("p, adjusted" if several else "p")
        rows.append(cells)
    return pd.DataFrame(rows)


def _ends(low: float, high: float) -> str:
    return f"{signed_points(low)} to {signed_points(high)}"


def caption(comparison: PitComparison) -> str:
    """Say what the table of pairs shows."""
    return (
        f"Differences of long-run burn rates in percentage points, with "
        f"{level_text(comparison.conf_level)} intervals, {averaged_over(comparison)} "
        "(unit of replication: the bake)"
    )


def naive_sentences(comparison: PitComparison) -> list[str]:
    """Compare the interval with the usual mistake of counting every item."""
    place = int(comparison.table["estimate"].abs().argmax())
    row = comparison.table.iloc[place]
    naive = comparison.naive.iloc[place]
    counted = ahead({**naive.to_dict(), "estimate": row["estimate"]}, "conf")
    alone = ahead(row, "conf")
    said = (
        f"If every item counted as independent, the interval for {counted.more} minus "
        f"{counted.less} {IN_BAKES} would be {more_span(counted.low, counted.high)}"
    )
    width, naive_width = alone.high - alone.low, counted.high - counted.low
    if naive_width and width < 1.05 * naive_width:
        return [
            f"{said}.",
            "With bakes as the unit it is no wider here: the bakes hardly differed, or "
            "the model uses the places of the items as well.",
        ]
    wider = f"{width / naive_width:.1f} times as wide" if naive_width else "wider"
    return [
        f"{said}.",
        "Items of one bake share one fire, so that is too sure of itself; with bakes "
        f"as the unit the interval is {wider}.",
    ]


def ways_sentences(both: BothWays) -> list[str]:
    """Say which comparison leads, why, and whether the other agrees."""
    if both.common is None:
        return [
            "The pits are compared as baked, wherever the items lay.",
            f"No common layout: {sentence(one_line(both.why_not))}",
        ]
    lead = (
        "Items did not lie at the same places in all pits, so the comparison on the "
        "places that all pits share leads."
        if both.leads == "common"
        else "Items lay at about the same places in all pits, so the comparison as "
        "baked leads; the one on a common layout stands beside it."
    )
    return [lead, _agreement(both, both.common), both.common.layout_note]


def _agreement(both: BothWays, common: PitComparison) -> str:
    changed = _changed_verdicts(both.as_baked, common)
    if both.as_baked.one_bake_each:
        return "Neither gives a verdict from one bake each."
    if not changed:
        return "Both ways, with bakes as the unit, agree on every verdict."
    if both.leads == "common":
        return (
            f"As baked, the verdict for {listed(changed)} would be another: the raw "
            "counts mix the pits with the places their items had."
        )
    return (
        f"On the common layout the verdict for {listed(changed)} would be another: "
        "that answer is not firm."
    )


def _changed_verdicts(one: PitComparison, other: PitComparison) -> list[str]:
    merged = one.table.merge(other.table, on=["pit_a", "pit_b"], suffixes=("", "_b"))
    turned = merged["estimate"] * merged["estimate_b"] < 0
    changed = (merged["verdict"] != merged["verdict_b"]) | (
        turned & merged["verdict"].str.startswith("differs")
    )
    return [
        f"{one_line(row['pit_a'])} and {one_line(row['pit_b'])}"
        for row in merged[changed].to_dict("records")
    ]


def ways_table(both: BothWays) -> pd.DataFrame:
    """All pairs as baked and on a common layout, seen from the pit that is ahead."""
    assert both.common is not None
    # The leading comparison decides who is ahead, for both columns.
    sign = both.leading.table["estimate"].map(lambda value: -1.0 if value < 0 else 1.0)
    columns: dict[str, list[str]] = {
        "Pair": [
            f"{pair.more} {MINUS} {pair.less}"
            for pair in map(ahead, _rows(both.leading))
        ]
    }
    for name, own in (("As baked", both.as_baked), ("Common layout", both.common)):
        columns[name] = [
            points_span(*(s * row["estimate"], *_turned(s, row)))
            for s, row in zip(sign, _rows(own), strict=True)
        ]
        columns[f"Verdict, {name.lower()}"] = own.table["verdict"].tolist()
    return pd.DataFrame(columns)


def _turned(sign: float, row: pd.Series) -> tuple[float, float]:
    low, high = float(row["simultaneous_low"]), float(row["simultaneous_high"])
    return (low, high) if sign > 0 else (-high, -low)


def methods_table(methods: pd.DataFrame) -> pd.DataFrame:
    """One pair by several methods, the pit that is ahead first."""
    turn = methods["estimate"].iloc[0] < 0
    seen = methods.copy()
    if turn:
        seen["estimate"] = -methods["estimate"]
        seen["conf_low"], seen["conf_high"] = (
            -methods["conf_high"],
            -methods["conf_low"],
        )
    return pd.DataFrame(
        {
            "Method": seen["method"],
            "Unit": seen["unit"],
            "Difference, points": seen["estimate"].map(signed_points),
            "Interval": point_spans(seen),
            "Note": seen["note"],
        }
    )


def _methods_caption(comparison: PitComparison, methods: pd.DataFrame) -> str:
    pair = ahead(methods.iloc[0], "conf")
    several = len(comparison.table) > 1
    picked = ", picked after looking, which they do not allow for" * several
    return (
        f"{pair.more} {MINUS} {pair.less}, as baked, by other methods "
        f"({level_text(comparison.conf_level)} {plural(2, 'interval')} of this pair "
        f"alone{picked})"
    )
