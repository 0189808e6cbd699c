"""Families of alternatives under which a comparison is made again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from pitstats.analysis.grading.agreement import other_gradings
from pitstats.analysis.grading.regrading import join_regrades
from pitstats.analysis.heat.gauge import Z_SHOWN
from pitstats.analysis.heat.probe_series import summarize_probes
from pitstats.analysis.model.data import column_levels
from pitstats.analysis.model.fit import default_formula, difference_table, fit_model
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.sensitivity.equal_browning import compare_at_equal_dose
from pitstats.analysis.sensitivity.recount import (
    SHARED_PLACES,
    Recount,
    calls_of,
    count_items,
    start_recount,
    with_sizes,
    with_study,
)
from pitstats.errors import DesignError
from pitstats.stats.sensors import browning_factor
from pitstats.study.schema import FACES
from pitstats.study.study import Study

LAYOUT = "places"
GRATE_HEAT = "grate temperature"
BAKE_TIME = "minutes in the pit"
LOAD = "load time"
MISSING = "missing items"
FACE = "deciding face"
GRADING = "grading"
EXCLUDED = "excluded bakes"
ONE_OUT = "one bake left out"
SESSION_OUT = "one session left out"

_SMALL_PART = "too small a part of its pit's bakes to carry the answer"

#: Stands for names that differ from pair to pair and are in the table itself.
EACH_PAIR = "each pair"

#: Above this number of bakes only the highest and lowest of each pit are left out, and
#: above this number of sessions likewise.
MOST_LEFT_OUT = 24
#: Parts of a pit's bakes smaller than one in so many cannot carry its rate.
TOO_SMALL_A_PART = 200


@dataclass(frozen=True, kw_only=True, eq=False)
class Alternative:
    """One other way to make the comparison.

    Attributes
    ----------
    family : str
        What it is about: members of one family are one idea, tried more than once.
    alternative : str
        What was done.
    table : pandas.DataFrame or None
        All pairs under it; None where it could not be computed. A column
        ``alternative`` names it pair by pair.
    reason : str
        Why not; empty where it could.
    against : {"counted", "leading"}
        What it is set beside: the same kind of count, or the leading comparison.
    """

    family: str
    alternative: str
    table: pd.DataFrame | None = None
    reason: str = ""
    against: str = "counted"


def _none(family: str, reason: str, alternative: str = "all") -> Alternative:
    return Alternative(family=family, alternative=alternative, reason=reason)


# --- where the items lay, and when ----------------------------------------------------


def other_layouts(both: BothWays, recount: Recount) -> Iterator[Alternative]:
    """As baked against the common layout."""
    if both.common is None:
        yield _none(LAYOUT, "the pits have no common layout")
        return
    if recount.counted == SHARED_PLACES:
        yield Alternative(
            family=LAYOUT,
            alternative="as baked, all places",
            table=with_sizes(both.as_baked.table, both.as_baked.rates),
            against="leading",
        )
        yield Alternative(
            family=LAYOUT,
            alternative="shared places, no model",
            table=recount.compare(recount.bakes()),
            against="leading",
        )
        return
    yield Alternative(
        family=LAYOUT,
        alternative="shared places, by the model",
        table=with_sizes(both.common.table, both.common.rates),
        against="leading",
    )


def with_load_time(recount: Recount, *, refit: bool) -> Iterator[Alternative]:
    """Load ranks that all pits share; with a refit, load time in the model."""
    shared = _shared_ranks(recount)
    in_model = list(_load_in_model(recount)) if refit else []
    if shared.table is not None or not in_model:
        yield shared
    yield from in_model


def _shared_ranks(recount: Recount) -> Alternative:
    """Only items loaded as early as the last one of the pit with fewest."""
    items = recount.items
    graded = items[items["burned"].notna() & items["load_rank"].notna()]
    last = graded.groupby("pit")["load_rank"].max()
    if last.empty:
        return _none(LOAD, "no load ranks are recorded")
    limit = int(last.min())
    if limit == last.max():
        return _none(LOAD, f"all pits were loaded alike, ranks up to {limit}")
    within = items[items["load_rank"].le(limit).fillna(False).astype(bool)]
    name = f"load ranks 1 to {limit} only"
    table = recount.compare(count_items(within))
    if table.empty:
        return _none(LOAD, "fewer than two pits have load ranks", name)
    return Alternative(family=LOAD, alternative=name, table=table)


def _load_in_model(recount: Recount) -> Iterator[Alternative]:
    """Load rank and an item's own minutes as covariates of the model."""
    study = recount.study
    levels = column_levels(study)
    names = [
        name
        for name in ("load_rank", "minutes")
        if levels.get(name) == "item" and recount.items[name].nunique() > 1
    ]
    if not names:
        return
    shared = recount.counted == SHARED_PLACES
    formula = " + ".join([default_formula(study) if shared else "pit", *names])
    words = " and ".join({"load_rank": "load rank"}.get(n, n) for n in names)
    name = f"at equal {words}"
    try:
        fitted = fit_model(study, formula, "common", recount.level)
    except DesignError as reason:
        yield _none(LOAD, str(reason), name)
        return
    frame = fitted.entries.frame[["bake", "pit", "n_items"]]
    bakes = frame.groupby(["bake", "pit"], observed=True)["n_items"].sum().reset_index()
    table = with_sizes(difference_table(fitted), bakes.astype({"pit": "str"}))
    yield Alternative(family=LOAD, alternative=name, table=table, against="leading")


