"""A table of one's own, with its own headers, becomes a study by a small mapping."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.errors import DesignError, InvalidStudyError, Problem
from pitstats.study.cells import listing, quote, read_number, texts
from pitstats.study.checks import check_tables
from pitstats.study.columns import suggestion
from pitstats.study.csv_text import below_title, read_csv
from pitstats.study.form import Form
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import UnreadableError, raw_table
from pitstats.study.reading import file_bytes
from pitstats.study.schema import BY_NAME, GRADE_COLUMNS, Column, Table
from pitstats.study.settings_checks import read_settings
from pitstats.study.study import FIRST_ROW, Study
from pitstats.study.workbook_files import read_first_sheet

_JOIN = " / "
#: Where a mapped column goes if the mapping does not say: the first that has it.
_TARGETS = ("bakes", "counts", "items", "pits")


@dataclass(frozen=True)
class _Source:
    """The user's table as text, indexed by spreadsheet row, and its name."""

    frame: pd.DataFrame
    name: str
    form: Form


def study_from_table(
    source: pd.DataFrame | str | os.PathLike[str],
    columns: Mapping[str, str | Sequence[str]],
    *,
    title: str,
    question: str,
    temperature_rule: str,
    where: Mapping[str, Any] | None = None,
    keep: Iterable[str] = (),
    settings: Mapping[str, Any] | None = None,
) -> Study:
    """Make a study of a table with headers of its own.

    Parameters
    ----------
    source : DataFrame or path
        The table, or a CSV file or workbook (its first sheet) that holds it. One row is
        one bake if ``n_items`` and ``n_burned`` are mapped, else one item.
    columns : mapping of str to str or list of str
        For columns of a study, the headers of the table that hold them. ``pit`` is
        needed, and either ``n_items`` and ``n_burned``, or ``bake`` and one of
        ``burned``, ``grade_top``, ``grade_bottom`` and ``grade_side``. Several headers
        are joined to one name, as in ``{"bake": ["temp", "rep"]}``. Without ``bake``
        each row of totals is a bake of its own. Any other column of pits, bakes, items
        or counts may be mapped too; ``"items.minutes"`` says which table is meant where
        two have the column.
    title, question, temperature_rule : str
        As in the settings of a study.
    where : mapping, optional
        Keeps the rows in which each header has the value (or one of the values) given,
        as in ``{"conc": 1}``.
    keep : iterable of str, optional
        Headers to carry along as columns of your own: in bakes if they are the same for
        all rows of a bake, else in items.
    settings : mapping, optional
        Further keys of the settings, such as ``{"temperature_unit": "F"}``.

    Returns
    -------
    Study
        Its ``assumptions`` say which rows were left out.

    Raises
    ------
    DesignError
        If the mapping does not fit the table; says what to change.
    InvalidStudyError
        If the table cannot be read or its cells break a rule; rows and headers are
        those of the table.

    Examples
    --------
    >>> import pandas as pd
    >>> trial = pd.DataFrame(
    ...     {"smoker": ["A", "A", "B", "B"], "day": ["Sat", "Sun", "Sat", "Sun"],
    ...      "biscuits": [18, 18, 16, 16], "black": [3, 4, 7, 5]}
    ... )
    >>> study = study_from_table(
    ...     trial,
    ...     {"pit": "smoker", "session": "day", "n_items": "biscuits",
    ...      "n_burned": "black"},
    ...     title="Two pits", question="Which burns more?", temperature_rule="tuned",
    ... )
    >>> study
    Study('Two pits': 2 pits, 4 bakes, 68 items)
    """
    log = ProblemLog()
    mapping = _resolve(columns)
    carried = list(dict.fromkeys(keep))
    headers = _headers(columns, where, carried)
    table = _load(source, headers, log)
    _check_headers(table, headers)
    table = _filtered(table, where or {}, log)
    if ("bakes", "bake") not in mapping:
        log.assume("each row is a bake of its own, numbered from 1", "table")
    tables, places = _tables(table, mapping, carried)
    stated = {
        **(settings or {}),
        "title": title,
        "question": question,
        "temperature_rule": temperature_rule,
    }
    checked = read_settings(stated, log)
    typed = check_tables(tables, checked, log)
    if log.problems:
        problems = [
            _in_source(problem, places, table.form) for problem in log.ordered()
        ]
        raise log.refusal(dict.fromkeys(problems), table.name)
    return Study.from_checked(checked, typed, log.assumptions)


# --- the user's table ---------------------------------------------------------------


def _headers(
    columns: Mapping[str, str | Sequence[str]],
    where: Mapping[str, Any] | None,
    keep: Iterable[str],
) -> list[str]:
    """All headers that the call names."""
    mapped = [header for headers in columns.values() for header in _as_list(headers)]
    return list(dict.fromkeys([*mapped, *(where or {}), *keep]))


def _as_list(headers: str | Sequence[str]) -> list[str]:
    return [headers] if isinstance(headers, str) else list(headers)


