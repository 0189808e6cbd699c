"""What reading a study turned up: problems to mend and assumptions to know about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pitstats.errors import InvalidStudyError, Problem
from pitstats.study.form import Form
from pitstats.study.schema import BY_NAME, SETTING_NAMES, TABLE_NAMES


@dataclass
class ProblemLog:
    """Collects problems and assumptions while a study is read.

    Attributes
    ----------
    problems : list of Problem
        In the order in which they were found; see `ordered`.
    assumptions : list of str
        Each said once.
    lost : set of (str, str)
        Tables and columns that are not there at all. Checks that would only repeat
        the loss in every row leave them alone.
    form : Form
        Where the user finds what is told.
    """

    problems: list[Problem] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    lost: set[tuple[str, str]] = field(default_factory=set)
    form: Form = field(default_factory=Form)
    _noted: set[tuple[str, int | None, str | None]] = field(default_factory=set)

    def problem(
        self,
        message: str,
        table: str,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        """Note a problem and its place, which may be a whole table."""
        row = None if row is None else int(row)
        self.problems.append(Problem(table, row, column, message))
        self._noted.add((table, row, column))

    def knows(self, table: str, row: int | None, column: str) -> bool:
        """Tell whether a problem of this place was noted already."""
        return (table, row, column) in self._noted

    def assume(
        self,
        text: str,
        table: str = "",
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        """Note an assumption, once, with its place if it has one."""
        if table:
            text = f"{self.form.place(table, row, column)}: {text}"
        if text not in self.assumptions:
            self.assumptions.append(text)

    def refusal(self, problems: Iterable[Problem], source: str) -> InvalidStudyError:
        """Make the error that lists problems, and what was assumed beside them."""
        return InvalidStudyError(problems, source, self.assumptions)

    def lose(self, table: str, *columns: str) -> None:
        """Note that columns of a table are not there."""
        self.lost.update((table, column) for column in columns)

    def has(self, table: str, *columns: str) -> bool:
        """Tell whether columns of a table can be relied on."""
        return all((table, column) not in self.lost for column in columns)

    def ordered(self) -> list[Problem]:
        """Return the problems table by table, first row of trouble first."""
        problems = map(self.form.placed, dict.fromkeys(self.problems))
        return sorted(problems, key=_order)


def _order(problem: Problem) -> tuple[int, int, int, str]:
    tables = ("study", *TABLE_NAMES)
    table = tables.index(problem.table) if problem.table in tables else len(tables)
    known: tuple[str, ...] = ()
    if problem.table == "study":
        known = SETTING_NAMES
    elif problem.table in BY_NAME:
        known = BY_NAME[problem.table].column_names
    column = -1 if problem.column is None else len(known)
    if problem.column in known:
        column = known.index(problem.column)
    return table, problem.row or 0, column, problem.message
