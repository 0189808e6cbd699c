"""The random layout of a bake test: cells, lots, loading, codes and baking order."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.errors import ArgumentError, DesignError, InvalidStudyError
from pitstats.planning.cells import (
    Grate,
    GrateSizes,
    cell_table,
    comparable_cells,
)
from pitstats.planning.layout_plan import (
    CellSizes,
    Items,
    LoadOrder,
    LotRule,
    PlaceRule,
    Plan,
    Spacing,
    check_plan,
)
from pitstats.planning.layout_words import rules_in_words, weak_points
from pitstats.planning.order import OrderBalance, balanced_order
from pitstats.planning.random_draws import (
    CellPicker,
    Ints,
    deal_lots,
    draw_codes,
    load_ranks_at_random,
    load_ranks_by_row,
    session_counts,
    share_out,
)
from pitstats.study.html_text import notebook_html
from pitstats.study.schema import CELL, PLACE_COLUMNS
from pitstats.study.settings import Settings
from pitstats.study.study import Study

_LARGEST_SEED = 10**9
_STREAMS = (
    "order",
    "places",
    "cells",
    "lots",
    "loading",
    "codes",
    "grading",
    "regrades",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """A random layout, and the planned study made of it.

    Attributes
    ----------
    study : Study
        The plan as a study: every bake has status "planned", every item its cell,
        code, lot, load rank and place in the grading; nothing is graded. The settings
        keep the seed (``layout_seed``) and the rules (``layout_rules``).
    bakes : pandas.DataFrame
        ``bake, pit, session, order, standing_place, n_items, lot``.
    items : pandas.DataFrame
        ``bake, pit, session, order, grate, row, column, code, lot, load_rank,
        grading_order, regrade``; `regrade` tells whether the item is graded twice.
    cells : pandas.DataFrame
        ``pit, grate, level, row, column, distance, across, distance_length,
        comparable, n_used``: every cell, where it lies, whether all pits have a cell at
        the same scaled position, and how many bakes use it.
    comparable : pandas.DataFrame
        Pairs of cells of different pits at the same scaled position: ``pit_a, grate_a,
        row_a, column_a, pit_b, grate_b, row_b, column_b, gap``.
    lots : pandas.DataFrame
        ``lot, pit, n_items``; empty if lots were not stated.
    balance : OrderBalance
        How evenly the pits share the places of a session.
    seed : int
        ``randomize_layout(..., seed=seed)`` with the same arguments gives the same
        layout.
    rules : tuple of str
        The fairness rules as chosen, one sentence each.
    caveats : tuple of str
        What was assumed or is weak.
    """

    study: Study
    bakes: pd.DataFrame
    items: pd.DataFrame
    cells: pd.DataFrame
    comparable: pd.DataFrame
    lots: pd.DataFrame
    balance: OrderBalance
    seed: int
    rules: tuple[str, ...]
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the items, one row per item."""
        return self.items.copy()

    def _repr_html_(self) -> str:
        return notebook_html("", self.bakes, (*self.rules, *self.caveats))


