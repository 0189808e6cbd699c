"""Many studies as one."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, format_option, told_plainly


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
@click.option("--conf-level", type=float, default=0.95, show_default=True)
@click.option("--jobs", type=int, help="Processes; all cores if many are to be read.")
@format_option
@force_option
@told_plainly()
def season(
    folder: Path,
    days_alike: bool,
    matches: bool,
    conf_level: float,
    jobs: int | None,
    style: str,
    force: bool,
) -> None:
    """Estimate every pit over all studies in FOLDER, and compare the pits."""
    from pitstats.analysis.season.estimate import estimate_season
    from pitstats.analysis.season.read import read_season, write_matches
    from pitstats.study.csv_text import harmless_frame

    read = read_season(folder, n_jobs=jobs, progress=style == "table")
    if matches:
        target = write_matches(read, overwrite=force)
        click.echo(f"Which pits are one: {target}. Edit it, then run this again.")
        return
    found = estimate_season(read, conf_level, days_alike=days_alike)
    if style == "csv":
        click.echo(harmless_frame(found.table).to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(found.table.to_json(orient="records", indent=2))
    else:
        click.echo(f"{read!r}: {found.estimand} (level {conf_level:g})")
        for table in (found.table, found.differences, found.spread):
            click.echo(f"\n{table.round(3).to_string(index=False)}")
        if len(read.left_out):
            click.echo(f"\n{read.left_out.to_string(index=False)}")
        for caveat in found.caveats:
            click.echo(f"Note: {caveat}")
