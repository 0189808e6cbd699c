"""Burn rates over a season, and pits compared across its studies."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from pitstats.analysis.rates.looks import valid_level
from pitstats.analysis.rates.pairs import judged, pair_rows, withheld_caveats
from pitstats.analysis.results import FrameResult
from pitstats.analysis.season.read import Season
from pitstats.errors import DesignError
from pitstats.stats.nested_rates import NestedRates, nested_rates
from pitstats.stats.spread_prior import chosen_prior
from pitstats.study.cells import listing

FloatArray = npt.NDArray[np.float64]
NO_BRIDGE = "no bridge"
_LEVELS = {
    "bake": "between bakes of a session in a middling pit",
    "session": "between sessions of a study",
    "study": "between studies",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonEstimate(FrameResult):
    """Long-run burn rates over a season.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, n_studies, n_bakes, n_items, n_burned, estimate,
        conf_low, conf_high``.
    differences : pandas.DataFrame
        Columns of `compare_pits`, and ``n_shared_studies`` (studies that hold both)
        and ``bridge_share`` (share of the information about the pair that rests on
        other pits baked with each of them). Pairs that nothing links have no estimate
        and the verdict "no bridge".
    spread : pandas.DataFrame
        ``level, meaning, estimate, conf_low, conf_high``: SDs on the logit scale; NaN
        where the record has no such level.
    days_alike : bool
        Whether studies and sessions were taken as having no effect of their own.
    fit : NestedRates
        What the tables were read from.
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    spread: pd.DataFrame
    days_alike: bool
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    fit: NestedRates = field(repr=False)


def estimate_season(
    season: Season,
    conf_level: float = 0.95,
    *,
    days_alike: bool = False,
    spread: Literal["own", "common"] = "own",
) -> SeasonEstimate:
    """Estimate the burn rate of every pit over a season, and compare the pits.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.
    days_alike : bool, default False
        Compare also pits that nothing links, as if all studies and sessions had been
        alike. The result says so.
    spread : {"own", "common"}, default "own"
        Whether each pit has a spread between bakes of its own or all share one.

    Returns
    -------
    SeasonEstimate

    Raises
    ------
    DesignError
        If no bake has a graded item.

    Notes
    -----
    `stats.nested_rates`: effects of bakes, sessions and studies are random, so pits
    are set against each other within studies, and across studies through pits baked
    in both. Verdicts allow for all pairs. Looks during the season are not allowed for.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.estimate_season(ps.demo_season()).table
    >>> found[["pit", "n_studies", "n_bakes", "estimate"]].round(2)
           pit  n_studies  n_bakes  estimate
    0   Quarry          8       33      0.37
    1    Ferry          6       20      0.16
    2  Orchard          3       13      0.36
    3     Mill          2        7      0.48
    """
    bakes = season.bakes[season.bakes["n_items"] > 0]
    if bakes.empty:
        raise DesignError("No bake of the season has a graded item.")
    pits = pits_of(bakes)
    found = fit_season(
        bakes, bakes["pit"], pits, conf_level, days_alike=days_alike, spread=spread
    )
    differences = _differences(bakes, pits, found, days_alike)
    return SeasonEstimate(
        table=_rate_table(bakes, pits, found),
        differences=differences,
        spread=_spread(found),
        days_alike=days_alike,
        estimand="long-run burn rate, averaged over bakes, sessions and studies",
        method=(
            "nested Laplace: effects of bakes, sessions and studies, "
            f"{chosen_prior(spread, None, None).words}, SDs of sessions and studies "
            "half-normal(1); unit: the bake"
        ),
        conf_level=conf_level,
        caveats=_caveats(season, bakes, differences, days_alike),
        fit=found,
    )


def fit_season(
    bakes: pd.DataFrame,
    groups: pd.Series,
    names: list[str],
    conf_level: float,
    *,
    days_alike: bool = False,
    spread: Literal["own", "common"] = "own",
) -> NestedRates:
    """Rates of groups of bakes (pits, or pits early and late) over a season."""
    code = groups.map({name: k for k, name in enumerate(names)}).to_numpy()
    own, study = _sessions(bakes), bakes["study"].to_numpy(dtype=object)
    if days_alike:
        own, study = np.arange(len(bakes)).astype(str), np.full(len(bakes), "season")
    return nested_rates(
        bakes["n_burned"].to_numpy(),
        bakes["n_items"].to_numpy(),
        code,
        own.astype(str),
        study.astype(str),
        valid_level(conf_level),
        spread=spread,
    )


