"""Pack a study with its results and its report."""

from __future__ import annotations

import tempfile
from datetime import datetime
from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly, typed


@click.command(
    context_settings=HELP, short_help="Pack a study so that others can check it."
)
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="The zip; STUDY.zip if not given."
)
@click.option(
    "--published",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Date of publication, such as 2026-05-30; the last session that is named by "
    "its date if not given.",
)
@click.option("--license", "license_text", help="License of the data, in words.")
@click.option("--no-report", is_flag=True, help="Leave the report out.")
@force_option
@told_plainly()
def pack(
    study: Path,
    out: Path | None,
    published: datetime | None,
    license_text: str | None,
    no_report: bool,
    force: bool,
) -> None:
    """Pack STUDY, its results, report and metadata into one zip.

    Anybody can check it: pitstats verify FILE.zip.
    """
    from pitstats.exchange.crate import NO_DAY
    from pitstats.exchange.package import NO_LICENSE, last_day, write_package
    from pitstats.report.render import render_report
    from pitstats.study.atomic import refuse_file
    from pitstats.study.files import read_study

    target = out or study.with_name(f"{study.stem}.zip")
    refuse_file(target, force)  # before any work, and again after it
    found = read_study(study)
    day = published.date() if published else last_day(found)
    report = None
    if not no_report:
        with tempfile.TemporaryDirectory() as folder:
            # Undated: the same input gives the same bytes.
            report = render_report(study, out=folder, dated=False).read_bytes()
    write_package(
        found,
        target,
        published=day,
        license_text=license_text or NO_LICENSE,
        report=report,
        overwrite=force,
    )
    told = f"published {day}"
    if day == NO_DAY:
        told = "no date of publication is stated; --published states it"
    click.echo(f"Package: {target} ({told})")
    click.echo(f"Anybody can check it: {typed('verify', target)}")
