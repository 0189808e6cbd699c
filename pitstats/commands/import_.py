"""Make a study of a table with headers of its own."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, force_option, told_plainly, typed
from pitstats.study.schema import TEMPERATURE_RULES


@click.command("import", context_settings=HELP, short_help="Read a table of your own.")
@click.argument("table", type=click.Path(path_type=Path))
@click.argument("dest", type=click.Path(path_type=Path))
@click.option(
    "--map",
    "pairs",
    multiple=True,
    required=True,
    metavar="COLUMN=HEADER",
    help="Column of a study and the header of TABLE that holds it; repeat for each.",
)
@click.option("--keep", multiple=True, help="Header to carry along; may be repeated.")
@click.option("--title", required=True, help="Title of the study.")
@click.option("--question", required=True, help="Question the bakes are to answer.")
@click.option(
    "--temperature-rule",
    type=click.Choice(TEMPERATURE_RULES),
    required=True,
    help="How the heat of the pits was matched.",
)
@click.option("--temperature-unit", type=click.Choice(["F", "C"]))
@click.option("--length-unit", type=click.Choice(["in", "cm"]))
@click.option("--grades", help="Names of the grades, palest first, commas between.")
@click.option("--target-grades", help="Those that count as good, commas between.")
@click.option("--burned-from", help="The first that counts as burned; else the last.")
@force_option
@told_plainly()
def import_table(
    table: Path,
    dest: Path,
    pairs: tuple[str, ...],
    keep: tuple[str, ...],
    title: str,
    question: str,
    temperature_rule: str,
    force: bool,
    **stated: str | None,
) -> None:
    """Make the study DEST of TABLE, a CSV file or workbook with headers of its own.

    A row of TABLE is one bake if n_items and n_burned are mapped, else one item.
    Several headers for one column are joined: --map bake=day --map bake=round.
    """
    from pitstats.study.files import write_study
    from pitstats.study.import_table import study_from_table

    study = study_from_table(
        table,
        _mapping(pairs),
        title=title,
        question=question,
        temperature_rule=temperature_rule,
        keep=keep,
        settings={name: value for name, value in stated.items() if value is not None},
    )
    write_study(study, dest, overwrite=force, only_made=True)
    for assumption in study.assumptions:
        click.echo(f"Assumed: {assumption}")
    click.echo(f"{study!r} is in {dest}. Next: {typed('check', dest)}")


def _mapping(pairs: tuple[str, ...]) -> dict[str, list[str]]:
    mapping: dict[str, list[str]] = {}
    for pair in pairs:
        column, equals, header = pair.partition("=")
        if not (equals and column.strip() and header.strip()):
            raise click.UsageError(
                f"{pair!r} is not of the form COLUMN=HEADER, such as pit=smoker."
            )
        mapping.setdefault(column.strip(), []).append(header.strip())
    return mapping
