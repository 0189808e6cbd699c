"""The entry workbook: complete, readable again, harmless, and safe in a spreadsheet."""

import io
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest

from pitstats.errors import DesignError, ExistsError, WriteError
from pitstats.planning.layout import randomize_layout
from pitstats.study.files import check_study, read_study, start_study
from pitstats.study.schema import TABLES
from pitstats.study.study import Study
from pitstats.study.workbook import entry_workbook_bytes, write_entry_workbook

#: Names and texts that a spreadsheet would take for formulas, links or dates.
NASTY = ["=1+1", "+2", "-x", "@SUM(A1)", '=HYPERLINK("x","y")', "1/2", "007", "'quote"]
PITS = ["=Oak", "Creek, the 2nd"]


@pytest.fixture(scope="module")
def planned() -> Study:
    layout = randomize_layout(
        pd.DataFrame(
            {
                "pit": [PITS[0], PITS[0], PITS[1]],
                "grate": ["low", "high", "low"],
                "rows": 2,
                "columns": [4, 3, 4],
                "cell_length": 4.0,
                "cell_width": 4.0,
                "level": [1, 2, 1],
            }
        ),
        pits=pd.DataFrame({"pit": PITS, "label": NASTY[:2], "flow": "reverse"}),
        bakes=2,
        lots={"007": 30, "1/2": 30},
        places=["yard", "=wall"],
        planned={"target_temp": 325, "minutes": 20, "plate": NASTY[4]},
        settings={
            "title": NASTY[0],
            "length_unit": "in",
            "temperature_unit": "F",
            "temperature_rule": "same grate",
            "grades": ("raw", "light, very", "golden", "dark", "burned"),
        },
        seed=3,
    )
    return layout.study


@pytest.fixture(scope="module")
def book(planned):
    return openpyxl.load_workbook(io.BytesIO(entry_workbook_bytes(planned)))


def same_study(one: Study, other: Study) -> None:
    """Assert that two studies are equal up to the order of the items."""
    key = ["bake", "grate", "row", "column"]
    for name, frame in one.tables.items():
        there = other.tables[name]
        if name == "items":
            frame, there = (
                f.sort_values(key, ignore_index=True) for f in (frame, there)
            )
        pd.testing.assert_frame_equal(frame, there)
    assert one.settings == other.settings


def test_reads_back_as_the_same_study(planned, tmp_path):
    path = tmp_path / "entry.xlsx"
    write_entry_workbook(planned, path)
    assert check_study(path) == []
    same_study(read_study(path), planned)


def test_every_table_has_a_sheet_with_all_its_columns(book, planned):
    assert book.sheetnames[:2] == ["study", "items"]
    for table in TABLES:
        names = [cell.value for cell in book[table.name][1]]
        assert names == list(planned.tables[table.name].columns)
        assert set(table.column_names) <= set(names)


def test_every_planned_bake_and_cell_is_filled_in(book, planned):
    rows = [[c.value for c in row[:5]] for row in book["items"].iter_rows(min_row=2)]
    expected = planned.items[["bake", "grate", "row", "column", "code"]]
    assert sorted(rows) == sorted(expected.to_numpy().tolist())
    bakes = [row[0].value for row in book["bakes"].iter_rows(min_row=2)]
    assert bakes == planned.bakes["bake"].tolist()
    again = [row[0].value for row in book["regrades"].iter_rows(min_row=2)]
    assert again == planned.regrades["code"].tolist()


def test_items_stand_in_the_order_of_grading(book, planned):
    codes = [row[4].value for row in book["items"].iter_rows(min_row=2)]
    session = planned.items["bake"].map(planned.bakes.set_index("bake")["session"])
    expected = planned.items.assign(session=session).sort_values(
        ["session", "grading_order"]
    )
    assert codes == expected["code"].tolist()


def test_no_cell_is_a_formula(book):
    kinds = {
        cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row
    }
    assert "f" not in kinds
    texts = [cell.value for row in book["study"].iter_rows() for cell in row]
    assert NASTY[0] in texts


def rules_of(book, sheet, name):
    """Data validations of the first data cell of a column."""
    header = [cell.value for cell in book[sheet][1]]
    cell = book[sheet].cell(2, header.index(name) + 1).coordinate
    return [v for v in book[sheet].data_validations.dataValidation if cell in v.sqref]


