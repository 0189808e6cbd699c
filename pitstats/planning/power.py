"""How many bakes and items: the chance to tell pits apart, by simulation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.designs import (
    Count,
    Pilot,
    PilotDraws,
    as_list,
    check_pits,
    check_rates,
    checked_difference,
    checked_sessions,
    cost_of,
    draw_pilot,
    make_design,
    shown,
    simulation_rules,
    spreads_of,
)
from pitstats.planning.exact import (
    MOST_BAKES,
    MOST_ITEMS,
    can_be_enumerated,
    exact_chance,
)
from pitstats.planning.formulas import rate_icc, two_rate_power
from pitstats.planning.simulation import (
    WIDTH_STUDIES,
    BakeDesign,
    Question,
    SimulationRules,
    Tally,
    mean_with_error,
    run_both,
    share_with_error,
)
from pitstats.stats.spread_prior import OWN
from pitstats.study.html_text import notebook_html

if TYPE_CHECKING:
    from pitstats.planning.earlier import Earlier

NO_VERDICT = "no verdict from one bake each"
ONE_BESIDE_FEW = (
    "no verdict for a pit baked once beside one with fewer than three bakes"
)

_ESTIMAND = (
    "chance that the comparison of pits separates the first pit from the second, when "
    "their long-run burn rates differ by the stated difference"
)
_METHOD = (
    "simulated studies, each analyzed with the posterior that analyzes real ones "
    f"({OWN.words})"
)
_METHOD_SESSIONS = (
    "simulated studies whose sessions hold a bake of each pit, each analyzed with the "
    "session effect as real ones are; for two pits by quadrature, good to 0.01"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class BakePlan:
    """Plans of a comparison and what to expect of each.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per plan: ``bakes, items, sd_bake, power, power_error, width,
        width_error, false_alarm, false_alarm_error, no_difference,
        no_difference_error, naive_power, icc, total_items, cost, note``.
        ``bakes`` are per pit and ``items`` per bake (text where pits differ),
        ``total_items`` and ``cost`` of all pits together. ``width`` is the mean width
        of the interval that decides the verdict, ``no_difference`` the chance to
        conclude "no difference beyond the margin" when pits are alike,
        ``naive_power`` what a formula promises if every item counted on its own. The
        errors are Monte-Carlo standard errors.
    rate, difference : float
        Assumed long-run rate of the first pit (mean over the pilot's posterior when
        there is one), and of the others less that.
    pits : int
        Number of pits.
    margin : float or None
        Margin of "no difference beyond the margin".
    simulations : int
        Simulated studies per plan and question.
    seed : int
        Give it as ``rng`` to repeat the plan.
    estimand, method : str
        What is estimated, and how.
    conf_level : float
        Level of the intervals.
    caveats : tuple of str
        Shown wherever the plan is shown.
    pilot : str
        What the pilot was; empty without one.
    looks : tuple of int
        Bakes of each pit at each look, if there are several. The table then also has
        ``looks``, ``mean_bakes`` and ``mean_bakes_error`` (bakes of each pit until the
        stop, when pits differ as stated), ``one_look_power``,
        ``one_look_false_alarm``, and ``shown_too_large``: how much larger than the
        truth the difference looks on average at an early stop. ``power``,
        ``false_alarm`` and ``no_difference`` are over all looks.
    earlier : tuple of float or None
        Spread of earlier tests and its factor, where one is to be borrowed. The table
        then also has ``borrowed_power``, ``borrowed_width``, ``borrowed_false_alarm``,
        each with its error: what the borrowed answer shows of the same studies;
        ``unknown_weight`` (mean posterior weight on "the spread is not known") and
        ``refused`` (share of studies that contradict the earlier spread); and
        ``moodier_false_alarm`` beside ``moodier_plain_false_alarm``, of the first two
        pits, alike, if fires are twice as moody as the earlier ones.
    sd_session : float or None
        Spread between sessions that each hold a bake of every pit, if planned so.
    stops : pandas.DataFrame or None
        With looks: ``items, sd_bake, look, level, stop, stop_alike``, the two-sided
        level of each look and the chance to stop there, when pits differ and when they
        are alike.
    """

    table: pd.DataFrame
    rate: float
    difference: float
    pits: int
    margin: float | None
    simulations: int
    seed: int
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    pilot: str = ""
    looks: tuple[int, ...] = ()
    stops: pd.DataFrame | None = None
    earlier: tuple[float, float] | None = None
    sd_session: float | None = None

    @property
    def usual(self) -> BakePlan:
        """The plans of the middle one of the spreads, the lower of two."""
        spreads = sorted(set(self.table["sd_bake"].tolist()))
        middle = spreads[(len(spreads) - 1) // 2]
        return replace(self, table=self.table[self.table["sd_bake"] == middle])

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def cheapest(self, power: float = 0.8) -> pd.Series | None:
        """Plan that costs least among those that reach a power.

        Parameters
        ----------
        power : float, default 0.8
            Chance wanted, in every spread between bakes that was asked about.

        Returns
        -------
        pandas.Series or None
            Row of the table (the one with the least power among its spreads); None
            when no plan reaches it. Without costs, the plan with the fewest bakes,
            then items.
        """
        plans = self.table.assign(order=range(len(self.table)))
        worst = plans.loc[plans.groupby(["bakes", "items"])["power"].idxmin()]
        enough = worst[worst["power"] >= power]
        if enough.empty:
            return None
        keys = ["cost", "total_bakes", "total_items", "order"]
        best = enough.assign(total_bakes=_total_bakes(enough, self.pits))
        row: pd.Series = self.table.loc[best.sort_values(keys).index[0]]
        return row

    def _repr_html_(self) -> str:
        return notebook_html(self.estimand, self.table, self.caveats)


def _total_bakes(table: pd.DataFrame, pits: int) -> list[int]:
    return [
        sum(map(int, value.split(","))) if isinstance(value, str) else pits * int(value)
        for value in table["bakes"].tolist()
    ]


def plan_bakes(
    bakes: Count | Sequence[Count] | None = None,
    items: Count | Sequence[Count] = (12, 24),
    rate: float = 0.2,
    difference: float = 0.2,
    sd_bake: float | str | Sequence[float | str | Sequence[float | str]] = 0.6,
    pits: int = 2,
    margin: float | None = None,
    cost_per_bake: float | None = None,
    cost_per_item: float | None = None,
    simulations: int = 2000,
    rng: np.random.Generator | int | None = None,
    *,
    looks: Sequence[int] | str | None = None,
    pilot: Pilot | None = None,
    pilot_pit: str | int | None = None,
    earlier: Earlier | None = None,
    conf_level: float = 0.95,
    sd_session: float | None = None,
) -> BakePlan:
    """Chance to tell pits apart for numbers of bakes and items.

    Every combination of ``bakes``, ``items`` and ``sd_bake`` is a plan. For each,
    studies are simulated and judged the way `compare_pits` judges real ones: once with
    pits that differ, once with pits that are alike.

    Parameters
    ----------
    bakes : int or sequence, default (2, 3, 4)
        Bakes per pit. An entry may itself be a sequence, one number per pit. With
        looks the last of them, and need not be given.
    items : int or sequence, default (12, 24)
        Items per bake. An entry may itself be a sequence, one number per pit.
    rate : float, default 0.2
        Long-run burn rate of the first pit.
    difference : float, default 0.2
        Long-run rate of all other pits less ``rate``: the smallest difference worth
        finding.
    sd_bake : float, {"steady", "usual", "moody"} or sequence, default 0.6
        Standard deviation between bakes of one pit, logit scale; see `explain_spread`.
        An entry of a sequence may itself be a sequence, one number per pit: ``[(0.3,
        1.0)]`` is one plan with a steady and a moody pit.
    pits : int, default 2
        Number of pits, 2 to 6; with more than two the simultaneous intervals decide.
    margin : float, optional
        Largest difference that would not change advice; adds the chance to conclude
        "no difference beyond the margin" when pits are alike.
    cost_per_bake, cost_per_item : float, optional
        Cost of one bake and of one item, in any one unit.
    simulations : int, default 2000
        Simulated studies per plan and question; whole intervals for 300 of them.
    rng : numpy.random.Generator or int, optional
        Generator from which the seed is drawn, or the seed itself.
    looks : sequence of int or "every", optional
        Bakes per pit after which the results will be looked at and the test may stop,
        such as ``[2, 4, 6]``; "every": after every bake from the second to ``bakes``
        (6 if not given). Levels from `stats.stopping_levels`.
    pilot : Study or (burned, total, pit), optional
        Earlier bakes. ``rate`` and ``sd_bake`` are then not used: both are drawn anew
        for every simulated study from what the pilot leaves possible (assurance).
    pilot_pit : str or int, optional
        Pit of the pilot whose rate the first pit has; its first when not given.
    earlier : (float, float) or iterable of Study, Season or path, optional
        Earlier tests of the same kind, or their spread between bakes and the factor
        within which they know it: the same studies are then also judged with that
        spread borrowed.
    conf_level : float, default 0.95
        Level of the intervals.
    sd_session : float, optional
        Standard deviation between sessions, logit scale, where every session holds a
        bake of each pit: the studies are then judged with the session effect, as real
        ones are. Two pits take about 2 ms a study, more about 30. Without it every bake
        has a day of its own.

    Returns
    -------
    BakePlan

    Raises
    ------
    DesignError
        If a number is out of range; the message says which and what to change. Also
        if an earlier spread is planned together with looks or sessions, or looks at
        sessions of more than two pits, and if the difference is to be taken from a
        finished test: see Notes.

    Notes
    -----
    Observed power is refused. The power of a finished test at the difference that it
    found is a function of its p-value and holds no news [1]_.

    With a pilot the chance is an average over the posterior, an assurance [2]_. The
    same seed gives the same numbers for any number of workers, which
    `joblib.parallel_config` chooses; long work takes all cores.

    References
    ----------
    .. [1] Hoenig & Heisey (2001), The abuse of power, American Statistician 55:19-24.
    .. [2] O'Hagan, Stevens & Campbell (2005), Assurance in clinical trial design,
       Pharmaceutical Statistics 4:187-201.

    Examples
    --------
    >>> import pitstats as ps
    >>> plan = ps.plan_bakes(
    ...     bakes=[2, 6], items=18, rate=0.1, difference=0.4, simulations=500, rng=1
    ... )
    >>> bool(plan.table["power"].is_monotonic_increasing)
    True
    """
    # Both build on plans, so they are loaded when one is worked out.
    from pitstats.planning.earlier import spread_and_factor, with_earlier
    from pitstats.planning.looks import with_looks

    pits = check_pits(pits)
    difference = (
        checked_difference(difference) if pilot else check_rates(rate, difference)
    )
    rules = simulation_rules(simulations, rng, conf_level, margin)
    draws = None if pilot is None else draw_pilot(pilot, pilot_pit, difference, rules)
    planned = _planned_looks(looks, bakes)
    days = checked_sessions(sd_session, pits, looked_at=bool(planned))
    if earlier is not None and (planned or days is not None):
        raise DesignError(
            "an earlier spread is borrowed for one look at bakes on days of their own; "
            "leave looks and sd_session out"
        )
    if planned:
        bakes = planned[-1]
    spreads = [spreads_of(value, pits) for value in as_list(sd_bake)]
    wanted = as_list((2, 3, 4) if bakes is None else bakes)
    designs = [make_design(b, n, pits) for b in wanted for n in as_list(items)]
    if not designs or not spreads:
        raise DesignError("name at least one number of bakes, of items and one spread")
    if draws is not None:
        spreads = [(float(draws.sd_bake.mean()),) * pits]
    questions = [
        asked_of_pits(design, rate, difference, sds, draws, sd_session=days)
        for design in designs
        for sds in spreads
    ]
    plan = work_out(questions, rules, (cost_per_bake, cost_per_item))
    if earlier is not None:
        return with_earlier(plan, questions, spread_and_factor(earlier), rules)
    if not planned:
        return plan
    return with_looks(plan, questions, planned, rules)


def _planned_looks(
    looks: Sequence[int] | str | None, bakes: Count | Sequence[Count] | None
) -> tuple[int, ...]:
    """Looks as planned; the last of them is the number of bakes."""
    if looks is None:
        return ()
    from pitstats.planning.looks import checked_looks

    single = bakes if isinstance(bakes, int) else None
    planned = checked_looks(looks, single)
    if bakes is not None and as_list(bakes) != [planned[-1]]:
        raise ArgumentError(
            f"bakes is {bakes}, but the last look is after {planned[-1]} bakes; leave "
            "bakes out, or let the looks end with it"
        )
    return planned


def asked_of_pits(
    design: BakeDesign,
    rate: float,
    difference: float,
    sds: tuple[float, ...],
    draws: PilotDraws | None,
    sd_session: float | None,
) -> Question:
    """Question with a spread for each pit, which the note names where they differ."""
    if len(set(sds)) == 1:
        return Question(design, rate, difference, sds[0], draws, sd_session=sd_session)
    typical = float(np.sqrt(np.mean(np.square(sds))))
    named = ":".join(f"{sd:g}" for sd in sds)
    note = f"spread of each pit {named}, in the column their root mean square"
    return Question(
        design, rate, difference, typical, draws, note, sd_session, sd_of_pits=sds
    )


def work_out(
    questions: Sequence[Question],
    rules: SimulationRules,
    costs: tuple[float | None, float | None] = (None, None),
) -> BakePlan:
    """Simulate and analyze all plans, each with pits that differ and that are alike."""
    whole_cost = [cost_of(question.design, *costs) for question in questions]
    rows = [
        _row(question, apart, alike, cost, rules.conf_level)
        for question, (apart, alike), cost in zip(
            questions, run_both(questions, rules, "plans"), whole_cost, strict=True
        )
    ]
    first = questions[0]
    return BakePlan(
        table=pd.DataFrame(rows),
        rate=first.rate if first.draws is None else float(first.draws.rate.mean()),
        difference=first.difference,
        pits=len(first.design.bakes),
        margin=rules.margin,
        simulations=rules.simulations,
        seed=rules.seed,
        estimand=_ESTIMAND,
        method=_METHOD if first.sd_session is None else _METHOD_SESSIONS,
        conf_level=rules.conf_level,
        caveats=_caveats(questions, rules),
        pilot="" if first.draws is None else first.draws.words,
        sd_session=first.sd_session,
    )


def _row(
    question: Question, apart: Tally, alike: Tally, cost: float, conf_level: float
) -> dict[str, object]:
    design, draws = question.design, question.draws
    rate = question.rate if draws is None else float(draws.rate.mean())
    (power, power_error), (alarm, alarm_error) = (
        (exact_chance(question, conf_level, alike=which is alike), 0.0)
        if can_be_enumerated(question)
        else share_with_error(which.separated, which.studies)
        for which in (apart, alike)
    )
    if (0, 1) not in design.judged_pairs:
        power_error = 0.0
    if not design.judged_pairs:
        alarm_error = 0.0
    width, width_error = mean_with_error(apart.high - apart.low)
    none, none_error = share_with_error(int(alike.inside.sum()), alike.inside.size)
    notes = []
    if design.one_bake_each:
        notes = [NO_VERDICT]
    elif (0, 1) not in design.judged_pairs:
        notes = [ONE_BESIDE_FEW]
    return {
        "bakes": shown(design.bakes),
        "items": shown(design.items),
        "sd_bake": question.sd_bake,
        "power": power,
        "power_error": power_error,
        "width": width,
        "width_error": width_error,
        "false_alarm": alarm,
        "false_alarm_error": alarm_error,
        "no_difference": none,
        "no_difference_error": none_error,
        "naive_power": _naive_power(question, rate, conf_level),
        "icc": rate_icc(rate, question.sd_bake),
        "total_items": int(design.total.sum()),
        "cost": cost,
        "note": "; ".join([question.note, *notes] if question.note else notes),
    }


def _naive_power(question: Question, rate: float, conf_level: float) -> float:
    """What counting items promises, for the first two pits (harmonic mean size)."""
    a, b = (question.design.bakes[k] * question.design.items[k] for k in (0, 1))
    other = min(max(rate + question.difference, 0.0), 1.0)
    return two_rate_power(rate, other, 2 * a * b / (a + b), alpha=1 - conf_level)


def _caveats(questions: Sequence[Question], rules: SimulationRules) -> tuple[str, ...]:
    designs = [question.design for question in questions]
    notes = [
        f"Chances are shares of {rules.simulations} simulated studies; ± is one "
        f"standard error of the simulation. Widths rest on "
        f"{min(WIDTH_STUDIES, rules.simulations)} studies a plan. Seed {rules.seed}.",
        "The simulated bakes follow the model of the analysis: normal bake effects, "
        "spreads as stated, every planned item graded. Real fires may be rougher.",
        '"If each item counted" is what a formula promises when every item counts as '
        "independent; it ignores that items of a bake share a fire.",
    ]
    if any(map(can_be_enumerated, questions)):
        notes.append(
            f"Chances of two pits with up to {MOST_BAKES} bakes of up to {MOST_ITEMS} "
            "items are exact, every outcome with its probability: their error is 0."
        )
    sd_session = questions[0].sd_session
    if sd_session is not None:
        notes.append(
            "Every session holds a bake of each pit, and sessions differ with an SD of "
            f"{sd_session:g} (logit scale); bakes on days of their own need a plan "
            "without sessions."
        )
    if any(design.one_bake_each for design in designs):
        notes.append(
            "One bake in every pit cannot show how much bakes differ, so no verdict is "
            "given whatever burns: the power of such a plan is 0."
        )
    if max(max(q.sd_of_pits or (q.sd_bake,)) for q in questions) > 1:
        notes.append(
            "For spreads between bakes above 1 the intervals of the analysis are not "
            "promised to cover at their level."
        )
    draws = questions[0].draws
    if draws is not None:
        notes.append(
            f"Rate and spread were not fixed but drawn from what {draws.words} leaves "
            "possible: every chance is an average over it (an assurance), and the "
            "spread shown is its mean."
        )
        if draws.kept < 0.99:
            notes.append(
                f"The stated difference was possible in {100 * draws.kept:.0f}% of "
                "what the pilot leaves; the rest was left out."
            )
        if draws.one_bake_each:
            notes.append(
                "The pilot has one bake in each pit: it says nothing about the spread "
                "between bakes, which is therefore anything from 0 to 2.5."
            )
    return tuple(notes)
