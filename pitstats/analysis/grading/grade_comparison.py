"""Under-baked, good, burned and every grade: all pits on the whole scale at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.grading.graded_bakes import GradedBakes, count_graded_bakes
from pitstats.analysis.grading.posterior import (
    SEED,
    at_cut,
    grade_pairs,
    grade_posterior,
)
from pitstats.analysis.rates.compare import compare_pits, pair_table
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import withheld_caveats
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.rates.rates import estimate_burn_rates
from pitstats.analysis.results import FrameResult
from pitstats.stats.estimates import PairEstimates
from pitstats.stats.grades import GradeRates
from pitstats.stats.weighted_draws import summarize_draws, summarize_pairs
from pitstats.study.outcomes import bake_totals
from pitstats.study.settings import Settings
from pitstats.study.study import Study

ESTIMAND = "long-run share of items with each grade and outcome, averaged over bakes"
METHOD = (
    "cumulative logit with a level, a scale and a between-bake spread for every pit; "
    "share burned Beta(1/2, 1/2) a priori; importance sampling, seed {seed}"
)

#: Estimates further apart than this are said to be so.
AGREE_WITHIN = 0.05

UNDER_BAKED, GOOD, BURNED = "under-baked", "good", "burned"


@dataclass(frozen=True, kw_only=True, eq=False)
class GradeComparison(FrameResult):
    """Shares of all grades and outcomes in every pit, and how the pits differ.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit and outcome: ``pit, outcome, estimate, conf_low, conf_high``.
        Outcomes are ``"under-baked"``, ``"good"``, ``"burned"`` and each grade of the
        scale, whose estimates add up to 1 in every pit. A grade that has the name of
        an outcome and is the same stands once; one that is not the same is followed by
        ``" (the grade)"``.
    differences : pandas.DataFrame
        One row per outcome and pair: ``outcome`` and the columns of
        `PitComparison.table`.
    cuts : pandas.DataFrame
        One row per cut and pit: ``burned_from`` (first grade that would count as
        burned), ``headline`` (whether the study states this cut), ``pit, n_bakes,
        n_items, n_burned, estimate, conf_low, conf_high``, and beside them
        ``exact_estimate, exact_low, exact_high``: the exact answer from that cut alone.
    cut_differences : pandas.DataFrame
        One row per cut and pair: ``burned_from, headline`` and the columns of
        `PitComparison.table`.
    scales : pandas.DataFrame
        One row per pair: ``pit_a, pit_b, ratio, conf_low, conf_high,
        simultaneous_low, simultaneous_high, p_value, p_adjusted, verdict``. ``ratio``
        is how far apart the cuts of ``pit_a`` lie over those of ``pit_b``: above 1
        where ``pit_a`` has more of its items in the grades between.
    typical : pandas.DataFrame
        ``pit, grade, grade_low, grade_high``: the grade that half of the items reach
        in the long run, with its interval. A mean of grade codes is not given: steps
        of the scale need not be equally large.
    one_face : bool
        Whether every item's deciding face is also its palest.
    seed : int
        Seed of the draws.
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    cuts: pd.DataFrame
    cut_differences: pd.DataFrame
    scales: pd.DataFrame
    typical: pd.DataFrame
    one_face: bool
    seed: int
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


class _Shares(NamedTuple):
    """One outcome in all pits."""

    outcome: str
    low: NDArray[np.float64]
    estimate: NDArray[np.float64]
    high: NDArray[np.float64]
    pairs: pd.DataFrame


