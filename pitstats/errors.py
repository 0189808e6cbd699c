"""The errors of pitstats: one small family, imported by every layer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any


@dataclass(frozen=True, order=True)
class Problem:
    """One thing to mend in a study, told the way a cook can act on it.

    Parameters
    ----------
    table : str
        Table (file without its ending) in which the problem stands; ``"study"`` is
        the settings file.
    row : int or None
        Row as a spreadsheet counts it: the header is row 1. None when the problem
        concerns the whole table.
    column : str or None
        Column or settings key, or None when it concerns the whole row or table.
    message : str
        What was found, what is allowed and what to do, in one or two sentences.
    file : str, default ""
        What the user has open: ``"items.csv"``, or ``"sheet items"`` of a workbook;
        empty for tables made in memory. Not part of equality, like what follows.
    letter : str, default ""
        Letter of the column in its sheet.
    line : int or None, default None
        Line of ``study.toml``, or row of its sheet, in which a settings key stands.
    """

    table: str
    row: int | None
    column: str | None
    message: str
    file: str = field(default="", compare=False)
    letter: str = field(default="", compare=False)
    line: int | None = field(default=None, compare=False)

    @property
    def place(self) -> str:
        """Where it stands, as the user would look for it."""
        row = self.line if self.row is None else self.row
        return _place(self, [] if row is None else [row])

    def __str__(self) -> str:
        return f"{self.place}: {self.message}"


_LINES_SHOWN = 100
_SHEET = "sheet "


def _place(problem: Problem, rows: list[int]) -> str:
    """Name the file or sheet, the rows or cells, and the column."""
    file, column, letter = problem.file, problem.column, problem.letter
    # In a season the name of the study stands before that of its table.
    settings = problem.table.rpartition(": ")[2] == "study"
    if letter and rows:
        cells = some(f"{letter}{row}" for row in rows)
        named = f" ({column})" if column else ""
        return f"{file}, cell{'s' * (len(rows) > 1)} {cells}{named}"
    where = file or problem.table
    if rows:
        what = "line" if settings and _SHEET not in file else "row"
        comma = "," if file else ""
        where += f"{comma} {what}{'s' * (len(rows) > 1)} {some(map(str, rows))}"
    if column is None:
        return where
    named = f"{letter} ({column})" if letter else column
    return f"{where}, {'key' if settings else 'column'} {named}"


def some(names: Iterable[str], most: int = 3, between: str = ", ") -> str:
    """The first few, and how many more there are."""
    known = list(names)
    more = len(known) - most
    shown = between.join(known[:most])
    return f"{shown} and {more} more" if more > 0 else shown


def grouped(problems: Iterable[Problem]) -> list[str]:
    """One line for each cause: equal problems of several rows are told once."""
    rows: dict[Problem, list[int | None]] = {}
    for problem in problems:
        rows.setdefault(replace(problem, row=None), []).append(problem.row)
    lines = []
    for cause, found in rows.items():
        known = [row for row in found if row is not None]
        if len(known) < 2:
            lines.append(str(replace(cause, row=found[0])))
        else:
            lines.append(f"{_place(cause, known)}: {cause.message}")
    if len(lines) > _LINES_SHOWN:
        rest = len(lines) - _LINES_SHOWN
        lines[_LINES_SHOWN:] = [f"and {rest:,} more; mend these first"]
    return lines


class PitstatsError(Exception):
    """Base of every error that a user of pitstats can cause and can mend."""

    def _render_traceback_(self) -> list[str]:
        """What a notebook shows: the message, and no lines of anybody's code."""
        return [str(self), *getattr(self, "__notes__", ())]


class InvalidStudyError(PitstatsError):
    """A study that cannot be read as it stands; ``problems`` lists all reasons.

    Parameters
    ----------
    problems : iterable of Problem
        Every problem found, first row of trouble first.
    source : str, optional
        What was read, for the first line of the message.
    assumptions : iterable of str, optional
        What was assumed beside them; it often explains what is wrong, such as a file
        not read.
    """

    def __init__(
        self,
        problems: Iterable[Problem],
        source: str = "the study",
        assumptions: Iterable[str] = (),
    ) -> None:
        self.problems: list[Problem] = list(problems)
        self.source = source
        self.assumptions: list[str] = list(assumptions)
        count = len(self.problems)
        noun = "problem" if count == 1 else "problems"
        lines = [f"{count} {noun} in {source}:"]
        lines += [f"  {line}" for line in grouped(self.problems)]
        super().__init__("\n".join(lines))
        for text in self.assumptions:
            self.add_note(f"Assumed: {text}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Come whole out of another process."""
        return type(self), (self.problems, self.source), self.__dict__


class GradeFileError(PitstatsError):
    """Files of grades that cannot be recorded; ``reasons`` lists all of them.

    Parameters
    ----------
    reasons : iterable of str
        One sentence or two each: which file, what was found, what to do.
    """

    def __init__(self, reasons: Iterable[str]) -> None:
        self.reasons: list[str] = list(reasons)
        super().__init__("\n".join(["Nothing was recorded.", *self.reasons]))

    def __reduce__(self) -> tuple[Any, ...]:
        """Come whole out of another process."""
        return type(self), (self.reasons,), self.__dict__


class DesignError(PitstatsError, ValueError):
    """A question that the data or the stated plan cannot answer, and what to change."""


class ArgumentError(DesignError):
    """Something was asked for that lies outside what can be, whatever the data."""


class ExistsError(PitstatsError):
    """Something would have been overwritten; nothing was."""


class RenderError(PitstatsError):
    """A report could not be made; nothing half-made was left behind."""


class RenderUsageError(RenderError):
    """A report was asked for in a way that cannot be: notebook, parameter or type."""


class PackageError(PitstatsError):
    """A package, or a page that carries its data, that cannot be read as one."""


class WriteError(PitstatsError):
    """Something could not be written; nothing half-written was left behind."""


class BusyError(WriteError):
    """Another run is writing the same thing; nothing was written."""


class InterruptedWarning(UserWarning):
    """An earlier run died while it put files in place; they have been put there now."""
