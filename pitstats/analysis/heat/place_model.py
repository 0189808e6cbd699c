"""A measured quantity over the grate: levels, contrasts and pairs of pits.

Temperatures and rises are handled alike: readings of one bake share its fire, so the
bake (and the session where sessions are shared) is a random effect, and every average
is over stated places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.model.data import with_grates
from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.rates.pairs import PAIR_COLUMNS, verdicts
from pitstats.stats.linear_contrast import (
    LinearContrast,
    MixedLinearFit,
    contrast_linear,
)
from pitstats.stats.mixed_linear import fit_mixed_linear
from pitstats.stats.simultaneous import simultaneous_t
from pitstats.study.study import Study

Floats = NDArray[np.float64]
Shape = Literal["cells", "curve"]

# Fewer readings to spare than this, and every cell cannot have a mean of its own.
_LEAST_SPARE = 3
# Positions along a grate where the pits' cells do not coincide; a multiple of three.
_STEPS = 12
_KEY = ["grate", "distance", "across"]
_SLACK = 1e-9


def place_frame(study: Study, readings: pd.DataFrame, value: str) -> pd.DataFrame:
    """Readings of kept bakes with places that can be compared between pits.

    Parameters
    ----------
    study : Study
        For its grates, sessions and bakes.
    readings : pandas.DataFrame
        ``bake, pit, grate, row, column`` and the quantity.
    value : str
        Column of the quantity.

    Returns
    -------
    pandas.DataFrame
        ``bake, pit, session, grate, raw_grate, row, column, distance, across, y``;
        without readings that lack a place or a value. A bake without a session has
        one to itself.
    """
    kept = study.bakes[study.bakes["status"].eq("kept")].set_index("bake")
    frame = readings[readings["bake"].isin(kept.index)].copy()
    frame["y"] = pd.to_numeric(frame[value], errors="coerce").astype(float)
    frame["pit"] = frame["bake"].map(kept["pit"]).astype("str")
    alone = "\0bake " + frame["bake"].astype("str")
    frame["session"] = frame["bake"].map(kept["session"]).fillna(alone).astype("str")
    frame["grate"] = frame["grate"].astype("str")
    frame = with_grates(study, frame)
    for place, size, share in (
        ("column", "columns", "distance"),
        ("row", "rows", "across"),
    ):
        at = frame[place].to_numpy(dtype=float, na_value=np.nan)
        # The nearest firebox wall is 0, the far wall 1; equal places compare as equal.
        frame[share] = np.round((at - 0.5) / frame[size].to_numpy(dtype=float), 9)
    numbers = frame[["y", "distance", "across"]].to_numpy(dtype=float)
    known = np.isfinite(numbers).all(axis=1) & frame["grate"].notna().to_numpy()
    columns = ["bake", "pit", "session", "grate", "raw_grate", "row", "column"]
    columns += ["rows", "columns", "distance", "across", "y"]
    frame = frame.loc[known, columns]
    placed: pd.DataFrame = frame.astype({"row": int, "column": int})
    return placed.reset_index(drop=True)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaceModel:
    """A mixed linear fit that can be averaged over places.

    Attributes
    ----------
    shape : {"cells", "curve"}
        ``"cells"``: every cell of every pit has a mean of its own. ``"curve"``: every
        pit has a curve along the grate, with a step between grates.
    pits : list of str
        Pits with readings, in the order of the study.
    frame : pandas.DataFrame
        The readings, as from `place_frame`.
    sessions : bool
        Whether sessions are a random effect beside bakes.
    """

    shape: Shape
    pits: list[str]
    frame: pd.DataFrame = field(repr=False)
    fit: MixedLinearFit = field(repr=False)
    sessions: bool
    _names: list[Any] = field(repr=False)
    _cells: dict[str, pd.DataFrame] = field(repr=False)

    def mean_row(self, pit: str, places: pd.DataFrame) -> Floats:
        """Combination of coefficients that is the pit's mean over the places.

        Parameters
        ----------
        pit : str
            A pit of the model.
        places : pandas.DataFrame
            ``grate, distance, across`` and optionally ``cell_weight``.

        Returns
        -------
        ndarray
            One entry per coefficient.
        """
        weight = np.ones(len(places))
        if "cell_weight" in places:
            weight = places["cell_weight"].to_numpy(dtype=float)
        return np.asarray((weight / weight.sum()) @ self.rows(pit, places))

    def contrast(self, rows: Sequence[Floats]) -> LinearContrast:
        """Estimates, errors and degrees of freedom of combinations."""
        return contrast_linear(self.fit, np.array(rows))

    def rows(self, pit: str, places: pd.DataFrame) -> Floats:
        """Combinations of coefficients that are the pit's means at single places.

        Parameters
        ----------
        pit : str
            A pit of the model.
        places : pandas.DataFrame
            ``grate, distance, across``.

        Returns
        -------
        ndarray, shape (places, coefficients)
        """
        return _design(self.shape, self._names, pit, places)

    def cells(self, pit: str) -> pd.DataFrame:
        """Cells of the pit that have readings, with their readings and bakes."""
        return self._cells[pit]

    @property
    def n_bakes(self) -> pd.Series[int]:
        """Bakes with readings, by pit."""
        return self.frame.groupby("pit")["bake"].nunique().reindex(self.pits)


def fit_places(
    frame: pd.DataFrame, pits: Sequence[str], shape: Shape | None = None
) -> PlaceModel:
    """Fit readings over places, bakes as random effects.

    Parameters
    ----------
    frame : pandas.DataFrame
        As from `place_frame`, not empty.
    pits : sequence of str
        Pits of the study; those without readings are left out.
    shape : {"cells", "curve"}, optional
        ``"cells"`` where at least three readings more than cells are there, unless
        given.

    Returns
    -------
    PlaceModel
    """
    used = [pit for pit in pits if (frame["pit"] == pit).any()]
    if shape is None:
        shape = "cells" if _cells_can_be_told(frame) else "curve"
    names = _cell_names(frame, used) if shape == "cells" else _curve_names(frame, used)
    design = np.zeros((len(frame), len(names)))
    for pit in used:
        own = (frame["pit"] == pit).to_numpy()
        design[own] = _design(shape, names, pit, frame[own])
    if shape == "curve":
        kept = _independent(design)
        names, design = [names[k] for k in kept], design[:, kept]
    group, sessions = _random_effects(frame)
    fit = fit_mixed_linear(frame["y"].to_numpy(dtype=float), design, group)
    return PlaceModel(
        shape=shape,
        pits=used,
        frame=frame,
        fit=fit,
        sessions=sessions,
        _names=names,
        _cells={pit: _cells_of(frame[frame["pit"] == pit]) for pit in used},
    )


def _cells_of(own: pd.DataFrame) -> pd.DataFrame:
    """Distinct cells of one pit's readings, with bakes and readings in each."""
    keys = ["raw_grate", "row", "column"]
    grouped = own.groupby(keys, sort=True)
    cells = grouped[[*_KEY, "rows", "columns"]].first()
    cells["n_bakes"] = grouped["bake"].nunique()
    cells["n_readings"] = grouped.size()
    return cells.reset_index()


