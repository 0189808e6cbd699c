"""List problems, then what looks unfair."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pitstats.commands.shared import DONE, HELP, PROBLEMS, told_plainly, typed
from pitstats.errors import DesignError, InvalidStudyError, Problem

if TYPE_CHECKING:
    from pitstats.study.study import Study

_CHANGES_SHOWN = 20
# Bakes from which the comparison would take longer than the checks.
_LONG_RECORD = 200


@click.command(
    context_settings=HELP, short_help="List problems, then what looks unfair."
)
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "style",
    type=click.Choice(["table", "json"]),
    default="table",
    show_default=True,
    help="How to print; json is for programs.",
)
@click.option(
    "--fix",
    "dest",
    type=click.Path(path_type=Path),
    metavar="DEST",
    help="Write a copy to DEST in which all that is certain is written plainly, with a "
    "list of every change, and check that; STUDY stays as it is.",
)
@told_plainly()
def check(study: Path, style: str, dest: Path | None) -> None:
    """List every problem of STUDY (a folder or workbook), first row first.

    A study without problems, finished or planned, is also looked through for what
    would make the comparison unfair. What differs from its frozen plan is listed.
    """
    if dest is not None and _fixed(study, dest, style):
        study = dest
    _check(study, style, offer=dest is None)


def _check(study: Path, style: str, *, offer: bool) -> None:
    from pitstats.analysis.fairness import audit_fairness
    from pitstats.report.sections.fairness import findings_text
    from pitstats.study.cells import escaped
    from pitstats.study.files import read_study
    from pitstats.study.fixed_copy import can_fix
    from pitstats.study.frozen_plan import plan_changes, plan_path, read_plan

    try:
        found = read_study(study)
    except InvalidStudyError as error:
        _say_problems(error, style)
        if offer and style != "json" and can_fix(study):
            click.echo(
                f"'{typed('check', study)} --fix DEST' writes a copy in which "
                "spelling, units and the like are corrected where they are certain."
            )
        sys.exit(PROBLEMS)
    plan = found.plan
    changes = [] if plan is None else plan_changes(plan, found)
    intact = plan is None or read_plan(plan).intact
    if style == "json":
        _say_json([], found.assumptions, changes)
        sys.exit(DONE if intact else PROBLEMS)
    for assumption in found.assumptions:
        click.echo(f"Assumed: {assumption}")
    click.echo(f"{study}: no problems. {found!r}")
    said = changes or ["As it was frozen."]
    if plan is None:
        drawn = "layout_seed" in found.settings.extra
        lay = f"Not found: lay the frozen plan beside it, as {plan_path(study).name}."
        said = [lay] * drawn
    if said:
        click.echo("\n".join(["Plan:", *(f"- {escaped(line)}" for line in said)]))
    text = findings_text(audit_fairness(found))
    if text:
        click.echo(f"\n{text}")
    _say_next(found)
    if not intact:
        sys.exit(PROBLEMS)


def _say_next(study: Study) -> None:
    """What to do next, or what a plan can find; the bakes that would separate."""
    from pitstats.planning.can_find import what_a_plan_finds
    from pitstats.report.sections.design import (
        extra_bakes_sentences,
        extra_bakes_table,
    )
    from pitstats.report.study_results import StudyResults
    from pitstats.report.words import one_line

    results, n_bakes = StudyResults(study), len(study.bakes)
    said = [f"Compare the pits with pitstats compare: {n_bakes:,} bakes take minutes."]
    try:
        if n_bakes <= _LONG_RECORD:
            said = [*map(one_line, results.next_step.sentences)]
        click.echo("\n".join(["\nWhat to do next", *said]))
    except DesignError:  # nothing is graded yet, or there is nothing to compare
        found = what_a_plan_finds(study)
        if found:
            click.echo(f"\n{found}")
    more = results.extra_bakes
    if len(more.table):
        click.echo(f"\n{extra_bakes_sentences(more)[0]}")
        click.echo(extra_bakes_table(more).to_string(index=False))


def _fixed(study: Path, dest: Path, style: str) -> bool:
    """Write the corrected copy and say what was changed; whether there is one."""
    from pitstats.study.cells import counted, escaped
    from pitstats.study.fixed_copy import write_fixed_copy

    copy = write_fixed_copy(study, dest)
    if style == "json":
        return bool(copy.changes)
    for change in copy.changes[:_CHANGES_SHOWN]:
        place = copy.form.place(change.table, change.row, change.column or None)
        old, new = (" ".join(text.split("\n")) for text in (change.old, change.new))
        click.echo(escaped(f"{place}: '{old}' is now '{new}' ({change.why})"))
    count, more = len(copy.changes), len(copy.changes) - _CHANGES_SHOWN
    if more > 0:
        click.echo(f"and {more} more")
    if count:
        click.echo(
            f"{counted(count, 'change')} in {dest}, all listed in "
            f"{copy.listing}; {study} is as it was.\n"
        )
    else:
        click.echo("Nothing can be corrected for certain, so no copy was written.\n")
    return bool(count)


def _say_problems(error: InvalidStudyError, style: str) -> None:
    """Print problems: they are what was asked for, so not among the errors."""
    from pitstats.study.cells import escaped

    if style == "json":
        _say_json(error.problems, error.assumptions)
    else:
        notes = getattr(error, "__notes__", ())
        click.echo(escaped("\n".join([str(error), *notes])))


def _say_json(
    problems: Sequence[Problem],
    assumptions: Iterable[str],
    plan_changes: Sequence[str] = (),
) -> None:
    content = {
        "problems": [
            {**asdict(problem), "place": problem.place} for problem in problems
        ],
        "assumptions": list(assumptions),
        "plan_changes": list(plan_changes),
    }
    click.echo(json.dumps(content, indent=2, ensure_ascii=True))
