"""What to do next: one recommendation from all that a study knows and lacks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.extra_bakes import ExtraBakes, suggest_bakes
from pitstats.analysis.next_steps.continuation import (
    Array,
    Continued,
    PairDraws,
    continue_pair,
    log_likelihoods,
    never_falling,
)
from pitstats.analysis.next_steps.levels import later_level
from pitstats.analysis.places.coverage import layouts_differ
from pitstats.analysis.rates.looks import Look
from pitstats.analysis.rates.pairs import (
    WITHOUT_VERDICT,
    few_beside_many,
    largest_difference,
)
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.analysis.rates.two_layouts import BothWays, compare_both_ways
from pitstats.analysis.results import PitComparison
from pitstats.analysis.sensitivity.sensitivity import Sensitivity, check_sensitivity
from pitstats.errors import ArgumentError
from pitstats.study.cells import counted
from pitstats.study.form import Form
from pitstats.study.html_text import notebook_html
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study

MOST_EXTRA = 12
"""Further bakes of each pit that are looked at."""

WANTED = 0.8
"""Chance of a verdict from which a number of bakes is recommended."""

Advice = Literal["settled", "fragile", "bake twice", "bake more", "too small"]
Questions = tuple[Literal["separate", "regrade", "same layout"], ...]

_DRAWS = 4096
_COLUMNS = [
    "extra_bakes",
    "width",
    "settled",
    "settled_error",
    "toward",
    "against",
    "within",
    "if_as_seen",
    "level",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class NextStep:
    """The one recommendation of what to do next.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per number of further bakes of both pits, 0 (now) first: ``extra_bakes,
        width, settled, settled_error, toward, against, within, if_as_seen, level``.
        ``width`` is the expected width of the deciding interval; ``settled`` the share
        of continuations with a verdict by then, its Monte-Carlo standard error beside
        it; of those ``toward`` call the pits different in the direction seen now,
        ``against`` in the other, ``within`` find no difference beyond the margin.
        ``if_as_seen`` is the share with a verdict if the truth were the present
        estimate. ``level`` is the two-sided level of the look. Only the row of 0 where
        nothing is to be continued.
    advice : {"settled", "fragile", "bake twice", "bake more", "too small"}
        ``settled``: every pair has a verdict; ``fragile``: so it has, but one bake less
        or another way to compare changes that of the largest difference; ``bake
        twice``: one bake each, nothing can be reckoned yet; ``bake more``: `extra` more
        bakes; ``too small``: no number up to 12 would do.
    pit_a, pit_b : str
        The open pair with the largest difference, or the largest of all.
    open_pairs : int
        Pairs without a verdict.
    extra : int or None
        Fewest further bakes of both pits with a chance of 80 % of a verdict.
    looks : tuple of int
        Looks to write down now (bakes of each pit) if the advice is followed; empty
        where looks are planned already or nothing is to be baked.
    planned : tuple of int
        Bakes of each pit at the next planned look, and how many more that is; empty
        without planned looks or when they are over.
    plan_over : bool
        Whether looks were planned and all of them are taken.
    layout : str
        What the continued comparison is averaged over.
    separate : ExtraBakes
        Bakes that would separate what went with the pits.
    besides : tuple of {"separate", "regrade", "same layout"}
        What else the next bakes should mend.
    few : tuple of str
        Pits whose few bakes stand beside many: of the open pair, or of all pairs where
        each has a verdict.
    margin : float or None
        The study's margin.
    continuations, seed : int
        Simulated continuations of every row, and what to give as ``seed`` again.
    form : Form
        Where the user states looks.
    """

    table: pd.DataFrame
    advice: Advice
    pit_a: str
    pit_b: str
    open_pairs: int
    extra: int | None
    looks: tuple[int, ...]
    planned: tuple[int, ...]
    plan_over: bool
    layout: str
    separate: ExtraBakes
    besides: Questions
    few: tuple[str, ...]
    margin: float | None
    continuations: int
    seed: int
    form: Form = field(default_factory=Form)

    @property
    def extra_span(self) -> tuple[int, int]:
        """What `extra` would be, were the chances two simulation errors off."""
        settled, error = self.table["settled"], 2 * self.table["settled_error"]
        return _fewest(settled + error), _fewest(settled - error)

    @property
    def sentence(self) -> str:
        """The recommendation in one or two sentences."""
        if self.planned and self.advice in ("bake more", "too small"):
            return _bake_as_planned(self)
        return _SENTENCES[self.advice](self)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The recommendation, the looks to write down, and what else to mend."""
        declare = (
            "Write it down before the next bake: "
            f"{self.form.stated('looks_planned', list(self.looks))}; the chances "
            "reckon with that.",
        )
        n = len(self.separate.table)
        return (
            self.sentence,
            *(declare if len(self.looks) > 1 else ()),
            *((_PLAN_OVER,) if self.plan_over and self.extra else ()),
            *(
                _BESIDES[name].format(n=n, are="is" if n == 1 else "are")
                for name in self.besides
            ),
        )

    @property
    def note(self) -> str:
        """How the chances were made."""
        if len(self.table) == 1:
            return ""
        picked = (
            " The pair was picked as the largest open difference; the posterior has "
            "drawn it in as far as the bakes warrant."
            if self.open_pairs > 1
            else ""
        )
        return (
            f"From {self.continuations} simulated continuations of the comparison "
            f"{'as baked' if self.layout == 'as baked' else 'on the shared places'}, "
            "drawn from what it leaves open about rates and spreads, each further bake "
            f"with as many items as before (seed {self.seed}; unit of replication: the "
            "bake). The band is two simulation errors wide each way, and so is a span "
            f"of further bakes in brackets.{picked} The dashed line takes the present "
            "estimate for the truth."
        )

    def _repr_html_(self) -> str:
        return notebook_html(self.sentence, self.table)


