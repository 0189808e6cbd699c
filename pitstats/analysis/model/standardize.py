"""Layouts: the cells over which the rates of all pits are averaged.

A rate depends on where the items lay. Pits are compared fairly when their rates are
averaged over the same places, so a layout is part of every standardized rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.model.data import PLACE_COLUMNS, Entries
from pitstats.analysis.places.coverage import third_of_grate
from pitstats.errors import ArgumentError, DesignError

LayoutChoice: TypeAlias = Literal["common", "as baked"] | pd.DataFrame

# Positions along (or across) a grate when the pits' grates have unequal numbers of
# cells; a multiple of three, so that thirds are thirds.
_STEPS = 12
_SLACK = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class ReferencePlaces:
    """Cells of every pit, with weights, and which of them a pit has items for.

    Attributes
    ----------
    name : str
        ``"common"``, ``"as baked"`` or ``"own"``.
    description : str
        The layout in a sentence.
    cells : tuple of pandas.DataFrame
        For each pit the columns of the formula and ``cell_weight``.
    table : pandas.DataFrame
        Places of the layout with their weights; with a column ``pit`` where the pits'
        places differ.
    support : pandas.DataFrame
        One row per pit and place: ``pit, grate, distance, cell_weight, n_items``; the
        last is the number of graded items of the pit at that place. Empty when the
        formula uses no places.
    caveats : tuple of str
        What the layout asks of the model beyond the data.
    """

    name: str
    description: str
    cells: tuple[pd.DataFrame, ...]
    table: pd.DataFrame
    support: pd.DataFrame
    caveats: tuple[str, ...]


def reference_places(
    choice: LayoutChoice, entries: Entries, names: Sequence[str]
) -> ReferencePlaces:
    """Make the layout that was asked for.

    Notes
    -----
    A place is a distance from the firebox wall (0) to the far wall (1) on a grate, and
    a position across it where the formula uses one. Where all pits have as many
    columns on a grate its columns are the places, otherwise twelve equal steps. Every
    grate counts by its mean number of cells. Columns of the formula that are no place
    are held at their mean over bakes (numbers) or take the mix of the bakes (words).
    """
    if isinstance(choice, pd.DataFrame):
        return _own_layout(choice, entries, names)
    if choice == "as baked":
        return _as_baked(entries, names)
    if choice == "common":
        return _common_layout(entries, names)
    raise ArgumentError(
        f"layout is {choice!r}; it must be 'common', 'as baked' or a table of cells."
    )


# --- common -------------------------------------------------------------------------


def _common_layout(entries: Entries, names: Sequence[str]) -> ReferencePlaces:
    if not any(name in PLACE_COLUMNS for name in names):
        base = pd.DataFrame({"cell_weight": [1.0]})
        filled = tuple(_filled(base, entries, names, pit) for pit in entries.pits)
        return ReferencePlaces(
            name="common",
            description="No places: the formula uses none, so every rate is over the "
            "places that the pit's own items had.",
            cells=filled,
            table=_shown(filled, entries.pits),
            support=_no_support(),
            caveats=(),
        )
    across = any(name in ("across", "row") for name in names)
    places, ranges = _common_places(entries, across)
    cells = tuple(
        _filled(_on_own_grate(places, entries, pit, names), entries, names, pit)
        for pit in entries.pits
    )
    support = _support(places, entries, across)
    return ReferencePlaces(
        name="common",
        description=_common_words(places, ranges, entries),
        cells=cells,
        table=places,
        support=support,
        caveats=(*_partial(ranges, entries), *_lacking(support)),
    )


def _common_places(
    entries: Entries, across: bool
) -> tuple[pd.DataFrame, dict[str, tuple[float, float]]]:
    """Places on grates that all pits used, and the stretch of each grate."""
    frame = entries.frame[entries.frame["distance"].notna()]
    pits = entries.pits
    frames, ranges = [], {}
    for grate in sorted(frame["grate"].dropna().unique()):
        on_it = frame[frame["grate"] == grate]
        if on_it["pit"].nunique() < len(pits):
            continue
        along, stretch = _positions(on_it, "column", "columns")
        if not len(along):
            continue
        ranges[str(grate)] = stretch
        over, _ = _positions(on_it, "row", "rows") if across else (np.array([0.5]), ())
        if not len(over):
            continue
        sizes = on_it.groupby("pit", observed=True)[["rows", "columns"]].first()
        size = float(sizes.prod(axis=1).mean()) * (stretch[1] - stretch[0])
        grid = pd.MultiIndex.from_product([[grate], along, over])
        part = grid.to_frame(index=False, name=["grate", "distance", "across"])
        frames.append(part.assign(cell_weight=size / len(part)))
    if not frames:
        raise DesignError(_nothing_common(frame, pits))
    places = pd.concat(frames, ignore_index=True)
    places["cell_weight"] /= places["cell_weight"].sum()
    return places if across else places.drop(columns="across"), ranges


def _positions(
    on_grate: pd.DataFrame, cell: str, cells: str
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Middles of steps inside the stretch that every pit used, and that stretch."""
    known = on_grate[on_grate[cell].notna()]
    used = known.groupby("pit", observed=True).agg(
        first=(cell, "min"), last=(cell, "max"), size=(cells, "first")
    )
    low = float(((used["first"] - 1) / used["size"]).max())
    high = float((used["last"] / used["size"]).min())
    if used.empty or high - low < _SLACK:
        return np.empty(0), (0.0, 0.0)
    same = used["size"].nunique() == 1
    steps = int(used["size"].iloc[0]) if same else _STEPS
    middle = (np.arange(steps) + 0.5) / steps
    inside = middle[(middle > low - _SLACK) & (middle < high + _SLACK)]
    return inside if len(inside) else np.array([(low + high) / 2]), (low, high)


