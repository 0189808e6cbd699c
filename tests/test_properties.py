"""Whatever happens to a study, it is either valid or a list of problems."""

from __future__ import annotations

import io
import random
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from pitstats.errors import InvalidStudyError, Problem
from pitstats.study import (
    Settings,
    Study,
    bake_totals,
    check_study,
    item_outcomes,
    read_study,
    write_study,
)
from pitstats.study.cells import clean, read_text
from pitstats.study.schema import SETTING_NAMES, TABLES

Files = dict[str, bytes]


def kept(examples: int) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


# --- valid studies of every kind come back from disk --------------------------------

SPECIAL = [
    "=1+1", "+x", "-3", "@a", "#N/A", "NA", "nan", "007", "1e5", "TRUE", "no", "1,5",
    "2026-05-01", 'a "b"', "a,b;c\td", "two\nlines", "_x0041_", "sep=,", "[1]", "ß漢🍪",
]  # fmt: skip


def printable(text: str) -> bool:
    return bool(clean(text)) and not read_text(clean(text)).problem


WORDS = (
    st.one_of(
        st.sampled_from(SPECIAL),
        st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=6),
    )
    .filter(printable)
    .map(clean)
)
MAYBE = st.one_of(st.none(), WORDS)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEMPERATURES = st.one_of(st.none(), st.floats(122, 572))
SHARES = st.one_of(st.none(), st.floats(0, 1))
FLAGS = st.sampled_from([True, False, None])
GRADES = st.sampled_from(["raw", "light", "golden", "dark", "burned", None])
EXTRA = st.dictionaries(
    st.text("abcxyz", min_size=1, max_size=4).map("own {}".format),
    st.recursive(
        st.one_of(WORDS, st.integers(-(2**40), 2**40), st.booleans(), NUMBERS),
        lambda inner: st.one_of(
            st.lists(inner, max_size=2), st.dictionaries(WORDS, inner, max_size=2)
        ),
        max_leaves=4,
    ),
    max_size=3,
)


@st.composite
def studies(draw: st.DrawFn) -> Study:
    names = draw(st.lists(WORDS, min_size=2, max_size=3, unique=True))
    n_bakes = draw(st.integers(1, 4))
    bakes = draw(st.lists(WORDS, min_size=n_bakes, max_size=n_bakes, unique=True))

    def column(strategy: st.SearchStrategy[object], size: int) -> pd.Series:
        values = draw(st.lists(strategy, min_size=size, max_size=size))
        return pd.Series(values, dtype=object)

    pits = pd.DataFrame(
        {
            "pit": names,
            "label": column(MAYBE, len(names)),
            "has_intake": column(FLAGS, len(names)),
        }
    )
    bake_table = pd.DataFrame(
        {
            "bake": bakes,
            "pit": column(st.sampled_from(names), n_bakes),
            "session": column(MAYBE, n_bakes),
            "grate_temp": column(TEMPERATURES, n_bakes),
            "damper_open": column(SHARES, n_bakes),
            "blind": column(FLAGS, n_bakes),
            "notes": column(MAYBE, n_bakes),
            "own words": column(MAYBE, n_bakes),
            "own, number": column(st.one_of(st.none(), NUMBERS), n_bakes),
        }
    )
    counted = draw(st.booleans())
    in_items = bakes[1:] if counted else bakes
    items = pd.DataFrame(
        [
            (bake, row + 1, col + 1)
            for bake in in_items
            for row in (0, 1)
            for col in (0, 1)
        ],
        columns=["bake", "row", "column"],
    )
    items["grade_top"] = column(GRADES, len(items))
    items["grade_side"] = column(GRADES, len(items))
    items["code"] = [f"{k:03d}" for k in range(len(items))]
    items["missing"] = column(MAYBE, len(items))
    counts = pd.DataFrame({"bake": bakes[:1], "n_items": [9], "n_burned": [3]})
    return Study(
        settings=Settings(
            title=draw(WORDS),
            question=draw(WORDS),
            temperature_rule="tuned",
            temperature_unit="F",
            stop_rule=draw(st.one_of(st.just(""), WORDS)),
            extra=draw(EXTRA),
        ),
        pits=pits,
        bakes=bake_table,
        items=items,
        counts=counts if counted else pd.DataFrame(),
    )


