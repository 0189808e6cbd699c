"""Numbers with their unit beside them: 350F, 12 min, 50 %."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from pitstats.study.cells import Cell, quote
from pitstats.study.schema import TEMPERATURES, Column
from pitstats.study.settings import Settings

UNITS = "units beside numbers left out"
PERCENT = "per cent read as shares of 1"
_PARTS = re.compile(r"\s*(?P<number>[-+]?[\d.,]+)\s*(?P<unit>[^\d\s].*?)\s*")
_DEGREES = {
    "F": re.compile(r"(?:°|º|deg\.? ?)?\s*f(?:ahrenheit)?", re.IGNORECASE),
    "C": re.compile(r"(?:°|º|deg\.? ?)?\s*c(?:elsius)?", re.IGNORECASE),
}
_LENGTHS = {
    "in": re.compile(r"in|inch|inches|\"|\u2033", re.IGNORECASE),
    "cm": re.compile("cm", re.IGNORECASE),
}
_BY_NAME = {
    "min": re.compile(r"min|mins|minutes?|'|\u2032", re.IGNORECASE),
    "mm": re.compile("mm", re.IGNORECASE),
}


def with_unit(
    column: Column, text: str, read: Callable[[str], Cell], settings: Settings
) -> Cell:
    """Read a cell; a number may have the unit of its column, or %, beside it."""
    cell = read(text)
    if not cell.problem or column.kind not in ("number", "whole"):
        return cell
    found = _PARTS.fullmatch(text)
    if found is None:
        return cell
    number, unit = read(found["number"]), found["unit"].rstrip(".")
    if number.problem:
        return cell
    if unit == "%" and (column.low, column.high) == (0, 1):
        return Cell(value=float(f"{number.value / 100:.15g}"), note=PERCENT)
    allowed, other = _units(column, settings)
    if allowed is not None and allowed.fullmatch(unit):
        return replace(number, note=number.note or UNITS)
    if other is not None and other.fullmatch(unit):
        return Cell(
            problem=(
                f"found {quote(text)}, which is not the unit that the study settings "
                "state."
            )
        )
    return cell


def unit_in(settings: Settings, column: Column) -> str:
    """Unit in which the numbers of a column stand; "" if there is none."""
    if column.unit in TEMPERATURES:
        return f"°{settings.temperature_unit}" if settings.temperature_unit else ""
    return (settings.length_unit or "") if column.unit == "length" else column.unit


def _units(
    column: Column, settings: Settings
) -> tuple[re.Pattern[str] | None, re.Pattern[str] | None]:
    """What the unit of a column may be called, and its rival."""
    if column.unit in TEMPERATURES:
        return _stated(_DEGREES, settings.temperature_unit)
    if column.unit == "length":
        return _stated(_LENGTHS, settings.length_unit)
    if column.name in ("minutes", "minute"):
        return _BY_NAME["min"], None
    return (_BY_NAME["mm"] if column.name.endswith("_mm") else None), None


def _stated(
    units: dict[str, re.Pattern[str]], stated: str | None
) -> tuple[re.Pattern[str] | None, re.Pattern[str] | None]:
    rival = next((name for name in units if name != stated), "")
    if stated is None:
        return None, None
    return units[stated], units[rival]