# --- heat and time --------------------------------------------------------------------


def at_equal_heat(recount: Recount) -> Iterator[Alternative]:
    """All grates at one temperature, by what the difference is worth in browning."""
    temperature = grate_means(recount)
    pits = _graded_pits(recount)
    without = [pit for pit in pits if pit not in temperature]
    if without:
        yield _none(
            GRATE_HEAT, f"no grate temperature is recorded for {', '.join(without)}"
        )
        return
    kelvin = 1 / 1.8 if recount.study.settings.temperature_unit == "F" else 1.0
    middle = float(np.mean([temperature[pit] for pit in pits]))
    excess = [
        {
            pit: float(browning_factor((temperature[pit] - middle) * kelvin, z))
            for pit in pits
        }
        for z in Z_SHOWN
    ]
    tables = _at_dose(recount, pits, excess)
    for z, table in zip(Z_SHOWN, tables, strict=True):
        yield Alternative(
            family=GRATE_HEAT, alternative=f"all grates alike, z {z:.0f} K", table=table
        )


def at_equal_time(recount: Recount) -> Iterator[Alternative]:
    """All bakes equally long, with the browning dose in proportion to the time."""
    own = _counted_bakes(recount)
    minutes = _pit_means(own["pit"], own["minutes"].astype(float))
    pits = _graded_pits(recount)
    without = [pit for pit in pits if pit not in minutes]
    if without:
        yield _none(BAKE_TIME, f"no minutes are recorded for {', '.join(without)}")
        return
    if np.ptp([minutes[pit] for pit in pits]) < 1e-9 or min(minutes.values()) <= 0:
        yield _none(BAKE_TIME, "all pits baked equally long")
        return
    middle = float(np.mean([minutes[pit] for pit in pits]))
    factors = {pit: minutes[pit] / middle for pit in pits}
    (table,) = _at_dose(recount, pits, [factors])
    yield Alternative(
        family=BAKE_TIME, alternative="all bakes equally long", table=table
    )


def grate_means(recount: Recount) -> dict[str, float]:
    """Mean grate temperature of each pit over its bakes that are counted."""
    own, study = _counted_bakes(recount), recount.study
    level = own["grate_temp"].astype(float)
    if level.isna().any() and len(study.probes):
        # Of all its cells: the bridged level of a gauge may rest on a few of them.
        probed = summarize_probes(study).cells.groupby("bake")["temp"].mean()
        level = level.fillna(own["bake"].map(probed))
    return _pit_means(own["pit"], level)


