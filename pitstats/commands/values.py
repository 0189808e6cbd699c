"""Values that options take: numbers with commas between, pits with their grates."""

from __future__ import annotations

import re
from typing import Any

import click


# Generic only in newer releases of click than the oldest one that will do.
class Numbers(click.ParamType):  # type: ignore[type-arg]
    """One number or several with commas between, such as 2,3,4."""

    name = "numbers"

    def __init__(self, kind: type[int] | type[float]) -> None:
        self._kind = kind

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[float]:
        """Read the numbers, or say what was found instead."""
        if isinstance(value, list):
            return value
        try:
            return [self._kind(part) for part in str(value).split(",")]
        except ValueError:
            noun = "whole numbers" if self._kind is int else "numbers"
            self.fail(f"{value!r} is not {noun} with commas between.", param, ctx)


class Spreads(click.ParamType):  # type: ignore[type-arg]
    """Spreads with commas between; with colons one for each pit, such as 0.3:1.0."""

    name = "numbers"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[float | tuple[float, ...]]:
        """Read the spreads, or say what was found instead."""
        if isinstance(value, list):
            return value
        try:
            found = [
                tuple(float(number) for number in part.split(":"))
                for part in str(value).split(",")
            ]
        except ValueError:
            self.fail(
                f"{value!r} is not numbers with commas between, such as 0.3,0.6, or "
                "with colons for pits that differ, such as 0.3:1.0.",
                param,
                ctx,
            )
        return [part[0] if len(part) == 1 else part for part in found]


class Share(click.ParamType):  # type: ignore[type-arg]
    """A share such as 0.3, or 30%."""

    name = "share"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the share, or say what was found instead."""
        text = str(value).strip()
        try:
            return float(text[:-1]) / 100 if text.endswith("%") else float(text)
        except ValueError:
            self.fail(f"{value!r} is not a share such as 0.3 or 30%.", param, ctx)


class Looks(click.ParamType):  # type: ignore[type-arg]
    """Bakes of each pit with commas between, or the word every."""

    name = "numbers|every"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[int] | str:
        """Read the looks, or say what was found instead."""
        if isinstance(value, list):
            return value
        if str(value).strip().casefold() == "every":
            return "every"
        try:
            return [int(part) for part in str(value).split(",")]
        except ValueError:
            self.fail(
                f"{value!r} is neither whole numbers with commas between, such as "
                "2,4,6, nor the word every.",
                param,
                ctx,
            )


class PitSize(click.ParamType):  # type: ignore[type-arg]
    """A pit with its grates, such as Quarry=3x6 or Mill=main:4x5+upper:2x5."""

    name = "pit=rowsxcolumns"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, dict[str, tuple[int, int]]]:
        """Read the sizes, or say how to write them."""
        if isinstance(value, tuple):
            return value
        pit, _, sizes = str(value).partition("=")
        grates: dict[str, tuple[int, int]] = {}
        for size in sizes.split("+"):
            name, colon, numbers = size.rpartition(":")
            rows, _, columns = numbers.lower().partition("x")
            if not (pit.strip() and _is_size(rows) and _is_size(columns)):
                self.fail(
                    f"{value!r} is not of the form PIT=ROWSxCOLUMNS, such as "
                    "Quarry=3x6 or Mill=main:4x5+upper:2x5.",
                    param,
                    ctx,
                )
            grates[name.strip() if colon else "main"] = (int(rows), int(columns))
        return pit.strip(), grates


def _is_size(text: str) -> bool:
    """Tell whether a text is a number of rows: 3, but not the superscript of 3."""
    return bool(re.fullmatch(r"\s*[0-9]{1,3}\s*", text))
