"""Outcomes of items and totals of bakes: what every estimate starts from.

Only kept bakes are here. Planned and excluded bakes never enter a total.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.study.grading import deciding_code, face_codes, palest_code
from pitstats.study.schema import GRADE_COLUMNS

if TYPE_CHECKING:
    from pitstats.study.study import Study

NOT_RECORDED = "not recorded"


def _kept_for_next(
    compute: Callable[[Study], pd.DataFrame],
) -> Callable[[Study], pd.DataFrame]:
    """Remember the last result: the sections of a report ask for it dozens of times.

    Studies are compared by content, which is quick, so that a table that was changed in
    place is never answered from memory.
    """
    last: tuple[Study, pd.DataFrame] | None = None

    @wraps(compute)
    def ask(study: Study) -> pd.DataFrame:
        nonlocal last
        found = last
        if found is None or found[0] != study:
            # Pandas copies a shallow copy as soon as either side is written to.
            tables = {name: t.copy(deep=False) for name, t in study.tables.items()}
            snapshot = study.from_checked(study.settings, tables, ())
            found = last = (snapshot, compute(study))
        return found[1].copy(deep=False)

    return ask


def regrades_undone(study: Study) -> tuple[int, int]:
    """Second gradings without a grade, and all that are due: of bakes that were kept.

    A layout draws the items that are to be graded again and leaves their grades empty.
    """
    again = study.regrades
    if again.empty:
        return 0, 0
    kept = study.kept["bake"]
    named = study.items.dropna(subset=["code"]).drop_duplicates("code")
    bake = again["bake"].fillna(again["code"].map(named.set_index("code")["bake"]))
    due = again[bake.isin(kept)]
    graded = due[[*GRADE_COLUMNS]].notna().any(axis=1)
    return int((~graded).sum()), len(due)


@_kept_for_next
def item_outcomes(study: Study) -> pd.DataFrame:
    """Outcome and place of every item of the kept bakes.

    Notes
    -----
    The deciding face is the one that the settings state: the darkest recorded, or the
    top, bottom or side. An item is under-baked if its palest recorded face is at
    ``raw_to`` or paler, and good if every recorded face is a target grade. An item with
    a reason in ``missing`` is missing whatever else is recorded. With a burned mark and
    no grade it is unknown whether the item was under-baked or good.
    """
    bakes = study.kept.set_index("bake")
    items = study.items[study.items["bake"].isin(bakes.index)].reset_index(drop=True)
    places = _places(study, items, items["bake"].map(bakes["pit"]))
    outcomes = _outcomes(study, items)
    added = {
        "bake": {
            name: items["bake"].map(bakes[name]).astype("str")
            for name in ("pit", "session")
        },
        "column": {
            name: places[name] for name in ("distance", "across", "distance_length")
        },
        "burned": {name: outcomes[name] for name in ("underbaked", "good")},
    }
    columns: dict[str, pd.Series] = {}
    for name in items.columns:
        columns.setdefault(str(name), items[name])
        if name in ("burned", "missing"):
            columns[name] = outcomes[name]
        columns |= added.get(str(name), {})
    return pd.DataFrame(columns)


def _places(study: Study, items: pd.DataFrame, pit: pd.Series) -> pd.DataFrame:
    """Place of each item on its grate, as shares and in length units."""
    grates = study.grates.set_index(["pit", "grate"])
    where = pd.MultiIndex.from_arrays([pit, items["grate"]])
    size = grates[["rows", "columns", "cell_length"]].reindex(where)
    rows, columns, length = (
        size[name].to_numpy(dtype=float, na_value=np.nan) for name in size
    )
    row = items["row"].to_numpy(dtype=float, na_value=np.nan)
    column = items["column"].to_numpy(dtype=float, na_value=np.nan)
    return pd.DataFrame(
        {
            "distance": (column - 0.5) / columns,
            "across": (row - 0.5) / rows,
            "distance_length": (column - 0.5) * length,
        },
        index=items.index,
    )


def _outcomes(study: Study, items: pd.DataFrame) -> pd.DataFrame:
    """Burned, underbaked and good of each item, and why it is missing."""
    settings = study.settings
    codes = face_codes(items, settings)
    deciding, palest = deciding_code(codes, settings), palest_code(codes)
    mark = items["burned"].to_numpy(dtype=float, na_value=np.nan)
    graded = np.where(np.isnan(deciding), np.nan, deciding >= settings.burned_code)
    burned = np.where(np.isnan(graded), mark, graded)
    burned[items["missing"].notna().to_numpy()] = np.nan
    lost = np.isnan(burned)
    unknown = lost | np.isnan(palest)
    target = [settings.grades.index(name) for name in settings.target_grades]
    good = (np.isnan(codes) | np.isin(codes, target)).all(axis=1)
    reason = _reasons(study, items, palest)
    return pd.DataFrame(
        {
            "burned": burned,
            "underbaked": np.where(unknown, np.nan, palest <= settings.raw_code),
            "good": np.where(unknown, np.nan, good),
            "missing": reason.where(lost).astype("str"),
        },
        index=items.index,
    )


def _reasons(study: Study, items: pd.DataFrame, palest: np.ndarray) -> pd.Series:
    """Recorded reason, or why the deciding face gives no outcome."""
    fallback = np.where(
        np.isnan(palest), NOT_RECORDED, f"{study.settings.face} not graded"
    )
    return items["missing"].fillna(pd.Series(fallback, index=items.index, dtype="str"))


@_kept_for_next
def bake_totals(study: Study) -> pd.DataFrame:
    """Totals of every kept bake, whether items or only counts were recorded."""
    kept = study.kept[["bake", "pit", "session", "order"]].reset_index(drop=True)
    totals = pd.concat([_item_totals(study), _count_totals(study)], ignore_index=True)
    out = kept.merge(totals, on="bake", how="left")
    whole = ["n_placed", "n_items", "n_burned", "n_missing"]
    return out.astype(dict.fromkeys(whole, "int64"))


def graded_bakes(study: Study) -> pd.DataFrame:
    """Totals of the kept bakes in which at least one item was graded."""
    totals = bake_totals(study)
    return totals[totals["n_items"] > 0]


def _item_totals(study: Study) -> pd.DataFrame:
    items = item_outcomes(study)
    graded = items[items["burned"].notna()]
    by_bake = items.groupby("bake", sort=False)
    totals = pd.DataFrame(
        {
            "source": "items",
            "n_placed": by_bake.size(),
            "n_items": by_bake["burned"].count(),
            "n_burned": by_bake["burned"].sum(),
            "n_raw": _sum_if_known(graded, "underbaked"),
            "n_good": _sum_if_known(graded, "good"),
        }
    )
    totals["n_missing"] = totals["n_placed"] - totals["n_items"]
    none = totals["n_items"] == 0
    totals.loc[none, ["n_raw", "n_good"]] = 0.0
    return totals.rename_axis("bake").reset_index()


def _sum_if_known(graded: pd.DataFrame, name: str) -> pd.Series:
    """Sum per bake, NaN if it is unknown for any graded item."""
    by_bake = graded.groupby("bake", sort=False)[name]
    return by_bake.sum().where(by_bake.count() == by_bake.size())


def _count_totals(study: Study) -> pd.DataFrame:
    counts = study.counts
    return pd.DataFrame(
        {
            "bake": counts["bake"],
            "source": pd.Series("counts", index=counts.index, dtype="str"),
            "n_placed": counts["n_items"].astype("int64"),
            "n_items": counts["n_items"].astype("int64"),
            "n_burned": counts["n_burned"].astype("float64"),
            "n_raw": counts["n_raw"].to_numpy(dtype=float, na_value=np.nan),
            "n_good": np.nan,
            "n_missing": 0,
        }
    )
