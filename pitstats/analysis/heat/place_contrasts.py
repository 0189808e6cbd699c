"""What places differ by within a pit, and pits by over the same places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.heat.common_places import CommonPlaces
from pitstats.analysis.heat.place_model import PLACE, PlaceModel, fit_places
from pitstats.analysis.rates.pairs import PAIR_COLUMNS, pair_rows, verdicts
from pitstats.stats.unequal_means import mean_differences

Floats = NDArray[np.float64]

TWO_BAKES = (
    "{a} and {b}: no verdict, because {noisier} scatters more from bake to bake and "
    "was measured in two bakes only. A third bake would allow one."
)
WITHIN_SESSIONS = (
    "{a} and {b} were baked side by side in every session, so they are compared "
    "session by session (Student's t of the differences)."
)


def contrasts_over_bakes(
    model: PlaceModel,
    sides: Mapping[str, tuple[pd.DataFrame, pd.DataFrame]],
    conf_level: float,
) -> pd.DataFrame:
    """Differences between two groups of cells, bakes as the unit.

    Heat need not lie alike in every bake, and the cells of one bake cannot show how far
    its pattern strays from the next one's. So every bake has one difference (cells
    that it lacks are allowed for by the model), and Student's t over the pit's own
    bakes gives the interval.
    """
    own = {pit: _bake_contrasts(model, pit, *two) for pit, two in sides.items()}
    these_bakes = max((len(values) for values in own.values()), default=0) < 2
    rows = {}
    for pit, values in own.items():
        if these_bakes or not len(values):
            rows[pit] = _contrast_of_model(model, pit, *sides[pit], conf_level)
        else:
            rows[pit] = _over_bakes(values, conf_level)
    return pd.DataFrame(rows).T


def _over_bakes(values: Floats, conf_level: float) -> dict[str, float]:
    """Student's t over the differences of a pit's bakes."""
    from scipy.special import stdtr, stdtrit

    n, middle = len(values), float(values.mean())
    names = ("estimate", "conf_low", "conf_high", "p_value", "df")
    if n < 2:
        return dict(zip(names, (middle, *[np.nan] * 4), strict=True))
    error = float(values.std(ddof=1) / np.sqrt(n))
    half = float(stdtrit(n - 1, (1 + conf_level) / 2)) * error
    size = abs(middle) / error if error > 0 else np.inf if middle else 0.0
    p = float(2 * stdtr(n - 1, -size))
    return dict(
        zip(names, (middle, middle - half, middle + half, p, n - 1.0), strict=True)
    )


def _bake_contrasts(
    model: PlaceModel, pit: str, first: pd.DataFrame, second: pd.DataFrame
) -> Floats:
    """Difference of the two groups in every bake that has readings in both."""
    coef = model.fit(pit).coef
    fitted = model.mean_row(pit, first) - model.mean_row(pit, second)
    own = model.frame[model.frame["pit"] == pit]
    left = own["y"] - model.rows(pit, own) @ coef
    means = []
    for part in (first, second):
        weight = part.set_index(PLACE)["cell_weight"]
        here = weight.reindex(pd.MultiIndex.from_frame(own[PLACE])).to_numpy(float)
        there = ~np.isnan(here)
        bake = own.loc[there, "bake"]
        sums = (left[there] * here[there]).groupby(bake).sum()
        means.append(sums / pd.Series(here[there], bake.index).groupby(bake).sum())
    apart = (means[0] - means[1]).dropna().to_numpy(dtype=float)
    return np.asarray(float(fitted @ coef) + apart)


def _contrast_of_model(
    model: PlaceModel,
    pit: str,
    first: pd.DataFrame,
    second: pd.DataFrame,
    conf_level: float,
) -> dict[str, float]:
    row = model.mean_row(pit, first) - model.mean_row(pit, second)
    found = model.contrast(pit, row[None])
    low, high = found.interval(conf_level)
    return {
        "estimate": float(found.estimate[0]),
        "conf_low": float(low[0]),
        "conf_high": float(high[0]),
        "p_value": float(found.p_value()[0]),
        "df": float(found.df[0]),
    }


def levels_over(
    frame: pd.DataFrame, model: PlaceModel, layout: CommonPlaces
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Levels of the bakes and of the pits over the places that all pits share."""
    if layout.shape != model.shape:
        model = fit_places(frame, model.pits, layout.shape)
    rows = {}
    if len(layout.places):
        rows = {pit: model.mean_row(pit, layout.places) for pit in model.pits}
    bakes = _bake_levels(model, rows)
    return bakes, _pit_levels(model, rows, bakes)


