"""What to do next: what further bakes would settle."""

from __future__ import annotations

from pitstats.analysis.rates.more_bakes import undecided
from pitstats.report.numbers import percent, points
from pitstats.report.section import Kept, Section, Sentences, Text
from pitstats.report.sections.answer import fragile
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, one_line

QUESTION = "What would it take to tell more?"


def section(results: StudyResults) -> Section:
    """What one or two further bakes of every pit would do."""
    if not undecided(results.comparison).any():
        return Section(id="next", question=QUESTION, answer=in_short(results))
    more = results.more_bakes
    now, pair = more.table.iloc[0], f"{one_line(more.pit_a)} and {one_line(more.pit_b)}"
    said = [
        f"With {count(int(row['extra_bakes']), 'more bake')} of every pit the interval "
        f"for {pair} would be about {points(row['width'])} wide (now "
        f"{points(now['width'])}), and separate them with a chance of "
        f"{percent(row['separated'])} (simulation error "
        f"{points(row['separated_error'])})."
        for row in more.table.iloc[1:].to_dict("records")
    ]
    how = (
        f"From {more.studies} simulated continuations for each number of bakes, drawn "
        "from what this study leaves unknown about rates and spread (seed "
        f"{results.seed}), each with as many items a bake as before."
    )
    notes = [Text(how, "note")]
    if results.comparison.one_bake_each:
        notes.append(
            Text(
                "With one bake each, how much bakes differ is assumed, not measured, "
                "and these chances lean on that assumption.",
                "note",
            )
        )
    return Section(
        id="next",
        question=QUESTION,
        answer=in_short(results),
        body=[Sentences(said), Kept("next", more.table), *notes],
    )


def in_short(results: StudyResults) -> str:
    """The recommendation in a sentence."""
    if results.comparison.one_bake_each:
        return "Bake every pit at least once more: only a second bake shows the spread."
    if undecided(results.comparison).any():
        row = results.more_bakes.table.iloc[-1]
        more = results.more_bakes
        pair = f"{one_line(more.pit_a)} and {one_line(more.pit_b)}"
        return (
            f"Bake every pit {count(int(row['extra_bakes']), 'time')} more: the chance "
            f"that this separates {pair} is {percent(row['separated'])} (simulation "
            f"error {points(row['separated_error'])})."
        )
    if fragile(results):
        return "Bake each pit again before relying on it: the verdict is fragile."
    return "The verdicts stand; further bakes would only narrow the intervals."