def compare_grades(study: Study, conf_level: float | None = None) -> GradeComparison:
    """Compare the shares of all grades of all pits, from one model.

    Parameters
    ----------
    study : Study
        A valid study with graded items.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    GradeComparison

    Raises
    ------
    DesignError
        If no kept bake has items with a grade on the deciding face.

    Notes
    -----
    See `stats.grade_rates` for the model, its priors and its sources. Sessions enter
    where two or more of them each hold bakes of two or more pits.

    Which face counts. Grades, cuts and "burned" are those of the deciding face. An item
    is under-baked by its palest recorded face, and good if every recorded face is in
    target, so with several faces these two cannot be read off the deciding face: then
    "under-baked" comes from the same model on the palest face, and "good", which no
    single face tells, from the exact answer on the counts of good items. With one face
    an item all of them come from the same draws.

    The exact answer leads for the share burned: it also counts bakes of which only
    burned or not is known, and assumes nothing about other grades.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.compare_grades(ps.demo_study("one_bake_each"))
    >>> found.table["outcome"].unique().tolist()
    ['under-baked', 'good', 'burned', 'raw', 'light', 'golden', 'dark']
    """
    _, level = look_and_level(study, conf_level)
    graded, settings = count_graded_bakes(study), study.settings
    session = graded.bakes["session"]
    main = grade_posterior(
        graded.deciding, graded.pit_code, level, settings.burned_code, session
    )
    shares = list(_all_shares(graded, settings, main, level))
    cuts = _cut_table(graded, settings, main, level)
    reason = _why_burned_differs(study, cuts, main, level)
    differences = _stack([(s.outcome, s.pairs) for s in shares])
    turned = _other_verdicts(study, differences, level)
    shape_gap = float((cuts["estimate"] - cuts["exact_estimate"]).abs().max())
    return GradeComparison(
        table=_table(shares, graded.pits),
        differences=differences,
        cuts=cuts,
        cut_differences=_cut_differences(graded, settings, main),
        scales=_scale_table(graded, main),
        typical=_typical(graded, settings, main, level),
        one_face=graded.one_face,
        seed=SEED,
        estimand=ESTIMAND,
        method=METHOD.format(seed=SEED),
        conf_level=level,
        caveats=_caveats(study, graded, main, differences, reason, turned, shape_gap),
    )


# ---- outcomes and grades -------------------------------------------------------------


def _all_shares(
    graded: GradedBakes, settings: Settings, main: GradeRates, level: float
) -> Iterator[_Shares]:
    """Under-baked, good, burned, then the grades that are none of these."""
    raw, burned = settings.raw_code, settings.burned_code
    target = [settings.grades.index(name) for name in settings.target_grades]
    pale = main
    if not graded.one_face:
        pale = grade_posterior(
            graded.palest,
            graded.pit_code,
            level,
            burned,
            graded.bakes["session"],
        )
    named = {
        UNDER_BAKED: list(range(raw + 1)),
        GOOD: target,
        BURNED: list(range(burned, len(settings.grades))),
    }
    yield _from_draws(
        UNDER_BAKED, named[UNDER_BAKED], graded.palest, graded, settings, pale
    )
    if graded.one_face:
        yield _from_draws(GOOD, target, graded.deciding, graded, settings, main)
    else:
        yield _counted_good(graded, settings, level)
    yield _from_draws(BURNED, named[BURNED], graded.deciding, graded, settings, main)
    for code, grade in enumerate(settings.grades):
        same = named.get(grade) == [code] and (graded.one_face or grade == BURNED)
        if not same:
            name = f"{grade} (the grade)" if grade in named else grade
            yield _from_draws(name, [code], graded.deciding, graded, settings, main)


def _from_draws(
    outcome: str,
    codes: list[int],
    counts: NDArray[np.intp],
    graded: GradedBakes,
    settings: Settings,
    posterior: GradeRates,
) -> _Shares:
    """Share of some grades together, from the draws."""
    draws, weights = (
        posterior.draws.shares[:, codes].sum(axis=1),
        posterior.draws.weights,
    )
    level = posterior.conf_level
    found = np.array([summarize_draws(row, weights, level) for row in draws])
    items = graded.by_pit(counts)
    n, total = items[:, codes].sum(axis=1), items.sum(axis=1)
    pairs = summarize_pairs(draws, weights, level)
    return _Shares(
        outcome,
        np.where(n == 0, 0.0, found[:, 1]),
        found[:, 0],
        np.where(n == total, 1.0, found[:, 2]),
        _pairs(pairs, graded, settings),
    )


