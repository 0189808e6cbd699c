"""What stands on every printed page, as plain data for the templates.

Pages are cut here, not by the browser: a page holds what fits both A4 and US Letter, so
that nothing runs over an edge and every page has its own heading.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import pandas as pd

from pitstats.errors import DesignError
from pitstats.study.settings import Settings
from pitstats.study.study import Study

# Room on the page in mm that A4 and US Letter both offer inside margins of 12 mm.
_WIDE, _WIDE_HIGH = 255.0, 186.0
_GRID_ROOM = (_WIDE - 37.0, _WIDE_HIGH - 57.0)  # without headings and the four sides
_LEAST_CELL = (14.0, 13.0)
_LARGEST_CELL = (34.0, 30.0)
_GRADING_ROWS = 21
_LEGEND_LINES, _LEGEND_LETTERS = 3, 60  # lines that leave room for all rows
_KEY_ROWS, _KEY_BLOCKS = 34, 2
_LADDER_ROWS = 7
_LONGEST_TEMPS = 14  # rows of the table of temperatures
_READINGS_ROOM = 112.0  # mm
_ORDER_ROOM = 138.0  # mm
_ORDER_LETTERS = {"facts": 55, "pit": 23, "session": 10}  # in a line of its column
# Letters shown of a text of the user's; the whole text stays in the study.
_LONGEST_FACT, _LONGEST_NAME = 48, 70
_MOST_CIRCLES = 6  # more grades than this are written, not circled

FACE_NAMES = {"top": "top", "bottom": "bottom", "side": "fire side"}


@dataclass(frozen=True, kw_only=True)
class Bake:
    """One planned bake, as its pages head it."""

    bake: str
    pit: str
    session: str
    order: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class GridCell:
    """One cell of a printed grid; without a code it stays empty."""

    code: str
    rank: str
    lot: str


@dataclass(frozen=True, kw_only=True)
class GridPage:
    """One grate, or a part of a large one, of one bake."""

    bake: Bake
    grate: str
    part: str
    columns: list[int]
    rows: list[tuple[int, list[GridCell]]]
    first_side: str
    last_side: str
    door_side: str
    cell_width: float
    cell_height: float
    code_size: float
    n_items: int


@dataclass(frozen=True, kw_only=True)
class RecordPage:
    """The sheet of temperatures and times of one bake."""

    bake: Bake
    minutes: list[str]
    row_height: float


@dataclass(frozen=True, kw_only=True)
class GradingPage:
    """One page of a grading sheet: codes only."""

    session: str
    number: int
    of: int
    rows: list[tuple[int, str]]


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The grades as they are marked on paper."""

    marks: tuple[str, ...]
    legend: tuple[tuple[str, str], ...]
    faces: tuple[str, ...]
    circles: bool


@dataclass(frozen=True, kw_only=True)
class Step:
    """One grade of the reference ladder."""

    mark: str
    name: str
    look: str
    counts_as: str


