"""Second gradings joined with the first: which item, which faces, what changed."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.study.grading import face_codes
from pitstats.study.outcomes import item_outcomes
from pitstats.study.schema import GRADE_COLUMNS, PLACE_COLUMNS
from pitstats.study.study import Study

UNNAMED = "grader not named"


@dataclass(frozen=True, kw_only=True, eq=False)
class Regrading:
    """Items graded again, one row per item and second grader.

    Attributes
    ----------
    pairs : pandas.DataFrame
        ``item`` (row of `item_outcomes`), ``bake, pit, distance, first_grader,
        regrader``.
    first, second : ndarray of float, shape (rows, 3)
        Grades of top, bottom and side by the first and by the second grader, 0 for the
        palest; NaN where a face was not graded.
    n_empty : int
        Rows of the second gradings without a grade.
    n_not_kept : int
        Second gradings of items of bakes that are not kept.
    n_missing : int
        Second gradings of items that are missing by the record.
    n_repeated : int
        Further gradings of an item by a grader who had graded it again already.
    """

    pairs: pd.DataFrame
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    n_empty: int
    n_not_kept: int
    n_missing: int
    n_repeated: int

    @property
    def graders(self) -> list[str]:
        """Second graders in order of first appearance."""
        return [str(name) for name in self.pairs["regrader"].drop_duplicates()]

    def of(self, grader: str) -> NDArray[np.bool_]:
        """Rows of one second grader."""
        return (self.pairs["regrader"] == grader).to_numpy(dtype=bool)

    def shared(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Grades of both graders over the faces that both recorded."""
        both = ~np.isnan(self.first) & ~np.isnan(self.second)
        return (
            np.where(both, self.first, np.nan),
            np.where(both, self.second, np.nan),
        )


def join_regrades(study: Study) -> Regrading:
    """Join second gradings with the first, by code or by place."""
    regrades = study.regrades
    graded = regrades[[*GRADE_COLUMNS]].notna().any(axis=1)
    rows = regrades[graded]
    position = _positions(study, rows)
    kept = study.items["bake"].isin(study.kept["bake"]).to_numpy(dtype=bool)
    is_kept, is_lost = (
        values[position] if len(position) else np.empty(0, dtype=bool)
        for values in (kept, study.items["missing"].notna().to_numpy(dtype=bool))
    )
    used = is_kept & ~is_lost
    name = rows["grader"].fillna(UNNAMED).astype("str").to_numpy(dtype=object)
    frame = pd.DataFrame({"position": position[used], "regrader": name[used]})
    again = frame.duplicated().to_numpy(dtype=bool)
    frame = frame[~again]
    codes = face_codes(rows, study.settings)[used][~again]
    return _with_items(
        study,
        frame,
        kept,
        codes,
        counts={
            "n_empty": int((~graded).sum()),
            "n_not_kept": int((~is_kept).sum()),
            "n_missing": int((is_kept & is_lost).sum()),
            "n_repeated": int(again.sum()),
        },
    )


def _with_items(
    study: Study,
    frame: pd.DataFrame,
    kept: NDArray[np.bool_],
    codes: NDArray[np.float64],
    counts: Mapping[str, int],
) -> Regrading:
    outcomes = item_outcomes(study)
    item = (np.cumsum(kept) - 1)[frame["position"].to_numpy(dtype=np.intp)]
    own = outcomes.iloc[item].reset_index(drop=True)
    of_bake = study.bakes.set_index("bake")["grader"]
    first_grader = own["grader"].fillna(own["bake"].map(of_bake)).fillna(UNNAMED)
    pairs = pd.DataFrame(
        {
            "item": item,
            "bake": own["bake"],
            "pit": own["pit"],
            "distance": own["distance"],
            "first_grader": first_grader,
            "regrader": frame["regrader"].to_numpy(dtype=object),
        }
    )
    return Regrading(
        pairs=pairs,
        first=face_codes(own, study.settings),
        second=codes,
        **counts,
    )


def _positions(study: Study, rows: pd.DataFrame) -> NDArray[np.intp]:
    """Row of ``study.items`` that each second grading is about."""
    places: dict[tuple[Any, ...], int] = {}
    codes: dict[tuple[Any, Any], int] = {}
    for i, item in enumerate(study.items[["code", *PLACE_COLUMNS]].to_dict("records")):
        places[tuple(item[name] for name in PLACE_COLUMNS)] = i
        codes[item["code"], item["bake"]] = i
        codes.setdefault((item["code"], None), i)
    found = [
        _position(row, places, codes)
        for row in rows[["code", *PLACE_COLUMNS]].to_dict("records")
    ]
    return np.array(found, dtype=np.intp)


def _position(
    row: Mapping[Hashable, Any],
    places: Mapping[tuple[Any, ...], int],
    codes: Mapping[tuple[Any, Any], int],
) -> int:
    place = tuple(row[name] for name in PLACE_COLUMNS)
    if not any(pd.isna(value) for value in place):
        return places[place]
    return codes[row["code"], None if pd.isna(row["bake"]) else row["bake"]]


def merged_codes(
    codes: NDArray[np.float64],
    regrading: Regrading,
    item: NDArray[np.intp],
    rows: NDArray[np.bool_] | None = None,
    *,
    take: str = "second",
) -> NDArray[np.float64]:
    """Grades of all items with those of second graders put in."""
    merged = codes.copy()
    use = item >= 0 if rows is None else rows & (item >= 0)
    choose = {"darkest": np.fmax, "palest": np.fmin}
    for i, again in zip(item[use], regrading.second[use], strict=True):
        if take == "second":
            merged[i] = np.where(np.isnan(again), merged[i], again)
        else:
            merged[i] = choose[take](merged[i], again)
    return merged
