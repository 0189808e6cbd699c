"""Copy a demo study."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import (
    HELP,
    WRONG_USAGE,
    force_option,
    told_plainly,
    typed,
)


@click.command(context_settings=HELP, short_help="Copy a demo study.")
@click.argument("name", required=False)
@click.argument("dest", required=False, type=click.Path(path_type=Path))
@force_option
@told_plainly(design_error=WRONG_USAGE)
def demo(name: str | None, dest: Path | None, force: bool) -> None:
    """Copy the demo study NAME to the folder DEST; without NAME, list the names."""
    from pitstats.study.demo import copy_demo, demo_names

    if name is None:
        click.echo("\n".join(demo_names()))
        return
    if dest is None:
        raise click.UsageError("Say where to: pitstats demo NAME DEST.")
    copy_demo(name, dest, overwrite=force)
    click.echo(f"Demo study {name} is in {dest}. Next: {typed('report', dest)}")
