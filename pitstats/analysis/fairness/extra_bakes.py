"""The fewest further bakes that separate what a design cannot separate, by search."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement, product

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.design_audit import (
    NEARLY_VIF,
    PARTLY_VIF,
    DesignAudit,
    audit_design,
    audit_factors,
    hidden_pairs,
    pair_list,
    pit_rows,
)
from pitstats.analysis.fairness.factors import Factor, Factors
from pitstats.study.study import Study

#: Sets of bakes that are tried one by one, smallest first; beyond this bakes are added
#: one at a time, each the best next one, and those not needed are taken out again.
#: Of a long record with many sessions fewer are looked at: so many numbers in all.
MOST_SETS, MOST_NUMBERS = 1500, 200_000_000
MOST_BAKES = 12
#: Combinations of levels tried in one pit; with more, whole set-ups of other pits are.
MOST_SET_UPS = 8

_NEARLY = 1.0 - 1.0 / NEARLY_VIF
_PARTLY = 1.0 - 1.0 / PARTLY_VIF
#: Share from which a factor of a role is to be separated, and below which it must come.
_TARGET = {
    "session": (1.0, _NEARLY),
    "order": (_PARTLY, _PARTLY),
    "lot": (_NEARLY, _NEARLY),
    "people": (_NEARLY, _NEARLY),
    "setting": (_NEARLY, _NEARLY),
    "own": (_NEARLY, _NEARLY),
}
_TUNED = ("damper_open", "intake_open", "target_temp")

Bake = tuple[str, tuple[object, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class ExtraBakes:
    """Bakes to add, and what they would separate.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per bake to add, in the order of baking: ``session, order, pit``, the
        factors that had to be chosen, and the pit's usual setting in all others that
        were recorded. Empty where nothing need be added, or nothing helps.
    goals : tuple of str
        What the search set out to separate, in words: pits from a factor.
    single : tuple of str
        Pits that were baked once and are to be baked again.
    unmet : tuple of str
        Goals that no set of bakes within the limit reaches.
    chosen : tuple of str
        Columns of the table that the search had to choose.
    before, after : DesignAudit
        The design as it is, and with the bakes added.
    n_sets : int
        Sets of bakes that were looked at.
    exhaustive : bool
        Whether every smaller set was tried, so that none is smaller.
    estimand, method : str
        What was looked for, and how.
    caveats : tuple of str
        What the search leaves to the cook.
    """

    table: pd.DataFrame
    goals: tuple[str, ...]
    single: tuple[str, ...]
    unmet: tuple[str, ...]
    chosen: tuple[str, ...]
    before: DesignAudit
    after: DesignAudit
    n_sets: int
    exhaustive: bool
    estimand: str
    method: str
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()


@dataclass(frozen=True, kw_only=True)
class _Goal:
    """Pairs of pits that a factor, or a combination, must no longer hide."""

    names: tuple[str, ...]
    pairs: frozenset[tuple[str, str]]
    below: float
    words: str
    within_pair: bool = False


def suggest_bakes(study: Study, *, design: DesignAudit | None = None) -> ExtraBakes:
    """Find the fewest further bakes that separate what a design cannot separate.

    Parameters
    ----------
    study : Study
        A valid study, finished or planned.
    design : DesignAudit, optional
        What `audit_design` finds in it, where that is known already.

    Returns
    -------
    ExtraBakes
        The bakes as a plan. They are taken to lie in one new session, because no day
        comes back, and to use lots, people and settings seen in the record.

    Notes
    -----
    To be separated are: sessions, lots, people and columns of one's own that hide a
    difference of pits (fully for sessions, otherwise from a variance inflation of 5),
    settings likewise but not those that a rule lets differ, order from an inflation of
    2, combinations that hide it fully, and pits that were baked once. Sets of one, two,
    three ... bakes are tried until one meets all goals, up to 1500 sets (fewer in a
    record of more than 150 bakes); then bakes are added one at a time, each the one
    that leaves least hidden, until all goals are met or twelve bakes are added, and any
    bake without which the goals are still met is taken out. Of equally small sets the
    one that hides least is kept. The design is audited again with the bakes in.

    References
    ----------
    .. [1] Meyer RK, Nachtsheim CJ (1995), The coordinate-exchange algorithm for
       constructing exact optimal experimental designs, Technometrics 37:60-69
       (adding and exchanging runs to repair a design).

    Examples
    --------
    >>> import pitstats as ps
    >>> more = suggest_bakes(ps.demo_study("one_bake_each"))
    >>> more.table[["session", "order", "pit"]].to_numpy().tolist()
    [['new session', 1, 'Ferry'], ['new session', 2, 'Quarry']]
    """
    before = audit_design(study) if design is None else design
    single = tuple(pit for pit in before.factors.pits if _n_bakes(before, pit) == 1)
    goals = _goals(study, before)
    search = _Search(before.factors, goals, single)
    found, exhaustive = search.run() if goals or single else ((), True)
    unmet = search.unmet(found) if found else goals
    if not single and all(goal in unmet for goal in goals if goal.words):
        # Bakes that separate nothing are no proposal.
        found, unmet = (), goals
    after = audit_factors(search.extended(found)) if found else before
    return ExtraBakes(
        table=_plan(search, found),
        goals=tuple(goal.words for goal in goals if goal.words),
        single=single,
        unmet=tuple(goal.words for goal in unmet if goal.words),
        chosen=search.choice_names,
        before=before,
        after=after,
        n_sets=search.n_sets,
        exhaustive=exhaustive,
        estimand="fewest bakes after which no factor of the record hides a difference "
        "of pits",
        method=_method(search.n_sets, exhaustive),
        caveats=_caveats(search, found),
    )


def _n_bakes(design: DesignAudit, pit: str) -> int:
    return int((design.factors.pit == pit).sum())


def _goals(study: Study, design: DesignAudit) -> list[_Goal]:
    tuned = study.settings.temperature_rule in ("maker's setting", "tuned")
    goals = []
    for factor in design.factors.varied:
        if factor.role not in _TARGET or (tuned and factor.name in _TUNED):
            continue
        least, below = _TARGET[factor.role]
        rows = hidden_pairs(design, factor, least)
        if len(rows):
            # A bake alone in its session shows nothing but its session.
            session = _blocks(design.factors, factor)
            setting = factor.role == "setting"
            goals.append(
                _goal((factor.name, *session), rows, below, factor.label, setting)
            )
    labels = {factor.name: factor.label for factor in design.factors.varied}
    for names in design.combinations:
        what = " together with ".join(labels[name] for name in names)
        goals.append(_goal(names, design.of(*names), _NEARLY, what))
    return [*goals, *_side_conditions(design.factors, goals)]


def _blocks(factors: Factors, factor: Factor) -> tuple[str, ...]:
    if factor.role in ("session", "order"):
        return ()
    return tuple(other.name for other in factors.recorded if other.role == "session")


def _side_conditions(factors: Factors, goals: Sequence[_Goal]) -> list[_Goal]:
    """What must not go wrong through the new bakes themselves."""
    pairs = frozenset(pair for goal in goals for pair in goal.pairs)
    names = tuple(dict.fromkeys(name for goal in goals for name in goal.names))
    by_role = {factor.role: factor.name for factor in factors.recorded}
    added = []
    if "session" in names and "order" in by_role and "order" not in names:
        added.append(_Goal(names=("order",), pairs=pairs, below=_PARTLY, words=""))
    if len(names) > 1:
        added.append(_Goal(names=names, pairs=pairs, below=1.0, words=""))
    return added


def _goal(
    names: tuple[str, ...],
    rows: pd.DataFrame,
    below: float,
    what: str,
    within_pair: bool = False,
) -> _Goal:
    return _Goal(
        names=names,
        pairs=frozenset(zip(rows["pit_a"], rows["pit_b"], strict=True)),
        below=below,
        words=f"{pair_list(rows)} from {what}",
        within_pair=within_pair,
    )


class _Search:
    """Looks for the smallest set of bakes that meets all goals."""

    def __init__(
        self, factors: Factors, goals: Sequence[_Goal], single: Sequence[str]
    ) -> None:
        self.factors, self.goals, self.single = factors, goals, single
        self.n_sets = 0
        named = {name for goal in goals for name in goal.names}
        self.choices = [
            factor
            for factor in factors.recorded
            if factor.name in named and factor.role not in ("session", "order")
        ]
        self.by_order = "order" in named or (
            bool(single) and any(f.role == "order" for f in factors.recorded)
        )
        self.needed = frozenset(
            f.name
            for f in factors.recorded
            if f.name in named or f.role in ("session", "order")
        )
        columns = sum(len(f.levels) for f in factors.recorded if f.name in self.needed)
        most = MOST_NUMBERS // max(1, len(factors.pit) * columns)
        self.most_sets = min(MOST_SETS, most)
        self.candidates = self._candidates()

    @property
    def choice_names(self) -> tuple[str, ...]:
        """Columns that the search chooses levels of."""
        return tuple(factor.name for factor in self.choices)

    def run(self) -> tuple[tuple[Bake, ...], bool]:
        """Return the set found and whether every smaller one was tried."""
        for size in range(max(1, len(self.single)), MOST_BAKES + 1):
            if self.n_sets + self._how_many(size) > self.most_sets:
                return self._one_at_a_time(), False
            best: tuple[float, tuple[Bake, ...]] | None = None
            for bakes in self._sets(size):
                missing, hidden = self.score(bakes, in_full=False)
                if missing <= 0.0 and (best is None or hidden < best[0] - 1e-9):
                    best = (hidden, bakes)
            if best is not None:
                return best[1], True
        return (), True

    def _candidates(self) -> list[Bake]:
        """Every pit that is to be separated, with every level seen in the record."""
        wanted = {pit for goal in self.goals for pair in goal.pairs for pit in pair}
        pits = [p for p in self.factors.pits if p in wanted | set(self.single)]
        return [(pit, levels) for pit in pits for levels in self._set_ups(pit)]

    def _set_ups(self, pit: str) -> list[tuple[object, ...]]:
        """Combinations of levels to try in a pit, its usual one first."""
        levels = [self._levels(factor, pit) for factor in self.choices]
        if np.prod([len(own) for own in levels]) <= MOST_SET_UPS:
            return list(product(*levels))
        # Many factors went with the pits: try each pit set up as another one was.
        set_ups = []
        for other in sorted(self.factors.pits, key=lambda name: name != pit):
            known = [f.known & (self.factors.pit == other) for f in self.choices]
            set_ups.append(
                tuple(
                    _usual(factor, own) if own.any() and None not in seen else seen[0]
                    for factor, own, seen in zip(
                        self.choices, known, levels, strict=True
                    )
                )
            )
        return list(dict.fromkeys(set_ups))

    def _levels(self, factor: Factor, pit: str) -> list[object]:
        own = factor.known & (self.factors.pit == pit)
        if not own.any():
            # A pit without a damper has no opening to choose.
            return [None]
        if not factor.numeric:
            return list(factor.levels)
        usual = _usual(factor, own)
        seen = np.unique(factor.matrix[factor.known, 0])
        if len(seen) > 4:
            # Usual settings of the pits stand for a setting with many values.
            seen = np.unique(
                [
                    _usual(factor, factor.known & (self.factors.pit == other))
                    for other in self.factors.pits
                    if (factor.known & (self.factors.pit == other)).any()
                ]
            )
        # The pit's own usual setting first: of equal sets the least unusual is kept.
        return sorted(map(float, seen), key=lambda value: (value != usual, value))

    def _how_many(self, size: int) -> int:
        n = len(self.candidates)
        if self.by_order:
            return int(n**size)
        from math import comb

        return comb(n + size - 1, size)

    def _sets(self, size: int) -> Iterable[tuple[Bake, ...]]:
        if self.by_order:
            return product(self.candidates, repeat=size)
        return combinations_with_replacement(self.candidates, size)

    def extended(
        self, bakes: Sequence[Bake], names: frozenset[str] | None = None
    ) -> Factors:
        """Return the factors, or some of them, with bakes added in a new session."""
        new = _NEW_SESSION
        recorded = []
        for factor in self.factors.recorded:
            if names is not None and factor.name not in names:
                continue
            if factor.role == "session":
                grown = replace(
                    factor,
                    levels=(*factor.levels, new),
                    matrix=np.hstack(
                        [
                            factor.matrix,
                            np.where(factor.known, 0.0, np.nan)[:, None],
                        ]
                    ),
                )
                recorded.append(grown.with_rows([new] * len(bakes)))
            elif factor.role == "order":
                recorded.append(factor.with_rows(range(1, len(bakes) + 1)))
            else:
                recorded.append(factor.with_rows(self.values(factor, bakes)))
        return Factors(
            pit=np.append(self.factors.pit, [pit for pit, _ in bakes]),
            session=np.append(self.factors.session, [new] * len(bakes)),
            recorded=tuple(recorded),
            unrecorded=self.factors.unrecorded,
        )

    def values(self, factor: Factor, bakes: Sequence[Bake]) -> list[object]:
        """Return the level of a factor in each bake: chosen, or the pit's usual one."""
        if factor.name in self.choice_names:
            place = self.choice_names.index(factor.name)
            return [levels[place] for _, levels in bakes]
        values: list[object] = []
        for pit, _ in bakes:
            own = factor.known & (self.factors.pit == pit)
            measured = factor.role == "measured" or not own.any()
            values.append(None if measured else _usual(factor, own))
        return values

    def score(
        self, bakes: Sequence[Bake], *, in_full: bool = True
    ) -> tuple[float, float]:
        """Return how much is still missing (0 when all goals are met) and hidden.

        Unless it is wanted in full, the first goal that is not met ends the count.
        """
        self.n_sets += 1
        names = [pit for pit, _ in bakes]
        missing = float(sum(pit not in names for pit in self.single))
        if missing and not in_full:
            return missing, 0.0
        factors = self.extended(bakes, self.needed)
        hidden = 0.0
        for goal in self.goals:
            for share in _shares(factors, goal):
                hidden += share
                if share >= goal.below - 1e-9:
                    missing += share
            if missing and not in_full:
                break
        return missing, hidden

    def unmet(self, bakes: Sequence[Bake]) -> list[_Goal]:
        """Goals that are not met with these bakes."""
        factors = self.extended(bakes)
        return [
            goal
            for goal in self.goals
            if max(_shares(factors, goal), default=1.0) >= goal.below - 1e-9
        ]

    def _one_at_a_time(self) -> tuple[Bake, ...]:
        bakes: tuple[Bake, ...] = ()
        short = self.most_sets == MOST_SETS
        rounds = MOST_BAKES if short else self.most_sets // len(self.candidates)
        for _ in range(min(rounds, MOST_BAKES)):
            steps = [(*bakes, candidate) for candidate in self.candidates]
            scores = [self.score(step) for step in steps]
            bakes = steps[min(range(len(steps)), key=lambda i: scores[i])]
            if min(scores)[0] <= 0.0:
                return self._without_idle(bakes)
        return bakes

    def _without_idle(self, bakes: tuple[Bake, ...]) -> tuple[Bake, ...]:
        for place in range(len(bakes)):
            fewer = bakes[:place] + bakes[place + 1 :]
            if fewer and self.score(fewer)[0] <= 0.0:
                return self._without_idle(fewer)
        return bakes


