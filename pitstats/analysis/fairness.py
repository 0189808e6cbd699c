"""Was the test fair? A list of what else could have made the difference."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from pitstats.analysis.coverage import (
    DISTANCE_TOLERANCE,
    GRATE_TOLERANCE,
    layouts_differ,
    placement,
)
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study

Severity = Literal["spoils", "weakens", "note"]
Topic = Literal[
    "difference", "rates", "grades", "map", "evenness", "temperature", "settings"
]

_ORDER: dict[str, int] = {"spoils": 0, "weakens": 1, "note": 2}

# A gauge error of this size is worth a factor of about 1.5 in browning speed even with
# the flattest published temperature response, so it can pass for a difference of pits.
_OFFSET_LIMIT = {"F": 15.0, "C": 8.0}

_SETTINGS = ("damper_open", "intake_open", "plate", "wood", "minutes", "target_temp")
_PEOPLE = ("tender", "grader")


@dataclass(frozen=True)
class Finding:
    """One thing that spoils, weakens or merely colors the comparison.

    Attributes
    ----------
    id : str
        Short name of the detector.
    severity : {"spoils", "weakens", "note"}
        ``spoils``: the comparison does not mean what it seems to; ``weakens``: a
        rival explanation remains; ``note``: the reader should know.
    message : str
        What was found, with numbers.
    fix : str
        The smallest change that would remove it, now or in the next test.
    why : str
        Why it matters, in one sentence.
    wording : str
        What it does to the words of the write-up.
    touches : tuple of str
        Numbers of the report it bears on, so that it can be shown beside them.
    """

    id: str
    severity: Severity
    message: str
    fix: str
    why: str = ""
    wording: str = ""
    touches: tuple[Topic, ...] = ("difference",)


def audit_fairness(study: Study) -> list[Finding]:
    """Look for what could explain a difference other than the pits.

    Parameters
    ----------
    study : Study
        A valid study, finished or still planned.

    Returns
    -------
    list of Finding
        Gravest first; empty when nothing was found. What was not recorded cannot be
        checked, and that is a finding too.

    Examples
    --------
    >>> import pitstats as ps
    >>> findings = ps.audit_fairness(ps.demo_study("unfair_order"))
    >>> findings[0].severity
    'spoils'
    """
    found = [finding for detect in _DETECTORS for finding in detect(study)]
    return sorted(found, key=lambda finding: _ORDER[finding.severity])


def settings_differ(study: Study) -> bool:
    """Whether a setting never varies within a pit but differs between pits.

    Parameters
    ----------
    study : Study
        A valid study.

    Returns
    -------
    bool
        True when pit and setting cannot be told apart, so that a comparison speaks of
        the pits *as set up*.

    Examples
    --------
    >>> import pitstats as ps
    >>> settings_differ(ps.demo_study("one_bake_each"))
    False
    """
    bakes = _used_bakes(study)
    return any(_tied_to_pit(bakes, column) for column in _SETTINGS)


def _used_bakes(study: Study) -> pd.DataFrame:
    return study.bakes[study.bakes["status"] != "excluded"]


def _tied_to_pit(bakes: pd.DataFrame, column: str) -> bool:
    known = bakes[bakes[column].notna()]
    if known["pit"].nunique() < 2 or known[column].nunique() < 2:
        return False
    per_pit = known.groupby("pit")[column]
    # Two pits that each kept a value of their own are enough: those two cannot be
    # told from their settings, whatever the other pits did.
    return bool(per_pit.first()[per_pit.nunique() == 1].nunique() > 1)


def _few_bakes(study: Study) -> Iterator[Finding]:
    counts = _used_bakes(study).groupby("pit").size()
    if len(counts) and counts.max() == 1:
        yield Finding(
            "one_bake_each",
            "spoils",
            "Every pit has one bake, so the fire of the day cannot be told from the "
            "pit.",
            "Bake each pit at least twice more; plan the number beforehand.",
        )
    elif len(counts) and counts.min() < counts.max():
        text = ", ".join(f"{pit} {n}" for pit, n in counts.items())
        yield Finding(
            "unequal_bakes",
            "note",
            f"The pits have unequal numbers of bakes ({text}).",
            "The intervals allow for it; bake the pits equally often next time.",
        )


def _order(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    known = bakes[bakes["order"].notna() & bakes["session"].notna()]
    if known.empty:
        if len(bakes) > 1:
            yield Finding(
                "order_unknown",
                "weakens",
                "Session and order of the bakes were not recorded.",
                "Record both: a pit that is always last meets a warmer day and older "
                "dough.",
            )
        return
    shared = known[known.groupby("session")["pit"].transform("nunique") > 1]
    if shared.empty:
        if known["pit"].nunique() > 1:
            yield Finding(
                "sessions_not_shared",
                "weakens",
                "No session holds bakes of more than one pit, so weather and day go "
                "with the pit.",
                "Bake every pit in every session.",
            )
        return
    ranks = shared.groupby(["session", "pit"])["order"].mean().unstack("session")
    places = ranks.rank(axis=0)
    fixed = ranks.shape[1] > 1 and (places.nunique(axis=1) == 1).all()
    if fixed and places.notna().all(axis=None):
        order = ", ".join(str(p) for p in places.iloc[:, 0].sort_values().index)
        yield Finding(
            "order_fixed",
            "spoils",
            f"The pits were baked in the same order in every session ({order}), so "
            "whatever changes over a session goes with the pit.",
            "Bake again with an order that puts every pit early and late equally "
            "often.",
        )
        return
    mean_place = places.mean(axis=1)
    if ranks.shape[1] > 1 and mean_place.max() - mean_place.min() >= 1:
        first, last = mean_place.idxmin(), mean_place.idxmax()
        yield Finding(
            "order_unbalanced",
            "weakens",
            f"{first} was baked early more often than {last} (mean place "
            f"{mean_place.min():.1f} against {mean_place.max():.1f}).",
            "Balance the order: every pit early and late equally often.",
        )


def _settings(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    for column in _SETTINGS:
        if not _tied_to_pit(bakes, column):
            continue
        per_pit = bakes[bakes[column].notna()].groupby("pit", sort=False)[column]
        kept = per_pit.first()[per_pit.nunique() == 1]
        text = ", ".join(f"{pit} {value}" for pit, value in kept.items())
        tuned = study.settings.temperature_rule in ("maker's setting", "tuned")
        expected = tuned and column in ("damper_open", "intake_open", "target_temp")
        yield Finding(
            f"setting_{column}",
            "note" if expected else "weakens",
            f"{column} never varied within these pits but differs between them "
            f"({text}): pit and setting are one and cannot be separated.",
            "Speak of the pits 'as set up', or bake at least one pit at the other's "
            "setting too.",
        )


def _lots(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    known = bakes[bakes["lot"].notna()]
    if known.empty or known["lot"].nunique() < 2 or known["pit"].nunique() < 2:
        return
    if (known.groupby("lot")["pit"].nunique() == 1).all():
        yield Finding(
            "lot_with_pit",
            "spoils",
            "Each lot of dough went into one pit only, so lot and pit cannot be "
            "separated.",
            "Spread every lot over all pits.",
        )


def _people(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    for column in _PEOPLE:
        if _tied_to_pit(bakes, column):
            yield Finding(
                f"{column}_with_pit",
                "weakens",
                f"Each pit had its own {column}, so a difference may be the "
                f"{column}'s.",
                f"Let every {column} take every pit, or use one {column} throughout.",
            )
    blind = bakes["blind"]
    n_seen = int((~blind.fillna(True).astype(bool)).sum())
    if n_seen:
        yield Finding(
            "not_blind",
            "weakens",
            f"In {n_seen} of {len(bakes)} bakes the grader knew the pit.",
            "Grade coded items in shuffled order, by somebody who did not cook.",
        )
    elif blind.isna().all() and len(bakes):
        yield Finding(
            "blind_unknown",
            "weakens",
            "Whether the grader knew the pits was not recorded.",
            "Record it in the column blind; grade coded items in shuffled order.",
        )


def _gauges(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    gap = (bakes["grate_temp"] - bakes["indicated_temp"]).dropna()
    unit = study.settings.temperature_unit or "F"
    if gap.empty:
        kept = bool(bakes["status"].eq("kept").any())
        if study.settings.temperature_rule == "same indicated" and kept:
            yield Finding(
                "gauge_unchecked",
                "weakens",
                "The pits were held at one indicated temperature, but no bake has both "
                "an indicated and a grate temperature: gauges may differ.",
                "Put one probe at the same place on every grate.",
            )
        return
    mean = gap.groupby(bakes.loc[gap.index, "pit"], sort=False).mean()
    spread = float(mean.max() - mean.min())
    if len(mean) > 1 and spread > _OFFSET_LIMIT[unit]:
        text = ", ".join(f"{pit} {value:+.0f}" for pit, value in mean.items())
        same_indicated = study.settings.temperature_rule == "same indicated"
        yield Finding(
            "gauge_offset",
            "weakens" if same_indicated else "note",
            f"Grate minus indicated temperature differs between pits by {spread:.0f} "
            f"°{unit} (mean, {text}): the comparison is of pits with their gauges.",
            "Say so, or hold all pits at one grate temperature.",
        )


def _layouts(study: Study) -> Iterator[Finding]:
    if layouts_differ(study):
        yield Finding(
            "layouts_differ",
            "weakens",
            f"Items did not lie at the same places in all pits: {_placement(study)}.",
            "Read the comparison on a common layout first.",
        )
    items = item_outcomes(study)
    placed = items[items["row"].notna() & items["column"].notna()]
    for pit, own in placed.groupby("pit", sort=False):
        grates = study.grates[
            (study.grates["pit"] == pit) & study.grates["grate"].isin(own["grate"])
        ]
        n_cells = int((grates["rows"] * grates["columns"]).sum())
        per_bake = own.groupby("bake").size()
        if n_cells and (per_bake < n_cells).any() and per_bake.nunique() > 1:
            yield Finding(
                "cells_left_out",
                "note",
                f"{pit}: between {per_bake.min()} and {per_bake.max()} of {n_cells} "
                "cells appear in the record, not always the same number.",
                "List every cell, with a reason where an item is missing.",
            )


def _placement(study: Study) -> str:
    """Say how places differed: along the grate, or by grate."""
    places = placement(study).set_index("pit")
    parts = []
    distance = places["mean_distance"]
    if distance.max() - distance.min() > DISTANCE_TOLERANCE:
        text = ", ".join(f"{pit} {value:.2f}" for pit, value in distance.items())
        parts.append(f"mean distance from the firebox, 0 to 1, {text}")
    for column in places.columns[places.columns.str.startswith("grate: ")]:
        share = places[column]
        if share.max() - share.min() > GRATE_TOLERANCE:
            text = ", ".join(f"{pit} {100 * v:.0f}%" for pit, v in share.items())
            grate = column.removeprefix("grate: ")
            parts.append(f"share of items on the grate '{grate}', {text}")
    return "; ".join(parts)


def _handling(study: Study) -> Iterator[Finding]:
    bakes = _used_bakes(study)
    n_rotated = int(bakes["rotated"].fillna(False).astype(bool).sum())
    if n_rotated:
        yield Finding(
            "rotated",
            "weakens",
            f"Items were moved during {n_rotated} of {len(bakes)} bakes, so their "
            "place says little about the grate.",
            "Do not rotate in a test of evenness.",
        )
    opened = bakes["openings"].fillna(0)
    per_pit = opened.groupby(bakes["pit"], sort=False).mean()
    if len(per_pit) > 1 and per_pit.max() - per_pit.min() >= 1:
        text = ", ".join(f"{pit} {value:.1f}" for pit, value in per_pit.items())
        yield Finding(
            "openings_differ",
            "weakens",
            f"The lid was opened unequally often (mean per bake: {text}).",
            "Load, close, and open only to unload.",
        )


def _missing_items(study: Study) -> Iterator[Finding]:
    items = item_outcomes(study)
    graded_bakes = study.bakes.loc[study.bakes["status"] == "kept", "bake"]
    own = items[items["bake"].isin(graded_bakes)]
    n_missing = int(own["burned"].isna().sum())
    if len(own) and n_missing:
        share = n_missing / len(own)
        yield Finding(
            "items_missing",
            "weakens" if share > 0.1 else "note",
            f"{n_missing} of {len(own)} items ({100 * share:.0f}%) have no grade.",
            "See the range each rate could have had.",
        )


def _record(study: Study) -> Iterator[Finding]:
    excluded = int((study.bakes["status"] == "excluded").sum())
    if excluded:
        yield Finding(
            "bakes_excluded",
            "note",
            f"{excluded} of {len(study.bakes)} bakes were excluded; each is listed "
            "with its reason.",
            "Decide about exclusions before grading.",
        )
    waiting = int((study.bakes["status"] == "planned").sum())
    if 0 < waiting < len(study.bakes):
        yield Finding(
            "bakes_not_done",
            "weakens",
            f"{waiting} of {len(study.bakes)} bakes are planned but not recorded.",
            "Finish the plan, or say why it was stopped.",
        )
    if study.settings.margin is None:
        yield Finding(
            "no_margin",
            "note",
            "No smallest difference of interest was stated, so the test cannot "
            "conclude 'no difference beyond the margin'.",
            "State margin in study.toml before the next bake.",
        )
    if not study.settings.stop_rule:
        yield Finding(
            "no_stop_rule",
            "note",
            "No stop rule was stated.",
            "State in stop_rule when items come off, alike for all pits.",
        )


_DETECTORS: tuple[Callable[[Study], Iterator[Finding]], ...] = (
    _few_bakes,
    _order,
    _settings,
    _lots,
    _people,
    _gauges,
    _layouts,
    _handling,
    _missing_items,
    _record,
)
