"""A measured quantity over the grate, fitted to each pit by itself.

Temperatures and rises are handled alike: readings of one bake share its fire, so the
bake is a random effect, with a spread of its own in every pit, and every average is
over stated places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.model.data import with_grates
from pitstats.stats.linear_contrast import (
    LinearContrast,
    MixedLinearFit,
    contrast_linear,
)
from pitstats.stats.mixed_linear import fit_mixed_linear
from pitstats.study.study import Study

Floats = NDArray[np.float64]
Shape = Literal["cells", "curve"]

# Fewer readings of a pit to spare than this, and its cells cannot have means of their
# own.
_LEAST_SPARE = 2
PLACE = ["grate", "distance", "across"]
_SLACK = 1e-9


def place_frame(study: Study, readings: pd.DataFrame, value: str) -> pd.DataFrame:
    """Readings of kept bakes with places that can be compared between pits."""
    kept = study.kept.set_index("bake")
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


class _PitFit(NamedTuple):
    """One pit's fit, the terms of its design and the cells behind it."""

    fit: MixedLinearFit
    terms: list[Any]
    cells: pd.DataFrame


@dataclass(frozen=True, kw_only=True, eq=False)
class PlaceModel:
    """A mixed linear fit of each pit that can be averaged over places.

    Attributes
    ----------
    shape : {"cells", "curve"}
        ``"cells"``: every cell of every pit has a mean of its own. ``"curve"``: every
        pit has a curve along the grate, with a step between grates.
    pits : list of str
        Pits with readings, in the order of the study.
    frame : pandas.DataFrame
        The readings, as from `place_frame`.

    Notes
    -----
    Every pit has bakes and readings that scatter in a way of its own, so nothing about
    one pit's scatter is taken from another.
    """

    shape: Shape
    pits: list[str]
    frame: pd.DataFrame = field(repr=False)
    _of: dict[str, _PitFit] = field(repr=False)

    def fit(self, pit: str) -> MixedLinearFit:
        """Fit of one pit."""
        return self._of[pit].fit

    def rows(self, pit: str, places: pd.DataFrame) -> Floats:
        """Combinations of the pit's coefficients that are its means at single places.

        The places have ``grate, distance, across``; one row for each.
        """
        return _design(self.shape, self._of[pit].terms, places)

    def mean_row(self, pit: str, places: pd.DataFrame) -> Floats:
        """Combination of coefficients that is the pit's mean over the places.

        By ``cell_weight`` where the places have one.
        """
        weight = np.ones(len(places))
        if "cell_weight" in places:
            weight = places["cell_weight"].to_numpy(dtype=float)
        return np.asarray((weight / weight.sum()) @ self.rows(pit, places))

    def contrast(self, pit: str, rows: Floats) -> LinearContrast:
        """Estimates, errors and degrees of freedom of combinations."""
        return contrast_linear(self.fit(pit), rows)

    def cells(self, pit: str) -> pd.DataFrame:
        """Cells of the pit that have readings, with their readings and bakes."""
        return self._of[pit].cells

    @property
    def n_bakes(self) -> pd.Series[int]:
        """Bakes with readings, by pit."""
        return self.frame.groupby("pit")["bake"].nunique().reindex(self.pits)


def fit_places(
    frame: pd.DataFrame, pits: Sequence[str], shape: Shape | None = None
) -> PlaceModel:
    """Fit the readings of each pit over places, its bakes as a random effect."""
    used = [pit for pit in pits if (frame["pit"] == pit).any()]
    if shape is None:
        shape = "cells" if cells_can_be_told(frame) else "curve"
    fits = {pit: _fit_pit(frame[frame["pit"] == pit], shape) for pit in used}
    return PlaceModel(shape=shape, pits=used, frame=frame, _of=fits)


def _fit_pit(own: pd.DataFrame, shape: Shape) -> _PitFit:
    terms = _cell_terms(own) if shape == "cells" else _curve_terms(own)
    design = _design(shape, terms, own)
    if shape == "curve":
        kept = _independent(design)
        terms, design = [terms[k] for k in kept], design[:, kept]
    bake = own["bake"].to_numpy(dtype=str)
    fit = fit_mixed_linear(own["y"].to_numpy(dtype=float), design, bake)
    return _PitFit(fit, terms, _cells_of(own))


def _cells_of(own: pd.DataFrame) -> pd.DataFrame:
    """Distinct cells of one pit's readings, with bakes and readings in each."""
    keys = ["raw_grate", "row", "column"]
    grouped = own.groupby(keys, sort=True)
    cells = grouped[[*PLACE, "rows", "columns"]].first()
    cells["n_bakes"] = grouped["bake"].nunique()
    cells["n_readings"] = grouped.size()
    return cells.reset_index()


def cells_can_be_told(frame: pd.DataFrame) -> bool:
    """Whether every cell of every pit can have a mean of its own.

    A pit with one bake has no readings to spare; it keeps cells if others can.
    """
    by_pit = frame.groupby("pit")
    several = by_pit["bake"].nunique() > 1
    n_cells = frame[["pit", *PLACE]].drop_duplicates().groupby("pit").size()
    enough = (n_cells == 1) | (by_pit.size() - n_cells >= _LEAST_SPARE)
    return bool(enough[several].all() if several.any() else enough.all())


def _cell_terms(own: pd.DataFrame) -> list[Any]:
    cells = own[PLACE].drop_duplicates()
    return list(cells.itertuples(index=False, name=None))


def _curve_terms(own: pd.DataFrame) -> list[Any]:
    """Level, line, hump, steps between grates, slope across."""
    n_along, n_across = own["distance"].nunique(), own["across"].nunique()
    terms: list[Any] = ["level"]
    if n_along >= 2:
        terms.append("distance")
    if n_along >= 4 and len(own) >= 6:
        terms.append("hump")
    terms += [f"grate {g}" for g in sorted(own["grate"].unique())[1:]]
    if n_across >= 2 and len(own) >= 6:
        terms.append("across")
    return terms


def _design(shape: Shape, terms: list[Any], places: pd.DataFrame) -> Floats:
    """Rows of the design of one pit for places."""
    if shape == "cells":
        at = {cell: k for k, cell in enumerate(terms)}
        design = np.zeros((len(places), len(terms)))
        keys = places[PLACE].itertuples(index=False, name=None)
        design[np.arange(len(places)), [at[key] for key in keys]] = 1.0
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
    return np.column_stack([values.get(term, zero) for term in terms])


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