def suggest_next(
    study: Study,
    *,
    both: BothWays | None = None,
    sensitivity: Sensitivity | None = None,
    continuations: int = 1000,
    seed: int = 1,
) -> NextStep:
    """Say what to do next: how many more bakes of which pits, and what to mend.

    Parameters
    ----------
    study : Study
        A valid study with graded items in at least two pits.
    both : BothWays, optional
        Its comparison, if it was worked out before.
    sensitivity : Sensitivity, optional
        Its comparison under alternatives, if it was worked out before; asked for only
        where every pair has a verdict.
    continuations : int, default 1000
        Simulated continuations for every number of further bakes.
    seed : int, default 1
        Seed of the simulation.

    Returns
    -------
    NextStep

    Raises
    ------
    DesignError
        As for `compare_pits`, or if there are fewer than 100 continuations.

    Notes
    -----
    Continued is the comparison that leads. True rates and spreads are drawn from its
    posterior, so the chances average over what the study leaves open (assurance
    [1]_) and a difference that was picked because it is large has shrunk as far as the
    posterior shrinks it. The same simulated bakes serve every number of bakes, and the
    chances are made never to fall with more of them (isotonic regression [2]_). With
    more than two pits the tail of the pair's simultaneous interval is kept.

    A verdict counts at the level of the look at which it falls: that of the plan, or,
    without one, of looks now and then.

    References
    ----------
    .. [1] O'Hagan, Stevens & Campbell (2005), Assurance in clinical trial design,
       Pharmaceutical Statistics 4:187-201.
    .. [2] Barlow, Bartholomew, Bremner & Brunk (1972), Statistical inference under
       order restrictions, Wiley, chapter 1.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.suggest_next(ps.demo_study("one_bake_each")).advice
    'bake twice'
    """
    if continuations < 100:
        raise ArgumentError(
            f"continuations is {continuations}; fewer than 100 say nothing"
        )
    both = compare_both_ways(study) if both is None else both
    comparison = both.leading
    undecided = comparison.table["verdict"].isin(WITHOUT_VERDICT)
    table = comparison.table[undecided] if undecided.any() else comparison.table
    pair = largest_difference(table)
    settled = not undecided.any()
    rows = [_now(comparison, pair, settled=settled)]
    if not settled and not comparison.one_bake_each:
        rng = np.random.default_rng(seed)
        rows += _later(study, both, pair, continuations, rng)
    steps = pd.DataFrame(rows, columns=_COLUMNS)
    advice, extra = _advice(steps, settled=settled, single=comparison.one_bake_each)
    if settled:
        found = sensitivity or check_sensitivity(study, both=both, refit=False)
        advice = "fragile" if found.fragile else "settled"
    asked = table if settled else pair.to_frame().T
    more = suggest_bakes(study)
    return NextStep(
        table=steps,
        advice=advice,
        pit_a=str(pair["pit_a"]),
        pit_b=str(pair["pit_b"]),
        open_pairs=int(undecided.sum()),
        extra=extra,
        looks=_looks_to_declare(comparison, extra),
        planned=_next_planned(comparison.look),
        plan_over=_is_planned(comparison.look) and not _next_planned(comparison.look),
        layout=comparison.layout,
        separate=more,
        besides=_besides(study, more),
        few=tuple(few_beside_many(asked, comparison.n_bakes)),
        margin=comparison.margin,
        continuations=continuations,
        seed=seed,
        form=study.form,
    )


