"""The command line: parse, read, one library call, write."""

from __future__ import annotations

import atexit
import gc
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from pitstats import __version__
from pitstats.errors import (
    DesignError,
    ExistsError,
    PitstatsError,
    RenderUsageError,
)

_HELP = {"help_option_names": ["-h", "--help"]}

DONE, PROBLEMS, WRONG_USAGE = 0, 1, 2

force_option = click.option(
    "--force", is_flag=True, help="Replace what is already there."
)


def _told_plainly(command: Callable[..., None]) -> Callable[..., None]:
    """End with a sentence and an exit code where something is wrong, never a trace.

    A `DesignError` is a problem of the data where a command reads a study, and wrong
    usage where the command line itself states the plan or names a demo.
    """
    states_plan = command.__name__ in ("plan", "layout", "demo")

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except (ExistsError, RenderUsageError) as error:
            click.echo(_for_the_terminal(error), err=True)
            sys.exit(WRONG_USAGE)
        except PitstatsError as error:
            click.echo(_for_the_terminal(error), err=True)
            wrong_plan = states_plan and isinstance(error, DesignError)
            sys.exit(WRONG_USAGE if wrong_plan else PROBLEMS)
        except BrokenPipeError:
            raise  # whoever reads has seen enough; click ends without a word
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            click.echo(f"{place}{error.strerror or error}", err=True)
            sys.exit(PROBLEMS)

    return run


def _for_the_terminal(error: Exception) -> str:
    """Text of an error with its notes, in the words of the command line."""
    lines = [str(error), *getattr(error, "__notes__", ())]
    return "\n".join(lines).replace("overwrite=True", "--force")


@click.group(context_settings=_HELP)
@click.version_option(__version__, prog_name="pitstats")
def main() -> None:
    """Compare wood-fired pits fairly from test bakes.

    Start with 'pitstats demo four_pits my_test' and 'pitstats report my_test', or with
    'pitstats start my_test' for an empty study of your own.
    """


@main.command(context_settings=_HELP, short_help="Copy a demo study.")
@click.argument("name", required=False)
@click.argument("dest", required=False, type=click.Path(path_type=Path))
@force_option
@_told_plainly
def demo(name: str | None, dest: Path | None, force: bool) -> None:
    """Copy the demo study NAME to the folder DEST; without NAME, list the names."""
    from pitstats.study.demo import copy_demo, demo_names

    if name is None:
        click.echo("\n".join(demo_names()))
        return
    if dest is None:
        raise click.UsageError("Say where to: pitstats demo NAME DEST.")
    copy_demo(name, dest, overwrite=force)
    click.echo(f"Demo study {name} is in {dest}. Next: pitstats report {dest}")


@main.command(context_settings=_HELP, short_help="Write a blank study.")
@click.argument("dest", type=click.Path(path_type=Path))
@force_option
@_told_plainly
def start(dest: Path, force: bool) -> None:
    """Write a blank study to DEST: a folder, or a workbook if it ends in .xlsx."""
    from pitstats.study.files import start_study

    start_study(dest, overwrite=force)
    click.echo(f"A blank study is in {dest}. Fill it in, then: pitstats check {dest}")


@main.command(
    context_settings=_HELP, short_help="List problems, then what looks unfair."
)
@click.argument("study", type=click.Path(path_type=Path))
@_told_plainly
def check(study: Path) -> None:
    """List every problem of STUDY (a folder or workbook), first row first.

    A study without problems, finished or planned, is also looked through for what
    would make the comparison unfair.
    """
    from pitstats.analysis.fairness import audit_fairness
    from pitstats.analysis.fairness.extra_bakes import suggest_bakes
    from pitstats.report.wording.design import (
        extra_bakes_sentences,
        extra_bakes_table,
    )
    from pitstats.report.wording.findings import findings_text
    from pitstats.study.files import read_study

    found = read_study(study)
    for assumption in found.assumptions:
        click.echo(f"Assumed: {assumption}")
    click.echo(f"{study}: no problems. {found!r}")
    text = findings_text(audit_fairness(found))
    if text:
        click.echo(f"\n{text}")
    more = suggest_bakes(found)
    if len(more.table):
        click.echo(f"\n{extra_bakes_sentences(more)[0]}")
        click.echo(extra_bakes_table(more).to_string(index=False))


