"""Where on the grate do items burn? Plain counts per cell, nothing smoothed."""

from __future__ import annotations

import pandas as pd

from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study


def map_cells(study: Study) -> pd.DataFrame:
    """Count burned, graded and missing items in every cell of every grate.

    Parameters
    ----------
    study : Study
        A valid study.

    Returns
    -------
    pandas.DataFrame
        One row per cell of every grate of every pit with item-level bakes: ``pit,
        grate, level, row, column, n_items`` (graded, over bakes), ``n_burned,
        n_missing, share`` (NaN where nothing was graded). Cells without any item are
        rows too, so that a map shows them as not tested.

    Examples
    --------
    >>> import pitstats as ps
    >>> cells = map_cells(ps.demo_study("one_bake_each"))
    >>> int(cells["n_items"].sum() + cells["n_missing"].sum())
    34
    """
    items = item_outcomes(study)
    keys = ["pit", "grate", "row", "column"]
    located = items[items["row"].notna() & items["column"].notna()]
    counts = (
        located.assign(
            n_items=located["burned"].notna().astype(int),
            n_burned=(located["burned"] == 1).astype(int),
            n_missing=located["burned"].isna().astype(int),
        )
        .groupby(keys, sort=False)[["n_items", "n_burned", "n_missing"]]
        .sum()
    )
    used = set(located["pit"])
    grates = study.grates[study.grates["pit"].isin(used)]
    frames = [
        pd.DataFrame(
            [
                (grate["pit"], grate["grate"], grate["level"], row, column)
                for row in range(1, int(grate["rows"]) + 1)
                for column in range(1, int(grate["columns"]) + 1)
            ],
            columns=["pit", "grate", "level", "row", "column"],
        )
        for grate in grates.to_dict("records")
    ]
    number = ["n_items", "n_burned", "n_missing"]
    if not frames:
        return pd.DataFrame(columns=[*keys[:2], "level", *keys[2:], *number, "share"])
    cells = pd.concat(frames, ignore_index=True)
    cells = cells.merge(counts.reset_index(), how="left", on=keys)
    cells[number] = cells[number].fillna(0).astype(int)
    cells["share"] = cells["n_burned"] / cells["n_items"].where(cells["n_items"] > 0)
    return cells
