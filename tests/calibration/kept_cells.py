"""Run the cells of a grid that are not kept yet; processes may share a grid.

``--cells 0,3,5`` runs these alone and writes them beside the kept result; ``--merge``
takes in whatever such runs have written.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path


def run_cells(
    result: Path,
    cells: Sequence[dict],
    measure: Callable[[dict, int, int], dict],
    *,
    about: str,
    sets: int,
    seed: int,
    arguments: Sequence[str] | None = None,
) -> None:
    """Measure cells by ``measure(cell, sets, seed + number)`` and write after each.

    `result` holds one row a cell, in the order of the grid. `about` is the docstring of
    the command, `arguments` stand for its command line.
    """
    parser = argparse.ArgumentParser(description=about.splitlines()[0])
    parser.add_argument("--sets", type=int, default=sets)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--cells", help="numbers of cells to run, as in 0,3,5")
    which.add_argument("--merge", action="store_true", help="take in shared cells")
    asked = parser.parse_args(arguments)
    parts = sorted(result.parent.glob(f"{result.stem}.cells-*.json"))
    if asked.merge:
        _write(result, cells, [row for file in (result, *parts) for row in _read(file)])
        for part in parts:
            part.unlink()
        return
    path, numbers = result, list(range(len(cells)))
    if asked.cells:
        numbers = [int(number) for number in asked.cells.split(",")]
        path = result.with_name(
            f"{result.stem}.cells-{'-'.join(map(str, numbers))}.json"
        )
    for number in numbers:
        rows = _read(path)
        if _row_of(cells[number], [*_read(result), *rows]) is None:
            found = measure(cells[number], asked.sets, seed + number)
            rows.append({**cells[number], "sets": asked.sets, **found})
            _write(path, cells, rows)
            print(rows[-1], flush=True)


def run_numbered(
    result: Path,
    cells: Sequence[object],
    run: Callable[[object, int], dict],
    summarize: Callable[[list[dict]], dict],
    *,
    about: str,
    seed: int,
) -> None:
    """Run cells that are not kept yet, by their numbers, and sum up once all are."""
    parser = argparse.ArgumentParser(description=about.splitlines()[0])
    parser.add_argument("--cells", default=":")
    parser.add_argument("--out", type=Path, default=result)
    parser.add_argument("--summary", action="store_true")
    asked = parser.parse_args()
    kept = json.loads(asked.out.read_text()) if asked.out.exists() else {}
    found = kept.get("cells", {})
    first, last = asked.cells.split(":")
    numbered = list(enumerate(cells))[int(first or 0) : int(last or 99)]
    for number, cell in [] if asked.summary else numbered:
        if str(number) not in found:
            found[str(number)] = run(cell, seed + 1000 * number)
            print(number, json.dumps(found[str(number)]), flush=True)
            asked.out.write_text(json.dumps({"cells": found}, indent=1) + "\n")
    if len(found) == len(cells):
        kept = {"cells": found, "summary": summarize(list(found.values()))}
        asked.out.write_text(json.dumps(kept, indent=1) + "\n")
        print(json.dumps(kept["summary"], indent=1))


def _read(path: Path) -> list[dict]:
    return json.loads(path.read_text("utf-8")) if path.exists() else []


def _row_of(cell: dict, rows: list[dict]) -> dict | None:
    cell = json.loads(json.dumps(cell))  # tuples are lists in a kept result
    return next((row for row in rows if cell.items() <= row.items()), None)


def _write(path: Path, cells: Sequence[dict], rows: list[dict]) -> None:
    """Rows in the order of the grid, whole or not at all."""
    rows = json.loads(json.dumps(rows))
    ordered = [row for cell in cells if (row := _row_of(cell, rows)) is not None]
    new = path.with_name(f"{path.name}.new")
    new.write_text(json.dumps(ordered, indent=1) + "\n", encoding="utf-8")
    os.replace(new, path)
