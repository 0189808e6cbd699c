"""The errors of pitstats: one small family, imported by every layer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace


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
    """

    table: str
    row: int | None
    column: str | None
    message: str

    def __str__(self) -> str:
        place = self.table
        if self.row is not None:
            place += f" row {self.row}"
        if self.column is not None:
            kind = "key" if self.table == "study" else "column"
            place += f", {kind} {self.column}"
        return f"{place}: {self.message}"


_ROWS_SHOWN, _LINES_SHOWN = 3, 100


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
            continue
        shown = ", ".join(map(str, known[:_ROWS_SHOWN]))
        more = len(known) - _ROWS_SHOWN
        where = f"rows {shown} and {more} more" if more > 0 else f"rows {shown}"
        lines.append(str(cause).replace(cause.table, f"{cause.table} {where}", 1))
    if len(lines) > _LINES_SHOWN:
        rest = len(lines) - _LINES_SHOWN
        lines[_LINES_SHOWN:] = [f"and {rest:,} more; mend these first"]
    return lines


class PitstatsError(Exception):
    """Base of every error that a user of pitstats can cause and can mend."""


class InvalidStudyError(PitstatsError):
    """A study that cannot be read as it stands; ``problems`` lists all reasons.

    Parameters
    ----------
    problems : iterable of Problem
        Every problem found, first row of trouble first.
    source : str, optional
        What was read, for the first line of the message.
    """

    def __init__(self, problems: Iterable[Problem], source: str = "the study") -> None:
        self.problems: list[Problem] = list(problems)
        self.source = source
        count = len(self.problems)
        noun = "problem" if count == 1 else "problems"
        lines = [f"{count} {noun} in {source}:"]
        lines += [f"  {line}" for line in grouped(self.problems)]
        super().__init__("\n".join(lines))


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


class DesignError(PitstatsError, ValueError):
    """A question that the data or the stated plan cannot answer, and what to change."""


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