def _counted_good(graded: GradedBakes, settings: Settings, level: float) -> _Shares:
    """Good items by the exact answer on their counts."""
    bakes = graded.bakes.rename(columns={"n_good": "n_burned"})
    posterior = bake_posterior(bakes, level)
    order = [posterior.pits.index(pit) for pit in graded.pits]
    rates = posterior.result.rates
    low, estimate, high = (
        np.asarray(column[order], dtype=np.float64)
        for column in (rates.low, rates.estimate, rates.high)
    )
    pairs = pair_table(bakes, list(graded.pits), level, settings.margin)
    return _Shares(GOOD, low, estimate, high, pairs)


def _pairs(
    pairs: PairEstimates, graded: GradedBakes, settings: Settings
) -> pd.DataFrame:
    return grade_pairs(
        pairs,
        graded.pits,
        margin=settings.margin,
        n_bakes=graded.n_bakes,
    )


def _table(shares: list[_Shares], pits: tuple[str, ...]) -> pd.DataFrame:
    """One row per pit and outcome."""
    frames = [
        pd.DataFrame(
            {
                "pit": list(pits),
                "outcome": s.outcome,
                "estimate": s.estimate,
                "conf_low": s.low,
                "conf_high": s.high,
            }
        )
        for s in shares
    ]
    table = pd.concat(frames, ignore_index=True)
    place = table["pit"].map({pit: i for i, pit in enumerate(pits)})
    return table.iloc[np.argsort(place, kind="stable")].reset_index(drop=True)


def _stack(named: list[tuple[str, pd.DataFrame]]) -> pd.DataFrame:
    """Tables of pairs below each other, with the outcome of each."""
    frames = []
    for outcome, pairs in named:
        frame = pairs.copy()
        frame.insert(0, "outcome", outcome)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


# ---- cuts ----------------------------------------------------------------------------