def words_of(book, rule):
    sheet, area = rule.formula1.split("!")
    return [cell.value for (cell,) in book[sheet][area.replace("$", "")]]


@pytest.mark.parametrize(
    ("sheet", "name", "words", "strict"),
    [
        (
            "items",
            "grade_top",
            ["raw", "light, very", "golden", "dark", "burned", 0, 1, 2, 3, 4],
            True,
        ),
        ("items", "burned", ["yes", "no"], True),
        ("items", "missing", ["fallen", "stuck", "torn", "not graded", "lost"], False),
        ("bakes", "status", ["planned", "kept", "excluded"], True),
        ("bakes", "blind", ["yes", "no"], True),
        ("pits", "flow", ["conventional", "reverse"], True),
    ],
)
def test_drop_downs_hold_the_allowed_words(book, sheet, name, words, strict):
    (rule,) = rules_of(book, sheet, name)
    assert rule.type == "list"
    assert not rule.showDropDown  # in the file format this one hides the arrow
    assert words_of(book, rule) == words
    assert bool(rule.showErrorMessage) is strict


@pytest.mark.parametrize(
    ("sheet", "name", "kind", "formulas"),
    [
        ("bakes", "damper_open", "decimal", ("0", "1")),
        ("items", "row", "whole", ("1", "200")),
        ("bakes", "minutes", "decimal", ("0", None)),
        ("probes", "minute", "decimal", ("-1000000", "1000000")),
    ],
)
def test_numbers_are_kept_in_their_range(book, sheet, name, kind, formulas):
    (rule,) = rules_of(book, sheet, name)
    assert (rule.type, rule.formula1, rule.formula2) == (kind, *formulas)
    assert "Allowed: " in rule.error


def test_every_column_has_a_message_and_its_unit(book):
    for table in TABLES:
        for cell in book[table.name][1]:
            (rule,) = rules_of(book, table.name, cell.value)
            assert rule.showInputMessage
            assert 0 < len(rule.prompt) <= 255
            assert cell.comment.text.startswith(rule.prompt[:40])
    header = {cell.value: cell for cell in book["bakes"][1]}
    assert header["target_temp"].number_format == '@" (°F)"'
    assert "Unit: °F." in header["target_temp"].comment.text
    assert header["minutes"].number_format == '@" (min)"'
    grates = {cell.value: cell for cell in book["grates"][1]}
    assert grates["cell_length"].number_format == '@" (in)"'


def test_headers_are_frozen_with_the_columns_that_name_a_row(book):
    panes = {
        sheet.title: sheet.freeze_panes for sheet in book if sheet.title != "study"
    }
    assert panes["items"] == "F2"
    assert panes["bakes"] == "E2"
    assert all(pane.endswith("2") for pane in panes.values())


def test_numbered_grades_are_not_listed_twice(planned):
    settings = replace(
        planned.settings,
        grades=("1", "2", "3"),
        target_grades=("2",),
        raw_to="1",
        burned_from="3",
    )
    content = entry_workbook_bytes(replace(planned, settings=settings))
    book = openpyxl.load_workbook(io.BytesIO(content))
    (rule,) = rules_of(book, "items", "grade_top")
    assert words_of(book, rule) == ["1", "2", "3"]


def test_never_overwrites_unasked(planned, tmp_path):
    path = tmp_path / "entry.xlsx"
    path.write_text("mine")
    with pytest.raises(ExistsError):
        write_entry_workbook(planned, path)
    assert path.read_text() == "mine"
    write_entry_workbook(planned, path, overwrite=True)
    assert read_study(path).settings == planned.settings
    assert [entry.name for entry in tmp_path.iterdir()] == ["entry.xlsx"]


def test_only_xlsx_names(planned, tmp_path):
    with pytest.raises(WriteError, match=r"ends in \.xlsx"):
        write_entry_workbook(planned, tmp_path / "entry.ods")


