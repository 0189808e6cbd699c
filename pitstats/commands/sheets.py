"""Write what to carry outside."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pitstats.commands.shared import HELP, force_option, told_plainly, typed
from pitstats.errors import DesignError

if TYPE_CHECKING:
    from pitstats.study.study import Study


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
    from pitstats.planning.sheets import PHONE, write_sheets
    from pitstats.study.files import read_study
    from pitstats.study.workbook import ENTRY, SHEETS

    folder = out or study.with_name(f"{study.stem}{SHEETS}")
    planned = read_study(study)
    _freeze(planned, study)
    written = write_sheets(
        planned,
        folder,
        paper="A4" if paper == "A4" else "Letter",
        mirrored=mirrored,
        entry_workbook=True,
        overwrite=force,
    )
    click.echo("\n".join(str(path) for path in written))
    entry = folder / ENTRY
    click.echo(
        f"Print the pages, or send {folder / PHONE} to the phones of grader "
        "and tender; 'pitstats record' takes in what they hand out. Otherwise fill in "
        f"{entry} and set the status of every bake to kept or excluded, then: "
        f"{typed('report', entry)}"
    )


def _freeze(planned: Study, path: Path) -> None:
    """Freeze a plan that was made by hand; hold the study to one that is frozen."""
    from pitstats.study.frozen_plan import plan_changes, plan_path, write_plan

    if not planned.bakes["status"].eq("planned").all():
        return
    if planned.plan is None:
        told = write_plan(planned, path)
        click.echo(f"Frozen plan: {plan_path(path)} (SHA-256 {told})")
    elif changes := plan_changes(planned.plan, planned):
        raise DesignError(
            f"The study is not as its plan was frozen: {' '.join(changes)} Put it "
            f"back. As nothing was baked yet, you may also remove {plan_path(path)} "
            "and run this again."
        )
