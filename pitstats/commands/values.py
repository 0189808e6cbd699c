"""Values that options take: numbers with commas between, pits with their grates."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import click


# Generic only in newer releases of click than the oldest one that will do.
class _Typed(click.ParamType):  # type: ignore[type-arg]
    """A value that is read from text, or said to be none of its kind."""

    def __init__(self, name: str, read: Callable[[str], Any], wrong: str) -> None:
        self.name, self._read, self._wrong = name, read, wrong

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """Read the value, or say what was found instead."""
        if not isinstance(value, str):
            return value
        try:
            return self._read(value)
        except ValueError:
            self.fail(f"{value!r} is {self._wrong}", param, ctx)


def _whole_numbers(text: str) -> list[int]:
    return [int(part) for part in text.split(",")]


def _spreads(text: str) -> list[float | tuple[float, ...]]:
    found = [tuple(map(float, part.split(":"))) for part in text.split(",")]
    return [part[0] if len(part) == 1 else part for part in found]


def _share(text: str) -> float:
    text = text.strip()
    return float(text[:-1]) / 100 if text.endswith("%") else float(text)


def _looks(text: str) -> list[int] | str:
    return "every" if text.strip().casefold() == "every" else _whole_numbers(text)


def _pit(text: str) -> tuple[str, dict[str, tuple[int, int]]]:
    pit, _, sizes = text.partition("=")
    grates: dict[str, tuple[int, int]] = {}
    for size in sizes.split("+"):
        name, colon, numbers = size.rpartition(":")
        rows, _, columns = numbers.lower().partition("x")
        if not (pit.strip() and _is_size(rows) and _is_size(columns)):
            raise ValueError(size)
        grates[name.strip() if colon else "main"] = (int(rows), int(columns))
    return pit.strip(), grates


def _is_size(text: str) -> bool:
    """Tell whether a text is a number of rows: 3, but not the superscript of 3."""
    return bool(re.fullmatch(r"\s*[0-9]{1,3}\s*", text))


WHOLE_NUMBERS = _Typed(
    "numbers", _whole_numbers, "not whole numbers with commas between."
)
SPREADS = _Typed(
    "numbers",
    _spreads,
    "not numbers with commas between, such as 0.3,0.6, or with colons for pits that "
    "differ, such as 0.3:1.0.",
)
SHARE = _Typed("share", _share, "not a share such as 0.3 or 30%.")
level_option = click.option(
    "--conf-level",
    type=SHARE,
    help="Level of all intervals, 0-1; that of the study, or 0.95, if not given.",
)
PIT_SIZE = _Typed(
    "pit=rowsxcolumns",
    _pit,
    "not of the form PIT=ROWSxCOLUMNS, such as Quarry=3x6 or Mill=main:4x5+upper:2x5.",
)
_LOOKS = _Typed(
    "numbers|every",
    _looks,
    "neither whole numbers with commas between, such as 2,4,6, nor the word every.",
)

looks_option = click.option(
    "--looks",
    type=_LOOKS,
    help="Bakes of each pit after which to look and maybe stop: 2,4,6, or every.",
)
margin_option = click.option(
    "--margin", type=SHARE, help="Difference that changes no advice, 0-1."
)
