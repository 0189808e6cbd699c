"""The bridge from a table of bakes to the posterior of their pits' rates.

Where two sessions or more each hold bakes of two pits or more, the effect that a
session has on all of its bakes is in the model and the posterior is weighted draws;
elsewhere it is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.results import RateDraws
from pitstats.stats.bake_model import BakeRates, bake_rates
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.estimates import Estimate
from pitstats.stats.posterior import ModelRates, model_rates, shared_sessions

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_FIXED_DRAWS = 16_384


@dataclass(frozen=True)
class StudyPosterior:
    """A posterior and the pits it is about, in the order of its arrays.

    Attributes
    ----------
    pits : tuple of str
        Pits.
    result : BakeRates or ModelRates
        Exact, or from weighted draws where a session effect is in the model.
    effective_items : ndarray, shape (pits,)
        Independent items that would tell as much; NaN with one bake in every pit.
    sessions : int
        Sessions that hold bakes of two pits or more; 0 without a session effect.
    """

    pits: tuple[str, ...]
    result: BakeRates | ModelRates
    effective_items: Array
    sessions: int

    def fixed_draws(self, n_draws: int | None = None) -> Array:
        """Equally weighted joint draws of the rates, shape (draws, pits)."""
        if isinstance(self.result, BakeRates):
            return self.result.posterior.fixed_draws(n_draws)
        drawn = self.result.draws
        n_draws = _FIXED_DRAWS if n_draws is None else n_draws
        upto = np.cumsum(drawn.weights)
        middles = (np.arange(n_draws) + 0.5) / n_draws * upto[-1]
        return np.asarray(drawn.rates.T[np.searchsorted(upto, middles)])

    def rate_draws(self, n_draws: int, rng: np.random.Generator) -> RateDraws:
        """Draws of rates and spreads; the exact posterior is drawn from anew."""
        if not isinstance(self.result, BakeRates):
            return rate_draws(self.pits, self.result)
        rates, sd = self.result.posterior.draw(n_draws, rng)
        return RateDraws(
            self.pits,
            rates,
            np.full(n_draws, 1 / n_draws),
            np.broadcast_to(sd.reshape(n_draws, -1), rates.shape),
            np.zeros(n_draws),
        )


def bake_posterior(bakes: pd.DataFrame, conf_level: float) -> StudyPosterior:
    """Analyze bakes (columns ``pit``, ``n_items``, ``n_burned``) from their counts."""
    pits = tuple(bakes["pit"].drop_duplicates())
    code = {pit: i for i, pit in enumerate(pits)}
    pit = bakes["pit"].map(code).to_numpy(dtype=np.intp)
    session = session_codes(bakes)
    counts = (
        tuple(bakes["n_burned"].astype(int)),
        tuple(bakes["n_items"].astype(int)),
        tuple(pit.tolist()),
    )
    if shared_sessions(session, pit) is None:
        exact = _exact(*counts, conf_level)
        return StudyPosterior(pits, exact, exact.effective_items, 0)
    found = _with_sessions(*counts, tuple(session.tolist()), conf_level)
    items = np.bincount(pit, weights=bakes["n_items"].to_numpy(dtype=float))
    worth = effective_items(found, items, int(np.bincount(pit).max()))
    return StudyPosterior(pits, found, worth, n_shared(session, pit))


def session_codes(bakes: pd.DataFrame) -> Codes:
    """Session of every bake as a number; a bake without one has one to itself."""
    alone = pd.Series([f"\0{i}" for i in range(len(bakes))], index=bakes.index)
    if "session" not in bakes:
        return np.arange(len(bakes))
    named = bakes["session"].astype(object).where(bakes["session"].notna(), alone)
    return np.asarray(pd.factorize(named.astype(str))[0], dtype=np.intp)


def holds_shared_sessions(bakes: pd.DataFrame) -> bool:
    """Whether two sessions or more hold bakes of two pits or more."""
    pit = np.asarray(pd.factorize(bakes["pit"])[0], dtype=np.intp)
    return shared_sessions(session_codes(bakes), pit) is not None


def n_shared(session: Codes, pit: Codes) -> int:
    """Number of sessions that hold bakes of two pits or more."""
    pairs = np.unique(np.column_stack([session, pit]), axis=0)
    return int((np.bincount(pairs[:, 0]) >= 2).sum())


def effective_items(
    found: ModelRates, items: NDArray[Any], most_bakes: int
) -> NDArray[np.float64]:
    """Items that would say as much if each were a bake of its own."""
    draws = found.draws
    mean = draws.rates @ draws.weights
    variance = (draws.rates - mean[:, None]) ** 2 @ draws.weights
    if most_bakes <= 1:
        return np.full(len(mean), np.nan)
    worth = mean * (1 - mean) / np.maximum(variance, 1e-12) - 2
    return np.asarray(np.clip(worth, 0.0, items))


def rate_draws(pits: tuple[str, ...], found: ModelRates) -> RateDraws:
    """Joint draws of rates and spreads, one row per draw."""
    drawn = found.draws
    return RateDraws(
        pits, drawn.rates.T, drawn.weights, drawn.bake_sd.T, drawn.session_sd
    )


def spread_table(
    n_bakes: pd.Series, pits: Sequence[str], spreads: Estimate[FloatArray]
) -> pd.DataFrame:
    """How repeatable each pit is: its SD between bakes, unknown below two bakes."""
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
def _exact(
    burned: tuple[int, ...],
    total: tuple[int, ...],
    pit: tuple[int, ...],
    conf_level: float,
) -> BakeRates:
    return bake_rates(burned, total, pit, conf_level)


@lru_cache(maxsize=64)
def _with_sessions(
    burned: tuple[int, ...],
    total: tuple[int, ...],
    pit: tuple[int, ...],
    session: tuple[int, ...],
    conf_level: float,
) -> ModelRates:
    bake = range(len(pit))
    return model_rates(burned, total, pit, bake, session=session, conf_level=conf_level)
