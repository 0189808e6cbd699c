"""Probe readings over time, and gauges against the grate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.heat.gauge import GaugeComparison
from pitstats.analysis.heat.probe_series import ProbeRules, ProbeSummary
from pitstats.figures import marks
from pitstats.figures.style import (
    COLUMN,
    EMBER,
    INK,
    LINE,
    SOFT,
    browning_steps,
    house_style,
    lowest_panels,
    name_rows,
    one_panel,
    shorten,
)
from pitstats.study.percent import level_text, signed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

Floats = NDArray[np.float64]

#: More panels than this would not be read; the page says how many there are.
MOST_PANELS = 24
_THIRDS = ("near the firebox", "middle", "far end")


def plot_series(summary: ProbeSummary) -> Figure:
    """Draw every probe of every bake over time, with the window that counts.

    Parameters
    ----------
    summary : ProbeSummary
        As returned by `summarize_probes`.

    Returns
    -------
    matplotlib.figure.Figure
        One panel per bake (the first `MOST_PANELS`) on common scales. Lines: grate
        probes, darkest nearest the firebox; dashed: lid gauges; readings without a
        neighbor are dots on the grate and open squares at the lid; crosses: readings in
        the window that are left out; shaded: outside the window.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_series(ps.summarize_probes(ps.demo_study("probed_pits")))
    >>> figure.axes[0].get_title(loc="left")
    'Quarry-1'
    """
    from matplotlib.figure import Figure

    bakes = summary.bakes.to_dict("records")[:MOST_PANELS]
    n_columns = 1 if len(bakes) == 1 else 2
    n_rows = math.ceil(len(bakes) / n_columns)
    readings = summary.readings
    last = float(readings["minute"].max())
    with house_style():
        figure = Figure(figsize=(COLUMN, 1.3 + 2.1 * n_rows), layout="constrained")
        grid = figure.subplots(
            n_rows, n_columns, squeeze=False, sharex=True, sharey=True
        )
        for axes, bake in zip(grid.flat, bakes, strict=False):
            own = readings[readings["bake"] == bake["bake"]]
            _shade(axes, bake, float(readings["minute"].min()), last)
            _draw_bake(axes, own, summary.rules)
            axes.set_title(shorten(bake["bake"], 24))
            axes.grid(axis="y")
        for axes in grid.flat[len(bakes) :]:
            axes.remove()
        figure.supylabel(f"Temperature, °{summary.unit}")
        for axes in lowest_panels(grid, len(bakes)):
            axes.set_xlabel("Minutes since loading")
            axes.tick_params(labelbottom=True)
        _series_legend(figure, grid.flat[: len(bakes)].tolist(), readings)
    return figure


def _shade(axes: Axes, bake: dict[Any, Any], first: float, last: float) -> None:
    for low, high in (
        (first, bake["window_start"]),
        (bake["window_end"], last),
    ):
        if high > low:
            axes.axvspan(low, high, color=LINE, alpha=0.45, linewidth=0, gid="outside")


def _draw_bake(axes: Axes, own: pd.DataFrame, rules: ProbeRules) -> None:
    columns = own["column"].astype(float)
    last = float(columns.max()) if columns.notna().any() else 1.0
    place = ["probe", "lid", "grate", "row", "column"]
    for (_, lid, _, _, column), series in own.groupby(place, dropna=False, sort=False):
        minute, temp = series["minute"].to_numpy(float), series["temp"].to_numpy(float)
        at, shown = _broken_at_gaps(minute, temp, rules)
        alone = _alone(shown)
        (line,) = axes.plot(
            at,
            shown,
            linestyle="--" if lid else "-",
            linewidth=1.8 if lid else 1.2,
            color=INK if lid else _shade_of(column, last),
            gid="lid" if lid else "probe",
        )
        if alone:
            _mark(line, bool(lid))
            line.set_markevery(alone)
        odd = series["in_window"] & ~series["used"]
        axes.plot(
            minute[odd],
            temp[odd],
            "x",
            color=EMBER,
            markersize=4,
            markeredgewidth=1.0,
            gid="left out",
        )


def _broken_at_gaps(
    minute: Floats, temp: Floats, rules: ProbeRules
) -> tuple[Floats, Floats]:
    """Leave the line open where readings are missing."""
    steps = np.diff(minute)
    if not steps.size:
        return minute, temp
    gap = max(rules.gap, rules.gap_factor * float(np.median(steps)))
    after = np.flatnonzero(steps > gap) + 1
    return np.insert(minute, after, np.nan), np.insert(temp, after, np.nan)


def _mark(line: Line2D, lid: bool) -> None:
    """Mark readings; shapes differ as the lines do, and a square hides no dot."""
    line.set_marker("s" if lid else "o")
    line.set_markersize(7.5 if lid else 5.5)
    line.set_markerfacecolor("none" if lid else line.get_color())
    line.set_markeredgewidth(1.4 if lid else 0.0)


def _alone(values: Floats) -> list[int]:
    """Places of readings that no line leads to."""
    known = np.concatenate([[False], ~np.isnan(values), [False]])
    return np.flatnonzero(known[1:-1] & ~known[:-2] & ~known[2:]).tolist()


def _shade_of(column: object, last: float) -> tuple[float, float, float]:
    """Dark near the firebox, light at the far end; never too pale for white paper."""
    shades = browning_steps(9)[2:]
    if pd.isna(column):  # type: ignore[call-overload]
        return shades[0]
    share = (float(column) - 1) / max(last - 1, 1.0)  # type: ignore[arg-type]
    return shades[round((1 - share) * (len(shades) - 1))]


def _series_legend(
    figure: Figure, panels: Sequence[Axes], readings: pd.DataFrame
) -> None:
    grates = [
        marks.entry(name, color=_shade_of(1 + share, 2.0), linewidth=2)
        for name, share in zip(_THIRDS, (0.0, 0.5, 1.0), strict=True)
    ]
    gauge = marks.entry("lid gauge", color=INK, linestyle="--", linewidth=1.8)
    handles = _as_drawn(panels, grates, lid=False) + _as_drawn(
        panels, [gauge], lid=True
    )
    if (readings["in_window"] & ~readings["used"]).any():
        handles.append(marks.entry("left out", color=EMBER, marker="x", linestyle=""))
    figure.legend(
        handles=handles,
        loc="outside lower center",
        ncols=3,
        handlelength=1.6,
    )


def _as_drawn(
    panels: Sequence[Axes], entries: Sequence[Line2D], *, lid: bool
) -> list[Line2D]:
    """Entries of a legend as lines, marks or both, whichever the panels show."""
    gid = "lid" if lid else "probe"
    own = [line for axes in panels for line in axes.lines if line.get_gid() == gid]
    n_alone = [len(_alone(np.asarray(line.get_ydata(), float))) for line in own]
    n_known = [np.count_nonzero(~np.isnan(line.get_ydata())) for line in own]
    if not any(n_known):
        return []
    if not any(n_alone):
        return list(entries)
    if n_alone == n_known:
        for entry in entries:
            _mark(entry, lid)
            entry.set_linestyle("")
        return list(entries)
    label = "single lid reading" if lid else "single grate reading"
    color = INK if lid else _shade_of(1.0, 2.0)
    single = marks.entry(label, color=color, linestyle="")
    _mark(single, lid)
    return [*entries, single]


def plot_gauges(gauges: GaugeComparison) -> Figure:
    """Draw each gauge's bias with its interval, the limits, and every bake as a dot.

    Parameters
    ----------
    gauges : GaugeComparison
        As returned by `compare_gauges`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit and gauge: diamond and thick bar the bias with its interval
        over bakes, thin bar the limits of agreement of a bake, circles the bakes.

    Examples
    --------
    >>> import pitstats as ps
    >>> figure = ps.plot_gauges(ps.compare_gauges(ps.demo_study("probed_pits")))
    >>> [tick.get_text().split()[0] for tick in figure.axes[0].get_yticklabels()]
    ['Quarry', 'Ferry']
    """
    table = gauges.table
    several = table["pit"].duplicated(keep=False).any()
    with house_style():
        figure, axes = one_panel(1.6 + 0.85 * len(table))
        axes.axvline(0, color=INK, linewidth=1)
        labels = []
        for y, row in enumerate(table.to_dict("records")):
            mine = gauges.bakes["pit"].eq(row["pit"])
            mine &= gauges.bakes["gauge"].eq(row["gauge"])
            _draw_gauge(axes, y, row, gauges.bakes[mine])
            name = shorten(row["pit"], 16)
            if several:
                name += f", {shorten(row['gauge'], 10)}"
            bakes = "bake" if row["n_bakes"] == 1 else "bakes"
            labels.append(f"{name}\n{row['n_bakes']} {bakes}")
        name_rows(axes, labels)
        axes.set_xlabel(f"Gauge less grate, °{gauges.unit} (below 0: gauge reads low)")
        _frame(axes, gauges)
        axes.grid(axis="x")
        _gauge_legend(figure, gauges)
    return figure


def _frame(axes: Axes, gauges: GaugeComparison) -> None:
    """Show limits and bakes; the interval of a limit may run out of the picture."""
    shown = ["bias", "conf_low", "conf_high", "lower", "upper"]
    values = np.concatenate(
        [
            gauges.table[shown].to_numpy(dtype=float).ravel(),
            gauges.bakes["difference"].to_numpy(dtype=float),
            [0.0],
        ]
    )
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.15 * (high - low) or 1.0
    axes.set_xlim(low - room, high + room)


def _draw_gauge(axes: Axes, y: int, row: dict[Any, Any], bakes: pd.DataFrame) -> None:
    at = y - 0.12
    axes.plot(
        [row["lower_low"], row["upper_high"]],
        [at, at],
        color=SOFT,
        linewidth=1.2,
        linestyle=":",
        gid="limits at most",
    )
    axes.plot(
        [row["lower"], row["upper"]],
        [at, at],
        color=INK,
        linewidth=1.2,
        marker="|",
        markersize=9,
        gid="limits",
    )
    marks.draw_interval(axes, row["conf_low"], row["conf_high"], at)
    axes.plot(row["bias"], at, "D", color=EMBER, markersize=9, gid="bias")
    marks.write_above(axes, signed(row["bias"]), row["bias"], at, up=9)
    marks.draw_bakes(axes, bakes["difference"], np.full(len(bakes), y + 0.24), size=60)


def _gauge_legend(figure: Figure, gauges: GaugeComparison) -> None:
    level = level_text(gauges.conf_level)
    handles = [
        marks.estimate_entry("mean over bakes"),
        marks.interval_entry(gauges.conf_level),
        marks.entry("limits of agreement", color=INK, linewidth=1.2, marker="|"),
        marks.entry(f"their outer {level} ends", color=SOFT, lw=1.2, ls=":"),
        marks.bake_entry(),
    ]
    figure.legend(
        handles=handles,
        loc="outside lower center",
        ncols=2,
        handlelength=1.6,
    )


def plot_gauge_agreement(gauges: GaugeComparison) -> Figure:
    """Draw the difference of gauge and grate against their level and against time.

    Parameters
    ----------
    gauges : GaugeComparison
        As returned by `compare_gauges`.

    Returns
    -------
    matplotlib.figure.Figure
        One row per pit: left against the mean of the two, right against the minute,
        one line per bake; bakes of which only means are known are dots on the left.
        Lines across: bias (thick) and limits of agreement of a bake (dashed).

    Examples
    --------
    >>> import pitstats as ps
    >>> gauges = ps.compare_gauges(ps.demo_study("probed_pits"))
    >>> len(ps.plot_gauge_agreement(gauges).axes)
    4
    """
    from matplotlib.figure import Figure

    rows = gauges.table.to_dict("records")
    n_columns = 2 if len(gauges.readings) else 1
    with house_style():
        figure = Figure(figsize=(COLUMN, 0.8 + 2.3 * len(rows)), layout="constrained")
        grid = figure.subplots(
            len(rows), n_columns, squeeze=False, sharey="row", sharex="col"
        )
        half = _half_range(gauges)
        for line, row in zip(grid, rows, strict=True):
            _agreement_row(line, row, gauges)
            line[0].set_ylim(row["bias"] - half, row["bias"] + half)
        grid[-1, 0].set_xlabel(f"Mean of gauge and grate, °{gauges.unit}")
        if n_columns > 1:
            grid[-1, 1].set_xlabel("Minutes since loading")
        figure.supylabel(f"Gauge less grate, °{gauges.unit}")
    return figure


def _half_range(gauges: GaugeComparison) -> float:
    """Half the height of a panel, so that a degree has one size in all of them."""
    bias = gauges.table.set_index(["pit", "gauge"])["bias"]
    away = [(gauges.table["upper"] - gauges.table["bias"]).max()]
    for frame in (gauges.readings, gauges.bakes):
        if len(frame):
            keys = pd.MultiIndex.from_frame(frame[["pit", "gauge"]])
            own = bias.reindex(keys).to_numpy()
            away.append(np.abs(frame["difference"].to_numpy(dtype=float) - own).max())
    return 1.15 * float(np.nanmax(away)) or 1.0


def _agreement_row(line: Any, row: dict[Any, Any], gauges: GaugeComparison) -> None:
    def own(frame: pd.DataFrame) -> pd.DataFrame:
        mine = frame["pit"].eq(row["pit"]) & frame["gauge"].eq(row["gauge"])
        return frame[mine]

    readings, bakes = own(gauges.readings), own(gauges.bakes)
    shades = browning_steps(max(len(bakes), 2) + 3)[2:]
    styles = ("-", "--", "-.", ":")
    for k, (_, one) in enumerate(readings.groupby("bake", sort=False)):
        middle = (one["indicated"] + one["grate"]) / 2
        color = shades[k % len(shades)]
        line[0].plot(middle, one["difference"], ".", color=color, ms=3, gid="readings")
        line[1].plot(
            one["minute"],
            one["difference"],
            color=color,
            linestyle=styles[k % len(styles)],
            linewidth=1.3,
            gid="readings",
        )
    middle = (bakes["indicated"] + bakes["grate"]) / 2
    marks.draw_bakes(line[0], middle, bakes["difference"], size=55, edge=INK)
    for axes in line:
        axes.axhline(0, color=SOFT, linewidth=0.8)
        axes.axhline(row["bias"], color=EMBER, linewidth=2, gid="bias")
        for limit in (row["lower"], row["upper"]):
            if not math.isnan(limit):
                axes.axhline(limit, color=EMBER, ls="--", lw=1, gid="limit")
        axes.grid(axis="y")
    line[0].set_title(shorten(row["pit"], 20))
