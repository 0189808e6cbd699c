"""What went with a bake besides its pit: the factors of a design as columns.

A factor is a word or a number of every bake. Words become one column per level, with
shares where the items of a bake were of several lots or graders; numbers stay numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.study.cells import one_line
from pitstats.study.schema import BAKES
from pitstats.study.study import Study

Role: TypeAlias = Literal[
    "session", "order", "lot", "people", "setting", "measured", "own"
]

#: Column of bakes, what a sentence calls it, its role, and the smallest difference of
#: means worth a word (numbers only; temperatures in °F).
_KNOWN: tuple[tuple[str, str, Role, float | None], ...] = (
    ("session", "session", "session", None),
    ("order", "order within the session", "order", 0.0),
    ("lot", "lot of dough", "lot", None),
    ("tender", "fire tender", "people", None),
    ("grader", "grader", "people", None),
    ("damper_open", "damper opening", "setting", 0.05),
    ("intake_open", "intake opening", "setting", 0.05),
    ("plate", "plate", "setting", None),
    ("wood", "wood", "setting", None),
    ("minutes", "length of the bake in minutes", "setting", 0.5),
    ("target_temp", "target temperature", "setting", 5.0),
    ("grate_temp", "grate temperature", "measured", 15.0),
    ("ambient_temp", "outdoor temperature", "measured", 15.0),
)
_LABELS = {name: label for name, label, *_ in _KNOWN}
SETTING_COLUMNS: tuple[str, ...] = tuple(
    name for name, _, role, _ in _KNOWN if role == "setting"
)
#: Columns that say how a bake went or tell about it, and are no factor of a design;
#: words of the day are one where they were written down.
_NO_FACTOR = frozenset(BAKES.column_names) - {"weather", "light"}
_DEGREES_C = 5.0 / 9.0


def label_of(column: str) -> str:
    """What a sentence calls a column of bakes; one of the user's own, as it is named.

    Examples
    --------
    >>> label_of("damper_open"), label_of("flap")
    ('damper opening', 'flap')
    """
    return _LABELS.get(column, column)


@dataclass(frozen=True, kw_only=True, eq=False)
class Factor:
    """One factor of the design.

    Attributes
    ----------
    name, label : str
        Column of bakes, and what a sentence calls it.
    role : str
        What kind of factor it is.
    numeric : bool
        Whether it enters as a straight line; otherwise one column per level.
    practical : float
        Difference of means below which it is not worth a word; 0 for words.
    levels : tuple of str
        Name of each column; the factor's own for a number.
    matrix : ndarray of float, shape (bakes, columns)
        Its columns; NaN in bakes where it was not recorded.
    """

    name: str
    label: str
    role: Role
    numeric: bool
    practical: float
    levels: tuple[str, ...]
    matrix: NDArray[np.float64]

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Bakes in which it was recorded."""
        return np.asarray(~np.isnan(self.matrix).any(axis=1), dtype=bool)

    @cached_property
    def varies(self) -> bool:
        """Whether it had more than one value."""
        known = self.matrix[self.known]
        return bool(len(known) and np.ptp(known, axis=0).max(initial=0.0) > 1e-9)

    @property
    def values(self) -> pd.Series:
        """One word or number per bake; of several lots or graders the main one."""
        if self.numeric:
            return pd.Series(self.matrix[:, 0])
        values = pd.Series(None, index=range(len(self.matrix)), dtype="str")
        names = np.array(self.levels, dtype=object)
        if self.known.any():
            values[self.known] = names[self.matrix[self.known].argmax(axis=1)]
        return values

    def with_rows(self, rows: Sequence[object]) -> Factor:
        """Add a bake for each value given, a word, a number or None."""
        added = np.full((len(rows), len(self.levels)), np.nan)
        for row, value in zip(added, rows, strict=True):
            if value is None:
                continue
            if self.numeric:
                row[0] = float(value)  # type: ignore[arg-type]
            else:
                row[:] = [level == value for level in self.levels]
        return replace(self, matrix=np.vstack([self.matrix, added]))


@dataclass(frozen=True, kw_only=True, eq=False)
class Factors:
    """The factors of a study, and those that say nothing.

    Attributes
    ----------
    pit, session : ndarray of object, shape (bakes,)
        Of the bakes that are looked at: kept ones, or the planned ones of a plan; the
        session is "" where it was not recorded.
    recorded : tuple of Factor
        Recorded in at least one bake.
    unrecorded : tuple of str
        Labels of those that were not recorded in any bake.
    """

    pit: NDArray[np.object_]
    session: NDArray[np.object_]
    recorded: tuple[Factor, ...]
    unrecorded: tuple[str, ...]

    @property
    def pits(self) -> list[str]:
        """Pits in the order in which they were first baked."""
        return list(dict.fromkeys(self.pit))

    @cached_property
    def varied(self) -> tuple[Factor, ...]:
        """Factors with more than one value."""
        return tuple(factor for factor in self.recorded if factor.varies)

    @property
    def constant(self) -> tuple[str, ...]:
        """Labels of factors that had one value throughout, with the value."""
        return tuple(
            f"{factor.label} ({_plain(factor.values.dropna().iloc[0])})"
            for factor in self.recorded
            if not factor.varies
        )

    def find(self, name: str) -> Factor | None:
        """Return the factor of that name if it varied."""
        return next((factor for factor in self.varied if factor.name == name), None)