def randomize_layout(
    grates: pd.DataFrame | Mapping[str, GrateSizes],
    *,
    pits: pd.DataFrame | None = None,
    bakes: int | Mapping[str, int] = 3,
    sessions: int | Sequence[str] | None = None,
    items: Items | Mapping[str, Items] = "fill",
    spacing: Spacing = "every cell",
    cells: CellSizes = "equal size",
    lots: str | Mapping[str, int] | None = None,
    lot_rule: LotRule = "mixed",
    load_order: LoadOrder = "random",
    places: Sequence[str] = (),
    place_rule: PlaceRule = "fixed",
    regrade_share: float = 0.2,
    planned: Mapping[str, Any] | None = None,
    settings: Settings | Mapping[str, Any] | None = None,
    seed: int | None = None,
    rng: np.random.Generator | None = None,
) -> Layout:
    """Draw a random layout: who bakes when, which item lies where, and its code.

    Parameters
    ----------
    grates : DataFrame or mapping
        Every grate cut into cells: the study's table (``pit, rows, columns`` and, if
        wanted, ``grate, cell_length, cell_width, level, notes``), or pit names with
        ``(rows, columns)`` or with ``{grate: (rows, columns)}``. Row 1 is nearest the
        door, column 1 nearest the firebox. `cut_grate` works out rows and columns.
    pits : DataFrame, optional
        The study's table of pits; made from the names in `grates` if not given.
    bakes : int or mapping, default 3
        Bakes of every pit, or by pit.
    sessions : int or sequence of str, optional
        Number or names of the sessions; as many as the pit with most bakes has, if not
        given.
    items : int, "fill" or mapping, default "fill"
        Items per bake, for all pits or by pit; "fill" puts one on every cell that
        `spacing` leaves free.
    spacing : {"every cell", "every other cell"}
        "every other cell" leaves the neighbors of every item empty, and changes from
        bake to bake between the two ways of doing so.
    cells : {"equal size", "as given"}
        Whether cells of different real size are refused or only reported.
    lots : str or mapping, optional
        Name of the only lot of dough, or names with the number of items of each.
    lot_rule : {"mixed", "by session"}
        "mixed" spreads every lot over every bake in proportion; "by session" uses up
        one lot after the other, each spread evenly over the pits of a session.
    load_order : {"random", "row by row"}
        Order in which the cells of a bake are loaded. "row by row" starts at the
        firebox end and at the far end, at the door and at the back equally often.
    places : sequence of str, optional
        Standing places, if several pits stand together; drawn at random.
    place_rule : {"fixed", "by session"}
        Whether the pits keep their places, or change them from session to session so
        that each holds every place equally often.
    regrade_share : float, default 0.2
        Share of the items of every session to grade a second time, 0 to 1. A fifth is
        common practice.
    planned : mapping, optional
        Columns of bakes that are the same in all bakes or all bakes of a pit, such as
        ``{"minutes": 20, "damper_open": {"Oak": 1, "Creek": 0.5}}``.
    settings : Settings or mapping, optional
        Settings of the study; what is not stated is filled in and reported.
    seed : int, optional
        Draws the same layout again.
    rng : numpy.random.Generator, optional
        Source of the seed, if none is given.

    Returns
    -------
    Layout
        The layout, its planned study, its seed and its rules in words.

    Raises
    ------
    DesignError
        If the plan is impossible or contradicts itself; says what to change.

    Notes
    -----
    Items of one bake share one fire, so it is bakes that are ordered in balance and
    items that are drawn within them. The baking order follows Williams [1]_ where the
    numbers allow it; see `balanced_order`. Codes are drawn without regard to pit, bake
    or cell. Everything is drawn from one seed in separate streams, so that changing one
    rule, such as the share to grade twice, leaves the other draws as they were.

    References
    ----------
    .. [1] Williams, E. J. (1949), Experimental designs balanced for the estimation of
       residual effects of treatments, Australian Journal of Scientific Research A
       2:149-168.

    Examples
    --------
    >>> layout = randomize_layout({"Oak": (3, 6), "Creek": (3, 5)}, bakes=2, seed=11)
    >>> layout.bakes[["bake", "pit", "session", "order", "n_items"]]
      bake    pit session  order  n_items
    0  B01  Creek       1      1       15
    1  B02    Oak       1      2       18
    2  B03    Oak       2      1       18
    3  B04  Creek       2      2       15
    >>> layout.study
    Study('Bake test of Oak and Creek': 2 pits, 4 bakes, 66 items)
    """
    plan, caveats = check_plan(
        grates=grates,
        pits=pits,
        bakes=bakes,
        sessions=sessions,
        items=items,
        spacing=spacing,
        cells=cells,
        lots=lots,
        lot_rule=lot_rule,
        load_order=load_order,
        places=places,
        place_rule=place_rule,
        regrade_share=regrade_share,
        planned=planned or {},
        settings=settings,
    )
    seed = _seed(seed, rng)
    bake_table, item_table, balance = draw_tables(plan, seed)
    rules = rules_in_words(plan, balance, seed)
    caveats = [*caveats, *weak_points(plan, bake_table, item_table)]
    return Layout(
        study=_study(plan, bake_table, item_table, seed, rules),
        bakes=bake_table.drop(columns="turn"),
        items=item_table[list(_ITEM_COLUMNS)],
        cells=_cells(plan, item_table),
        comparable=comparable_cells(plan.grates),
        lots=_lot_table(item_table),
        balance=balance,
        seed=seed,
        rules=tuple(rules),
        caveats=tuple(caveats),
    )