def _nothing_common(frame: pd.DataFrame, pits: Sequence[str]) -> str:
    stretches = []
    for pit in pits:
        own = frame[frame["pit"] == pit]
        for grate, part in own.groupby("grate"):
            low = ((part["column"] - 1) / part["columns"]).min()
            high = (part["column"] / part["columns"]).max()
            stretches.append(f"{pit} {low:.2f} to {high:.2f} on '{grate}'")
    return (
        "No place was used in all pits (from firebox wall 0 to far wall 1: "
        f"{'; '.join(stretches)}), so there is no common layout. Bake items at the "
        "same places in every pit, compare fewer pits, or give cells of your own as "
        "the layout."
    )


def _common_words(
    places: pd.DataFrame, ranges: dict[str, tuple[float, float]], entries: Entries
) -> str:
    parts = [
        f"{low:.2f} to {high:.2f} on the grate '{grate}'"
        for grate, (low, high) in ranges.items()
    ]
    who = "all pits" if len(entries.pits) > 1 else entries.pits[0]
    return (
        f"Common layout: {len(places)} places within the stretch that {who} used, "
        f"{' and '.join(parts)} (firebox wall 0, far wall 1)."
    )


def _partial(
    ranges: dict[str, tuple[float, float]], entries: Entries
) -> tuple[str, ...]:
    """Say so when the common layout leaves out places that some pit used."""
    if len(entries.pits) < 2:
        return ()
    frame = entries.frame[entries.frame["distance"].notna()]
    found = []
    for grate, (low, high) in ranges.items():
        on_it = frame[frame["grate"] == grate]
        outside = (on_it["distance"] < low) | (on_it["distance"] > high)
        if outside.any():
            found.append(notes.PARTIAL_LAYOUT.format(grate=grate, low=low, high=high))
    left_out = sorted(set(frame["grate"].dropna()) - set(ranges))
    if left_out:
        found.append(notes.GRATES_LEFT_OUT.format(grates=", ".join(left_out)))
    return tuple(found)


# --- as baked -----------------------------------------------------------------------


