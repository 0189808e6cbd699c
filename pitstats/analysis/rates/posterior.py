"""The bridge from a table of bakes to the posterior of `stats.bake_rates`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from pitstats.stats.bake_model import BakeRates, SpreadSummary, bake_rates
from pitstats.stats.posterior import RateSummaries


@dataclass(frozen=True)
class StudyPosterior:
    """A posterior and the pits it is about, in the order of its arrays."""

    pits: tuple[str, ...]
    result: BakeRates


def bake_posterior(bakes: pd.DataFrame, conf_level: float) -> StudyPosterior:
    """Analyze bakes (columns ``pit``, ``n_items``, ``n_burned``) with the exact grid.

    Parameters
    ----------
    bakes : pandas.DataFrame
        One row per kept bake, with at least one graded item each.
    conf_level : float
        Between 0 and 1.

    Returns
    -------
    StudyPosterior
        Pits in order of first appearance. The rates, the differences and the caveats
        of one report ask for the same posterior, so it is kept for the next caller.
    """
    pits = tuple(bakes["pit"].drop_duplicates())
    code = {pit: i for i, pit in enumerate(pits)}
    result = _cached(
        tuple(bakes["n_burned"].astype(int)),
        tuple(bakes["n_items"].astype(int)),
        tuple(bakes["pit"].map(code)),
        conf_level,
    )
    return StudyPosterior(pits, result)


def spread_table(
    n_bakes: pd.Series, pits: Sequence[str], spreads: SpreadSummary | RateSummaries
) -> pd.DataFrame:
    """How repeatable each pit is: its SD between bakes, unknown below two bakes.

    Parameters
    ----------
    n_bakes : pandas.Series
        Bakes of all pits that are to be shown, indexed by pit.
    pits : sequence of str
        Pits of the arrays.
    spreads : SpreadSummary or RateSummaries
        From the posterior.

    Returns
    -------
    pandas.DataFrame
        ``pit, n_bakes, estimate, conf_low, conf_high``. What a pit baked once borrows
        from the others is not shown as if it were its own.
    """
    found = pd.DataFrame(
        {
            "estimate": spreads.estimate,
            "conf_low": spreads.low,
            "conf_high": spreads.high,
        },
        index=list(pits),
    ).reindex(n_bakes.index)
    found[n_bakes < 2] = np.nan
    found.insert(0, "n_bakes", n_bakes.astype(int))
    return found.rename_axis("pit").reset_index()


@lru_cache(maxsize=256)
def _cached(
    burned: tuple[int, ...],
    total: tuple[int, ...],
    pit: tuple[int, ...],
    conf_level: float,
) -> BakeRates:
    return bake_rates(burned, total, pit, conf_level)
