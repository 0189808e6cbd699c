"""Simulated studies of a design, analyzed the way real ones are.

Every simulated study is judged by the same posterior as a real one
(`pitstats.stats.BakeModel`, whose batches equal `pitstats.stats.bake_rates` one by
one). Randomness comes in fixed blocks, each with a seed of its own, so that neither the
number of workers nor the way in which work is divided changes a single number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from pitstats.analysis.rates.pairs import too_few_bakes
from pitstats.stats.bake_model import BakeModel, PairEnds
from pitstats.stats.binomial_data import FloatArray
from pitstats.stats.borrowed_spread import BorrowedModel
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.session_model import SessionModel
from pitstats.stats.workers import workers

if TYPE_CHECKING:
    from pitstats.planning.designs import PilotDraws

Array = NDArray[np.float64]

BLOCK = 500
"""Simulated studies that share one seed."""

WIDTH_STUDIES = 300
"""Simulated studies per plan for which whole intervals are worked out."""

CHUNK = 2000
"""Simulated studies per piece of work; changes no number."""

# Ordered pairs of pits to compare that one process has done in seconds.
_FEW_PAIRS = 100_000

SEPARATED, ALIKE, SINGLE = 1, 2, 3  # scenarios; part of the seed


@dataclass(frozen=True)
class BakeDesign:
    """Bakes and items of every pit.

    Attributes
    ----------
    bakes, items : tuple of int
        Bakes, and items per bake, of each pit.
    """

    bakes: tuple[int, ...]
    items: tuple[int, ...]

    @property
    def pit(self) -> NDArray[np.intp]:
        """Pit of each bake."""
        return np.repeat(np.arange(len(self.bakes)), self.bakes)

    @property
    def total(self) -> NDArray[np.intp]:
        """Items of each bake."""
        return np.repeat(self.items, self.bakes)

    @property
    def session(self) -> NDArray[np.intp]:
        """Session of each bake: the first of every pit, the second, and so on."""
        return np.concatenate([np.arange(k) for k in self.bakes])

    @property
    def one_bake_each(self) -> bool:
        """Whether no pit is baked more than once."""
        return max(self.bakes) == 1

    @property
    def judged_pairs(self) -> list[tuple[int, int]]:
        """Pairs of pits with bakes enough for a verdict."""
        return [
            (a, b)
            for a, b in combinations(range(len(self.bakes)), 2)
            if not too_few_bakes(self.bakes[a], self.bakes[b])
        ]


@dataclass(frozen=True, eq=False)
class SimulatedTruth:
    """What is true in each simulated study.

    Attributes
    ----------
    rates : ndarray, shape (n_studies or 1, n_pits)
        Long-run rates.
    sd_bake : ndarray, shape (n_studies or 1,) or (n_studies or 1, n_pits)
        Standard deviation between bakes, logit scale: common to the pits, or of each.
    sd_session : float, default 0
        Standard deviation between sessions, logit scale. The first bakes of all pits
        share the first session, the second bakes the second, and so on.
    """

    rates: Array
    sd_bake: Array
    sd_session: float = 0.0

    def part(self, start: int, stop: int) -> SimulatedTruth:
        """Truth of some of the studies."""
        if self.rates.shape[0] == 1:
            return self
        return SimulatedTruth(
            self.rates[start:stop], self.sd_bake[start:stop], self.sd_session
        )


@dataclass(frozen=True, eq=False)
class Question:
    """One plan and what is assumed to be true.

    Attributes
    ----------
    design : BakeDesign
        Bakes and items of each pit.
    rate, difference, sd_bake : float
        Long-run rate of the first pit, of the others less that, spread between bakes
        (root mean square where pits differ in it).
    draws : PilotDraws or None
        What a pilot leaves possible, in place of ``rate`` and ``sd_bake``.
    note : str
        Goes into the table.
    sd_session : float or None
        Spread between sessions that hold a bake of each pit; None without sessions.
    sd_of_pits : tuple of float or None
        Spread of each pit, where pits differ in it.
    earlier : tuple of float or None
        Spread and factor of earlier tests, where the judgment borrows them.
    """

    design: BakeDesign
    rate: float
    difference: float
    sd_bake: float
    draws: PilotDraws | None = None
    note: str = ""
    sd_session: float | None = None
    sd_of_pits: tuple[float, ...] | None = None
    earlier: tuple[float, float] | None = None

    def truth(self, *, alike: bool) -> SimulatedTruth:
        """Rates and spread of the simulated studies."""
        rate = np.array([self.rate]) if self.draws is None else self.draws.rate
        if self.draws is not None:
            sd = self.draws.sd_bake
        else:
            sd = np.array([self.sd_of_pits or self.sd_bake])
        rates = np.repeat(rate[:, None], len(self.design.bakes), axis=1)
        if not alike:
            rates[:, 1:] += self.difference
        return SimulatedTruth(rates, sd, self.sd_session or 0.0)


@dataclass(frozen=True)
class SimulationRules:
    """How every question is simulated and judged.

    Attributes
    ----------
    simulations : int
        Simulated studies per design and truth.
    seed : int
        Seed of the whole plan.
    conf_level : float
        Level of the intervals.
    margin : float or None
        Margin of "no difference beyond the margin".
    """

    simulations: int
    seed: int
    conf_level: float
    margin: float | None = None


@dataclass(frozen=True, eq=False)
class Task:
    """Some blocks of simulated studies of one design under one truth.

    Attributes
    ----------
    design : BakeDesign
        Bakes and items.
    truth : SimulatedTruth
        Of the studies of this task.
    scenario : int
        `SEPARATED` (asks about the first pair), `ALIKE` (asks about any pair) or
        `SINGLE` (asks for intervals of rates).
    seed : int
        Seed of the whole plan.
    start, stop : int
        Studies of this task among all of the plan; ``start`` begins a block.
    n_widths : int
        Studies, from the first of all, whose intervals are worked out.
    margin : float or None
        Margin for "no difference beyond the margin".
    conf_level : float
        Level of the intervals.
    sessions : bool, default False
        Whether the analysis has an effect of sessions, each with a bake of every pit.
    earlier : tuple of float or None
        Spread and factor of earlier tests that the analysis borrows.
    """

    design: BakeDesign
    truth: SimulatedTruth
    scenario: int
    seed: int
    start: int
    stop: int
    n_widths: int
    margin: float | None
    conf_level: float
    sessions: bool = False
    earlier: tuple[float, float] | None = None


@dataclass(frozen=True, eq=False)
class Tally:
    """What the studies of one task showed.

    Attributes
    ----------
    studies, separated : int
        Number of studies, and of those whose interval excludes no difference.
    low, high : ndarray
        Ends of the intervals that were worked out.
    inside : ndarray of bool
        Whether "no difference beyond the margin" was concluded, for the studies that
        were asked.
    lent : ndarray
        Posterior weight of the borrowed spread, for the studies whose intervals were
        worked out; empty without borrowing.
    """

    studies: int
    separated: int
    low: FloatArray
    high: FloatArray
    inside: NDArray[np.bool_]
    lent: Array


def simulate_burned(
    design: BakeDesign, truth: SimulatedTruth, rng: np.random.Generator, n_studies: int
) -> NDArray[np.int64]:
    """Simulate counts of burned items."""
    effect = rng.normal(size=(n_studies, design.pit.size))
    sd = np.reshape(truth.sd_bake, (len(truth.sd_bake), -1))
    intercept = marginal_intercept(truth.rates, np.hypot(sd, truth.sd_session))
    sd = np.broadcast_to(sd, intercept.shape)
    logit = intercept[:, design.pit] + sd[:, design.pit] * effect
    if truth.sd_session > 0:
        days = rng.normal(0.0, truth.sd_session, (n_studies, max(design.bakes)))
        logit = logit + days[:, design.session]
    return rng.binomial(design.total, expit(logit), size=effect.shape)


def blocks_of(task: Task) -> NDArray[np.int64]:
    """Simulated counts of a task, block by block of seeds."""
    counts = []
    for start in range(task.start, task.stop, BLOCK):
        stop = min(start + BLOCK, task.stop)
        key = (task.scenario, start // BLOCK, *task.design.bakes, *task.design.items)
        rng = np.random.default_rng(np.random.SeedSequence(task.seed, spawn_key=key))
        truth = task.truth.part(start - task.start, stop - task.start)
        counts.append(simulate_burned(task.design, truth, rng, stop - start))
    return np.concatenate(counts)


def run_task(task: Task) -> Tally:
    """Simulate and analyze the studies of one task."""
    design = task.design
    exact = BakeModel(design.total, design.pit, task.conf_level)
    counts = blocks_of(task)
    whole = counts[: max(task.n_widths - task.start, 0)]
    if task.scenario == SINGLE:
        rates = exact.rates(whole)
        ends, none = (rates.low[:, 0], rates.high[:, 0]), np.zeros(0, dtype=np.bool_)
        return Tally(counts.shape[0], 0, *ends, none, np.empty(0))
    model: BakeModel | SessionModel | BorrowedModel = exact
    lent = np.empty(0)
    if task.earlier is not None:
        model = BorrowedModel(
            design.total, design.pit, *task.earlier, conf_level=task.conf_level
        )
        lent = model.weights(whole)
    # A single shared session says nothing of how sessions differ.
    if task.sessions and sorted(design.bakes)[-2] > 1:
        model = SessionModel(design.total, design.pit, design.session, task.conf_level)
    separated = 0
    asked = design.judged_pairs
    if task.scenario == SEPARATED:
        asked = [pair for pair in asked if pair == (0, 1)]
    if asked:
        separated = int(model.separated(counts, asked, any_pair=True).sum())
    low, high = _first_pair(model, whole if task.scenario == SEPARATED else whole[:0])
    inside = _inside(task, model, counts, whole)
    return Tally(counts.shape[0], separated, low, high, inside, lent)


def _first_pair(
    model: BakeModel | SessionModel | BorrowedModel, counts: NDArray[np.int64]
) -> tuple[Array, Array]:
    """Interval of the first pair that decides its verdict."""
    if counts.shape[0] == 0:
        return np.empty(0), np.empty(0)
    ends: PairEnds = model.ends(counts, pairs=[(0, 1)])
    return ends.simultaneous_low[:, 0], ends.simultaneous_high[:, 0]


def _inside(
    task: Task,
    model: BakeModel | SessionModel | BorrowedModel,
    counts: NDArray[np.int64],
    whole: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Whether pits that are alike are found to be so, within the margin.

    With two pits in every study; with more, whose intervals take longer, in those whose
    intervals are worked out anyhow.
    """
    if task.margin is None or task.scenario != ALIKE:
        return np.zeros(0, dtype=np.bool_)
    asked = counts if model.n_pits == 2 else whole
    if (0, 1) not in task.design.judged_pairs:
        return np.zeros(asked.shape[0], dtype=np.bool_)
    low, high = _first_pair(model, asked)
    return (-task.margin < low) & (low <= 0) & (high >= 0) & (high < task.margin)


