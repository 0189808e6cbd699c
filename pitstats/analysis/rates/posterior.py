"""The bridge from a table of bakes to the posterior of `stats.bake_rates`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import pandas as pd

from pitstats.stats.bake_model import BakeRates, bake_rates


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


@lru_cache(maxsize=256)
def _cached(
    burned: tuple[int, ...],
    total: tuple[int, ...],
    pit: tuple[int, ...],
    conf_level: float,
) -> BakeRates:
    return bake_rates(burned, total, pit, conf_level)
