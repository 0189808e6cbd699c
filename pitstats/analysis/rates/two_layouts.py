"""As baked and on a common layout: which comparison leads, and what moves it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pitstats.analysis.model.data import with_grates
from pitstats.analysis.places.coverage import layouts_differ
from pitstats.analysis.rates.compare import compare_pits, naive_differences
from pitstats.analysis.rates.rates import estimate_burn_rates
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.errors import DesignError
from pitstats.stats.intervals import wilson_interval
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study


@dataclass(frozen=True, kw_only=True, eq=False)
class BothWays:
    """A study compared as baked and, where it can be, on a common layout.

    Attributes
    ----------
    as_baked : PitComparison
        From the counts of bakes, wherever the items lay.
    common : PitComparison or None
        With the rates of all pits over the same places; None where that cannot be.
    why_not : str
        Why there is no comparison on a common layout; empty if there is one.
    leads : {"as baked", "common"}
        The one to read first: the common layout where items lay at different places.
    rates : BurnRates
        Rates that belong to the leading comparison, with every bake.
    """

    as_baked: PitComparison
    common: PitComparison | None
    why_not: str
    leads: str
    rates: BurnRates

    @property
    def leading(self) -> PitComparison:
        """The comparison to read first."""
        if self.leads == "common" and self.common is not None:
            return self.common
        return self.as_baked


def compare_both_ways(study: Study, *, conf_level: float | None = None) -> BothWays:
    """Compare the pits as baked and on a common layout, and say which leads.

    Parameters
    ----------
    study : Study
        A valid study with graded items in at least two pits.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    BothWays
        Both comparisons and the rates that belong to the leading one.

    Raises
    ------
    DesignError
        As for `compare_pits` without a layout.

    Examples
    --------
    >>> import pitstats as ps
    >>> both = ps.compare_both_ways(ps.demo_study("four_pits"))
    >>> both.leads
    'common'
    """
    as_baked = compare_pits(study, conf_level=conf_level)
    rates = estimate_burn_rates(study, conf_level)
    try:
        common = compare_pits(study, layout="common", conf_level=conf_level)
        why_not = ""
    except DesignError as reason:
        common, why_not = None, str(reason)
    if common is None or not layouts_differ(study):
        return BothWays(
            as_baked=as_baked,
            common=common,
            why_not=why_not,
            leads="as baked",
            rates=rates,
        )
    placed = _rates_on(study, common, rates)
    pits = [pit for pit in placed.table["pit"] if pit in set(common.rates["pit"])]
    naive = naive_differences(placed.table, pits, common.conf_level)
    return BothWays(
        as_baked=as_baked,
        # The usual mistake, made on the same items.
        common=replace(common, naive=naive),
        why_not="",
        leads="common",
        rates=placed,
    )


def _rates_on(study: Study, common: PitComparison, rates: BurnRates) -> BurnRates:
    """Standardized rates, beside counts of only those items that lay on the layout."""
    items = with_grates(study, item_outcomes(study))
    items = items[on_layout(items, common)]
    by_bake = items.groupby("bake", sort=False)["burned"]
    bakes = rates.bakes.copy()
    for column, values in (
        ("n_placed", by_bake.size()),
        ("n_items", by_bake.count()),
        ("n_burned", by_bake.sum()),
    ):
        bakes[column] = bakes["bake"].map(values).fillna(0).astype(int)
    bakes["n_missing"] = bakes["n_placed"] - bakes["n_items"]
    graded = bakes["n_items"].astype(float)
    bakes["share"] = bakes["n_burned"] / graded.where(graded > 0)
    sums = bakes.groupby("pit", sort=False)[["n_items", "n_burned", "n_missing"]].sum()
    table = common.rates.copy()
    for column in ("n_items", "n_burned", "n_missing"):
        table[column] = table["pit"].map(sums[column]).fillna(0).astype(int)
    ends = [
        wilson_interval(row["n_burned"], row["n_items"], common.conf_level)
        if row["n_items"]
        else (np.nan, np.nan)
        for row in table.to_dict("records")
    ]
    naive = pd.DataFrame(
        {
            "pit": table["pit"],
            "conf_low": [float(end[0]) for end in ends],
            "conf_high": [float(end[1]) for end in ends],
        }
    )
    return replace(
        rates,
        table=table,
        naive=naive,
        bakes=bakes,
        bake_sd=rates.bake_sd if common.bake_sd is None else common.bake_sd,
        estimand="long-run share of items graded burned over the places that all pits "
        "share, averaged over bakes",
        method=common.method,
        caveats=common.caveats,
        layout="common",
        sessions=common.sessions,
    )


def on_layout(items: pd.DataFrame, common: PitComparison) -> pd.Series:
    """Whether an item lay on a grate, and within the stretch, of the layout."""
    cells = common.cells
    if cells is None or "distance" not in cells or "grate" not in cells:
        return pd.Series(True, index=items.index)
    reach = cells.groupby("grate")["distance"].agg(["min", "max", "nunique"])
    # The layout's places are the middles of equal steps: its stretch begins and ends
    # half a step outside the first and last of them.
    steps = (reach["nunique"] - 1).where(reach["nunique"] > 1)
    half = ((reach["max"] - reach["min"]) / steps / 2).fillna(1.0 / 24)
    low = items["grate"].map(reach["min"] - half) - 1e-9
    high = items["grate"].map(reach["max"] + half) + 1e-9
    return (items["distance"] >= low) & (items["distance"] <= high)
