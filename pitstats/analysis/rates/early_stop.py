"""What stopping early does to the difference that is seen: it looks too large."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pitstats.analysis.rates.pairs import SEPARATED, largest_difference
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.stats.stopping_trials import Trials

TESTS, SEED = 1000, 1
"""Simulated tests, and their seed."""

_FEWEST = 20  # tests that must stop early for a mean


@dataclass(frozen=True, kw_only=True)
class EarlyStop:
    """By how much a difference seen at an early stop is too large on average.

    Attributes
    ----------
    pit_a, pit_b : str
        The pair that differs most.
    difference : float
        The difference seen, first pit minus second, which is taken for the truth.
    shown : float
        Mean difference shown by simulated tests that stop early.
    error : float
        Its Monte-Carlo standard error.
    stopped : float
        Share of tests that stop early.
    tests, seed : int
        Simulated tests, and their seed.
    """

    pit_a: str
    pit_b: str
    difference: float
    shown: float
    error: float
    stopped: float
    tests: int
    seed: int

    @property
    def sentence(self) -> str:
        """The warning with its number."""
        seen, shown = (round(100 * abs(x)) for x in (self.difference, self.shown))
        error = max(100 * self.error, 0.1)
        return (
            f"A test that stops early shows a difference that is too large. Were "
            f"{seen} points the truth, tests that stop before their last look would "
            f"show {shown} on average ({self.tests} simulated tests, error "
            f"{error:.1f} points, seed {self.seed})."
        )


def early_stop(both: BothWays) -> EarlyStop | None:
    """How much an early stop at this look exaggerates; None where it does not.

    Where nearly every test of such a difference stops early, none is picked for being
    large, and the estimate errs on the small side as it does without looks.

    The looks, bakes and items are those of the record, the rates those that it shows,
    and the spread is the mean of the pits' spreads where they are known. A test stops
    where the pair that differs most is called different.
    """
    comparison = both.leading
    look = comparison.look
    told = comparison.table["verdict"].isin(SEPARATED)
    if look is None or not look.early or look.bakes < 2 or not told.any():
        return None
    pair = largest_difference(comparison.table)
    rates = comparison.rates[comparison.rates["n_items"] > 0]
    pits = rates["pit"].tolist()
    spread = float(both.rates.bake_sd["estimate"].mean())
    trials = Trials(
        look.planned,
        tuple((rates["n_items"] / rates["n_bakes"]).round().astype(int)),
        tuple(rates["estimate"].clip(0.005, 0.995)),
        0.6 if np.isnan(spread) else spread,
    )
    a, b = pits.index(pair["pit_a"]), pits.index(pair["pit_b"])
    shown = trials.shown_at_early_stop(look.levels, (a, b), SEED, TESTS)
    if shown.size < _FEWEST:
        return None
    error = float(shown.std(ddof=1) / np.sqrt(shown.size))
    if abs(shown.mean()) <= abs(pair["estimate"]) + 2 * error:
        return None
    return EarlyStop(
        pit_a=str(pair["pit_a"]),
        pit_b=str(pair["pit_b"]),
        difference=float(pair["estimate"]),
        shown=float(shown.mean()),
        error=error,
        stopped=shown.size / TESTS,
        tests=TESTS,
        seed=SEED,
    )
