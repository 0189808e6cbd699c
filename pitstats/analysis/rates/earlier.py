"""The comparison with a spread borrowed from the user's own earlier tests."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from pitstats.analysis.rates.pairs import judged, pair_rows, seen_ahead
from pitstats.analysis.results import RateDraws
from pitstats.errors import DesignError
from pitstats.stats.borrowed_spread import (
    MOODIER,
    BorrowedRates,
    FalseCalls,
    borrowed_rates,
    false_calls_if_moodier,
)
from pitstats.study.percent import percent, signed
from pitstats.study.study import Study

SIMULATIONS, SEED = 1000, 1
"""Of the simulated tests that show what borrowing risks."""

_DRAWS = 16_384


@dataclass(frozen=True, kw_only=True, eq=False)
class EarlierSpreadAnswer:
    """What borrowing an earlier spread did to a comparison.

    Attributes
    ----------
    sd, factor : float
        Spread of the earlier tests (logit scale) and the factor within which they know
        it.
    declared : str
        "yes" or the day, when the borrowing was declared before the bakes; else "".
    leads : bool
        Whether the borrowed answer leads: declared, or asked for, and not refused.
    unknown_weight : float
        Posterior weight left on "the spread is not known".
    refused : bool
        Whether the new bakes contradict the earlier spread, so that nothing was
        borrowed.
    plain, borrowed : pandas.DataFrame
        Pairs with the columns of `PitComparison.table`, without and with borrowing.
    rates : pandas.DataFrame
        ``pit, estimate, conf_low, conf_high`` with borrowing.
    if_moodier : FalseCalls
        How often equal pits, of the bakes of the pair that differs most, would be
        called different if their fires were twice as moody as the earlier ones.
    draws : RateDraws
        Joint draws with borrowing.
    """

    sd: float
    factor: float
    declared: str
    leads: bool
    unknown_weight: float
    refused: bool
    plain: pd.DataFrame
    borrowed: pd.DataFrame
    rates: pd.DataFrame
    if_moodier: FalseCalls
    draws: RateDraws

    @property
    def source(self) -> str:
        """What was borrowed, in words."""
        return earlier_in_words(self.sd, self.factor)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Both answers side by side, and what borrowing risks."""
        weight = percent(self.unknown_weight)
        if self.refused:
            return (
                f"The new bakes contradict {self.source}: {weight} of the weight went "
                "to 'spread not known', so nothing was borrowed.",
            )
        lines = [
            f"{row['pit_a']} minus {row['pit_b']}: with {self.source} {_answer(row)}; "
            f"without it {_answer(plain)}."
            for row, plain in zip(
                # From the pit that burned more, as pages see it.
                seen_ahead(self.borrowed).to_dict("records"),
                seen_ahead(self.plain, self.borrowed["estimate"]).to_dict("records"),
                strict=True,
            )
        ]
        if self.declared:
            declared = "The borrowing was declared before the bakes"
        else:
            declared = "The borrowing was not declared before the bakes"
        return (
            *lines,
            f"{declared}; the {'borrowed' if self.leads else 'plain'} answer leads. "
            f"The new bakes leave {weight} of the weight on 'spread not known'.",
            moodier_sentence(self.sd, self.if_moodier),
        )


def _answer(row: dict[Any, Any]) -> str:
    low, high = (signed(100 * row[f"simultaneous_{end}"]) for end in ("low", "high"))
    return f"'{row['verdict']}' ({low} to {high} points)"


def earlier_in_words(sd: float, factor: float) -> str:
    """An earlier spread in words."""
    return (
        f"a spread between bakes of {sd:.2g} known from earlier tests within a factor "
        f"of {factor:.2g}"
    )


def moodier_sentence(sd: float, calls: FalseCalls) -> str:
    """What borrowing costs where the new fires are moodier than the earlier ones."""
    usual, borrowed = (round(100 * share) for share in (calls.usual, calls.borrowed))
    return (
        f"If the new fires are twice as moody as the earlier ones (spread "
        f"{MOODIER * sd:.2g}), the borrowed intervals call equal pits different in "
        f"{borrowed} of 100 such tests, the plain ones in {usual} "
        f"({calls.simulations} simulated tests, seed {calls.seed})."
    )


def borrow_for(
    study: Study,
    graded: pd.DataFrame,
    pits: list[str],
    plain: pd.DataFrame,
    level: float,
    *,
    asked: bool,
) -> EarlierSpreadAnswer:
    """Compare pits with the earlier spread of a study; ``asked``: let it lead."""
    settings = study.settings
    sd, factor = settings.earlier_sd, settings.earlier_factor
    if sd is None:
        raise DesignError(
            "No earlier spread is stated. State "
            f"{study.form.stated('earlier_sd', 0.6)}, with the spread between bakes "
            "that your own earlier tests showed."
        )
    code = graded["pit"].map({pit: k for k, pit in enumerate(pits)}).to_numpy(dtype=int)
    total = graded["n_items"].to_numpy(dtype=int)
    found = borrowed_rates(
        graded["n_burned"].to_numpy(dtype=int), total, code, sd, factor, level
    )
    table = judged(
        pair_rows(found.differences, pits, pits),
        margin=settings.margin,
        n_bakes=graded["pit"].value_counts(),
    )
    pair = found.differences.estimate
    widest = int(np.argmax(np.abs(pair)))
    two = [int(found.differences.a[widest]), int(found.differences.b[widest])]
    mine = np.isin(code, two)
    return EarlierSpreadAnswer(
        sd=sd,
        factor=factor,
        declared=settings.earlier_declared,
        leads=not found.refused and (asked or bool(settings.earlier_declared)),
        unknown_weight=1.0 - found.weight,
        refused=found.refused,
        plain=plain,
        borrowed=plain if found.refused else table,
        rates=pd.DataFrame(
            {
                "pit": pits,
                "estimate": found.rates.estimate,
                "conf_low": found.rates.low,
                "conf_high": found.rates.high,
            }
        ),
        if_moodier=_if_moodier(
            tuple(total[mine].tolist()),
            tuple((code[mine] == two[1]).astype(int).tolist()),
            round(20 * float(found.rates.estimate[two].mean())) / 20,
            sd,
            factor,
            level,
        ),
        draws=_draws(found, pits),
    )


@lru_cache(maxsize=64)
def _if_moodier(
    total: tuple[int, ...],
    pit: tuple[int, ...],
    rate: float,
    sd: float,
    factor: float,
    level: float,
) -> FalseCalls:
    return false_calls_if_moodier(
        total, pit, rate, sd, factor, level, simulations=SIMULATIONS, seed=SEED
    )


def _draws(found: BorrowedRates, pits: list[str]) -> RateDraws:
    rates, sd = found.posterior.draw(_DRAWS, np.random.default_rng(SEED))
    return RateDraws(
        tuple(pits), rates, np.full(_DRAWS, 1 / _DRAWS), sd, np.zeros(_DRAWS)
    )
