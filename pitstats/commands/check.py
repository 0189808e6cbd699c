"""List problems, then what looks unfair."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, told_plainly


@click.command(
    context_settings=HELP, short_help="List problems, then what looks unfair."
)
@click.argument("study", type=click.Path(path_type=Path))
@told_plainly()
def check(study: Path) -> None:
    """List every problem of STUDY (a folder or workbook), first row first.

    A study without problems, finished or planned, is also looked through for what
    would make the comparison unfair.
    """
    from pitstats.analysis.fairness import audit_fairness
    from pitstats.analysis.fairness.extra_bakes import suggest_bakes
    from pitstats.report.sections.design import (
        extra_bakes_sentences,
        extra_bakes_table,
    )
    from pitstats.report.sections.fairness import findings_text
    from pitstats.study.files import read_study

    found = read_study(study)
    for assumption in found.assumptions:
        click.echo(f"Assumed: {assumption}")
    click.echo(f"{study}: no problems. {found!r}")
    text = findings_text(audit_fairness(found))
    if text:
        click.echo(f"\n{text}")
    more = suggest_bakes(found)
    if len(more.table):
        click.echo(f"\n{extra_bakes_sentences(more)[0]}")
        click.echo(extra_bakes_table(more).to_string(index=False))
