"""Findings about what was recorded: denominators, small numbers, what was left out."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import pandas as pd

from pitstats.analysis.fairness.finding import Finding, Record, Severity, per_pit_text
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.stats.intervals import newcombe_difference
from pitstats.study.cells import counted
from pitstats.study.percent import level_text, signed
from pitstats.study.schema import CELL

# Shares of missing items from which a rate may be off by more than a few points.
_MANY_MISSING = 0.10
# Fewer lost items than these can fall to one pit by chance.
_FEW_LOST = 5
# Items per cell below which a map shows chance as much as heat.
_THIN_MAP = 3
# Bakes differ by half more than independent items would let them.
_OVERDISPERSED = 1.5
# From so many bakes on the counts alone say how alike the items of a bake are.
_MANY_BAKES = 200
_MANY_BAKES_OF_A_PIT = 10
# Raw difference from which a reader would quote the two shares.
_QUOTED = 0.05
_MANY_CELLS_LEFT_OUT = 0.25


def find_in_outcomes(record: Record) -> Iterator[Finding]:
    """Everything about items, denominators, small numbers and exclusions."""
    if not record.is_plan and len(record.bakes):
        yield from _face(record)
        yield from _missing_items(record)
        yield from _cells_left_out(record)
        yield from _counts(record)
        yield from _small_numbers(record)
        yield from _shared_fire(record)
        yield from _map(record)
        yield from _regrades(record)
    yield from _exclusions(record)
    yield from _stated(record)
    n_pits = record.n_pits
    if not record.is_plan:
        # A pit of which nothing was graded makes no pair.
        n_pits = record.totals.loc[record.totals["n_items"] > 0, "pit"].nunique()
    if n_pits > 2:
        n_pairs = n_pits * (n_pits - 1) // 2
        yield Finding(
            "many_pits",
            "note",
            f"{n_pits} pits make {n_pairs} pairs; the largest of so many "
            "differences is large by luck too.",
            "Read the intervals that allow for all pairs; say beforehand which pair "
            "matters.",
            why="Best against worst, picked after looking, is no fair pair.",
            wording="No league table without the uncertainty of the ranks.",
            short=f"{n_pairs} pairs looked at",
        )


# --- denominators ---------------------------------------------------------------------


def _face(record: Record) -> Iterator[Finding]:
    face = record.study.settings.face
    if face == "worst":
        return
    items = record.items
    lost = items["missing"].eq(f"{face} not graded").fillna(False)
    if not lost.any():
        return
    share = lost.groupby(items["pit"], sort=False).mean()
    other = items[[f"grade_{name}" for name in ("top", "bottom", "side")]]
    graded = [
        name.removeprefix("grade_")
        for name in other.columns
        if other.loc[lost, name].notna().any()
    ]
    uneven = share.max() - share.min() > _MANY_MISSING
    yield Finding(
        "face_not_graded",
        "spoils" if share.max() > 0.5 or uneven else "weakens",
        f"The {face} decides what is burned, but in {lost.sum()} of {len(items)} items "
        f"the {face} has no grade while another face has (the {' or '.join(graded)}); "
        f"they count as missing ({per_pit_text(100 * share, '{:.0f}%')}).",
        f"Grade the {face} of these items, or set {record.study.form.stated('face')}, "
        "to what was agreed before grading.",
        why="An item that was graded on the wrong side has no result here.",
        wording=f"Say that only items whose {face} was graded are counted.",
        touches=("difference", "rates", "grades"),
        short=f"{face} not graded in {counted(int(lost.sum()), 'item')}",
    )


def _missing_items(record: Record) -> Iterator[Finding]:
    items = record.items
    # Items whose deciding face alone lacks have a finding of their own.
    wrong_face = items["missing"].eq(f"{record.study.settings.face} not graded")
    lost = items["burned"].isna() & ~wrong_face.fillna(False)
    if not lost.any():
        return
    share = lost.groupby(items["pit"], sort=False).mean()
    overall = float(lost.mean())
    most = int(lost.groupby(items["pit"], sort=False).sum().max())
    uneven = (
        len(share) > 1
        and share.max() - share.min() > _MANY_MISSING
        and most >= _FEW_LOST
    )
    has = "has" if lost.sum() == 1 else "have"
    text = f"{lost.sum()} of {len(items)} items ({100 * overall:.0f}%) {has} no grade"
    if uneven:
        text += f", unequally by pit ({per_pit_text(100 * share, '{:.0f}%')})"
    yield Finding(
        "items_missing",
        "weakens" if overall > _MANY_MISSING or uneven else "note",
        f"{text}.",
        "See the range each rate could have had.",
        why="Items that fell or stuck may have been the burned ones.",
        wording="Give graded and placed items beside every rate.",
        touches=("rates", "difference"),
        short=f"{counted(int(lost.sum()), 'item')} without a grade",
    )


def _cells_left_out(record: Record) -> Iterator[Finding]:
    grates = record.study.grates
    items = record.items
    placed = items[items["row"].notna() & items["column"].notna()]
    for pit, own in placed.groupby("pit", sort=False):
        used = grates[(grates["pit"] == pit) & grates["grate"].isin(own["grate"])]
        n_cells = int((used["rows"] * used["columns"]).fillna(0).sum())
        per_bake = own.groupby("bake").size()
        if not n_cells or not (per_bake < n_cells).any():
            continue
        absent = 1.0 - float(per_bake.sum()) / (n_cells * len(per_bake))
        graded = own.loc[own["burned"].notna(), "burned"]
        all_burned = absent > _MANY_CELLS_LEFT_OUT and graded.eq(1).all()
        uneven = per_bake.nunique() > 1
        if not uneven and not (all_burned and len(graded)):
            # As many cells in every bake is a layout, not an omission.
            continue
        low, high = int(per_bake.min()), int(per_bake.max())
        how_many = f"between {low} and {high}" if uneven else f"only {low}"
        yield Finding(
            "cells_left_out",
            _gravity(
                absent, all_burned=bool(all_burned and len(graded)), uneven=uneven
            ),
            f"{pit}: {how_many} of {n_cells} cells appear in the record"
            + (", and every item on record is burned." if all_burned else "."),
            "List every cell, with a reason where an item is missing.",
            why="If only the bad cells are written down, the rate is of the bad cells.",
            wording="Give the share with and without the cells that are not on record.",
            touches=("rates", "map", "difference"),
            short=f"{pit}: cells missing from the record",
        )


def _gravity(absent: float, *, all_burned: bool, uneven: bool) -> Severity:
    if all_burned and uneven:
        return "spoils"
    return "weakens" if all_burned or absent > _MANY_CELLS_LEFT_OUT else "note"


def _graded_by_pit(record: Record) -> pd.DataFrame:
    """Graded and burned items of every pit that has any."""
    columns = ["n_items", "n_burned"]
    per_pit = record.totals.groupby("pit", sort=False)[columns].sum()
    return per_pit[per_pit["n_items"] > 0]


def _counts(record: Record) -> Iterator[Finding]:
    per_pit = _graded_by_pit(record)
    if len(per_pit) > 1 and per_pit["n_items"].nunique() > 1:
        yield Finding(
            "unequal_items",
            "note",
            "The pits had unequal numbers of graded items "
            f"({per_pit_text(per_pit['n_items'])}).",
            "Compare shares, not counts of burned items.",
            why="The larger grate has more to burn.",
            wording="Rates with their denominators only.",
            touches=("rates",),
            short="unequal numbers of items",
        )
    extreme = per_pit[
        (per_pit["n_burned"] == 0) | (per_pit["n_burned"] == per_pit["n_items"])
    ]
    if len(extreme):
        seen = ", ".join(
            f"{pit} {row.n_burned:.0f} of {row.n_items}"
            for pit, row in zip(extreme.index, extreme.itertuples(), strict=True)
        )
        yield Finding(
            "none_or_all_burned",
            "note",
            f"None or all items burned in {seen}; no odds ratio exists then.",
            "Read the interval of the rate.",
            why="None in a few bakes still leaves room for a few in a hundred.",
            wording="Write 'none of n' with the upper limit.",
            touches=("rates", "difference"),
            short=f"none or all burned in {', '.join(map(str, extreme.index))}",
        )


def _small_numbers(record: Record) -> Iterator[Finding]:
    per_pit = _graded_by_pit(record)
    worst: tuple[float, str, str] | None = None
    for a, b in combinations(per_pit.index, 2):
        shares = per_pit["n_burned"] / per_pit["n_items"]
        gap = abs(float(shares[a] - shares[b]))
        if worst is None or gap > worst[0]:
            worst = (gap, a, b) if shares[a] >= shares[b] else (gap, b, a)
    if worst is None or worst[0] < _QUOTED:
        return
    _, a, b = worst
    pair = per_pit.loc[[a, b]]
    level = record.study.settings.conf_level
    interval = newcombe_difference(
        pair["n_burned"].to_numpy(), pair["n_items"].to_numpy(), level
    )
    low, high = float(interval[0]), float(interval[1])
    if low > 0 or high < 0:
        return
    counts = " and ".join(
        f"{pit} {row.n_burned:.0f} of {row.n_items}"
        for pit, row in zip(pair.index, pair.itertuples(), strict=True)
    )
    yield Finding(
        "too_few_to_tell",
        "note",
        f"{counts} read like a difference; but even if every item stood for itself, it "
        f"could lie anywhere from {signed(100 * low)} to {signed(100 * high)} points "
        f"({level_text(level)} interval).",
        "Plan the number of bakes before the next test.",
        why="Small counts differ by luck.",
        wording="Write 'this test cannot tell', with the interval.",
        short="counts too small to tell",
    )


def _dispersion(own: pd.DataFrame) -> pd.DataFrame:
    """Per pit: bakes, items, and chi-square of its bakes over degrees of freedom."""
    by_pit = own.groupby("pit", sort=False)
    sums = by_pit[["n_items", "n_burned"]].transform("sum")
    share = sums["n_burned"] / sums["n_items"]
    expected = own["n_items"] * share
    variance = (expected * (1 - share)).where(share.between(0, 1, inclusive="neither"))
    square = ((own["n_burned"] - expected) ** 2 / variance).fillna(0.0)
    found = by_pit.agg(n_bakes=("n_items", "size"), n_items=("n_items", "sum"))
    df = (found["n_bakes"] - 1.0).where(found["n_bakes"] > 1)
    return found.assign(ratio=square.groupby(own["pit"], sort=False).sum() / df)


def _shared_fire(record: Record) -> Iterator[Finding]:
    """How many independent items the graded ones are worth (design effect).

    Only where the bakes of a pit differ more than counts of independent items would
    (Pearson's chi-square over its degrees of freedom). The number itself is the one
    that stands beside the rates; with many bakes it is that chi-square (McCullagh &
    Nelder 1989, Generalized Linear Models, sec. 4.5), which then is as good.
    """
    counted = record.totals[record.totals["n_items"] > 0]
    spread = _dispersion(counted)
    alike = spread[spread["ratio"] >= _OVERDISPERSED]
    if record.one_bake_each or alike.empty:
        return
    if len(counted) < _MANY_BAKES:
        found = bake_posterior(counted, record.study.settings.conf_level)
        worth = pd.Series(found.effective_items, index=found.pits)
    else:
        alike = alike[alike["n_bakes"] >= _MANY_BAKES_OF_A_PIT]
        worth = alike["n_items"] / alike["ratio"]
    worth = worth.loc[alike.index]
    strong = worth[alike["n_items"] >= 2.0 * worth]
    if strong.empty:
        return
    text = "; ".join(
        f"{pit}: {n_items} items like {effective:.0f}"
        for pit, n_items, effective in zip(
            strong.index, alike.loc[strong.index, "n_items"], strong, strict=True
        )
    )
    yield Finding(
        "items_share_fire",
        "note",
        f"Items of one bake share its fire and tell as much as fewer independent ones "
        f"would ({text}).",
        "Count bakes, not items.",
        why="One hot fire burns many items at once.",
        wording="Name the bake as the unit; the intervals here do.",
        touches=("rates", "difference"),
        short="items of a bake share its fire",
    )


def _map(record: Record) -> Iterator[Finding]:
    items = record.items
    graded = items[items["burned"].notna() & items["row"].notna()]
    graded = graded[graded["column"].notna()]
    if graded.empty:
        return
    per_cell = graded.groupby(CELL).size()
    pits = per_cell.groupby(level="pit", sort=False).median()
    thin = pits[pits < _THIN_MAP]
    if len(thin):
        yield Finding(
            "map_thin",
            "note",
            f"Half of the cells hold at most {counted(int(thin.max()), 'graded item')} "
            f"({', '.join(map(str, thin.index))}).",
            "Look for a pattern that returns in every bake; bake more often.",
            why="A dark cell in one or two bakes may be chance.",
            wording="Write of ends and halves, not of single cells.",
            touches=("map",),
            short="few items per cell",
        )


def _regrades(record: Record) -> Iterator[Finding]:
    items = record.items
    faces = ["grade_top", "grade_bottom", "grade_side"]
    if not len(items) or items[faces].isna().all(axis=None):
        return
    if record.study.regrades[faces].isna().all(axis=None):
        yield Finding(
            "not_regraded",
            "note",
            "No item was graded a second time, so nothing is known about how steadily "
            "grades were given.",
            "Grade a shuffled fifth again, some days later or by somebody else.",
            why="If a grader would not repeat a grade, part of a difference is the "
            "grader's.",
            wording="State it among the limits.",
            touches=("grades",),
            short="no second grading",
        )


# --- what was left out, what was stated -----------------------------------------------


def _exclusions(record: Record) -> Iterator[Finding]:
    bakes = record.study.bakes
    excluded = bakes[bakes["status"] == "excluded"]
    if len(excluded):
        pits = excluded["pit"].unique()
        one_sided = len(excluded) > 1 and len(pits) == 1 and record.n_pits > 1
        yield Finding(
            "bakes_excluded",
            "weakens" if one_sided else "note",
            f"{len(excluded)} of {len(bakes)} bakes "
            f"{'was' if len(excluded) == 1 else 'were'} excluded"
            + (f", all of them of {pits[0]}" if one_sided else "")
            + "; each is listed with its reason.",
            "Decide about exclusions before grading.",
            why="Whoever may drop bakes after looking can get any answer.",
            wording="List them; say when and why they were left out.",
            touches=("difference", "rates"),
            short=f"{counted(len(excluded), 'bake')} excluded",
        )
    waiting = int((bakes["status"] == "planned").sum())
    if 0 < waiting < len(bakes):
        yield Finding(
            "bakes_not_done",
            "weakens",
            f"{waiting} of {len(bakes)} bakes are planned but not recorded.",
            "Finish the plan, or say why it was stopped.",
            why="A test that stops when the answer pleases is not the test that was "
            "planned.",
            wording="Write 'so far'.",
            touches=("difference", "rates"),
            short=f"{counted(waiting, 'bake')} still to do",
        )


def _stated(record: Record) -> Iterator[Finding]:
    settings = record.study.settings
    if settings.margin is None:
        yield Finding(
            "no_margin",
            "note",
            "No smallest difference of interest was stated, so the test cannot "
            "conclude 'no difference beyond the margin'.",
            f"State {record.study.form.stated('margin')}, before the next bake.",
            why="'No difference' needs a yardstick that was there first.",
            wording="Give the largest difference that the data leave open instead.",
            short="no margin stated",
        )
    if not settings.stop_rule:
        yield Finding(
            "no_stop_rule",
            "note",
            "No stop rule was stated.",
            "State in stop_rule when items come off, alike for all pits.",
            why="A minute more in one pit is browning, not the pit.",
            wording="Say that the end of a bake was not fixed beforehand.",
            touches=("difference", "rates"),
            short="no stop rule stated",
        )
