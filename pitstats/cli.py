"""The command line: its commands stand in `pitstats.commands`, one a file."""

from __future__ import annotations

import click

from pitstats import __version__
from pitstats.commands.check import check
from pitstats.commands.compare import compare
from pitstats.commands.demo import demo
from pitstats.commands.import_ import import_table
from pitstats.commands.layout import layout
from pitstats.commands.notebooks import notebooks
from pitstats.commands.pack import pack
from pitstats.commands.plan import plan
from pitstats.commands.record import record
from pitstats.commands.report import report
from pitstats.commands.retest import retest
from pitstats.commands.season import season
from pitstats.commands.shared import HELP
from pitstats.commands.sheets import sheets
from pitstats.commands.start import start
from pitstats.commands.verify import verify


@click.group(context_settings=HELP)
@click.version_option(__version__, prog_name="pitstats")
def main() -> None:
    """Compare wood-fired pits fairly from test bakes.

    Start with 'pitstats demo four_pits my_test' and 'pitstats report my_test', or with
    'pitstats start my_test' for an empty study of your own.
    """


for command in (
    demo,
    start,
    import_table,
    check,
    compare,
    report,
    plan,
    layout,
    sheets,
    record,
    retest,
    season,
    pack,
    verify,
    notebooks,
):
    main.add_command(command)