def run_designs(
    asked: Sequence[tuple[Question, int]],
    rules: SimulationRules,
    *,
    n_widths: int = 0,
    label: str,
    work: Callable[[Task], Any] = run_task,
) -> list[Any]:
    """Simulate and analyze questions, each in a scenario; one tally for each of them.

    In pieces through joblib, whose `parallel_config` chooses the workers. The bar shows
    on a terminal only.
    """
    from joblib import Parallel, delayed
    from tqdm import tqdm

    tasks, owner = [], []
    for k, (question, scenario) in enumerate(asked):
        whole = Task(
            design=question.design,
            truth=question.truth(alike=scenario != SEPARATED),
            scenario=scenario,
            seed=rules.seed,
            start=0,
            stop=rules.simulations,
            n_widths=min(n_widths, rules.simulations),
            margin=rules.margin,
            conf_level=rules.conf_level,
            sessions=question.sd_session is not None,
            earlier=question.earlier,
        )
        parts = _split(whole)
        tasks += parts
        owner += [k] * len(parts)
    # A study with sessions takes about ten times as long.
    pairs = sum(
        (task.stop - task.start)
        * len(task.design.bakes) ** 2
        * (10 if task.sessions else 1)
        for task in tasks
    )
    n_jobs = workers(None, pieces=len(tasks), long=pairs > _FEW_PAIRS)
    parallel = Parallel(n_jobs=n_jobs, return_as="generator", batch_size=1)
    done: Iterator[Any] = parallel(delayed(work)(task) for task in tasks)
    found: list[list[Any]] = [[] for _ in asked]
    for k, tally in zip(
        owner, tqdm(done, total=len(tasks), desc=label, disable=None), strict=True
    ):
        found[k].append(tally)
    return [_joined(parts) for parts in found]


