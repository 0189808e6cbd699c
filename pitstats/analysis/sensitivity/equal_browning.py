"""What a hotter grate or a longer bake is worth, if browning follows a simple law."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pitstats.analysis.rates.pairs import judged, pair_rows
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.stats.weighted_draws import summarize_pairs


def compare_at_equal_dose(
    bakes: pd.DataFrame,
    pits: list[str],
    excess: Sequence[Mapping[str, float]],
    *,
    level: float,
    margin: float | None,
) -> list[pd.DataFrame]:
    """All pairs of pits if the browning of all had run at one speed.

    Notes
    -----
    Every draw of a long-run rate from the posterior of `stats.bake_rates` has its odds
    divided by the factor: odds of burning go in proportion to the speed of browning, as
    they do for small rates if burning strikes at a constant hazard. Items that all burn
    at nearly the same dose would respond more steeply. With all factors 1 the result
    differs from the exact posterior only by the error of 16,384 fixed draws.
    """
    posterior = bake_posterior(bakes, level)
    draws = posterior.fixed_draws().T
    draws = draws[[posterior.pits.index(pit) for pit in pits]]
    weights = np.full(draws.shape[1], 1 / draws.shape[1])
    raw_odds = draws / np.maximum(1 - draws, 1e-300)
    n_bakes = bakes["pit"].value_counts()
    tables = []
    for factors in excess:
        odds = raw_odds / np.array([[factors[pit]] for pit in pits])
        found = summarize_pairs(odds / (1 + odds), weights, level)
        rows = pair_rows(found, pits, pits)
        tables.append(judged(rows, margin=margin, n_bakes=n_bakes))
    return tables
