"""What the page hands out enters a study whole, once, and unchanged."""

import json
import os
import random
import shutil

import openpyxl
import pytest

from pitstats.errors import (
    BusyError,
    GradeFileError,
    InvalidStudyError,
    WriteError,
)
from pitstats.planning.layout import randomize_layout
from pitstats.study.files import read_study, write_study
from pitstats.study.grade_file import read_grade_file
from pitstats.study.raw import UnreadableError
from pitstats.study.record import record_grades
from pitstats.study.switch import switching
from pitstats.study.workbook import write_entry_workbook
from tests.study.grade_files import content, item, sheet, timed, times, write

HOSTILE = [
    "=1+1",
    "@SUM(A1)\"'; --",
    "two\nlines, and a comma",
    "right to left שלום, half 👩‍🍳",
    "🔥🥐 é é",
    "007",
    "1e5",
    "1.50",
    "NA",
    "-",
    "_x000D_ TRUE",
    "#REF!",
    "<script>alert('x')</script> & ${code}",
]


@pytest.fixture(scope="module")
def plan():
    return randomize_layout(
        {"Oak": (3, 3), "Creek": (3, 3)},
        bakes=2,
        planned={"minutes": 20},
        settings={"title": "T", "question": "Q?"},
        seed=5,
    ).study


