"""What to do next: the one recommendation, with the curve behind it."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.next_steps.suggest import MOST_EXTRA, WANTED, NextStep
from pitstats.figures.next_step import plot_next_step
from pitstats.report.numbers import percent
from pitstats.report.section import Kept, Picture, Section, Sentences
from pitstats.report.study_results import StudyResults
from pitstats.report.words import one_line

QUESTION = "What would it take to tell more?"


def next_steps(results: StudyResults) -> Section:
    """The recommendation, and the chance of a verdict after further bakes."""
    step = results.next_step
    body: list[Sentences | Picture | Kept] = [
        Sentences([*map(one_line, step.sentences)])
    ]
    if len(step.table) > 1:
        draw = partial(plot_next_step, step)
        body += [
            Picture("next_step", draw, _curve_in_words(step), one_line(step.note)),
            Kept("next", step.table),
        ]
    return Section(id="next", question=QUESTION, body=body, topic="further bakes")


def _curve_in_words(step: NextStep) -> str:
    """What the figure shows, for those who cannot see it."""
    shares = step.table["settled"].tolist()
    listed = ", ".join(
        f"{percent(shares[k])} after {k}" for k in (1, 2, 4, 8, MOST_EXTRA)
    )
    reached = (
        f"{WANTED:.0%} is not reached"
        if step.extra is None
        else f"{WANTED:.0%} is reached after {step.extra}"
    )
    return one_line(
        f"Chance of a verdict on {step.pit_a} and {step.pit_b} by further bakes of "
        f"each: {listed}; {reached}."
    )
