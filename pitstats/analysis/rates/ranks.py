"""Places of the pits in a ranking, with how uncertain they are."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.caveats import ONE_BAKE_EACH, borrowed_spread
from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.rates.two_layouts import compare_both_ways
from pitstats.analysis.results import FrameResult, PitComparison
from pitstats.errors import DesignError
from pitstats.stats.ranks import rank_chances, rank_intervals
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study

METHOD = (
    "possible ranks from the simultaneous intervals for all pairs of pits; chances of "
    "ranks from joint posterior draws of the rates"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class PitRanks(FrameResult):
    """Ranks of three or more pits by their long-run burn rates; 1 burned least.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit, in order of its mean rank: ``pit, n_bakes, n_items, n_burned,
        estimate, conf_low, conf_high, mean_rank, rank_low, rank_high, chance_lowest,
        chance_highest``. ``rank_low`` to ``rank_high`` are the ranks that the
        simultaneous intervals of the comparison leave possible, for all pits together
        at ``conf_level``; the chances are posterior probabilities.
    chances : pandas.DataFrame
        ``pit, rank, chance``: posterior chance of every rank of every pit.
    n_separated, n_pairs : int
        Pairs of pits whose order is shown, of all pairs.
    """

    table: pd.DataFrame
    chances: pd.DataFrame = field(repr=False)
    n_separated: int
    n_pairs: int
    layout: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def rank_pits(
    study: Study,
    comparison: PitComparison | None = None,
    *,
    conf_level: float | None = None,
) -> PitRanks:
    """Rank three or more pits by burn rate, with the uncertainty of every rank.

    Parameters
    ----------
    study : Study
        A valid study.
    comparison : PitComparison, optional
        Of the same study, as returned by `compare_pits`: the ranks are over its layout
        and agree with its verdicts. When not given, the one to read first: that of
        `compare_both_ways` which leads.
    conf_level : float, optional
        Between 0 and 1, where no comparison is given; the study's own level otherwise.

    Returns
    -------
    PitRanks
        Possible ranks and posterior chances of ranks.

    Raises
    ------
    DesignError
        If fewer than three pits can be compared, or no pit was baked more than once.

    Notes
    -----
    A pit ranks above as many others as its simultaneous intervals show to burn less;
    these sets hold for all pits together [1]_. Chances of ranks come from the joint
    posterior of the rates, drawn at fixed quasi-random points. Both answer how firm a
    ranking is; the estimates alone do not [2]_.

    References
    ----------
    .. [1] Mogstad M, Romano JP, Shaikh AM, Wilhelm D (2024), Inference for ranks with
       applications to mobility across neighbourhoods and academic achievement across
       countries, Review of Economic Studies 91:476-518.
    .. [2] Goldstein H, Spiegelhalter DJ (1996), League tables and their limitations:
       statistical issues in comparisons of institutional performance, Journal of the
       Royal Statistical Society Series A 159:385-443.

    Examples
    --------
    >>> import pitstats as ps
    >>> ranks = ps.rank_pits(ps.demo_study("four_pits"))
    >>> print(ranks.table[["pit", "rank_low", "rank_high"]].head(1).to_string())
         pit  rank_low  rank_high
    0  Ferry         1          4
    """
    if comparison is None:
        comparison = compare_both_ways(study, conf_level=conf_level).leading
    pits = _ranked_pits(comparison)
    draws, weights = _draws(study, comparison, pits)
    code = {pit: i for i, pit in enumerate(pits)}
    pairs = comparison.table
    # A pair without a verdict leaves its ranks open, whatever its interval.
    untold = pairs["verdict"] == "cannot tell"
    low, high = rank_intervals(
        len(pits),
        pairs["pit_a"].map(code).to_numpy(),
        pairs["pit_b"].map(code).to_numpy(),
        pairs["simultaneous_low"].where(~untold, -1.0).to_numpy(),
        pairs["simultaneous_high"].where(~untold, 1.0).to_numpy(),
    )
    chance = rank_chances(draws, weights)
    columns = ["pit", "n_bakes", "n_items", "n_burned", "estimate"]
    table = comparison.rates.set_index("pit").loc[pits].reset_index()
    table = table[[*columns, "conf_low", "conf_high"]].assign(
        mean_rank=chance @ np.arange(1, len(pits) + 1),
        rank_low=low,
        rank_high=high,
        chance_lowest=chance[:, 0],
        chance_highest=chance[:, -1],
    )
    order = np.argsort(table["mean_rank"].to_numpy(), kind="stable")
    separated = pairs["verdict"].isin(SEPARATED)
    n_bakes = comparison.n_bakes[pits]
    return PitRanks(
        table=table.iloc[order].reset_index(drop=True),
        chances=_long(chance[order], [pits[i] for i in order]),
        n_separated=int(separated.sum()),
        n_pairs=len(pairs),
        layout=comparison.layout,
        estimand="rank by long-run burn rate, 1 burned least",
        method=METHOD,
        conf_level=comparison.conf_level,
        caveats=borrowed_spread(n_bakes),
    )


def _ranked_pits(comparison: PitComparison) -> list[str]:
    pairs = comparison.table
    compared = set(pairs["pit_a"]) | set(pairs["pit_b"])
    pits = [pit for pit in comparison.rates["pit"] if pit in compared]
    if len(pits) < 3:
        raise DesignError(
            "A ranking needs three pits or more with graded items; two pits are "
            "compared directly."
        )
    if comparison.one_bake_each:
        raise DesignError(ONE_BAKE_EACH)
    return pits


def _draws(
    study: Study, comparison: PitComparison, pits: list[str]
) -> tuple[NDArray[np.floating[Any]], NDArray[np.floating[Any]] | None]:
    """Joint draws of the rates behind a comparison, one column per pit."""
    if comparison.draws is None:
        graded = graded_bakes(study)
        posterior = bake_posterior(graded, comparison.conf_level)
        index = [posterior.pits.index(pit) for pit in pits]
        return posterior.fixed_draws()[:, index], None
    drawn = comparison.draws
    index = [drawn.pits.index(pit) for pit in pits]
    return drawn.rates[:, index], drawn.weights


def _long(chance: NDArray[np.float64], pits: list[str]) -> pd.DataFrame:
    n = len(pits)
    return pd.DataFrame(
        {
            "pit": np.repeat(np.array(pits, dtype=object), n),
            "rank": np.tile(np.arange(1, n + 1), n),
            "chance": chance.ravel(),
        }
    )