@pytest.fixture(scope="module")
def written(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("written")
    write_study(plan, path / "plan")
    write_entry_workbook(plan, path / "plan.xlsx")
    return path


@pytest.fixture(params=["plan", "plan.xlsx"])
def place(request, written, tmp_path):
    copy = shutil.copytree if request.param == "plan" else shutil.copyfile
    return copy(written / request.param, tmp_path / request.param)


@pytest.fixture
def folder(written, tmp_path):
    return shutil.copytree(written / "plan", tmp_path / "plan")


def codes_of(plan, session="1"):
    bakes = plan.bakes.loc[plan.bakes["session"] == session, "bake"]
    own = plan.items[plan.items["bake"].isin(bakes)]
    return own.sort_values("grading_order")["code"].tolist()


def everything(path):
    """Content of every file of a study, to see that nothing changed."""
    files = sorted(path.rglob("*")) if path.is_dir() else [path]
    return {file: (file.read_bytes(), file.stat().st_mtime_ns) for file in files}


def test_a_first_grading_fills_items_and_keeps_the_bakes(plan, place, tmp_path):
    codes = codes_of(plan)
    entries = [item(code, "golden", "dark") for code in codes[:-2]]
    entries.append(item(codes[-2], missing="fallen"))
    entries.append(item(codes[-1], "burned", rise_mm="41,5", photo="IMG 7.jpg"))
    file = write(tmp_path / "ann.json", plan, sheet(entries))
    done = record_grades(place, file)
    assert done.table["first"].tolist() == [18]
    assert [note for note in done.notes if "is now kept" in note]
    study = read_study(place)
    items = study.items.set_index("code")
    assert items.loc[codes[0], ["grade_top", "grade_bottom", "grader"]].tolist() == [
        "golden",
        "dark",
        "Ann",
    ]
    assert items.loc[codes[-2], "missing"] == "fallen"
    assert items.loc[codes[-1], "rise_mm"] == 41.5
    assert items.loc[codes[-1], "photo"] == "IMG 7.jpg"
    bakes = study.bakes.set_index("session")
    assert bakes.loc["1", "status"].tolist() == ["kept", "kept"]
    assert bakes.loc["2", "status"].tolist() == ["planned", "planned"]
    assert bakes.loc["1", "blind"].tolist() == [True, True]
    # All else is as it was planned.
    assert study.settings == read_study(place).settings
    assert study.items["load_rank"].equals(read_study(place).items["load_rank"])
    assert set(study.items["code"]) == set(plan.items["code"])


def test_twice_is_noticed_and_changes_nothing(plan, place, tmp_path):
    entries = [item(code, "golden", "dark") for code in codes_of(plan)]
    file = write(
        tmp_path / "ann.json",
        plan,
        sheet(entries),
        times([timed(1, "2026-05-02T14:00:00+02:00", "2026-05-02T14:21:30+02:00")]),
    )
    record_grades(place, file)
    before = everything(place)
    again = record_grades(place, [file, file])
    assert again.table["same"].tolist() == [18, 1]
    assert again.table[["first", "second", "timed", "changed"]].eq(0).all(axis=None)
    assert everything(place) == before


def test_a_later_state_of_a_sheet_adds_to_it(plan, folder, tmp_path):
    codes = codes_of(plan)
    one = write(tmp_path / "1.json", plan, sheet([item(codes[0], "dark")]))
    two = write(
        tmp_path / "2.json",
        plan,
        sheet([item(codes[0], "dark", "light"), item(codes[1], "raw", "raw")]),
    )
    record_grades(folder, one)
    done = record_grades(folder, two)
    assert done.table[["first", "changed"]].to_numpy().tolist() == [[1, 1]]
    items = read_study(folder).items.set_index("code")
    assert items.loc[codes[0], "grade_bottom"] == "light"
    assert any("16 of 18" in n or "items have no grade yet" in n for n in done.notes)


def test_of_two_states_at_once_the_later_counts_in_any_order(plan, folder, tmp_path):
    code = codes_of(plan)[0]
    old = sheet([item(code, "dark")], changes=1)
    new = sheet([item(code, "burned")], changes=2)
    files = [write(tmp_path / "new.json", plan, new)]
    files.append(write(tmp_path / "old.json", plan, old))
    done = record_grades(folder, files)
    assert any("earlier state" in note for note in done.notes)
    assert read_study(folder).items.set_index("code").loc[code, "grade_top"] == "burned"


def test_another_grader_is_a_second_grading(plan, place, tmp_path):
    codes = codes_of(plan)
    ann = sheet([item(c, "golden", "golden") for c in codes])
    bo = sheet(
        [item(codes[0], "dark", "golden", notes="near the rim"), item(codes[1], "raw")],
        person="Bo",
        sheet="sbo12345",
    )
    done = record_grades(place, write(tmp_path / "f.json", plan, ann, bo))
    assert done.table["second"].tolist() == [0, 2]
    study = read_study(place)
    bo_rows = study.regrades[study.regrades["grader"].eq("Bo")].set_index("code")
    assert bo_rows.loc[codes[0], ["grade_top", "notes"]].tolist() == [
        "dark",
        "near the rim",
    ]
    assert study.items.set_index("code").loc[codes[0], "grade_top"] == "golden"
    # Planned blank rows are filled, not doubled.
    planned = set(plan.regrades["code"])
    assert len(study.regrades) == len(planned | set(codes[:2]))


def test_a_second_grading_never_takes_the_first_place(plan, folder, tmp_path):
    code = codes_of(plan)[0]
    again = sheet([item(code, "dark")], kind="second", sheet="sagain01")
    record_grades(folder, write(tmp_path / "f.json", plan, again))
    study = read_study(folder)
    assert study.items["grade_top"].isna().all()
    assert study.regrades.set_index("code").loc[code, "grade_top"] == "dark"
    assert set(study.bakes["status"]) == {"planned"}


def test_a_contradiction_is_refused_unless_replaced(plan, place, tmp_path):
    code = codes_of(plan)[0]
    one = write(tmp_path / "1.json", plan, sheet([item(code, "dark", "dark")]))
    two = write(tmp_path / "2.json", plan, sheet([item(code, "burned")], changes=9))
    record_grades(place, one)
    before = everything(place)
    with pytest.raises(GradeFileError, match=f"'{code}'.*grade_top 'dark', here 'bur"):
        record_grades(place, two)
    assert everything(place) == before
    done = record_grades(place, two, replace=True)
    assert any("grade_bottom was 'dark' and is now ''" in n for n in done.notes)
    found = read_study(place).items.set_index("code").loc[code]
    assert found["grade_top"] == "burned"
    assert found[["grade_bottom"]].isna().all()


def test_times_give_the_length_of_a_bake(plan, place, tmp_path):
    bakes = [
        timed(1, "2026-05-02T14:00:00+02:00", "2026-05-02T14:21:30+02:00", "windy"),
        timed(2, "2026-05-02T14:05:00+02:00"),
    ]
    done = record_grades(place, write(tmp_path / "f.json", plan, times(bakes)))
    assert done.table["timed"].tolist() == [2]
    assert any("20 minutes were planned, 21.5 were timed" in n for n in done.notes)
    study = read_study(place)
    assert study.bakes["minutes"].tolist() == [21.5, 20, 20, 20]
    assert study.bakes["loaded_at"][1] == "2026-05-02T14:05:00+02:00"
    assert study.bakes["recorder"][0] == "Bo"
    assert study.bakes["notes"][0] == "windy"
    assert set(study.bakes["status"]) == {"planned"}
    other = times(
        [timed(1, "2026-05-02T14:00:09+02:00")], person="Cy", sheet="scy00001"
    )
    with pytest.raises(GradeFileError, match="loaded_at"):
        record_grades(place, write(tmp_path / "g.json", plan, other))


def test_a_grader_who_knew_the_pits_is_not_blind(plan, folder, tmp_path):
    code = codes_of(plan)[0]
    known = sheet([item(code, "dark")], blind=False)
    record_grades(folder, write(tmp_path / "f.json", plan, known))
    study = read_study(folder)
    bake = study.items.set_index("code").loc[code, "bake"]
    assert not study.bakes.set_index("bake").loc[bake, "blind"]


def test_hostile_texts_come_back_unchanged(plan, place, tmp_path):
    codes = dict(zip(codes_of(plan), HOSTILE, strict=False))
    entries = [
        item(c, missing=text, notes=text, photo=text) for c, text in codes.items()
    ]
    sheets = [
        sheet([entry], person=text, sheet=f"s{kind}{k:03d}", kind=kind)
        for k, (entry, text) in enumerate(zip(entries, HOSTILE, strict=True))
        for kind in ("first", "second")
    ]
    record_grades(place, write(tmp_path / "f.json", plan, *sheets))
    study = read_study(place)
    for table in (study.items, study.regrades):
        rows = table.set_index("code")
        for code, text in codes.items():
            found = rows.loc[code, ["missing", "notes", "photo", "grader"]].tolist()
            assert found == [text] * 4


def test_invisible_characters_are_left_out_and_told(plan, place, tmp_path):
    code = codes_of(plan)[0]
    entry = item(code, "dark", notes="\u202ea\u200bb\u202c")
    file = write(tmp_path / "f.json", plan, sheet([entry], person="An\u200bn"))
    done = record_grades(place, file)
    assert any("invisible characters" in note for note in done.notes)
    found = read_study(place).items.set_index("code").loc[code]
    assert found[["notes", "grader"]].tolist() == ["ab", "Ann"]
    assert record_grades(place, file).table["same"].tolist() == [1]


def test_whole_or_not_at_all(plan, place, tmp_path):
    codes = codes_of(plan)
    good = write(tmp_path / "good.json", plan, sheet([item(codes[0], "dark")]))
    bad = sheet(
        [item(codes[1], "dark"), item("999x", "raw"), item("abc")], sheet="sbad0001"
    )
    before = everything(place)
    with pytest.raises(
        GradeFileError, match="no such codes in session 1: '999x', 'abc'"
    ):
        record_grades(place, [good, write(tmp_path / "bad.json", plan, bad)])
    assert everything(place) == before


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"plan": "0" * 16}, "belongs to the plan '0000"),
        ({"version": 2}, "version '2' of the format"),
        ({"version": True}, "version 'True'"),
        ({"format": "grades"}, "not a file that grade.html handed out"),
        ({"weather": "fine"}, "holds 'weather', which this pitstats does not know"),
        ({"sheets": {}}, "sheets is '{}'"),
    ],
)
def test_other_files_are_refused_by_name(plan, folder, tmp_path, changes, message):
    file = write(tmp_path / "f.json", plan, **changes)
    with pytest.raises(GradeFileError, match=message) as caught:
        record_grades(folder, file)
    assert "f.json" in str(caught.value)


