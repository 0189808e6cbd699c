"""How sure is every pair of pits? All differences, counted in several ways."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.rates.other_methods import compare_methods
from pitstats.analysis.rates.pairs import SEPARATED, largest_difference, seen_ahead
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.results import PitComparison
from pitstats.figures.rates import plot_differences
from pitstats.report.numbers import (
    MINUS,
    level_text,
    p_number,
    p_text,
    points,
    signed_points,
)
from pitstats.report.section import Answered, Picture, Sentences, Table, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import (
    Columns,
    estimate,
    interval,
    minus,
    shown,
    table_of,
    with_naive,
    written,
)
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
from pitstats.study.study import Study


@asks("pairs", "pairs", "How sure is each difference?")
def pairs(results: StudyResults) -> Answered:
    """Every pair: picture, sentences, table, and what other methods say."""
    comparison, both = results.comparison, results.both
    answer = in_short(comparison)
    yield answer
    yield Text(read_with(results.findings, "difference"), "note")
    if not comparison.one_bake_each:
        yield Picture("differences", partial(plot_differences, comparison), answer)
    yield pair_table(comparison)
    said = [pair_sentence(results, row) for _, row in comparison.table.iterrows()]
    yield Sentences([*said, *naive_sentences(comparison), *ways_sentences(both)])
    if both.common is not None:
        yield ways_table(both, both.common)
    if not comparison.one_bake_each:
        yield methods_table(results.study, both)


def in_short(comparison: PitComparison) -> str:
    """How many pairs have which verdict, in one sentence."""
    verdicts = comparison.table["verdict"]
    if comparison.one_bake_each:
        return "None has a verdict: one bake of a pit does not show how bakes differ."
    n_pairs = len(verdicts)
    kinds = {
        "separated": int(verdicts.isin(SEPARATED).sum()),
        "within the margin": int((verdicts == "no difference beyond the margin").sum()),
        "open": int((verdicts == "cannot tell").sum()),
    }
    seen = {kind: n for kind, n in kinds.items() if n}
    if len(seen) == 1:
        every = "The one pair is" if n_pairs == 1 else f"All {n_pairs} pairs are"
        return f"{every} {', '.join(seen)}."
    (first, n), *others = seen.items()
    parts = [f"{count(n, 'pair')} {plural(n, 'is', 'are')} {first}"]
    parts += [f"{number_word(n)} {plural(n, 'is', 'are')} {kind}" for kind, n in others]
    return sentence(listed(parts))


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
    if verdict in SEPARATED:
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


def pair_table(comparison: PitComparison) -> Table:
    """All pairs, the pit that is ahead first, as a reader takes them in."""
    several = len(comparison.table) > 1
    table = with_naive(comparison.table, comparison.naive)
    columns: Columns = {
        "Pair": minus,
        "Verdict": "verdict",
        "Difference, points": written(signed_points, "estimate"),
    }
    if several:
        columns["Interval, all pairs"] = interval(signed_points, "simultaneous")
    columns["Interval, this pair alone"] = interval(signed_points)
    columns["If each item counted"] = interval(signed_points, "naive")
    if not comparison.one_bake_each:
        # A p-value would look like a verdict where none is given.
        label = "p, adjusted" if several else "p"
        columns[label] = lambda row: p_number(float(row["p_adjusted"]))
    caption = (
        "Differences of long-run burn rates in percentage points, with "
        f"{level_text(comparison.conf_level)} intervals, "
        f"{averaged_over(comparison.layout)} (unit of replication: the bake)"
    )
    return table_of("pairs", seen_ahead(table), caption, columns, kept=comparison.table)


def level_sentence(comparison: PitComparison) -> str:
    """Say why intervals stand at the level of a look; empty where they do not."""
    look = comparison.look
    if look is None or not look.repeated:
        return ""
    return (
        f"Why {level_text(comparison.conf_level)} intervals: the results are looked at "
        "more than once, and so all looks together keep "
        f"{level_text(look.conf_level)}; 'differs' takes a p below {look.level:.2g}."
    )


def naive_sentences(comparison: PitComparison) -> list[str]:
    """Compare the interval with the usual mistake of counting every item."""
    row = largest_difference(with_naive(comparison.table, comparison.naive))
    counted, alone = ahead(row, "naive"), ahead(row, "conf")
    width, naive_width = alone.high - alone.low, counted.high - counted.low
    if naive_width and width < 1.05 * naive_width:
        beside = (
            "With bakes as the unit it is no wider here: the bakes hardly differed, or "
            "the model uses the places of the items as well."
        )
    else:
        wider = f"{width / naive_width:.1f} times as wide" if naive_width else "wider"
        beside = (
            "Items of one bake share one fire, so that is too sure of itself; with "
            f"bakes as the unit the interval is {wider}."
        )
    return [
        f"If every item counted as independent, the interval for {counted.more} minus "
        f"{counted.less} {IN_BAKES} would be {more_span(counted.low, counted.high)}.",
        beside,
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
    beside = both.as_baked if both.leads == "common" else common
    changed = _changed_verdicts(both.leading, beside)
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
        turned & merged["verdict"].isin(SEPARATED)
    )
    return shown(seen_ahead(merged[changed]), {"Pair": minus})["Pair"].tolist()


def ways_table(both: BothWays, common: PitComparison) -> Table:
    """All pairs as baked and on a common layout, seen from the pit that is ahead."""
    # The leading comparison decides who is ahead, for both columns.
    by = both.leading.table["estimate"]
    frames = [shown(seen_ahead(both.leading.table), {"Pair": minus})]
    for name, own in (("As baked", both.as_baked), ("Common layout", common)):
        columns: Columns = {
            name: estimate(signed_points, ends="simultaneous"),
            f"Verdict, {name.lower()}": "verdict",
        }
        frames.append(shown(seen_ahead(own.table, by), columns))
    read = pd.concat(frames, axis="columns")
    own_rows = {"as baked": both.as_baked.table, "common": common.table}
    kept = pd.concat(
        [own.assign(layout=name) for name, own in own_rows.items()], ignore_index=True
    )
    return Table("ways", read, "As baked and on the common layout, in points", kept)


def methods_table(study: Study, both: BothWays) -> Table:
    """The pair that the page leads with by several methods, seen as it is there."""
    comparison, lead = both.as_baked, largest_difference(both.leading.table)
    pits = str(lead["pit_a"]), str(lead["pit_b"])
    methods = compare_methods(study, comparison, pits)
    seen = seen_ahead(methods, pd.Series(lead["estimate"], index=methods.index))
    pair, several = ahead(lead), len(comparison.table) > 1
    picked = ", picked after looking, which they do not allow for" * several
    caption = (
        f"{pair.more} {MINUS} {pair.less}, as baked, by other methods "
        f"({level_text(comparison.conf_level)} intervals of this pair alone{picked})"
    )
    columns: Columns = {
        "Method": "method",
        "Unit": "unit",
        "Difference, points": written(signed_points, "estimate"),
        "Interval": interval(signed_points),
        "Note": "note",
    }
    return table_of("other_methods", seen, caption, columns, kept=methods)