def _as_baked(entries: Entries, names: Sequence[str]) -> ReferencePlaces:
    wanted = [name for name in names if name != "pit"]
    cells = []
    for pit in entries.pits:
        own = entries.frame[entries.frame["pit"] == pit]
        weights = own.groupby(wanted, sort=True)["n_items"].sum() if wanted else None
        frame = (
            pd.DataFrame({"cell_weight": [1.0]})
            if weights is None
            else weights.rename("cell_weight").astype(float).reset_index()
        )
        frame["cell_weight"] /= frame["cell_weight"].sum()
        cells.append(_with_pit(frame, entries, pit))
    return ReferencePlaces(
        name="as baked",
        description="As baked: the rate of each pit is over the places and settings "
        "that its own graded items had.",
        cells=tuple(cells),
        table=_shown(tuple(cells), entries.pits),
        support=_no_support(),
        caveats=(),
    )


# --- the user's own -----------------------------------------------------------------


def _own_layout(
    table: pd.DataFrame, entries: Entries, names: Sequence[str]
) -> ReferencePlaces:
    if table.empty:
        raise DesignError("The layout has no cells; give one row per cell.")
    base = table.reset_index(drop=True)
    if "cell_weight" not in base.columns:
        plain = "weight" in base.columns and "weight" not in names
        base["cell_weight"] = base["weight"] if plain else 1.0
    weight = pd.to_numeric(base["cell_weight"], errors="coerce")
    if not (np.isfinite(weight).all() and (weight >= 0).all() and weight.sum() > 0):
        raise DesignError("The weights of the layout must be 0 or more, and not all 0.")
    base["cell_weight"] = weight.astype(float)
    if "pit" in base.columns:
        unknown = sorted(set(base["pit"].astype(str)) - set(entries.pits))
        if unknown:
            raise DesignError(
                f"The layout has cells of {', '.join(unknown)}; the pits of the model "
                f"are {', '.join(entries.pits)}."
            )
    cells = tuple(complete_cells(base, entries, names, pit) for pit in entries.pits)
    across = "across" in names or "row" in names
    needed = {"grate", "distance"}
    support = (
        pd.concat(
            [
                _support(own, entries, across and "across" in own, [pit])
                for pit, own in zip(entries.pits, cells, strict=True)
                if needed <= set(own.columns)
            ]
            or [_no_support()],
            ignore_index=True,
        )
        if needed & set(names)
        else _no_support()
    )
    n_cells = len(base)
    return ReferencePlaces(
        name="own",
        description=f"A layout of the user's own with {n_cells} "
        f"{'cell' if n_cells == 1 else 'cells'}.",
        cells=cells,
        table=base,
        support=support,
        caveats=_lacking(support),
    )


def complete_cells(
    table: pd.DataFrame, entries: Entries, names: Sequence[str], pit: str
) -> pd.DataFrame:
    """Cells of one pit with every column of the formula."""
    own = table
    if "pit" in table.columns:
        own = table[table["pit"].astype(str) == pit].drop(columns="pit")
        if own.empty:
            raise DesignError(
                f"The layout has no cell for {pit}. Leave out the column pit to use "
                "the cells for all pits, or add cells of that pit."
            )
    own = _on_own_grate(own.reset_index(drop=True), entries, pit, names)
    lacking = [n for n in names if n in PLACE_COLUMNS and n not in own.columns]
    if lacking:
        raise DesignError(
            f"The cells lack the column {', '.join(lacking)}, which the formula uses."
        )
    for name in set(names) & set(own.columns):
        if own[name].isna().any():
            raise DesignError(f"The cells have gaps in the column {name}.")
    if own["cell_weight"].sum() <= 0:
        raise DesignError(f"All cells of {pit} have the weight 0.")
    return _filled(own, entries, names, pit)


# --- curves -------------------------------------------------------------------------