def _sessions(bakes: pd.DataFrame) -> np.ndarray:
    """Session of each bake; one without a session is a session of its own."""
    return np.where(bakes["session"] == "", "bake " + bakes["bake"], bakes["session"])


def _rate_table(
    bakes: pd.DataFrame, pits: list[str], found: NestedRates
) -> pd.DataFrame:
    grouped = bakes.groupby("pit", sort=False)
    table = pd.DataFrame({"pit": pits})
    table["n_studies"] = grouped["study"].nunique().reindex(pits).to_numpy()
    table["n_bakes"] = grouped.size().reindex(pits).to_numpy()
    for name in ("n_items", "n_burned"):
        table[name] = grouped[name].sum().reindex(pits).to_numpy()
    for name, column in (("estimate", 0), ("conf_low", 1), ("conf_high", 2)):
        table[name] = [float(rate[column]) for rate in found.rates]
    return table


def _differences(
    bakes: pd.DataFrame,
    pits: list[str],
    found: NestedRates,
    days_alike: bool,
) -> pd.DataFrame:
    frame = pair_rows(found.differences, pits, pits)
    held = {pit: set(bakes.loc[bakes["pit"] == pit, "study"]) for pit in pits}
    component = _components(pits, held)
    shared = [len(held[a] & held[b]) for a, b in combinations(pits, 2)]
    frame["n_shared_studies"] = shared
    frame["bridge_share"] = (
        np.nan if days_alike else _bridge_shares(bakes, pits, found, held)
    )
    linked = np.array([component[a] == component[b] for a, b in combinations(pits, 2)])
    n_bakes = bakes["pit"].value_counts()
    frame = judged(frame, margin=None, n_bakes=n_bakes)
    if not days_alike and len(frame):
        numbers = frame.columns[2 : frame.columns.get_loc("n_shared_studies")]
        frame.loc[~linked, [*numbers, "bridge_share"]] = np.nan
        frame.loc[~linked, "verdict"] = NO_BRIDGE
    return frame


def _components(pits: list[str], held: dict[str, set[str]]) -> dict[str, int]:
    """Number the groups of pits that studies link with each other."""
    component = {pit: number for number, pit in enumerate(pits)}
    for a, b in combinations(pits, 2):
        if held[a] & held[b]:
            old, new = component[b], component[a]
            for pit in pits:
                if component[pit] == old:
                    component[pit] = new
    return component


def _around(a: str, b: str, held: dict[str, set[str]]) -> bool:
    """Whether a study without one of two pits bears on them, through other pits."""
    reached = []
    for end, without in ((a, b), (b, a)):
        component = _components([pit for pit in held if pit != without], held)
        reached.append({pit for pit, own in component.items() if own == component[end]})
    between = reached[0] & reached[1]
    if not between:
        return False
    elsewhere = [held[pit] - (held[a] & held[b]) for pit in (a, b, *between)]
    return any(one & other for one, other in combinations(elsewhere, 2))


def _bridge_shares(
    bakes: pd.DataFrame,
    pits: list[str],
    found: NestedRates,
    held: dict[str, set[str]],
) -> list[float]:
    """Share of what is known of a pair that studies with both would not give alone.

    Without the bridge a difference would have the variance of the studies that hold
    both pits, with it it has that of all studies (Dias, Welton, Caldwell and Ades 2010,
    Stat Med 29:932, cited from memory): by weighted least squares on the logit scale,
    given the estimated SDs.
    """
    studies = _information_by_study(bakes, pits, found)
    shares = []
    for a, b in combinations(pits, 2):
        if not _around(a, b, held):
            shares.append(0.0)
            continue
        ends = pits.index(a), pits.index(b)
        # In the order of the studies, so that the last digit is the same every time.
        both = [own for name, own in studies.items() if name in held[a] & held[b]]
        alone = _variance(both, *ends)
        shares.append(1 - _variance(list(studies.values()), *ends) / alone)
    return shares


