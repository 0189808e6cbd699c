"""Findings from the design: what went with the pit, read off the linear algebra."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.design_audit import (
    NEARLY_VIF,
    PARTLY_VIF,
    hidden_pairs,
    pair_list,
    pit_means,
)
from pitstats.analysis.fairness.factors import Factor
from pitstats.analysis.fairness.finding import (
    Finding,
    Record,
    Severity,
    Topic,
    per_pit_text,
)
from pitstats.errors import some
from pitstats.study.cells import counted, one_line

_NEARLY = 1.0 - 1.0 / NEARLY_VIF
_PARTLY = 1.0 - 1.0 / PARTLY_VIF
# A setting that was moved on purpose does much: a tenth of it can pass for a pit.
_MIXED = 0.1
_AS_SET_UP = "Speak of the pits 'as set up', in the title too."


def find_in_design(record: Record) -> Iterator[Finding]:
    """Everything that the layout of the bakes can never separate."""
    yield from _bakes_per_pit(record)
    if record.n_pits < 2:
        return
    yield from _unknown_order(record)
    for factor in record.design.factors.varied:
        detect = _BY_ROLE[factor.role]
        yield from detect(record, factor)
    yield from _combinations(record)


# --- how many bakes -------------------------------------------------------------------


def _bakes_per_pit(record: Record) -> Iterator[Finding]:
    counts = record.bakes_per_pit
    if not len(counts):
        return
    if record.one_bake_each:
        yield Finding(
            "one_bake_each",
            "spoils",
            f"Every pit has one bake ({counted(len(counts), 'bake')} in all), so the "
            "fire of the day cannot be told from the pit.",
            "Take what is seen for these bakes alone.",
            why="The items of one bake share one fire; many items do not make many "
            "fires.",
            wording="Write 'in this bake'; no verdict and no ranking. The width of the "
            "intervals is set by assumption.",
            touches=("difference", "rates", "evenness", "map"),
            short="one bake of each pit",
        )
        return
    single = [str(pit) for pit, n in counts.items() if n == 1]
    if single:
        yield Finding(
            "one_bake_some",
            "weakens",
            f"{', '.join(single)}: baked once, other pits up to "
            f"{counts.max()} times ({per_pit_text(counts)}).",
            f"Bake {', '.join(single)} again.",
            why="How much a pit varies from fire to fire cannot be seen in one bake; "
            "it is borrowed from the others.",
            wording="Write 'in this bake' of a pit that was baked once.",
            touches=("difference", "rates", "evenness"),
            short=f"{', '.join(single)} baked once",
        )
    elif counts.min() < counts.max():
        yield Finding(
            "unequal_bakes",
            "note",
            f"The pits have unequal numbers of bakes ({per_pit_text(counts)}).",
            "The intervals allow for it; bake the pits equally often next time.",
            why="A pit with fewer bakes is known less well.",
            wording="Give the number of bakes beside every rate.",
            touches=("rates",),
            short="unequal numbers of bakes",
        )


# --- sessions and order ---------------------------------------------------------------


def _unknown_order(record: Record) -> Iterator[Finding]:
    bakes = record.bakes
    both = bakes["order"].notna() & bakes["session"].notna()
    if both.any() or record.one_bake_each:
        return
    lacking = [name for name in ("session", "order") if bakes[name].isna().all()]
    yield Finding(
        "order_unknown",
        "weakens",
        f"{' and '.join(lacking or ['session and order']).capitalize()} of the "
        f"{len(bakes)} bakes: not recorded.",
        "Record both: in which session, and as which of its bakes.",
        why="A pit that is always last meets a warmer day, hotter steel and older "
        "dough.",
        wording="Say that the order of the bakes is not known.",
        short="order of the bakes unknown",
    )


def _session(record: Record, factor: Factor) -> Iterator[Finding]:
    hidden = hidden_pairs(record.design, factor, 1.0)
    if hidden.empty or record.one_bake_each:
        return
    if _one_level_each(record, factor, hidden):
        yield Finding(
            "session_with_pit",
            "spoils",
            f"{pair_list(hidden)}: each pit was baked in a session of its own "
            f"({_levels(record, factor)}), so day and pit are one.",
            "Bake every pit in every session.",
            why="Wind, weather and the dough of a day touch every bake of that day.",
            wording="Write 'on these days'; the difference is of pits with their days.",
            touches=("difference", "rates"),
            short="each pit on a day of its own",
        )
        return
    yield Finding(
        "sessions_not_shared",
        "weakens",
        f"{pair_list(hidden)}: no session, or chain of sessions, holds bakes of both, "
        "so the days cannot be taken out of the difference.",
        "Bake every pit in every session.",
        why="Weather and day go with the pit; their chance is part of the interval, "
        "their habit is not.",
        wording="Say that the pits were baked on different days.",
        short="pits baked on different days",
    )


def _order(record: Record, factor: Factor) -> Iterator[Finding]:
    rows, days = record.design.of(factor.name), record.design.of("session")
    # An order holds within a session; pits that share none are told as such.
    strangers = set(_pairs(days[days["share"] >= 1.0 - 1e-9]))
    met = [pair not in strangers for pair in _pairs(rows)]
    rows = rows[pd.Series(met, index=rows.index, dtype=bool)]
    if rows.empty or record.one_bake_each:
        return
    counts = record.bakes_per_pit
    twice = rows["pit_a"].map(counts).gt(1) & rows["pit_b"].map(counts).gt(1)
    apart = [_always_before(record, factor, a, b) for a, b in _pairs(rows)]
    fully = rows["share"].ge(1.0)
    spoiled = rows[
        twice
        & (
            fully
            | (rows["share"].ge(_PARTLY - 1e-9) & pd.Series(apart, index=rows.index))
        )
    ]
    if len(spoiled):
        yield Finding(
            "order_fixed",
            "spoils",
            f"{_order_words(record, factor, spoiled)}, so whatever changes over a "
            "session goes with the pit.",
            "Bake again with an order that puts every pit early and late equally "
            "often.",
            why="Later bakes meet hotter steel, a deeper bed of coals and older dough.",
            wording="Say that order and pit cannot be separated; no 'because of the "
            "pit'.",
            touches=("difference", "rates"),
            short="pits always in the same order",
        )
        return
    partly = rows[rows["share"].ge(_PARTLY - 1e-9) & twice]
    if len(partly):
        mean = pit_means(record.design.factors, factor)
        yield Finding(
            "order_unbalanced",
            "weakens",
            f"{pair_list(partly)}: order hides {100 * partly['share'].max():.0f}% of "
            "the difference (mean place from the middle of the session: "
            f"{per_pit_text(mean, '{:+.1f}')}).",
            "Balance the order: every pit early and late equally often.",
            why="Later bakes meet hotter steel, a deeper bed of coals and older dough.",
            wording="Give the order of the bakes beside the difference.",
            short="order not balanced",
        )


def _order_words(record: Record, factor: Factor, spoiled: pd.DataFrame) -> str:
    bakes = record.bakes.assign(_order=factor.values.astype(float))
    known = bakes[bakes["_order"].notna() & bakes["session"].notna()]
    orders = {
        tuple(own.sort_values("_order")["pit"])
        for _, own in known.groupby("session", sort=False)
    }
    if len(orders) == 1:
        names = ", ".join(str(pit) for pit in next(iter(orders)))
        n = known["session"].nunique()
        if n > 1:
            return (
                f"The pits were baked in the same order in every session ({names}; "
                f"{n} sessions)"
            )
        return f"In the only session the pits were baked one after the other ({names})"
    return f"{pair_list(spoiled)}: one was always baked before the other"


def _always_before(record: Record, factor: Factor, a: str, b: str) -> bool:
    """Whether all bakes of one pit came before those of the other in each session."""
    bakes = record.bakes.assign(_order=factor.values.astype(float))
    first, second = (
        bakes[bakes["pit"] == pit].groupby("session")["_order"].agg(["min", "max"])
        for pit in (a, b)
    )
    both = first.dropna().join(second.dropna().add_suffix("_b"), how="inner")
    before, after = both["max"] < both["min_b"], both["min"] > both["max_b"]
    return bool(len(both) and (before.all() or after.all()))


# --- lots, people, settings -----------------------------------------------------------


def _lot(record: Record, factor: Factor) -> Iterator[Finding]:
    hidden = hidden_pairs(record.design, factor, 1.0)
    if len(hidden):
        alone = _one_level_each(record, factor, hidden)
        yield Finding(
            "lot_with_pit",
            "spoils" if alone else "weakens",
            f"{pair_list(hidden)}: no lot of dough went into both "
            f"({_levels(record, factor)}), so lot and pit cannot be separated.",
            "Spread every lot over all pits.",
            why="One lot may brown faster than another in any pit.",
            wording="The difference is of pits with their dough; say so.",
            touches=("difference", "rates"),
            short="each pit had its own dough",
        )
        return
    yield from _nearly(
        record,
        factor,
        "lot_unbalanced",
        "Spread every lot evenly over all pits.",
        "One lot may brown faster than another in any pit.",
    )


def _people(record: Record, factor: Factor) -> Iterator[Finding]:
    name = factor.name
    topics: tuple[Topic, ...] = ("difference", "rates")
    if name == "grader":
        topics = ("difference", "rates", "grades")
    hidden = hidden_pairs(record.design, factor, 1.0)
    why = (
        "One grader calls burned what another calls dark."
        if name == "grader"
        else "How a fire is tended can matter more than the steel around it."
    )
    if len(hidden):
        severity: Severity = "spoils" if name == "grader" else "weakens"
        yield Finding(
            f"{name}_with_pit",
            severity,
            f"{pair_list(hidden)}: no {name} took both ({_levels(record, factor)}), so "
            f"a difference may be the {name}'s.",
            f"Let every {name} take every pit, or use one {name} throughout"
            + ("; have all items graded again by one." if name == "grader" else "."),
            why=why,
            wording=f"The difference is of pits with their {name}s; say so.",
            touches=topics,
            short=f"each pit had its own {name}",
        )
        return
    yield from _nearly(
        record,
        factor,
        f"{name}_unbalanced",
        f"Let every {name} take every pit equally often.",
        why,
    )


def _setting(record: Record, factor: Factor) -> Iterator[Finding]:
    hidden = hidden_pairs(record.design, factor, _NEARLY)
    name = factor.name
    if hidden.empty:
        yield from _mixed(record, factor)
        return
    names = set(hidden["pit_a"]) | set(hidden["pit_b"])
    fully = bool(hidden["share"].ge(1.0).all())
    tuned = record.study.settings.temperature_rule in ("maker's setting", "tuned")
    expected = tuned and name in ("damper_open", "intake_open", "target_temp")
    label = f"{factor.label[0].upper()}{factor.label[1:]}"
    varied = "never varied" if fully else "hardly varied"
    yield Finding(
        f"setting_{name}",
        "note" if expected else "weakens",
        f"{label} {varied} within these pits but differs between them "
        f"({_levels(record, factor, names)}): pit and setting are one and cannot be "
        "separated.",
        "Speak of the pits 'as set up', or bake at least one pit at the other's "
        "setting too.",
        why="What looks like the pit may be only its setting.",
        wording=_AS_SET_UP,
        touches=("difference", "settings"),
        short=f"{factor.label} went with the pit",
    )


def _mixed(record: Record, factor: Factor) -> Iterator[Finding]:
    """A setting that was varied within a pit, more often one way than in another."""
    rows = hidden_pairs(record.design, factor, _MIXED)
    if rows.empty or record.one_bake_each:
        return
    names = set(rows["pit_a"]) | set(rows["pit_b"])
    yield Finding(
        "setting_mixed",
        "weakens",
        f"{factor.label[0].upper()}{factor.label[1:]} was not the same mix in all pits "
        f"({_levels(record, factor, names)}): what a pit burned is of its own mix, and "
        "part of a difference may be the setting's.",
        "Read what the setting did, and compare the pits at one setting.",
        why="A pit that was baked at two settings is a mixture of two.",
        wording="Say how often each pit was baked at which setting.",
        touches=("difference", "rates", "settings"),
        short=f"{factor.label} not the same mix in all pits",
    )


def _measured(record: Record, factor: Factor) -> Iterator[Finding]:
    weather = factor.name == "ambient_temp"
    # Weather wanders by itself, so it must go with the pit more closely.
    hidden = hidden_pairs(record.design, factor, _NEARLY if weather else _PARTLY)
    if hidden.empty or record.one_bake_each:
        return
    unit = record.study.settings.temperature_unit or "F"
    mean = pit_means(record.design.factors, factor)
    if weather:
        yield Finding(
            "weather_with_pit",
            "weakens",
            f"The air was warmer for some pits than for others (mean °{unit}: "
            f"{per_pit_text(mean, '{:.0f}')}).",
            "Bake every pit in every session, early and late equally often.",
            why="A cold or hot day changes how a fire burns.",
            wording="Give the weather of each pit's bakes.",
            touches=("difference", "temperature"),
            short="warmer air for some pits",
        )
    elif record.study.settings.temperature_rule == "same grate":
        yield Finding(
            "grate_temp_differs",
            "weakens",
            "The rule was one grate temperature, but the grates differed by "
            f"{mean.max() - mean.min():.0f} °{unit} (means: "
            f"{per_pit_text(mean, '{:.0f}')}).",
            "Hold the grates alike in the next test, and read the answer with all "
            "grates alike beside this one.",
            why="A hotter grate browns faster in any pit.",
            wording="Say how far the grates were apart; do not write 'at equal heat'.",
            touches=("difference", "temperature"),
            short="grates not equally hot",
        )


def _own(record: Record, factor: Factor) -> Iterator[Finding]:
    hidden = hidden_pairs(record.design, factor, 1.0)
    if hidden.empty or record.one_bake_each:
        return
    yield Finding(
        f"{factor.name}_with_pit",
        "weakens",
        f"{pair_list(hidden)}: {factor.label} went with the pit "
        f"({_levels(record, factor)}), so the two cannot be separated.",
        f"Give every pit every {factor.label}.",
        why="What looks like the pit may be what went with it.",
        wording=f"The difference is of pits with their {factor.label}; say so.",
        short=f"{factor.label} went with the pit",
    )


_BY_ROLE = {
    "session": _session,
    "order": _order,
    "lot": _lot,
    "people": _people,
    "setting": _setting,
    "measured": _measured,
    "own": _own,
}


def _combinations(record: Record) -> Iterator[Finding]:
    labels = {f.name: f.label for f in record.design.factors.varied}
    for names in record.design.combinations:
        rows = record.design.of(*names)
        what = " and ".join(labels[name] for name in names)
        yield Finding(
            "together_with_pit",
            "weakens",
            f"{pair_list(rows)}: their difference cannot be told from {what} together, "
            "though from each of these alone it can.",
            "Add the bakes that separate them (suggest_bakes finds the fewest).",
            why="Two harmless habits can add up to one that goes with the pit.",
            wording=f"Say that {what} together could explain the difference.",
            short=f"{what} together went with the pit",
        )


# --- shared ---------------------------------------------------------------------------


def _nearly(
    record: Record, factor: Factor, name: str, fix: str, why: str
) -> Iterator[Finding]:
    rows = hidden_pairs(record.design, factor, _NEARLY)
    if len(rows) and not record.one_bake_each:
        yield Finding(
            name,
            "weakens",
            f"{pair_list(rows)}: {factor.label} hides {100 * rows['share'].max():.0f}% "
            f"of the difference ({_levels(record, factor)}).",
            fix,
            why=why,
            wording=f"Say how {factor.label} and pit went together.",
            short=f"{factor.label} not balanced",
        )


def _pairs(rows: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(rows["pit_a"], rows["pit_b"], strict=True))


def _one_level_each(record: Record, factor: Factor, hidden: pd.DataFrame) -> bool:
    """Whether in some of these pairs each pit had one level only."""
    n_levels = {
        pit: int((factor.matrix[rows] > 0).any(axis=0).sum())
        for pit, rows in record.bakes.groupby("pit").indices.items()
    }
    return any(n_levels[a] == 1 and n_levels[b] == 1 for a, b in _pairs(hidden))


def _levels(record: Record, factor: Factor, pits: set[str] | None = None) -> str:
    """Which levels each pit had, for a sentence; only of some pits if named."""
    parts = []
    for pit, rows in record.bakes.groupby("pit", sort=False).indices.items():
        own = factor.matrix[rows]
        if factor.numeric:
            seen = list(dict.fromkeys(own[~np.isnan(own)]))
        else:
            seen = [factor.levels[i] for i in np.flatnonzero((own > 0).any(axis=0))]
        if not seen or (pits is not None and pit not in pits):
            continue
        parts.append(f"{pit} {some(map(_word, seen), between=' / ')}")
    return ", ".join(parts)


def _word(value: object) -> str:
    if isinstance(value, int | float):
        return f"{value:.4g}"
    return one_line(value)