def _cells_can_be_told(frame: pd.DataFrame) -> bool:
    """Whether every cell of every pit can have a mean of its own."""
    n_cells = len(frame[["pit", *_KEY]].drop_duplicates())
    one_each = n_cells == frame["pit"].nunique()
    return one_each or len(frame) - n_cells >= _LEAST_SPARE


def _cell_names(frame: pd.DataFrame, pits: list[str]) -> list[Any]:
    cells = frame[["pit", *_KEY]].drop_duplicates()
    cells = cells.set_index(cells["pit"].map({p: i for i, p in enumerate(pits)}))
    return list(cells.sort_index(kind="stable").itertuples(index=False, name=None))


def _curve_names(frame: pd.DataFrame, pits: list[str]) -> list[Any]:
    """Terms of each pit: level, line, hump, steps between grates, slope across."""
    names: list[Any] = []
    for pit in pits:
        own = frame[frame["pit"] == pit]
        n_along, n_across = own["distance"].nunique(), own["across"].nunique()
        names.append((pit, "level"))
        if n_along >= 2:
            names.append((pit, "distance"))
        if n_along >= 4 and len(own) >= 6:
            names.append((pit, "hump"))
        names += [(pit, f"grate {g}") for g in sorted(own["grate"].unique())[1:]]
        if n_across >= 2 and len(own) >= 6:
            names.append((pit, "across"))
    return names


