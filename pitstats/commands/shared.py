"""What commands share: options, exit codes, and errors told in a sentence."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pitstats.errors import (
    DesignError,
    ExistsError,
    InterruptedWarning,
    PitstatsError,
    RenderUsageError,
)

if TYPE_CHECKING:
    from pandas import DataFrame

    from pitstats.report.section import Section, Table

HELP = {"help_option_names": ["-h", "--help"]}

DONE, PROBLEMS, WRONG_USAGE = 0, 1, 2

force_option = click.option(
    "--force", is_flag=True, help="Replace what pitstats made there; all else stays."
)
format_option = click.option(
    "--format",
    "style",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)


def told_plainly(
    *, design_error: int = PROBLEMS
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """End with a sentence and an exit code where something is wrong, never a trace.

    A `DesignError` is a problem of the data where a command reads a study, and wrong
    usage (say so) where the command line itself states the plan or names a demo.
    """

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def run(*args: Any, **kwargs: Any) -> None:
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("always", InterruptedWarning)
                    warnings.showwarning = _show_warning  # type: ignore[assignment]
                    command(*args, **kwargs)
            except (ExistsError, RenderUsageError) as error:
                _stop(_for_the_terminal(error), WRONG_USAGE)
            except DesignError as error:
                _stop(_for_the_terminal(error), design_error)
            except PitstatsError as error:
                _stop(_for_the_terminal(error), PROBLEMS)
            except BrokenPipeError:
                raise  # whoever reads has seen enough; click ends without a word
            except OSError as error:
                place = f"{error.filename}: " if error.filename else ""
                _stop(f"{place}{error.strerror or error}", PROBLEMS)

        return run

    return decorate


def typed(command: str, path: Path) -> str:
    """A command on a path, ready to be typed.

    Examples
    --------
    >>> typed("check", Path("my_test")), typed("check", Path("my test.xlsx"))
    ('pitstats check my_test', 'pitstats check "my test.xlsx"')
    """
    words = f'"{path}"' if " " in str(path) else str(path)
    return f"pitstats {command} {words}"


def _show_warning(message: Warning | str, *_: object) -> None:
    """Say what a warning says, without the line of code that Python adds."""
    click.echo(f"Note: {message}.", err=True)


def _stop(text: str, code: int) -> None:
    from pitstats.study.cells import escaped

    # A file name may hold what would steer a terminal.
    click.echo(escaped(text), err=True)
    sys.exit(code)


def _for_the_terminal(error: Exception) -> str:
    """Text of an error with its notes, in the words of the command line."""
    lines = [str(error), *getattr(error, "__notes__", ())]
    text = "\n".join(lines).replace("overwrite=True", "--force")
    return text.replace("replace=True", "--replace").replace("setting=", "--setting ")


def say_as_data(table: DataFrame, style: str) -> bool:
    """Write a table for a program, as CSV or JSON, if that is how to print."""
    from pitstats.study.csv_text import harmless_frame

    if style == "csv":
        click.echo(harmless_frame(table).to_csv(index=False), nl=False)
    elif style == "json":
        click.echo(table.to_json(orient="records", indent=2))
    return style in ("csv", "json")


def say_table(table: Table) -> None:
    """Write a table of a page below its caption."""
    click.echo(f"\n{table.caption}\n{table.shown.to_string(index=False)}")


def say_section(section: Section) -> None:
    """Write the sentences and tables of a section of a page."""
    from pitstats.report.section import Sentences, Table

    for part in section.body:
        if isinstance(part, Table) and len(part.shown):
            say_table(part)
        elif isinstance(part, Sentences):
            for sentence in filter(None, part.sentences):
                click.echo(sentence)
