"""Plans judged with a spread borrowed from earlier tests, beside the plain ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pitstats.analysis.season.read import Season
from pitstats.analysis.season.spread import earlier_spread
from pitstats.errors import ArgumentError
from pitstats.planning.power import BakePlan
from pitstats.planning.simulation import (
    BakeDesign,
    Question,
    SimulationRules,
    mean_with_error,
    run_both,
    share_with_error,
)
from pitstats.stats.borrowed_spread import (
    REFUSED_BELOW,
    FalseCalls,
    false_calls_if_moodier,
)
from pitstats.stats.borrowed_spread import earlier_spread as prior_around
from pitstats.study.study import Study

Earlier = tuple[float, float] | Iterable[Study | Season | str | Path]


def spread_and_factor(earlier: Earlier) -> tuple[float, float]:
    """Spread of earlier tests and the factor within which they know it."""
    given = [earlier] if isinstance(earlier, (str, Path, Study, Season)) else earlier
    values = list(given)
    numbers = [value for value in values if isinstance(value, (int, float))]
    if len(numbers) != len(values) or not values:
        return earlier_spread(values)  # type: ignore[arg-type]
    try:
        sd, factor = numbers
        prior_around(sd, factor)
    except ValueError as error:
        raise ArgumentError(
            f"earlier is {values}; give a spread and the factor within which it is "
            f"known, such as (0.6, 1.5), or earlier studies ({error})"
        ) from None
    return float(sd), float(factor)


def with_earlier(
    plan: BakePlan,
    questions: Sequence[Question],
    earlier: tuple[float, float],
    rules: SimulationRules,
) -> BakePlan:
    """The same plans with what the borrowed answer would show of the same studies."""
    lent = [replace(question, earlier=earlier) for question in questions]
    found = run_both(lent, replace(rules, margin=None), "earlier spread")
    table = plan.table.copy()
    risks = {
        question.design: _if_moodier(question.design, plan.rate, earlier, rules)
        for question in questions
    }
    for k, (apart, alike) in enumerate(found):
        power, error = share_with_error(apart.separated, apart.studies)
        alarm, alarm_error = share_with_error(alike.separated, alike.studies)
        width, width_error = mean_with_error(apart.high - apart.low)
        row = {
            "borrowed_power": power,
            "borrowed_power_error": error,
            "borrowed_width": width,
            "borrowed_width_error": width_error,
            "borrowed_false_alarm": alarm,
            "borrowed_false_alarm_error": alarm_error,
            "unknown_weight": float(1.0 - apart.lent.mean()),
            "refused": float(np.mean(apart.lent < REFUSED_BELOW)),
            "moodier_false_alarm": risks[questions[k].design].borrowed,
            "moodier_plain_false_alarm": risks[questions[k].design].usual,
        }
        for name, value in row.items():
            table.loc[k, name] = value
    return replace(plan, table=table, earlier=earlier)


def _if_moodier(
    design: BakeDesign,
    rate: float,
    earlier: tuple[float, float],
    rules: SimulationRules,
) -> FalseCalls:
    """False alarms of the first two pits when fires are twice as moody as before."""
    first = design.pit < 2
    return false_calls_if_moodier(
        design.total[first],
        design.pit[first],
        rate,
        *earlier,
        rules.conf_level,
        simulations=rules.simulations,
        seed=rules.seed,
    )
