"""How often does each pit burn? Long-run shares that respect shared fires."""

from __future__ import annotations

from functools import partial
from typing import Literal

import numpy as np
import pandas as pd

from pitstats.analysis import caveats as notes
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.posterior import (
    StudyPosterior,
    bake_posterior,
    spread_table,
)
from pitstats.analysis.results import BurnRates
from pitstats.errors import DesignError
from pitstats.stats.bake_model import BakeRates
from pitstats.stats.intervals import wilson_interval
from pitstats.stats.posterior import ModelRates
from pitstats.stats.spread_prior import OWN
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study

Outcome = Literal["burned", "underbaked", "good"]

_COUNT_COLUMN = {"burned": "n_burned", "underbaked": "n_raw", "good": "n_good"}
_ESTIMAND = {
    "burned": "long-run share of items graded burned, averaged over bakes",
    "underbaked": "long-run share of items graded under-baked, averaged over bakes",
    "good": "long-run share of items within the target grades, averaged over bakes",
}
METHOD = f"exact posterior; burn rates Beta(1/2, 1/2) a priori, {OWN.words}"
METHOD_SESSIONS = (
    "posterior with an effect of every session on all of its bakes, by weighted draws; "
    f"burn rates Beta(1/2, 1/2) a priori, {OWN.words}, between-session SD "
    "half-normal(1)"
)


def method_of(posterior: StudyPosterior) -> str:
    """Method in words, as used."""
    return METHOD_SESSIONS if posterior.sessions else METHOD


def estimate_burn_rates(study: Study, conf_level: float | None = None) -> BurnRates:
    """Estimate each pit's long-run burn rate from bakes that each share one fire.

    Parameters
    ----------
    study : Study
        A valid study. Planned and excluded bakes are left out.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    BurnRates
        One row per pit with the posterior mean and the equal-tailed interval.

    Raises
    ------
    DesignError
        If no kept bake has a graded item, or ``conf_level`` is not inside (0, 1).

    Notes
    -----
    The unit of replication is the bake, not the item. See `stats.bake_rates` for the
    model, its priors and its sources.

    Examples
    --------
    >>> import pitstats as ps
    >>> rates = ps.estimate_burn_rates(ps.demo_study("four_pits"))
    >>> list(rates.table.columns)[:4]
    ['pit', 'n_bakes', 'n_items', 'n_burned']
    """
    return estimate_shares(study, "burned", conf_level)


def estimate_shares(
    study: Study, outcome: Outcome, conf_level: float | None = None
) -> BurnRates:
    """Estimate each pit's long-run share of burned, under-baked or good items.

    Parameters
    ----------
    study : Study
        A valid study.
    outcome : {"burned", "underbaked", "good"}
        What to count. The last two need grades (or ``n_raw`` in the counts); bakes
        without them are left out and a caveat says how many.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    BurnRates
        As for `estimate_burn_rates`; ``n_burned`` then counts the outcome asked for.

    Raises
    ------
    DesignError
        If nothing is left to count, or an argument is not allowed.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.estimate_shares(ps.demo_study("four_pits"), "good").outcome
    'good'
    """
    if outcome not in _COUNT_COLUMN:
        allowed = ", ".join(_COUNT_COLUMN)
        raise DesignError(f"outcome {outcome!r} is not one of {allowed}.")
    _, level = look_and_level(study, conf_level)
    totals = bake_totals(study)
    totals = totals.assign(n_burned=totals[_COUNT_COLUMN[outcome]])
    counted = totals[totals["n_burned"].notna() & (totals["n_items"] > 0)]
    if counted.empty:
        planned = int((study.bakes["status"] == "planned").sum())
        waiting = (
            f" {planned} bakes still have the status 'planned': set it to 'kept' once "
            "they are done and graded."
            if planned
            else ""
        )
        raise DesignError(
            f"No kept bake has items with a grade that tells {outcome} from not. "
            f"{_to_fill_in(totals, outcome)}{waiting}"
        )
    pits = study.pits["pit"].tolist()
    posterior = bake_posterior(counted, level)
    table = _rate_table(pits, counted, totals, posterior)
    result = posterior.result
    with_lost = _with_lost_bakes(counted, totals)
    n_bakes = table.set_index("pit")["n_bakes"]
    return BurnRates(
        table=table,
        naive=_naive(table, level),
        find_missing_range=partial(_missing_range, table, with_lost, level),
        bakes=_bake_table(totals),
        outcome=outcome,
        bake_sd=spread_table(n_bakes, posterior.pits, result.bake_sd),
        estimand=_ESTIMAND[outcome],
        method=method_of(posterior),
        conf_level=level,
        caveats=_caveats(study, table, counted, totals, result),
        sessions=posterior.sessions,
    )


def _to_fill_in(totals: pd.DataFrame, outcome: Outcome) -> str:
    """Say which columns would tell an outcome that no bake tells yet."""
    sources = set(totals.loc[totals["n_items"] > 0, "source"])
    advice = []
    if "counts" in sources and outcome == "underbaked":
        advice.append("Fill in the column n_raw of the table counts.")
    elif "counts" in sources:
        advice.append(
            "Totals alone do not tell it; record the grade of each item in the table "
            "items next time."
        )
    if "items" in sources:
        advice.append(
            "Fill in the grades in the table items (grade_top, grade_bottom or "
            "grade_side); a burned mark alone does not tell it."
        )
    return " ".join(advice) or "Fill in the table items or counts first."


