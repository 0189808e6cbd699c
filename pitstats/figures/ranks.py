"""Ranks as bars: where each pit may stand, and how likely each place is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pitstats.analysis.rates.ranks import PitRanks
from pitstats.figures.style import (
    EMBER,
    INK,
    SMALLEST,
    house_style,
    ink_on,
    name_rows,
    one_panel,
    shorten,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# A chance below this would print as 0 beside a dot too small to see.
_LEAST_SHOWN = 0.005
_DOT_AREA = 1500.0


def plot_ranks(ranks: PitRanks) -> Figure:
    """Draw the possible ranks of every pit as a bar, chances of ranks as dots.

    Parameters
    ----------
    ranks : PitRanks
        As returned by `rank_pits`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit, the lowest mean rank on top. Bar: ranks left possible by the
        simultaneous intervals; dots: posterior chance of each rank, as their area,
        with the chance in per cent.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_ranks(ps.rank_pits(ps.demo_study("four_pits")))
    >>> figure.axes[0].get_xlabel()
    'Rank by burn rate (1 burned least)'
    """
    from matplotlib.colors import to_rgb

    table = ranks.table
    n_pits = len(table)
    with house_style():
        figure, axes = one_panel(1.6 + 0.75 * n_pits)
        for y, row in enumerate(table.to_dict("records")):
            axes.plot(
                [row["rank_low"] - 0.32, row["rank_high"] + 0.32],
                [y, y],
                color=EMBER,
                alpha=0.25,
                linewidth=26,
                solid_capstyle="butt",
                gid="rank interval",
                label="ranks left possible" if y == 0 else None,
            )
        place = {pit: y for y, pit in enumerate(table["pit"])}
        shown = ranks.chances[ranks.chances["chance"] >= _LEAST_SHOWN]
        axes.scatter(
            shown["rank"],
            shown["pit"].map(place),
            s=_DOT_AREA * shown["chance"],
            color=EMBER,
            zorder=3,
            gid="chances",
        )
        inside = ink_on(to_rgb(EMBER))
        for row in shown.to_dict("records"):
            fits = row["chance"] >= 0.4
            axes.annotate(
                f"{100 * row['chance']:.0f}%" if row["chance"] < 0.995 else ">99%",
                (row["rank"], place[row["pit"]]),
                # Beside a dot too small to write on.
                xytext=(0, 0) if fits else (0, -21),
                textcoords="offset points",
                ha="center",
                va="center",
                fontsize=SMALLEST,
                color=inside if fits else INK,
                zorder=4,
            )
        name_rows(axes, [shorten(pit) for pit in table["pit"]])
        axes.set_xticks(range(1, n_pits + 1))
        axes.set_xlim(0.5, n_pits + 0.5)
        axes.set_xlabel("Rank by burn rate (1 burned least)")
        axes.grid(axis="x")
    return figure
