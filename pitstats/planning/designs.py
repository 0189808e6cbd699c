"""What a plan may ask: designs, spreads, seeds and pilot bakes, checked in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from pitstats.errors import ArgumentError, DesignError
from pitstats.planning.formulas import check_level, rate_icc
from pitstats.planning.simulation import Array, BakeDesign, Question, SimulationRules
from pitstats.stats.bake_model import BakeRates, bake_rates
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.spread_prior import SD_LIMIT
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study

Count = int | Sequence[int]
Pilot = Study | tuple[ArrayLike, ArrayLike, ArrayLike]

SPREADS = {"steady": 0.3, "usual": 0.6, "moody": 1.0}
"""Bake standard deviations (logit scale) by the mood of the fire."""

MOST_ITEMS = 1000


def spread_of(value: float | str) -> float:
    """Bake standard deviation from a number or from the mood of the fire."""
    if isinstance(value, str):
        if value not in SPREADS:
            raise DesignError(
                f'sd_bake is "{value}"; use a number or one of {", ".join(SPREADS)}'
            )
        return SPREADS[value]
    if not _number(value) or not 0 <= value <= SD_LIMIT:
        raise ArgumentError(
            f"sd_bake is {value}; it is a standard deviation on the logit scale, from "
            f"0 (every fire alike) to {SD_LIMIT} (0.3 steady, 0.6 usual, 1.0 moody)"
        )
    return float(value)


def spreads_of(
    value: float | str | Sequence[float | str], pits: int
) -> tuple[float, ...]:
    """Spread of each pit from one for all, or one per pit."""
    values = as_list(value)
    if len(values) not in (1, pits):
        raise DesignError(
            f"sd_bake gives {len(values)} spreads for {pits} pits; give one, or one "
            "per pit"
        )
    return tuple(spread_of(entry) for entry in values) * (pits // len(values))


def explain_spread(sd_bake: float | str, rate: float = 0.2) -> str:
    """Say in a cook's words what a spread between bakes means.

    Parameters
    ----------
    sd_bake : float or {"steady", "usual", "moody"}
        Standard deviation on the logit scale, or a word for it.
    rate : float, default 0.2
        Long-run burn rate of the pit.

    Returns
    -------
    str

    Raises
    ------
    DesignError
        If the spread or the rate is out of range.

    Examples
    --------
    >>> explain_spread("usual", 0.2)
    'Spread 0.6: a pit that burns 20% in the long run burns between 9% and 33% in eight
    bakes of ten (items of one bake correlate 0.05).'
    """
    sd = spread_of(sd_bake)
    icc = rate_icc(rate, sd)
    center = float(marginal_intercept(rate, sd))
    low, high = (100 * expit(center + side * 1.2816 * sd) for side in (-1, 1))
    return (
        f"Spread {sd:g}: a pit that burns {100 * rate:.0f}% in the long run burns "
        f"between {low:.0f}% and {high:.0f}% in eight bakes of ten (items of one bake "
        f"correlate {icc:.2f})."
    )


def make_design(bakes: Count, items: Count, pits: int) -> BakeDesign:
    """Design from numbers common to all pits or stated for each."""
    return BakeDesign(
        _per_pit("bakes", bakes, pits, 200), _per_pit("items", items, pits, MOST_ITEMS)
    )


def _per_pit(name: str, value: Count, pits: int, most: int) -> tuple[int, ...]:
    numbers: list[Any] = [value] * pits if _single(value) else as_list(value)
    if len(numbers) != pits:
        raise DesignError(
            f"{name} gives {len(numbers)} numbers for {pits} pits; give one number, or "
            "one per pit"
        )
    for number in numbers:
        if not _whole(number) or not 1 <= number <= most:
            raise DesignError(
                f"{name} holds {number}; use whole numbers from 1 to {most}"
            )
    return tuple(int(number) for number in numbers)


def _single(value: object) -> bool:
    """One number or word, not a sequence."""
    return isinstance(value, str | bytes) or not hasattr(value, "__len__")


def _number(value: object) -> bool:
    return isinstance(value, int | float | np.number) and not math.isnan(value)


def _whole(value: object) -> bool:
    return _number(value) and math.isfinite(value) and value == int(value)  # type: ignore


def as_list(value: object) -> list[Any]:
    """List of what was given, one thing or several."""
    return [value] if _single(value) else list(value)  # type: ignore[call-overload]


def shown(numbers: tuple[int, ...]) -> int | str:
    """One number where all pits agree, otherwise the numbers as text."""
    return numbers[0] if len(set(numbers)) == 1 else ", ".join(map(str, numbers))


def check_rates(rate: float, difference: object) -> float:
    """Check the rate and the difference worth finding."""
    number = checked_difference(difference)
    if not _number(rate) or not 0 < rate < 1:
        raise ArgumentError(
            f"rate is {rate}; it is a share of items, between 0 and 1 (0.2 is one in "
            "five)"
        )
    if not 0 < rate + number < 1:
        raise DesignError(
            f"rate {rate} and difference {number:+g} give the other pits a rate of "
            f"{rate + number:g}; keep it between 0 and 1"
        )
    return number


def checked_difference(difference: object) -> float:
    """Difference worth finding, refused when it is to be taken from finished data."""
    if difference is None or isinstance(difference, str):
        raise DesignError(
            "state the difference worth finding as a number. The power of a finished "
            "test at the difference it happened to find (observed power) is not "
            "computed: it only says again what the p-value says, high where the "
            "difference was found and low where it was not (Hoenig & Heisey 2001). "
            "Look at the interval of the finished test instead"
        )
    if not _number(difference):
        raise ArgumentError(f"difference is {difference}; state it as a number")
    if difference == 0:
        raise DesignError(
            "difference is 0; state the smallest difference worth finding (the chance "
            "of a false alarm is always worked out beside it)"
        )
    return float(difference)  # type: ignore[arg-type]


def check_pits(pits: int) -> int:
    """Number of pits, 2 to 6."""
    if pits == 1:
        raise DesignError(
            "a comparison needs at least 2 pits; what bakes of one pit alone tell "
            "stands in pitstats report --notebook plan_bakes"
        )
    if not _whole(pits) or not 2 <= pits <= 6:
        raise ArgumentError(f"pits is {pits}; plans are made for 2 to 6 pits")
    return int(pits)


def checked_sessions(
    sd_session: float | None, pits: int, *, looked_at: bool
) -> float | None:
    """Return the spread between sessions to plan with, or say what is wrong."""
    if sd_session is None:
        return None
    if not 0.0 <= sd_session <= SD_LIMIT:
        raise ArgumentError(
            f"sd_session is {sd_session}; it must lie between 0 and {SD_LIMIT}"
        )
    if looked_at and pits > 2:
        raise DesignError(
            "with sessions, the chances of a plan with looks are worked out for two "
            f"pits, not for {pits}; plan without looks, or leave sd_session out"
        )
    return float(sd_session)


def simulation_rules(
    simulations: int,
    rng: np.random.Generator | int | None,
    conf_level: float,
    margin: float | None = None,
) -> SimulationRules:
    """How every design is simulated and judged, checked."""
    if not _whole(simulations) or simulations < 2:
        raise ArgumentError(
            f"simulations is {simulations}; use a whole number from 2 up (2000 gives "
            "a chance of 50% to within 2 points)"
        )
    if margin is not None and not 0 < margin < 1:
        raise ArgumentError(
            f"margin is {margin}; it is the largest difference that would not change "
            "advice, between 0 and 1"
        )
    return SimulationRules(
        int(simulations), seed_from(rng), check_level("conf_level", conf_level), margin
    )


def question_maker(
    rate: float, difference: float, sd_bake: float | str, pits: int
) -> Callable[..., Question]:
    """What makes questions of bakes, items and a note, the rest being checked once."""
    pits, difference = check_pits(pits), check_rates(rate, difference)
    spread = spread_of(sd_bake)

    def question(bakes: Count, items: Count, note: str = "") -> Question:
        design = make_design(bakes, items, pits)
        return Question(design, rate, difference, spread, note=note)

    return question


def seed_from(rng: np.random.Generator | int | None) -> int:
    """Seed of a plan: fresh, drawn from a generator, or the one given."""
    if rng is None:
        return int(np.random.SeedSequence().entropy % 2**53)  # type: ignore[operator]
    if isinstance(rng, np.random.Generator):
        return int(rng.integers(2**53))
    if rng < 0:
        raise DesignError(f"the seed is {rng}; use a whole number from 0 up")
    return int(rng)


def cost_of(
    design: BakeDesign, cost_per_bake: float | None, cost_per_item: float | None
) -> float:
    """Cost of all bakes of all pits; NaN when no cost is stated."""
    if cost_per_bake is None and cost_per_item is None:
        return float("nan")
    for name, cost in (
        ("cost_per_bake", cost_per_bake),
        ("cost_per_item", cost_per_item),
    ):
        if cost is not None and not (0 <= cost < math.inf):
            raise ArgumentError(f"{name} is {cost}; a cost cannot be negative")
    bake, item = cost_per_bake or 0.0, cost_per_item or 0.0
    return float(
        sum(
            b * (bake + n * item)
            for b, n in zip(design.bakes, design.items, strict=True)
        )
    )


@dataclass(frozen=True, eq=False)
class PilotDraws:
    """Rates and spreads that a pilot leaves possible.

    Attributes
    ----------
    rate, sd_bake : ndarray, shape (n,)
        Joint draws of the pit's long-run rate and of its bake standard deviation.
    kept : float
        Share of the posterior in which the stated difference is possible.
    words : str
        What the pilot was.
    one_bake_each : bool
        Whether the pilot could not see the spread between bakes.
    """

    rate: Array
    sd_bake: Array
    kept: float
    words: str
    one_bake_each: bool


def draw_pilot(
    pilot: Pilot,
    pilot_pit: str | int | None,
    difference: float,
    rules: SimulationRules,
) -> PilotDraws:
    """Draw what a pilot leaves unknown: rate of one pit and spread between bakes."""
    found, names, bakes = _analyzed_pilot(pilot)
    column = 0 if pilot_pit is None else _place(pilot_pit, names)
    n_draws = rules.simulations
    rng = np.random.default_rng(np.random.SeedSequence(rules.seed, spawn_key=(0,)))
    rates, sd = found.posterior.draw(20 * n_draws, rng)
    other = rates[:, column] + difference
    possible = np.flatnonzero((other > 0.002) & (other < 0.998))
    if possible.size < n_draws:
        raise DesignError(
            f"after the pilot, pit {names[column]} has hardly any room for a "
            f"difference of {difference:+g}; state a smaller one or turn its sign"
        )
    chosen = possible[:n_draws]
    return PilotDraws(
        rate=rates[chosen, column],
        sd_bake=sd[chosen, column],
        kept=possible.size / other.size,
        words=f"pit {names[column]} in a pilot of {bakes} bakes",
        one_bake_each=bool(np.all(np.isnan(found.effective_items))),
    )


def _analyzed_pilot(pilot: Pilot) -> tuple[BakeRates, list[str], int]:
    """Posterior of the pilot, names of its pits and number of bakes."""
    if isinstance(pilot, Study):
        totals = graded_bakes(pilot)
        names = [p for p in pilot.pits["pit"] if p in set(totals["pit"])]
        code = {name: k for k, name in enumerate(names)}
        burned = totals["n_burned"].to_numpy(dtype=np.int64)
        total = totals["n_items"].to_numpy(dtype=np.int64)
        pit = totals["pit"].map(code).to_numpy(dtype=np.int64)
    else:
        burned, total, pit = (np.asarray(part) for part in pilot)
        names = [str(k) for k in range(int(np.max(pit, initial=-1)) + 1)]
    if burned.size == 0 or np.sum(total) == 0:
        raise DesignError("the pilot has no graded item; plan without it")
    try:
        return bake_rates(burned, total, pit), names, int(np.sum(total > 0))
    except ValueError as error:
        raise DesignError(f"the pilot bakes cannot be read: {error}") from None


def _place(pilot_pit: str | int, names: list[str]) -> int:
    if str(pilot_pit) not in names:
        raise DesignError(
            f"the pilot has no pit {pilot_pit}; it has {', '.join(names)}"
        )
    return names.index(str(pilot_pit))
