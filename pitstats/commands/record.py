"""Take files of the page for the phone into a study."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, told_plainly, typed


@click.command(context_settings=HELP, short_help="Take in what the phone hands out.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE..."
)
@click.option(
    "--replace",
    is_flag=True,
    help="Let values of the files replace others that STUDY holds.",
)
@told_plainly()
def record(study: Path, files: tuple[Path, ...], replace: bool) -> None:
    """Record every FILE that grade.html handed out in STUDY, or none of them.

    STUDY is the folder or workbook whose sheets were written, or their entry.xlsx.
    Grades of an item that was graded before become its second grading. A CSV FILE is
    the table that a form collector exported of grade_form.xlsx.
    """
    from pitstats.study.record import record_grades

    done = record_grades(study, files, replace=replace)
    for sheet in done.table.to_dict("records"):
        kept = ", ".join(
            f"{sheet[name]} {words}"
            for name, words in (
                ("first", "first gradings"),
                ("second", "second gradings"),
                ("timed", "bakes timed"),
                ("changed", "completed or changed"),
                ("same", "recorded before"),
            )
            if sheet[name]
        )
        click.echo(f"{sheet['file']}, {sheet['person']!r}: {kept or 'nothing entered'}")
    for note in done.notes:
        click.echo(f"- {note}")
    click.echo(f"Next: {typed('check', study)}")