def _load(
    source: pd.DataFrame | str | os.PathLike[str],
    headers: list[str],
    log: ProblemLog,
) -> _Source:
    """Take or read the table, as text indexed by spreadsheet row."""
    if isinstance(source, pd.DataFrame):
        frame = source.set_axis([str(name) for name in source.columns], axis="columns")
        frame = frame.reset_index(drop=True)
        frame.index = pd.RangeIndex(FIRST_ROW, FIRST_ROW + len(frame))
        name, form = "the table", Form()
    else:
        path = Path(source)
        name = os.fspath(source)
        try:
            frame, form = _read(path, headers, log)
        except (OSError, UnreadableError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            problem = Problem("table", None, None, f"cannot be read: {reason}")
            raise InvalidStudyError([problem], source=name) from error
        if log.problems:
            found = map(form.placed, log.ordered())
            raise InvalidStudyError(found, source=name)
    twice = frame.columns[frame.columns.duplicated(keep=False)]
    for header in headers:
        if header in twice:
            raise DesignError(
                f"Two columns of {name} are called {quote(header)}. Rename one of them."
            )
    # What nothing names may have any header, or none.
    frame = frame.drop(columns=["", *twice], errors="ignore")
    words = {header: texts(frame[header]) for header in frame.columns}
    return _Source(pd.DataFrame(words, index=frame.index), name, form)


def _read(path: Path, headers: list[str], log: ProblemLog) -> tuple[pd.DataFrame, Form]:
    """Read the table, and where its user finds what is told of it."""
    data = file_bytes(path)
    form = Form("folder", files={"table": path.name})
    columns = tuple(Column(name=h, kind="text", meaning="") for h in headers)
    table = Table(name="table", one_row="", when="", key=(), columns=columns)
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        title, rows = read_first_sheet(data, log)
        frame = raw_table(below_title(table, rows, log))
        form = Form("workbook", files={"table": title})
        form.note_headers("table", (str(name).strip() for name in frame.columns))
    else:
        frame = read_csv(table, data, log, titled=True)
    frame.columns = pd.Index([str(name).strip() for name in frame.columns])
    return frame, form


def _check_headers(table: _Source, headers: list[str]) -> None:
    known = list(table.frame.columns)
    absent = [header for header in headers if header not in known]
    if absent:
        hints = " ".join(
            f"There is no column {quote(header)}. {_joined(header, known)}"
            for header in absent
        )
        raise DesignError(f"The mapping does not fit {table.name}. {hints}")


def _joined(header: str, known: list[str]) -> str:
    """What may have been meant: one column, or several written as one."""
    parts = [part.strip() for part in re.split("[+,;&]", header)]
    if len(parts) > 1 and set(parts) <= set(known):
        named = listing([quote(part) for part in parts], "and")
        return f"To join {named}, name each by itself."
    return suggestion(header, known)


def _filtered(table: _Source, where: Mapping[str, Any], log: ProblemLog) -> _Source:
    """Keep the rows that the filter names, and say how many."""
    frame = table.frame
    for header, wanted in where.items():
        values = wanted if isinstance(wanted, list | tuple | set) else [wanted]
        keys = {_key(text) for text in texts(pd.Series(list(values), dtype=object))}
        kept = frame[[_key(text) in keys for text in frame[header]]]
        said = listing([quote(value) for value in values])
        if kept.empty:
            found = list(dict.fromkeys(frame[header]))
            raise DesignError(
                f"No row of {table.name} has {said} in column {quote(header)}. Found "
                f"there: {', '.join(quote(value) for value in found[:8])}."
            )
        log.assume(
            f"{len(kept)} of {len(frame)} rows used, those with {header} {said}",
            "table",
        )
        frame = kept
    return _Source(frame, table.name, table.form)


def _key(text: str) -> str | float:
    """Compare 1, 1.0 and "1" as the same number, everything else as text."""
    cell = read_number(text)
    return text if cell.problem or cell.note else float(cell.value)


# --- the mapping --------------------------------------------------------------------


def _resolve(
    columns: Mapping[str, str | Sequence[str]],
) -> dict[tuple[str, str], list[str]]:
    """Find the table of each mapped column, and check that the mapping is whole."""
    totals = {"n_items", "n_burned"} & set(columns)
    order = [t for t in _TARGETS if t != ("items" if totals else "counts")]
    mapping: dict[tuple[str, str], list[str]] = {}
    for name, headers in columns.items():
        stated, _, column = name.rpartition(".")
        tables = [stated] if stated else order
        target = next(
            (t for t in tables if t in order and column in BY_NAME[t].column_names),
            None,
        )
        if target is None:
            known = sorted({c for t in order for c in BY_NAME[t].column_names})
            longer = [other for other in known if other.startswith(f"{name}_")]
            meant = (
                f"Was {listing([quote(other) for other in longer])} meant?"
                if longer
                else suggestion(name, known)
            )
            raise DesignError(
                f"The mapping names {quote(name)}, which is no column of a study. "
                f"{meant} To carry a column of your own along, name "
                "it in keep."
            )
        mapping[target, column] = _as_list(headers)
    _check_whole(mapping, totals=bool(totals))
    return mapping


def _check_whole(mapping: dict[tuple[str, str], list[str]], *, totals: bool) -> None:
    columns = {column for _, column in mapping}
    needed = ["pit", "n_items", "n_burned"] if totals else ["pit", "bake"]
    absent = [name for name in needed if name not in columns]
    if not totals and not columns.intersection((*GRADE_COLUMNS, "burned")):
        absent.append("n_items and n_burned (totals) or burned or a grade (items)")
    if absent:
        raise DesignError(
            "The mapping does not say which column holds "
            f"{listing(absent, 'and')}. Add it."
        )


def _names(table: _Source, headers: list[str]) -> pd.Series:
    """Values of one column, or of several joined to one name."""
    if len(headers) == 1:
        return table.frame[headers[0]]
    parts = [table.frame[header] for header in headers]
    names = [_JOIN.join(row) if any(row) else "" for row in zip(*parts, strict=True)]
    return pd.Series(names, index=table.frame.index, dtype=object)


# --- the tables of the study --------------------------------------------------------


def _tables(
    table: _Source, mapping: dict[tuple[str, str], list[str]], keep: list[str]
) -> tuple[dict[str, pd.DataFrame], dict[tuple[str, str], str]]:
    """Spread the table over pits, bakes and items or counts.

    Rows keep the number they have in the table, so that problems can be found there.
    """
    rows = "counts" if ("counts", "n_items") in mapping else "items"
    columns = {place: _names(table, headers) for place, headers in mapping.items()}
    bake = columns.pop(("bakes", "bake"), None)
    if bake is None:
        numbers = [str(k) for k in range(1, len(table.frame) + 1)]
        bake = pd.Series(numbers, index=table.frame.index, dtype=object)
    if rows == "counts":
        _check_one_row_each(table, bake, mapping.get(("bakes", "bake"), []))
    frames = {name: pd.DataFrame(index=table.frame.index) for name in (rows, "bakes")}
    frames[rows]["bake"] = frames["bakes"]["bake"] = bake
    pits = pd.DataFrame({"pit": columns["bakes", "pit"]})
    for (target, column), values in columns.items():
        (pits if target == "pits" else frames[target])[column] = values
    for header in keep:
        values = table.frame[header]
        target = "bakes" if _constant(values, bake) else rows
        _check_free(target, header, frames[target])
        frames[target][header] = values
    frames["bakes"] = _one_row_each(table, frames["bakes"], "bake")
    frames["pits"] = _one_row_each(table, pits, "pit")
    places = {place: _JOIN.join(headers) for place, headers in mapping.items()}
    places |= {(name, header): header for name in frames for header in keep}
    for name, column in (("pits", "pit"), (rows, "bake")):
        if ("bakes", column) in places:
            places.setdefault((name, column), places["bakes", column])
    return frames, places


def _check_one_row_each(table: _Source, bake: pd.Series, headers: list[str]) -> None:
    twice = bake[bake.duplicated(keep=False) & (bake != "")]
    if len(twice):
        name = twice.iloc[0]
        rows = [str(row) for row in twice.index[twice == name]]
        raise DesignError(
            f"Bake {quote(name)} has {len(rows)} rows of {table.name} (rows "
            f"{listing(rows[:6], 'and')}), but totals need one row a bake. Name more "
            f"columns for bake than {listing([quote(h) for h in headers], 'and')}, "
            "such as that of the pit, or leave all but one of these rows out."
        )


def _constant(values: pd.Series, group: pd.Series) -> bool:
    return bool((values.groupby(group).nunique() <= 1).all())


def _check_free(target: str, header: str, frame: pd.DataFrame) -> None:
    name = "_".join(header.casefold().split())
    if name in BY_NAME[target].column_names or header in frame.columns:
        raise DesignError(
            f"{quote(header)} cannot be carried along, because {target} has a column "
            "of that name. Map it, or rename it in your table."
        )


def _one_row_each(table: _Source, frame: pd.DataFrame, key: str) -> pd.DataFrame:
    """Reduce to one row per bake or pit, whose values must agree."""
    named = frame[frame[key] != ""]
    for column in named.columns:
        if column == key or _constant(named[column], named[key]):
            continue
        counts = named.groupby(key)[column].nunique()
        name = counts.index[counts > 1][0]
        rows = named[named[key] == name]
        first = rows.drop_duplicates(column)[column].head(6)
        found = [f"{quote(value)} (row {row})" for row, value in first.items()]
        raise DesignError(
            f"The rows of {key} {quote(name)} in {table.name} differ in {column}: "
            f"{listing(found, 'and')}. Correct one of them, name more columns for "
            f"{key}, or leave {column} out of the mapping."
        )
    return pd.concat([named.drop_duplicates(key), frame[frame[key] == ""]]).sort_index()


def _in_source(
    problem: Problem, places: dict[tuple[str, str], str], form: Form
) -> Problem:
    """Tell a problem by the headers of the user's table."""
    if problem.table == "study":
        return problem
    column = problem.column or ""
    header = places.get((problem.table, column), problem.column)
    return form.placed(Problem("table", problem.row, header, problem.message))