def _rate_table(
    pits: list[str],
    counted: pd.DataFrame,
    totals: pd.DataFrame,
    posterior: StudyPosterior,
) -> pd.DataFrame:
    grouped = counted.groupby("pit", sort=False)
    table = pd.DataFrame({"pit": pits}).set_index("pit")
    table["n_bakes"] = grouped.size().reindex(pits, fill_value=0)
    for column in ("n_items", "n_burned"):
        table[column] = grouped[column].sum().reindex(pits, fill_value=0).astype(int)
    missing = totals.groupby("pit", sort=False)["n_missing"].sum()
    table["n_missing"] = missing.reindex(pits, fill_value=0).astype(int)
    position = {pit: i for i, pit in enumerate(posterior.pits)}
    index = [position.get(pit, -1) for pit in pits]
    rates = posterior.result.rates
    columns = {
        "estimate": rates.estimate,
        "conf_low": rates.low,
        "conf_high": rates.high,
        "effective_items": posterior.effective_items,
    }
    for name, values in columns.items():
        padded = np.append(np.asarray(values, dtype=float), np.nan)
        table[name] = padded[index]
    return table.reset_index()


def _naive(table: pd.DataFrame, level: float) -> pd.DataFrame:
    ends = [
        wilson_interval(burned, total, level) if total else (np.nan, np.nan)
        for burned, total in zip(table["n_burned"], table["n_items"], strict=True)
    ]
    return pd.DataFrame(
        {
            "pit": table["pit"],
            "conf_low": [float(end[0]) for end in ends],
            "conf_high": [float(end[1]) for end in ends],
        }
    )


def _with_lost_bakes(counted: pd.DataFrame, totals: pd.DataFrame) -> pd.DataFrame:
    """Bakes that count, and those of which every item is missing."""
    lost = totals[(totals["n_items"] == 0) & (totals["n_missing"] > 0)]
    return pd.concat([counted, lost.assign(n_burned=0)], ignore_index=True)


def shares_with_missing(table: pd.DataFrame) -> pd.DataFrame:
    """Shares if none (lowest) or all (highest) of the missing items had the outcome."""
    whole = table["n_items"] + table["n_missing"]
    known = whole.where(whole > 0)
    highest = (table["n_burned"] + table["n_missing"]) / known
    return pd.DataFrame({"lowest": table["n_burned"] / known, "highest": highest})


def _missing_range(
    table: pd.DataFrame, counted: pd.DataFrame, level: float
) -> pd.DataFrame:
    """Shares and outer interval ends if none or all missing items had the outcome."""
    frame = table[["pit", "n_missing"]].copy()
    frame["observed"] = table["n_burned"] / table["n_items"].where(table["n_items"] > 0)
    frame[["lowest", "highest"]] = shares_with_missing(table)
    frame["conf_low"] = table["conf_low"]
    frame["conf_high"] = table["conf_high"]
    if frame["n_missing"].any():
        whole = counted.assign(n_items=counted["n_items"] + counted["n_missing"])
        burned = counted["n_burned"].astype(int)
        none = bake_posterior(whole.assign(n_burned=burned), level)
        every = bake_posterior(
            whole.assign(n_burned=burned + counted["n_missing"]), level
        )
        affected = frame["n_missing"] > 0
        for column, found in (
            ("conf_low", none.result.rates.low),
            ("conf_high", every.result.rates.high),
        ):
            of_pit = dict(zip(none.pits, found, strict=True))
            frame.loc[affected, column] = frame.loc[affected, "pit"].map(of_pit)
    return frame


def _bake_table(totals: pd.DataFrame) -> pd.DataFrame:
    columns = ["bake", "pit", "session", "order", "source", "n_placed", "n_items"]
    frame = totals[[*columns, "n_burned", "n_missing"]].copy()
    graded = frame["n_items"].astype(float)
    frame["share"] = frame["n_burned"].astype(float) / graded.where(graded > 0)
    return frame


def _caveats(
    study: Study,
    table: pd.DataFrame,
    counted: pd.DataFrame,
    totals: pd.DataFrame,
    result: BakeRates | ModelRates,
) -> tuple[str, ...]:
    n_bakes = table.set_index("pit")["n_bakes"]
    found: list[str] = []
    if n_bakes.max() <= 1:
        found.append(notes.ONE_BAKE_EACH)
    found += notes.borrowed_spread(n_bakes)
    if result.cap_mass > 0.5:
        found.append(notes.ALL_OR_NONE)
    if isinstance(result, ModelRates):
        found += notes.few_draws(result.ess)
    found += [notes.NO_KEPT_ITEMS.format(pit=p) for p, n in n_bakes.items() if n == 0]
    counts_only = int((counted["source"] == "counts").sum())
    if counts_only:
        found.append(notes.COUNTS_ONLY.format(n=counts_only, total=len(counted)))
    n_missing = int(totals["n_missing"].sum())
    if n_missing:
        found.append(notes.MISSING.format(n=n_missing))
    uncounted = len(totals) - len(counted)
    if uncounted:
        found.append(notes.UNCOUNTED.format(n=uncounted, total=len(totals)))
    n_excluded = int((study.bakes["status"] == "excluded").sum())
    if n_excluded:
        found.append(notes.EXCLUDED.format(n=n_excluded))
    return tuple(found)
