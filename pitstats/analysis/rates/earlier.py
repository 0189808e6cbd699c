"""The comparison with a spread borrowed from the user's own earlier tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from pitstats.analysis.rates.pairs import judged
from pitstats.errors import DesignError
from pitstats.stats.borrowed_spread import (
    BorrowedRates,
    borrowed_rates,
)
from pitstats.study.study import Study


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
    unknown_weight : float
        Posterior weight left on "the spread is not known".
    refused : bool
        Whether the new bakes contradict the earlier spread, so that nothing was
        borrowed.
    plain, borrowed : pandas.DataFrame
        Pairs with the columns of `PitComparison.table`, without and with borrowing.
    rates : pandas.DataFrame
        ``pit, estimate, conf_low, conf_high`` with borrowing.
    """

    sd: float
    factor: float
    declared: str
    unknown_weight: float
    refused: bool
    plain: pd.DataFrame
    borrowed: pd.DataFrame
    rates: pd.DataFrame

    @property
    def sentences(self) -> tuple[str, ...]:
        """Both answers side by side, and what borrowing risks."""
        source = (
            f"a spread between bakes of {self.sd:g} known from earlier tests within a "
            f"factor of {self.factor:g}"
        )
        weight = f"{100 * self.unknown_weight:.0f}%"
        if self.refused:
            return (
                f"The new bakes contradict {source}: {weight} of the weight went to "
                "'spread not known', so nothing was borrowed.",
            )
        lines = [
            f"{a['pit_a']} and {a['pit_b']}: with {source} {_answer(b)}; without it "
            f"{_answer(a)}."
            for a, b in zip(
                self.plain.to_dict("records"),
                self.borrowed.to_dict("records"),
                strict=True,
            )
        ]
        leads = (
            "The borrowing was declared before the bakes; the plain answer leads all "
            "the same, until it is measured how often borrowed intervals hold."
            if self.declared
            else "The borrowing was not declared before the bakes, so the plain answer "
            "leads."
        )
        return (
            *lines,
            f"{leads} The new bakes leave {weight} of the weight on 'spread not "
            "known'.",
            "If the new fires are moodier than the earlier ones, the borrowed "
            "intervals cover less often than they say: read the plain ones beside "
            "them.",
        )


def _answer(row: dict[object, object]) -> str:
    low, high = (
        100 * float(str(row[f"simultaneous_{end}"])) for end in ("low", "high")
    )
    verdict = str(row["verdict"])
    return f"'{verdict}' ({low:.0f} to {high:.0f} points)".replace(
        "-", "\N{MINUS SIGN}"
    )


def borrow_for(
    study: Study,
    graded: pd.DataFrame,
    pits: list[str],
    plain: pd.DataFrame,
    level: float,
) -> EarlierSpreadAnswer:
    """Compare pits with the earlier spread of a study."""
    settings = study.settings
    if settings.earlier_sd is None:
        raise DesignError(
            "No earlier spread is stated. Add [earlier] sd = 0.6 to study.toml, with "
            "the spread between bakes that your own earlier tests showed."
        )
    code = graded["pit"].map({pit: k for k, pit in enumerate(pits)})
    found = borrowed_rates(
        graded["n_burned"].to_numpy(dtype=int),
        graded["n_items"].to_numpy(dtype=int),
        code.to_numpy(dtype=int),
        settings.earlier_sd,
        settings.earlier_factor,
        level,
    )
    n_bakes = {str(k): int(n) for k, n in graded.groupby("pit").size().items()}
    return EarlierSpreadAnswer(
        sd=settings.earlier_sd,
        factor=settings.earlier_factor,
        declared=settings.earlier_declared,
        unknown_weight=1.0 - found.weight,
        refused=found.refused,
        plain=plain,
        borrowed=plain
        if found.refused
        else _pairs(found, pits, settings.margin, n_bakes),
        rates=_rates(found, pits),
    )


def _pairs(
    found: BorrowedRates,
    pits: list[str],
    margin: float | None,
    n_bakes: Mapping[str, int],
) -> pd.DataFrame:
    tail = (1.0 - found.conf_level) / 2
    rows = []
    for a, b in combinations(range(len(pits)), 2):
        cut = found.tail_for_all(a, b) if len(pits) > 2 else tail
        p_value = found.p_value(a, b)
        rows.append(
            (
                pits[a],
                pits[b],
                float(found.estimate[a] - found.estimate[b]),
                *found.interval(a, b, tail),
                *found.interval(a, b, cut),
                p_value,
                min(1.0, p_value * tail / cut),
            )
        )
    columns = ["pit_a", "pit_b", "estimate", "conf_low", "conf_high"]
    columns += ["simultaneous_low", "simultaneous_high", "p_value", "p_adjusted"]
    table = pd.DataFrame(rows, columns=columns)
    single = max(n_bakes.values()) <= 1
    return judged(table, margin=margin, one_bake_each=single, n_bakes=n_bakes)


def _rates(found: BorrowedRates, pits: list[str]) -> pd.DataFrame:
    mass = (1.0 - found.weight) * found.usual.posterior.rate_probability
    mass = mass + found.weight * found.borrowed.posterior.rate_probability
    edge = found.usual.posterior.grid.edge
    tail = (1.0 - found.conf_level) / 2
    total = np.concatenate([np.zeros((len(pits), 1)), np.cumsum(mass, axis=1)], axis=1)
    low, high = (
        [float(np.interp(level * row[-1], row, edge)) for row in total]
        for level in (tail, 1.0 - tail)
    )
    return pd.DataFrame(
        {"pit": pits, "estimate": found.estimate, "conf_low": low, "conf_high": high}
    )
