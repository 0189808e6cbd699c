"""The sentences that travel with probe readings wherever they are shown."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.heat.probe_checks import REFERENCE
from pitstats.errors import some
from pitstats.study.study import Study

NO_READINGS = (
    "No probe readings are on record. Enter them in the table probes: one row per "
    "reading with bake, probe, place, minute and temp."
)
NO_KEPT_READINGS = (
    "Probe readings are on record only for bakes that are planned or excluded, so "
    "nothing is worked out from them."
)
LEFT_OUT = "Readings of excluded or planned bakes are left out: {bakes}."
ONLY_LID = (
    "Only lid gauges were read, so nothing is known about the temperature at the grate."
)
NO_PLACE = (
    "No place is recorded for {probes}; they are summarized, but belong to no cell."
)
NO_CHECK = (
    "No probe check is on record: a cell that looks hot or cold may be a probe that "
    "reads high or low. Put all probes at one place before the test and enter the "
    "readings in the table probe_checks."
)
NOT_CHECKED = "Not in the probe check, so used as they read: {probes}."
CHECKED_AGAINST_MEAN = (
    "The probe check had no reference thermometer: offsets between the probes are "
    "taken out, an error common to all of them is not."
)
FLAGGED = {
    "stuck": (
        "{series} stood still while other probes of the bake moved; those readings "
        "are left out."
    ),
    "constant": (
        "{series} read the same for minutes, and no other probe moved enough to show "
        "whether that was the probe or the pit; the readings are used."
    ),
    "gap": "{series} had a gap; the time inside it is left out.",
    "short": "{series} covered less than the stated share of the bake window.",
    "one reading": "{series} holds a single reading: a moment, not the bake.",
    "no reading in the window": "{series} had no reading inside the bake window.",
    "duplicates": "{series} had several readings for one minute; their mean is used.",
}
EMPTY_WINDOW = (
    "The bake window of {bakes} is empty: it ends before the probes have settled. "
    "Correct minutes in bakes, or the time constant."
)


def no_readings(study: Study) -> str:
    """Say why there is nothing to work with."""
    return NO_READINGS if study.probes.empty else NO_KEPT_READINGS


def series_caveats(
    study: Study, table: pd.DataFrame, bakes: pd.DataFrame, offsets: pd.DataFrame
) -> tuple[str, ...]:
    """All that a reader of probe readings has to know."""
    found = [*_left_out(study), *_of_checks(table, offsets)]
    empty = bakes.loc[bakes["window_start"] >= bakes["window_end"], "bake"]
    if len(empty):
        found.append(EMPTY_WINDOW.format(bakes=", ".join(empty)))
    if table["lid"].all():
        found.append(ONLY_LID)
    unplaced = table[~table["lid"] & table[["row", "column"]].isna().any(axis=1)]
    if len(unplaced):
        found.append(NO_PLACE.format(probes=_names(unplaced)))
    for flag, text in FLAGGED.items():
        own = table[[flag in flags.split(", ") for flags in table["flags"]]]
        if len(own):
            found.append(text.format(series=_names(own)))
    return tuple(found)


def _left_out(study: Study) -> list[str]:
    bakes = study.probes["bake"]
    bakes = bakes[~bakes.isin(study.kept["bake"])].drop_duplicates()
    return [LEFT_OUT.format(bakes=", ".join(bakes))] if len(bakes) else []


def _of_checks(table: pd.DataFrame, offsets: pd.DataFrame) -> list[str]:
    probes = list(dict.fromkeys(table.loc[~table["lid"], "probe"]))
    if not probes:
        return []
    missing = [name for name in probes if name not in set(offsets["probe"])]
    if len(missing) == len(probes):
        return [NO_CHECK] if len(probes) > 1 else []
    found = [NOT_CHECKED.format(probes=", ".join(missing))] if missing else []
    if (offsets["reference"] != REFERENCE).any():
        found.append(CHECKED_AGAINST_MEAN)
    return found


def _names(table: pd.DataFrame) -> str:
    named = [f"{probe} ({bake})" for probe, bake in table[["probe", "bake"]].to_numpy()]
    return some(named, 6)
