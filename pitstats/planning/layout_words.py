"""The rules and the weak points of a layout, in words."""

from __future__ import annotations

import pandas as pd

from pitstats.planning.cells import cell_table
from pitstats.planning.layout_plan import Plan
from pitstats.planning.order import OrderBalance
from pitstats.study.cells import listing


def rules_in_words(plan: Plan, balance: OrderBalance, seed: int) -> list[str]:
    """Say which rules were chosen, one sentence each."""
    filled = {
        "every cell": "one on every cell",
        "every other cell": "every other cell stays empty, and bakes take turns",
    }
    numbers_of = [
        f"{pit} {filled[plan.spacing] if n == 'fill' else f'{n} per bake'}"
        for pit, n in zip(plan.pits, plan.items, strict=True)
    ]
    if len(set(plan.items)) == 1:
        n = plan.items[0]
        numbers_of = [filled[plan.spacing] if n == "fill" else f"{n} per bake"]
    loading = {
        "random": "Load the cells in the random order printed in the grid",
        "row by row": (
            "Load row by row as printed in the grid; bakes start at the firebox end "
            "and at the far end in turn"
        ),
    }
    rules = [
        f"Items: {'; '.join(numbers_of)}. Which item goes to which cell is random.",
        _lot_sentence(plan),
        f"{loading[plan.load_order]}, one grate after the other; unload in the same "
        "order.",
        f"Baking order: {balance.explanation}",
        _place_sentence(plan),
        "Every item has a random code that tells neither pit nor cell. The grader sees "
        "codes only, shuffled over all pits of the session.",
        f"{plan.regrade_share:.0%} of the items of every session, drawn at random, are "
        "graded a second time.",
        f"Everything random was drawn with seed {seed}.",
    ]
    return [rule for rule in rules if rule]


def _lot_sentence(plan: Plan) -> str:
    if plan.lots is None:
        return f"Dough: lot {plan.one_lot} for all bakes." if plan.one_lot else ""
    names = listing(list(plan.lots), "and")
    if plan.lot_rule == "mixed":
        return f"Dough: every bake takes its items from lots {names} in proportion."
    return (
        f"Dough: lots {names} are used up one after the other, each spread evenly over "
        "the pits of a session."
    )


def _place_sentence(plan: Plan) -> str:
    if not plan.places:
        return ""
    if plan.place_rule == "fixed":
        return "Standing places were drawn at random and stay the same in all sessions."
    return (
        "Standing places were drawn at random and change between sessions, so that the "
        "pits share them."
    )


def weak_points(plan: Plan, bakes: pd.DataFrame, items: pd.DataFrame) -> list[str]:
    """Say what the layout cannot do; how far the order is balanced is a rule."""
    found = []
    if min(plan.bakes) < 2:
        found.append(
            "A pit with one bake shows nothing about how much bakes differ: with one "
            "bake each there will be no verdict. Plan at least two, better three."
        )
    pits_per_session = bakes.groupby("session")["pit"].nunique()
    if (pits_per_session < len(plan.pits)).any():
        found.append(
            "Not every pit bakes in every session, so differences between sessions "
            "count partly as differences between pits."
        )
    found += _density(plan, items)
    cells = cell_table(plan.grates)
    if len(plan.pits) > 1 and not cells["comparable"].all():
        shared = "; ".join(
            f"{pit} {int(own.sum())} of {len(own)}"
            for pit, own in cells.groupby("pit", sort=False)["comparable"]
        )
        found.append(
            "The grates differ: compare rates, not counts. Cells with a counterpart at "
            f"the same scaled position in every other pit: {shared}."
        )
    return found


def _density(plan: Plan, items: pd.DataFrame) -> list[str]:
    """Say whether items stand closer together in one pit than in another."""
    n_cells = {
        pit: sum(grate.n_cells for grate in plan.grates_of(pit)) for pit in plan.pits
    }
    mean = items.groupby("pit").size() / pd.Series(
        dict(zip(plan.pits, plan.bakes, strict=True))
    )
    share = {pit: float(mean[pit]) / n_cells[pit] for pit in plan.pits}
    spread = max(share.values()) - min(share.values())
    if spread * min(n_cells.values()) <= 1:  # no pit could come closer by an item
        return []
    low = min(share, key=lambda pit: share[pit])
    filled = ", ".join(f"{pit} {value:.0%}" for pit, value in share.items())
    equal = ", ".join(
        f"{pit} {max(1, round(share[low] * n_cells[pit]))}" for pit in plan.pits
    )
    return [
        f"Items stand closer in some pits than in others (cells filled: {filled}), and "
        f"a packed grate browns less. For equal spacing choose: {equal}."
    ]