def audited_bakes(study: Study) -> pd.DataFrame:
    """Bakes that an audit looks at: kept ones, or the planned ones of a plan.

    Examples
    --------
    >>> import pitstats as ps
    >>> len(audited_bakes(ps.demo_study("one_bake_each")))
    2
    """
    status = study.bakes["status"]
    wanted = "kept" if status.eq("kept").any() else "planned"
    return study.bakes[status == wanted].reset_index(drop=True)


def is_plan(study: Study) -> bool:
    """Whether nothing was baked yet.

    Examples
    --------
    >>> import pitstats as ps
    >>> is_plan(ps.demo_study("one_bake_each"))
    False
    """
    status = study.bakes["status"]
    return bool(status.eq("planned").any() and not status.eq("kept").any())


def read_factors(study: Study) -> Factors:
    """Read the factors of a study's bakes."""
    bakes = audited_bakes(study)
    recorded: list[Factor] = []
    unrecorded = []
    planned = is_plan(study)
    for name, label, role, practical in _KNOWN:
        if (planned and role == "measured") or _no_pit_has(study, name):
            continue
        factor = _factor(study, bakes, name, label, role, practical)
        if factor.known.any():
            recorded.append(factor)
        else:
            unrecorded.append(label)
    return Factors(
        pit=bakes["pit"].to_numpy(dtype=object),
        session=bakes["session"].astype(object).fillna("").to_numpy(dtype=object),
        recorded=(*recorded, *_own_factors(bakes)),
        unrecorded=tuple(unrecorded),
    )


def _no_pit_has(study: Study, name: str) -> bool:
    part = {"damper_open": "has_damper", "intake_open": "has_intake"}.get(name)
    if part is None:
        return False
    return bool(study.pits[part].eq(False).fillna(False).all())


def _factor(
    study: Study,
    bakes: pd.DataFrame,
    name: str,
    label: str,
    role: Role,
    practical: float | None,
) -> Factor:
    if practical is None:
        shares = _item_shares(study, bakes, name) if role in ("lot", "people") else None
        columns = one_column_a_level(bakes[name]) if shares is None else shares
        return _of_columns(columns, name, label, role, numeric=False)
    values = _minutes(study, bakes) if name == "minutes" else bakes[name]
    celsius = name.endswith("_temp") and study.settings.temperature_unit == "C"
    numbers = values.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    return _of_columns(
        pd.DataFrame({name: numbers}),
        name,
        label,
        role,
        numeric=True,
        practical=practical * (_DEGREES_C if celsius else 1.0),
    )


def _of_columns(
    columns: pd.DataFrame,
    name: str,
    label: str,
    role: Role,
    *,
    numeric: bool,
    practical: float = 0.0,
) -> Factor:
    return Factor(
        name=name,
        label=label,
        role=role,
        numeric=numeric,
        practical=practical,
        levels=tuple(map(str, columns.columns)),
        matrix=columns.to_numpy(dtype=float),
    )


def one_column_a_level(values: pd.Series) -> pd.DataFrame:
    """One column of 0 and 1 per word; NaN where nothing was recorded.

    Examples
    --------
    >>> one_column_a_level(pd.Series(["a", "b", None])).fillna(-1).to_numpy().tolist()
    [[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]]
    """
    code, levels = pd.factorize(values)
    frame = pd.DataFrame(
        (code[:, None] == np.arange(len(levels))).astype(float),
        columns=[str(level) for level in levels],
        index=values.index,
    )
    if not len(levels):
        frame = pd.DataFrame({"none": np.nan}, index=values.index)
    frame.loc[values.isna()] = np.nan
    return frame


def _item_shares(study: Study, bakes: pd.DataFrame, name: str) -> pd.DataFrame | None:
    """Shares of a bake's items by level, where the items say it themselves."""
    items = study.items
    if name not in items.columns or not len(items):
        return None
    own = items.loc[items["bake"].isin(bakes["bake"]), ["bake", name]]
    if own[name].isna().all():
        return None
    of_bake = own["bake"].map(bakes.set_index("bake")[name])
    word = own[name].astype("str").where(own[name].notna(), of_bake)
    counts = pd.crosstab(own["bake"], word)
    shares = counts.div(counts.sum(axis=1), axis=0).reindex(bakes["bake"])
    shares.columns = [str(level) for level in shares.columns]
    return shares.reset_index(drop=True).astype(float)


def _minutes(study: Study, bakes: pd.DataFrame) -> pd.Series:
    """Length of each bake; the mean over its items where only they say it."""
    of_items = study.items.groupby("bake")["minutes"].mean()
    return bakes["minutes"].fillna(bakes["bake"].map(of_items))


def _own_factors(bakes: pd.DataFrame) -> list[Factor]:
    factors = []
    for name in bakes.columns:
        values = bakes[name]
        if name in _NO_FACTOR or not 2 <= values.nunique() <= len(bakes) / 2:
            continue
        numeric = pd.api.types.is_numeric_dtype(values) and not (
            pd.api.types.is_bool_dtype(values)
        )
        if numeric:
            numbers = values.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
            columns = pd.DataFrame({str(name): numbers})
        else:
            columns = one_column_a_level(values.astype("str").where(values.notna()))
        label = str(name).replace("_", " ")
        factors.append(_of_columns(columns, str(name), label, "own", numeric=numeric))
    return factors


def _plain(value: object) -> str:
    return f"{value:g}" if isinstance(value, float | int) else one_line(value)
