"""Did the change help? Before against after in the same pit."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import (
    HELP,
    format_option,
    say_as_data,
    say_table,
    told_plainly,
)
from pitstats.commands.values import level_option


@click.command(context_settings=HELP, short_help="Before against after a change.")
@click.argument("before", metavar="STUDY", type=click.Path(path_type=Path))
@click.argument("after", required=False, type=click.Path(path_type=Path))
@click.option("--setting", help="Column of bakes that was changed within a pit.")
@click.option(
    "--unchanged",
    multiple=True,
    metavar="PIT",
    help="Pit that was not changed and links two studies; may be repeated.",
)
@level_option
@format_option
@told_plainly()
def retest(
    before: Path,
    after: Path | None,
    setting: str | None,
    unchanged: tuple[str, ...],
    conf_level: float | None,
    style: str,
) -> None:
    """Compare the bakes before and after a change of one thing in the same pit.

    With one STUDY, a setting that was varied within a pit says the sides; with two,
    the first is before and the second after.
    """
    from pitstats.analysis.retest import compare as analysis
    from pitstats.study.files import read_study

    if after is None and unchanged:
        raise click.UsageError("--unchanged names pits of two studies; here is one.")
    if after is not None and setting is not None:
        raise click.UsageError(
            "--setting says the sides within one study; with two, the studies do."
        )
    if after is None:
        found = analysis.compare_settings(
            read_study(before), setting, conf_level=conf_level
        )
    else:
        found = analysis.retest(
            read_study(before),
            read_study(after),
            unchanged=unchanged,
            conf_level=conf_level,
        )
    if not say_as_data(found.table, style):
        from pitstats.report.sections import retest as section

        click.echo(section.in_short(found))
        for line in section.what_changed(found):
            click.echo(line)
        if section.next_in_short(found):
            click.echo(f"What to do next: {section.next_in_short(found)}")
        say_table(section.table(found))
        say_table(section.sides(found))
        for finding in found.findings:
            if finding.severity in ("spoils", "weakens"):
                click.echo(f"But: {finding.message} {finding.fix}")
        for caveat in found.caveats:
            click.echo(f"Note: {caveat}")