def _design(shape: Shape, names: list[Any], pit: str, places: pd.DataFrame) -> Floats:
    """Rows of the design for places of one pit."""
    if shape == "cells":
        at = {name: k for k, name in enumerate(names)}
        design = np.zeros((len(places), len(names)))
        keys = places[_KEY].itertuples(index=False, name=None)
        design[np.arange(len(places)), [at[pit, *key] for key in keys]] = 1.0
        return design
    distance = places["distance"].to_numpy(dtype=float)
    values = {
        "level": np.ones(len(places)),
        "distance": distance - 0.5,
        "hump": 4 * distance * (1 - distance),
        "across": places["across"].to_numpy(dtype=float) - 0.5,
    }
    for grate in places["grate"].unique():
        values[f"grate {grate}"] = (places["grate"] == grate).to_numpy(dtype=float)
    zero = np.zeros(len(places))
    columns = [values.get(term, zero) if own == pit else zero for own, term in names]
    return np.column_stack(columns)


def _independent(design: Floats) -> list[int]:
    """Columns that do not follow from those before them."""
    kept: list[int] = []
    basis = np.empty((len(design), 0))
    for k, column in enumerate(design.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = float(np.linalg.norm(rest))
        if size > 1e-7 * max(float(np.linalg.norm(column)), _SLACK):
            kept.append(k)
            basis = np.column_stack([basis, rest / size])
    return kept


def _random_effects(frame: pd.DataFrame) -> tuple[NDArray[Any], bool]:
    """Bakes, within sessions where two sessions or more hold several pits."""
    shared = frame.groupby("session")["pit"].nunique() >= 2
    bake = frame["bake"].to_numpy(dtype=str)
    if shared.sum() < 2:
        return bake, False
    return np.column_stack([frame["session"].to_numpy(dtype=str), bake]), True


# --- places that pits have in common ------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonPlaces:
    """Places over which levels of all pits are averaged.

    Attributes
    ----------
    places : pandas.DataFrame
        ``grate, distance, across, cell_weight``; empty where the pits share none.
    note : str
        What they are, in a sentence.
    shape : {"cells", "curve"}
        The model that can be averaged over them.
    shared : bool
        Whether the pits share enough cells, so that only a lack of readings can have
        called for a curve.
    """

    places: pd.DataFrame
    note: str
    shape: Shape
    shared: bool


def common_places(frame: pd.DataFrame, pits: Sequence[str], what: str) -> CommonPlaces:
    """Find the places at which all pits can be compared.

    Parameters
    ----------
    frame : pandas.DataFrame
        As from `place_frame`.
    pits : sequence of str
        Pits with readings.
    what : str
        Plural of what was measured at, such as ``"probed cells"``.

    Returns
    -------
    CommonPlaces
        The cells measured in all pits, where they are at least half of each pit's;
        otherwise steps along the stretch that all pits share on each grate.
    """
    own = {pit: frame.loc[frame["pit"] == pit, _KEY].drop_duplicates() for pit in pits}
    shared = own[pits[0]]
    for pit in pits[1:]:
        shared = shared.merge(own[pit], on=_KEY)
    enough = len(shared) >= max(1, max(len(cells) for cells in own.values()) / 2)
    if enough and _cells_can_be_told(frame):
        places = shared.sort_values(_KEY).reset_index(drop=True).assign(cell_weight=1.0)
        who = f"the {len(places)} {what}" if len(places) > 1 else "the one cell"
        who += " that all pits share" if len(pits) > 1 else f" of {pits[0]}"
        note = f"Averaged over {who}."
        return CommonPlaces(places=places, note=note, shape="cells", shared=True)
    places, parts = _stretches(frame, pits)
    if places.empty:
        note = (
            f"No stretch of a grate has {what} in all pits, so levels are not compared."
        )
        return CommonPlaces(places=places, note=note, shape="curve", shared=enough)
    where = "all pits" if len(pits) > 1 else pits[0]
    note = (
        f"Averaged along the stretch that {where} used, {' and '.join(parts)} "
        "(firebox wall 0, far wall 1), on a curve fitted to each pit."
    )
    return CommonPlaces(places=places, note=note, shape="curve", shared=enough)


def _stretches(
    frame: pd.DataFrame, pits: Sequence[str]
) -> tuple[pd.DataFrame, list[str]]:
    frames, parts = [], []
    for grate in sorted(frame["grate"].unique()):
        on_it = frame[frame["grate"] == grate]
        if on_it["pit"].nunique() < len(pits):
            continue
        used = on_it.groupby("pit").agg(
            first=("column", "min"), last=("column", "max"), size=("columns", "first")
        )
        low = float(((used["first"] - 1) / used["size"]).max())
        high = float((used["last"] / used["size"]).min())
        if high - low < _SLACK:
            continue
        step = (np.arange(_STEPS) + 0.5) / _STEPS
        places = pd.DataFrame({"grate": grate, "distance": low + (high - low) * step})
        frames.append(places.assign(across=0.5, cell_weight=(high - low) / _STEPS))
        parts.append(f"{low:.2f} to {high:.2f} on the grate '{grate}'")
    empty = pd.DataFrame(columns=[*_KEY, "cell_weight"])
    return (pd.concat(frames, ignore_index=True) if frames else empty), parts


# --- contrasts within a pit ---------------------------------------------------------


def end_places(cells: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Cells in the near and in the far third, alike in all but the distance.

    Parameters
    ----------
    cells : pandas.DataFrame
        Cells of one pit with ``grate, distance, across``.

    Returns
    -------
    tuple of pandas.DataFrame or None
        With ``cell_weight``: matched by grate and row, or by grate where the rows do
        not match. None where no grate has cells in both thirds.
    """
    third = third_of_grate(cells["distance"])
    near, far = cells[third == "near"], cells[third == "far"]
    for by in (["grate", "across"], ["grate"]):
        first, second = matched_places(near, far, by)
        if len(first):
            return first, second
    return None


def matched_places(
    first: pd.DataFrame, second: pd.DataFrame, by: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Weigh two groups of cells alike in some columns; drop what has no match.

    Parameters
    ----------
    first, second : pandas.DataFrame
        Cells.
    by : list of str
        Columns in which the groups are to be alike.

    Returns
    -------
    tuple of pandas.DataFrame
        Both with ``cell_weight``; empty where nothing matches.
    """
    counts = [part.groupby(by).size() for part in (first, second)]
    both = counts[0].index.intersection(counts[1].index)
    out = []
    for part, count in zip((first, second), counts, strict=True):
        keys = _keys(part, by)
        kept = part[keys.isin(both)]
        own = count.reindex(_keys(kept, by)).to_numpy(dtype=float)
        out.append(kept.assign(cell_weight=1 / own))
    return out[0], out[1]


def _keys(frame: pd.DataFrame, by: list[str]) -> pd.Index:
    return (
        pd.Index(frame[by[0]]) if len(by) == 1 else pd.MultiIndex.from_frame(frame[by])
    )


def contrasts_over_bakes(
    model: PlaceModel,
    sides: Mapping[str, tuple[pd.DataFrame, pd.DataFrame]],
    conf_level: float,
) -> pd.DataFrame:
    """Differences between two groups of cells, bakes as the unit.

    Heat need not lie alike in every bake, and the cells of one bake cannot show how far
    its pattern strays from the next one's. So every bake has one difference (cells
    that it lacks are allowed for by the model), and Student's t over bakes gives the
    interval, with the variance between bakes pooled over pits.

    Parameters
    ----------
    model : PlaceModel
        The fit of all pits.
    sides : mapping of str to two frames
        For each pit both groups of cells, with ``cell_weight``.
    conf_level : float
        Between 0 and 1.

    Returns
    -------
    pandas.DataFrame
        Indexed by pit: ``estimate, conf_low, conf_high, p_value, df``. Where no pit has
        two bakes with both groups, the interval is the model's and is about those
        bakes only.
    """
    from scipy.stats import t as student

    own = {pit: _bake_contrasts(model, pit, *two) for pit, two in sides.items()}
    several = [values for values in own.values() if len(values) > 1]
    df = sum(len(values) - 1 for values in several)
    if not df:
        return pd.DataFrame(
            {
                pit: _contrast_of_model(model, pit, *two, conf_level)
                for pit, two in sides.items()
            }
        ).T
    pooled = sum(float(values.var()) * len(values) for values in several) / df
    reach = float(student.ppf((1 + conf_level) / 2, df))
    rows = {}
    for pit, values in own.items():
        if not len(values):
            rows[pit] = _contrast_of_model(model, pit, *sides[pit], conf_level)
            continue
        middle, error = float(values.mean()), np.sqrt(pooled / len(values))
        size = abs(middle) / error if error > 0 else np.inf if middle else 0.0
        rows[pit] = {
            "estimate": middle,
            "conf_low": middle - reach * error,
            "conf_high": middle + reach * error,
            "p_value": float(2 * student.sf(size, df)),
            "df": float(df),
        }
    return pd.DataFrame(rows).T


def _bake_contrasts(
    model: PlaceModel, pit: str, first: pd.DataFrame, second: pd.DataFrame
) -> Floats:
    """Difference of the two groups in every bake that has readings in both."""
    fitted = model.mean_row(pit, first) - model.mean_row(pit, second)
    middle = float(fitted @ model.fit.coef)
    own = model.frame[model.frame["pit"] == pit]
    left = own["y"] - model.rows(pit, own) @ model.fit.coef
    means = []
    for part in (first, second):
        weight = part.set_index(_KEY)["cell_weight"]
        here = weight.reindex(pd.MultiIndex.from_frame(own[_KEY])).to_numpy(float)
        there = ~np.isnan(here)
        bake = own.loc[there, "bake"]
        sums = (left[there] * here[there]).groupby(bake).sum()
        means.append(sums / pd.Series(here[there], bake.index).groupby(bake).sum())
    return np.asarray(middle + (means[0] - means[1]).dropna().to_numpy(dtype=float))


def _contrast_of_model(
    model: PlaceModel,
    pit: str,
    first: pd.DataFrame,
    second: pd.DataFrame,
    conf_level: float,
) -> dict[str, float]:
    found = model.contrast([model.mean_row(pit, first) - model.mean_row(pit, second)])
    low, high = found.interval(conf_level)
    return {
        "estimate": float(found.estimate[0]),
        "conf_low": float(low[0]),
        "conf_high": float(high[0]),
        "p_value": float(found.p_value()[0]),
        "df": float(found.df[0]),
    }


# --- all pairs of pits --------------------------------------------------------------


def pair_table(
    model: PlaceModel,
    rows: dict[str, Floats],
    conf_level: float,
    *,
    margin: float | None = None,
) -> pd.DataFrame:
    """All pairs of pits in one combination each, with simultaneous intervals.

    Parameters
    ----------
    model : PlaceModel
        The fit.
    rows : dict
        Combination of coefficients of each pit.
    conf_level : float
        Level of the intervals.
    margin : float, optional
        Smallest difference that would change advice.

    Returns
    -------
    pandas.DataFrame
        Columns of `PAIR_COLUMNS`: pit_a less pit_b, by the t distribution of the pair
        and, for all pairs together, by the multivariate t with the smallest degrees
        of freedom among them.
    """
    pairs = list(combinations(rows, 2))
    if not pairs:
        return pd.DataFrame(columns=list(PAIR_COLUMNS))
    found = model.contrast([rows[a] - rows[b] for a, b in pairs])
    table = pd.DataFrame(pairs, columns=["pit_a", "pit_b"], dtype="str")
    table["estimate"] = found.estimate
    table["conf_low"], table["conf_high"] = found.interval(conf_level)
    value, adjusted = _all_together(found, conf_level)
    table["simultaneous_low"] = found.estimate - value * found.std_error
    table["simultaneous_high"] = found.estimate + value * found.std_error
    table["p_value"] = found.p_value()
    table["p_adjusted"] = adjusted
    one_bake_each = bool(model.n_bakes.max() <= 1)
    table["verdict"] = verdicts(
        table["simultaneous_low"],
        table["simultaneous_high"],
        margin=margin,
        one_bake_each=one_bake_each,
    )
    return table[list(PAIR_COLUMNS)]


def _all_together(found: LinearContrast, conf_level: float) -> tuple[float, Floats]:
    known = np.isfinite(found.std_error) & (found.std_error > 0)
    adjusted = np.full(len(known), np.nan)
    if not known.any():
        return float("nan"), adjusted
    value, adjusted[known] = simultaneous_t(
        found.covariance[np.ix_(known, known)],
        float(found.df[known].min()),
        found.estimate[known] / found.std_error[known],
        conf_level,
    )
    return value, adjusted
