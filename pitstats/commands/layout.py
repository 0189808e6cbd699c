"""Draw order, cells and codes at random."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pitstats.commands.shared import (
    HELP,
    WRONG_USAGE,
    force_option,
    told_plainly,
    typed,
)
from pitstats.commands.values import PIT_SIZE, looks_option, margin_option
from pitstats.errors import DesignError, ExistsError
from pitstats.study.schema import TEMPERATURE_RULES


@click.command(
    context_settings=HELP, short_help="Draw order, cells and codes at random."
)
@click.argument("dest", type=click.Path(path_type=Path))
@click.option(
    "--pit",
    "pits",
    type=PIT_SIZE,
    multiple=True,
    required=True,
    help="A pit and its cells, PIT=ROWSxCOLUMNS; repeat for every pit.",
)
@click.option("--bakes", type=int, help="Of each pit; 3, or the last look.")
@looks_option
@click.option(
    "--sessions",
    type=int,
    help="Afternoons; one bake of each pit in each if not given.",
)
@click.option("--items", type=int, help="Items a bake; all cells if not given.")
@click.option("--title", help="Title of the study.")
@click.option("--question", help="Question the bakes are to answer.")
@click.option(
    "--temperature-rule",
    type=click.Choice(TEMPERATURE_RULES),
    help="How the heat of the pits is matched.",
)
@click.option("--stop-rule", help="When a bake is ended, in words.")
@margin_option
@click.option("--lot", help="Name of the one lot of dough.")
@click.option(
    "--regrade-share",
    type=float,
    default=0.2,
    show_default=True,
    help="Share of items graded twice, 0-1.",
)
@click.option("--seed", type=int, help="Seed; drawn and printed if not given.")
@force_option
@told_plainly(design_error=WRONG_USAGE)
def layout(
    dest: Path,
    pits: tuple[tuple[str, dict[str, tuple[int, int]]], ...],
    bakes: int | None,
    looks: list[int] | str | None,
    sessions: int | None,
    items: int | None,
    lot: str | None,
    regrade_share: float,
    seed: int | None,
    force: bool,
    **stated: Any,
) -> None:
    """Draw order, cells and codes at random and write the planned study to DEST."""
    from pitstats.planning.can_find import what_a_plan_finds
    from pitstats.planning.layout import randomize_layout
    from pitstats.planning.looks import checked_looks
    from pitstats.study.files import write_study
    from pitstats.study.frozen_plan import plan_path, write_plan

    grates = dict(pits)
    if len(grates) < len(pits):
        raise DesignError("A pit was given twice; put its grates together with +.")
    if looks is not None:
        stated["looks_planned"] = checked_looks(looks, bakes)
    asked = 3 if bakes is None else bakes
    last = stated["looks_planned"][-1] if looks is not None else asked
    if looks is not None and bakes not in (None, last):
        raise DesignError(f"The last look is after {last} bakes, but --bakes {bakes}.")
    drawn = randomize_layout(
        grates,
        bakes=last,
        sessions=sessions,
        items="fill" if items is None else items,
        lots=lot,
        regrade_share=regrade_share,
        settings={key: value for key, value in stated.items() if value is not None},
        seed=seed,
    )
    plan = plan_path(dest)
    if plan.exists() and not force:
        raise ExistsError(
            f"{plan} is there and was left as it is. Choose another name."
        )
    write_study(drawn.study, dest, overwrite=force, only_made=True)
    frozen = write_plan(drawn.study, dest, overwrite=force)
    click.echo(f"Planned study: {dest} (seed {drawn.seed})")
    click.echo(f"Frozen plan: {plan} (SHA-256 {frozen})")
    click.echo("Show this hash to others before the bakes: it tells a later change.")
    for line in (*drawn.rules, *drawn.caveats, what_a_plan_finds(drawn.study)):
        if line:
            click.echo(f"- {line}")
    click.echo(f"Next: {typed('sheets', dest)}")
