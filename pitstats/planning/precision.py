"""One pit: how wide its interval will be, and what "none burned" would prove."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pitstats.errors import DesignError
from pitstats.planning.designs import (
    as_list,
    check_rates,
    cost_of,
    make_design,
    shown,
    simulation_rules,
    spread_of,
)
from pitstats.planning.formulas import check_level, rate_icc, rule_of_three
from pitstats.planning.simulation import (
    SINGLE,
    Question,
    mean_with_error,
    run_designs,
)
from pitstats.stats.bake_model import BakeModel
from pitstats.stats.intervals import wilson_interval, zero_event_limit
from pitstats.stats.spread_prior import OWN
from pitstats.study.html_text import notebook_html


@dataclass(frozen=True, kw_only=True, eq=False)
class RatePlan:
    """What plans for a single pit would show of its rate.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per plan; columns as the function that made it states.
    seed : int or None
        Give it as ``rng`` to repeat the plan; None where nothing is random.
    estimand, method : str
        What is estimated, and how.
    conf_level : float
        Level of the intervals.
    caveats : tuple of str
        Shown wherever the plan is shown.
    """

    table: pd.DataFrame
    seed: int | None
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return notebook_html(self.estimand, self.table, self.caveats)


def width_for_one_pit(
    bakes: int | Sequence[int] = (2, 3, 4, 6),
    items: int | Sequence[int] = (12, 24),
    *,
    rate: float = 0.2,
    sd_bake: float | str | Sequence[float | str] = 0.6,
    cost_per_bake: float | None = None,
    cost_per_item: float | None = None,
    simulations: int = 500,
    rng: np.random.Generator | int | None = None,
    conf_level: float = 0.95,
) -> RatePlan:
    """Expected interval for the burn rate of a single pit.

    Parameters
    ----------
    bakes, items : int or sequence of int
        Bakes, and items per bake; every combination is a plan.
    rate : float, default 0.2
        Long-run burn rate.
    sd_bake : float, {"steady", "usual", "moody"} or sequence, default 0.6
        Standard deviation between bakes, logit scale.
    cost_per_bake, cost_per_item : float, optional
        Costs in any one unit.
    simulations : int, default 500
        Simulated studies per plan.
    rng : numpy.random.Generator or int, optional
        Generator from which the seed is drawn, or the seed itself.
    conf_level : float, default 0.95
        Level of the intervals.

    Returns
    -------
    RatePlan
        Columns ``bakes, items, sd_bake, width, width_error, low, high, naive_width,
        icc, total_items, cost``: mean width and mean ends of the interval, and the
        width that Wilson's interval would claim if every item counted on its own.

    Raises
    ------
    DesignError
        If a number is out of range.

    Examples
    --------
    >>> from pitstats.planning.precision import width_for_one_pit
    >>> plan = width_for_one_pit([2, 6], 18, simulations=200, rng=1)
    >>> bool(plan.table["width"].is_monotonic_decreasing)
    True
    """
    check_rates(rate, (0.5 - rate) / 2 or 0.1)
    rules = simulation_rules(simulations, rng, conf_level)
    questions = [
        Question(make_design(b, n, 1), rate, 0.0, spread_of(sd))
        for b in as_list(bakes)
        for n in as_list(items)
        for sd in as_list(sd_bake)
    ]
    if not questions:
        raise DesignError("name at least one number of bakes, of items and one spread")
    found = run_designs(
        [(question, SINGLE) for question in questions],
        rules,
        n_widths=rules.simulations,
        label="widths",
    )
    rows = []
    for question, tally in zip(questions, found, strict=True):
        design, sd = question.design, question.sd_bake
        width, error = mean_with_error(tally.high - tally.low)
        total = int(design.total.sum())
        naive = wilson_interval(round(rate * total), total, rules.conf_level)
        rows.append(
            {
                "bakes": shown(design.bakes),
                "items": shown(design.items),
                "sd_bake": sd,
                "width": width,
                "width_error": error,
                "low": float(tally.low.mean()),
                "high": float(tally.high.mean()),
                "naive_width": float(naive.high) - float(naive.low),
                "icc": rate_icc(rate, sd),
                "total_items": total,
                "cost": cost_of(design, cost_per_bake, cost_per_item),
            }
        )
    return RatePlan(
        table=pd.DataFrame(rows),
        seed=rules.seed,
        estimand=(
            "interval for the long-run burn rate of one pit whose true rate is "
            f"{rate:g}"
        ),
        method="simulated studies, each analyzed with the posterior for real ones",
        conf_level=rules.conf_level,
        caveats=(
            f"Means over {rules.simulations} simulated studies a plan, with "
            f"standard errors of the simulation; seed {rules.seed}.",
            "With a single bake the width is set by the assumption about the spread "
            "between bakes, not by the data.",
        ),
    )


def upper_bound_if_none_burn(
    bakes: int | Sequence[int] = (1, 2, 3, 4),
    items: int | Sequence[int] = (12, 24),
    *,
    conf_level: float = 0.95,
) -> RatePlan:
    """How high a pit's burn rate could still be if nothing burns.

    Parameters
    ----------
    bakes, items : int or sequence of int
        Bakes, and items per bake; every combination is a plan.
    conf_level : float, default 0.95
        Level of the limits.

    Returns
    -------
    RatePlan
        Columns ``bakes, items, total_items, upper, one_sided, exact, rule_of_three``.
        ``upper`` is the upper end of the interval that the report would show and
        ``one_sided`` the one-sided limit, both for items that share bakes; ``exact``
        and ``rule_of_three`` are the one-sided limits if every item counted on its own
        (the rule, 3 over n, is for 95 %).

    Raises
    ------
    DesignError
        If a number is out of range.

    Notes
    -----
    Nothing is random: the outcome is known. That no item burned says little about how
    much fires differ, so more items of one bake lower the limit less than the rule
    of three has it.

    References
    ----------
    .. [1] Hanley & Lippman-Hand (1983), If nothing goes wrong, is everything all
       right? Journal of the American Medical Association 249:1743-1745.

    Examples
    --------
    >>> from pitstats.planning.precision import upper_bound_if_none_burn
    >>> upper_bound_if_none_burn(3, 12).table[["upper", "exact"]].round(3)
       upper  exact
    0   0.13   0.08
    """
    level = check_level("conf_level", conf_level)
    rows = []
    for b in as_list(bakes):
        for n in as_list(items):
            design = make_design(b, n, 1)
            none = np.zeros((1, design.pit.size), dtype=np.int64)
            upper, one_sided = (
                float(BakeModel(design.total, design.pit, x).rates(none).high[0, 0])
                for x in (level, max(2 * level - 1, 1e-6))
            )
            total = int(design.total.sum())
            rows.append(
                {
                    "bakes": shown(design.bakes),
                    "items": shown(design.items),
                    "total_items": total,
                    "upper": upper,
                    "one_sided": one_sided,
                    "exact": float(zero_event_limit(total, level)),
                    "rule_of_three": rule_of_three(total),
                }
            )
    return RatePlan(
        table=pd.DataFrame(rows),
        seed=None,
        estimand="upper limit of the long-run burn rate of one pit if no item burns",
        method=f"posterior of the analysis, {OWN.words}",
        conf_level=level,
        caveats=(
            "None burned never means that none will: it only bounds the long-run rate.",
            '"exact" and "rule_of_three" ignore that items of a bake share a fire.',
        ),
    )