def _counted_bakes(recount: Recount) -> pd.DataFrame:
    bakes = recount.study.bakes
    return bakes[bakes["bake"].isin(recount.bakes()["bake"])]


def _pit_means(pit: pd.Series, values: pd.Series) -> dict[str, float]:
    """Mean by pit; pits without a value are left out."""
    means = values.groupby(pit).mean().dropna()
    return {str(name): float(value) for name, value in means.items()}


def _graded_pits(recount: Recount) -> list[str]:
    bakes = recount.bakes()
    graded = set(bakes.loc[bakes["n_items"] > 0, "pit"])
    return [pit for pit in recount.study.pits["pit"] if pit in graded]


def _at_dose(
    recount: Recount, pits: list[str], excess: Sequence[Mapping[str, float]]
) -> list[pd.DataFrame]:
    bakes = recount.bakes()
    graded = bakes[bakes["n_items"] > 0]
    tables = compare_at_equal_dose(
        graded,
        pits,
        excess,
        level=recount.level,
        margin=recount.study.settings.margin,
    )
    return [with_sizes(table, graded) for table in tables]


# --- what was graded ------------------------------------------------------------------


def missing_extremes(recount: Recount) -> Iterator[Alternative]:
    """All missing items of one pit burned and none of the other, for every pair."""
    bakes = recount.bakes()
    n_missing = bakes.groupby("pit")["n_missing"].sum()
    pits = [p for p in recount.study.pits["pit"] if n_missing.get(p, 0) > 0]
    if not pits:
        unknown = "only totals were kept, which do not tell"
        yield _none(
            MISSING, unknown if recount.study.items.empty else "no item is missing"
        )
        return
    order = {pit: i for i, pit in enumerate(recount.study.pits["pit"])}
    found: dict[tuple[bool, ...], pd.DataFrame] = {}
    for first_burned in (True, False):
        rows = []
        for a, b in combinations(order, 2):
            if a not in pits and b not in pits:
                continue
            sides = _sides(order, a, b, first_burned=first_burned)
            if sides not in found:
                burned = dict(zip(order, sides, strict=True))
                found[sides] = _fill_missing(recount, bakes, burned)
            table = found[sides]
            if len(table):
                own = table[(table["pit_a"] == a) & (table["pit_b"] == b)]
                all_of, none_of = (a, b) if first_burned else (b, a)
                name = f"all missing of {all_of} burned, none of {none_of}"
                rows.append(own.assign(alternative=name))
        yield Alternative(
            family=MISSING,
            alternative=EACH_PAIR,
            table=pd.concat(rows, ignore_index=True) if rows else None,
        )


def _sides(
    order: dict[str, int], a: str, b: str, *, first_burned: bool
) -> tuple[bool, ...]:
    """Pits whose missing items burned, so that ``a`` and ``b`` are on two sides.

    By a binary digit in which the two differ, so that a few assignments serve all
    pairs.
    """
    digit = (order[a] ^ order[b]).bit_length() - 1
    mine = (order[a] >> digit) & 1
    return tuple((((i >> digit) & 1) == mine) == first_burned for i in order.values())


def _fill_missing(
    recount: Recount, bakes: pd.DataFrame, burned: dict[str, bool]
) -> pd.DataFrame:
    added = bakes["pit"].map(burned).astype(int) * bakes["n_missing"]
    filled = bakes.assign(
        n_items=bakes["n_items"] + bakes["n_missing"],
        n_burned=bakes["n_burned"] + added,
        n_missing=0,
    )
    return recount.compare(filled)


def other_faces(recount: Recount) -> Iterator[Alternative]:
    """Every other face that could have decided."""
    settings = recount.study.settings
    recorded = [f for j, f in enumerate(FACES) if not _empty(recount, j)]
    if len(recorded) < 2:
        yield _none(
            FACE,
            f"only the {recorded[0]} was graded"
            if recorded
            else "no grades are recorded",
        )
        return
    counted = replace(recount, totals=recount.totals.iloc[:0])
    for face in ("worst", *recorded):
        if face == settings.face:
            continue
        other = replace(settings, face=face)
        made = replace(counted, study=_with_settings(recount.study, other))
        calls = calls_of(made, recount.codes, marks=False)
        name = "the darkest face decides" if face == "worst" else f"the {face} decides"
        yield _counted(counted, FACE, name, calls)


