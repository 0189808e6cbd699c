"""All grades at once in words: typical grades, and level against scale."""

from __future__ import annotations

from pitstats.analysis.grading.grade_comparison import GradeComparison
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import level_text, listed, one_line
from pitstats.report.wording.pairs import cuts_sentence
from pitstats.report.wording.scope import IN_BAKES


def grade_sentences(found: GradeComparison) -> list[str]:
    """Say what holds under every cut, how pits spread their grades, what is typical.

    Parameters
    ----------
    found : GradeComparison
        As returned by `compare_grades`.

    Returns
    -------
    list of str
        Verdicts by cut, the scales of the pits where there is a verdict on them, and
        the grade that half of the items reach.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.compare_grades(ps.demo_study("one_bake_each"))
    >>> grade_sentences(found)[0]
    'With one bake of each pit no cut gives a verdict.'
    """
    lines = []
    if len(found.differences):
        # The stated cut has its own exact answer, which leads.
        cuts = found.cut_differences
        lines.append(cuts_sentence(cuts[~cuts["headline"]]))
    scales = found.scales
    if len(scales) and not (scales["verdict"] == "one bake each").any():
        lines.append(_scales(found))
    return [*lines, _typical(found)]


def _scales(found: GradeComparison) -> str:
    """Whether some pit spreads its items over more grades than another."""
    apart = found.scales[found.scales["verdict"] == "differs"]
    if apart.empty:
        return sentence(
            f"Cannot tell the pits apart {IN_BAKES} by how widely they spread their "
            "items over the grades; where they differ, it is in how dark they bake "
            "(bakes as the unit)."
        )
    pairs = []
    for row in apart.to_dict("records"):
        names = [one_line(row["pit_a"]), one_line(row["pit_b"])]
        wide, narrow = names if row["ratio"] < 1 else names[::-1]
        pairs.append(f"{wide} over more grades than {narrow}")
    return sentence(
        f"The pits differ {IN_BAKES} not only in how dark they bake but in how widely "
        f"they spread their items: {listed(pairs)} (bakes as the unit)."
    )


def _typical(found: GradeComparison) -> str:
    """The grade that half of the items reach in each pit."""
    each = [
        f"{one_line(row['pit'])} '{one_line(row['grade'])}' "
        f"('{one_line(row['grade_low'])}' to '{one_line(row['grade_high'])}')"
        for row in found.typical.to_dict("records")
    ]
    return sentence(
        "The grade that half of the items reach or pass, averaged over bakes "
        f"({level_text(found.conf_level)} interval): {listed(each)}."
    )


def grades_table_caption(found: GradeComparison) -> str:
    """Say what the table of outcomes and grades shows."""
    return (
        "Long-run share of every outcome and grade, as baked, from one model of all "
        f"grades ({level_text(found.conf_level)} interval; unit of replication: the "
        "bake)"
    )