def _now(comparison: PitComparison, pair: pd.Series, *, settled: bool) -> list[float]:
    width = float(pair["simultaneous_high"]) - float(pair["simultaneous_low"])
    shares = [np.nan] * 4
    return [0, width, float(settled), 0.0, *shares, 1.0 - comparison.conf_level]


def _later(
    study: Study,
    both: BothWays,
    pair: pd.Series,
    n: int,
    rng: np.random.Generator,
) -> list[list[float]]:
    """Rows of 1, 2, ... further bakes of both pits."""
    comparison = both.leading
    known = _known(study, both, (str(pair["pit_a"]), str(pair["pit_b"])), rng)
    n_pits = len(comparison.rates)
    levels = np.array(
        [
            later_level(comparison.look, comparison.conf_level, n_pits, step)
            for step in range(1, MOST_EXTRA + 1)
        ]
    )
    tails = levels / 2 * _for_all_pairs(known, pair, comparison.conf_level)
    truth = rng.choice(known.weights.size, size=n, p=known.weights)
    tables = log_likelihoods(known)
    found = continue_pair(known, tables, truth, tails, n, rng)
    seen = continue_pair(known, tables, None, tails, n // 2, rng)
    sign = 1.0 if pair["estimate"] >= 0 else -1.0
    margin = comparison.margin
    rows = []
    toward, against, within = _verdicts(found, tails, sign, margin)
    settled = never_falling((toward | against | within).mean(axis=1))
    as_seen = never_falling(
        np.logical_or.reduce(_verdicts(seen, tails, sign, margin)).mean(axis=1)
    )
    for step in range(MOST_EXTRA):
        share = (settled[step] * n + 1) / (n + 2)
        rows.append(
            [
                step + 1,
                float((found.high[step] - found.low[step]).mean()),
                float(settled[step]),
                float(np.sqrt(share * (1 - share) / n)),
                *(float(v[step].mean()) for v in (toward, against, within)),
                float(as_seen[step]),
                float(levels[step]),
            ]
        )
    return rows


def _verdicts(
    found: Continued, tails: Array, sign: float, margin: float | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Verdicts of every step and continuation: toward, against, within the margin."""
    burns_less, burns_more = (
        beyond < tails[:, None] for beyond in (1.0 - found.below, found.below)
    )
    toward, against = (burns_more, burns_less) if sign > 0 else (burns_less, burns_more)
    inside = (
        (found.low > -margin) & (found.high < margin)
        if margin is not None
        else np.zeros_like(toward)
    )
    return toward, against, inside & ~toward & ~against


def _known(
    study: Study, both: BothWays, pits: tuple[str, str], rng: np.random.Generator
) -> PairDraws:
    """Draws of the leading posterior for a pair, and items of its further bakes."""
    graded = graded_bakes(study)
    drawn = both.leading.draws
    if drawn is None:
        posterior = bake_posterior(graded, both.leading.conf_level)
        drawn = posterior.rate_draws(_DRAWS, rng)
    rates, spread = np.asarray(drawn.rates), np.asarray(drawn.bake_sd)
    names, weights, sessions = drawn.pits, drawn.weights, drawn.session_sd
    if weights.size > _DRAWS:
        # Systematic resampling: as many draws as will do, of equal weight.
        steps = (np.arange(_DRAWS) + rng.random()) / _DRAWS
        chosen = np.searchsorted(np.cumsum(weights / weights.sum()), steps)
        chosen = np.minimum(chosen, weights.size - 1)
        rates, spread, sessions = rates[chosen], spread[chosen], sessions[chosen]
        weights = np.ones(_DRAWS)
    columns = [names.index(pit) for pit in pits]
    counted = both.rates.bakes
    placed = counted[counted["n_items"] > 0].groupby("pit")["n_items"].median()
    return PairDraws(
        rates=np.asarray(rates[:, columns], dtype=np.float64),
        bake_sd=np.asarray(spread[:, columns], dtype=np.float64),
        session_sd=np.asarray(sessions, dtype=np.float64),
        weights=np.asarray(weights / weights.sum(), dtype=np.float64),
        items=(int(placed[pits[0]]), int(placed[pits[1]])),
    )


def _for_all_pairs(known: PairDraws, pair: pd.Series, conf_level: float) -> float:
    """How much of its tail the pair's interval keeps when all pairs are allowed for."""
    if pair["simultaneous_low"] == pair["conf_low"]:
        return 1.0
    gap = known.rates[:, 0] - known.rates[:, 1]
    tails = [
        float(known.weights[gap <= pair["simultaneous_low"]].sum()),
        float(known.weights[gap >= pair["simultaneous_high"]].sum()),
    ]
    return min(1.0, float(np.mean(tails)) / ((1.0 - conf_level) / 2))


def _advice(
    steps: pd.DataFrame, *, settled: bool, single: bool
) -> tuple[Advice, int | None]:
    if settled:
        return "settled", None
    if single:
        return "bake twice", 2
    extra = _fewest(steps["settled"])
    return ("too small", None) if extra > MOST_EXTRA else ("bake more", extra)


def _fewest(settled: pd.Series[float]) -> int:
    """Fewest further bakes whose chance will do; one more than the most, if none."""
    return 1 + int((settled.iloc[1:] < WANTED).sum())


def _is_planned(look: Look | None) -> bool:
    return look is not None and look.kind == "planned"


def _next_planned(look: Look | None) -> tuple[int, ...]:
    """Bakes of each pit at the next planned look, and how many more that is."""
    if look is None or not _is_planned(look):
        return ()
    return next(((k, k - look.bakes) for k in look.planned if k > look.bakes), ())


def _looks_to_declare(comparison: PitComparison, extra: int | None) -> tuple[int, ...]:
    look = comparison.look
    if extra is None or look is None or look.kind != "single":
        return ()
    now = (look.bakes,) if look.bakes > 1 else ()
    return (*now, look.bakes + extra)


def _besides(study: Study, more: ExtraBakes) -> Questions:
    """What else keeps the answer from being firm, and the next bakes could mend."""
    kept = study.kept
    blind = bool(len(kept)) and bool(kept["blind"].fillna(False).astype(bool).all())
    has_items = bool(len(study.items))
    found: list[Literal["separate", "regrade", "same layout"]] = []
    if len(more.table):
        found.append("separate")
    if has_items and layouts_differ(study):
        found.append("same layout")
    if has_items and not blind and study.regrades.empty:
        found.append("regrade")
    return tuple(found)


_BESIDES = {
    "separate": (
        "Choose the next bakes so that they also separate what went with the pits "
        "({n} of them {are} listed for that)."
    ),
    "same layout": "Put the items at the same places in every pit.",
    "regrade": "Have a share of the items graded a second time by somebody who does "
    "not know the pit.",
}


_PLAN_OVER = (
    "The planned looks are over: what is baked now is one look more, held to a "
    "stricter boundary."
)


# --- in words ------------------------------------------------------------------------


def _settled(step: NextStep) -> str:
    if step.few:
        return (
            "Every pair of pits has a verdict, but one or more rest on few bakes "
            f"beside many: bake {' and '.join(step.few)} again."
        )
    return (
        "Every pair of pits has a verdict; no further bake is needed for the question "
        "that was asked."
    )


def _fragile(step: NextStep) -> str:
    first = f", {' and '.join(step.few)} first," if step.few else ""
    again = f"Bake each pit again{first}"
    if step.planned:
        look, _ = step.planned
        again = f"Bake on to the next planned look, after {look} bakes of each pit,"
    return f"{again} before relying on it: the verdict is fragile."


def _bake_twice(step: NextStep) -> str:
    return (
        "Bake each pit at least twice more, on two further days, in random order: one "
        "bake of each cannot show how much bakes differ."
    )


def _bake_as_planned(step: NextStep) -> str:
    look, extra = step.planned
    share = float(step.table["settled"].iloc[min(extra, MOST_EXTRA)])
    return (
        f"Bake on to the next planned look, after {look} bakes of each pit: whether "
        f"{step.pit_a} and {step.pit_b} differ is then settled in {_in_ten(share)} "
        "tests."
    )


def _bake_more(step: NextStep) -> str:
    extra, shares = step.extra or 0, step.table["settled"].tolist()
    low, high = step.extra_span
    upto = f"to {high}" if high <= MOST_EXTRA else f"to over {MOST_EXTRA}"
    about = (
        f"{extra} ({low} {upto}) more bakes"
        if low < high
        else counted(extra, "more bake")
    )
    text = (
        f"About {about} each of {step.pit_a} and {step.pit_b} would settle "
        f"whether they differ in {_in_ten(shares[extra])} tests"
    )
    earlier = [k for k in range(1, extra) if shares[k] >= 0.5]
    if earlier:
        text += f" ({_in_ten(shares[earlier[0]])} after {earlier[0]})"
    begin = f" Begin with {step.few[0]}, which has far fewer bakes." if step.few else ""
    return f"{text}.{begin}"


def _too_small(step: NextStep) -> str:
    share = _in_ten(float(step.table["settled"].iloc[-1]))
    # A chance that rounds to the one that is wanted still falls short of it.
    short = share == _in_ten(WANTED)
    most = f"not quite {share} tests" if short else f"{share} tests only"
    remedy = (
        "state a margin before the next test"
        if step.margin is None
        else "be content with how large the difference can be at most"
    )
    return (
        f"Even {MOST_EXTRA} more bakes each of {step.pit_a} and {step.pit_b} would "
        f"settle whether they differ in {most}. They differ too little for more, or "
        f"their bakes too much: {remedy}."
    )


def _in_ten(share: float) -> str:
    tenths = round(10 * share)
    if tenths >= 10:
        return "nearly all"
    return f"{tenths} in 10" if tenths else "fewer than 1 in 10"


_SENTENCES = {
    "settled": _settled,
    "fragile": _fragile,
    "bake twice": _bake_twice,
    "bake more": _bake_more,
    "too small": _too_small,
}
