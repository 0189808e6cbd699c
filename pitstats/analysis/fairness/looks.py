"""Looks at the results before the last bake: what they did to the promise."""

from __future__ import annotations

from collections.abc import Iterator

from pitstats.analysis.fairness.finding import Finding, Record
from pitstats.analysis.fairness.mistakes import asked
from pitstats.analysis.rates.looks import Look, look_of
from pitstats.study.cells import listing
from pitstats.study.form import Form
from pitstats.study.percent import level_text
from pitstats.study.study import Study

_WHY = (
    "Who may stop as soon as the answer pleases gives chance an opening at every look."
)


def find_in_looks(record: Record) -> Iterator[Finding]:
    """Findings about looks on record, or the question where the record is silent."""
    if record.is_plan or record.n_pits < 2 or not len(record.totals):
        return
    look = look_of(record.study)
    if look.kind == "undeclared":
        yield _undeclared(look, record.study.form)
    elif look.kind == "planned":
        yield _planned(look)
    elif look.bakes > 2 and silent(record.study):
        yield Finding(
            "ask_looks",
            "note",
            asked("looked after"),
            "The record does not say. Write "
            f"{record.study.form.stated('looks_taken', [look.bakes])}, if this look is "
            "the only one.",
            why=_WHY,
        )


def silent(study: Study) -> bool:
    """Whether the record says nothing about looks."""
    return not (study.settings.looks_planned or study.settings.looks_taken)


def bakes_listed(looks: tuple[int, ...]) -> str:
    """Numbers of bakes of looks in words, such as ``2, 4 and 6 bakes``."""
    text = listing([str(look) for look in looks], "and")
    return f"{text} bake" if looks == (1,) else f"{text} bakes"


def _undeclared(look: Look, form: Form) -> Finding:
    every = look.taken == tuple(range(2, look.bakes + 1))
    seen = (
        f"after each of {look.bakes} bakes"
        if every
        else f"after {bakes_listed(look.taken)} of each pit"
    )
    plan = (
        f" Planned were looks after {bakes_listed(look.planned)}."
        if look.planned
        else ""
    )
    return Finding(
        "looks_undeclared",
        "weakens",
        f"The results were looked at {seen} without a plan for these looks.{plan} With "
        f"the usual interval at each {round(100 * look.unguarded)} in 100 tests of "
        "equal pits would have been called different, and more had the test gone on. "
        "Nothing says where it would have ended, so the interval allows for a look "
        f"after every bake up to {look.boundary[-1]} "
        f"({level_text(1 - look.level)} in place of {level_text(look.conf_level)}).",
        "Write the looks down before the first bake of the next test: "
        f"{form.stated('looks_planned')}; the intervals are then narrower at each.",
        why=_WHY,
        wording="Say after how many bakes the results were looked at, and give the "
        "interval as a repeated confidence interval.",
        short="looks that were not planned",
    )


def _planned(look: Look) -> Finding:
    stop = (
        " A difference seen at an early stop can look larger than it is."
        if look.early
        else ""
    )
    return Finding(
        "looks_planned",
        "note",
        f"This is a planned look, after {look.bakes} bakes of each pit of looks after "
        f"{bakes_listed(look.planned)}: its intervals are at "
        f"{level_text(1 - look.level)}, so that all looks together keep "
        f"{level_text(look.conf_level)}.{stop}",
        "Keep to the planned looks.",
        why=_WHY,
        wording="Give the interval as a repeated confidence interval.",
        short="a planned look",
    )
