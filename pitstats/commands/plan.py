"""How many bakes and items it takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pitstats.commands.shared import (
    HELP,
    WRONG_USAGE,
    format_option,
    say_as_data,
    told_plainly,
)
from pitstats.commands.values import (
    SHARE,
    SPREADS,
    WHOLE_NUMBERS,
    looks_option,
    margin_option,
)

if TYPE_CHECKING:
    from pitstats.report.plan_results import PlanResults


USUAL_BAKES = (2, 3, 4, 6)
"""Bakes of each pit that are looked at when none are named."""

# What is simulated unless told otherwise: studies of each plan, and spreads. Studies
# with sessions of three pits or more take fifteen times as long, so there are few.
USUAL_STUDIES, FEW_STUDIES = 2000, 300
USUAL_SPREADS, FEW_SPREADS = [0.3, 0.6, 1.0], [0.6]

# What the split of a budget does not reckon with.
_NOT_WITH_BUDGET = ("bakes", "sd_session", "looks", "pilot", "pilot_pit", "earlier")


@click.command(context_settings=HELP, short_help="How many bakes and items it takes.")
@click.option("--pits", type=int, default=2, show_default=True, help="2 to 6 pits.")
@click.option(
    "--bakes",
    type=WHOLE_NUMBERS,
    help="Bakes of each pit to look at; 2,3,4,6 if not given.",
)
@click.option(
    "--items",
    type=WHOLE_NUMBERS,
    default="12,24",
    show_default=True,
    help="Items a bake to look at.",
)
@click.option(
    "--rate",
    type=SHARE,
    default=0.2,
    show_default=True,
    help="Long-run burn rate of the first pit, 0-1.",
)
@click.option(
    "--difference",
    type=SHARE,
    default=0.2,
    show_default=True,
    help="Smallest difference worth finding, 0-1.",
)
@click.option(
    "--sd-bake",
    type=SPREADS,
    help="Spread between bakes: 0.3 steady, 0.6 usual, 1.0 moody fires; 0.3:1.0 for "
    "a steady pit and a moody one.  [default: 0.3,0.6,1.0; 0.6 for sessions of three "
    "pits or more]",
)
@click.option(
    "--sd-session",
    type=float,
    help="Spread between sessions that each hold a bake of every pit.",
)
@click.option(
    "--power", type=SHARE, default=0.8, show_default=True, help="Chance wanted, 0-1."
)
@margin_option
@looks_option
@click.option(
    "--budget", type=float, help="Best split of this money; needs both costs."
)
@click.option("--pilot-pit", help="Pit of the pilot whose rate the first pit has.")
@click.option("--cost-per-bake", type=float, help="In any unit.")
@click.option("--cost-per-item", type=float, help="In the same unit.")
@click.option(
    "--pilot", type=click.Path(path_type=Path), help="Study of earlier bakes."
)
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Your own earlier study, or folder of studies, whose spread is borrowed; may "
    "be given again.",
)
@click.option(
    "--simulations",
    type=int,
    help="Studies simulated for each plan.  [default: 2000; 300 for sessions of three "
    "pits or more]",
)
@click.option("--seed", type=int, default=1, show_default=True)
@format_option
@told_plainly(design_error=WRONG_USAGE)
def plan(
    power: float, pilot: Path | None, style: str, budget: float | None, **asked: Any
) -> None:
    """Say how many bakes and items it takes to tell pits apart."""
    from pitstats.planning.power import plan_bakes
    from pitstats.report.plan_results import PlanResults
    from pitstats.study.files import read_study

    seed = asked.pop("seed")
    slow = asked["pits"] > 2 and asked["sd_session"] is not None
    if asked["simulations"] is None:
        asked["simulations"] = FEW_STUDIES if slow else USUAL_STUDIES
    if asked["sd_bake"] is None:
        asked["sd_bake"] = FEW_SPREADS if slow else USUAL_SPREADS
    if budget is not None:
        _say_budget(budget, asked | {"pilot": pilot}, seed, style)
        return
    if asked["bakes"] is None and asked["looks"] is None:
        asked["bakes"] = list(USUAL_BAKES)
    if asked["bakes"] and asked["looks"] == "every":
        asked["bakes"] = max(asked["bakes"])
    asked["earlier"] = list(asked["earlier"]) or None
    study = read_study(pilot) if pilot else None
    found = plan_bakes(**asked, rng=seed, pilot=study)
    if not say_as_data(found.table, style):
        _say_plan(PlanResults(found, power))


def _say_plan(results: PlanResults) -> None:
    """The answer, the table, the boundary of looks, and what to bear in mind."""
    from pitstats.planning.looks import boundary_in_words
    from pitstats.report.sections import plan

    found, power = results.plan, results.power
    click.echo(f"The test is to {plan.question_text(found)}.")
    click.echo(f"{plan.in_short(found, power)} {plan.chances(found, power)}")
    if results.needed is not None:
        click.echo(results.of_search(results.needed.sentence))
    click.echo(f"\n{plan.plan_caption(found)}")
    near = plan.nearest_plans(found, power)
    click.echo(plan.plan_table(near).to_string(index=False))
    if near is not found:
        click.echo(plan.left_out(found, near, "given by --format csv"))
    lines = [] if found.pilot else plan.found_sentences(results)
    lines += [*plan.earlier_sentences(found, power), *boundary_in_words(found)]
    for line in lines:
        click.echo(f"- {line}")
    for caveat in found.caveats:
        click.echo(f"Note: {caveat}")


def _say_budget(budget: float, asked: dict[str, Any], seed: int, style: str) -> None:
    """The best split of a budget."""
    from pitstats.planning.allocation import best_split
    from pitstats.report.sections.plan import plan_table, split_sentence

    given = [name for name in _NOT_WITH_BUDGET if asked[name] not in (None, ())]
    if given:
        raise click.UsageError(
            f"--budget is split without --{given[0].replace('_', '-')}. Leave one of "
            "the two out."
        )
    costs = (asked["cost_per_bake"], asked["cost_per_item"])
    if None in costs:
        raise click.UsageError("--budget needs --cost-per-bake and --cost-per-item.")
    spreads = [sd for sd in asked["sd_bake"] if not isinstance(sd, tuple)]
    if not spreads:
        raise click.UsageError(
            "--budget takes one spread for all pits: give --sd-bake without colons."
        )
    split = best_split(
        budget,
        *costs,
        rate=asked["rate"],
        difference=asked["difference"],
        sd_bake=spreads[(len(spreads) - 1) // 2],
        pits=asked["pits"],
        margin=asked["margin"],
        simulations=asked["simulations"],
        rng=seed,
    )
    if say_as_data(split.table, style):
        return
    click.echo(split_sentence(split))
    click.echo(plan_table(split.plan).to_string(index=False))
    for caveat in split.caveats:
        click.echo(f"Note: {caveat}")
