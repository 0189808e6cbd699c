"""The form in which a user has a study: which file and line, which sheet and cell.

Whoever has a workbook hears of sheets and cells, whoever has a folder of files and
rows; tables made in memory are called by their names.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from pitstats.errors import Problem
from pitstats.study.schema import SETTINGS

_KEY = re.compile(r"\s*(?P<hash>#?)\s*(?P<q>[\"']?)(?P<key>[\w -]+?)(?P=q)\s*=")
_GROUP = re.compile(r"\s*#?\s*\[\s*(?P<group>[\w -]+?)\s*\]\s*(#.*)?")
#: Column of the sheet of settings in which the values stand.
_VALUES = "B"


@dataclass
class Form:
    """Where the tables and settings of one study stand.

    Attributes
    ----------
    kind : {"folder", "workbook", ""}
        "" for a study made in memory.
    files : dict of str to str
        Name of the file, or title of the sheet, of every table that was found.
    letters : dict of (str, str) to str
        Letter of every column of every sheet, by table and column.
    lines : dict of str to int
        Line of ``study.toml``, or row of its sheet, of every key; where a key stands
        in a comment only, the line of that.
    """

    kind: Literal["folder", "workbook", ""] = ""
    files: dict[str, str] = field(default_factory=dict)
    letters: dict[tuple[str, str], str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)

    def file(self, table: str) -> str:
        """Name the file or sheet of a table, as in ``items.csv`` or ``sheet items``."""
        if not self.kind:
            return table
        if self.kind == "workbook":
            return f"sheet {self.files.get(table, table)}"
        ending = ".toml" if table == "study" else ".csv"
        return self.files.get(table, f"{table}{ending}")

    def placed(self, problem: Problem) -> Problem:
        """Give a problem the place where this user finds it."""
        if not self.kind:
            return problem
        table, column = problem.table, problem.column or ""
        line = self.lines.get(column) if table == "study" else None
        letter = self.letters.get((table, column), "")
        if line is not None and self.kind == "workbook":
            letter = _VALUES
        return replace(problem, file=self.file(table), letter=letter, line=line)

    def place(
        self, table: str, row: int | None = None, column: str | None = None
    ) -> str:
        """Name a place, as in ``items.csv, row 14, column grade_top``."""
        return self.placed(Problem(table, row, column, "")).place

    def stated(self, name: str, value: Any = None) -> str:
        """Name a setting, with the value to give it, and where it is stated.

        Examples
        --------
        >>> Form("folder", lines={"margin": 9}).stated("margin")
        'margin in study.toml, line 9'
        >>> Form("workbook", lines={"margin": 9}).stated("margin", 0.1)
        'margin = 0.1 in the sheet study, cell B9'
        >>> Form("folder").stated("looks_taken", [2, 4])
        '[looks] taken = [2, 4] in study.toml'
        >>> Form().stated("margin")
        'margin in the study settings'
        """
        group = next((s for s in SETTINGS if s.name == name and s.group), None)
        key, where = name, "the study settings"
        if self.kind == "workbook":
            where = "the sheet study"
            if name in self.lines:
                where += f", cell {_VALUES}{self.lines[name]}"
            if isinstance(value, Sequence) and not isinstance(value, str):
                value = ", ".join(map(str, value))
        elif group is not None:
            key = f"[{group.group}] {group.key}"
        if self.kind == "folder":
            where = self.file("study")
            if name in self.lines:
                where += f", line {self.lines[name]}"
        return f"{key}{'' if value is None else f' = {value}'} in {where}"

    def note_toml(self, text: str) -> None:
        """Note the line of every key of ``study.toml``."""
        commented: dict[str, int] = {}
        group = ""
        for line, words in enumerate(text.splitlines(), start=1):
            if found := _GROUP.fullmatch(words):
                group = f"{setting_name(found['group'])}_"
            elif found := _KEY.match(words):
                lines = commented if found["hash"] else self.lines
                lines.setdefault(group + setting_name(found["key"]), line)
        self.lines = commented | self.lines

    def note_headers(self, table: str, names: Iterable[str]) -> None:
        """Note the letters of the columns of a sheet; the first of a name counts."""
        for position, name in enumerate(names):
            self.letters.setdefault((table, name), column_letter(position))


def setting_name(key: object) -> str:
    """Key of a setting in the letters that names of settings are made of."""
    return re.sub(r"[\s_-]+", "_", str(key).strip().casefold())


def column_letter(position: int) -> str:
    """Letter of a column as spreadsheets show it, counted from 0.

    Examples
    --------
    >>> column_letter(0), column_letter(27)
    ('A', 'AB')
    """
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
