"""The level that a later look at a study will have."""

from __future__ import annotations

from pitstats.analysis.rates.looks import Look
from pitstats.stats.stopping import MOST_LOOKS_AT, stopping_levels


def later_level(look: Look | None, conf_level: float, pits: int, extra: int) -> float:
    """Two-sided level of the look after further bakes of each pit."""
    if look is None or look.bakes < 2:
        return 1.0 - conf_level
    then = look.bakes + extra
    if look.kind == "planned":
        reached = [k for k in look.planned if k <= then]
        if then <= look.planned[-1]:
            return look.levels[look.planned.index(reached[-1])]
        looks: tuple[int, ...] = (*look.planned, then)
    elif look.kind == "undeclared":
        looks = tuple(range(2, max(MOST_LOOKS_AT, then) + 1))
    else:
        looks = (look.bakes, then)
    return _level_at(looks, then, look, pits)


def _level_at(looks: tuple[int, ...], at: int, now: Look, pits: int) -> float:
    """Level of a look, the looks brought within 12 bakes in proportion if need be."""
    place = looks.index(at)
    if looks[-1] > MOST_LOOKS_AT:
        scale = MOST_LOOKS_AT / looks[-1]
        scaled = [max(2, round(k * scale)) for k in looks]
        at_scaled = scaled[place]
        looks = tuple(sorted(set(scaled)))
        place = looks.index(at_scaled)
    found = stopping_levels(
        looks,
        min(max(pits, 2), 6),
        conf_level=now.conf_level,
        sessions=now.sessions,
    )
    return float(found.levels[place])
