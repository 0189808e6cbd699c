"""A finished notebook becomes a first page and chapters that can be closed."""

from __future__ import annotations

import re
from itertools import takewhile
from typing import Any

_HEADING = re.compile(r"## (.+?)\s*(?:\n|$)")


def chapter_title(cell: Any) -> str:
    """Heading of a Markdown cell that begins a chapter; empty for any other cell."""
    if cell.cell_type != "markdown" or "page-hidden" in cell.metadata.get("tags", []):
        return ""
    match = _HEADING.match(cell.source)
    return match[1] if match else ""


def anchor(title: str) -> str:
    """Name of a chapter in links.

    Examples
    --------
    >>> anchor("Which pit burns more?")
    'chapter-which-pit-burns-more'
    """
    return "chapter-" + re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")


def first_page_cells(cells: list[Any]) -> list[Any]:
    """Cells before the first chapter."""
    return list(takewhile(lambda cell: not chapter_title(cell), cells))


def with_chapters(notebook: Any) -> Any:
    """Mark the cells that begin a chapter, and leave out chapters that show nothing.

    The template opens and closes chapters where a cell says so.
    """
    groups: list[list[Any]] = [[]]
    for cell in notebook.cells:
        if chapter_title(cell):
            groups.append([])
        groups[-1].append(cell)
    chapters = [own for own in groups[1:] if any(c.get("outputs") for c in own)]
    shown = notebook.copy()
    shown.cells = groups[0] + [_marked(own) for chapter in chapters for own in chapter]
    return shown


def _marked(cell: Any) -> Any:
    title = chapter_title(cell)
    if not title:
        return cell
    marked = cell.copy()
    marked.metadata = cell.metadata | {"chapter": {"title": title, "id": anchor(title)}}
    marked.source = cell.source.partition("\n")[2]
    return marked
