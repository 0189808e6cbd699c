"""Print the answer and all pairs."""

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


@click.command(context_settings=HELP, short_help="Print the answer and all pairs.")
@click.argument("study", type=click.Path(path_type=Path))
@format_option
@level_option
@told_plainly()
def compare(study: Path, style: str, conf_level: float | None) -> None:
    """Print the answer of STUDY in one sentence and all pairs of pits.

    As in the report, pits whose items lay at different places are compared on the
    places that they share; the table shows both ways.
    """
    from pitstats.report.sections import answer, pairs
    from pitstats.report.study_results import StudyResults
    from pitstats.report.words import one_line
    from pitstats.study.files import read_study

    results = StudyResults(read_study(study), conf_level)
    comparison, both = results.comparison, results.both
    if say_as_data(comparison.table, style):
        return
    click.echo(answer.answer(results))
    for doubt in answer.doubt_lines(results):
        click.echo(f"But: {doubt}")
    if results.early_stop is not None:
        click.echo(f"But: {results.early_stop.sentence}")
    click.echo(f"What to do next: {one_line(results.next_step.sentence)}")
    say_table(pairs.pair_table(comparison))
    why = pairs.level_sentence(comparison)
    if why and not comparison.one_bake_each:
        click.echo(why)
    click.echo("\n" + " ".join(pairs.ways_sentences(both)))
    if both.common is not None:
        click.echo(pairs.ways_table(both, both.common).shown.to_string(index=False))
    for caveat in comparison.caveats:
        click.echo(f"Note: {caveat}")
