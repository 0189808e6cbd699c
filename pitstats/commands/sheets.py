"""Write what to carry outside."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly


@click.command(context_settings=HELP, short_help="Write what to carry outside.")
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder; STUDY-sheets if not given."
)
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"]),
    default="A4",
    show_default=True,
    help="Paper to print on.",
)
@click.option(
    "--mirrored",
    multiple=True,
    metavar="PIT",
    help="Pit whose firebox lies the other way seen from the door; may be repeated.",
)
@force_option
@told_plainly()
def sheets(
    study: Path, out: Path | None, paper: str, mirrored: tuple[str, ...], force: bool
) -> None:
    """Write what to carry outside for the planned STUDY, and the entry workbook."""
    from pitstats.planning.sheets import write_sheets
    from pitstats.study.files import read_study

    folder = out or study.with_name(f"{study.stem}-sheets")
    written = write_sheets(
        read_study(study),
        folder,
        paper="A4" if paper == "A4" else "Letter",
        mirrored=mirrored,
        entry_workbook=True,
        overwrite=force,
    )
    click.echo("\n".join(str(path) for path in written))
    click.echo(
        f"Print the pages, or send {folder / 'grade.html'} to the phones of grader "
        "and tender; 'pitstats record' takes in what they hand out. Otherwise fill in "
        f"{folder / 'entry.xlsx'} and set the "
        "status of every bake to kept or excluded, then: pitstats report "
        f"{folder / 'entry.xlsx'}"
    )