def planned_parts(study: Study) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return planned bakes in baking order and their items, or say what is missing."""
    bakes = study.bakes[study.bakes["status"].eq("planned")].copy()
    if bakes.empty:
        raise DesignError(
            "no bake of this study is planned, so there is nothing to print. Draw a "
            "layout, or set the status of the bakes to planned."
        )
    bakes["session"] = bakes["session"].astype(object).fillna("")
    sessions = {name: k for k, name in enumerate(bakes["session"].unique())}
    rank = pd.DataFrame(
        {"session": bakes["session"].map(sessions), "order": bakes["order"]}
    )
    bakes = bakes.loc[rank.sort_values(["session", "order"], kind="stable").index]
    items = study.items[study.items["bake"].isin(bakes["bake"])].copy()
    for name in set(bakes["bake"]) - set(items["bake"]):
        raise DesignError(f"the planned bake '{name}' has no items. Draw a layout.")
    for column in ("code", "row", "column"):
        if items[column].isna().any():
            bake = items.loc[items[column].isna(), "bake"].iloc[0]
            raise DesignError(
                f"items of the planned bake '{bake}' have no {column}. Draw a layout, "
                f"or fill in the column {column}."
            )
    where = bakes.set_index("bake")
    items["pit"] = items["bake"].map(where["pit"])
    items["session"] = items["bake"].map(where["session"])
    return bakes, items


def bake_heads(study: Study, bakes: pd.DataFrame) -> dict[str, Bake]:
    """Head every bake with what is known about it beforehand."""
    labels = dict(zip(study.pits["pit"], study.pits["label"], strict=True))
    unit = study.settings.temperature_unit
    shown = (
        ("standing_place", "place", ""),
        ("lot", "lot", ""),
        ("target_temp", "target", f" °{unit}" if unit else ""),
        ("minutes", "bake for", " min"),
        ("damper_open", "damper open", ""),
        ("intake_open", "intake open", ""),
        ("plate", "plate", ""),
        ("wood", "wood", ""),
        ("tender", "tender", ""),
    )
    heads = {}
    for record in bakes.to_dict("records"):
        pit = record["pit"]
        label = labels.get(pit)
        name = pit if pd.isna(label) or label == pit else f"{label} ({pit})"
        facts = tuple(
            (title, _short(_plain(record[column]), _LONGEST_FACT) + suffix)
            for column, title, suffix in shown
            if column in record and pd.notna(record[column]) and record[column] != ""
        )
        heads[record["bake"]] = Bake(
            bake=record["bake"],
            pit=_short(name, _LONGEST_NAME),
            session=_short(record["session"], _LONGEST_FACT),
            order=_plain(record["order"]),
            facts=facts,
        )
    return heads


def _short(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def order_pages(heads: Iterable[Bake]) -> list[list[Bake]]:
    """Cut the baking order into pages, by the lines that every bake takes."""
    pages: list[list[Bake]] = []
    left = 0.0
    for head in heads:
        letters = {
            "facts": sum(len(name) + len(value) + 3 for name, value in head.facts),
            "pit": len(head.pit),
            "session": len(head.session),
        }
        lines = max(
            math.ceil(max(count, 1) / _ORDER_LETTERS[part])
            for part, count in letters.items()
        )
        height = 5.1 * lines + 2.0
        if height > left:
            pages.append([])
            left = _ORDER_ROOM
        pages[-1].append(head)
        left -= height
    return pages


def _plain(value: Any) -> str:
    if value is None or pd.isna(value):
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


# --- grids --------------------------------------------------------------------------


def grid_pages(
    study: Study,
    heads: dict[str, Bake],
    items: pd.DataFrame,
    mirrored: Collection[str] = (),
) -> list[GridPage]:
    """Draw up one grid per bake and grate, large ones in parts."""
    sizes = study.grates.set_index(["pit", "grate"])
    many_lots = "lot" in items and items["lot"].nunique() > 1
    pages: list[GridPage] = []
    for bake, head in heads.items():
        own = items[items["bake"] == bake]
        pit = own["pit"].iloc[0]
        grates = [g for p, g in sizes.index if p == pit]
        for grate in sorted(grates, key=lambda g: _level(sizes, pit, g)):
            there = own[own["grate"] == grate]
            if there.empty:
                continue
            size = sizes.loc[(pit, grate)]
            title = f"grate {grate}"
            pages += _grate_pages(
                head,
                title if len(grates) > 1 else "",
                _cells(there, many_lots=many_lots),
                (int(size["rows"]), int(size["columns"])),
                mirror=pit in mirrored,
            )
    return pages


def _level(sizes: pd.DataFrame, pit: str, grate: str) -> float:
    level = _plain(sizes["level"][pit, grate])
    return float(level) if level else math.inf


def _cells(items: pd.DataFrame, *, many_lots: bool) -> dict[tuple[int, int], GridCell]:
    lots = items["lot"] if many_lots else [""] * len(items)
    place = zip(items["row"], items["column"], strict=True)
    what = zip(items["code"], items["load_rank"], lots, strict=True)
    return {
        (int(row), int(column)): GridCell(
            code=str(code), rank=_plain(rank), lot=_plain(lot)
        )
        for (row, column), (code, rank, lot) in zip(place, what, strict=True)
    }


def _grate_pages(
    head: Bake,
    grate: str,
    cells: dict[tuple[int, int], GridCell],
    size: tuple[int, int],
    *,
    mirror: bool,
) -> Iterable[GridPage]:
    row_parts = _parts(size[0], _GRID_ROOM[1], _LEAST_CELL[1])
    column_parts = _parts(size[1], _GRID_ROOM[0], _LEAST_CELL[0])
    empty = GridCell(code="", rank="", lot="")
    for rows in row_parts:
        for columns in column_parts:
            shown = columns[::-1] if mirror else columns
            first, last = "FIREBOX END", "FAR END"
            if len(column_parts) > 1:  # only the outer parts touch the ends
                first = first if columns[0] == 1 else f"toward column {columns[0] - 1}"
                more = columns[-1] < size[1]
                last = f"toward column {columns[-1] + 1}" if more else last
            width = min(_GRID_ROOM[0] / len(columns), _LARGEST_CELL[0])
            height = min(_GRID_ROOM[1] / len(rows), _LARGEST_CELL[1])
            whole = len(row_parts) * len(column_parts) == 1
            yield GridPage(
                bake=head,
                grate=grate,
                part=""
                if whole
                else f"rows {rows[0]} to {rows[-1]}, columns {columns[0]} to "
                f"{columns[-1]} of a grate of {size[0]} rows and {size[1]} columns",
                columns=shown,
                rows=[
                    (row, [cells.get((row, column), empty) for column in shown])
                    for row in reversed(rows)  # the door side is nearest the reader
                ],
                first_side=last if mirror else first,
                last_side=first if mirror else last,
                door_side="DOOR SIDE" if rows[0] == 1 else f"toward row {rows[0] - 1}",
                cell_width=round(width, 2),
                cell_height=round(height, 2),
                code_size=round(min(width * 0.31, height * 0.36, 8.5), 2),
                n_items=len(cells),
            )


def _parts(count: int, room: float, least: float) -> list[list[int]]:
    """Cut 1..count into equal stretches that fit the page."""
    n_parts = math.ceil(count / math.floor(room / least))
    bounds = [round(k * count / n_parts) for k in range(n_parts + 1)]
    return [list(range(a + 1, b + 1)) for a, b in pairwise(bounds)]


# --- records ------------------------------------------------------------------------


def record_pages(heads: dict[str, Bake], bakes: pd.DataFrame) -> list[RecordPage]:
    """Draw up the record sheet of every bake, from 15 minutes before loading on."""
    minutes = bakes.set_index("bake")["minutes"]
    pages = []
    for name, head in heads.items():
        times = _reading_times(minutes[name])
        height = round(min(12.0, _READINGS_ROOM / len(times)), 2)
        pages.append(RecordPage(bake=head, minutes=times, row_height=height))
    return pages


def _reading_times(minutes: Any) -> list[str]:
    """List minutes from loading at which to read, two more than the bake is to take."""
    length = 25.0 if pd.isna(minutes) else float(minutes)
    before = ["15 before", "10 before", "5 before"]
    room = _LONGEST_TEMPS - len(before)
    counts = {step: math.ceil(length / step) + 3 for step in (5, 10, 15, 20, 30, 60)}
    step = next((s for s, count in counts.items() if count <= room), None)
    if step is None:
        return [*before, "0", *[""] * (room - 1)]
    return [*before, *(str(step * k) for k in range(counts[step]))]


# --- grading ------------------------------------------------------------------------


def scale_of(settings: Settings, faces: Sequence[str]) -> Scale:
    """Say how grades are marked: their numbers, or their names if these are numbers."""
    numbered = any(name.strip().replace(".", "").isdigit() for name in settings.grades)
    marks = tuple(
        name if numbered else str(k) for k, name in enumerate(settings.grades)
    )
    return Scale(
        marks=marks,
        legend=tuple(
            (_short(mark, 12), _short(name, _LONGEST_FACT))
            for mark, name in zip(marks, settings.grades, strict=True)
        ),
        faces=tuple(FACE_NAMES[face] for face in faces),
        circles=len(marks) <= _MOST_CIRCLES and max(map(len, marks)) <= 3,
    )


def _rows_beside(scale: Scale) -> int:
    """Count the codes that fit a page under the legend of the scale."""
    letters = sum(len(mark) + len(name) + 4 for mark, name in scale.legend)
    more_lines = max(0, math.ceil(letters / _LEGEND_LETTERS) - _LEGEND_LINES)
    return max(5, _GRADING_ROWS - math.ceil(more_lines * 0.6))


def grading_codes(items: pd.DataFrame) -> list[str]:
    """Codes of one session in grading order."""
    order = items["grading_order"]
    if order.isna().any() or order.duplicated().any():
        # Codes are random, so their order tells nothing.
        return sorted(items["code"])
    return items.sort_values("grading_order")["code"].tolist()


def grading_pages(items: pd.DataFrame, scale: Scale) -> list[GradingPage]:
    """List the codes of every session in grading order."""
    pages: list[GradingPage] = []
    for session, own in items.groupby("session", sort=False):
        pages += _coded_pages(str(session), grading_codes(own), scale)
    return pages


def regrading_pages(
    items: pd.DataFrame, again: Collection[str], scale: Scale
) -> list[GradingPage]:
    """List the codes to grade a second time, in another order than the first."""
    pages: list[GradingPage] = []
    for session, own in items.groupby("session", sort=False):
        pages += _coded_pages(str(session), sorted({*own["code"]} & {*again}), scale)
    return pages


def _coded_pages(session: str, codes: Sequence[str], scale: Scale) -> list[GradingPage]:
    numbered, n_rows = list(enumerate(codes, start=1)), _rows_beside(scale)
    parts = [numbered[k : k + n_rows] for k in range(0, len(numbered), n_rows)]
    return [
        GradingPage(session=_short(session, 30), number=k, of=len(parts), rows=rows)
        for k, rows in enumerate(parts, start=1)
    ]


_LOOKS = {
    "raw": "white or cream; wet or pasty inside",
    "light": "first color, baked through",
    "golden": "even brown",
    "dark": "deep brown, could still be eaten",
    "burned": "black on more than the stated part of a face",
}


def ladder_pages(settings: Settings) -> list[list[Step]]:
    """Draw up the reference ladder, palest grade first."""
    marks = scale_of(settings, ("top",)).marks
    steps = []
    for code, (mark, name) in enumerate(zip(marks, settings.grades, strict=True)):
        counts = []
        if code <= settings.raw_code:
            counts.append("under-baked")
        if name in settings.target_grades:
            counts.append("good")
        if code >= settings.burned_code:
            counts.append("burned")
        look = _LOOKS.get(name, "")
        steps.append(
            Step(
                mark=_short(mark, 4),
                name=_short(name, _LONGEST_FACT),
                look=look,
                counts_as=" and ".join(counts),
            )
        )
    return [steps[k : k + _LADDER_ROWS] for k in range(0, len(steps), _LADDER_ROWS)]


def key_pages(items: pd.DataFrame) -> list[list[list[dict[str, Any]]]]:
    """List what every code stands for, by code: pages of blocks of rows."""
    columns = ["code", "bake", "pit", "grate", "row", "column"]
    rows = items.sort_values("code")[columns].to_dict("records")
    records = [{str(k): v for k, v in row.items()} for row in rows]
    blocks = [
        records[start : start + _KEY_ROWS]
        for start in range(0, len(records), _KEY_ROWS)
    ]
    return [blocks[k : k + _KEY_BLOCKS] for k in range(0, len(blocks), _KEY_BLOCKS)]
