"""What would another bake do? The study continued many times from what is known now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.results import PitComparison
from pitstats.errors import DesignError
from pitstats.stats.bake_model import BakeModel
from pitstats.stats.marginal import marginal_intercept
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study


@dataclass(frozen=True, kw_only=True, eq=False)
class MoreBakes:
    """Expected intervals of one pair after more bakes of every pit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per number of extra bakes, 0 first: ``extra_bakes, width, width_error,
        separated, separated_error``. ``width`` is the expected width of the interval
        that decides the verdict, ``separated`` the share of continuations in which it
        excludes 0; the errors are Monte-Carlo standard errors. The row of 0 is the
        study itself.
    pit_a, pit_b : str
        The undecided pair with the largest difference (of all pairs if every one has
        a verdict).
    studies : int
        Simulated continuations per row.
    """

    table: pd.DataFrame
    pit_a: str
    pit_b: str
    studies: int
    conf_level: float


def expect_more_bakes(
    study: Study,
    comparison: PitComparison,
    *,
    extra: Sequence[int] = (1, 2),
    studies: int = 100,
    rng: np.random.Generator,
) -> MoreBakes:
    """Say what more bakes of every pit would do to the interval of the leading pair.

    Parameters
    ----------
    study : Study
        The study as it stands.
    comparison : PitComparison
        Its comparison, as baked.
    extra : sequence of int, default (1, 2)
        Numbers of further bakes of every pit.
    studies : int, default 100
        Continuations simulated for each number.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    MoreBakes
        Expected widths and chances, with their Monte-Carlo errors.

    Raises
    ------
    DesignError
        If a number of bakes or of continuations is below 1.

    Notes
    -----
    Rates and between-bake SD are drawn from the posterior, so the answer averages over
    what the study leaves unknown (assurance; O'Hagan, Stevens and Campbell 2005,
    Pharmaceutical Statistics 4:187). Every new bake has the median number of graded
    items of its pit. Each continuation is analyzed with `stats.bake_rates`.

    Examples
    --------
    >>> import numpy as np
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> more = ps.expect_more_bakes(
    ...     study, ps.compare_pits(study), studies=20, rng=np.random.default_rng(1)
    ... )
    >>> bool(more.table["width"].is_monotonic_decreasing)
    True
    """
    if min(extra, default=0) < 1 or studies < 2:
        raise DesignError(
            "Give at least one number of extra bakes, each 1 or more, and at least two "
            "continuations."
        )
    totals = bake_totals(study)
    bakes = totals[(totals["n_items"] > 0) & totals["n_burned"].notna()]
    posterior = bake_posterior(bakes, comparison.conf_level)
    pair = leading_pair(comparison)
    names = (str(pair["pit_a"]), str(pair["pit_b"]))
    wanted = (posterior.pits.index(names[0]), posterior.pits.index(names[1]))
    many = len(posterior.pits) > 2
    now = float(pair["simultaneous_high"]) - float(pair["simultaneous_low"])
    excluded = float(str(pair["verdict"]).startswith("differs"))
    rows = [(0, now, 0.0, excluded, 0.0)]
    for n_extra in extra:
        model, burned = _continued(
            bakes, posterior.pits, n_extra, comparison.conf_level
        )
        new = model.pit[burned.size :]
        rates, sd = posterior.result.posterior.draw(studies, rng)
        simulated = _new_bakes(rates[:, new], sd, model.total[burned.size :], rng)
        counts = np.hstack([np.tile(burned, (studies, 1)), simulated])
        width, out = _analyzed(model, counts, wanted, many)
        rows.append((n_extra, *_mean(width), *_share(out)))
    columns = ["extra_bakes", "width", "width_error", "separated", "separated_error"]
    return MoreBakes(
        table=pd.DataFrame(rows, columns=columns),
        pit_a=names[0],
        pit_b=names[1],
        studies=studies,
        conf_level=comparison.conf_level,
    )


def undecided(comparison: PitComparison) -> pd.Series:
    """Which pairs have no verdict yet, as a boolean column of the table.

    Examples
    --------
    >>> import pitstats as ps
    >>> undecided(ps.compare_pits(ps.demo_study("one_bake_each"))).tolist()
    [True]
    """
    return comparison.table["verdict"].isin(["cannot tell", "one bake each"])


def leading_pair(comparison: PitComparison) -> pd.Series:
    """The undecided pair with the largest difference, else the largest of all.

    Examples
    --------
    >>> import pitstats as ps
    >>> pair = leading_pair(ps.compare_pits(ps.demo_study("four_pits")))
    >>> pair["pit_a"], pair["pit_b"]
    ('Ferry', 'Mill')
    """
    open_pairs = undecided(comparison)
    table = comparison.table[open_pairs] if open_pairs.any() else comparison.table
    return table.iloc[int(table["estimate"].abs().argmax())]


def _continued(
    bakes: pd.DataFrame, pits: tuple[str, ...], n_extra: int, level: float
) -> tuple[BakeModel, NDArray[np.int64]]:
    """Design of the study with its further bakes, and what is known already."""
    code = bakes["pit"].map({pit: i for i, pit in enumerate(pits)}).to_numpy()
    items = bakes.groupby("pit", sort=False)["n_items"].median().round()
    new_pit = np.repeat(np.arange(len(pits)), n_extra)
    new_total = items.reindex(pits).to_numpy()[new_pit]
    total = np.concatenate([bakes["n_items"].to_numpy(), new_total]).astype(np.int64)
    pit = np.concatenate([code, new_pit]).astype(np.int64)
    return BakeModel(total, pit, level), bakes["n_burned"].to_numpy(dtype=np.int64)


def _new_bakes(
    rates: NDArray[np.float64],
    sd: NDArray[np.float64],
    total: NDArray[np.intp],
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Burned items of new bakes, each with a fire of its own."""
    intercept = marginal_intercept(rates, sd[:, None])
    heat = rng.normal(size=rates.shape) * sd[:, None]
    return rng.binomial(total, expit(intercept + heat))


def _analyzed(
    model: BakeModel, counts: NDArray[np.int64], pair: tuple[int, int], many: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    ordered = (min(pair), max(pair))
    ends = model.ends(counts, pairs=[ordered])
    low, high = (
        (ends.simultaneous_low, ends.simultaneous_high)
        if many
        else (ends.low, ends.high)
    )
    return (high - low)[:, 0], ((low > 0) | (high < 0))[:, 0].astype(float)


def _share(hits: NDArray[np.float64]) -> tuple[float, float]:
    """Share and its standard error; never an error of 0 (add one of each first)."""
    smoothed = (hits.sum() + 1.0) / (hits.size + 2.0)
    error = np.sqrt(smoothed * (1.0 - smoothed) / hits.size)
    return float(hits.mean()), float(error)


def _mean(values: NDArray[np.float64]) -> tuple[float, float]:
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(values.size))