@kept(40)
@given(studies(), st.booleans())
def test_round_trip(study: Study, workbook: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("s.xlsx" if workbook else "s")
        write_study(study, path)
        assert check_study(path) == []
        assert read_study(path) == study


# --- corrupted studies --------------------------------------------------------------

JUNK = st.one_of(
    st.sampled_from(
        [
            "",
            " ",
            "NA",
            "?",
            "yes",
            "1",
            "-1",
            "0",
            "3.7",
            "1,5",
            "1,500",
            "1e400",
            "nan",
            "inf",
            "350F",
            "A",
            "main",
            "golden",
            "burned",
            "9" * 30,
            "=1+1",
            "\x00",
            "\x07",
            '"',
            "é",
            "x" * 40_000,
            "excluded",
            "planned",
            "TRUE",
            "2026-01-01",
            "\n",
            ";",
            "\u2028",
            "\ufeff",
            "٣",
            "½",
        ]
    ),
    st.text(max_size=5),
    st.integers(-(10**20), 10**20).map(str),
    st.floats().map(str),
)


@cache
def whole_files() -> tuple[tuple[str, bytes], ...]:
    """Return the small study as the files of a folder, and as a workbook."""
    study = Study(
        settings=Settings(
            title="Two pits",
            question="Which?",
            temperature_rule="tuned",
            temperature_unit="F",
            length_unit="in",
        ),
        pits=pd.DataFrame({"pit": ["A", "B"], "has_damper": ["yes", "no"]}),
        grates=pd.DataFrame(
            {"pit": ["A", "B"], "rows": 2, "columns": 2, "cell_length": 4.5}
        ),
        bakes=pd.DataFrame(
            {
                "bake": ["1", "2", "3", "4"],
                "pit": ["A", "B", "A", "B"],
                "session": ["x", "x", "y", "y"],
                "target_temp": 350,
                "damper_open": [0.5, None, 1, None],
                "status": ["kept", "kept", "kept", "excluded"],
                "reason": [None, None, None, "rain"],
                "own": [1, 2, 3, 4],
            }
        ),
        items=pd.DataFrame(
            {
                "bake": ["1", "1", "1", "2", "2"],
                "row": [1, 1, 2, 1, 2],
                "column": [1, 2, 1, 1, 2],
                "code": ["101", "102", "103", "104", "105"],
                "grade_top": ["golden", "burned", None, "raw", "dark"],
                "burned": [False, True, None, False, False],
                "missing": [None, None, "torn", None, None],
            }
        ),
        counts=pd.DataFrame({"bake": ["3"], "n_items": [4], "n_burned": [1]}),
        probes=pd.DataFrame(
            {"bake": ["1"], "probe": "lid", "minute": [1.5], "temp": 340}
        ),
        probe_checks=pd.DataFrame(
            {"probe": ["p1"], "temp": [212.5], "reference_temp": [212]}
        ),
        regrades=pd.DataFrame({"code": ["101"], "grade_top": ["dark"]}),
    )
    with tempfile.TemporaryDirectory() as folder:
        write_study(study, Path(folder) / "s")
        write_study(study, Path(folder) / "s.xlsx")
        files = {f.name: f.read_bytes() for f in (Path(folder) / "s").iterdir()}
        files["s.xlsx"] = (Path(folder) / "s.xlsx").read_bytes()
    return tuple(sorted(files.items()))


CSV_NAMES = [f"{table.name}.csv" for table in TABLES]
Change = Callable[[Files], None]


def grid(data: bytes) -> list[list[str]]:
    text = data.decode("utf-8", "replace")
    return [line.split(",") for line in text.splitlines()]


def from_grid(rows: list[list[str]]) -> bytes:
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "replace")


@st.composite
def cell_changes(draw: st.DrawFn) -> Change:
    """Put junk into some cells, headers among them."""
    name = draw(st.sampled_from(CSV_NAMES))
    places = draw(
        st.lists(
            st.tuples(st.integers(0, 9), st.integers(0, 30), JUNK),
            min_size=1,
            max_size=4,
        )
    )

    def change(files: Files) -> None:
        rows = grid(files.get(name, b"pit"))
        for row, column, junk in places:
            cells = rows[row % len(rows)] if rows else []
            if cells:
                cells[column % len(cells)] = junk
        files[name] = from_grid(rows)

    return change


