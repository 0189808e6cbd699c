"""Which look at the results this is, and the level at which its intervals stand."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import pandas as pd

from pitstats.analysis.rates.posterior import holds_shared_sessions
from pitstats.errors import ArgumentError
from pitstats.stats.stopping import (
    MOST_LOOKS_AT,
    StoppingLevels,
    stopping_levels,
    unguarded_share,
)
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study

LookKind = Literal["single", "planned", "undeclared"]


@dataclass(frozen=True, kw_only=True)
class Look:
    """The present look at a study and the boundary it is held to.

    Attributes
    ----------
    kind : {"single", "planned", "undeclared"}
        ``single``: the only look on record, at the study's own level. ``planned``: one
        of several planned looks. ``undeclared``: several looks, not all of them
        planned, held to the boundary of a look after every bake.
    bakes : int
        Bakes of each pit at this look.
    planned, taken : tuple of int
        Looks on record, the present one included in ``taken``.
    boundary : tuple of int
        Looks for which the levels were made.
    levels : tuple of float
        Two-sided level of each of them.
    level : float
        Two-sided level of this look: 1 - the level of its intervals.
    conf_level : float
        Level that all looks keep together: the study's own.
    sessions : bool
        Whether the answer has an effect of sessions, for which the boundary is wider.
    unguarded : float
        Share of tests of equal pits that would be called different at one of the
        looks taken if each used its own interval at 95 %; 0.05 for a single one.
    """

    kind: LookKind
    bakes: int
    planned: tuple[int, ...]
    taken: tuple[int, ...]
    boundary: tuple[int, ...]
    levels: tuple[float, ...]
    level: float
    conf_level: float
    sessions: bool
    unguarded: float

    @property
    def repeated(self) -> bool:
        """Whether the intervals are repeated confidence intervals."""
        return self.kind != "single"

    @property
    def early(self) -> bool:
        """Whether more looks are planned after this one."""
        return self.kind == "planned" and self.bakes < self.planned[-1]


def checked_level(study: Study, conf_level: float | None) -> float:
    """Return the level to use, or say what is wrong with the one given."""
    return valid_level(study.settings.conf_level if conf_level is None else conf_level)


def valid_level(conf_level: float) -> float:
    """Return a level as a number, or say that it can be none."""
    level = float(conf_level)
    if not 0 < level < 1:
        raise ArgumentError(f"conf_level is {level:g}; it must lie between 0 and 1.")
    return level


def look_and_level(study: Study, conf_level: float | None) -> tuple[Look | None, float]:
    """The look at a study, unless a level was asked for, and the level of intervals."""
    level = checked_level(study, conf_level)
    if conf_level is not None:
        return None, level
    look = look_of(study)
    return look, 1 - look.level if look.repeated else level


def look_of(study: Study) -> Look:
    """Say which look at a study this is.

    Notes
    -----
    The record (``[looks]`` in ``study.toml``) may be silent: the present look is then
    the only one. Planned looks hold as long as every look taken, the present one
    included, is one of them. Otherwise several looks are held to the boundary of a
    look after every bake until the larger of 12 and the bakes there are
    (`stats.stopping_levels`). A bake that was made and then left out does not move a
    planned look.
    """
    graded, settings = graded_bakes(study), study.settings
    planned, taken = settings.looks_planned, settings.looks_taken
    per_pit = graded["pit"].value_counts()
    now = max(_bakes_at(study, per_pit), *taken[-1:], 1)
    seen = tuple(sorted({*taken, now}))
    several = len([k for k in seen if k > 1]) > 1
    kept_to = bool(planned) and set(seen) <= set(planned)
    if kept_to and len([k for k in planned if k > 1]) > 1:
        kind: LookKind = "planned"
        boundary = planned
    elif several or (planned and not kept_to and len(planned) > 1):
        kind = "undeclared"
        boundary = tuple(range(2, max(MOST_LOOKS_AT, seen[-1], *planned, 2) + 1))
    else:
        kind, boundary = "single", (now,)
    pits = min(max(int(per_pit.size), 2), 6)
    items = graded.groupby("pit", sort=False)["n_items"].median().astype(int)
    sizes = ((*items, 1, 1) if len(items) < 2 else tuple(items))[:pits]
    sessions = holds_shared_sessions(graded)
    found = _levels(boundary, pits, sizes, settings.conf_level, sessions)
    place = boundary.index(now) if now in boundary else 0
    level = float(found.levels[place]) if kind != "single" else 1 - settings.conf_level
    return Look(
        kind=kind,
        bakes=now,
        planned=planned,
        taken=seen,
        boundary=boundary,
        levels=tuple(float(x) for x in found.levels),
        level=level,
        conf_level=settings.conf_level,
        sessions=sessions,
        unguarded=unguarded_share(seen, pits, sizes).share if several else 0.05,
    )


def _bakes_at(study: Study, graded: pd.Series) -> int:
    """Bakes of each pit at this look: all that were made, if only so it was planned."""
    if not len(graded):
        return 1
    made = study.bakes[study.bakes["status"] != "planned"]["pit"].value_counts()
    kept, baked = int(graded.min()), int(made[graded.index].min())
    planned = study.settings.looks_planned
    return baked if baked in planned and kept not in planned else kept


@lru_cache(maxsize=64)
def _levels(
    boundary: tuple[int, ...],
    pits: int,
    items: tuple[int, ...],
    conf_level: float,
    sessions: bool,
) -> StoppingLevels:
    """Levels of a boundary, simulated (with a bar) where no constant is shipped."""
    return stopping_levels(
        boundary, pits, items, conf_level, sessions=sessions, progress=True
    )
