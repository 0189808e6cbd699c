"""Before against after in the same pit: change in every outcome, with its interval."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.fairness import Finding, audit_fairness
from pitstats.analysis.fairness.design_audit import audit_design
from pitstats.analysis.next_steps.suggest import NextStep
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.analysis.places.usable_area import estimate_usable_area
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import (
    CANNOT_TELL,
    too_few_bakes,
    unequal_effort_caveats,
    verdict,
    withheld_caveats,
)
from pitstats.analysis.rates.two_layouts import compare_both_ways
from pitstats.analysis.results import FrameResult
from pitstats.analysis.retest.further import further_bakes
from pitstats.analysis.retest.sides import AFTER, BEFORE, Sides, make_sides, side_name
from pitstats.errors import DesignError
from pitstats.study.cells import listing
from pitstats.study.columns import suggestion
from pitstats.study.schema import BAKES
from pitstats.study.settings import Settings
from pitstats.study.study import Study

#: Settings that people change between bakes, in the order in which they are looked for.
SETTINGS = ("damper_open", "intake_open", "plate", "rotated", "wood")
ONE_PAIR = "one bake each"
DAYS_ALIKE = "days assumed alike"
_COLUMNS = (
    "pit",
    "outcome",
    "before",
    "after",
    "change",
    "conf_low",
    "conf_high",
    "verdict",
)
_Row = tuple[str, str, float, float, float, float, float, str]


@dataclass(frozen=True, kw_only=True, eq=False)
class SettingComparison(FrameResult):
    """Did the change help: before against after, pit by pit.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per changed pit and outcome: ``pit, outcome, before, after, change,
        conf_low, conf_high, verdict``. Outcomes: "burned", "target grade" (long-run
        shares), "near less far" (burned share at the firebox end less the far end) and
        "usable area" (in `area_unit`). ``change`` = after - before.
    levels : pandas.DataFrame
        The two levels behind every row of `table`, with their intervals: ``pit,
        outcome, side, estimate, conf_low, conf_high``.
    bakes : pandas.DataFrame
        ``pit, side, n_bakes, n_items, n_burned`` of the two sides; between ``side``
        and ``n_bakes`` the column of the setting, with its value on either side.
    findings : tuple of Finding
        What else differed between the two sides, by the detectors of the audit.
    setting : str
        What was changed: a column of bakes, or "study" for two studies that do not
        differ in one setting alone.
    n_unmatched : int
        Items left out because the other side graded nothing in their cell.
    days_alike : bool
        Whether a pit had one day before and another after, with no pit baked on both.
    links : tuple of str
        Unchanged pits, baked on both days of such a pit, that tell change from day.
    continued : callable
        Works out `next_step` when it is asked for.
    area_unit : str
        Square length unit, ``"sq in"`` or ``"sq cm"``; empty without cell sizes.
    """

    table: pd.DataFrame
    levels: pd.DataFrame
    bakes: pd.DataFrame
    findings: tuple[Finding, ...]
    setting: str
    n_unmatched: int
    days_alike: bool
    links: tuple[str, ...]
    continued: Callable[[], NextStep]
    area_unit: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]

    @cached_property
    def next_step(self) -> NextStep | None:
        """What it would take to tell whether the first changed pit burns otherwise.

        None where that can be told, or where more bakes of both sides would not tell.
        """
        unknown = self.table["verdict"].iloc[0] == CANNOT_TELL
        return self.continued() if unknown else None


def compare_settings(
    study: Study,
    setting: str | None = None,
    *,
    before: str | float | None = None,
    conf_level: float | None = None,
) -> SettingComparison:
    """Compare the bakes before and after a change of one setting in the same pit.

    Parameters
    ----------
    study : Study
        Holds the bakes of both sides.
    setting : str, optional
        Column of bakes that says the side, such as ``"damper_open"`` or one of your
        own with two values in the changed pit. Not given: the only setting that was
        varied within a pit.
    before : str or float, optional
        Value before the change; that of the pit's first bake if not given.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    SettingComparison

    Raises
    ------
    DesignError
        If no setting, or more than one, was varied within a pit, if a pit has more
        than two values, if no pit has bakes on both sides, or if a bake has no cell
        that the other side graded.

    Notes
    -----
    Each side of a changed pit is treated as a pit of its own, on the cells that both
    sides graded, and goes through the analyses that compare pits: bakes are what
    counts, every side has a spread between bakes of its own, and sessions that hold
    both sides pair them. One bake on each side gives no verdict, and neither does one
    day before and another after on which no unchanged pit was baked.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> ps.compare_settings(study)
    Traceback (most recent call last):
    ...
    pitstats.errors.DesignError: No setting was varied within a pit. ...
    """
    _, level = look_and_level(study, conf_level)
    column = setting or _only_setting(study)
    if column not in study.bakes.columns:
        own = [str(name) for name in study.bakes if name not in BAKES.column_names]
        raise DesignError(
            f"bakes has no column {column!r}. Name the column that says which bakes "
            f"were made before and after. {suggestion(column, [*SETTINGS, *own])}"
        )
    return _compared(make_sides(study, _sides_by(study, column, before)), column, level)


def retest(
    before: Study,
    after: Study,
    *,
    unchanged: Sequence[str] = (),
    conf_level: float | None = None,
) -> SettingComparison:
    """Compare the pits that two studies share, one before and one after a change.

    Parameters
    ----------
    before, after : Study
        Pits are one where their names are equal.
    unchanged : sequence of str
        Pits that were not changed; those that both studies hold link the days.
    conf_level : float, optional
        Between 0 and 1; that of ``after``, as in `compare_settings`, when not given.

    Returns
    -------
    SettingComparison

    Raises
    ------
    DesignError
        If the studies are the same, share no changed pit, count burned items in
        different ways or differ in a unit, if a pit said to be unchanged is in neither,
        or if the sides of a bake share no cell.

    Notes
    -----
    The days are blocks: what the weather, the dough and the wood of a day did is
    common to all its bakes. With an unchanged pit baked on both days the change is
    told apart from the day, at the price of wider intervals; without one it is not,
    and the answer holds only if the days were alike, which the result says.

    Examples
    --------
    >>> import pitstats as ps
    >>> first, second = ps.read_study("may"), ps.read_study("june")  # doctest: +SKIP
    >>> ps.retest(first, second).table  # doctest: +SKIP
    """
    _, level = look_and_level(after, conf_level)
    one, two = before.settings, after.settings
    if (one.grades, one.burned_from, one.face) != (
        two.grades,
        two.burned_from,
        two.face,
    ):
        raise DesignError(
            "The two studies do not count burned items alike: grades, burned_from or "
            "face differ. Bring them to one scale first: "
            f"{before.form.stated('burned_from')}."
        )
    if before == after:
        raise DesignError(
            "The two studies are one and the same, so nothing was changed between "
            "them. Name the study of before and that of after."
        )
    units = _units(one, two)
    links = set(unchanged)
    of_before, of_after = set(before.pits["pit"]), set(after.pits["pit"])
    unknown = sorted(links - of_before - of_after)
    if unknown:
        raise DesignError(f"Neither study has a pit {unknown[0]!r}. Check its name.")
    joined, side_of = _joined(before, replace(after, settings=units), links)
    sides = make_sides(joined, side_of)
    # What differs in one setting alone was changed in that.
    kept = joined.kept[joined.kept["bake"].isin(list(side_of))]
    varied = _varied(kept)
    return _compared(sides, varied[0] if len(varied) == 1 else "study", level)


def _units(before: Settings, after: Settings) -> Settings:
    """Settings of the later study, with the units that either states."""
    stated: dict[str, Any] = {}
    for name in ("temperature_unit", "length_unit"):
        units = {getattr(one, name) for one in (before, after)} - {None}
        if len(units) > 1:
            raise DesignError(
                f"The two studies differ in {name} ({' and '.join(sorted(units))}). "
                "Bring them to one unit first."
            )
        stated[name] = next(iter(units), None)
    return replace(after, **stated)


def _only_setting(study: Study) -> str:
    varied = _varied(study.kept)
    if not varied:
        raise DesignError(
            "No setting was varied within a pit. Name the column of bakes that says "
            "which bakes were made before and after: setting=COLUMN."
        )
    if len(varied) > 1:
        raise DesignError(
            f"{' and '.join(varied)} were varied within a pit. Say which change is "
            f"meant, as in setting={varied[0]}; the others are looked at as what else "
            "changed."
        )
    return varied[0]


def _varied(bakes: pd.DataFrame) -> list[str]:
    """Settings that had more than one value within a pit."""
    seen = bakes.groupby("pit")[list(SETTINGS)].nunique()
    return [name for name in SETTINGS if (seen[name] > 1).any()]


def _sides_by(study: Study, column: str, before: str | float | None) -> dict[str, str]:
    """Side of every kept bake of a pit in which the setting has two values."""
    kept = study.kept.dropna(subset=column)
    kept = kept[kept[column].astype("str") != ""]
    if kept.empty:
        raise DesignError(
            f"{column} is empty in every kept bake. Fill in what it was, or name "
            "another column that says which bakes were made before and after."
        )
    sessions = kept["session"].drop_duplicates().tolist()
    day = kept["session"].map({name: k for k, name in enumerate(sessions)})
    kept = kept.assign(_day=day).sort_values(["_day", "order"], kind="stable")
    sides: dict[str, str] = {}
    for pit, rows in kept.groupby("pit", sort=False):
        values = list(dict.fromkeys(rows[column]))
        if len(values) > 2:
            raise DesignError(
                f"{column} has {len(values)} values in pit {pit}; before and after "
                "are two. In Python, estimate_setting_effect takes more."
            )
        first = values[0] if before is None else _as_value(before, values)
        if len(values) == 2:
            sides |= {
                str(bake): BEFORE if value == first else AFTER
                for bake, value in zip(rows["bake"], rows[column], strict=True)
            }
    return sides


def _as_value(before: str | float, values: Sequence[object]) -> object:
    for value in values:
        if str(value) == str(before) or value == before:
            return value
    return object()  # a pit that never had the value has no side before


def _joined(
    before: Study, after: Study, links: set[str]
) -> tuple[Study, dict[str, str]]:
    """Both studies as one, each a session of its own; and the side of every bake."""
    parts: list[dict[str, pd.DataFrame]] = []
    sides: dict[str, str] = {}
    for study, side in ((before, BEFORE), (after, AFTER)):
        names = {bake: f"{bake} ({side})" for bake in study.bakes["bake"]}
        tables = {
            name: frame.assign(bake=frame["bake"].map(names))
            for name, frame in study.tables.items()
            if name in ("bakes", "items", "counts", "regrades") and len(frame)
        }
        tables["bakes"] = tables["bakes"].assign(session=side)
        for name in {"items", "regrades"} & set(tables):
            # Both studies may have drawn the same codes.
            codes = tables[name]["code"] + f" ({side})"
            tables[name] = tables[name].assign(code=codes)
        tables |= {"pits": study.pits, "grates": study.grates}
        parts.append(tables)
        changed = ~study.bakes["pit"].isin(list(links))
        sides |= {names[bake]: side for bake in study.bakes.loc[changed, "bake"]}
    whole: dict[str, Any] = {
        name: pd.concat(
            [part[name] for part in parts if name in part], ignore_index=True
        )
        if any(name in part for part in parts)
        else pd.DataFrame()
        for name in ("pits", "grates", "bakes", "items", "counts", "regrades")
    }
    whole["pits"] = whole["pits"].drop_duplicates("pit", ignore_index=True)
    whole["grates"] = _largest(whole["grates"])
    whole |= {
        name: frame.iloc[:0]
        for name, frame in after.tables.items()
        if name not in whole
    }
    return replace(after, **whole, assumptions=(), source=None), sides


def _largest(grates: pd.DataFrame) -> pd.DataFrame:
    """One row per grate; a size that was only assumed is the largest that was seen."""
    sizes = grates.groupby(["pit", "grate"], sort=False)[["rows", "columns"]].max()
    once = grates.drop_duplicates(["pit", "grate"], keep="last").drop(
        columns=["rows", "columns"]
    )
    return once.merge(sizes.reset_index(), on=["pit", "grate"])


def _compared(sides: Sides, setting: str, level: float) -> SettingComparison:
    links = _links(sides)
    apart = {pit for pit, linking in links.items() if not linking}
    both = compare_both_ways(sides.study, conf_level=level)
    counts = both.rates.table.set_index("pit")
    outcomes = [
        ("burned", both.leading.table, both.leading.rates.set_index("pit")[_ENDS]),
        *_others(sides.study, level),
    ]
    rows = [
        _row(pit, outcome, levels["estimate"], _pair(pairs, pit))
        for pit in sides.pits
        for outcome, pairs, levels in outcomes
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS)).dropna(subset="change")
    table = table.reset_index(drop=True)
    known = set(zip(table["pit"], table["outcome"], strict=True))
    two = [
        (pit, outcome, side, *levels.loc[side_name(pit, side)])
        for pit in sides.pits
        for outcome, _, levels in outcomes
        for side in (BEFORE, AFTER)
        if (pit, outcome) in known
    ]
    n_bakes = counts["n_bakes"]
    table["verdict"] = [
        _verdict(
            row, sides.study.settings.margin, n_bakes, days_alike=row["pit"] in apart
        )
        for row in table.to_dict("records")
    ]
    areas = "usable area" in set(table["outcome"])
    return SettingComparison(
        table=table,
        levels=pd.DataFrame(two, columns=["pit", "outcome", "side", *_ENDS]),
        bakes=_bakes(sides, setting, both.rates.table),
        findings=_what_else(sides, setting, days_alike=bool(apart)),
        setting=setting,
        n_unmatched=sides.n_unmatched,
        days_alike=bool(apart),
        links=tuple(sorted(set().union(*links.values()))),
        continued=partial(further_bakes, sides, both),
        area_unit=f"sq {sides.study.settings.length_unit}" * bool(areas),
        estimand=f"{both.leading.estimand}; after less before, same pit and cells",
        method=both.leading.method,
        conf_level=level,
        caveats=_caveats(sides, n_bakes, apart),
    )


def _links(sides: Sides) -> dict[str, set[str]]:
    """Pits baked on both days of a pit that had one day before and another after."""
    days = sides.study.kept.groupby("pit")["session"].agg(set)
    found = {}
    for pit in sides.pits:
        one, other = (days[side_name(pit, side)] for side in (BEFORE, AFTER))
        if len(one) == len(other) == 1 and one != other and "" not in one | other:
            found[pit] = {str(name) for name in days.index if days[name] >= one | other}
    return found


_SIDES = (AFTER, BEFORE)
_ENDS = ["estimate", "conf_low", "conf_high"]


def _verdict(
    row: Mapping[Any, Any],
    margin: float | None,
    n_bakes: pd.Series,
    *,
    days_alike: bool,
) -> str:
    """Verdict of a single interval; the margin that was stated is one of burn rates."""
    of_sides = [int(n_bakes[side_name(row["pit"], side)]) for side in _SIDES]
    if max(of_sides) <= 1:
        return ONE_PAIR
    if days_alike:
        return DAYS_ALIKE
    if too_few_bakes(*of_sides):
        return CANNOT_TELL
    stated = margin if row["outcome"] == "burned" else None
    return verdict(row["conf_low"], row["conf_high"], stated)


def _pair(table: pd.DataFrame, pit: str) -> pd.Series:
    own = (table["pit_a"] == side_name(pit, AFTER)) & (
        table["pit_b"] == side_name(pit, BEFORE)
    )
    return table[own].iloc[0]


def _row(pit: str, outcome: str, levels: pd.Series, pair: pd.Series) -> _Row:
    """One row; the interval of the pair alone, since each pit has one question."""
    return (
        pit,
        outcome,
        float(levels[side_name(pit, BEFORE)]),
        float(levels[side_name(pit, AFTER)]),
        float(pair["estimate"]),
        float(pair["conf_low"]),
        float(pair["conf_high"]),
        "",
    )


def _others(
    study: Study, level: float
) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """Outcomes that not every record can speak to: pairs, and levels by pit."""
    try:
        area = estimate_usable_area(study, conf_level=level)
        levels = area.table.set_index("pit")
        for outcome, measure, names in (
            ("target grade", "share", _ENDS),
            ("usable area", "area", ["area", "area_low", "area_high"]),
        ):
            own = area.differences[area.differences["measure"] == measure]
            if len(own):
                yield outcome, own, levels[names].set_axis(_ENDS, axis="columns")
    except DesignError:
        pass
    try:
        evenness = compare_evenness(study, level)
    except DesignError:
        return
    fall = evenness.table.set_index("pit").rename(columns={"near_minus_far": _ENDS[0]})
    yield "near less far", evenness.differences, fall[_ENDS]


def _bakes(sides: Sides, setting: str, table: pd.DataFrame) -> pd.DataFrame:
    names = ["n_bakes", "n_items", "n_burned"]
    head = [(pit, side) for pit in sides.pits for side in (BEFORE, AFTER)]
    rows = [side_name(*each) for each in head]
    made = pd.DataFrame(head, columns=["pit", "side"])
    if setting in sides.study.bakes:
        values = sides.study.bakes.groupby("pit")[setting].first()
        made[setting] = values.loc[rows].to_numpy()
    counts = table.set_index("pit")[names].loc[rows]
    return made.join(counts.reset_index(drop=True).astype(int))


# The pair of a re-test is the one that was changed, not one picked out of many.
_OF_ALL_PAIRS = ("many_pits",)
# With the sides on different days it follows from that, which a caveat says.
_OF_THE_DAYS = ("session_with_pit",)


def _what_else(sides: Sides, setting: str, *, days_alike: bool) -> tuple[Finding, ...]:
    """Findings of the audit about the two sides, without the change itself."""
    bakes = sides.study.bakes
    if setting in SETTINGS:
        # One value for all that was recorded: the change is not what else changed.
        own = bakes[setting]
        bakes = bakes.assign(**{setting: own.where(own.isna(), own.dropna().iloc[0])})
    study = replace(sides.study, bakes=bakes)
    # How the changed pit stands to another one is not the question here.
    design = audit_design(study)
    asked = {frozenset(side_name(p, side) for side in _SIDES) for p in sides.pits}
    pairs = zip(design.contrasts["pit_a"], design.contrasts["pit_b"], strict=True)
    answers = np.array([frozenset(pair) in asked for pair in pairs], dtype=bool)
    design = replace(design, contrasts=design.contrasts[answers])
    found = audit_fairness(study, design=design)
    said = _OF_ALL_PAIRS + _OF_THE_DAYS * days_alike
    return tuple(finding for finding in found if finding.id not in said)


def _caveats(
    sides: Sides, n_bakes: pd.Series, apart: Collection[str]
) -> tuple[str, ...]:
    names = {pit: [side_name(pit, side) for side in _SIDES] for pit in sides.pits}
    one_pair = [pit for pit, two in names.items() if n_bakes[two].max() <= 1]
    rest = [two for pit, two in names.items() if pit not in {*one_pair, *apart}]
    pairs = pd.DataFrame(rest, columns=["pit_a", "pit_b"])
    found = [
        f"{pit}: one pair of bakes. It shows what happened in these two bakes, not "
        "what the change does."
        for pit in one_pair
    ]
    if apart:
        of = (
            ""
            if len(apart) == len(sides.pits)
            else f" of {listing(sorted(apart), 'and')}"
        )
        found.append(
            f"No unchanged pit was baked on both days{of}, so the change and the day "
            "cannot be told apart. The numbers hold only if the days were alike. Bake "
            "an unchanged pit on both days."
        )
    if sides.study.kept["session"].eq("").any():
        found.append(
            "Sessions are not recorded for every bake, so the bakes of one day could "
            "not be paired."
        )
    found += withheld_caveats(pairs, n_bakes)
    found += unequal_effort_caveats(pairs, n_bakes)
    if sides.n_unmatched:
        found.append(
            f"{sides.n_unmatched} items were left out: the other side graded nothing "
            "in their cells."
        )
    if len(sides.pits) > 1:
        found.append(
            f"{len(sides.pits)} pits were changed; each interval is for its own pit "
            "and does not allow for the others."
        )
    return tuple(found)
