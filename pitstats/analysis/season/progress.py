"""How a season went on: running estimates, who improved, how repeatable each pit is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.rates.pairs import too_few_bakes, verdicts
from pitstats.analysis.season.estimate import SeasonEstimate, fit_season, pits_of
from pitstats.analysis.season.read import Season
from pitstats.stats.borrowed_spread import repeated_bakes
from pitstats.stats.nested_rates import NestedRates

_MOST_STEPS = 8
_ENDS = ("", "_low", "_high")
_FEWEST_BAKES = 3  # below this nothing is known about a spread


def season_progress(
    season: Season, conf_level: float = 0.95, *, estimate: SeasonEstimate | None = None
) -> pd.DataFrame:
    """Estimate every pit again after each study, or after eight stages of many.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.
    estimate : SeasonEstimate, optional
        Of this season at this level, if it was worked out before.

    Returns
    -------
    pandas.DataFrame
        One row per stage and pit baked by then: ``n_studies, study`` (the last one),
        ``pit, n_bakes, estimate, conf_low, conf_high``. Intervals do not allow for
        looking at every stage.
    """
    studies = list(dict.fromkeys(season.bakes["study"]))
    stages = np.unique(
        np.linspace(1, len(studies), min(len(studies), _MOST_STEPS)).round().astype(int)
    )
    rows = []
    for stage in stages:
        bakes = _graded(season, studies[:stage])
        pits = pits_of(bakes)
        if not pits:
            continue
        found = _fitted(bakes, conf_level, estimate if stage == stages[-1] else None)
        counts = bakes["pit"].value_counts()
        for pit, rate in zip(pits, found.rates, strict=True):
            last = studies[stage - 1]
            rows.append((int(stage), last, pit, int(counts[pit]), *map(float, rate)))
    names = ["n_studies", "study", "pit", "n_bakes", "estimate", "conf_low"]
    return pd.DataFrame(rows, columns=[*names, "conf_high"])


def season_change(season: Season, conf_level: float = 0.95) -> pd.DataFrame:
    """Compare the later half of each pit's studies with the earlier half.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    pandas.DataFrame
        One row per pit with two studies or more: ``pit, n_early, n_late`` (bakes),
        ``early, early_low, early_high, late, late_low, late_high, change, conf_low,
        conf_high, verdict``; ``change`` = late - early. Intervals are for each pit
        alone.
    """
    bakes = _graded(season, list(season.bakes["study"]))
    group = bakes["pit"].to_numpy(dtype=object).copy()
    split: list[str] = []
    for pit in pits_of(bakes):
        own = (bakes["pit"] == pit).to_numpy()
        studies = list(dict.fromkeys(bakes.loc[own, "study"]))
        if len(studies) > 1:
            is_late = bakes["study"].isin(studies[(len(studies) + 1) // 2 :])
            names_of_halves = np.where(is_late, f"{pit}\x1flate", f"{pit}\x1fearly")
            group[own] = names_of_halves[own]
            split.append(pit)
    groups = pd.Series(group, index=bakes.index)
    names = list(dict.fromkeys(group))
    rows = []
    if split:
        found = fit_season(bakes, groups, names, conf_level)
        counts = dict(
            zip(*np.unique(group.astype(str), return_counts=True), strict=True)
        )
        place = {name: k for k, name in enumerate(names)}
        for pit in split:
            early, late = f"{pit}\x1fearly", f"{pit}\x1flate"
            a, b = place[early], place[late]
            pairs = found.differences
            k = int(np.flatnonzero((pairs.a == min(a, b)) & (pairs.b == max(a, b)))[0])
            sign = 1.0 if a > b else -1.0
            ends = sorted((sign * pairs.low[k], sign * pairs.high[k]))
            rows.append(
                (
                    pit,
                    int(counts[early]),
                    int(counts[late]),
                    *found.rates[a],
                    *found.rates[b],
                    sign * pairs.estimate[k],
                    *ends,
                )
            )
    halves = [f"{half}{end}" for half in ("early", "late") for end in _ENDS]
    columns = ["pit", "n_early", "n_late", *halves, "change", "conf_low", "conf_high"]
    frame = pd.DataFrame(rows, columns=columns)
    counted = zip(frame["n_early"], frame["n_late"], strict=True)
    frame["verdict"] = verdicts(
        frame["conf_low"],
        frame["conf_high"],
        margin=None,
        one_bake_each=False,
        withheld=[too_few_bakes(early, late) for early, late in counted],
    )
    return frame


def season_repeatability(
    season: Season, conf_level: float = 0.95, *, estimate: SeasonEstimate | None = None
) -> pd.DataFrame:
    """Spread between the bakes of each pit, and of each tender.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.
    estimate : SeasonEstimate, optional
        Of this season at this level, if it was worked out before.

    Returns
    -------
    pandas.DataFrame
        ``of`` ("pit" or "tender"), ``name, n_bakes, estimate, conf_low, conf_high``:
        SD between the bakes of a session or study, logit scale; NaN (unknown) where
        fewer than two bakes repeat another of the same pit, so below three bakes of it.

    Notes
    -----
    Pits have the spreads of `estimate_season`. A tender has one spread for all pits,
    from the bakes of that tender alone, compared within pits.
    """
    bakes = _graded(season, list(season.bakes["study"]))
    unknown = (np.nan,) * 3
    rows: list[tuple[Any, ...]] = []
    pits = pits_of(bakes)
    if pits:
        spreads = _fitted(bakes, conf_level, estimate).bake_sds
        sizes = bakes["pit"].value_counts()
        for pit, sd in zip(pits, spreads, strict=True):
            known = sizes[pit] >= _FEWEST_BAKES
            rows.append(("pit", pit, int(sizes[pit]), *(sd if known else unknown)))
    for tender in bakes.loc[bakes["tender"] != "", "tender"].drop_duplicates():
        own = bakes[bakes["tender"] == tender]
        shown: tuple[float, ...] = unknown
        if repeated_bakes(own["pit"].value_counts().to_numpy()) >= _FEWEST_BAKES - 1:
            fit = fit_season(own, own["pit"], pits_of(own), conf_level, spread="common")
            shown = fit.bake_sds[0]
        rows.append(("tender", tender, len(own), *shown))
    columns = ["of", "name", "n_bakes", "estimate", "conf_low", "conf_high"]
    return pd.DataFrame(rows, columns=columns)


def _fitted(
    bakes: pd.DataFrame, conf_level: float, estimate: SeasonEstimate | None
) -> NestedRates:
    """Rates of the pits; those of an estimate that took days as they were will do."""
    if estimate is not None and not estimate.days_alike:
        return estimate.fit
    return fit_season(bakes, bakes["pit"], pits_of(bakes), conf_level)


def _graded(season: Season, studies: list[str]) -> pd.DataFrame:
    bakes = season.bakes
    return bakes[bakes["study"].isin(studies) & (bakes["n_items"] > 0)]
