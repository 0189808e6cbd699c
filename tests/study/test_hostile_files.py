"""Files that wait, never end, unpack to gigabytes or hide what they say."""

import csv
import dataclasses
import io
import os
import resource
import time
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.cli import main
from pitstats.study import reading
from pitstats.study.cells import escaped, visible
from pitstats.study.csv_text import bare, harmless, harmless_frame
from pitstats.study.demo import copy_demo


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy_demo("one_bake_each", tmp_path / "s")
    return tmp_path / "s"


def only_problem(path: Path) -> str:
    (problem,) = {p.message for p in ps.check_study(path)}
    return problem


class TestPlainFilesOnly:
    def test_a_pipe_is_not_waited_for(self, folder: Path) -> None:
        (folder / "probes.csv").unlink(missing_ok=True)
        os.mkfifo(folder / "probes.csv")
        started = time.monotonic()
        assert "no plain file" in only_problem(folder)
        assert time.monotonic() - started < 5

    def test_a_study_that_is_a_pipe_is_told(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "s.xlsx")
        assert "no plain file" in only_problem(tmp_path / "s.xlsx")

    @pytest.mark.parametrize("target", ["/dev/zero", "/etc/hostname"])
    def test_links_out_of_the_folder_are_not_followed(
        self, target: str, folder: Path
    ) -> None:
        (folder / "regrades.csv").symlink_to(target)
        assert "outside the folder" in only_problem(folder)

    def test_a_device_is_no_file(self) -> None:
        with pytest.raises(reading.UnreadableError, match="no plain file"):
            reading.file_bytes(Path("/dev/zero"))

    def test_a_link_to_itself_is_told(self, folder: Path) -> None:
        (folder / "regrades.csv").symlink_to("regrades.csv")
        (problem,) = ps.check_study(folder)
        assert problem.table == "regrades"

    def test_a_link_inside_the_folder_will_do(self, folder: Path) -> None:
        (folder / "items.csv").rename(folder / "kept.txt")
        (folder / "items.csv").symlink_to("kept.txt")
        assert ps.check_study(folder) == []


class TestSizes:
    def test_a_huge_file_is_not_read(self, folder: Path) -> None:
        with (folder / "probes.csv").open("wb") as file:
            file.truncate(3_000_000_000)  # holes: nothing on the disk
        assert "larger than 32 MB" in only_problem(folder)

    def test_a_very_wide_table_is_refused(self, folder: Path) -> None:
        head = "bake,probe," + ",".join(f"c{i}" for i in range(2000))
        (folder / "probes.csv").write_text(f"{head}\nQuarry-1,A\n")
        assert "2,002 columns" in only_problem(folder)

    def test_many_short_rows_under_a_wide_header_are_refused(
        self, folder: Path
    ) -> None:
        head = "bake,probe," + ",".join(f"c{i}" for i in range(900))
        (folder / "probes.csv").write_text(head + "\nx" * 8000)
        assert "cells in all" in only_problem(folder)


def workbook(path: Path, sheet: str, texts: str = "") -> None:
    """A small zip that says it is a workbook, with one sheet and its texts."""
    kinds = "http://schemas.openxmlformats.org"
    main_ns = f'xmlns="{kinds}/spreadsheetml/2006/main"'
    office = f"{kinds}/officeDocument/2006/relationships"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{kinds}/package/2006/content-types">'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxml'
        'formats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{kinds}/package/2006/relationships">'
        f'<Relationship Id="r1" Type="{office}/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook {main_ns} xmlns:r="{office}"><sheets>'
        '<sheet name="items" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": "<Relationships "
        f'xmlns="{kinds}/package/2006/relationships"><Relationship Id="r1" '
        f'Type="{office}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f"<worksheet {main_ns}><sheetData>{sheet}"
        "</sheetData></worksheet>",
        "xl/sharedStrings.xml": f"<sst {main_ns}>{texts}</sst>",
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in parts.items():
            book.writestr(name, content)


FAR = "".join(f'<row r="{r}"><c r="XFD{r}"><v>1</v></c></row>' for r in range(1, 9000))
BOMBS = {
    "cells without end": ("<row>" + "<c/>" * 2_010_000 + "</row>", ""),
    "cells far away": (FAR, ""),
    "rows far away": ('<row r="1048576"><c><v>1</v></c></row>' * 20, ""),
    "texts without end": ("", "<si><t/></si>" * 450_000),
}


