"""How many bakes and items it takes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pitstats.commands.shared import HELP, WRONG_USAGE, format_option, told_plainly
from pitstats.commands.values import Numbers


@click.command(context_settings=HELP, short_help="How many bakes and items it takes.")
@click.option("--pits", type=int, default=2, show_default=True, help="2 to 6 pits.")
@click.option(
    "--bakes",
    type=Numbers(int),
    default="2,3,4,6",
    show_default=True,
    help="Bakes of each pit to look at.",
)
@click.option(
    "--items",
    type=Numbers(int),
    default="12,24",
    show_default=True,
    help="Items a bake to look at.",
)
@click.option(
    "--rate",
    type=float,
    default=0.2,
    show_default=True,
    help="Long-run burn rate of the first pit, 0-1.",
)
@click.option(
    "--difference",
    type=float,
    default=0.2,
    show_default=True,
    help="Smallest difference worth finding, 0-1.",
)
@click.option(
    "--sd-bake",
    type=Numbers(float),
    default="0.3,0.6,1.0",
    show_default=True,
    help="Spread between bakes: 0.3 steady, 0.6 usual, 1.0 moody fires.",
)
@click.option(
    "--power", type=float, default=0.8, show_default=True, help="Chance wanted, 0-1."
)
@click.option("--margin", type=float, help="Difference that changes no advice, 0-1.")
@click.option("--cost-per-bake", type=float, help="In any unit.")
@click.option("--cost-per-item", type=float, help="In the same unit.")
@click.option(
    "--pilot", type=click.Path(path_type=Path), help="Study of earlier bakes."
)
@click.option("--simulations", type=int, default=2000, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
@format_option
@told_plainly(design_error=WRONG_USAGE)
def plan(power: float, pilot: Path | None, style: str, **asked: Any) -> None:
    """Say how many bakes and items it takes to tell pits apart."""
    from pitstats.planning.power import plan_bakes
    from pitstats.report.wording.plan import plan_answer, plan_caption, plan_table
    from pitstats.study.csv_text import harmless_frame
    from pitstats.study.files import read_study

    seed = asked.pop("seed")
    earlier = read_study(pilot) if pilot else None
    found = plan_bakes(**asked, rng=seed, pilot=earlier)
    if style == "csv":
        click.echo(harmless_frame(found.table).to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(found.table.to_json(orient="records", indent=2))
    else:
        click.echo(plan_answer(found, power))
        click.echo(f"\n{plan_caption(found)}")
        click.echo(plan_table(found).to_string(index=False))
        for caveat in found.caveats:
            click.echo(f"Note: {caveat}")
