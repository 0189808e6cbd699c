"""How many bakes and items it takes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pitstats.commands.shared import HELP, WRONG_USAGE, format_option, told_plainly
from pitstats.commands.values import Looks, Numbers, Share, Spreads

if TYPE_CHECKING:
    from pitstats.planning.power import BakePlan


@click.command(context_settings=HELP, short_help="How many bakes and items it takes.")
@click.option("--pits", type=int, default=2, show_default=True, help="2 to 6 pits.")
@click.option(
    "--bakes",
    type=Numbers(int),
    help="Bakes of each pit to look at; 2,3,4,6 if not given.",
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
    type=Share(),
    default=0.2,
    show_default=True,
    help="Long-run burn rate of the first pit, 0-1.",
)
@click.option(
    "--difference",
    type=Share(),
    default=0.2,
    show_default=True,
    help="Smallest difference worth finding, 0-1.",
)
@click.option(
    "--sd-bake",
    type=Spreads(),
    default="0.3,0.6,1.0",
    show_default=True,
    help="Spread between bakes: 0.3 steady, 0.6 usual, 1.0 moody fires; 0.3:1.0 for "
    "a steady pit and a moody one.",
)
@click.option(
    "--sd-session",
    type=float,
    help="Spread between sessions that each hold a bake of every pit.",
)
@click.option(
    "--power", type=Share(), default=0.8, show_default=True, help="Chance wanted, 0-1."
)
@click.option("--margin", type=Share(), help="Difference that changes no advice, 0-1.")
@click.option(
    "--looks",
    type=Looks(),
    help="Bakes of each pit after which to look and maybe stop: 2,4,6, or every.",
)
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
@click.option("--simulations", type=int, default=2000, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
@format_option
@told_plainly(design_error=WRONG_USAGE)
def plan(
    power: float, pilot: Path | None, style: str, budget: float | None, **asked: Any
) -> None:
    """Say how many bakes and items it takes to tell pits apart."""
    from pitstats.planning.power import plan_bakes
    from pitstats.study.csv_text import harmless_frame
    from pitstats.study.files import read_study

    seed, pits = asked.pop("seed"), asked["pits"]
    if budget is not None:
        _say_budget(budget, asked, seed)
        return
    if asked["bakes"] is None and asked["looks"] is None:
        asked["bakes"] = [2, 3, 4, 6]
    if asked["bakes"] and asked["looks"] == "every":
        asked["bakes"] = max(asked["bakes"])
    asked["earlier"] = list(asked["earlier"]) or None
    study = read_study(pilot) if pilot else None
    found = plan_bakes(**asked, rng=seed, pilot=study)
    if style == "csv":
        click.echo(harmless_frame(found.table).to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(found.table.to_json(orient="records", indent=2))
    else:
        _say_plan(found, power)
        if study is None and found.cheapest(power) is None:
            _say_search(found, power)
        if study is None and pits > 2:
            _say_pairs(asked, found, seed)


def _say_plan(found: BakePlan, power: float) -> None:
    """The answer, the table, the boundary of looks, and what to bear in mind."""
    from pitstats.planning.looks import boundary_in_words
    from pitstats.report.sections import plan

    click.echo(f"The test is to {plan.question_text(found)}.")
    click.echo(f"{plan.in_short(found, power)} {plan.chances(found, power)}")
    click.echo(f"\n{plan.plan_caption(found)}")
    click.echo(plan.plan_table(found).to_string(index=False))
    for line in plan.earlier_sentences(found, power):
        click.echo(f"- {line}")
    for line in boundary_in_words(found):
        click.echo(f"- {line}")
    for caveat in found.caveats:
        click.echo(f"Note: {caveat}")


def _say_search(found: BakePlan, power: float) -> None:
    """The number of bakes that would do, and what these can find."""
    from pitstats.planning.search import (
        curve_sentence,
        find_bakes,
        findable_differences,
    )

    items = max(int(str(n).split(",")[0]) for n in found.table["items"])
    spread = float(found.table["sd_bake"].median())
    common: dict[str, Any] = {
        "rate": found.rate,
        "sd_bake": spread,
        "pits": found.pits,
        "power": power,
        "rng": found.seed,
        "conf_level": found.conf_level,
        "simulations": 500,
    }
    needed = find_bakes(items, difference=found.difference, **common)
    click.echo(f"\n{needed.sentence}")
    click.echo(curve_sentence(findable_differences(items=items, **common), power))


def _say_pairs(asked: dict[str, Any], found: BakePlan, seed: int) -> None:
    """What looking at all pairs costs against one pair named beforehand."""
    from pitstats.planning.power import plan_bakes

    spreads = [sd[:2] if isinstance(sd, tuple) else sd for sd in asked["sd_bake"]]
    pair = plan_bakes(**{**asked, "pits": 2, "sd_bake": spreads}, rng=seed)
    lost = float((pair.table["power"] - found.table["power"]).max())
    click.echo(
        f"Looking at all pairs of {found.pits} pits costs up to "
        f"{100 * lost:.0f} points of chance for a pair; naming one pair beforehand, "
        "and baking only those two, saves that."
    )


def _say_budget(budget: float, asked: dict[str, Any], seed: int) -> None:
    """The best split of a budget."""
    from pitstats.planning.allocation import best_split
    from pitstats.report.sections.plan import plan_table, split_sentence

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
    click.echo(split_sentence(split))
    click.echo(plan_table(split.plan).to_string(index=False))
    for caveat in split.caveats:
        click.echo(f"Note: {caveat}")