@pytest.mark.parametrize(
    ("part", "message"),
    [
        (sheet([item("1", "burnt")]), "graded 'burnt'; grades of this study are raw"),
        (sheet([item("1"), item("1")]), "these codes stand twice"),
        (sheet([item("1", rise_mm="tall")]), "allowed is a number of mm"),
        (sheet([item("1", rise_mm="9000")]), "0 to 500"),
        (sheet([], sheet="../x"), "a sheet '../x'"),
        (sheet([], kind="third"), "of kind 'third'"),
        (times([timed(9)]), "no bake 9 in session 1"),
        (times([timed(1, "noon")]), "has the time 'noon'"),
        (
            times([timed(1, "2026-05-02T14:00:00+02:00", "2026-05-02T13:00:00+02:00")]),
            "ends before it begins",
        ),
    ],
)
def test_what_a_sheet_may_not_hold(plan, folder, tmp_path, part, message):
    code = codes_of(plan)[0]
    text = json.dumps(part).replace('"code": "1"', f'"code": "{code}"')
    before = everything(folder)
    with pytest.raises((GradeFileError, InvalidStudyError), match=message):
        record_grades(folder, write(tmp_path / "f.json", plan, json.loads(text)))
    assert everything(folder) == before


def test_only_what_changed_is_written(plan, folder, tmp_path):
    (folder / "study.toml").write_text(
        "# mine\n" + (folder / "study.toml").read_text(encoding="utf-8"),
        encoding="utf-8",
    )
    table = (folder / "items.csv").read_text(encoding="utf-8")
    rows = [line.split(",") for line in table.splitlines()]
    mine = "\n".join(";".join([*row, "kept as typed  "]) for row in rows)
    (folder / "items.csv").unlink()
    (folder / "Items.txt").write_text(mine, encoding="utf-8")
    (folder / "photo.jpg").write_bytes(b"mine")
    code = codes_of(plan)[0]
    record_grades(folder, write(tmp_path / "f.json", plan, sheet([item(code, "dark")])))
    assert (folder / "study.toml").read_text(encoding="utf-8").startswith("# mine")
    assert (folder / "photo.jpg").read_bytes() == b"mine"
    assert not (folder / "Items.txt").exists()
    found = (folder / "items.csv").read_text(encoding="utf-8")
    assert found.count("kept as typed  ") == len(rows)
    assert read_study(folder).items.set_index("code").loc[code, "grade_top"] == "dark"