@main.command(context_settings=_HELP, short_help="Print the answer and all pairs.")
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--format",
    "style",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)
@click.option("--conf-level", type=float, help="Between 0 and 1.")
@_told_plainly
def compare(study: Path, style: str, conf_level: float | None) -> None:
    """Print the answer of STUDY in one sentence and all pairs of pits.

    As in the report, pits whose items lay at different places are compared on the
    places that they share; the table shows both ways.
    """
    from pitstats.analysis.fairness import audit_fairness, settings_differ
    from pitstats.analysis.rates.two_layouts import compare_both_ways
    from pitstats.report.tables import pair_table, ways_table
    from pitstats.report.wording import answer, pairs_caption, ways_sentence
    from pitstats.study.files import read_study

    found = read_study(study)
    both = compare_both_ways(found, conf_level=conf_level)
    comparison = both.leading
    if style == "csv":
        click.echo(comparison.table.to_csv(index=False), nl=False)
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


@main.command(context_settings=_HELP, short_help="Render a report on STUDY.")
@click.argument("study", type=click.Path(path_type=Path), required=False)
@click.option(
    "--notebook", default="compare_pits", show_default=True, help="Notebook to run."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Folder for the report.",
)
@click.option(
    "-p",
    "--parameter",
    "pairs",
    multiple=True,
    metavar="NAME=VALUE",
    help="Set a parameter of the notebook; may be repeated.",
)
@force_option
@_told_plainly
def report(
    study: Path | None, notebook: str, out: Path, pairs: tuple[str, ...], force: bool
) -> None:
    """Render a report on STUDY: one HTML page with its notebook, figures and tables.

    The notebooks plan_bakes and noise_check do without a STUDY; set what they ask
    with -p, such as -p rate=0.2 -p "bakes=[2, 3, 4]".
    """
    from pitstats.report.render import parse_parameters, render_report

    if study is None and notebook == "compare_pits":
        raise click.UsageError("Say which study: pitstats report STUDY.")

    # On import, what validates notebooks spends a second on a grammar of international
    # web addresses, if this package is there; without it, it does without.
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    # At its end Python looks for garbage among all that libraries and figures left, for
    # half a second; the memory goes back anyway.
    atexit.register(gc.freeze)
    html = render_report(
        study,
        notebook=notebook,
        out=out,
        parameters=parse_parameters(pairs),
        overwrite=force,
    )
    click.echo(f"Report: {html}")


# Generic only in newer releases of click than the oldest one that will do.
class Numbers(click.ParamType):  # type: ignore[type-arg]
    """One number or several with commas between, such as 2,3,4."""

    name = "numbers"

    def __init__(self, kind: type[int] | type[float]) -> None:
        self._kind = kind

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[float]:
        """Read the numbers, or say what was found instead."""
        if isinstance(value, list):
            return value
        try:
            return [self._kind(part) for part in str(value).split(",")]
        except ValueError:
            noun = "whole numbers" if self._kind is int else "numbers"
            self.fail(f"{value!r} is not {noun} with commas between.", param, ctx)


class PitSize(click.ParamType):  # type: ignore[type-arg]
    """A pit with its grates, such as Quarry=3x6 or Mill=main:4x5+upper:2x5."""

    name = "pit=rowsxcolumns"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, dict[str, tuple[int, int]]]:
        """Read the sizes, or say how to write them."""
        if isinstance(value, tuple):
            return value
        pit, _, sizes = str(value).partition("=")
        grates: dict[str, tuple[int, int]] = {}
        for size in sizes.split("+"):
            name, colon, numbers = size.rpartition(":")
            rows, _, columns = numbers.lower().partition("x")
            if not (
                pit.strip() and rows.strip().isdigit() and columns.strip().isdigit()
            ):
                self.fail(
                    f"{value!r} is not of the form PIT=ROWSxCOLUMNS, such as "
                    "Quarry=3x6 or Mill=main:4x5+upper:2x5.",
                    param,
                    ctx,
                )
            grates[name.strip() if colon else "main"] = (int(rows), int(columns))
        return pit.strip(), grates


@main.command(context_settings=_HELP, short_help="How many bakes and items it takes.")
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
@click.option(
    "--format",
    "style",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)