def curve_cells(
    cells: pd.DataFrame,
    distance: NDArray[np.float64],
    entries: Entries,
    names: Sequence[str],
    pit: str,
    grate: str | None,
) -> pd.DataFrame | None:
    """Cells of a pit with the distance put in, for a curve along the grate."""
    rest = cells.drop(
        columns=["distance", "column", "distance_length"], errors="ignore"
    )
    if grate is not None:
        if grate not in _all_grates(entries):
            raise DesignError(
                f"There is no grate {grate!r}; the grates of the model are "
                f"{', '.join(sorted(_all_grates(entries)))}."
            )
        if grate not in _grate_sizes(entries, pit).index:
            return None
        rest = rest.assign(grate=grate)
    others = [name for name in rest.columns if name not in ("cell_weight", "pit")]
    if others:
        rest = rest.groupby(others, sort=False)["cell_weight"].sum().reset_index()
    else:
        rest = pd.DataFrame({"cell_weight": [1.0]})
    grid = rest.merge(pd.DataFrame({"distance": distance}), how="cross")
    return _with_pit(_on_own_grate(grid, entries, pit, names), entries, pit)


def used_stretch(
    entries: Entries, pit: str, grates: set[str] | None
) -> tuple[float, float]:
    """First and last place along its grates at which a pit had graded items."""
    own = _items_on(entries, pit, grates)
    if own.empty:
        own = _items_on(entries, pit, None)
    return float(own["distance"].min()), float(own["distance"].max())


def used_at(
    distance: NDArray[np.float64], entries: Entries, pit: str, grates: set[str] | None
) -> NDArray[np.int64]:
    """Count the graded items of a pit at points along its grates."""
    own = _items_on(entries, pit, grates)
    half = 0.5 / own["columns"].to_numpy() + _SLACK
    place = own["distance"].to_numpy()
    near = np.abs(place[:, None] - distance) <= half[:, None]
    n_items: NDArray[np.int64] = near.sum(axis=0)
    return n_items


def _items_on(entries: Entries, pit: str, grates: set[str] | None) -> pd.DataFrame:
    own = entries.frame[entries.frame["pit"] == pit]
    return own if grates is None else own[own["grate"].isin(grates)]


# --- shared -------------------------------------------------------------------------


def _on_own_grate(
    places: pd.DataFrame, entries: Entries, pit: str, names: Sequence[str]
) -> pd.DataFrame:
    """Work out columns, rows and lengths of places on the pit's own grates."""
    frame = places.copy()
    if "column" not in entries.frame.columns:
        return frame
    sizes = _grate_sizes(entries, pit)
    frame = _with_known_grates(frame, entries, sizes, names)
    if "grate" not in frame.columns:
        return frame
    own = sizes.reindex(frame["grate"]).set_axis(frame.index)
    for share, cell, count in (
        ("distance", "column", "columns"),
        ("across", "row", "rows"),
    ):
        if cell in frame.columns and share not in frame.columns:
            frame[share] = (frame[cell].astype(float) - 0.5) / own[count]
            if not frame[share].between(0, 1).all():
                raise DesignError(
                    f"The layout has a {cell} that the grates of {pit} do not have."
                )
        elif cell in names and share in frame.columns:
            frame[cell] = frame[share] * own[count] + 0.5
    if "distance_length" in names and "distance_length" not in frame.columns:
        frame["distance_length"] = (
            frame["distance"] * own["columns"] * own["cell_length"]
        )
    return frame


def _with_known_grates(
    frame: pd.DataFrame, entries: Entries, sizes: pd.DataFrame, names: Sequence[str]
) -> pd.DataFrame:
    """Cells with the only grate filled in; refuses unknown grates."""
    known = _all_grates(entries)
    if "grate" not in frame.columns and len(sizes) == len(known) == 1:
        return frame.assign(grate=sizes.index[0])
    if "grate" not in frame.columns:
        if "grate" in names or {"column", "row"} & set(frame.columns):
            raise DesignError(
                "The cells lack the column grate; the grates are "
                f"{', '.join(sorted(known))}."
            )
        return frame
    strange = sorted(set(map(str, frame["grate"])) - known)
    if strange:
        raise DesignError(
            f"The cells name the grate {', '.join(strange)}; the grates of the model "
            f"are {', '.join(sorted(known))}."
        )
    return frame


def _all_grates(entries: Entries) -> set[str]:
    return set(map(str, entries.frame["grate"].dropna()))


def _grate_sizes(entries: Entries, pit: str) -> pd.DataFrame:
    own = entries.frame[(entries.frame["pit"] == pit) & entries.frame["grate"].notna()]
    sizes: pd.DataFrame = own.groupby("grate")[
        ["rows", "columns", "cell_length"]
    ].first()
    return sizes