def _empty(recount: Recount, face: int) -> bool:
    return bool(np.isnan(recount.codes[:, face]).all())


def _with_settings(study: Study, settings: object) -> Study:
    return Study.from_checked(settings, study.tables, study.assumptions)  # type: ignore[arg-type]


def _counted(
    recount: Recount, family: str, name: str, calls: np.ndarray
) -> Alternative:
    table = recount.compare(recount.bakes(calls))
    if table.empty:
        reason = "fewer than two pits have items with such a grade"
        return _none(family, reason, name)
    return Alternative(family=family, alternative=name, table=table)


def other_graders(recount: Recount) -> Iterator[Alternative]:
    """Second gradings in the place of the first."""
    regrades = recount.study.regrades
    regrading = None if regrades.empty else join_regrades(recount.study)
    if regrading is None or regrading.pairs.empty:
        yield _none(GRADING, "no item was graded twice")
        return
    for name, n, calls in other_gradings(recount, regrading):
        items = "item" if n == 1 else "items"
        yield _counted(recount, GRADING, f"{name} ({n} {items})", calls)


# --- which bakes count ----------------------------------------------------------------


def excluded_bakes(recount: Recount) -> Iterator[Alternative]:
    """Excluded bakes put back in, each and all."""
    study = recount.study
    names = study.bakes.loc[study.bakes["status"].eq("excluded"), "bake"].tolist()
    if not names:
        yield _none(EXCLUDED, "no bake was excluded")
        return
    recorded = set(study.items["bake"]) | set(study.counts["bake"])
    usable = [name for name in names if name in recorded]
    for name in names:
        if name not in usable:
            yield _none(EXCLUDED, "nothing of it is recorded", f"{name} put back")
    sets = [[name] for name in usable]
    if len(usable) > 1:
        sets.append(usable)
    for chosen in sets:
        name = f"{chosen[0]} put back" if len(chosen) == 1 else "all put back"
        table = _of_pits(_put_back(recount, chosen), _pits_of(study, chosen))
        if table.empty:
            yield _none(EXCLUDED, "it has no graded item that counts here", name)
        else:
            yield Alternative(family=EXCLUDED, alternative=name, table=table)


def _put_back(recount: Recount, names: list[str]) -> pd.DataFrame:
    study = recount.study
    bakes = study.bakes.copy()
    bakes.loc[bakes["bake"].isin(names), "status"] = "kept"
    tables = study.tables | {"bakes": bakes}
    changed = Study.from_checked(study.settings, tables, study.assumptions)
    made = with_study(recount, changed)
    counted = made.bakes()
    back = counted["bake"].isin(names) & (counted["n_items"] > 0)
    return made.compare(counted) if back.any() else pd.DataFrame()


def leave_one_bake_out(recount: Recount) -> Iterator[Alternative]:
    """The comparison without each bake in turn."""
    bakes = recount.bakes()
    graded = bakes[bakes["n_items"] > 0]
    per_pit = graded.groupby("pit")["bake"].transform("size")
    for name in graded.loc[per_pit < 2, "bake"]:
        yield _none(ONE_OUT, "it is the only bake of its pit", f"without {name}")
    many = graded.loc[per_pit > TOO_SMALL_A_PART, "pit"].unique()
    if len(many):
        yield _none(ONE_OUT, f"one bake is {_SMALL_PART}", ", ".join(many))
    able = graded[(per_pit > 1) & (per_pit <= TOO_SMALL_A_PART)]
    if len(able) > MOST_LEFT_OUT:
        share = able["n_burned"] / able["n_items"]
        able = able.loc[_ends_of_pits(share, able["pit"])]
    for name in able["bake"]:
        kept = graded["bake"] != name
        yield _left_out(recount, graded, kept, ONE_OUT, str(name))