def _bake_levels(model: PlaceModel, rows: Mapping[str, Floats]) -> pd.DataFrame:
    """Level of every bake over the places of ``rows``, missing cells allowed for.

    ``bake, pit, session, n_cells, estimate``; NaN where there are no rows.
    """
    found = []
    for (bake, pit, session), own in model.frame.groupby(
        ["bake", "pit", "session"], sort=False
    ):
        coef, level = model.fit(str(pit)).coef, np.nan
        if rows:
            about = own["y"].to_numpy(dtype=float) - model.rows(str(pit), own) @ coef
            level = float(rows[str(pit)] @ coef) + float(about.mean())
        found.append((bake, pit, session, len(own), level))
    columns = ["bake", "pit", "session", "n_cells", "estimate"]
    return pd.DataFrame(found, columns=columns)


def _pit_levels(
    model: PlaceModel, rows: Mapping[str, Floats], bakes: pd.DataFrame
) -> pd.DataFrame:
    """Mean of each pit over places: ``estimate, std_error, df, n_bakes`` by pit.

    Over the levels of its bakes where all have the same readings; otherwise by the
    pit's own fit, which knows what a lacking cell costs, on no more degrees of freedom.
    """
    found = {}
    for pit, row in rows.items():
        values = bakes.loc[bakes["pit"] == pit, "estimate"].to_numpy(dtype=float)
        n = len(values)
        if n > 1 and _complete(model.frame[model.frame["pit"] == pit]):
            error, df = values.std(ddof=1) / np.sqrt(n), n - 1.0
            found[pit] = (values.mean(), error, df, n)
            continue
        own = model.contrast(pit, row[None])
        df = min(own.df[0], max(n - 1.0, 1.0))
        found[pit] = (own.estimate[0], own.std_error[0], df, n)
    names = ["estimate", "std_error", "df", "n_bakes"]
    return pd.DataFrame.from_dict(found, orient="index", columns=names)


def _complete(own: pd.DataFrame) -> bool:
    """Whether all bakes of a pit have the same number of readings in every cell."""
    counts = own.groupby([*PLACE, "bake"]).size().unstack("bake")
    return bool(counts.notna().all(axis=None) and (counts.nunique(axis=1) == 1).all())


def level_interval(levels: pd.DataFrame, pit: str, level: float) -> dict[str, float]:
    """Level of one pit with its interval: ``estimate, conf_low, conf_high, df``."""
    from scipy.special import stdtrit

    names = ("estimate", "conf_low", "conf_high", "df")
    if pit not in levels.index:
        return dict.fromkeys(names, float("nan"))
    middle, error, df, _ = map(float, levels.loc[pit].to_numpy(dtype=float))
    half = float(stdtrit(df, (1 + level) / 2)) * error
    df = df if np.isfinite(error) else float("nan")
    return dict(zip(names, (middle, middle - half, middle + half, df), strict=True))


def pair_table(
    levels: pd.DataFrame,
    bakes: pd.DataFrame,
    conf_level: float,
    *,
    margin: float | None = None,
) -> tuple[pd.DataFrame, list[str]]:
    """All pairs of pits, each pit with its own scatter of bakes."""
    pits = [str(pit) for pit in levels.index]
    if len(pits) < 2:
        return pd.DataFrame(columns=list(PAIR_COLUMNS)), []
    mean, error, df, n = (levels[name].to_numpy(dtype=float) for name in levels)
    blocks = _within_sessions(bakes, pits)
    found = mean_differences(mean, error, df, n, conf_level, within_blocks=blocks)
    table = pair_rows(found, pits, pits)
    withheld = found.withheld & np.isfinite(found.p_value)
    sd = error * np.sqrt(n)
    table["verdict"] = verdicts(
        table["simultaneous_low"],
        table["simultaneous_high"],
        margin=margin,
        one_bake_each=bool(n.max() <= 1),
        withheld=withheld.tolist(),
    )
    notes = [
        TWO_BAKES.format(a=pits[a], b=pits[b], noisier=pits[a if sd[a] >= sd[b] else b])
        for a, b in zip(found.a[withheld], found.b[withheld], strict=True)
    ]
    notes += [WITHIN_SESSIONS.format(a=pits[a], b=pits[b]) for a, b in sorted(blocks)]
    return table[list(PAIR_COLUMNS)], notes


def _within_sessions(
    bakes: pd.DataFrame, pits: Sequence[str]
) -> dict[tuple[int, int], Floats]:
    """Differences by session of pairs that shared all their sessions, two or more."""
    levels: Any = bakes.groupby(["session", "pit"], sort=False)["estimate"].mean()
    by_session = levels.unstack("pit")
    found = {}
    for a, b in combinations(range(len(pits)), 2):
        both = by_session[[pits[a], pits[b]]].dropna(how="all")
        if len(both) > 1 and both.notna().all(axis=None):
            found[a, b] = (both[pits[a]] - both[pits[b]]).to_numpy(dtype=float)
    return found
