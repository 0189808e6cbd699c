"""Print the answer and all pairs."""

from __future__ import annotations

from pathlib import Path

import click

from pitstats.commands.shared import HELP, format_option, told_plainly


@click.command(context_settings=HELP, short_help="Print the answer and all pairs.")
@click.argument("study", type=click.Path(path_type=Path))
@format_option
@click.option("--conf-level", type=float, help="Between 0 and 1.")
@told_plainly()
def compare(study: Path, style: str, conf_level: float | None) -> None:
    """Print the answer of STUDY in one sentence and all pairs of pits.

    As in the report, pits whose items lay at different places are compared on the
    places that they share; the table shows both ways.
    """
    from pitstats.analysis.fairness import audit_fairness, settings_differ
    from pitstats.analysis.rates.two_layouts import compare_both_ways
    from pitstats.report.tables import pair_table, ways_table
    from pitstats.report.wording import answer, pairs_caption, ways_sentence
    from pitstats.study.csv_text import harmless_frame
    from pitstats.study.files import read_study

    found = read_study(study)
    both = compare_both_ways(found, conf_level=conf_level)
    comparison = both.leading
    if style == "csv":
        click.echo(harmless_frame(comparison.table).to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(comparison.table.to_json(orient="records", indent=2))
    else:
        findings = audit_fairness(found)
        as_set_up = settings_differ(found)
        click.echo(answer(comparison, as_set_up=as_set_up, findings=findings))
        for finding in findings:
            if finding.severity == "spoils":
                click.echo(f"But: {finding.message} {finding.fix}")
        click.echo(f"\n{pairs_caption(comparison)}")
        click.echo(pair_table(comparison).to_string(index=False))
        click.echo(f"\n{ways_sentence(both)}")
        click.echo(ways_table(both).to_string(index=False))
        for caveat in comparison.caveats:
            click.echo(f"Note: {caveat}")
