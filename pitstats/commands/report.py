"""Render a report."""

from __future__ import annotations

import atexit
import gc
import sys
from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly

#: Notebooks that would show a demo, were no study named.
_OF_A_STUDY = ("compare_pits", "retest_setting", "read_probes")


@click.command(context_settings=HELP, short_help="Render a report on STUDY.")
@click.argument("study", type=click.Path(path_type=Path), required=False)
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
@click.option("--brief", is_flag=True, help="The first page alone.")
@click.option(
    "--slides",
    is_flag=True,
    help="Only pictures of 1920 x 1080 pixels of the first page's figures.",
)
@force_option
@told_plainly()
def report(
    study: Path | None,
    notebook: str,
    out: Path,
    pairs: tuple[str, ...],
    brief: bool,
    slides: bool,
    force: bool,
) -> None:
    """Render a report on STUDY: one HTML page with its notebook, figures and tables.

    The notebooks plan_bakes and noise_check do without a STUDY; set what they ask
    with -p, such as -p rate=0.2 -p "bakes=[2, 3, 4]". For the notebook season, STUDY is
    the folder of its studies (without it: all demo studies).
    """
    from pitstats.report.render import parse_parameters, render_report

    named = study is not None or any(p.startswith("study_path=") for p in pairs)
    if not named and notebook in _OF_A_STUDY:
        said = f" --notebook {notebook}" * (notebook != _OF_A_STUDY[0])
        raise click.UsageError(f"Say which study: pitstats report STUDY{said}.")

    if slides:
        _slides(study, notebook, out, brief=brief or bool(pairs), force=force)
        return

    # On import, what validates notebooks spends a second on a grammar of international
    # web addresses, if this package is there; without it, it does without.
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    # At its end Python looks for garbage among all that libraries and figures left, for
    # half a second; the memory goes back anyway.
    atexit.register(gc.freeze)
    html = render_report(
        study,
        notebook=notebook,
        out=out,
        parameters=parse_parameters(pairs),
        brief=brief,
        overwrite=force,
    )
    click.echo(f"Report: {html}")


def _slides(
    study: Path | None, notebook: str, out: Path, *, brief: bool, force: bool
) -> None:
    from pitstats.report.made_files import name_of
    from pitstats.report.slides import write_slides
    from pitstats.study.files import read_study

    if study is None or notebook != "compare_pits" or brief:
        raise click.UsageError(
            "--slides shows the comparison of a STUDY, by itself: leave out --brief, "
            "--notebook and -p."
        )
    made = write_slides(read_study(study), name_of(study), out, overwrite=force)
    for path in made:
        click.echo(f"Slide: {path}")