def filled(study: Study) -> Study:
    """Return the study after baking: graded by a fixed rule, some items missing."""
    n = np.arange(len(study.items))
    grades = np.array(study.settings.grades, dtype=object)
    lost = n % 7 == 3
    items = study.items.assign(
        grade_top=np.where(lost, None, grades[n % 5]),
        grade_bottom=np.where(lost, None, grades[(n + 1) % 5]),
        rise_mm=np.where(lost, np.nan, 40 + n / 8),
        missing=np.where(lost, np.array(["fallen", NASTY[1]])[n % 2], None),
        grader=np.array(NASTY)[n % len(NASTY)],
    )
    bakes = study.bakes.assign(
        status=["kept", "kept", "kept", "excluded"],
        reason=[None, None, None, NASTY[3]],
        blind=[True, False, True, None],
        indicated_temp=[324.5, 331, 318.25, None],
        openings=[0, 1, 0, 2],
        notes=NASTY[4:8],
    )
    probes = pd.DataFrame(
        {
            "bake": study.bakes["bake"][0],
            "probe": "lid 1",
            "minute": [-1.5, 0, 5],
            "temp": [300, 310.5, 325],
        }
    )
    checks = pd.DataFrame({"probe": "lid 1", "temp": [212.5], "notes": [NASTY[0]]})
    regrades = study.regrades.assign(grade_top=study.settings.grades[2], grader="=one")
    return replace(
        study,
        items=items,
        bakes=bakes,
        probes=probes,
        probe_checks=checks,
        regrades=regrades,
    )


def type_in(path, study: Study) -> None:
    """Type the results of a study into the workbook, cell by cell."""
    book = openpyxl.load_workbook(path)
    keys = {"items": ["code"], "bakes": ["bake"], "regrades": ["code"]}
    for name, key in keys.items():
        sheet = book[name]
        header = [cell.value for cell in sheet[1]]
        known = study.tables[name].set_index(key[0])
        for row in range(2, sheet.max_row + 1):
            code = sheet.cell(row, header.index(key[0]) + 1).value
            if code is None:  # room for more
                continue
            for column in known.columns:
                value = known.at[code, column]
                cell = sheet.cell(row, header.index(column) + 1)
                type_value(cell, value)
    for name in ("probes", "probe_checks"):
        sheet = book[name]
        header = [cell.value for cell in sheet[1]]
        for row, record in enumerate(study.tables[name].to_dict("records"), start=2):
            for column, value in record.items():
                type_value(sheet.cell(row, header.index(column) + 1), value)
    book.save(path)


def type_value(cell, value) -> None:
    if pd.isna(value):
        return
    if isinstance(value, bool | np.bool_):
        value = "yes" if value else "no"
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"


