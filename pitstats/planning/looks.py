"""A plan that may stop early: what its looks cost and save, by simulation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.power import BakePlan
from pitstats.planning.simulation import (
    ALIKE,
    SEPARATED,
    Question,
    SimulationRules,
    Task,
    blocks_of,
    mean_with_error,
    run_designs,
    share_with_error,
)
from pitstats.stats.bake_model import BakeModel
from pitstats.stats.session_model import SessionModel
from pitstats.stats.stopping import StoppingLevels, stopping_levels
from pitstats.study.percent import level_text

Array = NDArray[np.float64]

_NEVER = -1
_MARGIN_STUDIES = 300  # studies whose intervals are worked out at every look


@dataclass(frozen=True, eq=False)
class LookTally:
    """What the studies of one task did at their looks.

    Attributes
    ----------
    stopped : ndarray of int, shape (n_studies,)
        Look at which "differs" was said, from 0; -1 where it was not.
    shown : ndarray, shape (n_studies,)
        Estimated difference (second pit less first) at an early stop, NaN elsewhere.
    inside : ndarray of bool, shape (n_asked,)
        Whether some look, before any said "differs", concluded "no difference beyond
        the margin".
    """

    stopped: NDArray[np.intp]
    shown: Array
    inside: NDArray[np.bool_]


def checked_looks(looks: Sequence[int] | str, bakes: int | None) -> tuple[int, ...]:
    """Looks as stated, or after every bake from the second on."""
    if isinstance(looks, str):
        if looks != "every":
            raise DesignError(f'looks is "{looks}"; give numbers of bakes or "every"')
        return tuple(range(2, max(bakes or 6, 2) + 1))
    numbers = tuple(looks)
    whole = all(k == int(k) and 1 <= k <= 200 for k in numbers)
    if not numbers or not whole or list(numbers) != sorted(set(numbers)):
        raise ArgumentError(
            f"looks is {list(numbers)}; give bakes of each pit as increasing whole "
            "numbers, such as [2, 4, 6]"
        )
    return tuple(int(k) for k in numbers)


def with_looks(
    plan: BakePlan,
    questions: Sequence[Question],
    looks: tuple[int, ...],
    rules: SimulationRules,
) -> BakePlan:
    """The same plans with looks: chances over all looks beside those of one look."""
    table, stops = plan.table.copy(), []
    table.insert(0, "looks", ", ".join(map(str, looks)))
    table["one_look_power"] = table["power"]
    table["one_look_false_alarm"] = table["false_alarm"]
    several = sum(look > 1 for look in looks) > 1
    for k, question in enumerate(questions):
        design = question.design
        boundary = stopping_levels(
            looks,
            len(design.bakes),
            design.items,
            rules.conf_level,
            sessions=question.sd_session is not None,
            progress=True,
        )
        apart, alike = run_designs(
            [(question, SEPARATED), (question, ALIKE)],
            rules,
            n_widths=_MARGIN_STUDIES,
            label=f"looks, plan {k + 1} of {len(questions)}",
            work=partial(run_looks, looks=boundary.looks, levels=boundary.levels),
        )
        for column, value in _columns(looks, apart, alike, question).items():
            # A single look is the plan without looks, whose chances may be exact.
            if several or column not in plan.table:
                table.loc[k, column] = value
        stops.append(_stops(table.iloc[k], boundary, apart, alike))
    return replace(
        plan,
        table=table,
        looks=looks,
        stops=pd.concat(stops, ignore_index=True),
        caveats=(*plan.caveats, *_caveats(looks)),
    )


def run_looks(task: Task, looks: tuple[int, ...], levels: Array) -> LookTally:
    """Simulate the studies of one task and look at them after each number of bakes."""
    counts = blocks_of(task)
    n_asked = max(task.n_widths - task.start, 0) if task.margin else 0
    if task.sessions:
        return _look_in_sessions(task, counts, looks, levels, n_asked)
    pits, items = len(task.design.bakes), np.asarray(task.design.items)
    counts = counts.reshape(task.stop - task.start, pits, -1)
    stopped = np.full(counts.shape[0], _NEVER, dtype=np.intp)
    shown = np.full(counts.shape[0], np.nan)
    asked = counts[:n_asked]
    inside = np.zeros(asked.shape[0], dtype=np.bool_)
    for j, look in enumerate(looks):
        if look < 2:
            continue
        model = BakeModel(
            np.repeat(items, look), np.repeat(np.arange(pits), look), 1.0 - levels[j]
        )
        going = np.flatnonzero(stopped == _NEVER)
        now = counts[going, :, :look].reshape(going.size, -1)
        if task.scenario == ALIKE:
            told = model.separated(now, any_pair=True)
        else:
            told = model.separated(now, pairs=[(0, 1)])[:, 0]
        stopped[going[told]] = j
        if look < looks[-1] and task.scenario == SEPARATED and told.any():
            rates = model.rates(now[told]).estimate
            shown[going[told]] = rates[:, 1] - rates[:, 0]
        open_rows = np.flatnonzero(~inside & (stopped[: inside.size] == _NEVER))
        if open_rows.size and task.margin is not None:
            ends = model.ends(
                asked[open_rows, :, :look].reshape(open_rows.size, -1), pairs=[(0, 1)]
            )
            low, high = ends.simultaneous_low[:, 0], ends.simultaneous_high[:, 0]
            inside[open_rows] = (low > -task.margin) & (high < task.margin)
    return LookTally(stopped, shown, inside)


def _look_in_sessions(
    task: Task,
    counts: NDArray[np.int64],
    looks: tuple[int, ...],
    levels: Array,
    n_asked: int,
) -> LookTally:
    """Look at studies of two pits, each session with a bake of both."""
    design = task.design
    judged = [j for j, look in enumerate(looks) if look > 1]
    model = SessionModel(design.total, design.pit, design.session)
    found = model.after_sessions(counts, [looks[j] for j in judged], levels[judged])
    differs = found.p_value < levels[judged]
    told, first = differs.any(axis=1), differs.argmax(axis=1)
    shown = np.full(counts.shape[0], np.nan)
    if task.scenario == SEPARATED:
        early = np.flatnonzero(told & (first < len(judged) - 1))
        shown[early] = -found.estimate[early, first[early]]
    margin = task.margin or 0.0
    within = (found.low > -margin) & (found.high < margin)
    within &= ~np.maximum.accumulate(differs, axis=1)
    return LookTally(
        np.where(told, np.array(judged)[first], _NEVER),
        shown,
        np.asarray(within[:n_asked].any(axis=1)),
    )


def _columns(
    looks: tuple[int, ...], apart: LookTally, alike: LookTally, question: Question
) -> dict[str, float]:
    """Chances over all looks, mean numbers of bakes, and what early stops show."""
    n = apart.stopped.size
    power, error = share_with_error(int((apart.stopped >= 0).sum()), n)
    alarm, alarm_error = share_with_error(int((alike.stopped >= 0).sum()), n)
    bakes = np.asarray(looks)
    used = np.where(apart.stopped >= 0, bakes[apart.stopped], bakes[-1])
    mean, mean_error = mean_with_error(used.astype(float))
    early = apart.shown[np.isfinite(apart.shown)]
    none, none_error = share_with_error(int(alike.inside.sum()), alike.inside.size)
    sign = math.copysign(1.0, question.difference)
    return {
        "power": power,
        "power_error": error,
        "false_alarm": alarm,
        "false_alarm_error": alarm_error,
        "mean_bakes": mean,
        "mean_bakes_error": mean_error,
        "shown_too_large": float("nan")
        if early.size < 20
        else float(sign * early.mean() - abs(question.difference)),
        "no_difference": none,
        "no_difference_error": none_error,
    }


def _stops(
    row: pd.Series, boundary: StoppingLevels, apart: LookTally, alike: LookTally
) -> pd.DataFrame:
    """One row per look: its level and the chance to stop there."""
    places = range(len(boundary.looks))
    return pd.DataFrame(
        {
            "items": row["items"],
            "sd_bake": row["sd_bake"],
            "look": boundary.looks,
            "level": boundary.levels,
            "stop": [float((apart.stopped == j).mean()) for j in places],
            "stop_alike": [float((alike.stopped == j).mean()) for j in places],
        }
    )


def _caveats(looks: tuple[int, ...]) -> tuple[str, ...]:
    first = next((k for k in looks if k > 1), looks[-1])
    least = 2 / math.comb(2 * first, first)
    return (
        "Chances are over all looks; beside them is what a single look after the last "
        "bake would give. Mean bakes are those of each pit when the pits differ as "
        "stated.",
        "An early stop shows a difference that is too large on average; the full table "
        "(CSV) says by how much, where enough of the tests stop early.",
        f"With {first} bakes a pit drawn by lot no reshuffling of bakes can reach a "
        f"p-value below {least:.2g}; an early verdict leans on the model.",
    )


def boundary_in_words(plan: BakePlan) -> list[str]:
    """The boundary as a cook reads it, a sentence a look."""
    if plan.stops is None:
        return []
    first = plan.stops.drop_duplicates("look")
    return [look_in_words(int(r["look"]), r["level"]) for _, r in first.iterrows()]


def look_in_words(look: int, level: float) -> str:
    """What to say at one look."""
    if look < 2:
        return "After 1 bake of each pit say nothing: one bake allows no verdict."
    return (
        f"After {look} bakes of each pit say 'differs' only if the "
        f"{level_text(1 - level)} interval excludes no difference."
    )
