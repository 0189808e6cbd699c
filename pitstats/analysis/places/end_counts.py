"""Both ends of the grates, bake by bake: plain counts, nothing estimated."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.places.coverage import third_of_grate
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study


def count_ends(study: Study) -> pd.DataFrame:
    """Count graded and burned items in the near and the far third, bake by bake.

    Examples
    --------
    >>> import pitstats as ps
    >>> count_ends(ps.demo_study("one_bake_each"))["near_burned"].tolist()
    [4, 1]
    """
    items = item_outcomes(study)
    placed = items[items["burned"].notna() & items["distance"].notna()]
    third = third_of_grate(placed["distance"])
    burned = placed["burned"].astype(bool)
    counted = placed[["pit", "bake"]].assign(
        near_items=(third == "near").astype(int),
        near_burned=((third == "near") & burned).astype(int),
        far_items=(third == "far").astype(int),
        far_burned=((third == "far") & burned).astype(int),
    )
    return counted.groupby(["pit", "bake"], sort=False).sum().reset_index()
