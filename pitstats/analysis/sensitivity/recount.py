"""The comparison once more, from counts, under another way of counting.

Every alternative is set beside the same comparison counted the same way, so that what
moves is the alternative and not the method.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.model.data import with_grates
from pitstats.analysis.rates.compare import pair_table
from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.analysis.rates.two_layouts import BothWays, on_layout
from pitstats.analysis.results import PitComparison
from pitstats.study.grading import deciding_code, face_codes
from pitstats.study.outcomes import bake_totals, item_outcomes
from pitstats.study.study import Study

AS_BAKED = "counted as baked"
SHARED_PLACES = "counted on the places that all pits share"

_BAKE_COLUMNS = ["bake", "pit", "session", "n_items", "n_burned", "n_missing"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Recount:
    """What a comparison from counts is made of, ready to be counted in other ways.

    Attributes
    ----------
    study : Study
        The study.
    leading : PitComparison
        The comparison that the report leads with.
    items : pandas.DataFrame
        Items of kept bakes as `item_outcomes` gives them, only those on the common
        layout where that leads.
    codes : ndarray of float, shape (items, 3)
        Their grades: top, bottom, side.
    rows : ndarray of int, shape (items,)
        Row of `item_outcomes` that each of them is.
    lost : ndarray of bool, shape (items,)
        Items with a recorded reason for being missing.
    totals : pandas.DataFrame
        Bakes of which only totals are known: ``bake, pit, session, n_items, n_burned,
        n_missing``. Empty where the common layout leads.
    level : float
        Level of the intervals.
    counted : str
        What is counted, in words.
    """

    study: Study
    leading: PitComparison
    items: pd.DataFrame
    codes: NDArray[np.float64]
    rows: NDArray[np.intp]
    lost: NDArray[np.bool_]
    totals: pd.DataFrame
    level: float
    counted: str

    def bakes(self, burned: NDArray[np.float64] | None = None) -> pd.DataFrame:
        """Counts of all bakes."""
        if burned is None:
            return self._recorded
        return self._counted(self.items.assign(burned=burned))

    @cached_property
    def _recorded(self) -> pd.DataFrame:
        # Nearly every alternative starts from these counts.
        return self._counted(self.items)

    def _counted(self, items: pd.DataFrame) -> pd.DataFrame:
        return pd.concat([count_items(items), self.totals], ignore_index=True)

    def compare(self, bakes: pd.DataFrame) -> pd.DataFrame:
        """All pairs of pits from the counts of bakes."""
        graded = bakes[bakes["n_items"] > 0]
        pits = [pit for pit in self.study.pits["pit"] if pit in set(graded["pit"])]
        if len(pits) < 2:
            return pd.DataFrame()
        margin = self.study.settings.margin
        table = pair_table(graded, pits, self.level, margin)
        return with_sizes(table, graded)


def with_sizes(table: pd.DataFrame, sizes: pd.DataFrame) -> pd.DataFrame:
    """Pairs with the number of bakes and items behind each."""
    n_bakes: dict[str, int] = {}
    n_items: dict[str, int] = {}
    bakes = sizes["n_bakes"] if "n_bakes" in sizes else [1] * len(sizes)
    for pit, more, items in zip(sizes["pit"], bakes, sizes["n_items"], strict=True):
        n_bakes[pit] = n_bakes.get(pit, 0) + int(more)
        n_items[pit] = n_items.get(pit, 0) + int(items)
    pairs = list(zip(table["pit_a"], table["pit_b"], strict=True))
    return table.assign(
        n_bakes=[n_bakes[a] + n_bakes[b] for a, b in pairs],
        n_items=[n_items[a] + n_items[b] for a, b in pairs],
    )


def count_items(items: pd.DataFrame) -> pd.DataFrame:
    """Counts per bake from items with ``bake, pit, session, burned``."""
    grouped = items.groupby("bake", sort=False)
    frame = pd.DataFrame(
        {
            "pit": grouped["pit"].first(),
            "session": grouped["session"].first(),
            "n_items": grouped["burned"].count(),
            "n_burned": grouped["burned"].sum(),
            "n_missing": grouped.size() - grouped["burned"].count(),
        }
    )
    return frame.reset_index()[_BAKE_COLUMNS]


def start_recount(study: Study, both: BothWays) -> Recount:
    """Make ready to count a study in other ways."""
    on_shared = both.leads == "common" and both.common is not None
    made = Recount(
        study=study,
        leading=both.leading,
        items=pd.DataFrame(),
        codes=np.empty((0, 3)),
        rows=np.empty(0, dtype=np.intp),
        lost=np.empty(0, dtype=bool),
        totals=pd.DataFrame(columns=_BAKE_COLUMNS),
        level=both.as_baked.conf_level,
        counted=SHARED_PLACES if on_shared else AS_BAKED,
    )
    return with_study(made, study)


def with_study(recount: Recount, study: Study) -> Recount:
    """Return the same way of counting for a study whose record was changed."""
    items = item_outcomes(study)
    kept = study.items["bake"].isin(items["bake"])
    lost = study.items.loc[kept, "missing"].notna().to_numpy(dtype=bool)
    inside = np.ones(len(items), dtype=bool)
    totals = recount.totals
    if recount.counted == AS_BAKED:
        found = bake_totals(study)
        only_totals = (found["source"] == "counts") & found["n_burned"].notna()
        totals = found.loc[only_totals, _BAKE_COLUMNS].reset_index(drop=True)
    else:
        named = with_grates(study, items)
        inside = on_layout(named, recount.leading).to_numpy(dtype=bool)
    items = items[inside].reset_index(drop=True)
    return replace(
        recount,
        study=study,
        items=items,
        codes=face_codes(items, study.settings),
        rows=np.flatnonzero(inside),
        lost=lost[inside],
        totals=totals,
    )


def row_of_outcome(recount: Recount, outcome: NDArray[np.intp]) -> NDArray[np.intp]:
    """Row among the items that are counted; -1 for an item that is not."""
    place = {int(row): i for i, row in enumerate(recount.rows)}
    return np.array([place.get(int(row), -1) for row in outcome], dtype=np.intp)


def calls_of(
    recount: Recount, codes: NDArray[np.float64], *, marks: bool = True
) -> NDArray[np.float64]:
    """Burned (1), not burned (0) or unknown (NaN) by the grades of the faces."""
    settings = recount.study.settings
    deciding = deciding_code(codes, settings)
    calls = np.where(np.isnan(deciding), np.nan, deciding >= settings.burned_code)
    if marks:
        recorded = recount.items["burned"].to_numpy(dtype=float)
        calls = np.where(np.isnan(calls), recorded, calls)
    return np.where(recount.lost, np.nan, calls)


def set_beside(table: pd.DataFrame, base: pd.DataFrame) -> pd.DataFrame:
    """Pairs under an alternative beside the same pairs without it."""
    place = {
        pair: i for i, pair in enumerate(zip(base["pit_a"], base["pit_b"], strict=True))
    }
    pairs = zip(table["pit_a"], table["pit_b"], strict=True)
    at = np.array([place.get(pair, -1) for pair in pairs], dtype=np.intp)
    merged = table[at >= 0].reset_index(drop=True)
    at = at[at >= 0]
    merged["base_estimate"] = base["estimate"].to_numpy()[at]
    merged["base_verdict"] = base["verdict"].to_numpy()[at]
    merged["shift"] = merged["estimate"] - merged["base_estimate"]
    differs = merged["verdict"].isin(SEPARATED)
    turned = differs & (merged["estimate"] * merged["base_estimate"] < 0)
    other = merged["verdict"] != merged["base_verdict"]
    merged["changes"] = (other | turned) & (merged["verdict"] != "one bake each")
    return merged