_NEW_SESSION = "new session"


def _shares(factors: Factors, goal: _Goal) -> Iterator[float]:
    chosen = [factors.find(name) for name in goal.names]
    known = [factor for factor in chosen if factor is not None]
    if not known:
        return
    for row in pit_rows(factors, known, within_pair=goal.within_pair):
        # Too few bakes for all at once is no fault of the bakes added.
        excused = bool(row["forced"]) and not goal.words
        if (row["pit_a"], row["pit_b"]) in goal.pairs and not excused:
            yield float(str(row["share"]))


def _usual(factor: Factor, own: np.ndarray) -> object:
    """Return the commonest value in some bakes; the middle one of a number."""
    if not factor.numeric:
        return factor.levels[int(factor.matrix[own].sum(axis=0).argmax())]
    values = np.sort(factor.matrix[own, 0])
    return float(values[(len(values) - 1) // 2])


def _plan(search: _Search, bakes: Sequence[Bake]) -> pd.DataFrame:
    columns: Mapping[str, list[object]] = {
        factor.name: search.values(factor, bakes)
        for factor in search.factors.recorded
        if factor.role not in ("session", "order", "measured")
    }
    shown = {
        "session": [_NEW_SESSION] * len(bakes),
        "order": list(range(1, len(bakes) + 1)),
        "pit": [pit for pit, _ in bakes],
    }
    chosen = {name: columns[name] for name in search.choice_names}
    return pd.DataFrame(shown | chosen | dict(columns))


def _method(n_sets: int, exhaustive: bool) -> str:
    if not n_sets:
        return (
            "nothing to search for" if exhaustive else "not searched: too long a record"
        )
    if exhaustive:
        return f"every smaller set was tried ({n_sets} sets of bakes)"
    return (
        f"bakes added one at a time, each the best next one ({n_sets} sets of bakes "
        "looked at); a smaller set may exist"
    )


def _caveats(search: _Search, bakes: Sequence[Bake]) -> tuple[str, ...]:
    if not bakes:
        return ()
    caveats = [
        "These are the fewest bakes that make a difference of pits estimable beside "
        "the other factors. Fewest is not enough for a narrow interval: plan the "
        "number of bakes besides."
    ]
    if any(factor.role == "lot" for factor in search.choices):
        caveats.append(
            "A lot of dough that is used up cannot be baked again: then bake every pit "
            "from one new lot."
        )
    return tuple(caveats)