_ITEM_COLUMNS = (
    "bake",
    "pit",
    "session",
    "order",
    "grate",
    "row",
    "column",
    "code",
    "lot",
    "load_rank",
    "grading_order",
    "regrade",
)
_STUDY_ITEM_COLUMNS = (*PLACE_COLUMNS, "code", "load_rank", "grading_order", "lot")


def _seed(seed: int | None, rng: np.random.Generator | None) -> int:
    if seed is not None:
        if rng is not None:
            raise DesignError("give a seed or an rng, not both.")
        if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
            raise ArgumentError(f"seed is {seed!r}. Give a whole number of 0 or more.")
        return int(seed)
    return int((rng or np.random.default_rng()).integers(1, _LARGEST_SEED))


# --- the draws ----------------------------------------------------------------------


def draw_tables(
    plan: Plan, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame, OrderBalance]:
    """Draw bakes and items of a checked plan."""
    streams = np.random.default_rng(seed).spawn(len(_STREAMS))
    draw = dict(zip(_STREAMS, streams, strict=True))
    bakes, balance = _bakes(plan, draw["order"], draw["places"])
    items = _cells_of_bakes(plan, bakes, draw["cells"])
    items["lot"] = _lots(plan, bakes, items, draw["lots"])
    items["load_rank"] = _load_ranks(plan, items, draw["loading"])
    items["code"] = draw_codes(len(items), draw["codes"])
    items["grading_order"] = _grading_order(items, draw["grading"])
    items["regrade"] = _regrades(plan, items, draw["regrades"])
    items["order"] = items["bake"].map(bakes.set_index("bake")["order"])
    by_bake = items.groupby("bake", sort=False)
    bakes["n_items"] = by_bake.size().to_numpy()
    bakes["lot"] = [" + ".join(sorted(set(lot.dropna()))) for _, lot in by_bake["lot"]]
    return bakes, items, balance


def _bakes(
    plan: Plan, rng: np.random.Generator, place_rng: np.random.Generator
) -> tuple[pd.DataFrame, OrderBalance]:
    """Draw sessions, baking order and standing places; name the bakes in that order."""
    counts = session_counts(plan.bakes, len(plan.sessions), rng)
    order, balance = balanced_order(counts, plan.pits, rng=rng)
    places = _standing(plan, place_rng)
    rows = [
        (plan.pits[pit], name, place + 1, standing[pit])
        for name, session, standing in zip(plan.sessions, order, places, strict=True)
        for place, pit in enumerate(session)
    ]
    table = pd.DataFrame(rows, columns=["pit", "session", "order", "standing_place"])
    digits = max(2, len(str(len(table))))
    table.insert(0, "bake", [f"B{i + 1:0{digits}d}" for i in range(len(table))])
    table["turn"] = table.groupby("pit").cumcount()  # which bake of its pit it is
    return table, balance


def _standing(plan: Plan, rng: np.random.Generator) -> list[list[str]]:
    """Draw the place of every pit in every session."""
    n_pits, n_places = len(plan.pits), len(plan.places)
    if not n_places:
        return [[""] * n_pits for _ in plan.sessions]
    first = rng.permutation(n_places)
    if plan.place_rule == "fixed":
        return [[plan.places[first[p]] for p in range(n_pits)] for _ in plan.sessions]
    # Turning the ring of places one step at a time gives every pit every place; the
    # steps are shuffled anew in each round.
    turns: list[int] = []
    while len(turns) < len(plan.sessions):
        turns += rng.permutation(n_places).tolist()
    return [
        [plan.places[first[(p + turn) % n_places]] for p in range(n_pits)]
        for turn in turns[: len(plan.sessions)]
    ]


