"""Whether the grading can be trusted: second gradings against the first."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.grading.agreement import GradingAgreement
from pitstats.analysis.grading.regrading import UNNAMED
from pitstats.analysis.sensitivity.recount import seen_from_the_other_pit
from pitstats.errors import DesignError
from pitstats.figures.agreement import plot_grading_agreement
from pitstats.report.numbers import (
    MINUS,
    NO_VALUE,
    level_text,
    percent,
    signed_points,
    span_points,
    true_minus,
)
from pitstats.report.section import (
    Kept,
    Part,
    Picture,
    Section,
    Sentences,
    Table,
    Text,
    nothing,
)
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, one_line, read_with

QUESTION = "Can the grading be trusted?"
NOTHING_GRADED_TWICE = (
    "No item was graded twice, so this study cannot say how well two gradings of the "
    "same item agree. Grade a fifth of the items again, shuffled, without the first "
    "grades in sight."
)
_FACE = {"deciding": "deciding face", "burned": "burned or not"}
Row = Mapping[Hashable, Any]


def section(results: StudyResults) -> Section:
    """How well gradings agree, and what another grader would have concluded."""
    if results.study.regrades.empty:
        return nothing("grading", "second gradings", QUESTION, NOTHING_GRADED_TWICE)
    try:
        found = results.gradings
    except DesignError as reason:
        return nothing("grading", "second gradings", QUESTION, reason)
    beside = read_with(results.findings, "grades")
    body: list[Part] = [Text(beside, "note")] if beside else []
    body.append(Sentences(agreement_sentences(found)))
    if len(found.confusion):
        draw = partial(plot_grading_agreement, found)
        words = confusion_in_words(found)
        body.append(Picture("grading_agreement", draw, words, CONFUSION_CAPTION))
        body.append(Kept("grading_confusion", found.confusion))
    caption = agreement_caption(found)
    body.append(
        Table("grading_agreement", agreement_table(found), caption, found.table)
    )
    if len(found.where):
        table = where_table(found)
        body.append(Table("grading_where", table, WHERE_CAPTION, found.where))
    kept = {
        "burned": found.burned,
        "several": found.several,
        "conclusions": found.conclusions,
    }
    body += [
        Kept(f"grading_{name}", frame) for name, frame in kept.items() if len(frame)
    ]
    body.append(Sentences([*conclusion_sentences(found), *found.caveats]))
    body.append(Text(f"How: {found.method}.", "note"))
    return Section(id="grading", question=QUESTION, answer=in_short(found), body=body)


def in_short(found: GradingAgreement) -> str:
    """How many burned calls a second grading would change, in one sentence."""
    if found.burned.empty:
        return agreement_sentences(found)[0]
    changed = int(found.burned["n_changed"].sum())
    items = int(found.burned["n_items"].sum())
    return (
        f"Burned or not would change for {changed} of {count(items, 'second grading')}."
    )


def _signed(difference: float) -> str:
    return f"{signed_points(difference)} points"


def _span(row: Row) -> str:
    return span_points(row["simultaneous_low"], row["simultaneous_high"])


def grader_name(name: object) -> str:
    """Name of a second grader in a sentence."""
    return "The second grader" if name == UNNAMED else one_line(name)


def kappa_text(value: float, low: float, high: float) -> str:
    """Write kappa with its interval."""
    if np.isnan(value):
        return "not defined"
    text = f"{value:.2f}"
    if not np.isnan(low):
        text += f" ({low:.2f} to {high:.2f})"
    return true_minus(text)


def agreement_sentences(found: GradingAgreement) -> list[str]:
    """Say how well second gradings agree with the first, and where they do not."""
    graders = [str(name) for name in found.table["regrader"].drop_duplicates()]
    sentences = []
    for grader in graders:
        sentences += [
            _agreement(found, grader),
            _changed_calls(found, grader),
            _direction(found, grader),
        ]
    return [sentence for sentence in [*sentences, _several(found)] if sentence]


def _row(table: pd.DataFrame, grader: str, face: str) -> Row | None:
    if table.empty:
        return None
    own = table[(table["regrader"] == grader) & (table["face"] == face)]
    return own.iloc[0].to_dict() if len(own) else None


def _agreement(found: GradingAgreement, grader: str) -> str:
    row = _row(found.table, grader, "deciding")
    if row is None:
        return (
            f"{grader_name(grader)}: the first gradings hold no grades of the faces "
            "graded again, only whether items burned."
        )
    again = " (the same person as the first time)" * (row["same_person"] == "yes")
    n_same = round(row["agree"] * row["n_items"])
    text = (
        f"{grader_name(grader)}{again} gave the deciding face of {n_same} of "
        f"{count(row['n_items'], 'item')} in {count(row['n_bakes'], 'bake')} the "
        "grade it had."
    )
    if np.isnan(row["kappa_low"]):
        return f"{text} {row['note']}"
    level = level_text(found.conf_level)
    plain = kappa_text(row["kappa"], row["kappa_low"], row["kappa_high"])
    weighted = kappa_text(
        row["weighted_kappa"], row["weighted_low"], row["weighted_high"]
    )
    unit = {
        "jackknife over bakes": ", bakes as the unit",
        "large sample": ", items taken as independent",
        "bound": "; their low ends allow for what so few could have missed, taken as "
        "independent",
    }[row["interval"]]
    return (
        f"{text} Kappa (1 full agreement, 0 that of chance) is {plain}, weighted by "
        f"the number of grades apart {weighted}; {level} intervals{unit}."
    )


def _changed_calls(found: GradingAgreement, grader: str) -> str:
    burned = found.burned
    own = burned[burned["regrader"] == grader] if len(burned) else burned
    if own.empty:
        return ""
    row = own.iloc[0].to_dict()
    low, high = percent(row["conf_low"]), percent(row["conf_high"])
    text = (
        f"Burned or not would change for {row['n_changed']} of "
        f"{count(row['n_items'], 'item')} ({percent(row['share'])}; "
        f"{level_text(found.conf_level)} interval {low} to {high} if items counted as "
        "independent)"
    )
    if not row["n_changed"]:
        return f"{text}."
    return (
        f"{text}: {row['n_became_burned']} to burned, {row['n_no_longer_burned']} to "
        "not burned."
    )


def _direction(found: GradingAgreement, grader: str) -> str:
    where = found.where
    own = where[where["regrader"] == grader] if len(where) else where
    own = own[own["by"] == "grade"] if len(own) else own
    n_differ = int(own["n_differ"].sum()) if len(own) else 0
    if not n_differ:
        return ""
    darker, paler = int(own["n_darker"].sum()), int(own["n_paler"].sum())
    parts = [
        f"'{one_line(row['group'])}' ({row['n_differ']} of {row['n_items']})"
        for row in own.sort_values("n_differ", ascending=False, kind="stable")
        .head(2)
        .to_dict("records")
        if row["n_differ"]
    ]
    return (
        f"Of {count(n_differ, 'item')} graded differently the second grade is darker "
        f"in {darker} and paler in {paler}; most were first graded {listed(parts)}."
    )


def _several(found: GradingAgreement) -> str:
    several = found.several
    own = several[several["face"] == "deciding"] if len(several) else several
    if own.empty:
        return ""
    row = own.iloc[0].to_dict()
    text = kappa_text(row["kappa"], row["kappa_low"], row["kappa_high"])
    tail = f" {row['note']}" if np.isnan(row["kappa_low"]) else ""
    return (
        f"All {row['n_graders']} gradings of the deciding face of "
        f"{count(row['n_items'], 'item')} that every grader had: Fleiss' kappa "
        f"{text}.{tail}"
    )


def conclusion_sentences(found: GradingAgreement) -> list[str]:
    """Say what the comparison would have been with the second gradings."""
    own = _leading_rows(found)
    if own.empty:
        return []
    first = own.iloc[0]
    names = f"{one_line(first['pit_a'])} {MINUS} {one_line(first['pit_b'])}"
    verdict = first["base_verdict"]
    given = "no verdict from one bake each"
    if verdict != "one bake each":
        given = f"verdict '{verdict}'"
    if verdict != first["reported_verdict"]:
        given += f" (as reported, with the model: '{first['reported_verdict']}')"
    sentences = [
        f"{names}, {first['counted']} with the first grades: "
        f"{_signed(first['base_estimate'])}, {given}. Below only items graded again "
        "change."
    ]
    for row in own.to_dict("records"):
        verdict = (
            f"verdict '{row['verdict']}' instead"
            if row["changes"]
            else f"verdict '{row['verdict']}' as before"
        )
        if row["verdict"] == "one bake each":
            verdict = "no verdict from one bake each"
        sentences.append(
            f"With {one_line(row['alternative'])} "
            f"({count(row['n_replaced'], 'item')}; {row['n_kept_first']} keep their "
            f"first grade): {_signed(row['estimate'])} "
            f"({level_text(found.conf_level)} interval {_span(row)}), "
            f"{verdict}."
        )
    pair = {first["pit_a"], first["pit_b"]}
    table = found.conclusions
    same = table["pit_a"].isin(pair) & table["pit_b"].isin(pair)
    other = table[~same]
    if len(other):
        sentences.append(_other_pairs(other))
    return sentences


def _leading_rows(found: GradingAgreement) -> pd.DataFrame:
    table = found.conclusions
    if table.empty:
        return table
    top = table.iloc[int(table["base_estimate"].abs().argmax())]
    same = table["pit_a"].eq(top["pit_a"]) & table["pit_b"].eq(top["pit_b"])
    rows: pd.DataFrame = table[same]
    return rows if top["base_estimate"] >= 0 else seen_from_the_other_pit(rows)


def _other_pairs(other: pd.DataFrame) -> str:
    changed = other[other["changes"]][["pit_a", "pit_b"]].drop_duplicates()
    if changed.empty:
        return "The verdicts of the other pairs stay the same with all of these."
    named = [
        f"{one_line(a)} and {one_line(b)}"
        for a, b in zip(changed["pit_a"], changed["pit_b"], strict=True)
    ]
    return f"With some of these the verdict changes for {listed(named)} too."


def agreement_table(found: GradingAgreement) -> pd.DataFrame:
    """Agreement by grader and face, ready to read."""
    rows = []
    for row in found.table.to_dict("records"):
        two_steps = row["face"] == "burned"
        rows.append(
            {
                "Second grader": one_line(row["regrader"]),
                "Face": _FACE.get(row["face"], row["face"]),
                "Items": row["n_items"],
                "Bakes": row["n_bakes"],
                "Same grade": percent(row["agree"]),
                "Kappa": kappa_text(row["kappa"], row["kappa_low"], row["kappa_high"]),
                "Weighted kappa": NO_VALUE
                if two_steps
                else kappa_text(
                    row["weighted_kappa"], row["weighted_low"], row["weighted_high"]
                ),
                "Interval from": row["interval"],
            }
        )
    return pd.DataFrame(rows)


def agreement_caption(found: GradingAgreement) -> str:
    """Say what the table of agreement shows."""
    return (
        f"Agreement of second with first gradings beyond chance ({found.n_regraded} of "
        f"{found.n_graded} graded items; {level_text(found.conf_level)} intervals)"
    )


def where_table(found: GradingAgreement) -> pd.DataFrame:
    """Where gradings differ, ready to read."""
    rows = []
    word = {"grade": "first grade", "pit": "pit", "third": "third of the grate"}
    for row in found.where.to_dict("records"):
        low, high = percent(row["conf_low"]), percent(row["conf_high"])
        rows.append(
            {
                "Second grader": one_line(row["regrader"]),
                "By": word[str(row["by"])],
                "Group": one_line(row["group"]),
                "Graded differently": f"{row['n_differ']} of {row['n_items']}",
                "Interval": f"{low} to {high}",
                "Darker": row["n_darker"],
                "Paler": row["n_paler"],
                "Burned or not changes": row["n_burned_changed"],
            }
        )
    return pd.DataFrame(rows)


WHERE_CAPTION = (
    "Where the second grade of the deciding face differs from the first (intervals "
    "take items as independent)"
)
CONFUSION_CAPTION = (
    "Items by first grade (rows) and second grade (columns). On the diagonal both "
    "agree; the heavy lines mark where burned begins, so that the upper right and "
    "lower left blocks hold the items whose burned call changes."
)


def confusion_in_words(found: GradingAgreement) -> str:
    """Describe the tables of grades for those who cannot see them."""
    counted = found.confusion[found.confusion["n_items"] > 0]
    parts = []
    for (grader, face), own in counted.groupby(["regrader", "face"], sort=False):
        cells = [
            f"{row['n_items']} {one_line(row['first'])} then {one_line(row['second'])}"
            for row in own.to_dict("records")
        ]
        name = _FACE.get(str(face), str(face))
        parts.append(f"{grader_name(grader)}, {name}: {listed(cells)}.")
    return " ".join(parts)