def leave_one_session_out(recount: Recount) -> Iterator[Alternative]:
    """The comparison without each session in turn."""
    bakes = recount.bakes()
    graded = bakes[bakes["n_items"] > 0]
    sessions = graded["session"].dropna().drop_duplicates()
    if len(sessions) < 2:
        known = "there is one session only" if len(sessions) else "none is recorded"
        yield _none(SESSION_OUT, known)
        return
    of_pit = graded.groupby(["session", "pit"], sort=False)
    parts = of_pit.size() / graded.groupby("pit").size().reindex(level="pit")
    small = parts.groupby("session").max() < 1 / TOO_SMALL_A_PART
    if small.any():
        which = "all" if small.all() else f"{small.sum()} of {len(small)}"
        yield _none(SESSION_OUT, f"one session is {_SMALL_PART}", which)
    sessions = sessions[~sessions.map(small)]
    alone = sessions.map(graded["session"].value_counts()) == 1
    if alone.any():
        which = "all" if alone.all() else f"{alone.sum()} of {len(alone)}"
        yield _none(
            SESSION_OUT, "a session that holds one bake is that bake left out", which
        )
    sessions = sessions[~alone]
    if len(sessions) > MOST_LEFT_OUT:
        sums = of_pit[["n_burned", "n_items"]].sum().reset_index()
        sums = sums[sums["session"].isin(sessions)]
        share = sums["n_burned"] / sums["n_items"]
        ends = sums.loc[_ends_of_pits(share, sums["pit"]), "session"]
        sessions = sessions[sessions.isin(ends)]
    for name in sessions:
        kept = graded["session"].ne(name) | graded["session"].isna()
        yield _left_out(recount, graded, kept, SESSION_OUT, f"session {name}")


def _ends_of_pits(share: pd.Series, pit: pd.Series) -> list[int]:
    """Rows with the least and the most burning of each pit."""
    ends = share.groupby(pit).agg(["idxmin", "idxmax"])
    return sorted(set(ends.to_numpy().ravel()))


def _left_out(
    recount: Recount,
    graded: pd.DataFrame,
    kept: pd.Series[bool],
    family: str,
    name: str,
) -> Alternative:
    """Pairs of the pits whose bakes are left out, without them."""
    left = graded[kept]
    name = f"without {name}"
    if left["pit"].nunique() < min(graded["pit"].nunique(), 2):
        return _none(family, "fewer than two pits are left", name)
    if left.groupby("pit").size().max() < 2:
        return _none(
            family, "one bake of each pit is left, which gives no verdict", name
        )
    table = _of_pits(recount.compare(left), set(graded.loc[~kept, "pit"]))
    return Alternative(family=family, alternative=name, table=table)


def _pits_of(study: Study, bakes: Sequence[str]) -> set[str]:
    return set(study.bakes.loc[study.bakes["bake"].isin(bakes), "pit"])


def _of_pits(table: pd.DataFrame, pits: set[str]) -> pd.DataFrame:
    """Rows of pairs with one of these pits: bakes of others are not their data."""
    if table.empty:
        return table
    concerned = table["pit_a"].isin(pits) | table["pit_b"].isin(pits)
    return table[concerned].reset_index(drop=True)


def all_alternatives(
    study: Study, both: BothWays, *, refit: bool
) -> tuple[Recount, list[Alternative]]:
    """Every alternative that the record allows, and the others with the reason."""
    recount = start_recount(study, both)
    found = [
        *other_layouts(both, recount),
        *at_equal_heat(recount),
        *at_equal_time(recount),
        *with_load_time(recount, refit=refit),
        *missing_extremes(recount),
        *other_faces(recount),
        *other_graders(recount),
        *excluded_bakes(recount),
        *leave_one_bake_out(recount),
        *leave_one_session_out(recount),
    ]
    return recount, found
