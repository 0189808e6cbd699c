"""The bridge from bakes counted by grade to the posterior of `stats.grade_rates`."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.rates.pairs import judged, pair_rows
from pitstats.stats.estimates import PairEstimates
from pitstats.stats.grades import GradeRates, grade_rates

SEED = 1


def grade_posterior(
    counts: NDArray[np.intp],
    pit: NDArray[np.intp],
    level: float,
    burned_from: int,
    session: pd.Series | None = None,
) -> GradeRates:
    """Posterior of all grades, kept for the next caller; own label where no session."""
    labels = None
    if session is not None and session.notna().any():
        alone = pd.Series(np.arange(len(session)).astype(str), index=session.index)
        # A session without a name is a day of its own; no name starts with a line end.
        labels = tuple(session.astype(object).where(session.notna(), "\n" + alone))
    return _cached(
        tuple(map(tuple, counts.tolist())),
        tuple(pit.tolist()),
        level,
        burned_from,
        labels,
    )


@lru_cache(maxsize=6)
def _cached(
    counts: tuple[tuple[int, ...], ...],
    pit: tuple[int, ...],
    level: float,
    burned_from: int,
    session: tuple[str, ...] | None,
) -> GradeRates:
    return grade_rates(
        counts, pit, level, SEED, session=session, burned_from=burned_from
    )


def at_cut(pairs: PairEstimates, cut: int) -> PairEstimates:
    """All pairs at one cut."""
    return PairEstimates(pairs.a, pairs.b, *(part[:, cut] for part in pairs[2:]))


def grade_pairs(
    pairs: PairEstimates,
    pits: tuple[str, ...],
    *,
    margin: float | None,
    n_bakes: pd.Series,
) -> pd.DataFrame:
    """All pairs with their verdicts, columns of `PitComparison.table`."""
    return judged(pair_rows(pairs, pits, pits), margin=margin, n_bakes=n_bakes)