def _cells_of_bakes(
    plan: Plan, bakes: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw the cells of every bake; one row per item."""
    parts: dict[str, pd.DataFrame] = {}
    streams = rng.spawn(len(plan.pits))
    for pit, n_items, stream in zip(plan.pits, plan.items, streams, strict=True):
        own = plan.grates_of(pit)
        grate = np.repeat(np.arange(len(own)), [g.n_cells for g in own])
        row = np.concatenate([np.arange(g.n_cells) // g.columns + 1 for g in own])
        column = np.concatenate([np.arange(g.n_cells) % g.columns + 1 for g in own])
        picker = CellPicker(
            _joint_codes(grate, column), _joint_codes(grate, row), stream
        )
        phase = int(stream.integers(2))
        for bake in bakes[bakes["pit"] == pit].itertuples():
            free = np.ones(len(row), dtype=bool)
            if plan.spacing == "every other cell":
                free = (row + column + phase + int(str(bake.turn))) % 2 == 0
            chosen = picker.pick(_n_items(pit, n_items, free), free)
            parts[str(bake.bake)] = pd.DataFrame(
                {
                    "bake": bake.bake,
                    "pit": pit,
                    "session": bake.session,
                    "turn": bake.turn,
                    "grate": [own[g].grate for g in grate[chosen]],
                    "place": grate[chosen],
                    "row": row[chosen],
                    "column": column[chosen],
                }
            )
    return pd.concat([parts[bake] for bake in bakes["bake"]], ignore_index=True)


def _joint_codes(grate: Ints, number: Ints) -> Ints:
    joined = grate * (int(number.max()) + 1) + number
    codes: Ints = np.unique(joined, return_inverse=True)[1].astype(np.int64)
    return codes


def _n_items(pit: str, wanted: Items, free: NDArray[np.bool_]) -> int:
    n_free = int(free.sum())
    if n_free == 0:
        raise DesignError(
            f"pit '{pit}' has no cell left with spacing 'every other cell'. Use "
            "smaller cells or spacing 'every cell'."
        )
    if wanted == "fill":
        return n_free
    if wanted > n_free:
        kind = "cells" if n_free == len(free) else "cells that the spacing leaves free"
        raise DesignError(
            f"pit '{pit}' has {n_free} {kind}, but {wanted} items per bake were asked "
            f"for. Ask for {n_free} or fewer, or cut its grates into smaller cells."
        )
    return wanted


def _lots(
    plan: Plan, bakes: pd.DataFrame, items: pd.DataFrame, rng: np.random.Generator
) -> pd.Series:
    """Draw the lot of every item."""
    if plan.lots is None:
        return pd.Series(plan.one_lot or None, index=items.index, dtype="str")
    left = np.array(list(plan.lots.values()), dtype=np.int64)
    if left.sum() < len(items):
        raise DesignError(
            f"the lots hold {left.sum()} items, but {len(items)} cells are to be "
            f"filled. Buy {len(items) - left.sum()} more, or plan fewer items."
        )
    dealt = np.empty(len(items), dtype=np.int64)
    blocks = [bakes]
    if plan.lot_rule == "by session":
        blocks = [bakes[bakes["session"] == name] for name in plan.sessions]
    for block in blocks:
        wanted = [
            [np.flatnonzero(items["bake"] == bake) for bake in own["bake"]]
            for _, own in block.groupby("pit", sort=False)
        ]
        n_items = sum(len(bake) for pit in wanted for bake in pit)
        taken = _take(left, n_items, plan.lot_rule, rng)
        left -= taken
        sizes = [[len(bake) for bake in pit] for pit in wanted]
        for pit, lots in zip(wanted, deal_lots(sizes, taken, rng), strict=True):
            for bake, lot in zip(pit, lots, strict=True):
                dealt[bake] = lot
    return pd.Series(np.array(list(plan.lots), dtype=object)[dealt], dtype="str")


def _take(left: Ints, n_items: int, rule: LotRule, rng: np.random.Generator) -> Ints:
    """Take items from the lots, in proportion or one lot after the other."""
    if rule == "mixed":
        return share_out(n_items, left.tolist(), rng)
    before = np.concatenate([[0], np.cumsum(left)[:-1]])
    taken: Ints = np.clip(n_items - before, 0, left)
    return taken


def _load_ranks(
    plan: Plan, items: pd.DataFrame, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Draw the loading order of every bake."""
    ranks = np.empty(len(items), dtype=np.int64)
    flips = {pit: rng.integers(2, size=2).tolist() for pit in plan.pits}
    for (pit, turn), own in items.groupby(["pit", "turn"], sort=False):
        at = own.index.to_numpy()
        grate, row, column = own[["place", "row", "column"]].to_numpy().T
        if plan.load_order == "random":
            ranks[at] = load_ranks_at_random(grate, rng)
            continue
        # Four bakes run through the four corners; any two in a row use both ends.
        end, door = flips[str(pit)]
        turn = int(str(turn))
        ranks[at] = load_ranks_by_row(
            grate,
            row,
            column,
            from_firebox=bool((turn + end) % 2),
            from_door=bool((turn + turn // 2 + door) % 2),
        )
    return ranks


def _grading_order(items: pd.DataFrame, rng: np.random.Generator) -> Ints:
    """Draw the grading order of every session, over all its pits."""
    order = np.empty(len(items), dtype=np.int64)
    for at in items.groupby("session", sort=False).indices.values():
        order[at] = rng.permutation(len(at)) + 1
    return order


def _regrades(
    plan: Plan, items: pd.DataFrame, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Draw the items to grade twice: a share of every session, from all its bakes."""
    again = np.zeros(len(items), dtype=bool)
    for _, own in items.groupby("session", sort=False):
        bakes = list(own.groupby("bake", sort=False).groups.values())
        n_again = math.ceil(plan.regrade_share * len(own) - 1e-9)
        shares = share_out(n_again, [len(at) for at in bakes], rng)
        for at, share in zip(bakes, shares, strict=True):
            again[rng.choice(at, share, replace=False)] = True
    return again


# --- the results --------------------------------------------------------------------


def _cells(plan: Plan, items: pd.DataFrame) -> pd.DataFrame:
    cells = cell_table(plan.grates)
    used = items.groupby(CELL, sort=False).size().rename("n_used").reset_index()
    cells = cells.merge(used, on=CELL, how="left", validate="one_to_one")
    cells["n_used"] = cells["n_used"].fillna(0).astype("int64")
    return cells


def _lot_table(items: pd.DataFrame) -> pd.DataFrame:
    known = items.dropna(subset="lot")
    counts = known.groupby(["lot", "pit"], sort=False).size()
    return (
        counts.rename("n_items")
        .reset_index()
        .sort_values(["lot", "pit"], ignore_index=True)
    )


def _study(
    plan: Plan,
    bakes: pd.DataFrame,
    items: pd.DataFrame,
    seed: int,
    rules: Sequence[str],
) -> Study:
    """Make the planned study; what the study format refuses is told in its words."""
    table = bakes[["bake", "pit", "session", "order", "lot"]].copy()
    pit = [plan.pits.index(name) for name in table["pit"]]
    for name, values in plan.planned.items():
        table[name] = [values[p] for p in pit]
    table["status"] = "planned"
    if plan.places:
        table["standing_place"] = bakes["standing_place"]
    again = items[items["regrade"]].sort_values(
        ["session", "code"], key=lambda column: column.astype(str)
    )
    kept = {"layout_seed": seed, "layout_rules": list(rules)}
    settings = replace(plan.settings, extra=plan.settings.extra | kept)
    try:
        return Study(
            settings=settings,
            pits=plan.pit_table,
            grates=pd.DataFrame([_grate_record(grate) for grate in plan.grates]),
            bakes=table,
            items=items[list(_STUDY_ITEM_COLUMNS)],
            regrades=again[["code"]],
        )
    except InvalidStudyError as error:
        found = " ".join(str(problem) for problem in error.problems)
        raise DesignError(f"the plan makes no valid study. {found}") from None


def _grate_record(grate: Grate) -> dict[str, Any]:
    return asdict(grate) | {"level": None if math.isnan(grate.level) else grate.level}