def test_an_entry_workbook_keeps_lists_notes_and_own_sheets(plan, tmp_path):
    path = tmp_path / "entry.xlsx"
    write_entry_workbook(plan, path)
    book = openpyxl.load_workbook(path)
    book.create_sheet("mine")["A1"] = "=1+1"
    book.save(path)
    n_rules = len(openpyxl.load_workbook(path)["items"].data_validations.dataValidation)
    code = codes_of(plan)[0]
    record_grades(path, write(tmp_path / "f.json", plan, sheet([item(code, "dark")])))
    book = openpyxl.load_workbook(path)
    assert len(book["items"].data_validations.dataValidation) == n_rules > 0
    assert book["mine"]["A1"].value == "=1+1"
    assert book["items"]["F1"].comment is not None


def test_two_runs_at_once_do_not_lose_each_others_grades(plan, place, tmp_path):
    file = write(tmp_path / "f.json", plan, sheet([item(codes_of(plan)[0], "dark")]))
    before = everything(place)
    with switching(place), pytest.raises(BusyError, match="by another run"):
        record_grades(place, file)
    assert everything(place) == before
    record_grades(place, file)
    assert not list(tmp_path.glob(".pitstats*"))


def test_a_full_disk_leaves_everything_as_it_was(plan, place, tmp_path, monkeypatch):
    file = write(tmp_path / "f.json", plan, sheet([item(codes_of(plan)[0], "dark")]))
    before = everything(place)

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("pathlib.Path.write_bytes", full)
        with pytest.raises(WriteError, match="No space left"):
            record_grades(place, file)
    assert everything(place) == before
    assert not list(tmp_path.glob(".pitstats*"))


def test_an_unfinished_study_is_told_in_its_own_words(plan, folder, tmp_path):
    (folder / "bakes.csv").write_text("bake,pit\nB01,Pine\n", encoding="utf-8")
    file = write(tmp_path / "f.json", plan)
    with pytest.raises(InvalidStudyError, match="'Pine'"):
        record_grades(folder, file)
    with pytest.raises(InvalidStudyError, match="no folder or workbook"):
        record_grades(tmp_path / "nowhere", file)


def test_text_around_the_file_and_other_line_ends_do_no_harm(plan, folder, tmp_path):
    code = codes_of(plan)[0]
    file = write(tmp_path / "f.json", plan, sheet([item(code, "dark")]))
    text = file.read_text(encoding="utf-8").replace("\n", "\r\n   ")
    file.write_bytes(f"\ufeffHello,\r\n{text}\r\nSent from a phone".encode())
    assert record_grades(folder, file).table["first"].tolist() == [1]


def test_what_is_no_file_is_told(plan, folder, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "dir").mkdir()
    (tmp_path / "photo").write_bytes(b"\xff\xd8\xff\xe0 not text")
    (tmp_path / "deep").write_text('{"format":' + "[" * 100_000, encoding="utf-8")
    names = ["pipe", "dir", "photo", "deep", "absent"]
    with pytest.raises(GradeFileError) as caught:
        record_grades(folder, [tmp_path / name for name in names])
    for name, reason in zip(names, caught.value.reasons, strict=True):
        assert reason.startswith(f"{name}: ")


def test_no_changed_letter_is_believed(plan, tmp_path):
    """Cut, swapped, doubled or changed letters are refused, or change nothing."""
    codes = codes_of(plan)
    file = write(
        tmp_path / "f.json", plan, sheet([item(c, "golden", "dark") for c in codes[:4]])
    )
    whole = read_grade_file(file)
    text = file.read_text(encoding="utf-8")
    draw = random.Random(20261)
    refused = 0
    for _ in range(400):
        at, other = draw.randrange(len(text)), draw.randrange(len(text))
        tries = [
            text[:at],
            text[:at] + text[at + 1 :],
            text[:at] + draw.choice('"{}[],:\n019aé\\ ') + text[at + 1 :],
            text[:at] + text[min(at, other) : max(at, other)] + text[at:],
        ]
        file.write_text(draw.choice(tries), encoding="utf-8")
        try:
            found = read_grade_file(file)
        except UnreadableError:
            refused += 1
        else:
            assert found == whole
    assert refused > 250


def test_the_sum_is_made_over_the_content_alone(plan):
    found = content(plan, sheet([item("1", notes="é \u2028 🔥 \"'\\")]))
    assert list(found)[-1] == "sum"
    assert len(found["sum"]) == 8