def _filled(
    places: pd.DataFrame, entries: Entries, names: Sequence[str], pit: str
) -> pd.DataFrame:
    """Places with the other columns: numbers at their mean, words in their mix."""
    frame = places.copy()
    for name in names:
        if name in frame.columns or name == "pit":
            continue
        level = entries.levels[name]
        rows = entries.frame
        if level == "pit":
            rows = rows[rows["pit"] == pit]
        if level in ("bake", "pit"):
            rows = rows.drop_duplicates("bake")
        values = rows[name]
        if pd.api.types.is_numeric_dtype(values.dtype):
            frame[name] = float(values.mean())
            continue
        mix = values.value_counts(normalize=True, sort=False).rename("mix_share")
        frame = frame.merge(mix.rename_axis(name).reset_index(), how="cross")
        frame["cell_weight"] = frame.pop("mix_share") * frame["cell_weight"]
    frame["cell_weight"] = frame["cell_weight"] / frame["cell_weight"].sum()
    return _with_pit(frame, entries, pit)


def _with_pit(frame: pd.DataFrame, entries: Entries, pit: str) -> pd.DataFrame:
    return frame.assign(pit=pd.Categorical([pit] * len(frame), categories=entries.pits))


def _shown(cells: tuple[pd.DataFrame, ...], pits: Sequence[str]) -> pd.DataFrame:
    """Cells of all pits in one table."""
    frames = [
        own.drop(columns="pit").assign(pit=pit)
        for own, pit in zip(cells, pits, strict=True)
    ]
    table = pd.concat(frames, ignore_index=True)
    return table[["pit", *(c for c in table.columns if c != "pit")]]


def _no_support() -> pd.DataFrame:
    columns = ["pit", "grate", "distance", "cell_weight", "n_items"]
    return pd.DataFrame(columns=columns).astype(
        {"distance": float, "cell_weight": float, "n_items": int}
    )


def _support(
    places: pd.DataFrame,
    entries: Entries,
    across: bool,
    pits: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Graded items of each pit in the cells that hold each place."""
    at = ["grate", "distance"] + (["across"] if across else [])
    where = places.groupby(at, sort=True)["cell_weight"].sum().reset_index()
    frames = []
    for pit in pits or entries.pits:
        own = entries.frame[entries.frame["pit"] == pit]
        n_items = _holds(own, where, at).sum(axis=0)
        frames.append(where.assign(pit=pit, n_items=n_items))
    table = pd.concat(frames, ignore_index=True)
    return table[["pit", *at, "cell_weight", "n_items"]]


def _holds(
    own: pd.DataFrame, places: pd.DataFrame, at: Sequence[str]
) -> NDArray[np.bool_]:
    """Whether the cell of each item holds each place; a border belongs to both."""
    grates = own["grate"].to_numpy(dtype=object)[:, None]
    holds: NDArray[np.bool_] = grates == places["grate"].to_numpy(dtype=object)
    for share, cells in (("distance", "columns"), ("across", "rows")):
        if share in at:
            half = 0.5 / own[cells].to_numpy()[:, None] + _SLACK
            gap = own[share].to_numpy()[:, None] - places[share].to_numpy()
            holds &= np.abs(gap) <= half
    return holds


def _lacking(support: pd.DataFrame) -> tuple[str, ...]:
    """Warn of pits without items in a third of the layout, or at single places."""
    if support.empty:
        return ()
    third = third_of_grate(support["distance"])
    found = []
    for pit, own in support.groupby("pit", sort=False):
        sums = own.groupby(third.loc[own.index])["n_items"].sum()
        empty = [name for name in ("near", "middle", "far") if sums.get(name, 1) == 0]
        found += [notes.NO_CELLS_IN_THIRD.format(pit=pit, third=t) for t in empty]
        bare = int((own["n_items"] == 0).sum())
        if bare and not empty:
            found.append(notes.BARE_PLACES.format(pit=pit, n=bare, total=len(own)))
    return tuple(found)
