"""The chance of a verdict after further bakes, as one small curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pitstats.analysis.next_steps.suggest import WANTED, NextStep
from pitstats.figures.style import EMBER, INK, SOFT, house_style, one_panel, wrapped

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def plot_next_step(step: NextStep) -> Figure:
    """Draw the chance of a verdict against the number of further bakes.

    Parameters
    ----------
    step : NextStep
        As returned by `suggest_next`, with continuations.

    Returns
    -------
    matplotlib.figure.Figure
        A line with a band of two simulation errors, averaged over what is not known;
        dashed, the same if the truth were the present estimate. Across runs the chance
        from which a number of bakes is advised.

    Examples
    --------
    >>> import pitstats as ps
    >>> step = ps.suggest_next(ps.demo_study("four_pits"), continuations=100)
    >>> len(plot_next_step(step).axes)
    1
    """
    from matplotlib.ticker import PercentFormatter

    table = step.table
    more = table["extra_bakes"].to_numpy(dtype=float)
    share = table["settled"].to_numpy(dtype=float)
    error = table["settled_error"].to_numpy(dtype=float)
    with house_style():
        figure, axes = one_panel(3.6)
        axes.fill_between(
            more,
            (share - 2 * error).clip(0),
            (share + 2 * error).clip(max=1),
            color=EMBER,
            alpha=0.2,
            linewidth=0,
        )
        axes.plot(more, share, color=EMBER, marker="o", markersize=4, label="expected")
        axes.plot(
            more[1:],
            table["if_as_seen"].to_numpy(dtype=float)[1:],
            color=SOFT,
            linestyle="--",
            linewidth=1.2,
            label="if the difference is what these bakes show",
        )
        enough = f"{WANTED:.0%}: enough to advise it"
        axes.axhline(WANTED, color=INK, linewidth=0.8, label=enough)
        axes.set_ylim(0, 1)
        axes.set_xlim(0, float(more.max()))
        axes.yaxis.set_major_formatter(PercentFormatter(1.0))
        axes.grid(axis="y")
        both = f"{step.pit_a} and {step.pit_b}"
        axes.set_xlabel(wrapped(f"Further bakes of {both} each", 46))
        axes.set_ylabel("Chance of a verdict")
        # Above the axes: a curve may run anywhere inside.
        figure.legend(loc="outside upper left")
    return figure
