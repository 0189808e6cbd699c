"""Whether the grading can be trusted: second gradings against the first."""

from __future__ import annotations

from functools import partial

import pandas as pd

from pitstats.analysis.grading.agreement import GradingAgreement
from pitstats.analysis.grading.regrading import UNNAMED
from pitstats.analysis.rates.pairs import largest_difference, seen_from_the_other_pit
from pitstats.errors import DesignError
from pitstats.figures.agreement import plot_grading_agreement
from pitstats.report.numbers import (
    NO_VALUE,
    level_text,
    percent,
    signed_points,
    signed_size,
    true_minus,
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
from pitstats.report.tables import (
    Row,
    Writer,
    estimate,
    interval,
    minus,
    of,
    table_of,
    written,
)
from pitstats.report.words import count, listed, one_line, read_with

NOTHING_GRADED_TWICE = (
    "No item was graded twice, so this study cannot say how well two gradings of the "
    "same item agree. Grade a fifth of the items again, shuffled, without the first "
    "grades in sight."
)
_FACE = {"deciding": "deciding face", "burned": "burned or not"}


@asks("grading", "grading", "Can the grading be trusted?", unrecorded="second gradings")
def grading(results: StudyResults) -> Answered:
    """How well gradings agree, and what another grader would have concluded."""
    if results.study.regrades.empty:
        raise DesignError(NOTHING_GRADED_TWICE)
    found, lead = results.gradings, largest_difference(results.comparison.table)
    yield in_short(found)
    yield Text(read_with(results.findings, "grades"), "note")
    yield Sentences(agreement_sentences(found))
    if len(found.confusion):
        draw, alt = partial(plot_grading_agreement, found), "Items by both grades."
        yield Picture("grading_agreement", draw, alt, CONFUSION_CAPTION)
    yield agreement_table(found)
    yield where_table(found)
    yield Sentences([*conclusion_sentences(found, lead), *found.caveats])
    yield Kept("grading_confusion", found.confusion)
    yield Kept("grading_burned", found.burned)
    yield Kept("grading_several", found.several)
    yield Kept("grading_conclusions", found.conclusions)
    yield Text(f"How: {found.method}.", "note")


def in_short(found: GradingAgreement) -> str:
    """How many burned calls a second grading would change, in one sentence."""
    if found.burned.empty:
        return "The first gradings hold no grades to set the second ones beside."
    changed = int(found.burned["n_changed"].sum())
    items = int(found.burned["n_items"].sum())
    return (
        f"Burned or not would change for {changed} of {count(items, 'second grading')}."
    )


def grader_name(name: object) -> str:
    """Name of a second grader in a sentence."""
    return "The second grader" if name == UNNAMED else one_line(name)


def agreement_sentences(found: GradingAgreement) -> list[str]:
    """Say which calls a second grading changes, and why a kappa has no interval."""
    level = level_text(found.conf_level)
    said = [
        f"{grader_name(row['regrader'])}: burned or not would change for "
        f"{row['n_changed']} of {count(row['n_items'], 'item')} "
        f"({row['n_became_burned']} to burned, {row['n_no_longer_burned']} to not "
        f"burned; {level} interval {percent(row['conf_low'])} to "
        f"{percent(row['conf_high'])} if items counted as independent)."
        for row in found.burned.to_dict("records")
    ]
    unknown = found.table[found.table["kappa_low"].isna()]
    said += [
        f"{grader_name(row['regrader'])}, {_face(row)}: {row['note']}"
        for row in unknown.to_dict("records")
    ]
    several = found.several
    said += [
        f"All {row['n_graders']} gradings of the deciding face of "
        f"{count(row['n_items'], 'item')} that every grader had: Fleiss' kappa "
        f"{kappa('kappa', 'kappa')(row)}. {row['note']}".strip()
        for row in several[several["face"] == "deciding"].to_dict("records")
    ]
    return said


def _face(row: Row) -> str:
    return _FACE.get(row["face"], str(row["face"]))


def conclusion_sentences(found: GradingAgreement, lead: pd.Series) -> list[str]:
    """Say what the pair that the page leads with would be with the second gradings."""
    own = _leading_rows(found.conclusions, lead)
    if own.empty:
        return []
    first = own.iloc[0].to_dict()
    given = _verdict(first["base_verdict"])
    if first["base_verdict"] != first["reported_verdict"]:
        given += f" (as reported, with the model: '{first['reported_verdict']}')"
    sentences = [
        f"{minus(first)}, {first['counted']} with the first grades: "
        f"{signed_size(first['base_estimate'])}, {given}. Below only items "
        "graded again change."
    ]
    for row in own.to_dict("records"):
        again = " instead" if row["changes"] else " as before"
        given = _verdict(row["verdict"]) + again * (row["verdict"] != "one bake each")
        size = estimate(signed_points, ends="simultaneous")(row)
        sentences.append(
            f"With {one_line(row['alternative'])} "
            f"({count(row['n_replaced'], 'item')}; {row['n_kept_first']} keep their "
            f"first grade): {size} points, {given}."
        )
    pits = found.conclusions[["pit_a", "pit_b"]]
    others = ~pits.isin([first["pit_a"], first["pit_b"]]).all(axis=1)
    return [*sentences, _other_pairs(found.conclusions[others])]


def _verdict(verdict: str) -> str:
    if verdict == "one bake each":
        return "no verdict from one bake each"
    return f"verdict '{verdict}'"


def _leading_rows(table: pd.DataFrame, lead: pd.Series) -> pd.DataFrame:
    """Rows of one pair, seen from the pit that is ahead in the lead."""
    if table.empty:
        return table
    names = ["pit_a", "pit_b"]
    rows: pd.DataFrame = table[table[names].isin(list(lead[names])).all(axis=1)]
    ahead = lead["pit_a" if lead["estimate"] >= 0 else "pit_b"]
    return rows if rows["pit_a"].eq(ahead).all() else seen_from_the_other_pit(rows)


def _other_pairs(other: pd.DataFrame) -> str:
    if other.empty:
        return ""
    changed = other[other["changes"]][["pit_a", "pit_b"]].drop_duplicates()
    if changed.empty:
        return "The verdicts of the other pairs stay the same with all of these."
    named = listed(map(listed, changed.to_numpy()))
    return f"With some of these the verdict changes for {named} too."


def agreement_table(found: GradingAgreement) -> Table:
    """Agreement by grader and face."""
    return table_of(
        "grading_agreement",
        found.table,
        f"Agreement of second with first gradings beyond chance ({found.n_regraded} of "
        f"{found.n_graded} graded items; {level_text(found.conf_level)} intervals)",
        {
            "Second grader": "regrader",
            "Face": _face,
            "Items": "n_items",
            "Bakes": "n_bakes",
            "Same grade": written(percent, "agree"),
            "Kappa": kappa(),
            "Weighted kappa": lambda row: (
                # Burned or not has two steps, which weights cannot tell apart.
                NO_VALUE
                if row["face"] == "burned"
                else kappa("weighted_kappa", "weighted")(row)
            ),
            "Interval from": "interval",
        },
    )


def kappa(name: str = "kappa", ends: str = "kappa") -> Writer:
    """Write a row's kappa with its interval."""
    return estimate(
        lambda value: true_minus(f"{value:.2f}"), name, ends, unknown="not defined"
    )


def where_table(found: GradingAgreement) -> Table:
    """Where gradings differ."""
    word = {"grade": "first grade", "pit": "pit", "third": "third of the grate"}
    return table_of(
        "grading_where",
        found.where,
        "Where the second grade of the deciding face differs from the first (intervals "
        "take items as independent)",
        {
            "Second grader": "regrader",
            "By": lambda row: word[str(row["by"])],
            "Group": "group",
            "Graded differently": of("n_differ", "n_items"),
            "Interval": interval(percent),
            "Darker": "n_darker",
            "Paler": "n_paler",
            "Burned or not changes": "n_burned_changed",
        },
    )


CONFUSION_CAPTION = (
    "Items by first grade (rows) and second grade (columns). On the diagonal both "
    "agree; the heavy lines mark where burned begins, so that the upper right and "
    "lower left blocks hold the items whose burned call changes."
)
