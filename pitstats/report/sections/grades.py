"""The whole grade scale: shares of every grade and outcome, from one model."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.grading.grade_comparison import BURNED, GradeComparison
from pitstats.analysis.grading.grades import count_grades
from pitstats.errors import DesignError
from pitstats.figures.grates import plot_grades
from pitstats.report.numbers import level_text, percent
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
from pitstats.report.tables import across, estimate
from pitstats.report.words import (
    IN_BAKES,
    count,
    listed,
    number_word,
    one_line,
    read_with,
    separated,
    separated_pairs,
)


@asks("grades", "grades", "What about the other grades?")
def grades(results: StudyResults) -> Answered:
    """Bars of grades as counted, and long-run shares that add up to 1 in every pit."""
    counts = count_grades(results.study)
    if counts.empty:
        raise DesignError("Only burned or not was recorded: there is no grade scale.")
    found, face = results.grades, results.study.settings.face
    bars = (
        f"Grade of the {'darkest recorded face' if face == 'worst' else face} of every "
        "graded item, palest first; numbers are items. Missing items are not in the "
        "bars."
    )
    caption = (
        "Long-run share of every outcome and grade but burned, as baked, from one "
        f"model of all grades ({level_text(found.conf_level)} interval; unit of "
        "replication: the bake)"
    )
    alt = "Items of each grade in each pit; the table below has the numbers."
    yield in_short(found)
    yield Text(read_with(results.findings, "grades"), "note")
    yield Picture("grades", partial(plot_grades, counts), alt, bars)
    yield _counted(counts)
    yield Table("grade_shares", grade_table(found), caption, found.table)
    yield Kept("grade_differences", found.differences)
    yield Kept("cuts", found.cuts)
    yield Kept("cut_differences", found.cut_differences)
    yield Kept("grade_scales", found.scales)
    yield Sentences([*grade_sentences(found), *found.caveats])
    yield Text(f"How: {found.method}.", "note")


def in_short(found: GradeComparison) -> str:
    """How many pairs other cuts would tell apart, in one sentence."""
    cuts = found.cut_differences
    others = cuts[~cuts["headline"]]
    if others.empty:
        return "One pit alone: its shares of all grades stand here."
    if (others["verdict"] == "one bake each").all():
        return "With one bake of each pit no cut gives a verdict."
    apart = separated(others)
    n_apart = len(apart[["pit_a", "pit_b"]].drop_duplicates())
    n_pairs = len(others[["pit_a", "pit_b"]].drop_duplicates())
    if n_pairs == 1:
        would = "would" if n_apart else "would not"
        too = " too" if n_apart and len(separated(cuts[cuts["headline"]])) else ""
        return f"Counted from another grade, the pair {would} be told apart{too}."
    some = "all" if n_apart == n_pairs else f"{number_word(n_apart)} of"
    return (
        f"Counted from another grade, {some} {count(n_pairs, 'pair')} would be told "
        "apart."
    )


def _counted(counts: pd.DataFrame) -> Table:
    wide = counts.pivot_table(
        index="pit", columns="grade", values="n_items", sort=False, aggfunc="sum"
    )
    shown = wide.rename_axis(columns=None).reset_index().rename(columns={"pit": "Pit"})
    caption = "Items by grade of the deciding face (missing items are counted apart)"
    return Table("grades", shown, caption, counts)


def grade_table(found: GradeComparison) -> pd.DataFrame:
    """Shares of every outcome and grade, one column per pit.

    How much burned is another question's, whose answer assumes less.
    """
    lead, share = {"Outcome": "outcome"}, estimate(percent)
    others = found.table[found.table["outcome"] != BURNED]
    return across(others, lead, lambda row: one_line(row["pit"]), share)


def grade_sentences(found: GradeComparison) -> list[str]:
    """What holds under every cut, how pits spread their grades, what is typical."""
    lines = []
    if len(found.differences):
        # The stated cut has its own exact answer, which leads.
        cuts = found.cut_differences
        lines += _cuts(cuts[~cuts["headline"]])
    scales = found.scales
    if len(scales) and not (scales["verdict"] == "one bake each").any():
        lines.append(_scales(found))
    return [*lines, _typical(found)]


def _cuts(cuts: pd.DataFrame) -> list[str]:
    """What the verdicts would be if burned began elsewhere; separated pairs only."""
    if (cuts["verdict"] == "one bake each").all():
        return []
    lines = []
    for cut, group in cuts.groupby("burned_from", sort=False):
        pairs = separated_pairs(group)
        named = listed(f"{pair.more} more than {pair.less}" for pair in pairs)
        lines.append(
            f"Counted from '{one_line(cut)}' on, as baked: "
            f"{named or 'cannot tell the pits apart'} {IN_BAKES}."
        )
    return lines


def _scales(found: GradeComparison) -> str:
    """Whether some pit spreads its items over more grades than another."""
    apart = found.scales[found.scales["verdict"] == "differs"]
    if apart.empty:
        return (
            f"Cannot tell the pits apart {IN_BAKES} by how widely they spread their "
            "items over the grades."
        )
    pairs = []
    for row in apart.to_dict("records"):
        names = [one_line(row["pit_a"]), one_line(row["pit_b"])]
        wide, narrow = names if row["ratio"] < 1 else names[::-1]
        pairs.append(f"{wide} over more grades than {narrow}")
    return (
        f"The pits differ {IN_BAKES} in how widely they spread their items: "
        f"{listed(pairs)}."
    )


def _typical(found: GradeComparison) -> str:
    """The grade that half of the items reach in each pit."""
    each = [
        f"{one_line(row['pit'])} '{one_line(row['grade'])}' "
        f"('{one_line(row['grade_low'])}' to '{one_line(row['grade_high'])}')"
        for row in found.typical.to_dict("records")
    ]
    return f"The grade that half of the items reach or pass: {listed(each)}."
