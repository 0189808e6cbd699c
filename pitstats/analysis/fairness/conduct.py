"""Findings about how the test was done: places, gauges, handling, grading."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.finding import Finding, Record, per_pit_text
from pitstats.analysis.heat.gauge import Z_SHOWN, gauge_by_bake
from pitstats.analysis.heat.probe_series import kelvin_in
from pitstats.analysis.places.coverage import (
    DISTANCE_TOLERANCE,
    GRATE_TOLERANCE,
    layouts_differ,
    placement,
)
from pitstats.stats.sensors import browning_factor
from pitstats.study.cells import counted
from pitstats.study.grading import deciding_code, face_codes
from pitstats.study.study import Study

# A gauge error of this size is worth a factor of about 1.5 in browning speed even with
# the flattest published temperature response, so it can pass for a difference of pits.
OFFSET_LIMIT = {"F": 15.0, "C": 8.0}

# Loading counts as tied to the place when it explains half of the rank in every bake,
# and as tied to the grade when chance would do it in about one study of 500.
_LOAD_SHARE = 0.5
_LOAD_Z = 3.1
_LOAD_R = 0.15


def find_in_conduct(record: Record) -> Iterator[Finding]:
    """Everything about places, gauges, handling and grading."""
    if not len(record.bakes):
        return
    yield from _layouts(record)
    yield from _gauges(record)
    yield from _handling(record)
    yield from _loading(record)
    yield from _blinding(record)


# --- places ---------------------------------------------------------------------------


def _layouts(record: Record) -> Iterator[Finding]:
    study = record.study
    known = record.n_pits > 1 and bool(record.items["distance"].notna().any())
    differ = known and layouts_differ(study)
    totals_only = [] if record.is_plan else _totals_only(record)
    if differ:
        fix = (
            "Read the comparison on a common layout first; where pits share no place, "
            "bake again at the same places."
        )
        if totals_only:
            fix = (
                "A common layout needs the places of every bake: fill in the table "
                f"items for {', '.join(totals_only)}, or exclude "
                f"{'it' if len(totals_only) == 1 else 'them'} with that reason; then "
                "read the comparison on a common layout first."
            )
        yield Finding(
            "layouts_differ",
            "weakens",
            f"Items did not lie at the same places in all pits: {_placement(study)}.",
            fix,
            why="Some places burn more than others in any pit, so part of a difference "
            "can come from the places.",
            wording="Write 'as baked', and that the places differed."
            if totals_only
            else "Lead with the rates over the same places; name the layout.",
            touches=("difference", "rates", "evenness"),
            short="items at different places",
        )
    if totals_only:
        yield Finding(
            "totals_only",
            "weakens" if differ else "note",
            f"{', '.join(totals_only)}: kept as totals only, so nothing is known about "
            "places, faces or missing items there, and no comparison over the same "
            "places can be made while "
            f"{'this bake is' if len(totals_only) == 1 else 'these bakes are'} in.",
            "Fill in the table items if the sheets still exist; next time keep one row "
            "per item.",
            why="Counts alone cannot show whether a pit burns more or had more items "
            "near its firebox.",
            wording="Write 'as baked' beside the difference.",
            touches=("difference", "map", "evenness"),
            short="some bakes without places",
        )


def _totals_only(record: Record) -> list[str]:
    totals = record.totals
    if totals["source"].eq("counts").all():
        return []
    return [str(bake) for bake in totals.loc[totals["source"] == "counts", "bake"]]


def _placement(study: Study) -> str:
    """Say how places differed: along the grate, or by grate."""
    places = placement(study).set_index("pit")
    parts = []
    distance = places["mean_distance"]
    if distance.max() - distance.min() > DISTANCE_TOLERANCE:
        parts.append(
            "mean distance from the firebox, 0 to 1, "
            f"{per_pit_text(distance, '{:.2f}')}"
        )
    columns = list(places.columns[places.columns.str.startswith("grate: ")])
    # Of two grates the second has what the first has not.
    for column in columns[:1] if len(columns) == 2 else columns:
        share = places[column]
        if share.max() - share.min() > GRATE_TOLERANCE:
            grate = column.removeprefix("grate: ")
            parts.append(
                f"share of items on the grate '{grate}', "
                f"{per_pit_text(100 * share, '{:.0f}%')}"
            )
    return "; ".join(parts)


# --- gauges ---------------------------------------------------------------------------


def _gauges(record: Record) -> Iterator[Finding]:
    study, unit = record.study, record.study.settings.temperature_unit or "F"
    rule = study.settings.temperature_rule
    found = gauge_by_bake(study)
    if found.empty:
        if rule == "same indicated" and record.n_pits > 1:
            yield _unchecked_gauges(record)
        return
    mean = -found.groupby("pit", sort=False)["difference"].mean()
    spread = float(mean.max() - mean.min())
    if len(mean) < 2 or spread <= OFFSET_LIMIT[unit]:
        return
    # Adding 0 makes +0 of a rounded -0.3.
    whole = mean.round() + 0.0
    kelvin = spread / kelvin_in(unit)
    low, factor, high = (float(browning_factor(kelvin, z)) for z in Z_SHOWN[::-1])
    same_grate = rule == "same grate"
    worth = "at one reading of the gauges it would be worth" if same_grate else "worth"
    yield Finding(
        "gauge_offset",
        "weakens" if rule == "same indicated" else "note",
        f"Grate minus indicated temperature differs between pits by {spread:.0f} "
        f"°{unit} (mean, {per_pit_text(whole, '{:+.0f}')}): {worth} a factor of about "
        f"{factor:.1f} in browning speed ({low:.1f} to {high:.1f}, by how steeply "
        "browning rises with heat).",
        "Pass on grate temperatures, not readings of the gauges."
        if same_grate
        else "Say so, or hold all pits at one grate temperature.",
        why="At one indicated temperature the pits are compared with their gauges.",
        wording="Write 'pits with their gauges', or 'at equal grate heat' if that was "
        "the rule.",
        touches=("difference", "temperature"),
        short=f"gauges off by up to {spread:.0f} °{unit} from each other",
    )


def _unchecked_gauges(record: Record) -> Finding:
    planned = record.is_plan
    return Finding(
        "ask_gauges" if planned else "gauge_unchecked",
        "note" if planned else "weakens",
        "The pits are to be held at one indicated temperature. Will a probe at the "
        "grate show how far each gauge is off?"
        if planned
        else "The pits were held at one indicated temperature, but no bake has both an "
        "indicated and a grate temperature: gauges may differ.",
        "Put one probe at the same place on every grate.",
        why="A gauge that is off by 25 degrees can pass for a pit that burns.",
        wording="Write 'pits with their gauges'.",
        touches=("difference", "temperature"),
        short="gauges not checked",
    )


# --- handling -------------------------------------------------------------------------


def _handling(record: Record) -> Iterator[Finding]:
    bakes = record.bakes
    rotated = bakes["rotated"].eq(True).fillna(False)
    if rotated.any():
        yield Finding(
            "rotated",
            "weakens",
            f"Items were moved during {rotated.sum()} of {len(bakes)} bakes, so their "
            "place says little about the grate.",
            "Do not rotate in a test of evenness.",
            why="An item that was moved has two places and one grade.",
            wording="Leave out maps and evenness, or show them for the other bakes.",
            touches=("map", "evenness"),
            short=f"items moved in {counted(int(rotated.sum()), 'bake')}",
        )
    opened = bakes["openings"].astype(float)
    per_pit = opened.groupby(bakes["pit"], sort=False).mean().dropna()
    if len(per_pit) > 1 and per_pit.max() - per_pit.min() >= 1:
        yield Finding(
            "openings_differ",
            "weakens",
            "The lid was opened unequally often (mean per bake: "
            f"{per_pit_text(per_pit, '{:.1f}')}).",
            "Load, close, and open only to unload.",
            why="Every opening costs heat, so a pit that was opened more browns less.",
            wording="Give the openings of each pit beside the difference.",
            touches=("difference", "rates"),
            short="lid opened unequally often",
        )
    elif opened.gt(0).any():
        yield Finding(
            "opened",
            "note",
            f"The lid was opened in {opened.gt(0).sum()} of {len(bakes)} bakes, "
            f"{opened.sum():.0f} times in all.",
            "Load, close, and open only to unload.",
            why="Every opening costs heat and time.",
            wording="Say so with the conditions.",
            touches=("rates",),
            short="lid opened during bakes",
        )


# --- loading --------------------------------------------------------------------------


def _loading(record: Record) -> Iterator[Finding]:
    items = record.items
    ranked = items[items["load_rank"].notna() & items["distance"].notna()]
    if len(ranked) < 8:
        return
    slopes = _load_slopes(ranked)
    tied = slopes["share"].ge(_LOAD_SHARE).all() if len(slopes) else False
    if tied and slopes["sign"].nunique() == 1:
        toward = "far end" if slopes["sign"].iloc[0] > 0 else "firebox"
        yield Finding(
            "load_with_place",
            "weakens",
            f"In all {len(slopes)} bakes with load ranks the items were loaded toward "
            f"the {toward}, so the first cells were in the heat longest.",
            "Load in random order, start from each end in turn, or slide in whole "
            "sheets; unload in the same order.",
            why="Where loading takes three minutes, the first place bakes longer than "
            "the last.",
            wording="Say that place and time in the heat go together in the maps.",
            touches=("map", "evenness"),
            short="loading order went with the place",
        )
        return
    r, z = _load_and_grade(record, ranked)
    if abs(z) >= _LOAD_Z and abs(r) >= _LOAD_R:
        which = "earlier" if r < 0 else "later"
        yield Finding(
            "load_with_grade",
            "weakens",
            f"Items loaded {which} came out darker, at the same distance from the "
            f"firebox (correlation {r:+.2f} within bakes, {len(ranked)} items).",
            "Unload in the order of loading, or slide in whole sheets; compare items "
            "of equal time.",
            why="Minutes in the heat pass for hot places or hot pits.",
            wording="Say that time in the heat was not equal within a bake.",
            touches=("map", "evenness", "rates"),
            short="loading order shows in the grades",
        )


def _load_slopes(ranked: pd.DataFrame) -> pd.DataFrame:
    """Per bake: how far distance explains the load rank, and in which direction."""
    rows = []
    for _, own in ranked.groupby("bake", sort=False):
        rank = own["load_rank"].to_numpy(dtype=float)
        distance = own["distance"].to_numpy(dtype=float)
        if len(own) < 4 or not np.ptp(rank) or not np.ptp(distance):
            continue
        r = float(np.corrcoef(rank, distance)[0, 1])
        rows.append((r**2, np.sign(r)))
    return pd.DataFrame(rows, columns=["share", "sign"])


def _load_and_grade(record: Record, ranked: pd.DataFrame) -> tuple[float, float]:
    """Partial correlation of load rank and browning within bakes, and its z value.

    Fisher's transformation with the degrees of freedom that bakes and a line in
    distance for each pit leave.
    """
    dark = deciding_code(
        face_codes(ranked, record.study.settings), record.study.settings
    )
    dark = np.where(np.isnan(dark), ranked["burned"].to_numpy(dtype=float), dark)
    use = ~np.isnan(dark)
    own = ranked[use]
    n_bakes, n_pits = own["bake"].nunique(), own["pit"].nunique()
    df = len(own) - n_bakes - n_pits - 1
    if df < 4:
        return 0.0, 0.0
    frame = pd.DataFrame(
        {
            "dark": dark[use],
            "rank": own["load_rank"].to_numpy(dtype=float),
            "distance": own["distance"].to_numpy(dtype=float),
        },
        index=own.index,
    )
    centered = frame - frame.groupby(own["bake"]).transform("mean")
    rest = []
    for _, part in centered.groupby(own["pit"]):
        x = part["distance"].to_numpy()
        size = float(x @ x)
        y = part[["dark", "rank"]].to_numpy()
        rest.append(y - np.outer(x, x @ y) / size if size > 0 else y)
    dark_rest, rank_rest = np.vstack(rest).T
    size = np.sqrt((dark_rest @ dark_rest) * (rank_rest @ rank_rest))
    if size <= 1e-12:
        return 0.0, 0.0
    r = float(np.clip(dark_rest @ rank_rest / size, -0.999999, 0.999999))
    return r, float(np.arctanh(r) * np.sqrt(df - 1))


# --- grading --------------------------------------------------------------------------


def _blinding(record: Record) -> Iterator[Finding]:
    blind = record.bakes["blind"]
    seen = blind.eq(False).fillna(False)
    if seen.any():
        pits = list(dict.fromkeys(record.bakes.loc[seen, "pit"]))
        only = (
            f", all of them of {', '.join(pits)}" if len(pits) < record.n_pits else ""
        )
        will = "will know" if record.is_plan else "knew"
        yield Finding(
            "not_blind",
            "weakens",
            f"In {seen.sum()} of {len(blind)} bakes the grader {will} the pit{only}.",
            "Grade coded items in shuffled order, by somebody who did not cook.",
            why="Whoever knows the pit leans toward a favorite without noticing.",
            wording="State it among the limits.",
            touches=("difference", "rates", "grades"),
            short="grader knew the pit",
        )
    elif blind.isna().all():
        yield Finding(
            "blind_unknown",
            "note" if record.is_plan else "weakens",
            "Will the grader know which pit an item comes from? The plan does not say."
            if record.is_plan
            else "Whether the grader knew the pits was not recorded.",
            "Record it in the column blind; grade coded items in shuffled order.",
            why="Whoever knows the pit leans toward a favorite without noticing.",
            wording="State among the limits that blinding is not known.",
            touches=("difference", "rates", "grades"),
            short="grading perhaps not blind",
        )