@_told_plainly
def plan(power: float, pilot: Path | None, style: str, **asked: Any) -> None:
    """Say how many bakes and items it takes to tell pits apart."""
    from pitstats.planning.power import plan_bakes
    from pitstats.report.wording.plan import plan_answer, plan_caption, plan_table
    from pitstats.study.files import read_study

    seed = asked.pop("seed")
    earlier = read_study(pilot) if pilot else None
    found = plan_bakes(**asked, rng=seed, pilot=earlier)
    if style == "csv":
        click.echo(found.table.to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(found.table.to_json(orient="records", indent=2))
    else:
        click.echo(plan_answer(found, power))
        click.echo(f"\n{plan_caption(found)}")
        click.echo(plan_table(found).to_string(index=False))
        for caveat in found.caveats:
            click.echo(f"Note: {caveat}")


@main.command(
    context_settings=_HELP, short_help="Draw order, cells and codes at random."
)
@click.argument("dest", type=click.Path(path_type=Path))
@click.option(
    "--pit",
    "pits",
    type=PitSize(),
    multiple=True,
    required=True,
    help="A pit and its cells, PIT=ROWSxCOLUMNS; repeat for every pit.",
)
@click.option("--bakes", type=int, default=3, show_default=True, help="Of each pit.")
@click.option("--items", type=int, help="Items a bake; all cells if not given.")
@click.option("--title", help="Title of the study.")
@click.option("--question", help="Question the bakes are to answer.")
@click.option(
    "--temperature-rule",
    type=click.Choice(["same indicated", "same grate", "maker's setting", "tuned"]),
    help="How the heat of the pits is matched.",
)
@click.option("--stop-rule", help="When a bake is ended, in words.")
@click.option("--margin", type=float, help="Difference that changes no advice, 0-1.")
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
@_told_plainly
def layout(
    dest: Path,
    pits: tuple[tuple[str, dict[str, tuple[int, int]]], ...],
    bakes: int,
    items: int | None,
    lot: str | None,
    regrade_share: float,
    seed: int | None,
    force: bool,
    **stated: Any,
) -> None:
    """Draw order, cells and codes at random and write the planned study to DEST."""
    from pitstats.planning.layout import randomize_layout
    from pitstats.study.files import write_study

    grates = dict(pits)
    if len(grates) < len(pits):
        raise DesignError("A pit was given twice; put its grates together with +.")
    drawn = randomize_layout(
        grates,
        bakes=bakes,
        items="fill" if items is None else items,
        lots=lot,
        regrade_share=regrade_share,
        settings={key: value for key, value in stated.items() if value is not None},
        seed=seed,
    )
    write_study(drawn.study, dest, overwrite=force)
    click.echo(f"Planned study: {dest} (seed {drawn.seed})")
    for line in (*drawn.rules, *drawn.caveats):
        click.echo(f"- {line}")
    click.echo(f"Next: pitstats sheets {dest}")


@main.command(context_settings=_HELP, short_help="Write what to carry outside.")
@click.argument("study", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder; STUDY-sheets if not given."
)
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"]),
    default="A4",
    show_default=True,
    help="Paper to print on.",
)
@click.option(
    "--mirrored",
    multiple=True,
    metavar="PIT",
    help="Pit whose firebox lies the other way seen from the door; may be repeated.",
)
@force_option
@_told_plainly
def sheets(
    study: Path, out: Path | None, paper: str, mirrored: tuple[str, ...], force: bool
) -> None:
    """Write what to carry outside for the planned STUDY, and the entry workbook."""
    from pitstats.planning.sheets import write_sheets
    from pitstats.study.files import read_study

    folder = out or study.with_name(f"{study.stem}-sheets")
    written = write_sheets(
        read_study(study),
        folder,
        paper="A4" if paper == "A4" else "Letter",
        mirrored=mirrored,
        entry_workbook=True,
        overwrite=force,
    )
    click.echo("\n".join(str(path) for path in written))
    click.echo(
        f"Print the pages. Afterwards fill in {folder / 'entry.xlsx'} and set the "
        "status of every bake to kept or excluded, then: pitstats report "
        f"{folder / 'entry.xlsx'}"
    )
