"""What a model can be about: graded items, or bakes with their totals, as one table.

Every column of the study that may explain burning is here under its own name, with
the level at which it was recorded: the place of an item, the item, the bake, the pit.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from pitstats.errors import DesignError, some
from pitstats.study.cells import counted, listing
from pitstats.study.columns import suggestion
from pitstats.study.outcomes import bake_totals, item_outcomes
from pitstats.study.study import Study

Level = Literal["place", "item", "bake", "pit"]

PLACE_COLUMNS = ("grate", "row", "column", "distance", "across", "distance_length")

_SIZES = ("rows", "columns", "cell_length")
_RESERVED = (*_SIZES, "raw_grate", "n_items", "n_burned", "cell_weight")
_OUTCOMES = ("burned", "underbaked", "good", "missing", "rise_mm")
_BOOKKEEPING = ("code", "notes", "status", "reason", "photo", "label")
_REFUSED = {
    "bake": "the effect of the bake is in every model; leave it out of the formula.",
    "session": "a session effect enters by itself where sessions are shared between "
    "pits; leave it out of the formula.",
    **dict.fromkeys(
        (*_OUTCOMES, "grade_top", "grade_bottom", "grade_side"),
        "it is an outcome of the bake, not something that explains burning.",
    ),
    **dict.fromkeys(_RESERVED, "the name is taken; give the column another one."),
    **dict.fromkeys(_BOOKKEEPING, "it is a remark, not something measured."),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Entries:
    """Rows for a model, and what did not become a row.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row per graded item, or per bake: ``bake, pit, session, n_items,
        n_burned`` and the columns asked for. Text, numbers and yes/no as text.
    unit : {"item", "bake"}
        What one row is.
    levels : dict of str to str
        Level at which each column asked for was recorded.
    n_missing : int
        Items without a grade.
    without : dict of str to int
        For each column, graded items that were left out because it is empty there.
    """

    frame: pd.DataFrame
    unit: Literal["item", "bake"]
    levels: dict[str, Level]
    n_missing: int
    without: dict[str, int]

    @property
    def pits(self) -> list[str]:
        """Pits that have a row, in the order of the study."""
        return [str(pit) for pit in self.frame["pit"].cat.categories]


def column_levels(study: Study) -> dict[str, Level]:
    """Level of every column that a formula may use.

    Examples
    --------
    >>> import pitstats as ps
    >>> levels = column_levels(ps.demo_study("four_pits"))
    >>> levels["damper_open"], levels["distance"]
    ('bake', 'place')
    """
    levels: dict[str, Level] = {}
    for table, level in ((study.pits, "pit"), (study.bakes, "bake")):
        names = [str(name) for name in table.columns if name not in _REFUSED]
        levels |= dict.fromkeys(names, level)  # type: ignore[arg-type]
    for name in study.items.columns:
        if name in _REFUSED or (name in levels and study.items[name].isna().all()):
            continue
        levels[str(name)] = "item"
    levels |= dict.fromkeys(PLACE_COLUMNS, "place")
    levels["pit"] = "pit"
    return levels


def model_entries(study: Study, names: Collection[str]) -> Entries:
    """Rows of a study with the columns that a formula names."""
    levels = column_levels(study)
    for name in names:
        if name in _REFUSED:
            raise DesignError(f"The formula uses {name!r}: {_REFUSED[name]}")
        if name not in levels:
            known = sorted(levels)
            raise DesignError(
                f"The formula uses {name!r}, but the study has no such column. "
                f"{suggestion(name, known)}"
            )
    wanted = [name for name in dict.fromkeys(names) if name != "pit"]
    by_item = any(levels[name] in ("place", "item") for name in wanted)
    rows, n_missing = _item_rows(study, wanted) if by_item else _bake_rows(study)
    frame = _with_columns(study, rows, wanted)
    frame, without = _recorded(frame, wanted)
    frame["pit"] = pd.Categorical(
        frame["pit"], [p for p in study.pits["pit"] if p in set(frame["pit"])]
    )
    return Entries(
        frame=frame.reset_index(drop=True),
        unit="item" if by_item else "bake",
        levels={name: levels[name] for name in wanted},
        n_missing=n_missing,
        without=without,
    )


def _item_rows(study: Study, names: list[str]) -> tuple[pd.DataFrame, int]:
    """Graded items with their places; refuses bakes without items."""
    totals = bake_totals(study)
    placeless = totals[(totals["source"] == "counts") & (totals["n_items"] > 0)]
    if len(placeless):
        listed = some(placeless["bake"].astype(str))
        bakes = counted(len(placeless), "bake")
        remedy = (
            "Record items with their places in the table items next time; until then "
            "the comparison from counts stands."
            if len(placeless) == (totals["n_items"] > 0).sum()
            else "The comparison from counts takes in every bake; one over the same "
            "places needs their items with places in the table items, or bakes of "
            "which only totals are known set to excluded."
        )
        raise DesignError(
            f"Only totals were kept of {bakes} ({listed}), and totals carry no "
            f"{listing(names)}. {remedy}"
        )
    items = item_outcomes(study)
    graded = items[items["burned"].notna()].copy()
    if graded.empty:
        raise DesignError(
            "No kept bake has graded items with places. Fill in the table items first."
        )
    graded["n_items"] = 1
    graded["n_burned"] = graded["burned"].astype(int)
    return with_grates(study, graded), len(items) - len(graded)


def with_grates(study: Study, items: pd.DataFrame) -> pd.DataFrame:
    """Items with the size of their grate, and grates under comparable names."""
    names = ["rows", "columns", "cell_length"]
    sizes = study.grates.set_index(["pit", "grate"])[names]
    where = pd.MultiIndex.from_frame(items[["pit", "grate"]])
    items = items.assign(raw_grate=items["grate"])
    for name in names:
        items[name] = sizes[name].reindex(where).to_numpy(float, na_value=np.nan)
    ranks = _grate_ranks(study, items)
    if ranks is not None:
        items["grate"] = pd.Series(
            [ranks.get(place) for place in where], index=items.index, dtype="str"
        )
    return items


def _grate_ranks(
    study: Study, items: pd.DataFrame
) -> dict[tuple[str, str], str] | None:
    """Names by place from below, or None if some name is used in all pits."""
    used = items[["pit", "grate"]].dropna().drop_duplicates()
    n_pits = used["pit"].nunique()
    if n_pits < 2 or (used.groupby("grate")["pit"].nunique() == n_pits).any():
        return None
    ranks = {}
    for pit, own in study.grates.groupby("pit", sort=False):
        levels = own["level"]
        order = levels.argsort() if levels.notna().all() else np.arange(len(own))
        for rank, grate in enumerate(own["grate"].iloc[order], 1):
            ranks[str(pit), str(grate)] = f"grate {rank} from below"
    return ranks


def _bake_rows(study: Study) -> tuple[pd.DataFrame, int]:
    totals = bake_totals(study)
    graded = totals[totals["n_items"] > 0]
    if graded.empty:
        raise DesignError(
            "No kept bake has graded items. Fill in the table items or counts first."
        )
    n_missing = int(totals["n_missing"].sum())
    return graded.astype({"n_burned": "int64"}), n_missing


def _with_columns(study: Study, rows: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Rows with the columns wanted, as plain numbers or text."""
    kept = ["bake", "pit", "session", "n_items", "n_burned"]
    kept += [n for n in (*PLACE_COLUMNS, *_SIZES) if n in rows.columns]
    frame = rows[kept].copy()
    for name in names:
        if name in PLACE_COLUMNS:
            continue
        values = _plain(rows[name]) if name in study.items and name in rows else None
        for table, key in ((study.bakes, "bake"), (study.pits, "pit")):
            if name not in table.columns:
                continue
            coarse = _plain(table.set_index(key)[name].reindex(rows[key]))
            coarse = coarse.set_axis(rows.index)
            values = coarse if values is None else values.fillna(coarse)
        frame[name] = values
    for name in (*PLACE_COLUMNS, *_SIZES):
        if name in frame.columns:
            frame[name] = _plain(frame[name])
    return frame


def _plain(values: pd.Series) -> pd.Series:
    """Return numbers as floats, yes/no as words, text as it is."""
    if pd.api.types.is_bool_dtype(values.dtype):
        words: pd.Series = values.map({True: "yes", False: "no"}).astype("str")
        return words
    if pd.api.types.is_numeric_dtype(values.dtype):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        return pd.Series(numbers, index=values.index)
    return values


def _recorded(
    frame: pd.DataFrame, names: list[str]
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Rows in which every column is recorded, and what the others lacked."""
    without = {}
    known = pd.Series(True, index=frame.index)
    for name in names:
        empty = frame[name].isna()
        if empty.all() and name in PLACE_COLUMNS:
            raise DesignError(
                "No graded item has a place on the grate: fill in row and column of "
                "every item next time."
            )
        if empty.all():
            raise DesignError(
                f"The formula uses {name!r}, but nothing is recorded in that column. "
                "Fill it in, or leave it out of the formula."
            )
        if empty.any():
            without[name] = int(frame.loc[empty, "n_items"].sum())
        known &= ~empty
    if not known.any():
        raise DesignError(
            f"No graded item has all of {listing(names)} recorded. Fill in the gaps, "
            "or use fewer columns."
        )
    return frame[known].copy(), without
