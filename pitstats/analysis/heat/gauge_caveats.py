"""The sentences that travel with a comparison of gauges."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.heat.probe_checks import MEAN
from pitstats.analysis.heat.probe_series import ProbeSummary, cell_label
from pitstats.errors import some
from pitstats.study.study import Study

LID_AND_PROBES = "lid gauge and grate probes, minute by minute"
INDICATED_AND_PROBES = "indicated_temp and grate probes"
MEANS = "indicated_temp and grate_temp"
NO_PAIRS = (
    "No kept bake has both a reading of the pit's own gauge and a temperature at the "
    "grate. Record a probe whose name begins with lid beside probes at the grate, or "
    "fill in indicated_temp and grate_temp in bakes."
)
NOT_DONENESS = (
    "A factor of browning rate is not a doneness figure and not a safety figure. The "
    "temperature of the air is used for that of the face, which overstates what a "
    "difference does."
)
ONE_BAKE = (
    "{pits}: one bake only. The difference seen is that of this bake; how far the next "
    "one would be off is unknown."
)
FEW_BAKES = (
    "{pits}: few bakes, so the limits themselves are known only roughly; read their "
    "intervals."
)
LEFT_OUT = "Kept bakes without a pair of gauge and grate temperature: {bakes}."
MEANS_ONLY = (
    "{n} of {total} bakes have means over the bake only; how far single readings "
    "spread is not known from them."
)
COMMON_ERROR = (
    "An error common to all grate probes moves every bias alike; a reference "
    "thermometer in the probe check would show it."
)
ALL_ALIKE = (
    "{pits}: the difference came out alike in all bakes. Readings in whole degrees can "
    "agree by chance, so no interval and no limits are made from a spread of zero."
)
PROBED_ONCE = (
    "{pit}: the grate is here {places}. Cells probed in one bake only are left out of "
    "it: {cells}. They cannot show how that bake differed from the others, and what "
    "the gauge is off by there would rest on that bake alone."
)
NOT_LINKED = (
    "{pit}: not all of its bakes were probed at places in common ({groups}). Each "
    "group has the mean of its own cells, so part of what the bakes differ by may come "
    "from the places."
)
OTHER_PLACES = (
    "What a gauge is off by holds for these cells. The levels of the pits over places "
    "that all of them share are another average and can differ by another amount."
)
_FEW = 5
_MOST_NAMED = 6


def gauge_caveats(
    study: Study,
    table: pd.DataFrame,
    bakes: pd.DataFrame,
    summary: ProbeSummary | None,
    cells: pd.DataFrame,
) -> tuple[str, ...]:
    """All that a reader of the comparison has to know."""
    found = []
    single = table.loc[table["n_bakes"] == 1, "pit"]
    alike = table.loc[(table["n_bakes"] > 1) & (table["sd"] == 0), "pit"]
    spread = table[table["n_bakes"].between(2, _FEW - 1) & (table["sd"] > 0)]
    few = spread["pit"]
    if len(single):
        found.append(ONE_BAKE.format(pits=", ".join(dict.fromkeys(single))))
    if len(few):
        found.append(FEW_BAKES.format(pits=", ".join(dict.fromkeys(few))))
    if len(alike):
        found.append(ALL_ALIKE.format(pits=", ".join(dict.fromkeys(alike))))
    found += _about_places(bakes, cells)
    kept = study.kept["bake"]
    missing = kept[~kept.isin(bakes["bake"])]
    if len(missing):
        found.append(LEFT_OUT.format(bakes=", ".join(missing)))
    n_means = int((bakes["source"] != LID_AND_PROBES).sum())
    if n_means:
        found.append(MEANS_ONLY.format(n=n_means, total=len(bakes)))
    referenced = summary is not None and (summary.offsets["reference"] != MEAN).any()
    if not referenced:
        found.append(COMMON_ERROR)
    return (*found, NOT_DONENESS)


def _about_places(bakes: pd.DataFrame, cells: pd.DataFrame) -> list[str]:
    """Say which cells a level is made of where not all cells serve for all bakes."""
    probed = bakes.loc[bakes["n_cells"] > 0, "bake"]
    cells = cells[cells["bake"].isin(probed)]
    found = []
    for pit, own in cells.groupby("pit", sort=False):
        used, once = own[own["group"] >= 0], own[own["group"] < 0]
        if len(once):
            text = PROBED_ONCE.format(
                pit=pit, places=_places(used), cells=_named(once, with_bake=True)
            )
            found.append(text)
        linked = used.groupby("group", sort=False)["bake"].unique()
        if len(linked) > 1:
            groups = "; ".join(", ".join(names) for names in linked)
            found.append(NOT_LINKED.format(pit=pit, groups=groups))
    return [*found, OTHER_PLACES] if found else []


def _places(cells: pd.DataFrame) -> str:
    """The cells of a level, by name if they are few."""
    distinct = cells.drop_duplicates("cell")
    if len(distinct) == 1:
        return f"the one cell at {_named(distinct)}"
    return f"the mean of {len(distinct)} cells: {_named(distinct)}"


def _named(cells: pd.DataFrame, *, with_bake: bool = False) -> str:
    names = [
        (f"{bake}, " if with_bake else "") + label
        for bake, label in zip(cells["bake"], _labels(cells), strict=True)
    ]
    return some(dict.fromkeys(names), _MOST_NAMED, "; ")


def _labels(cells: pd.DataFrame) -> list[str]:
    """Place of each cell, or its probe where no place is recorded."""
    return [
        name if pd.isna(row) or pd.isna(column) else cell_label(grate, row, column)
        for name, grate, row, column in zip(
            cells["cell"], cells["grate"], cells["row"], cells["column"], strict=True
        )
    ]
