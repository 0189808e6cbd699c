"""What to do next: the one recommendation, with the curve behind it."""

from __future__ import annotations

from functools import partial

from pitstats.figures.next_step import plot_next_step
from pitstats.report.section import Kept, Picture, Section, Sentences
from pitstats.report.sections.answer import fragile
from pitstats.report.study_results import StudyResults
from pitstats.report.words import one_line

QUESTION = "What would it take to tell more?"


def next_steps(results: StudyResults) -> Section:
    """The recommendation, and the chance of a verdict after further bakes."""
    step = results.next_step
    body: list[Sentences | Picture | Kept] = [Sentences(all_sentences(results))]
    if len(step.table) > 1:
        draw = partial(plot_next_step, step)
        body += [
            Picture("next_step", draw, one_line(step.sentence), one_line(step.note)),
            Kept("next", step.table),
        ]
    return Section(id="next", question=QUESTION, body=body, topic="further bakes")


def all_sentences(results: StudyResults) -> list[str]:
    """The recommendation, the looks to write down, and what else to mend."""
    return [in_short(results), *map(one_line, results.next_step.sentences[1:])]


def in_short(results: StudyResults) -> str:
    """The recommendation in a sentence."""
    step = results.next_step
    if step.advice == "settled" and fragile(results):
        return "Bake each pit again before relying on it: the verdict is fragile."
    return one_line(step.sentence)