@st.composite
def shape_changes(draw: st.DrawFn) -> Change:
    """Drop, repeat or shuffle columns and rows, or cut rows short."""
    name = draw(st.sampled_from(CSV_NAMES))
    kind = draw(
        st.sampled_from(["drop", "repeat", "row", "shuffle", "cut", "widen", "rename"])
    )
    which = draw(st.integers(0, 30))
    seed = draw(st.integers(0, 99))

    def change(files: Files) -> None:
        rows = grid(files.get(name, b"pit,label"))
        width = max((len(row) for row in rows), default=1)
        k = which % max(width, 1)
        if kind == "drop":
            rows = [row[:k] + row[k + 1 :] for row in rows]
        elif kind == "repeat":
            rows = [[*row, *row[k : k + 1]] for row in rows]
        elif kind == "row" and rows:
            rows.append(list(rows[which % len(rows)]))
        elif kind == "shuffle":
            random.Random(seed).shuffle(rows)
        elif kind == "cut" and rows:
            rows[which % len(rows)] = rows[which % len(rows)][:k]
        elif kind == "widen" and rows:
            rows[which % len(rows)] += ["", "more"]
        elif rows and rows[0]:
            rows[0][which % len(rows[0])] = rows[0][which % len(rows[0])].upper() + " "
        files[name] = from_grid(rows)

    return change


@st.composite
def file_changes(draw: st.DrawFn) -> Change:
    """Remove, rename, swap, re-encode or re-separate files."""
    names = st.sampled_from([*CSV_NAMES, "study.toml"])
    name, other = draw(names), draw(names)
    kind = draw(
        st.sampled_from(["remove", "upper", "swap", "encode", "separate", "folder"])
    )
    encoding = draw(st.sampled_from(["utf-16", "utf-8-sig", "cp1252", "utf-16-be"]))
    separator = draw(st.sampled_from(";\t|"))

    def change(files: Files) -> None:
        data = files.get(name, b"")
        if kind == "remove":
            files.pop(name, None)
        elif kind == "upper":
            files[name.upper()] = files.pop(name, b"x")
        elif kind == "swap":
            files[name], files[other] = files.get(other, b""), data
        elif kind == "encode":
            files[name] = data.decode("utf-8", "replace").encode(encoding, "replace")
        elif kind == "separate":
            files[name] = data.replace(b",", separator.encode())
        else:
            files.pop(name, None)
            files[f"{name}/inside"] = b"x"

    return change


@st.composite
def byte_changes(draw: st.DrawFn) -> Change:
    """Flip, cut out or insert bytes anywhere."""
    name = draw(st.sampled_from([*CSV_NAMES, "study.toml"]))
    edits = draw(
        st.lists(
            st.tuples(st.integers(0, 2000), st.integers(0, 3), st.binary(max_size=4)),
            min_size=1,
            max_size=5,
        )
    )

    def change(files: Files) -> None:
        data = bytearray(files.get(name, b"x"))
        for place, length, new in edits:
            start = place % (len(data) + 1)
            data[start : start + length] = new
        files[name] = bytes(data)

    return change


@st.composite
def setting_changes(draw: st.DrawFn) -> Change:
    """Give keys of the settings other values of any type."""
    key = draw(st.sampled_from([*SETTING_NAMES, "own"]))
    value = draw(
        st.sampled_from(
            ["1", "-1.5", "nan", "true", "[]", '["a"]', '["a", "a"]', "[1, 2, 3]",
             "{a = 1}", "2026-01-01", '""', '"0,5"', '"golden"', '"raw"', '"worst"',
             '"top"', "[[1], [2]]", '["raw", "golden", "burned"]', "'\\u0007'", "inf",
             '"Raw, Golden, Burned"', '"\\u0001"']
        )
    )  # fmt: skip

    def change(files: Files) -> None:
        text = files.get("study.toml", b"").decode("utf-8", "replace")
        lines = [line for line in text.splitlines() if not line.startswith(f"{key} =")]
        files["study.toml"] = "\n".join([f"{key} = {value}", *lines]).encode()

    return change


