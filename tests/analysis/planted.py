"""Simulated studies with exactly one planted mistake, and fair ones without any."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

import pitstats as ps
from pitstats.study.frozen_plan import plan_bytes

SEED = 20261125


@cache
def fair_study(
    seed: int = SEED,
    *,
    pits: int = 3,
    bakes: int = 3,
    rate: float = 0.3,
    share_missing: float = 0.0,
    n_columns: int = 6,
    **settings: Any,
) -> ps.Study:
    """Pits of equal make, in turned order, blind, one lot, all settings alike."""
    made = ps.simulate_study(
        [
            ps.SimulatedPit(pit=name, rate=rate, grates={"main": (3, n_columns)})
            for name in ("Quarry", "Ferry", "Orchard", "Mill", "Weir")[:pits]
        ],
        bakes=bakes,
        share_missing=share_missing,
        rng=np.random.default_rng(seed),
    )
    study = made.study
    bakes_table = study.bakes.assign(plate="none")
    return replace(
        study,
        bakes=bakes_table,
        settings=replace(study.settings, **settings) if settings else study.settings,
    )


def with_bakes(study: ps.Study, **columns: Any) -> ps.Study:
    """Replace columns of bakes; a function gets the table."""
    made = {
        name: value(study.bakes) if callable(value) else value
        for name, value in columns.items()
    }
    return replace(study, bakes=study.bakes.assign(**made))


def with_items(study: ps.Study, **columns: Any) -> ps.Study:
    """Replace columns of items; a function gets the table."""
    made = {
        name: value(study.items) if callable(value) else value
        for name, value in columns.items()
    }
    return replace(study, items=study.items.assign(**made))


def by_pit(**values: object) -> Callable[[pd.DataFrame], pd.Series]:
    """One value per pit, for every bake of it."""
    return lambda bakes: bakes["pit"].map(values)


def _order_kept() -> ps.Study:
    return with_bakes(fair_study(), order=by_pit(Quarry=1, Ferry=2, Orchard=3))


def _blocks_in_one_session() -> ps.Study:
    study = fair_study(pits=2)
    return with_bakes(study, session="day 1", order=[1, 4, 2, 5, 3, 6])


def _order_leaning() -> ps.Study:
    # Early against late in two sessions, in turn in the third.
    study = fair_study(pits=2, bakes=6)
    session = [f"day {day}" for day in (1, 2, 3) for _ in range(4)]
    return with_bakes(study, session=session, order=[1, 3, 2, 4] * 2 + [1, 2, 3, 4])


def _lots_and_days() -> ps.Study:
    """Pit = day + lot, though it goes with neither of them alone."""
    study = fair_study(pits=2, bakes=3)
    frame = pd.DataFrame(
        {
            "pit": ["Quarry", "Ferry", "Ferry"] * 2,
            "session": ["day 1", "day 1", "day 2"] * 2,
            "order": pd.array([pd.NA] * 6, dtype="Int64"),
            "lot": ["lot A", "lot B", "lot A"] * 2,
        }
    )
    bakes = study.bakes.assign(**{name: frame[name] for name in frame})
    return replace(study, bakes=bakes)


def _some_cells_only() -> ps.Study:
    """One pit: only what burned was written down."""
    study = fair_study()
    keep = _of(study).ne("Ferry") | _burned(study)
    return replace(study, items=study.items[keep])


def _of(study: ps.Study) -> pd.Series:
    return study.items["bake"].map(study.bakes.set_index("bake")["pit"])


def _burned(study: ps.Study) -> pd.Series:
    return study.items[["grade_top", "grade_bottom"]].eq("burned").any(axis=1)


def _without(*bakes: str) -> ps.Study:
    """A fair study from which bakes were never made."""
    study = fair_study()
    return replace(
        study,
        bakes=study.bakes[~study.bakes["bake"].isin(bakes)],
        items=study.items[~study.items["bake"].isin(bakes)],
    )


def _lost_in_one_pit() -> ps.Study:
    study = fair_study()
    of = _of(study)
    lost = of.eq("Ferry") & study.items["row"].eq(1)
    faces = ["grade_top", "grade_bottom"]
    items = study.items.copy()
    items.loc[lost, faces] = None
    items.loc[lost, "missing"] = "stuck"
    return replace(study, items=items)


def _other_face() -> ps.Study:
    study = with_items(fair_study(), grade_top=None)
    return replace(study, settings=replace(study.settings, face="top"))


def _loaded_row_by_row() -> ps.Study:
    return with_items(
        fair_study(), load_rank=lambda items: 3 * (items["column"] - 1) + items["row"]
    )


def _late_ones_pale() -> ps.Study:
    """Grades that follow the order of loading."""

    def grade(items: pd.DataFrame) -> pd.Series:
        late = items["load_rank"].astype(int)
        names = np.array(["burned", "dark", "golden", "light"])
        return pd.Series(names[np.minimum((late - 1) // 5, 3)], index=items.index)

    return with_items(fair_study(), grade_top=grade, grade_bottom=grade)


def _near_and_far() -> ps.Study:
    study = fair_study()
    of = _of(study)
    keep = (of.eq("Ferry") & study.items["column"].le(4)) | (
        of.ne("Ferry") & study.items["column"].ge(3)
    )
    return replace(study, items=study.items[keep])


def _totals_of_one_bake() -> ps.Study:
    study = _near_and_far()
    counted = study.bakes["bake"].iloc[0]
    counts = pd.DataFrame({"bake": [counted], "n_items": [12], "n_burned": [3]})
    return replace(
        study, items=study.items[study.items["bake"] != counted], counts=counts
    )


def _excluded_in_one_pit() -> ps.Study:
    study = fair_study(bakes=5)
    gone = study.bakes["bake"].isin(["Ferry-1", "Ferry-2"])
    return with_bakes(
        study,
        status=np.where(gone, "excluded", "kept"),
        reason=np.where(gone, "too much smoke", None),
    )


def _not_finished() -> ps.Study:
    study = fair_study(bakes=4)
    waiting = study.bakes["session"] == "day 4"
    items = study.items[~study.items["bake"].isin(study.bakes.loc[waiting, "bake"])]
    bakes = study.bakes.assign(status=np.where(waiting, "planned", "kept"))
    return replace(study, items=items, bakes=bakes)


def _small_counts() -> ps.Study:
    return ps.study_from_counts(
        ["Quarry", "Ferry", "Quarry", "Ferry"], [6, 8, 6, 7], [1, 1, 2, 1], margin=0.15
    )


def _unequal_numbers() -> ps.Study:
    study = fair_study()
    of = _of(study)
    keep = of.ne("Ferry") | study.items["row"].ne(2)
    return replace(study, items=study.items[keep])


def with_plan(study: ps.Study, **planned: Any) -> ps.Study:
    """A study beside its frozen plan, which had these settings otherwise."""
    before = replace(
        study,
        settings=replace(study.settings, **planned),
        bakes=study.bakes.assign(status="planned"),
        items=study.items.assign(
            grade_top=None, grade_bottom=None, grade_side=None, burned=None
        ),
    )
    return replace(study, plan=plan_bytes(before))


#: Name of the mistake, identifier of the finding that must show it, its severity, and
#: how to make the study. Each study has this mistake and no other.
def _looked(**looks: tuple[int, ...]) -> ps.Study:
    study = fair_study()
    return replace(study, settings=replace(study.settings, **looks))


PLANTED: dict[str, tuple[str, str, Callable[[], ps.Study]]] = {
    "one bake of each pit": (
        "one_bake_each",
        "spoils",
        lambda: fair_study(bakes=1),
    ),
    "one pit baked once": (
        "one_bake_some",
        "weakens",
        lambda: _without("Ferry-2", "Ferry-3"),
    ),
    "items that share a hot fire": (
        "items_share_fire",
        "note",
        lambda: ps.study_from_counts(
            ["Quarry", "Ferry"] * 3, [40] * 6, [2, 30, 20, 8, 5, 18], margin=0.15
        ),
    ),
    "the cut moved after the plan": (
        "plan_changed",
        "weakens",
        lambda: with_plan(
            fair_study(), burned_from="dark", target_grades=("light", "golden")
        ),
    ),
    "damper went with the pit": (
        "setting_damper_open",
        "weakens",
        lambda: with_bakes(
            fair_study(), damper_open=by_pit(Quarry=1, Ferry=0.5, Orchard=1)
        ),
    ),
    "damper nearly went with the pit": (
        "setting_damper_open",
        "weakens",
        lambda: with_bakes(fair_study(pits=2), damper_open=[1, 0.5, 1, 0.5, 0.9, 0.5]),
    ),
    "damper varied in one pit only": (
        "setting_mixed",
        "weakens",
        lambda: with_bakes(fair_study(bakes=6), damper_open=[1, 1, 1, 0.5, 1, 1] * 3),
    ),
    "wood went with the pit": (
        "setting_wood",
        "weakens",
        lambda: with_bakes(
            fair_study(), wood=by_pit(Quarry="oak", Ferry="pecan", Orchard="oak")
        ),
    ),
    "intake went with the pit": (
        "setting_intake_open",
        "weakens",
        lambda: with_bakes(
            fair_study(), intake_open=by_pit(Quarry=1, Ferry=0.5, Orchard=1)
        ),
    ),
    "plate in one pit": (
        "setting_plate",
        "weakens",
        lambda: with_bakes(
            fair_study(), plate=by_pit(Quarry="none", Ferry="under", Orchard="none")
        ),
    ),
    "target temperature went with the pit": (
        "setting_target_temp",
        "weakens",
        lambda: with_bakes(
            fair_study(), target_temp=by_pit(Quarry=325, Ferry=350, Orchard=325)
        ),
    ),
    "longer bakes in one pit": (
        "setting_minutes",
        "weakens",
        lambda: with_bakes(
            fair_study(), minutes=by_pit(Quarry=22, Ferry=25, Orchard=22)
        ),
    ),
    "tender went with the pit": (
        "tender_with_pit",
        "weakens",
        lambda: with_bakes(
            fair_study(), tender=by_pit(Quarry="one", Ferry="two", Orchard="one")
        ),
    ),
    "grader went with the pit": (
        "grader_with_pit",
        "spoils",
        lambda: with_bakes(
            fair_study(), grader=by_pit(Quarry="one", Ferry="two", Orchard="one")
        ),
    ),
    "gauges read differently": (
        "gauge_offset",
        "weakens",
        lambda: with_bakes(
            fair_study(temperature_rule="same indicated"),
            grate_temp=by_pit(Quarry=325.0, Ferry=350.0, Orchard=325.0),
        ),
    ),
    "gauges never checked": (
        "gauge_unchecked",
        "weakens",
        lambda: with_bakes(
            fair_study(temperature_rule="same indicated"), grate_temp=np.nan
        ),
    ),
    "grates not equally hot": (
        "grate_temp_differs",
        "weakens",
        lambda: with_bakes(
            fair_study(),
            indicated_temp=np.nan,
            grate_temp=by_pit(Quarry=325.0, Ferry=350.0, Orchard=326.0),
        ),
    ),
    "different places": ("layouts_differ", "weakens", _near_and_far),
    "different places, one bake of totals": (
        "totals_only",
        "weakens",
        _totals_of_one_bake,
    ),
    "unequal numbers of items": ("unequal_items", "note", _unequal_numbers),
    "only burned items written down": (
        "cells_left_out",
        "spoils",
        _some_cells_only,
    ),
    "items lost in one pit": ("items_missing", "weakens", _lost_in_one_pit),
    "the deciding face was not graded": ("face_not_graded", "spoils", _other_face),
    "small counts": ("too_few_to_tell", "note", _small_counts),
    "order kept in every session": ("order_fixed", "spoils", _order_kept),
    "one pit first, then the other": (
        "order_fixed",
        "spoils",
        _blocks_in_one_session,
    ),
    "order leaning": ("order_unbalanced", "weakens", _order_leaning),
    "order not recorded": (
        "order_unknown",
        "weakens",
        lambda: with_bakes(fair_study(), order=pd.NA, session=None),
    ),
    "a day for each pit": (
        "session_with_pit",
        "spoils",
        lambda: with_bakes(
            fair_study(),
            session=by_pit(Quarry="Fri", Ferry="Sat", Orchard="Sun"),
            order=[1, 1, 1, 2, 2, 2, 3, 3, 3],
        ),
    ),
    "days not shared": (
        "sessions_not_shared",
        "weakens",
        lambda: with_bakes(fair_study(), session=[str(i) for i in range(9)], order=1),
    ),
    "warm days for one pit": (
        "weather_with_pit",
        "weakens",
        lambda: with_bakes(
            fair_study(), ambient_temp=by_pit(Quarry=50, Ferry=85, Orchard=52)
        ),
    ),
    "lot and day together": ("together_with_pit", "weakens", _lots_and_days),
    "a lot for each pit": (
        "lot_with_pit",
        "spoils",
        lambda: with_bakes(
            fair_study(), lot=by_pit(Quarry="A", Ferry="B", Orchard="C")
        ),
    ),
    "lots nearly by pit": (
        "lot_unbalanced",
        "weakens",
        lambda: with_bakes(
            fair_study(pits=2, bakes=10), lot=["A", "B"] * 9 + ["B", "B"]
        ),
    ),
    "grader knew the pit": (
        "not_blind",
        "weakens",
        lambda: with_bakes(fair_study(), blind=False),
    ),
    "blinding not recorded": (
        "blind_unknown",
        "weakens",
        lambda: with_bakes(fair_study(), blind=pd.array([pd.NA] * 9, "boolean")),
    ),
    "never graded again": ("not_regraded", "note", fair_study),
    "loaded from the firebox": ("load_with_place", "weakens", _loaded_row_by_row),
    "late ones pale": ("load_with_grade", "weakens", _late_ones_pale),
    "many pits": ("many_pits", "note", lambda: fair_study(pits=5, bakes=5)),
    "a pit without a burned item": (
        "none_or_all_burned",
        "note",
        lambda: ps.study_from_counts(
            ["Quarry", "Ferry"] * 3, [18] * 6, [0, 4, 0, 6, 0, 5], margin=0.15
        ),
    ),
    "items moved": (
        "rotated",
        "weakens",
        lambda: with_bakes(fair_study(), rotated=[True] + [False] * 8),
    ),
    "one pit opened more": (
        "openings_differ",
        "weakens",
        lambda: with_bakes(fair_study(), openings=by_pit(Quarry=0, Ferry=2, Orchard=0)),
    ),
    "lid opened": (
        "opened",
        "note",
        lambda: with_bakes(fair_study(), openings=1),
    ),
    "map of few items": ("map_thin", "note", lambda: fair_study(bakes=2)),
    "bakes dropped in one pit": (
        "bakes_excluded",
        "weakens",
        _excluded_in_one_pit,
    ),
    "stopped early": ("bakes_not_done", "weakens", _not_finished),
    "looked after every bake": (
        "looks_undeclared",
        "weakens",
        lambda: _looked(looks_taken=(2, 3)),
    ),
    "a planned look": (
        "looks_planned",
        "note",
        lambda: _looked(looks_planned=(2, 3, 5), looks_taken=(2, 3)),
    ),
    "no margin": ("no_margin", "note", lambda: fair_study(margin=None)),
    "no stop rule": ("no_stop_rule", "note", lambda: fair_study(stop_rule="")),
    "unequal numbers of bakes": (
        "unequal_bakes",
        "note",
        lambda: _without("Ferry-3"),
    ),
    "tender not recorded": (
        "not_recorded",
        "note",
        lambda: with_bakes(fair_study(), tender=None),
    ),
    "a standing place for each pit": (
        "place_with_pit",
        "weakens",
        lambda: with_bakes(
            fair_study(), place=by_pit(Quarry="wall", Ferry="hedge", Orchard="gate")
        ),
    ),
}


# --- fair designs ---------------------------------------------------------------------

_NAMES = ("Quarry", "Ferry", "Orchard", "Mill", "Weir")
_CUTS = np.array([-np.inf, -5.0, -3.2, -1.2, 0.0])
_GRADES = np.array(["raw", "light", "golden", "dark", "burned"])


def clean_study(rng: np.random.Generator) -> ps.Study:
    """A fair test of random size, drawn as a cook would draw it, with its results."""
    names = list(_NAMES[: rng.integers(2, 6)])
    bakes = int(rng.integers(2, 7))
    sizes = {name: (int(rng.integers(2, 5)), int(rng.integers(4, 8))) for name in names}
    if rng.random() < 0.5:
        sizes = dict.fromkeys(names, sizes[names[0]])
    n_items = sum(rows * columns for rows, columns in sizes.values()) * bakes
    rule = "mixed" if rng.random() < 0.5 else "by session"
    lots = [None, "one lot", {"A": n_items // 2, "B": n_items - n_items // 2}][
        rng.integers(0, 3)
    ]
    layout = ps.randomize_layout(
        sizes,
        bakes=bakes,
        lots=lots,
        lot_rule=rule if isinstance(lots, dict) else "mixed",
        cells="as given",
        planned={
            "tender": "one",
            "grader": "two",
            "minutes": 22,
            "wood": "oak",
            "damper_open": 1.0,
            "intake_open": 0.5,
            "target_temp": 325,
            "blind": True,
        },
        settings=ps.Settings(
            title="Drawn at random",
            question="Which burns more?",
            temperature_rule="same grate",
            temperature_unit="F",
            stop_rule="22 minutes",
            margin=0.15,
        ),
        seed=int(rng.integers(1, 10**6)),
    )
    return baked(layout.study, rng)


def baked(plan: ps.Study, rng: np.random.Generator) -> ps.Study:
    """Results for every item of a plan: bakes differ, the firebox end is hotter."""
    n = len(plan.bakes)
    pits = list(plan.pits["pit"])
    heat = dict(
        zip(plan.bakes["bake"], rng.normal(0, rng.uniform(0, 1), n), strict=True)
    )
    level = dict(zip(pits, rng.uniform(-2.5, 0.5, len(pits)), strict=True))
    slope = dict(zip(pits, rng.uniform(-3, 0, len(pits)), strict=True))
    of = plan.items["bake"].map(plan.bakes.set_index("bake")["pit"])
    size = plan.items["bake"].map(plan.items.groupby("bake")["column"].max())
    distance = (plan.items["column"] - 0.5) / size - 0.5
    browning = (
        of.map(level)
        + of.map(slope) * distance.astype(float)
        + plan.items["bake"].map(heat)
        + rng.logistic(size=len(of))
    )
    dark = np.searchsorted(_CUTS, browning, side="right") - 1
    other = np.maximum(dark - rng.integers(0, 2, len(of)), 0)
    lost = rng.random(len(of)) < rng.choice([0.0, 0.03])
    grade = pd.Series(_GRADES[dark], index=of.index).where(~lost)
    below = pd.Series(_GRADES[other], index=of.index).where(~lost)
    grate = 325 + rng.integers(-4, 5, n)
    return replace(
        plan,
        bakes=plan.bakes.assign(
            status="kept",
            indicated_temp=grate + rng.integers(-4, 5, n),
            grate_temp=grate,
            ambient_temp=rng.integers(45, 70, n),
            openings=0,
            rotated=False,
        ),
        items=plan.items.assign(
            grade_top=grade,
            grade_bottom=below,
            missing=pd.Series("fallen", index=of.index).where(lost),
        ),
    )


def clean_simulation(rng: np.random.Generator) -> ps.Study:
    """A fair test of random size with turned order, as `simulate_study` makes it."""
    pits = [
        ps.SimulatedPit(
            pit=name,
            rate=float(rng.uniform(0.03, 0.6)),
            slope=float(rng.uniform(-3, 0)),
            grates={"main": (int(rng.integers(2, 5)), int(rng.integers(4, 8)))},
        )
        for name in _NAMES[: rng.integers(2, 6)]
    ]
    return ps.simulate_study(
        pits,
        bakes=int(rng.integers(2, 7)),
        sd_bake=float(rng.uniform(0, 1)),
        sd_session=float(rng.uniform(0, 0.5)),
        share_missing=float(rng.choice([0.0, 0.03])),
        rng=rng,
    ).study


def clean(number: int) -> ps.Study:
    """Fair study of a number: even ones from drawn layouts, odd ones simulated."""
    rng = np.random.default_rng([SEED, number])
    return clean_simulation(rng) if number % 2 else clean_study(rng)
