"""Write a blank study."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly


@click.command(context_settings=HELP, short_help="Write a blank study.")
@click.argument("dest", type=click.Path(path_type=Path))
@force_option
@told_plainly()
def start(dest: Path, force: bool) -> None:
    """Write a blank study to DEST: a folder, or a workbook if it ends in .xlsx."""
    from pitstats.study.files import start_study

    start_study(dest, overwrite=force)
    click.echo(f"A blank study is in {dest}. Fill it in, then: pitstats check {dest}")
