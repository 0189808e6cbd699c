"""Is every cell near the set point? After the pattern of published surveys."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from pitstats.analysis.heat.temperatures import cell_means, lost_bakes
from pitstats.analysis.results import FrameResult
from pitstats.errors import ArgumentError, DesignError
from pitstats.study.study import Study

PATTERN = "temperature uniformity surveys of heat-treating furnaces (AMS 2750)"
ESTIMAND = "whether each measured cell stayed within the set point plus or minus {}"
METHOD = (
    "measured after the pattern of {pattern}: every sensor within the set point plus "
    "or minus a tolerance while the pit holds; {basis}; no statement about any standard"
)
_BASIS = {
    "readings": "lowest and highest reading of each cell in the bake window",
    "means": "mean of each cell over the bake window",
}

NO_SET_POINT = (
    "{bakes}: no target temperature is recorded, so the middle of these bakes is taken "
    "as their set point."
)
UNPROBED = (
    "{pit}: {n} of {total} cells had no probe in any bake; nothing is known there."
)
FEW_SENSORS = (
    "{pit} was surveyed with at most {n} probes at a time; the published method uses "
    "five or nine, at the corners and the center of the space in use."
)
MEANS_ONLY = (
    "Only means over the bake are known, which hide the swing of the fire; single "
    "readings may have left the band."
)
NOTHING = "{bake}: no cell has a usable reading."


class SurveyClass(NamedTuple):
    """A named tolerance around the set point, in degrees of either scale.

    Attributes
    ----------
    name : str
        As it is published.
    fahrenheit, celsius : float
        Degrees allowed on either side; published for each scale, not converted.

    Examples
    --------
    >>> [survey_class.tolerance("C") for survey_class in SURVEY_CLASSES]
    [3, 6, 8, 10, 14, 28]
    """

    name: str
    fahrenheit: float
    celsius: float

    def tolerance(self, unit: str) -> float:
        """Degrees allowed on either side of the set point."""
        return self.fahrenheit if unit == "F" else self.celsius


SURVEY_CLASSES = (
    SurveyClass("class 1", 5, 3),
    SurveyClass("class 2", 10, 6),
    SurveyClass("class 3", 15, 8),
    SurveyClass("class 4", 20, 10),
    SurveyClass("class 5", 25, 14),
    SurveyClass("class 6", 50, 28),
)
"""Tolerances of the published classes, narrowest first."""

_NONE = "none"


@dataclass(frozen=True, kw_only=True, eq=False)
class UniformitySurvey(FrameResult):
    """Cells within and outside the tolerance, bake by bake.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per bake: ``pit, bake, set_point, n_cells, n_probed, n_within, lowest,
        highest, worst`` (farthest from the set point, signed), ``class_met``
        (narrowest class that every probed cell kept; "none") and ``within`` (whether
        every probed cell kept the tolerance).
    cells : pandas.DataFrame
        One row per bake and cell of its pit, probed or not: ``pit, bake, grate, row,
        column, state`` ("within", "below", "above", "below and above", "no probe"),
        ``low, high`` (what was compared) and ``deviation``.
    pits : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_bakes_within, n_cells, n_probed,
        n_always_within, class_met`` (the widest class of its bakes).
    tolerance : float
        Degrees of the study on either side of the set point.
    tolerance_name : str
        The class, or "own".
    basis : {"readings", "means"}
        What was compared.
    unit : str
        "F" or "C".
    """

    table: pd.DataFrame
    cells: pd.DataFrame
    pits: pd.DataFrame = field(repr=False)
    tolerance: float
    tolerance_name: str
    basis: Literal["readings", "means"]
    unit: str
    estimand: str
    method: str
    caveats: tuple[str, ...]


def survey_uniformity(
    study: Study,
    *,
    cells: pd.DataFrame | None = None,
    survey_class: int = 5,
    tolerance: float | None = None,
    set_point: float | None = None,
) -> UniformitySurvey:
    """Survey whether every probed cell stayed near the set point.

    Parameters
    ----------
    study : Study
        A valid study.
    cells : pandas.DataFrame, optional
        Mean temperature of each cell in each bake, as for
        `estimate_cell_temperatures`; with ``min`` and ``max`` the readings themselves
        are compared. From the study's probes when not given.
    survey_class : int, default 5
        Named tolerance, 1 (narrowest, 5 °F or 3 °C) to 6 (50 °F or 28 °C).
    tolerance : float, optional
        Degrees of the study on either side of the set point, in place of a class.
    set_point : float, optional
        Set point of all bakes; each bake's ``target_temp`` when not given, or the
        middle of its cell means where none is recorded.

    Returns
    -------
    UniformitySurvey

    Raises
    ------
    DesignError
        If there is no cell temperature, or a setting cannot be meant.

    Notes
    -----
    Measured after the pattern of a published survey method [1]_, which was made for
    furnaces: it borrows the idea and the classes and claims nothing more. A bake is a
    fact, not a sample: what the next bake does is shown by several bakes only.

    References
    ----------
    .. [1] AMS 2750, Pyrometry: temperature uniformity survey, classes 1 to 6.

    Examples
    --------
    >>> import pitstats as ps
    >>> survey = ps.survey_uniformity(ps.demo_study("probed_pits"), survey_class=5)
    >>> survey.pits[["pit", "n_bakes", "n_bakes_within", "class_met"]]
          pit  n_bakes  n_bakes_within class_met
    0  Quarry        4               0      none
    1   Ferry        4               3   class 6
    """
    unit = study.settings.temperature_unit or "F"
    allowed, name = _tolerance(survey_class, tolerance, unit)
    given = cell_means(study, cells)
    kept = study.kept.set_index("bake")
    frame = given[given["bake"].isin(kept.index)].copy()
    frame = frame[frame[["grate", "row", "column"]].notna().all(axis=1)]
    both = {"min", "max"} <= set(frame.columns)
    basis: Literal["readings", "means"] = "readings" if both else "means"
    frame["low"] = frame["min" if both else "temp"].astype(float)
    frame["high"] = frame["max" if both else "temp"].astype(float)
    # A cell whose mean cannot be used says nothing, whatever it read at times.
    usable = frame[frame[["temp", "low", "high"]].notna().all(axis=1)]
    if usable.empty:
        raise DesignError(
            "No kept bake has a usable temperature at a known place, so there is "
            "nothing to survey."
        )
    points, guessed = _set_points(usable, kept, set_point)
    places = _all_cells(study, frame, kept["pit"])
    states = _states(places, usable, points, allowed)
    table = _bake_table(states, points, unit)
    pits = _pit_table(states, table)
    notes = [NO_SET_POINT.format(bakes=", ".join(guessed))] if guessed else []
    notes += [MEANS_ONLY] if basis == "means" else []
    notes += [*_about_pits(pits, table), *lost_bakes(study, given, usable)]
    degrees = f"{allowed:g} °{unit}"
    return UniformitySurvey(
        table=table,
        cells=states,
        pits=pits,
        tolerance=allowed,
        tolerance_name=name,
        basis=basis,
        unit=unit,
        estimand=ESTIMAND.format(degrees),
        method=METHOD.format(pattern=PATTERN, basis=_BASIS[basis]),
        caveats=tuple(notes),
    )


def _tolerance(
    survey_class: int, tolerance: float | None, unit: str
) -> tuple[float, str]:
    if tolerance is not None:
        if not tolerance > 0:
            raise ArgumentError(
                f"tolerance is {tolerance:g}; it must be above 0 degrees."
            )
        return float(tolerance), "own"
    if survey_class not in range(1, 1 + len(SURVEY_CLASSES)):
        raise ArgumentError(
            f"survey_class is {survey_class!r}; the classes are 1 (narrowest) to "
            f"{len(SURVEY_CLASSES)}."
        )
    chosen = SURVEY_CLASSES[survey_class - 1]
    return chosen.tolerance(unit), chosen.name


def _set_points(
    usable: pd.DataFrame, kept: pd.DataFrame, set_point: float | None
) -> tuple[pd.Series[float], list[str]]:
    """Set point of every bake, and the bakes whose own middle had to do."""
    bakes = pd.Index(usable["bake"].unique(), name="bake")
    if set_point is not None:
        return pd.Series(float(set_point), index=bakes), []
    target = kept["target_temp"].reindex(bakes).astype(float)
    middle = usable.groupby("bake")["temp"].mean().reindex(bakes)
    return target.fillna(middle), [str(b) for b in bakes[target.isna()]]


def _all_cells(
    study: Study, frame: pd.DataFrame, pit_of: pd.Series[str]
) -> pd.DataFrame:
    """Every cell of the grates of every surveyed bake, whether probed or not."""
    rows = []
    grates = study.grates.dropna(subset=["rows", "columns"])
    for bake in dict.fromkeys(frame["bake"]):
        pit = pit_of[bake]
        own = grates[grates["pit"] == pit]
        for grate, n_rows, n_columns in zip(
            own["grate"], own["rows"], own["columns"], strict=True
        ):
            for row in range(1, int(n_rows) + 1):
                rows += [
                    (pit, bake, grate, row, column)
                    for column in range(1, int(n_columns) + 1)
                ]
    return pd.DataFrame(rows, columns=["pit", "bake", "grate", "row", "column"])


def _states(
    places: pd.DataFrame,
    usable: pd.DataFrame,
    points: pd.Series[float],
    allowed: float,
) -> pd.DataFrame:
    keys = ["bake", "grate", "row", "column"]
    readings = usable[[*keys, "low", "high"]].astype({"row": int, "column": int})
    readings = readings.groupby(keys, as_index=False).agg({"low": "min", "high": "max"})
    states = places.merge(readings, on=keys, how="left")
    point = states["bake"].map(points).to_numpy(dtype=float)
    low = states["low"].to_numpy(dtype=float) - point
    high = states["high"].to_numpy(dtype=float) - point
    # Readings carry one or two decimals; a limit reached exactly is kept.
    slack = 1e-9 * np.maximum(1.0, np.abs(point))
    below, above = low < -allowed - slack, high > allowed + slack
    states["state"] = np.select(
        [np.isnan(low), below & above, below, above],
        ["no probe", "below and above", "below", "above"],
        "within",
    )
    states["deviation"] = np.where(np.abs(low) > np.abs(high), low, high)
    return states


def _bake_table(
    states: pd.DataFrame, points: pd.Series[float], unit: str
) -> pd.DataFrame:
    rows = []
    for bake, own in states.groupby("bake", sort=False):
        probed = own[own["state"] != "no probe"]
        row = {
            "pit": own["pit"].iloc[0],
            "bake": bake,
            "set_point": points.get(bake, np.nan),
            "n_cells": len(own),
            "n_probed": len(probed),
            "n_within": int((probed["state"] == "within").sum()),
            "lowest": probed["low"].min(),
            "highest": probed["high"].max(),
            "worst": np.nan,
            "class_met": _NONE,
            "within": False,
        }
        if len(probed):
            deviation = probed["deviation"].to_numpy(dtype=float)
            row["worst"] = float(deviation[np.abs(deviation).argmax()])
            row["class_met"] = _narrowest_class(float(row["worst"]), unit)
            row["within"] = row["n_within"] == len(probed)
        rows.append(row)
    return pd.DataFrame(rows)


def _narrowest_class(worst: float, unit: str) -> str:
    kept = (c.name for c in SURVEY_CLASSES if abs(worst) <= c.tolerance(unit) + 1e-9)
    return next(kept, _NONE)


def _pit_table(states: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    order = [c.name for c in SURVEY_CLASSES] + [_NONE]
    rows = []
    for pit, bakes in table.groupby("pit", sort=False):
        surveyed = bakes[bakes["n_probed"] > 0]
        own = states[states["pit"] == pit]
        cells = own.groupby(["grate", "row", "column"])["state"]
        probed = cells.agg(lambda s: bool((s != "no probe").any()))
        kept = cells.agg(lambda s: bool(s.isin(["within", "no probe"]).all()))
        classes = [order.index(name) for name in surveyed["class_met"]]
        rows.append(
            {
                "pit": pit,
                "n_bakes": len(surveyed),
                "n_bakes_within": int(surveyed["within"].sum()),
                "n_cells": len(probed),
                "n_probed": int(probed.sum()),
                "n_always_within": int((probed & kept).sum()),
                "class_met": order[max(classes)] if classes else _NONE,
            }
        )
    return pd.DataFrame(rows)


def _about_pits(pits: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    found = []
    most = table.groupby("pit")["n_probed"].max()
    for row in pits.to_dict("records"):
        bare = row["n_cells"] - row["n_probed"]
        if bare:
            found.append(UNPROBED.format(pit=row["pit"], n=bare, total=row["n_cells"]))
        if most[row["pit"]] < 5:
            found.append(FEW_SENSORS.format(pit=row["pit"], n=most[row["pit"]]))
    empty = table.loc[table["n_probed"] == 0, "bake"]
    return found + [NOTHING.format(bake=bake) for bake in empty]
