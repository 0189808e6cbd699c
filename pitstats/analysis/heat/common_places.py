"""Places at which pits can be compared, and groups of cells alike but for one thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pitstats.analysis.heat.place_model import PLACE, Shape, cells_can_be_told
from pitstats.analysis.places.coverage import third_of_grate

# Positions along a grate where the pits' cells do not coincide; a multiple of three.
_STEPS = 12
_SLACK = 1e-9


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
    """Find the places at which all pits can be compared."""
    own = {pit: frame.loc[frame["pit"] == pit, PLACE].drop_duplicates() for pit in pits}
    shared = own[pits[0]]
    for pit in pits[1:]:
        shared = shared.merge(own[pit], on=PLACE)
    enough = len(shared) >= max(1, max(len(cells) for cells in own.values()) / 2)
    if enough and cells_can_be_told(frame):
        places = (
            shared.sort_values(PLACE).reset_index(drop=True).assign(cell_weight=1.0)
        )
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
    empty = pd.DataFrame(columns=[*PLACE, "cell_weight"])
    return (pd.concat(frames, ignore_index=True) if frames else empty), parts


def end_places(cells: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Cells in the near and in the far third, alike in all but the distance."""
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
    """Weigh two groups of cells alike in some columns; drop what has no match."""
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
