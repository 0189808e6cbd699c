"""Work the numbers of a package out again."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from pitstats.commands.shared import (
    HELP,
    PROBLEMS,
    format_option,
    say_as_data,
    told_plainly,
)


@click.command(
    context_settings=HELP, short_help="Work the numbers of a package out again."
)
@click.argument("file", type=click.Path(path_type=Path))
@format_option
@told_plainly()
def verify(file: Path, style: str) -> None:
    """Work every number of FILE out again and say which file was changed.

    FILE is a zip that 'pitstats pack' wrote, or the HTML page of a report.
    """
    from pitstats.exchange.verify import verify_package

    found = verify_package(file)
    if not say_as_data(found.table, style):
        click.echo(found.sentence)
        differ = found.table[~found.table["same"].astype(bool)]
        if len(differ):
            click.echo(differ.drop(columns="same").to_string(index=False))
    if not found.same:
        sys.exit(PROBLEMS)
