"""What a design can never separate: pits, sessions, order, lots, people and settings.

No list of special cases: the columns of the design say it, whatever the pattern is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, TypeAlias

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.factors import Factor, Factors, read_factors
from pitstats.stats.aliasing import contrast_aliasing, span_overlap
from pitstats.study.study import Study

Verdict: TypeAlias = Literal["fully", "nearly", "partly", "apart"]

#: Variance inflation from which two factors count as nearly inseparable (a contrast
#: keeps a fifth of its information), and as partly so (half of it).
NEARLY_VIF = 5.0
PARTLY_VIF = 2.0

# With more factors than these, looking at every two and three of them takes too long.
#: Beyond these a session's worth of columns comes with every few bakes, and looking at
#: every combination takes minutes; each factor alone is looked at in any design.
MOST_BAKES_COMBINED = 150
_MOST_FACTORS_COMBINED = 9
_LARGEST_COMBINATION = 3

FACTOR_COLUMNS = (
    "factor_a",
    "factor_b",
    "n_bakes",
    "share",
    "vif",
    "rank_lost",
    "verdict",
    "explanation",
)
CONTRAST_COLUMNS = (
    "pit_a",
    "pit_b",
    "factors",
    "n_bakes",
    "share",
    "vif",
    "rank_lost",
    "verdict",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignAudit:
    """Which factors of a design cannot be told apart.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per two factors, pit first: ``factor_a, factor_b, n_bakes, share`` (of
        the information that the one takes from the other, 0 to 1), ``vif`` (variance
        inflation), ``rank_lost`` (dimensions in common), ``verdict`` ("fully",
        "nearly", "partly", "apart") and ``explanation``. A row of pit and several
        factors is there only where these together hide a difference of pits that none
        of them hides alone.
    contrasts : pandas.DataFrame
        One row per pair of pits and factor or combination: ``pit_a, pit_b, factors``
        (names joined by " + "), and the numbers as above.
    factors : Factors
        What varied, what was constant, what was not recorded.
    estimand, method : str
        What the shares are shares of, and how they were found.
    caveats : tuple of str
        What could not be looked at.
    """

    table: pd.DataFrame
    contrasts: pd.DataFrame
    factors: Factors
    estimand: str
    method: str
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def of(self, *names: str) -> pd.DataFrame:
        """Contrasts of pits against one factor or combination."""
        return self.contrasts[self.contrasts["factors"] == " + ".join(names)]

    @property
    def combinations(self) -> list[tuple[str, ...]]:
        """Combinations that hide a difference of pits, though no part of them does."""
        found = dict.fromkeys(self.contrasts["factors"])
        return [tuple(name.split(" + ")) for name in found if " + " in name]


def audit_design(study: Study) -> DesignAudit:
    """Find what the design of a study can never separate.

    Parameters
    ----------
    study : Study
        A valid study, finished or planned.

    Returns
    -------
    DesignAudit
        Factors two by two, pits against each and against combinations of up to three.

    Notes
    -----
    A factor of words enters as one column per level, a number as a straight line, the
    order as its distance from the mean of its session. A difference between two pits is
    *fully* hidden by a factor if it loses a dimension, *nearly* if its variance is
    inflated at least fivefold, *partly* if twofold [1]_, [2]_. Settings are looked at
    within each two pits, because a damper need not do the same in a third; order is
    looked at within sessions. Combinations that would hide any difference because there
    are too few bakes are left out, and so is what one of their parts hides alone.

    References
    ----------
    .. [1] Montgomery DC (2017), Design and Analysis of Experiments, 9th ed, Wiley,
       ch. 7 and 8 (confounding and alias structure).
    .. [2] Chatterjee S, Hadi AS (2012), Regression Analysis by Example, 5th ed, Wiley,
       sec. 9.4.

    Examples
    --------
    >>> import pitstats as ps
    >>> design = audit_design(ps.demo_study("unfair_order"))
    >>> design.of("order")["verdict"].tolist()
    ['fully', 'fully', 'fully']
    """
    return audit_factors(read_factors(study))


def audit_factors(factors: Factors) -> DesignAudit:
    """Find what factors can never separate; see `audit_design`."""
    contrasts = [
        row for factor in factors.varied for row in pit_rows(factors, (factor,))
    ]
    contrasts += _combined(factors, contrasts)
    table = pd.DataFrame(contrasts, columns=[*CONTRAST_COLUMNS])
    return DesignAudit(
        table=_factor_table(factors, table),
        contrasts=table,
        factors=factors,
        estimand="share of the information on a difference that another factor of the "
        "design takes away",
        method="projection of the design's columns on each other; variance inflation "
        f"from {PARTLY_VIF:g} counts as partly, from {NEARLY_VIF:g} as nearly hidden",
        caveats=_caveats(factors),
    )


def verdict(share: float) -> Verdict:
    """Put a share of hidden information into a word."""
    kept = 1.0 - share
    if kept < 1e-9:
        return "fully"
    if kept <= 1.0 / NEARLY_VIF + 1e-9:
        return "nearly"
    return "partly" if kept <= 1.0 / PARTLY_VIF + 1e-9 else "apart"


def pit_rows(
    factors: Factors, chosen: Sequence[Factor], *, within_pair: bool | None = None
) -> Iterator[dict[str, object]]:
    """Look at each two pits against one factor, or several together."""
    known = np.logical_and.reduce([factor.known for factor in chosen])
    pit = factors.pit
    present = [name for name in factors.pits if (pit[known] == name).any()]
    pairs = list(combinations(present, 2))
    if within_pair is None:
        within_pair = len(chosen) == 1 and chosen[0].role == "setting"
    groups = [(pair, [pair]) for pair in pairs] if within_pair else [(present, pairs)]
    for names, own_pairs in groups:
        if own_pairs:
            used = known & np.isin(pit, names)
            yield from _pit_rows(factors, chosen, used, list(names), own_pairs)


def _pit_rows(
    factors: Factors,
    chosen: Sequence[Factor],
    used: np.ndarray,
    names: list[str],
    pairs: Sequence[tuple[str, str]],
) -> Iterator[dict[str, object]]:
    pit = factors.pit[used]
    dummies = np.column_stack([pit == name for name in names]).astype(float)
    weights = np.zeros((len(pairs), len(names)))
    for row, (a, b) in enumerate(pairs):
        weights[row, names.index(a)], weights[row, names.index(b)] = 1.0, -1.0
    blocks = None
    if [factor.role for factor in chosen] == ["order"]:
        blocks = _session_blocks(factors, used, dummies, weights)
    if blocks is None:
        # The factor with most levels first: its columns are the cheapest to take off.
        longest = sorted(chosen, key=lambda factor: -len(factor.levels))
        parts = [_effective(factors, f)[used] for f in longest]
        columns = np.hstack(parts) if len(parts) > 1 else parts[0]
    else:
        columns = chosen[0].matrix[used]
    found = contrast_aliasing(dummies, columns, weights, given=blocks)
    room = int(used.sum()) - 1
    for (a, b), share, vif in zip(pairs, found.share, found.vif, strict=True):
        yield {
            "pit_a": a,
            "pit_b": b,
            "factors": " + ".join(factor.name for factor in chosen),
            "n_bakes": int(used.sum()),
            "share": float(share),
            "vif": float(vif),
            "rank_lost": found.rank_lost,
            "verdict": verdict(float(share)),
            "forced": found.rank_groups + found.rank_others > room,
        }


def hidden_pairs(design: DesignAudit, factor: Factor, least: float) -> pd.DataFrame:
    """Pairs of pits of which a factor hides at least a share, if worth a word."""
    rows = design.of(factor.name)
    rows = rows[rows["share"] >= least - 1e-9]
    if not factor.numeric or factor.practical == 0.0:
        return rows
    mean = pit_means(design.factors, factor)
    gap = (rows["pit_a"].map(mean) - rows["pit_b"].map(mean)).abs()
    return rows[gap > factor.practical]


def pit_means(factors: Factors, factor: Factor) -> pd.Series:
    """Mean of a number by pit; of the order, places from the middle of the session."""
    values = _effective(factors, factor)[:, 0]
    known = factor.known
    return pd.Series(values[known]).groupby(list(factors.pit[known]), sort=False).mean()


def _session_blocks(
    factors: Factors, used: np.ndarray, dummies: np.ndarray, weights: np.ndarray
) -> np.ndarray | None:
    """Sessions as blocks, if the pits can be compared within them at all."""
    session = factors.find("session")
    if session is None or not session.known[used].all():
        return None
    blocks = session.matrix[used]
    alone = contrast_aliasing(dummies, blocks, weights)
    return None if (alone.share >= 1.0).all() else blocks


def _effective(factors: Factors, factor: Factor) -> np.ndarray:
    """Columns of a factor; order as its distance from the mean of its session."""
    if factor.role != "order":
        return factor.matrix
    matrix, known = factor.matrix.copy(), factor.known
    places = pd.Series(matrix[known, 0]).groupby(list(factors.session[known]))
    matrix[known, 0] -= places.transform("mean")
    return matrix


# --- combinations -------------------------------------------------------------------


def _combined(
    factors: Factors, single: Sequence[dict[str, object]]
) -> list[dict[str, object]]:
    """Smallest combinations that hide a pair of pits fully, without one that does."""
    able = [factor for factor in factors.varied if factor.role != "measured"]
    if len(able) > _MOST_FACTORS_COMBINED or len(factors.pit) > MOST_BAKES_COMBINED:
        return []
    hidden: dict[tuple[object, object], list[frozenset[str]]] = {}
    for row in single:
        if row["verdict"] == "fully":
            pair = (row["pit_a"], row["pit_b"])
            hidden.setdefault(pair, []).append(frozenset([str(row["factors"])]))
    rows = []
    for size in range(2, _LARGEST_COMBINATION + 1):
        for chosen in combinations(able, size):
            names = frozenset(factor.name for factor in chosen)
            for row in pit_rows(factors, chosen):
                known = hidden.setdefault((row["pit_a"], row["pit_b"]), [])
                if (
                    row["verdict"] != "fully"
                    or row["forced"]
                    or any(part <= names for part in known)
                ):
                    continue
                known.append(names)
                rows.append(row)
    return rows


# --- the table of factors -------------------------------------------------------------


def _factor_table(factors: Factors, contrasts: pd.DataFrame) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for names, own in contrasts.groupby("factors", sort=False):
        worst = own.iloc[int(own["share"].to_numpy().argmax())]
        rows.append(
            {
                "factor_a": "pit",
                "factor_b": names,
                **worst[["n_bakes", "share", "vif", "rank_lost", "verdict"]],
                "explanation": _explain_pits(factors, own),
            }
        )
    for a, b in combinations(factors.varied, 2):
        rows.append(_two_factors(factors, a, b))
    return pd.DataFrame(rows, columns=[*FACTOR_COLUMNS])


def _two_factors(factors: Factors, a: Factor, b: Factor) -> dict[str, object]:
    known = a.known & b.known
    # A study's worth of columns is not copied without need.
    used = slice(None) if known.all() else known
    found = span_overlap(_effective(factors, a)[used], _effective(factors, b)[used])
    word = verdict(found.share)
    forced = found.rank_a + found.rank_b > int(known.sum()) - 1
    return {
        "factor_a": a.name,
        "factor_b": b.name,
        "n_bakes": int(known.sum()),
        "share": found.share,
        "vif": np.inf if found.rank_lost else 1.0 / (1.0 - found.share),
        "rank_lost": found.rank_lost,
        "verdict": word,
        "explanation": _explain_two(a, b, word, forced),
    }


_TOLD = {
    "fully": "cannot be told apart",
    "nearly": "can hardly be told apart",
    "partly": "can be told apart only in part",
    "apart": "can be told apart",
}


def _explain_two(a: Factor, b: Factor, word: Verdict, forced: bool) -> str:
    text = f"{a.label} and {b.label} {_TOLD[word]}"
    if word == "fully" and forced:
        text += ": there are too few bakes for both"
    return f"{text[0].upper()}{text[1:]}."


def _explain_pits(factors: Factors, own: pd.DataFrame) -> str:
    names = str(own["factors"].iloc[0]).split(" + ")
    what = " with ".join(
        factor.label for factor in factors.varied if factor.name in names
    )
    together = " together" if len(names) > 1 else ""
    for word in ("fully", "nearly", "partly"):
        hit = own[own["verdict"] == word]
        if len(hit):
            pairs = pair_list(hit)
            share = ""
            if word != "fully":
                share = f" ({100 * hit['share'].max():.0f}% of it is hidden)"
            return (
                f"The difference of {pairs} {_TOLD[word].replace('told apart', 'told')}"
                f" from {what}{together}{share}."
            )
    return f"Pits can be told apart from {what}."


def pair_list(rows: pd.DataFrame) -> str:
    """Name pairs of pits in a sentence.

    Examples
    --------
    >>> pair_list(pd.DataFrame({"pit_a": ["Quarry"], "pit_b": ["Mill"]}))
    'Quarry and Mill'
    """
    pairs = [f"{a} and {b}" for a, b in zip(rows["pit_a"], rows["pit_b"], strict=True)]
    pits = list(dict.fromkeys([*rows["pit_a"], *rows["pit_b"]]))
    if len(pairs) == 1:
        return pairs[0]
    if len(pairs) == len(pits) * (len(pits) - 1) // 2:
        return f"any two of {', '.join(map(str, pits))}"
    return ", ".join(pairs)


def _caveats(factors: Factors) -> tuple[str, ...]:
    caveats = []
    if factors.constant:
        caveats.append(
            "The same throughout, so no rival explanation: "
            f"{', '.join(factors.constant)}."
        )
    if factors.unrecorded:
        caveats.append(
            f"Not recorded, so it cannot be checked: {', '.join(factors.unrecorded)}."
        )
    partly = [f.label for f in factors.varied if not f.known.all()]
    if partly:
        caveats.append(
            f"Recorded in some bakes only, and looked at in those: {', '.join(partly)}."
        )
    able = [factor for factor in factors.varied if factor.role != "measured"]
    if len(able) > _MOST_FACTORS_COMBINED:
        caveats.append(
            f"{len(able)} factors varied; combinations of them were not looked at."
        )
    elif len(factors.pit) > MOST_BAKES_COMBINED and len(able) > 1:
        caveats.append(
            f"There are more than {MOST_BAKES_COMBINED} bakes; every factor was looked "
            "at by itself, combinations of factors were not."
        )
    return tuple(caveats)
