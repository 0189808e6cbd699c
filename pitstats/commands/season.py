"""Many studies as one."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import (
    HELP,
    force_option,
    format_option,
    say_as_data,
    say_section,
    told_plainly,
)
from pitstats.commands.values import level_option


@click.command(context_settings=HELP, short_help="Many studies as one.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--days-alike",
    is_flag=True,
    help="Compare also pits that nothing links, as if all days had been alike.",
)
@click.option(
    "--matches",
    is_flag=True,
    help="Write season.csv: which pits are one, what counts alike; for you to edit.",
)
@level_option
@click.option(
    "--jobs",
    type=click.IntRange(1),
    help="Processes; all cores if many are to be read.",
)
@format_option
@force_option
@told_plainly()
def season(
    folder: Path,
    days_alike: bool,
    matches: bool,
    conf_level: float | None,
    jobs: int | None,
    style: str,
    force: bool,
) -> None:
    """Estimate every pit over all studies in FOLDER, and compare the pits."""
    from pitstats.analysis.season.read import read_season, write_matches
    from pitstats.report.season_results import SeasonResults

    read = read_season(folder, n_jobs=jobs, progress=style == "table")
    if matches:
        target = write_matches(read, overwrite=force)
        click.echo(f"Which pits are one: {target}. Edit it, then run this again.")
        return
    level = 0.95 if conf_level is None else conf_level
    results = SeasonResults(read, level, days_alike)
    found = results.estimate
    if not say_as_data(found.table, style):
        from pitstats.report.sections import season as sections

        click.echo(f"{read!r}\n\n{sections.in_short_pairs(results)}")
        for section in (sections.season_pairs, sections.season_rates):
            say_section(section(results))
        if len(read.left_out):
            click.echo(f"\n{read.left_out.to_string(index=False)}")
        for caveat in found.caveats:
            click.echo(f"Note: {caveat}")
