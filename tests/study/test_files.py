from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from pitstats.errors import ExistsError, InvalidStudyError, WriteError
from pitstats.study import (
    Settings,
    Study,
    check_study,
    read_study,
    start_study,
    write_study,
)
from pitstats.study.demo import demo_names, demo_study, simulate_demo
from pitstats.study.schema import SETTINGS, TABLES

AWKWARD = [
    "=1+1",
    "+1",
    "-x",
    "@SUM(A1)",
    "#N/A",
    "#REF!",
    "NA",
    "nan",
    "None",
    "1e5",
    "TRUE",
    "no",
    "007",
    "2026-05-01",
    "3/4",
    "1,5",
    'say "hi", twice',
    "two\nlines",
    "semi;colon\ttab",
    "ßø≥ 🍪 漢字",
    "'quoted",
    "_x0041_",
    "_x000D_",
    "<b>&amp;</b>",
    "sep=;",
    "[1, 2]",
    "\\n",
    '"',
]


@pytest.fixture(params=["folder", "book.xlsx"])
def target(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return tmp_path / request.param


def as_files(study: Study, folder: Path) -> Path:
    write_study(study, folder)
    return folder


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8", newline="")


# --- round trips --------------------------------------------------------------------


def test_round_trip(study: Study, target: Path) -> None:
    write_study(study, target)
    again = read_study(target)
    assert again == study
    assert check_study(target) == []


def test_awkward_text_comes_back_the_same(settings: Settings, target: Path) -> None:
    pits = pd.DataFrame({"pit": AWKWARD, "label": AWKWARD, "own, column": AWKWARD})
    bakes = pd.DataFrame(
        {"bake": AWKWARD, "pit": AWKWARD, "wind": AWKWARD[::-1], "=own": AWKWARD}
    )
    items = pd.DataFrame({"bake": AWKWARD, "missing": AWKWARD, "code": AWKWARD})
    settings = dataclasses.replace(
        settings,
        title='=cmd|"x"!A1',
        question="a\nb, 'c'\\",
        extra={text: text for text in AWKWARD if "\n" not in text}
        | {"list": [1, "2", {"three": 3.5}], "flag": True, "table": {"a": {"b": 1}}},
    )
    study = Study(settings=settings, pits=pits, bakes=bakes, items=items)
    write_study(study, target)
    again = read_study(target)
    assert again.settings == study.settings
    assert again == study
    assert again.pits["pit"].tolist() == AWKWARD
    assert again.bakes["=own"].tolist() == AWKWARD


def test_grade_names_with_commas_come_back(settings: Settings, target: Path) -> None:
    grades = ("pale; raw", "golden, even", "[black]")
    settings = dataclasses.replace(
        settings,
        grades=grades,
        raw_to=grades[0],
        burned_from=grades[2],
        target_grades=(grades[1],),
    )
    study = Study(
        settings=settings,
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": ["1"], "pit": ["A"]}),
        items=pd.DataFrame({"bake": ["1"], "grade_top": ["golden, even"]}),
    )
    write_study(study, target)
    assert read_study(target) == study


def test_no_cell_of_the_workbook_is_a_formula(
    settings: Settings, tmp_path: Path
) -> None:
    study = Study(
        settings=dataclasses.replace(settings, title="=1+1"),
        pits=pd.DataFrame({"pit": AWKWARD, "=own": AWKWARD}),
        bakes=pd.DataFrame({"bake": ["-1"], "pit": ["=1+1"], "status": ["planned"]}),
    )
    write_study(study, tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    kinds = {
        cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row
    }
    assert kinds <= {"s", "n"}
    assert book["pits"]["A2"].value == "=1+1"
    assert book["pits"]["A2"].number_format == "@"


def test_files_are_plain_csv_and_toml(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    assert sorted(os.listdir(folder)) == [
        ".study-made-by-pitstats.json",
        "bakes.csv", "counts.csv", "grates.csv", "items.csv", "pits.csv",
        "probe_checks.csv", "probes.csv", "regrades.csv", "study.toml",
    ]  # fmt: skip
    data = (folder / "pits.csv").read_bytes()
    assert data.startswith(b"pit,label,flow,has_damper,has_intake,notes\r\n")
    assert b'"two lines:\nsecond"' in data
    frame = pd.read_csv(folder / "bakes.csv")
    assert frame["grate_temp"].tolist()[:2] == [361.5, 342.25]


def test_the_users_own_columns_are_numbers_only_if_all_are(
    settings: Settings, tmp_path: Path
) -> None:
    study = Study(
        settings=settings,
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame(
            {
                "bake": ["1", "2", "3"],
                "pit": "A",
                "status": "planned",
                "number": ["1", "2.50", None],
                "comma": ["1", "2,5", "NA"],
                "code": ["1", "007", "2"],
                "none": [None, None, None],
                "flag": [True, False, None],
            }
        ),
    )
    own = study.bakes[["number", "comma", "code", "none", "flag"]]
    kinds = [str(dtype) for dtype in own.dtypes]
    assert kinds == ["float64", "float64", "str", "str", "str"]
    assert own["comma"].tolist()[:2] == [1.0, 2.5]
    assert any(
        "column comma: a column of your own, decimal" in text
        for text in study.assumptions
    )
    assert own["flag"].tolist()[:2] == ["yes", "no"]
    write_study(study, tmp_path / "s")
    assert read_study(tmp_path / "s") == study


# --- writing ------------------------------------------------------------------------


def test_nothing_is_overwritten_unasked(study: Study, target: Path) -> None:
    write_study(study, target)
    changed = dataclasses.replace(
        study, settings=dataclasses.replace(study.settings, title="Another")
    )
    with pytest.raises(ExistsError):
        write_study(changed, target)
    with pytest.raises(ExistsError):
        start_study(target)
    assert read_study(target) == study
    write_study(changed, target, overwrite=True)
    assert read_study(target) == changed


def test_other_files_of_a_folder_stay_and_old_tables_go(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "photo.jpg").write_bytes(b"x")
    (folder / "pits.csv").rename(folder / "PITS.CSV")
    smaller = dataclasses.replace(study, probes=pd.DataFrame())
    write_study(smaller, folder, overwrite=True)
    assert read_study(folder) == smaller
    assert (folder / "photo.jpg").read_bytes() == b"x"
    assert not (folder / "probes.csv").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


def test_an_empty_folder_may_be_filled_and_parents_are_made(
    study: Study, tmp_path: Path
) -> None:
    (tmp_path / "empty").mkdir()
    write_study(study, tmp_path / "empty")
    write_study(study, tmp_path / "a" / "b" / "c")
    write_study(study, tmp_path / "d" / "e.xlsx")
    for path in ("empty", "a/b/c", "d/e.xlsx"):
        assert read_study(tmp_path / path) == study


def test_a_file_in_the_way_is_not_replaced_by_a_folder(
    study: Study, tmp_path: Path
) -> None:
    (tmp_path / "s").write_text("mine")
    (tmp_path / "t.xlsx").mkdir()
    for path in ("s", "t.xlsx"):
        with pytest.raises(ExistsError):
            write_study(study, tmp_path / path, overwrite=True)
    assert (tmp_path / "s").read_text() == "mine"
    with pytest.raises(WriteError):
        write_study(study, tmp_path / "s" / "inside")


def test_a_failure_half_way_leaves_everything_as_it_was(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = as_files(study, tmp_path / "s")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    smaller = dataclasses.replace(study, probes=pd.DataFrame())
    replace, calls = os.replace, []

    def failing(source: str, destination: str) -> None:
        calls.append(source)
        if len(calls) == 11:  # eight moved out, two moved in, then the disk is full
            raise OSError(28, "No space left on device")
        replace(source, destination)

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(WriteError, match="No space left"):
        write_study(smaller, folder, overwrite=True)
    monkeypatch.undo()
    assert len(calls) > 11
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["s"]


def test_a_workbook_that_fails_leaves_the_old_one(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_study(study, tmp_path / "s.xlsx")
    before = (tmp_path / "s.xlsx").read_bytes()

    def failing(source: str, destination: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(WriteError):
        write_study(study, tmp_path / "s.xlsx", overwrite=True)
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["s.xlsx"]
    assert (tmp_path / "s.xlsx").read_bytes() == before


@pytest.mark.parametrize("name", ["s.csv", "s.xls", "s.ods", "s.xlsm"])
def test_other_kinds_of_files_are_not_written(
    study: Study, tmp_path: Path, name: str
) -> None:
    with pytest.raises(WriteError, match="a study is a folder, or a workbook"):
        write_study(study, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_blank_study_names_everything_and_asks_for_what_is_needed(
    target: Path,
) -> None:
    start_study(target)
    places = [(p.table, p.column) for p in check_study(target)]
    assert places == [
        ("study", "title"),
        ("study", "question"),
        ("study", "temperature_rule"),
        ("pits", None),
        ("bakes", None),
    ]


def test_a_blank_folder_holds_all_keys_and_headers(tmp_path: Path) -> None:
    start_study(tmp_path / "s")
    settings = (tmp_path / "s" / "study.toml").read_text(encoding="utf-8")
    for key in (setting.key for setting in SETTINGS):
        assert f"\n{key} = " in settings or f"\n# {key} = " in "\n" + settings
    for table in TABLES:
        header = (tmp_path / "s" / f"{table.name}.csv").read_text(encoding="utf-8")
        assert header.strip() == ",".join(table.column_names)


def test_a_blank_folder_becomes_a_study_by_filling_it_in(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    start_study(folder)
    edit(folder / "study.toml", 'title = ""', 'title = "Mine"')
    edit(folder / "study.toml", 'question = ""', 'question = "Which?"')
    edit(folder / "study.toml", 'rule = ""', 'rule = "tuned"')
    edit(folder / "study.toml", "# margin = 0.15", "margin = 0.2")
    for name, row in (("pits", "A"), ("bakes", "1,A"), ("counts", "1,12,3")):
        with (folder / f"{name}.csv").open("a") as file:
            file.write(row + "\n")
    study = read_study(folder)
    assert study.settings.margin == 0.2
    assert study.counts["n_burned"].tolist() == [3]


# --- what real spreadsheets do ------------------------------------------------------


def rewritten(folder: Path, change: Callable[[str], str], encoding: str) -> None:
    for file in folder.glob("*.csv"):
        text = change(file.read_bytes().decode("utf-8"))
        file.write_bytes(text.encode(encoding))


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8-sig", None),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("utf-16-be", "UTF-16"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_encodings(
    study: Study, tmp_path: Path, encoding: str, said: str | None
) -> None:
    pits = study.pits.assign(notes=["Grün & mild, ½", None])
    study = dataclasses.replace(study, pits=pits)
    folder = as_files(study, tmp_path / "s")
    rewritten(folder, lambda text: text, encoding)
    again = read_study(folder)
    assert again == study
    said_here = [text for text in again.assumptions if "encoding" in text]
    assert bool(said_here) == (said is not None)
    assert all(str(said) in text for text in said_here)


@pytest.mark.parametrize(("separator", "word"), [(";", "semicolons"), ("\t", "tabs")])
def test_separators(study: Study, tmp_path: Path, separator: str, word: str) -> None:
    study = dataclasses.replace(
        study, pits=study.pits.assign(label=["plain", "words"], notes=None)
    )
    folder = as_files(study, tmp_path / "s")
    rewritten(folder, lambda text: text.replace(",", separator), "utf-8")
    again = read_study(folder)
    assert again == study
    assert f"items.csv: separated by {word}" in again.assumptions


def test_the_line_in_which_a_spreadsheet_states_its_separator(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "counts.csv").write_text("sep=;\nbake;n_items;n_burned\nA2;6;2\n")
    assert read_study(folder) == study


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_line_ends(study: Study, tmp_path: Path, line_end: str) -> None:
    study = dataclasses.replace(study, pits=study.pits.assign(notes=None))
    folder = as_files(study, tmp_path / "s")
    rewritten(folder, lambda text: text.replace("\r\n", line_end), "utf-8")
    assert read_study(folder) == study


def test_semicolons_with_decimal_commas(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "probes.csv").write_text(
        "bake;probe;row;column;minute;temp\nA1;lid;;;0;350\nA1;p1;1;2;0;340,1\n"
        "A1;p1;1;2;5,5;352,7\n"
    )
    again = read_study(folder)
    assert again == study
    assert any(
        "probes.csv, column temp: decimal commas" in t for t in again.assumptions
    )


def test_spaces_capitals_blank_lines_and_truth_words(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "pits.csv").rename(folder / "Pits.CSV")
    (folder / "Pits.CSV").write_text(
        "\n Pit , LABEL,Flow,Has Damper ,notes\n\n"
        "A, Long pit ,Conventional,TRUE,\n , ,,,\n,,,,\n"
        'B, "=the ""short"" one, as painted",reverse,0,"two lines:\nsecond"\n\n'
    )
    again = read_study(folder)
    assert again == study
    assert any("'Has Damper'" in text for text in again.assumptions)
    assert any("capital letters" in text for text in again.assumptions)


def test_rows_are_counted_as_a_spreadsheet_shows_them(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "pits.csv").write_text(
        'pit,flow,notes\n\nA,reverse,"two\nlines"\n\nB,sideways,\n'
    )
    assert [(p.row, p.column) for p in check_study(folder)] == [(5, "flow")]


def test_ragged_rows(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "counts.csv").write_text("bake,n_items,n_burned,n_raw\nA2,6,2\n")
    again = read_study(folder)
    assert again == study
    assert any("missing at the end of row 2" in text for text in again.assumptions)
    (folder / "counts.csv").write_text("bake,n_items,n_burned\nA2,6,2,,,\n")
    assert read_study(folder) == study
    (folder / "counts.csv").write_text("bake,n_items,n_burned\nA2,6,2,why not\n")
    assert [(p.table, p.row) for p in check_study(folder)] == [("counts", 2)]


def test_headers_that_cannot_be_told_apart(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "counts.csv").write_text("bake,n_items,N_Items,n_burned,\nA2,6,6,2,9\n")
    assert [(p.table, p.row, p.column) for p in check_study(folder)] == [
        ("counts", None, None),
        ("counts", None, "n_items"),
    ]


def test_a_header_that_is_nearly_right_is_pointed_out(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "counts.csv").write_text("bake,n_items,n_burned,nraw\nA2,6,2,1\n")
    again = read_study(folder)
    assert again.counts["nraw"].tolist() == [1.0]
    assert any("rename it if n_raw was meant" in text for text in again.assumptions)


def test_tab_separated_files_with_another_ending(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "counts.csv").unlink()
    (folder / "counts.tsv").write_text("bake\tn_items\tn_burned\nA2\t6\t2\n")
    assert read_study(folder) == study
    (folder / "counts.csv").write_text("bake,n_items,n_burned\nA2,6,2\n")
    assert "several files" in check_study(folder)[0].message


def test_tables_that_do_not_belong_are_named(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "weather.csv").write_text("a,b\n1,2\n")
    assert any("weather.csv" in text for text in read_study(folder).assumptions)
    (folder / "pits.csv").rename(folder / "pit.csv")
    (problem,) = check_study(folder)
    assert "Was 'pit.csv' meant?" in problem.message


def test_settings_as_people_write_them(study: Study, tmp_path: Path) -> None:
    folder = as_files(study, tmp_path / "s")
    curly = "maker\N{RIGHT SINGLE QUOTATION MARK}s setting"
    (folder / "study.toml").write_text(
        'Title = " Two pits on one weekend "\n'
        'question = "Does pit A burn more than pit B?"\n'
        'temperature_unit = "fahrenheit"\nlength_unit = "inches"\n'
        f'temperature_rule = "{curly}"\nstop_rule = "22 minutes"\n'
        'grades = "raw, light, golden, dark, burned"\ntarget_grades = "Golden"\n'
        'margin = "0,15"\nplace = "the yard"\nhelpers = 3\n',
        encoding="utf-8",
    )
    again = read_study(folder)
    expected = dataclasses.replace(study.settings, temperature_rule="maker's setting")
    assert again.settings == expected
    assert "study.toml: 'Title' taken for title" in again.assumptions


# --- workbooks from elsewhere -------------------------------------------------------


def book_of(study: Study, path: Path) -> openpyxl.Workbook:
    write_study(study, path)
    return openpyxl.load_workbook(path)


def test_numbers_and_dates_typed_in_a_spreadsheet(
    settings: Settings, tmp_path: Path
) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = " Study "
    for row in (
        ["title", 2026],
        ["question", "Which?"],
        [None, None],
        ["temperature_rule", "Tuned"],
        ["temperature_unit", "F"],
        ["conf_level", 0.9],
        ["target_grades", "golden, light"],
        ["mine", 5],
    ):
        sheet.append(row)
    pits, bakes = book.create_sheet("PITS"), book.create_sheet("bakes")
    counts = book.create_sheet("counts")
    book.create_sheet("scribbles").append(["x"])
    pits.append(["pit", "has_damper", "label"])
    pits.append([1, True, True])
    bakes.append(["bake", "pit", "session", "blind", "minutes"])
    bakes.append([1.0, 1, pd.Timestamp(2026, 5, 1).to_pydatetime(), False, 22.5])
    counts.append(["bake", "n_items", "n_burned"])
    counts.append([None, None, None])
    counts.append(["1", 12, "3"])
    book.save(tmp_path / "s.xlsx")
    study = read_study(tmp_path / "s.xlsx")
    assert study.settings.title == "2026"
    assert study.settings.conf_level == 0.9
    assert study.settings.target_grades == ("golden", "light")
    assert study.settings.extra == {"mine": 5}
    assert study.pits.iloc[0, :2].tolist() == ["1", "TRUE"]
    assert study.bakes["session"].tolist() == ["2026-05-01"]
    assert study.bakes["bake"].tolist() == ["1"]
    assert any("scribbles" in text for text in study.assumptions)


def test_formulas_and_errors_in_cells(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    book = book_of(study, path)
    book["counts"]["C2"] = "=1+1"
    headers = [cell.value for cell in book["bakes"][1]]
    wrong = book["bakes"].cell(2, headers.index("minutes") + 1)
    wrong.value, wrong.data_type = "#REF!", "e"
    book["study"]["B2"] = "=A1"
    book.save(path)
    found = {(p.table, p.row, p.column): p.message for p in check_study(path)}
    assert "formula without a stored result" in found["counts", 2, "n_burned"]
    assert "'#REF!'" in found["bakes", 2, "minutes"]
    assert "row 2 holds a formula" in found["study", None, "title"]
    assert len(found) == len(check_study(path)) == 3


def test_rows_of_a_workbook_are_counted_as_shown(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    book = book_of(study, path)
    book["pits"].insert_rows(1)
    book["pits"].insert_rows(4)
    book["pits"]["C5"] = "sideways"
    book.save(path)
    assert [(p.table, p.row, p.column) for p in check_study(path)] == [
        ("pits", 5, "flow")
    ]


def test_sheets_that_are_missing(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    book = book_of(study, path)
    for name in ("study", "pits"):
        del book[name]
    book.save(path)
    assert [(p.table, p.row) for p in check_study(path)] == [
        ("study", None),
        ("pits", None),
    ]


# --- never an exception -------------------------------------------------------------

BAD_FILES: dict[str, bytes] = {
    "nothing": b"",
    "blank": b"\n\n \n",
    "zeros": b"\x00" * 50,
    "picture": b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)),
    "zip": b"PK\x03\x04 not a zip",
    "half a surrogate": b"\xff\xfep\x00i\x00t\x00\x00\xd8",
    "no encoding": b"pit\n\x81\x8d\n",
    "open quote": b'pit,label\nA,"Old\nB,New\n',
    "header only": b"pit\n",
    "odd commas": b",,,\n,,,\n",
    "one word": b"hello",
}


@pytest.mark.parametrize("data", BAD_FILES.values(), ids=BAD_FILES.keys())
@pytest.mark.parametrize("name", ["pits.csv", "study.toml", "items.csv"])
def test_bad_files_in_a_folder_are_problems(
    study: Study, tmp_path: Path, name: str, data: bytes
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / name).write_bytes(data)
    found = check_study(folder)
    assert found
    assert name.split(".")[0] in {problem.table for problem in found}
    with pytest.raises(InvalidStudyError):
        read_study(folder)


@pytest.mark.parametrize("data", BAD_FILES.values(), ids=BAD_FILES.keys())
def test_bad_workbooks_are_problems(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "s.xlsx").write_bytes(data)
    (problem,) = check_study(tmp_path / "s.xlsx")
    assert "cannot be read as a workbook" in problem.message


def test_things_that_are_no_study(study: Study, tmp_path: Path) -> None:
    as_files(study, tmp_path / "s")
    (tmp_path / "old.xls").write_bytes(b"x")
    for path, says in (
        ("nowhere", "no folder or workbook of this name"),
        ("old.xls", "neither a folder nor an .xlsx workbook"),
        ("s/pits.csv", "Give the folder"),
        ("bad\x00name", "no folder or workbook of this name"),
    ):
        (problem,) = check_study(tmp_path / path)
        assert says in problem.message
    (tmp_path / "empty").mkdir()
    assert [p.table for p in check_study(tmp_path / "empty")] == [
        "study",
        "pits",
        "bakes",
    ]


@pytest.mark.parametrize("name", ["study.toml", "pits.csv", "probes.csv"])
def test_a_folder_in_place_of_a_file(study: Study, tmp_path: Path, name: str) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / name).unlink()
    (folder / name).mkdir()
    (problem,) = check_study(folder)
    assert "is a folder, not a file" in problem.message


def test_a_file_that_may_not_be_read(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = as_files(study, tmp_path / "s")
    opened = os.open

    def denied(path: Path, *flags: int) -> int:
        if Path(path).name == "bakes.csv":
            raise PermissionError(13, "Permission denied")
        return opened(path, *flags)

    monkeypatch.setattr(os, "open", denied)
    (problem,) = check_study(folder)
    assert problem.table == "bakes"
    assert "Permission denied" in problem.message


def test_broken_settings_still_let_the_tables_be_checked(
    study: Study, tmp_path: Path
) -> None:
    folder = as_files(study, tmp_path / "s")
    (folder / "study.toml").write_text("title = Two pits\n")
    edit(folder / "pits.csv", "reverse", "sideways")
    found = check_study(folder)
    assert [(p.table, p.row, p.column) for p in found] == [
        ("study", None, None),
        ("pits", 3, "flow"),
    ]
    assert "line 1" in found[0].message


def test_what_was_assumed_is_told_with_the_problems(
    study: Study, tmp_path: Path
) -> None:
    write_study(study, tmp_path / "s")
    (tmp_path / "s" / "items.csv").rename(tmp_path / "s" / "item.csv")
    with pytest.raises(InvalidStudyError) as error:
        read_study(tmp_path / "s")
    assert error.value.__notes__ == [
        "Assumed: not read, because the format has no such table: item.csv (rename it "
        "if items was meant)"
    ]


def test_a_sheet_with_nearly_the_name_of_a_table_is_named(
    study: Study, tmp_path: Path
) -> None:
    write_study(study, tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")
    book["regrades"].title = "Regrade"
    book.save(tmp_path / "s.xlsx")
    said = read_study(tmp_path / "s.xlsx").assumptions
    assert any("Regrade (rename it if regrades was meant)" in text for text in said)


def test_photographs_that_cannot_be_shown_are_named(
    study: Study, tmp_path: Path
) -> None:
    from PIL import Image

    names = ["good.png", "gone.jpg", "/far/away.jpg", "also_gone.jpg", "later.jpg"]
    bakes = study.bakes.assign(photo=names)
    bakes.loc[2, "photo"] = "notes.txt"
    folder = tmp_path / "s"
    write_study(dataclasses.replace(study, bakes=bakes), folder)
    Image.new("RGB", (8, 8)).save(folder / "good.png")
    (folder / "notes.txt").write_text("not a picture")
    said = [text for text in read_study(folder).assumptions if "photo" in text]
    # Row 5 is excluded and row 6 planned: their photographs are not shown anyway.
    assert said == [
        "bakes.csv, row 3, column photo: 'gone.jpg' is left out, because there is no "
        "such file in the study's folder",
        "bakes.csv, row 4, column photo: 'notes.txt' is left out, because it is not a "
        "picture that can be read (JPEG, PNG and WebP can)",
    ]


def test_looks_and_an_earlier_spread_come_back_as_written(tmp_path: Path) -> None:
    study = demo_study("four_pits")
    settings = dataclasses.replace(
        study.settings,
        looks_planned=(2, 3),
        looks_taken=(2,),
        looks_written="2026-05-01",
        earlier_sd=0.6,
        earlier_declared="yes",
    )
    for name in ("s", "s.xlsx"):
        write_study(dataclasses.replace(study, settings=settings), tmp_path / name)
        assert read_study(tmp_path / name).settings == settings


def test_a_look_that_no_number_of_bakes_supports_is_refused(tmp_path: Path) -> None:
    write_study(demo_study("four_pits"), tmp_path / "s")
    with (tmp_path / "s" / "study.toml").open("a") as file:
        file.write("\n[looks]\ntaken = [2, 9]\n")
    (problem,) = check_study(tmp_path / "s")
    assert problem.column == "looks_taken"
    assert "after 9 bakes of each pit, but no pit has more than" in problem.message


def test_headers_of_one_name_and_of_none_say_where_they_stand(tmp_path: Path) -> None:
    write_study(demo_study("one_bake_each"), tmp_path / "s")
    file = tmp_path / "s" / "pits.csv"
    first, *rest = file.read_text("utf-8").splitlines()
    file.write_text(
        "\n".join([f"{first},Pit,", *(f"{line},a,stray" for line in rest)]), "utf-8"
    )
    told = {problem.message for problem in check_study(tmp_path / "s")}
    place = len(first.split(",")) + 1
    assert (
        f"columns 1 and {place} both have this name: found 'pit' and 'Pit'. Rename or "
        "delete one of them."
    ) in told
    assert any("the first of them 'stray' in row 2" in message for message in told)


def test_headers_that_are_not_known_are_shown(tmp_path: Path) -> None:
    write_study(demo_study("one_bake_each"), tmp_path / "s")
    (tmp_path / "s" / "items.csv").write_text("bake row column\n1 1 1\n", "utf-8")
    told = [problem.message for problem in check_study(tmp_path / "s")]
    assert any("is known: found 'bake row column'. The first" in text for text in told)


@pytest.mark.parametrize("name", demo_names())
def test_a_shipped_demo_is_what_is_simulated(name: str) -> None:
    assert simulate_demo(name).study == demo_study(name)
