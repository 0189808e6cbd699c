"""Placement of items: which parts of the grates were used, and alike in all pits."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

# Differences of placement too small to move a rate by more than a point or so even
# with a steep fall from firebox to stack (slope -4 on the logit scale).
DISTANCE_TOLERANCE = 0.05
GRATE_TOLERANCE = 0.10


def placement(study: Study) -> pd.DataFrame:
    """Summarize where the graded items of each pit lay.

    Examples
    --------
    >>> import pitstats as ps
    >>> from pitstats.analysis.places.coverage import placement
    >>> placement(ps.demo_study("one_bake_each"))["mean_distance"].round(2).tolist()
    [0.5, 0.5]
    """
    graded = _located_items(study)
    thirds = third_of_grate(graded["distance"])
    rows = []
    for pit in study.pits["pit"]:
        group = graded[graded["pit"] == pit]
        if group.empty:
            continue
        part = thirds.loc[group.index].value_counts(normalize=True)
        row: dict[str, object] = {
            "pit": pit,
            "n_items": len(group),
            "mean_distance": float(group["distance"].mean()),
        }
        row |= {name: float(part.get(name, 0.0)) for name in ("near", "middle", "far")}
        grates = group["grate"].value_counts(normalize=True)
        row |= {f"grate: {name}": float(share) for name, share in grates.items()}
        rows.append(row)
    frame = pd.DataFrame(rows)
    grate_columns = [c for c in frame.columns if c.startswith("grate: ")]
    return frame.fillna(dict.fromkeys(grate_columns, 0.0))


def _located_items(study: Study) -> pd.DataFrame:
    """Graded items with their places; of a study that is all plan, every item."""
    if len(study.bakes) and study.bakes["status"].ne("planned").any():
        items = item_outcomes(study)
        return items[items["burned"].notna() & items["distance"].notna()]
    with_items = study.bakes["bake"].isin(study.items["bake"])
    as_if_baked = study.bakes[with_items].assign(status="kept", reason=None)
    items = item_outcomes(replace(study, bakes=as_if_baked))
    return items[items["distance"].notna()]


def third_of_grate(distance: pd.Series[float]) -> pd.Series[str]:
    """Name the third of the grate; a cell on a border belongs to the middle.

    Examples
    --------
    >>> import pandas as pd
    >>> third_of_grate(pd.Series([0.1, 1 / 3, 0.9])).tolist()
    ['near', 'middle', 'far']
    """
    # A column center such as 2/6 must not fall into "near" by rounding.
    slack = 1e-9
    names = pd.Series("middle", index=distance.index, dtype="str")
    names[distance < 1 / 3 - slack] = "near"
    names[distance > 2 / 3 + slack] = "far"
    return names


def layouts_differ(study: Study) -> bool:
    """Whether items lay at noticeably different places in different pits."""
    places = placement(study)
    if len(places) < 2:
        return False
    if _spread(places["mean_distance"]) > DISTANCE_TOLERANCE:
        return True
    grates = [c for c in places.columns if c.startswith("grate: ")]
    return any(_spread(places[column]) > GRATE_TOLERANCE for column in grates)


def _spread(values: pd.Series[float]) -> float:
    return float(values.max() - values.min())
