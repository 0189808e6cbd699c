"""Where on the grate? Plain counts and means per cell, nothing smoothed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import pandas as pd

from pitstats.analysis.places.faces import graded_faces
from pitstats.errors import DesignError
from pitstats.study.grading import deciding_code
from pitstats.study.outcomes import item_outcomes
from pitstats.study.schema import CELL, FACES
from pitstats.study.study import Study

MapValue = Literal["burned", "grade", "rise"]
Face = Literal["top", "bottom", "side"]


def map_cells(
    study: Study,
    value: MapValue = "burned",
    *,
    by_bake: bool = False,
    face: Face | None = None,
) -> pd.DataFrame:
    """Sum up the items of every cell of every grate.

    Parameters
    ----------
    study : Study
        A valid study; only kept bakes count.
    value : {"burned", "grade", "rise"}, default "burned"
        What to show of each cell.
    by_bake : bool, default False
        Whether every bake gets a map of its own; else bakes are taken together.
    face : {"top", "bottom", "side"}, optional
        Grades of this face alone; by default those of the face that decides.

    Returns
    -------
    pandas.DataFrame
        One row per cell of every grate of every pit (and bake) with items on known
        places: ``bake`` (if asked for), ``pit, grate, level, row, column, n_items,
        n_missing`` and

        - burned: ``n_burned, share`` of the graded items;
        - grade: ``grade``, the darkest that at least half of the items of the cell
          reached, ``darkest``, and ``code``, its number in the study's scale;
        - rise: ``rise_mm``, the mean of the measured items.

        ``n_items`` counts the items that have what is asked for, ``n_missing`` the
        others. Cells without any item are rows too, so that a map shows them as not
        tested.

    Raises
    ------
    DesignError
        If ``value`` or ``face`` is not one of those allowed.

    Notes
    -----
    Grades are ordered names, so they are never averaged.

    Examples
    --------
    >>> import pitstats as ps
    >>> cells = map_cells(ps.demo_study("one_bake_each"))
    >>> int(cells["n_items"].sum() + cells["n_missing"].sum())
    34
    >>> map_cells(ps.demo_study("one_bake_each"), "grade").loc[0, "grade"]
    'burned'
    """
    if value not in _SUMMARIES:
        raise DesignError(f"value {value!r} is not one of {', '.join(_SUMMARIES)}.")
    if face is not None and face not in FACES:
        raise DesignError(f"face {face!r} is not one of {', '.join(FACES)}.")
    items = item_outcomes(study)
    items = items[items["row"].notna() & items["column"].notna()]
    items = items.assign(number=_numbers(study, items, value, face))
    summary, columns = _SUMMARIES[value]
    keys = ["bake", *CELL] if by_bake else CELL
    groups = items.groupby(keys, sort=False)["number"]
    counts = pd.DataFrame(
        {"n_items": groups.count(), "n_missing": groups.size() - groups.count()}
    )
    found = counts.join(summary(study, items.dropna(subset="number"), keys))
    cells = _every_cell(study, items, by_bake)
    if cells.empty:
        return cells.reindex(columns=[*cells.columns, *counts.columns, *columns])
    cells = cells.merge(found.reset_index(), how="left", on=keys)
    whole = [name for name in cells.columns if name.startswith("n_")]
    cells[whole] = cells[whole].fillna(0).astype(int)
    return cells


def _numbers(
    study: Study, items: pd.DataFrame, value: MapValue, face: Face | None
) -> np.ndarray:
    """What is summed up, one number per item; NaN where it was not recorded."""
    if value == "rise":
        rise = items["rise_mm"].to_numpy(dtype=float, na_value=np.nan)
        return np.asarray(rise)
    if value == "burned" and face is None:
        return items["burned"].to_numpy(dtype=float, na_value=np.nan)
    codes = graded_faces(study, items)
    if face is None:
        code = deciding_code(codes, study.settings)
    else:
        code = codes[:, FACES.index(face)]
    if value == "grade":
        return code
    return np.where(np.isnan(code), np.nan, code >= study.settings.burned_code)


def _burned(study: Study, items: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    groups = items.groupby(keys, sort=False)["number"]
    return pd.DataFrame({"n_burned": groups.sum(), "share": groups.mean()})


def _grades(study: Study, items: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    groups = items.groupby(keys, sort=False)["number"]
    # Of an even number the darker of the two in the middle: half reached it.
    typical = groups.quantile(0.5, interpolation="higher")
    names = dict(enumerate(study.settings.grades))
    return pd.DataFrame(
        {
            "grade": typical.map(names).astype("str"),
            "darkest": groups.max().map(names).astype("str"),
            "code": typical,
        }
    )


def _rise(study: Study, items: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    return pd.DataFrame({"rise_mm": items.groupby(keys, sort=False)["number"].mean()})


_Summary = Callable[[Study, pd.DataFrame, list[str]], pd.DataFrame]
_SUMMARIES: dict[str, tuple[_Summary, list[str]]] = {
    "burned": (_burned, ["n_burned", "share"]),
    "grade": (_grades, ["grade", "darkest", "code"]),
    "rise": (_rise, ["rise_mm"]),
}


def _every_cell(study: Study, placed: pd.DataFrame, by_bake: bool) -> pd.DataFrame:
    """All cells of the pits, or of the bakes, that have items on known places."""
    grates = study.grates[study.grates["pit"].isin(set(placed["pit"]))]
    grates = grates.dropna(subset=["rows", "columns"])
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
    none = pd.DataFrame(columns=["pit", "grate", "level", "row", "column"])
    cells = pd.concat(frames, ignore_index=True) if frames else none
    if not by_bake:
        return cells
    bakes = study.bakes.loc[study.bakes["bake"].isin(placed["bake"]), ["bake", "pit"]]
    by_pit = bakes.merge(cells, on="pit")
    return by_pit[["bake", *cells.columns]]


def map_temperatures(
    study: Study, readings: pd.DataFrame, *, by_bake: bool = False
) -> pd.DataFrame:
    """Put mean temperatures of cells onto the grates.

    Parameters
    ----------
    study : Study
        A valid study.
    readings : pandas.DataFrame
        ``bake, pit, grate, row, column, temp``: one mean per bake and cell, as
        `summarize_probes` gives it in ``cells``. Rows without a place are left out.
    by_bake : bool, default False
        Whether every bake gets a map of its own; else the mean over bakes is taken,
        every bake weighing the same.

    Returns
    -------
    pandas.DataFrame
        As `map_cells`, with ``n_bakes`` (bakes with a probe in the cell) and ``temp``,
        NaN where none was.

    Examples
    --------
    >>> import pandas as pd
    >>> import pitstats as ps
    >>> readings = pd.DataFrame({"bake": ["Quarry-1"], "pit": ["Quarry"],
    ...     "grate": ["main"], "row": [1], "column": [2], "temp": [331.5]})
    >>> cells = map_temperatures(ps.demo_study("one_bake_each"), readings)
    >>> int(cells["temp"].count()), len(cells)
    (1, 18)
    """
    placed = readings.dropna(subset=["grate", "row", "column", "temp"])
    placed = placed.astype({"row": int, "column": int})
    cells = _every_cell(study, placed, by_bake)
    keys = ["bake", *CELL] if by_bake else CELL
    own = placed.groupby(["bake", *CELL], sort=False)["temp"].mean().reset_index()
    groups = own.groupby(keys, sort=False)["temp"]
    found = pd.DataFrame({"n_bakes": groups.count(), "temp": groups.mean()})
    if cells.empty:
        return cells.assign(n_bakes=0, temp=np.nan)
    cells = cells.merge(found.reset_index(), how="left", on=keys)
    cells["n_bakes"] = cells["n_bakes"].fillna(0).astype(int)
    return cells