def convert(path, folder, ending):
    """Open a file in LibreOffice and save it in another place or format."""
    subprocess.run(
        [
            shutil.which("soffice"),
            f"-env:UserInstallation=file://{folder / 'profile'}",
            "--headless",
            "--convert-to",
            ending,
            "--outdir",
            str(folder),
            str(path),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    return folder / f"{path.stem}.{ending}"


@pytest.mark.libreoffice
def test_a_spreadsheet_program_keeps_everything(planned, tmp_path):
    original = tmp_path / "entry.xlsx"
    write_entry_workbook(planned, original)
    opened = tmp_path / "opened"
    opened.mkdir()
    saved = convert(original, opened, "xlsx")
    same_study(read_study(saved), planned)  # opened and saved, nothing typed

    book = openpyxl.load_workbook(saved)
    kinds = {
        cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row
    }
    assert "f" not in kinds
    (rule,) = rules_of(book, "items", "grade_top")
    assert rule.type == "list"
    header = {cell.value: cell for cell in book["bakes"][1]}
    assert "Unit: °F." in header["target_temp"].comment.text

    done = filled(planned)
    type_in(saved, done)
    there = convert(saved, opened, "ods")  # LibreOffice's own format, and back
    back = tmp_path / "back"
    back.mkdir()
    same_study(read_study(convert(there, back, "xlsx")), done)


def looks(sheet) -> dict[str, object]:
    """What helps typing in one sheet, but for how far down it reaches.

    The lot of each item is a column of the plan's own.
    """
    names = [cell.value for cell in sheet[1]]
    if sheet.title == "items" and "lot" in names:
        sheet.delete_cols(names.index("lot") + 1)
    rules = {
        str(rule.sqref).split("2:")[0]: (
            rule.type,
            rule.operator,
            rule.formula2,
            rule.prompt,
            rule.error,
        )
        for rule in sheet.data_validations.dataValidation
        if rule.promptTitle != "lot" or sheet.title != "items"
    }
    return {
        "headers": [cell.value for cell in sheet[1]],
        "comments": [cell.comment.text for cell in sheet[1] if cell.comment],
        "rules": rules,
        "frozen": sheet.freeze_panes,
        "widths": [
            sheet.column_dimensions[cell.column_letter].width for cell in sheet[1]
        ],
    }


def test_a_blank_workbook_is_dressed_like_the_entry_workbook(tmp_path) -> None:
    start_study(tmp_path / "blank.xlsx", pits={"Oak": {"main": (2, 3)}}, bakes=2)
    layout = randomize_layout(
        pd.DataFrame({"pit": ["Oak"], "grate": "main", "rows": 2, "columns": 3}),
        bakes=2,
    )
    write_entry_workbook(layout.study, tmp_path / "entry.xlsx")
    blank, entry = (
        openpyxl.load_workbook(tmp_path / name) for name in ("blank.xlsx", "entry.xlsx")
    )
    assert blank.sheetnames == entry.sheetnames
    for title in blank.sheetnames[1:]:
        assert looks(blank[title]) == looks(entry[title]), title
    assert len(looks(blank["items"])["rules"]) == len(looks(blank["items"])["headers"])
    # What a printed record asks for has its column.
    asked = {"date", "recorder", "loading_at", "loaded_at", "unloaded_at", "splits"}
    assert asked <= set(looks(blank["bakes"])["headers"])


@pytest.mark.parametrize("name", ["s", "s.xlsx"])
def test_an_afternoon_that_is_baked_has_a_row_for_every_place(name, tmp_path) -> None:
    pits = {"=Oak": {"main": (2, 3)}, "Mill": {"low": (1, 2), "high": (1, 1)}}
    start_study(tmp_path / name, pits=pits, bakes=2)
    left = check_study(tmp_path / name)
    assert {p.column for p in left if p.table == "study"} == {
        *("title", "question", "temperature_rule")
    }
    assert [p.table for p in left if p.table != "study"] == ["items"]
    if name == "s":
        items = pd.read_csv(tmp_path / name / "items.csv", dtype=str)
        items["grade_top"] = "golden"
        items.to_csv(tmp_path / name / "items.csv", index=False)
        text = (tmp_path / name / "study.toml").read_text("utf-8")
        text = text.replace('title = ""', 'title = "T"').replace(
            'question = ""', 'question = "Q"'
        )
        text = text.replace('rule = ""', 'rule = "tuned"')
        (tmp_path / name / "study.toml").write_text(text, "utf-8")
    else:
        book = openpyxl.load_workbook(tmp_path / name)
        column = [cell.value for cell in book["items"][1]].index("grade_top") + 1
        for row in range(2, 20):
            book["items"].cell(row, column).value = "golden"
        values = {"title": "T", "question": "Q", "temperature_rule": "tuned"}
        for row in book["study"].iter_rows(max_col=2):
            row[1].value = values.get(row[0].value, row[1].value)
        book.save(tmp_path / name)
    study = read_study(tmp_path / name)
    assert study.bakes["bake"].tolist() == ["=Oak-1", "Mill-1", "=Oak-2", "Mill-2"]
    assert study.items.groupby("bake").size().to_dict() == {
        "=Oak-1": 6, "=Oak-2": 6, "Mill-1": 3, "Mill-2": 3,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("pits", "bakes"),
    [({"": {"main": (1, 1)}}, 1), ({"A": {}}, 1), ({"A": {"m": (0, 1)}}, 1),
     ({"A": {"m": (1, 900)}}, 1), ({"A": {"m": (1, 1)}}, 0)],
)  # fmt: skip
def test_an_afternoon_that_cannot_be_is_refused(pits, bakes, tmp_path) -> None:
    with pytest.raises(DesignError):
        start_study(tmp_path / "s", pits=pits, bakes=bakes)
    assert not (tmp_path / "s").exists()
