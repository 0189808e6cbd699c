"""The command line: parse, read, one library call, write."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from pitstats import __version__
from pitstats.errors import ExistsError, PitstatsError

_HELP = {"help_option_names": ["-h", "--help"]}

DONE, PROBLEMS, WRONG_USAGE = 0, 1, 2

force_option = click.option(
    "--force", is_flag=True, help="Replace what is already there."
)


def _told_plainly(command: Callable[..., None]) -> Callable[..., None]:
    """End with a sentence and an exit code where something is wrong, never a trace."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except ExistsError as error:
            click.echo(str(error), err=True)
            sys.exit(WRONG_USAGE)
        except PitstatsError as error:
            click.echo(str(error), err=True)
            sys.exit(PROBLEMS)
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            click.echo(f"{place}{error.strerror or error}", err=True)
            sys.exit(PROBLEMS)

    return run


@click.group(context_settings=_HELP)
@click.version_option(__version__, prog_name="pitstats")
def main() -> None:
    """Compare wood-fired pits fairly from test bakes.

    Start with 'pitstats demo four_pits my_test' and 'pitstats report my_test', or with
    'pitstats start my_test' for an empty study of your own.
    """


@main.command(context_settings=_HELP)
@click.argument("name", required=False)
@click.argument("dest", required=False, type=click.Path(path_type=Path))
@force_option
@_told_plainly
def demo(name: str | None, dest: Path | None, force: bool) -> None:
    """Copy the demo study NAME to the folder DEST; without NAME, list the names."""
    from pitstats.study.demo import copy_demo, demo_names

    if name is None:
        click.echo("\n".join(demo_names()))
        return
    if dest is None:
        raise click.UsageError("Say where to: pitstats demo NAME DEST.")
    copy_demo(name, dest, overwrite=force)
    click.echo(f"Demo study {name} is in {dest}. Next: pitstats report {dest}")


@main.command(context_settings=_HELP)
@click.argument("dest", type=click.Path(path_type=Path))
@force_option
@_told_plainly
def start(dest: Path, force: bool) -> None:
    """Write a blank study to DEST: a folder, or a workbook if it ends in .xlsx."""
    from pitstats.study.files import start_study

    start_study(dest, overwrite=force)
    click.echo(f"A blank study is in {dest}. Fill it in, then: pitstats check {dest}")


@main.command(context_settings=_HELP)
@click.argument("study", type=click.Path(path_type=Path))
@_told_plainly
def check(study: Path) -> None:
    """List every problem of STUDY (a folder or workbook), first row first."""
    from pitstats.study.files import read_study

    found = read_study(study)
    for assumption in found.assumptions:
        click.echo(f"Assumed: {assumption}")
    click.echo(f"{study}: no problems. {found!r}")


@main.command(context_settings=_HELP)
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "style",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)
@click.option("--conf-level", type=float, help="Between 0 and 1.")
@_told_plainly
def compare(study: Path, style: str, conf_level: float | None) -> None:
    """Print the answer of STUDY in one sentence and all pairs of pits."""
    from pitstats.analysis.compare import compare_pits
    from pitstats.analysis.fairness import settings_differ
    from pitstats.report.tables import pair_table
    from pitstats.report.wording import answer
    from pitstats.study.files import read_study

    found = read_study(study)
    comparison = compare_pits(found, conf_level=conf_level)
    if style == "csv":
        click.echo(comparison.table.to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(comparison.table.to_json(orient="records", indent=2))
    else:
        click.echo(answer(comparison, as_set_up=settings_differ(found)))
        click.echo(pair_table(comparison).to_string(index=False))
        for caveat in comparison.caveats:
            click.echo(f"Note: {caveat}")


@main.command(context_settings=_HELP)
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--notebook", default="compare_pits", show_default=True, help="Notebook to run."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Folder for the report.",
)
@click.option(
    "-p",
    "--parameter",
    "pairs",
    multiple=True,
    metavar="NAME=VALUE",
    help="Set a parameter of the notebook; may be repeated.",
)
@force_option
@_told_plainly
def report(
    study: Path, notebook: str, out: Path, pairs: tuple[str, ...], force: bool
) -> None:
    """Render a report on STUDY: one HTML page with its notebook, figures and tables."""
    from pitstats.report.render import parse_parameters, render_report

    html = render_report(
        study,
        notebook=notebook,
        out=out,
        parameters=parse_parameters(pairs),
        overwrite=force,
    )
    click.echo(f"Report: {html}")