@pytest.mark.parametrize("name", BOMBS)
def test_workbooks_that_unpack_without_end_are_refused(
    name: str, tmp_path: Path
) -> None:
    sheet, texts = BOMBS[name]
    workbook(tmp_path / "s.xlsx", sheet, texts)
    assert (tmp_path / "s.xlsx").stat().st_size < 600_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.process_time()
    messages = [p.message for p in ps.check_study(tmp_path / "s.xlsx")]
    assert time.process_time() - started < 20
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 400_000
    assert any("holds more than" in m or "no sheet called" in m for m in messages)


def test_a_text_without_end_in_one_cell_is_told(tmp_path: Path) -> None:
    long = '<row r="2"><c r="A2" t="inlineStr"><is><t>' + "y" * 20_000_000
    workbook(tmp_path / "s.xlsx", f"{long}</t></is></c></row>")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    messages = [p.message for p in ps.check_study(tmp_path / "s.xlsx")]
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 400_000
    assert max(map(len, messages)) < 1_000


def test_settings_within_settings_without_end_are_told(folder: Path) -> None:
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[{'.'.join(['a'] * 5_000)}]\nb = 1\n")
    assert "within each other without end" in only_problem(folder)


def test_a_part_is_measured_before_it_is_unpacked(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "s.xlsx", "w", zipfile.ZIP_DEFLATED) as book:
        for number in range(3):
            book.writestr(f"xl/worksheets/sheet{number}.xml", bytes(80_000_000))
    assert "unpacks to 240 MB" in only_problem(tmp_path / "s.xlsx")


FORMULAS = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "'=1", "''-x", "-oak"]


class TestFormulasInCsv:
    @pytest.mark.parametrize("text", FORMULAS)
    def test_no_spreadsheet_runs_them_and_they_read_back(self, text: str) -> None:
        assert harmless(text)[0] == "'"
        assert bare(harmless(text)) == text

    @pytest.mark.parametrize("text", ["-5", "+3.25", "oak", "'tis", "", "a=b", "007"])
    def test_numbers_and_plain_texts_stay(self, text: str) -> None:
        assert harmless(text) == bare(text) == text

    def test_a_study_of_them_reads_back_equal(self, tmp_path: Path) -> None:
        study = ps.demo_study("one_bake_each")
        bakes = study.bakes.assign(notes=FORMULAS[:2], own=FORMULAS[2:4], cold=[-5, 3])
        bakes["=own"] = ["x", "y"]
        changed = dataclasses.replace(study, bakes=bakes)
        ps.write_study(changed, tmp_path / "s")
        assert ps.read_study(tmp_path / "s") == changed
        text = (tmp_path / "s" / "bakes.csv").read_text("utf-8")
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        assert not [c for c in cells if c[:1] in ("=", "+", "@")]
        assert "-5" in cells

    def test_tables_of_a_report_are_harmless(self) -> None:
        frame = pd.DataFrame({"pit": ["=A", "B"], "estimate": [-0.5, 1]})
        assert harmless_frame(frame).to_csv(index=False) == (
            "pit,estimate\n'=A,-0.5\nB,1.0\n"
        )


class TestInvisible:
    @pytest.mark.parametrize(
        "letter", ["\u200b", "\u202e", "\u2066", "\u00ad", "\ufeff", "\u2060"]
    )
    def test_they_make_no_second_pit_and_are_told(
        self, letter: str, folder: Path
    ) -> None:
        bakes = (folder / "bakes.csv").read_text("utf-8")
        (folder / "bakes.csv").write_text(
            bakes.replace(",Quarry,", f",Qu{letter}arry,"), "utf-8"
        )
        read = ps.read_study(folder)
        assert set(read.bakes["pit"]) == {"Quarry", "Ferry"}
        assert "bakes.csv, column pit: invisible characters left out (1 cell)" in (
            read.assumptions
        )

    def test_joiners_that_belong_to_a_script_stay(self) -> None:
        assert visible("می‌خواهم") == "می‌خواهم"
        assert visible("Old\u200d Bess") == "Old Bess"

    def test_what_is_found_is_shown_by_its_number(self) -> None:
        assert escaped("a\x1b[31mb\u202e\n") == "a<U+001B>[31mb<U+202E>\n"

    def test_a_file_name_does_not_steer_the_terminal(self, tmp_path: Path) -> None:
        result = CliRunner().invoke(main, ["check", str(tmp_path / "a\x1b[2Jb")])
        assert "\x1b" not in result.output
        assert "<U+001B>" in result.output


@pytest.mark.parametrize("size", ["²x3", "3x³", "٣x3", "9" * 5000 + "x1"])
def test_a_size_is_made_of_plain_digits(size: str, tmp_path: Path) -> None:
    result = CliRunner().invoke(
        main, ["layout", str(tmp_path / "s"), "--pit", f"Q={size}"]
    )
    assert result.exit_code == 2
    assert "not of the form" in result.output