def run_both(
    questions: Sequence[Question], rules: SimulationRules, label: str
) -> list[tuple[Tally, Tally]]:
    """Run every question with pits that differ and with pits that are alike."""
    asked = [
        (question, which) for question in questions for which in (SEPARATED, ALIKE)
    ]
    found = run_designs(asked, rules, n_widths=WIDTH_STUDIES, label=label)
    return list(zip(found[::2], found[1::2], strict=True))


def _joined(tallies: Sequence[Any]) -> Any:
    """Put the tallies of one question together: numbers add up, arrays line up."""
    values = [
        [getattr(tally, field.name) for tally in tallies]
        for field in fields(tallies[0])
    ]
    return type(tallies[0])(
        *(
            np.concatenate(own) if isinstance(own[0], np.ndarray) else sum(own)
            for own in values
        )
    )


def _split(task: Task) -> list[Task]:
    """Divide a task into tasks of whole blocks."""
    size = max(BLOCK, CHUNK // BLOCK * BLOCK)
    parts = []
    for start in range(task.start, task.stop, size):
        stop = min(start + size, task.stop)
        parts.append(
            replace(task, truth=task.truth.part(start, stop), start=start, stop=stop)
        )
    return parts


def share_with_error(hits: int, of: int) -> tuple[float, float]:
    """Share of studies and its Monte-Carlo standard error."""
    if of == 0:
        return float("nan"), float("nan")
    smooth = (hits + 0.5) / (of + 1)
    return hits / of, float(np.sqrt(smooth * (1 - smooth) / of))


def mean_with_error(values: Array) -> tuple[float, float]:
    """Mean and its Monte-Carlo standard error; NaN where there are too few values."""
    if values.size < 2:
        return (float(values.mean()) if values.size else float("nan")), float("nan")
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(values.size))