def _variance(information: list[FloatArray], a: int, b: int) -> float:
    """Variance of the difference of two pits; without end where nothing is known."""
    if not information:
        return math.inf
    known = np.sum(information, axis=0)
    there = known.diagonal() > 0
    inverse = np.zeros_like(known)
    inverse[np.ix_(there, there)] = np.linalg.inv(known[np.ix_(there, there)])
    return float(inverse[a, a] + inverse[b, b] - 2 * inverse[a, b])


def _information_by_study(
    bakes: pd.DataFrame, pits: list[str], found: NestedRates
) -> dict[str, FloatArray]:
    """Information of each study about the logits of all pits."""
    code = bakes["pit"].map({pit: k for k, pit in enumerate(pits)}).to_numpy(np.intp)
    rate = np.array([own.estimate for own in found.rates])[code]
    slope = np.maximum(rate * (1 - rate), 1e-9)
    variance = np.array([sd.estimate**2 for sd in found.bake_sds])[code]
    precision = 1 / (1 / (bakes["n_items"].to_numpy(np.float64) * slope) + variance)
    of_session, of_study = (
        0.0 if sd is None else sd.estimate**2
        for sd in (found.sds["session"], found.sds["study"])
    )
    cells = bakes.assign(session=_sessions(bakes), code=code, precision=precision)
    studies = {}
    for name, own in cells.groupby("study"):
        by_session = own.pivot_table("precision", "session", "code", aggfunc="sum")
        weight = np.zeros((len(by_session), len(pits)))
        weight[:, by_session.columns] = by_session.fillna(0.0)
        # The effect of a session, then that of the study, takes its share away.
        lost = of_session / (1 + of_session * weight.sum(axis=1))
        known = np.diag(weight.sum(axis=0)) - weight.T @ (weight * lost[:, None])
        whole = known.sum(axis=1)
        known -= np.outer(whole, whole) * of_study / (1 + of_study * whole.sum())
        studies[str(name)] = known
    return studies


def _spread(found: NestedRates) -> pd.DataFrame:
    rows: list[tuple[Any, ...]] = []
    for level, meaning in _LEVELS.items():
        sd = found.sds[level]
        rows.append((level, meaning, *(sd if sd is not None else (np.nan,) * 3)))
    names = ["level", "meaning", "estimate", "conf_low", "conf_high"]
    return pd.DataFrame(rows, columns=names)


def _caveats(
    season: Season, bakes: pd.DataFrame, differences: pd.DataFrame, days_alike: bool
) -> tuple[str, ...]:
    found = []
    if days_alike:
        found.append(
            "Days assumed alike: studies and sessions were taken to have no effect of "
            "their own. What the weather, the dough or the wood of a day did counts as "
            "the pit's."
        )
    unlinked = differences[differences["verdict"] == NO_BRIDGE]
    alike: dict[str, list[str]] = {}
    for pit, others in unlinked.groupby("pit_a", sort=False)["pit_b"]:
        alike.setdefault(" or ".join(others), []).append(str(pit))
    for names, pits in alike.items():
        have = f"{listing(pits, 'and')} {'has' if len(pits) == 1 else 'have'}"
        found.append(
            f"{have} no bake that counts in one study with {names}, and no pit links "
            "their studies, so nothing separates these pits from their days. Bake them "
            "side by side, or a third pit beside each."
        )
    n_bakes = bakes["pit"].value_counts()
    linked = differences[differences["verdict"] != NO_BRIDGE]
    found += withheld_caveats(linked, n_bakes)
    if len(season.left_out):
        found.append(f"{len(season.left_out)} bakes do not count; each has its reason.")
    if bakes["study"].nunique() > 1:
        found.append(
            "The season was estimated as it stands; intervals do not allow for looking "
            "at it after every study."
        )
    return (*found, *season.questions)


def pits_of(bakes: pd.DataFrame) -> list[str]:
    """Pits in the order in which they first appear."""
    return [str(pit) for pit in bakes["pit"].drop_duplicates()]
