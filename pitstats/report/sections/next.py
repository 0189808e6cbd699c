"""What to do next: the one recommendation, with the curve behind it."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from pitstats.analysis.next_steps.suggest import MOST_EXTRA, WANTED, NextStep
from pitstats.figures.next_step import plot_next_step
from pitstats.report.numbers import percent
from pitstats.report.section import Answered, Kept, Part, Picture, Sentences, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.words import one_line

QUESTION = "What would it take to tell more?"


@asks("next", "further bakes", QUESTION)
def next_steps(results: StudyResults) -> Answered:
    """The recommendation, and the chance of a verdict after further bakes."""
    step = results.next_step
    yield ""
    yield Sentences([*map(one_line, step.sentences)])
    yield from curve(step)


def curve(step: NextStep) -> Iterator[Part]:
    """The chance of a verdict by number of further bakes, where any is to be told."""
    if len(step.table) > 1:
        draw, alt = partial(plot_next_step, step), _curve_in_words(step)
        yield Picture("next_step", draw, alt, one_line(step.note))
        yield Kept("next", step.table)


def _curve_in_words(step: NextStep) -> str:
    """What the figure shows, for those who cannot see it."""
    shares = step.table["settled"].tolist()
    listed = ", ".join(
        f"{_chance(shares[k])} after {k}" for k in (1, 2, 4, 8, MOST_EXTRA)
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


def _chance(share: float) -> str:
    """A chance that falls short of the one wanted is not rounded up to it."""
    text = percent(share)
    short = share < WANTED and text == percent(WANTED)
    return f"not quite {text}" if short else text
