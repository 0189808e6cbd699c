"""Write a blank study."""

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
from pitstats.commands.values import PIT_SIZE


@click.command(context_settings=HELP, short_help="Write a blank study.")
@click.argument("dest", type=click.Path(path_type=Path))
@click.option(
    "--pit",
    "pits",
    multiple=True,
    type=PIT_SIZE,
    help="Pit that was baked in, as PIT=ROWSxCOLUMNS or PIT=main:4x5+upper:2x5; repeat "
    "for each. Every bake and every place then has its row already.",
)
@click.option(
    "--bakes",
    type=click.IntRange(1),
    help="Bakes of each of these pits; 1 if not given.",
)
@force_option
@told_plainly(design_error=WRONG_USAGE)
def start(
    dest: Path,
    pits: tuple[tuple[str, dict[str, tuple[int, int]]], ...],
    bakes: int | None,
    force: bool,
) -> None:
    """Write a blank study to DEST: a folder, or a workbook if it ends in .xlsx.

    For an afternoon that is already baked, name its pits; for one that is to come, let
    'pitstats layout' draw the places and the order.
    """
    from pitstats.study.files import start_study

    if bakes is not None and not pits:
        raise click.UsageError(
            "--bakes needs the pits: --pit Quarry=3x6, one for each."
        )
    names = [name for name, _ in pits]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise click.UsageError(f"--pit names {twice!r} twice; join its grates by +.")
    start_study(dest, pits=dict(pits), bakes=bakes or 1, overwrite=force)
    click.echo(f"A blank study is in {dest}. Fill it in, then: {typed('check', dest)}")