def _cut_table(
    graded: GradedBakes, settings: Settings, main: GradeRates, level: float
) -> pd.DataFrame:
    """Share burned under every cut, with the exact answer of that cut beside it."""
    upward = np.cumsum(graded.deciding[:, ::-1], axis=1)[:, ::-1]
    frames = []
    for code, grade in enumerate(settings.grades[1:], start=1):
        bakes = graded.bakes.assign(n_burned=upward[:, code])
        posterior = bake_posterior(bakes, level)
        order = [posterior.pits.index(pit) for pit in graded.pits]
        exact = posterior.result.rates
        frames.append(
            pd.DataFrame(
                {
                    "burned_from": grade,
                    "headline": code == settings.burned_code,
                    "pit": list(graded.pits),
                    "n_bakes": graded.n_bakes.to_numpy(),
                    "n_items": graded.by_pit(graded.deciding).sum(axis=1),
                    "n_burned": graded.by_pit(upward[:, code]),
                    "estimate": main.at_least.estimate[:, code],
                    "conf_low": main.at_least.low[:, code],
                    "conf_high": main.at_least.high[:, code],
                    "exact_estimate": exact.estimate[order],
                    "exact_low": exact.low[order],
                    "exact_high": exact.high[order],
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _cut_differences(
    graded: GradedBakes, settings: Settings, main: GradeRates
) -> pd.DataFrame:
    """All pairs under every cut."""
    frames = []
    for code, grade in enumerate(settings.grades[1:], start=1):
        table = _pairs(at_cut(main.differences, code), graded, settings)
        table.insert(0, "burned_from", grade)
        table.insert(1, "headline", code == settings.burned_code)
        frames.append(table)
    return pd.concat(frames, ignore_index=True)


def _scale_table(graded: GradedBakes, main: GradeRates) -> pd.DataFrame:
    """Scale of one pit over that of another, all pairs."""
    table = grade_pairs(
        main.scale_differences,
        graded.pits,
        margin=None,
        n_bakes=graded.n_bakes,
    ).rename(columns={"estimate": "ratio"})
    ends = ["ratio", "conf_low", "conf_high", "simultaneous_low", "simultaneous_high"]
    table[ends] = np.exp(table[ends])
    return table


def _typical(
    graded: GradedBakes, settings: Settings, main: GradeRates, level: float
) -> pd.DataFrame:
    """The grade that half of the items reach, in every draw."""
    reached = (main.draws.at_least[:, 1:] >= 0.5).sum(axis=1)
    grades, tail = settings.grades, (1 - level) / 2
    rows = []
    for pit, codes in zip(graded.pits, reached, strict=True):
        chance = np.bincount(codes, weights=main.draws.weights, minlength=len(grades))
        below = np.cumsum(chance) / chance.sum()
        low, middle, high = (
            grades[min(int(np.searchsorted(below, q)), len(grades) - 1)]
            for q in (tail, 0.5, 1 - tail)
        )
        rows.append((pit, middle, low, high))
    return pd.DataFrame(rows, columns=["pit", "grade", "grade_low", "grade_high"])


# ---- what to say with it -------------------------------------------------------------


def _why_burned_differs(
    study: Study, cuts: pd.DataFrame, main: GradeRates, level: float
) -> str:
    """Why the share burned lies far from the exact answer; empty if it does not."""
    headline = cuts[cuts["headline"]].set_index("pit")
    leading = estimate_burn_rates(study, level).table.set_index("pit")
    away = (headline["estimate"] - leading["estimate"]).abs()
    if not away.max() > AGREE_WITHIN:
        return ""
    worst = headline.loc[[away.idxmax()]]
    other = leading.loc[worst.index]
    alone = (worst["exact_estimate"] - worst["estimate"]).abs().item()
    reasons = []
    if worst["n_items"].item() != other["n_items"].item():
        reasons.append(notes.GAP_OTHER_ITEMS)
    if main.session_sd is not None:
        reasons.append(notes.GAP_SESSIONS)
    if alone > AGREE_WITHIN or not reasons:
        reasons.append(notes.GAP_SHAPE)
    return "; ".join(reasons)


def _other_verdicts(
    study: Study, differences: pd.DataFrame, level: float
) -> tuple[tuple[str, str], ...]:
    """Pairs on whose share burned the model and the answer that leads do not agree."""
    own = differences[differences["outcome"] == BURNED]
    if own.empty:
        return ()
    pair = ["pit_a", "pit_b"]
    leading = compare_pits(study, conf_level=level).table
    both = own[[*pair, "verdict"]].merge(leading[[*pair, "verdict"]], on=pair)
    turned = both[both["verdict_x"] != both["verdict_y"]]
    return tuple(zip(turned["pit_a"], turned["pit_b"], strict=True))


def _caveats(
    study: Study,
    graded: GradedBakes,
    main: GradeRates,
    differences: pd.DataFrame,
    reason: str,
    turned: tuple[tuple[str, str], ...],
    shape_gap: float,
) -> tuple[str, ...]:
    found = []
    n_bakes = graded.n_bakes
    if n_bakes.max() <= 1:
        found.append(notes.ONE_BAKE_EACH)
    found += notes.borrowed_spread(n_bakes)
    found += withheld_caveats(differences[differences["outcome"] == BURNED], n_bakes)
    if (main.cap_mass > 0.5).any():
        found.append(notes.ALL_OR_NONE)
    if not graded.one_face:
        found.append(notes.SEVERAL_FACES)
    if reason:
        found.append(notes.BURNED_DIFFERS.format(reason=reason))
    if turned:
        pairs = ", ".join(f"{a} and {b}" for a, b in turned)
        found.append(notes.BURNED_VERDICT_DIFFERS.format(pairs=pairs))
    if shape_gap > AGREE_WITHIN:
        found.append(notes.SHAPE_DIFFERS.format(points=round(100 * shape_gap)))
    if main.session_sd is not None:
        found.append(notes.SESSIONS_IN_GRADES)
    found += [
        notes.NO_GRADES.format(pit=pit)
        for pit in study.pits["pit"]
        if pit not in graded.pits
    ]
    totals = bake_totals(study)
    uncounted = int((~totals["bake"].isin(graded.bakes["bake"])).sum())
    if uncounted:
        found.append(notes.UNCOUNTED.format(n=uncounted, total=len(totals)))
    found += notes.few_draws(main.ess)
    return tuple(found)