def verdict(path: Path) -> None:
    """Hold what every reading must keep, whatever the files hold."""
    problems = check_study(path)
    event("problems" if problems else "valid")
    assert all(isinstance(problem, Problem) for problem in problems)
    assert all(problem.message and "\n" not in str(problem) for problem in problems)
    if problems:
        with pytest.raises(InvalidStudyError) as caught:
            read_study(path)
        assert caught.value.problems == problems
        return
    study = read_study(path)
    totals = bake_totals(study)
    assert (totals["n_burned"] <= totals["n_items"]).all()
    assert (totals["n_items"] + totals["n_missing"] == totals["n_placed"]).all()
    assert len(item_outcomes(study)) <= len(study.items)
    write_study(study, path.parent / "again")
    assert read_study(path.parent / "again") == study


@kept(100)
@given(
    st.lists(
        st.one_of(
            cell_changes(),
            shape_changes(),
            file_changes(),
            byte_changes(),
            setting_changes(),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_a_corrupted_folder_is_valid_or_a_list_of_problems(
    changes: list[Change],
) -> None:
    files = dict(whole_files())
    del files["s.xlsx"]
    for change in changes:
        change(files)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s"
        for name, data in files.items():
            file = path / name
            file.parent.mkdir(parents=True, exist_ok=True)
            if not file.is_dir():
                file.write_bytes(data)
        path.mkdir(exist_ok=True)
        verdict(path)


CELL_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**12), 10**12),
    st.floats(allow_nan=False, allow_infinity=False),
    st.datetimes(min_value=pd.Timestamp(1901, 1, 1).to_pydatetime()),
    st.sampled_from(["=1+1", "#REF!", "golden", "A", "1", "kept", "0,5", "_x0007_"]),
)


@kept(25)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 7), st.integers(1, 6), st.integers(1, 12), CELL_VALUES
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_workbook_with_odd_cells_is_valid_or_a_list_of_problems(
    edits: list[tuple[int, int, int, object]],
) -> None:
    book = openpyxl.load_workbook(io.BytesIO(dict(whole_files())["s.xlsx"]))
    sheets = book.worksheets
    for sheet, row, column, value in edits:
        cell = sheets[sheet % len(sheets)].cell(row, column)
        cell.value = value  # type: ignore[assignment]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.xlsx"
        book.save(path)
        verdict(path)


@kept(40)
@given(
    st.lists(
        st.tuples(st.integers(0, 10**5), st.integers(0, 3), st.binary(max_size=3)),
        min_size=1,
        max_size=6,
    )
)
def test_a_damaged_workbook_is_valid_or_a_list_of_problems(
    edits: list[tuple[int, int, bytes]],
) -> None:
    data = bytearray(dict(whole_files())["s.xlsx"])
    for place, length, new in edits:
        start = place % len(data)
        data[start : start + length] = new
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.xlsx"
        path.write_bytes(bytes(data))
        verdict(path)


ANYTHING = st.one_of(
    JUNK,
    st.none(),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.just(pd.NaT),
    st.just(pd.NA),
    st.lists(st.integers(), max_size=1),
    st.datetimes(),
    st.text(st.characters(), max_size=3),
)


@kept(60)
@given(
    st.dictionaries(
        st.sampled_from([table.name for table in TABLES]),
        st.tuples(st.integers(0, 5), st.lists(ANYTHING, min_size=1, max_size=5)),
        min_size=1,
        max_size=3,
    )
)
def test_frames_of_anything_are_a_study_or_a_list_of_problems(
    changes: dict[str, tuple[int, list[object]]],
) -> None:
    tables = {
        "pits": pd.DataFrame({"pit": ["A", "B"]}),
        "bakes": pd.DataFrame({"bake": ["1", "2"], "pit": ["A", "B"]}),
        "counts": pd.DataFrame({"bake": ["1", "2"], "n_items": 9, "n_burned": 3}),
    }
    for name, (position, values) in changes.items():
        described = next(table for table in TABLES if table.name == name)
        frame = tables.get(name, pd.DataFrame()).astype(object)
        column = described.column_names[position % len(described.columns)]
        cells = pd.Series(values, dtype=object)
        tables[name] = frame.reindex(range(max(len(frame), len(cells)))).assign(
            **{column: cells}
        )
    settings_ = Settings(title="T", question="Q", temperature_rule="tuned")
    try:
        study = Study(settings=settings_, **tables)
    except InvalidStudyError as error:
        problems = error.problems
    else:
        problems = []
        assert Study(settings=study.settings, **study.tables) == study
    event("valid" if not problems else "problems")
    assert all(isinstance(problem, Problem) for problem in problems)
