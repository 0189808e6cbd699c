"""Copy the notebooks to a folder of one's own."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly


@click.command(context_settings=HELP, short_help="Copy the notebooks.")
@click.argument("dest", type=click.Path(path_type=Path))
@force_option
@told_plainly()
def notebooks(dest: Path, force: bool) -> None:
    """Copy the notebooks to the folder DEST, to be opened and changed there."""
    from pitstats.study.atomic import write_folder
    from pitstats.study.shipped import shipped_folder

    found = sorted(shipped_folder("notebooks").glob("*.ipynb"))
    files = {path.name: path.read_bytes() for path in found}
    write_folder(dest, files, kind="notebooks", overwrite=force)
    click.echo(f"{len(files)} notebooks are in {dest}. Open them with JupyterLab.")
