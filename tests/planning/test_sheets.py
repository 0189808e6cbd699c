"""Sheets: complete, blind where they must be, whole or not written, fit to print."""

import html.parser
import re
import shutil
import subprocess
from base64 import b64decode
from dataclasses import replace

import pandas as pd
import pytest

from pitstats.analysis.next_steps.suggest import suggest_next
from pitstats.errors import DesignError, ExistsError, WriteError
from pitstats.planning import sheets
from pitstats.planning.layout import randomize_layout
from pitstats.planning.protocol import CAUTIONS, DEFERENCE
from pitstats.planning.sheets import render_sheets, write_sheets
from pitstats.study.files import read_study, write_study
from pitstats.study.schema import BAKES
from pitstats.study.study import Study
from tests.browser import chromium

UNEQUAL = pd.DataFrame(
    {
        "pit": ["Oak", "Oak", "Creek"],
        "grate": ["low", "high", "low"],
        "rows": [3, 2, 3],
        "columns": [6, 5, 5],
        "level": [1, 2, 1],
    }
)


@pytest.fixture(scope="module")
def layout():
    return randomize_layout(
        UNEQUAL,
        bakes=2,
        lots={"L1": 60, "L2": 70},
        planned={"target_temp": 325, "minutes": 20},
        settings={
            "temperature_unit": "F",
            "title": "A windy weekend",
            "question": "Q?",
        },
        seed=9,
    )


@pytest.fixture(scope="module")
def pages(layout):
    return render_sheets(layout.study)


def printed_pages(pages):
    """All but the page for the phone, which has tests of its own."""
    return {name: page for name, page in pages.items() if name != sheets.PHONE}


@pytest.fixture(scope="module")
def hard():
    """Plan in which everything is long, large or full of signs."""
    long = "<script>alert('x')</script> & \"quotes\" " + "a long name " * 30
    pits = [f"<b>Pit</b> & {'very ' * 12}long", "Creek"]
    return randomize_layout(
        pd.DataFrame(
            {
                "pit": pits,
                "grate": ["<i>g", "main"],
                "rows": [12, 3],
                "columns": [30, 40],
            }
        ),
        pits=pd.DataFrame({"pit": pits, "label": [long, "Creek"]}),
        bakes=1,
        lots={long: 1000, "L2": 1000, "L3": 500},
        planned=dict.fromkeys(("plate", "wood", "tender"), long) | {"minutes": 240},
        places=[long, "wall"],
        settings={
            "title": long,
            "question": long,
            "stop_rule": long,
            "grades": tuple(f"grade {'x' * 20} <{k}>" for k in range(14)),
            "target_grades": (f"grade {'x' * 20} <3>",),
            "temperature_rule": "same grate",
        },
        seed=2,
    )


class Text(html.parser.HTMLParser):
    """Text of a page as a reader sees it, and the names of its tags."""

    def __init__(self, page):
        super().__init__()
        self.words, self.tags, self.attributes, self._in_style = [], set(), [], False
        self.feed(page)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes += attrs
        self._in_style = tag == "style"

    def handle_endtag(self, tag):
        self._in_style = False

    def handle_data(self, data):
        if not self._in_style:
            self.words.append(data)


def sections(page):
    return re.findall(r"<section.*?</section>", page, re.DOTALL)


def codes_in(page):
    return re.findall(r'<t?[hd]?(?:span)?[^>]*class="code"[^>]*>(\d+)<', page)


def test_all_sheets_are_there(pages):
    assert sorted(pages) == [
        sheets.PROTOCOL,
        sheets.GRIDS,
        sheets.RECORDS,
        sheets.GRADING,
        sheets.REGRADING,
        sheets.LADDER,
        sheets.PHONE,
        sheets.KEY,
    ]


def test_every_grid_shows_its_codes_in_loading_order(layout, pages):
    grids = [part for part in sections(pages[sheets.GRIDS]) if "Turn the sheet" in part]
    assert len(grids) == 2 * 3  # two bakes; Oak has two grates
    for part in grids:
        bake = re.search(r"Bake (B\d+)", part)[1]
        own = layout.items[layout.items["bake"] == bake]
        if "grate" in re.search("<h1.*?</h1>", part)[0]:
            grate = re.search("grate (low|high)", part)[1]
            own = own[own["grate"] == grate]
        found = re.findall(r'class="rank">(\d+)<.*?class="code"[^>]*>(\d+)<', part)
        expected = own[["load_rank", "code"]].astype(str).to_numpy().tolist()
        assert sorted(map(list, found)) == sorted(expected)


def test_grid_has_the_firebox_at_column_1_and_the_door_at_row_1(layout, pages):
    part = next(
        p for p in sections(pages[sheets.GRIDS]) if "pit Creek" in p and "Turn" in p
    )
    assert re.findall(r'class="no" style[^>]*>(\d+)<', part) == list("12345")
    assert re.findall(r'scope="row" class="no">(\d+)<', part) == ["3", "2", "1"]
    text = Text(part).text
    assert (
        text.index("FIREBOX END", 200) < text.index("FAR END") < text.index("DOOR SIDE")
    )
    bake = re.search(r"Bake (B\d+)", part)[1]
    last = re.findall(r'class="code"[^>]*>(\d+)<', part)[-5:]  # row 1 stands last
    own = layout.items[(layout.items["bake"] == bake) & (layout.items["row"] == 1)]
    assert last == own.sort_values("column")["code"].tolist()


def test_mirrored_pits_are_printed_the_other_way(layout):
    page = render_sheets(layout.study, mirrored=["Creek"])[sheets.GRIDS]
    part = next(p for p in sections(page) if "pit Creek" in p and "Turn" in p)
    assert re.findall(r'class="no" style[^>]*>(\d+)<', part) == list("54321")
    text = Text(part).text
    assert text.index("FAR END") < text.rindex("FIREBOX END")
    other = next(p for p in sections(page) if "pit Oak" in p and "Turn" in p)
    assert re.findall(r'class="no" style[^>]*>(\d+)<', other)[0] == "1"


@pytest.mark.parametrize("name", [sheets.GRADING, sheets.REGRADING, sheets.LADDER])
def test_the_grader_learns_neither_pit_nor_bake_nor_cell(pages, name):
    text = Text(pages[name]).text
    for secret in (
        "Oak",
        "Creek",
        "B01",
        "B02",
        "row ",
        "column ",
        "low",
        "high",
        "L1",
    ):
        assert secret not in text.replace("lowed", ""), secret


def test_grading_sheets_hold_every_code_in_shuffled_order(layout, pages):
    found = codes_in(pages[sheets.GRADING])
    expected = layout.items.sort_values(["session", "grading_order"])["code"].tolist()
    assert found == expected
    by_pit = layout.items.set_index("code").loc[found, "pit"]
    assert (
        by_pit.to_numpy()[1:] != by_pit.to_numpy()[:-1]
    ).sum() > 10  # pits are mixed
    again = codes_in(pages[sheets.REGRADING])
    assert set(again) == set(layout.study.regrades["code"])
    first = [code for code in found if code in again]
    assert first != again


def test_grading_without_a_planned_order_goes_by_code(layout):
    study = replace(
        layout.study, items=layout.study.items.drop(columns="grading_order")
    )
    found = codes_in(render_sheets(study)[sheets.GRADING])
    per_session = layout.items.groupby("session")["code"]
    assert found == [code for _, own in per_session for code in sorted(own)]


def test_faces_can_be_chosen(layout):
    page = render_sheets(layout.study, faces=["top", "bottom"])[sheets.GRADING]
    head = re.findall(r'<th scope="col"[^>]*>([^<]*)<', sections(page)[0])
    assert head == ["no.", "code", "top", "bottom", "rise, mm", "missing"]


def test_record_sheets_ask_for_times_and_readings(pages):
    parts = sections(pages[sheets.RECORDS])
    assert len(parts) == 4
    assert re.findall(r'scope="row">([^<]*)<', parts[0]) == [
        "15 before",
        "10 before",
        "5 before",
        *map(str, range(0, 31, 5)),
    ]
    assert "°F" in parts[0]
    assert "steady since" in parts[0]


def test_key_is_sealed_by_its_first_page(layout, pages):
    cover, *rest = sections(pages[sheets.KEY])
    assert "Keep closed until all grading is done" in Text(cover).text
    assert not re.search(r"\d{3}", Text(cover).text)
    found = re.findall(
        r'class="code">(\d+)</th><td>(B\d+)</td><td class="pit">(\w+)</td>'
        r'<td class="pit">(\w+)</td><td>(\d+)</td><td>(\d+)</td>',
        "".join(rest),
    )
    columns = ["code", "bake", "pit", "grate", "row", "column"]
    expected = layout.items.sort_values("code")[columns].astype(str)
    assert found == list(expected.itertuples(index=False, name=None))


def test_ladder_names_every_grade_and_what_it_counts_as(pages):
    text = Text(pages[sheets.LADDER]).text
    for name in ("raw", "light", "golden", "dark", "burned"):
        assert name in text
    assert "counts as under-baked" in text
    assert "counts as good" in text
    assert "counts as burned" in text


def test_protocol_states_the_rules_as_chosen_and_all_cautions(layout, pages):
    text = Text(pages[sheets.PROTOCOL]).text
    for rule in layout.rules:
        assert rule in text
    for caution in CAUTIONS:
        assert caution.text in text
    about = " ".join(caution.about for caution in CAUTIONS)
    for word in ("Distance", "People", "Carbon monoxide", "Ash", "Fuel", "Raw dough"):
        assert word in about
    assert DEFERENCE in text
    for authority in (
        "label",
        "maker's manual",
        "local fire code",
        "licensed practice",
    ):
        assert authority in DEFERENCE
    assert "write it before the first fire" in text  # no stop rule, no margin stated
    assert "darkest graded face decides" in text
    assert "seed 9" in text


def test_stated_rules_replace_the_blanks(layout):
    settings = replace(
        layout.study.settings, stop_rule="after 20 minutes", margin=0.15, face="top"
    )
    page = render_sheets(replace(layout.study, settings=settings))[sheets.PROTOCOL]
    text = Text(page).text
    assert "for every bake: after 20 minutes" in text
    assert "change advice: 15 points" in text
    assert "the top decides" in text


def test_pages_need_nothing_from_outside_and_use_no_color(pages):
    for page in printed_pages(pages).values():
        seen = Text(page)
        assert not seen.tags & {"script", "link", "img", "iframe", "object", "svg"}
        assert not {"src", "href", "onclick"} & {name for name, _ in seen.attributes}
        assert "http" not in page
        assert "url(" not in page
        assert set(re.findall(r"#[0-9a-f]{3,6}\b", page)) <= {"#000", "#fff", "#999"}
        assert 'lang="en"' in page
        assert not re.search(r"\b(left|right)\b", seen.text)


def test_user_text_is_escaped(hard):
    for page in printed_pages(render_sheets(hard.study)).values():
        assert not Text(page).tags & {"script", "i"}
        assert "<b>Pit" not in page
        assert "<i>g" not in page


def test_numbered_or_many_grades_are_written_by_name(layout, hard):
    settings = replace(
        layout.study.settings,
        grades=("1", "2", "3"),
        raw_to="1",
        burned_from="3",
        target_grades=("2",),
    )
    page = render_sheets(replace(layout.study, settings=settings))[sheets.GRADING]
    marks = re.search(r'class="marks">(.*?)</td>', page, re.DOTALL)[1]
    assert re.findall(r"<span>(.*?)</span>", marks) == ["1", "2", "3"]
    assert "Write one grade" in render_sheets(hard.study)[sheets.GRADING]


def test_written_whole_and_read_by_nobody_else(layout, tmp_path):
    paths = write_sheets(layout, tmp_path / "out", entry_workbook=True)
    assert [path.name for path in paths] == sorted(
        p.name for p in (tmp_path / "out").iterdir() if not p.name.startswith(".")
    )
    assert all(path.read_bytes() for path in paths)
    study = read_study(tmp_path / "out" / sheets.ENTRY)
    assert len(study.items) == len(layout.items)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]  # nothing left behind


def test_never_overwrites_unasked_and_keeps_other_files(layout, tmp_path):
    write_sheets(layout, tmp_path)
    (tmp_path / "photo.jpg").write_text("mine")
    (tmp_path / sheets.GRIDS).write_text("old")
    with pytest.raises(ExistsError):
        write_sheets(layout, tmp_path)
    assert (tmp_path / sheets.GRIDS).read_text() == "old"
    with pytest.raises(ExistsError, match=f"changed since .*: {sheets.GRIDS}"):
        write_sheets(layout, tmp_path, overwrite=True)
    (tmp_path / sheets.GRIDS).unlink()
    write_sheets(layout, tmp_path, overwrite=True)
    assert (tmp_path / "photo.jpg").read_text() == "mine"
    assert "Baking order" in (tmp_path / sheets.GRIDS).read_text()


def test_sheets_that_are_no_longer_part_of_the_plan_go(layout, tmp_path):
    write_sheets(layout, tmp_path)
    without = replace(layout.study, regrades=layout.study.regrades.iloc[:0])
    write_sheets(without, tmp_path, overwrite=True)
    assert not (tmp_path / sheets.REGRADING).exists()


def test_a_filled_entry_workbook_is_never_replaced(layout, tmp_path):
    import openpyxl

    write_sheets(layout, tmp_path, entry_workbook=True)
    write_sheets(layout, tmp_path, entry_workbook=True, overwrite=True)  # still blank
    path = tmp_path / sheets.ENTRY
    book = openpyxl.load_workbook(path)
    sheet = book["items"]
    header = [cell.value for cell in sheet[1]]
    sheet.cell(2, header.index("grade_top") + 1).value = "dark"
    book.save(path)
    before = path.read_bytes()
    with pytest.raises(ExistsError, match="filled in and is never overwritten"):
        write_sheets(layout, tmp_path, entry_workbook=True, overwrite=True)
    write_sheets(layout, tmp_path, overwrite=True)  # the sheets alone may be renewed
    assert path.read_bytes() == before


def test_a_file_in_the_way_is_told(layout, tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(ExistsError, match="is a file"):
        write_sheets(layout, tmp_path / "out")


def test_a_failure_leaves_nothing(layout, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(WriteError, match="No space left"):
        write_sheets(layout, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"paper": "A5"}, "Choose 'A4' or 'Letter'"),
        ({"mirrored": ["Creke"]}, "mirrored names the pit 'Creke'"),
        ({"faces": ["under"]}, "Choose some of 'top'"),
        ({"faces": []}, "Choose some of 'top'"),
    ],
)
def test_choices_are_checked(layout, tmp_path, change, message):
    with pytest.raises(DesignError, match=message):
        write_sheets(layout, tmp_path / "out", **change)
    assert not (tmp_path / "out").exists()


def changed(study: Study, table: str, **columns) -> Study:
    return replace(study, **{table: getattr(study, table).assign(**columns)})


def test_studies_that_are_not_plans_are_refused(layout):
    study = layout.study
    with pytest.raises(DesignError, match="no bake of this study is planned"):
        render_sheets(changed(study, "bakes", status="excluded", reason="rain"))
    with pytest.raises(DesignError, match="have no code"):
        render_sheets(
            changed(replace(study, regrades=pd.DataFrame()), "items", code=None)
        )
    some = replace(
        study,
        items=study.items[study.items["bake"] != "B02"],
        regrades=pd.DataFrame(),
    )
    with pytest.raises(DesignError, match="planned bake 'B02' has no items"):
        render_sheets(some)


def printed(folder):
    """Print every sheet to PDF and return its pages as lists of words with boxes."""
    found = {}
    with chromium(folder / "profile") as browser:
        for path in sorted(set(folder.glob("*.html")) - {folder / sheets.PHONE}):
            page = browser.page()
            page.call("Emulation.clearDeviceMetricsOverride")
            page.open(path)
            answer = page.call(
                "Page.printToPDF", printBackground=True, preferCSSPageSize=True
            )
            path.with_suffix(".pdf").write_bytes(b64decode(answer["data"]))
            page.close()
    for pdf in sorted(folder.glob("*.pdf")):
        out = subprocess.run(
            [shutil.which("pdftotext"), "-bbox", str(pdf), "-"],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        found[pdf.with_suffix(".html").name] = [
            (
                tuple(
                    map(
                        float, re.search(r'width="(.*?)" height="(.*?)"', page).groups()
                    )
                ),
                [
                    (*map(float, box), word)
                    for *box, word in re.findall(
                        r'xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*?)<',
                        page,
                    )
                ],
            )
            for page in re.findall(r"<page .*?</page>", out, re.DOTALL)
        ]
    return found


POINTS = {"A4": (595.0, 842.0), "Letter": (612.0, 792.0)}
MARGIN = 12 / 25.4 * 72


@pytest.mark.chromium
@pytest.mark.parametrize(
    ("paper", "which"),
    [
        ("A4", "layout"),
        ("Letter", "hard"),
        pytest.param("Letter", "layout", marks=pytest.mark.slow),
        pytest.param("A4", "hard", marks=pytest.mark.slow),
    ],
)
def test_nothing_is_clipped_in_print(paper, which, request, tmp_path):
    plan = request.getfixturevalue(which)
    write_sheets(plan, tmp_path, paper=paper)
    for name, pages in printed(tmp_path).items():
        page_of_html = (tmp_path / name).read_text()
        if name != sheets.PROTOCOL or which == "layout":  # long rules may need more
            assert len(pages) == len(sections(page_of_html)), name
        for (width, height), words in pages:
            size = (width, height) if name != sheets.GRIDS else (height, width)
            assert size == pytest.approx(POINTS[paper], abs=1)
            for x_min, y_min, x_max, y_max, word in words:
                inside = (
                    x_min >= MARGIN - 1
                    and x_max <= width - MARGIN + 1
                    and y_min >= MARGIN - 3
                    and y_max <= height - MARGIN + 1
                )
                assert inside, (name, word)
            if name == sheets.PROTOCOL and which == "hard":
                continue
            # The foot ends exactly where the page of the sheet does: it is pushed down
            # by too much content, and drawn in when a browser shrinks a wide page.
            lowest = max(y_max for *_, y_max, _ in words)
            right = max(x for _, _, x, y_max, _ in words if y_max > lowest - 6)
            wide, high = (255, 184) if name == sheets.GRIDS else (186, 253)
            if "Opened" not in [word for *_, word in words]:  # the cover has no foot
                expected = MARGIN + wide / 25.4 * 72
                assert right == pytest.approx(expected, abs=1.5), name
                assert lowest <= MARGIN + high / 25.4 * 72 + 1, name
        if name in (sheets.GRIDS, sheets.GRADING, sheets.KEY):
            shown = " ".join(word for _, words in pages for *_, word in words)
            codes = set(re.findall(r"\b\d{3,4}\b", shown))
            assert set(plan.items["code"]) <= codes, name


def test_a_plan_read_from_disk_gives_the_same_sheets(layout, pages, tmp_path):
    write_study(layout.study, tmp_path / "plan")
    assert render_sheets(read_study(tmp_path / "plan")) == pages
    write_study(layout.study, tmp_path / "plan.xlsx")
    assert render_sheets(read_study(tmp_path / "plan.xlsx")) == pages


def test_the_protocol_says_what_bakes_are_for_that_follow_others():
    study = randomize_layout({"Oak": (3, 6), "Creek": (3, 6)}, bakes=3, seed=4).study
    plain = render_sheets(study)[sheets.PROTOCOL]
    assert "next bakes are for" not in plain
    dark = {"Oak": 3, "Creek": 9}
    done = study.bakes.groupby("pit").head(2)
    items = study.items.copy()
    for bake, pit in done[["bake", "pit"]].itertuples(index=False):
        own = items.index[items["bake"] == bake]
        items.loc[own, "burned"] = [k < dark[pit] for k in range(len(own))]
    status = study.bakes["status"].mask(study.bakes["bake"].isin(done["bake"]), "kept")
    begun = replace(study, items=items, bakes=study.bakes.assign(status=status))
    page = render_sheets(begun)[sheets.PROTOCOL]
    text = re.sub(r"<[^>]+>|[\u2066-\u2069]", "", page)
    assert suggest_next(begun).advice == "bake more"
    assert f"What the next bakes are for. {suggest_next(begun).sentence}" in text


#: Where the record keeps what a sheet asks for.
ASKED_OF_A_BAKE = {
    "date": "date",
    "tender": "tender",
    "recorder": "recorder",
    "wood": "wood",
    "plate, baffle": "plate",
    "splits burned": "splits",
    "wind, from where": "wind",
    "air temp, °F": "ambient_temp",
    "sun, rain": "weather",
    "damper 0 to 1": "damper_open",
    "intake 0 to 1": "intake_open",
    "moved or turned? yes / no": "rotated",
    "dough out of cold": "dough_out_at",
    "lit": "lit_at",
    "steady since": "steady_at",
    "last split before loading": "last_split_at",
    "loading starts": "loading_at",
    "loaded, lid shut": "loaded_at",
    "lid opens to unload": "unloaded_at",
    "all unloaded": "emptied_at",
    "grading may start": "grading_at",
    "lid opened in between (how often)": "openings",
}
ASKED_OF_A_GRADING = {
    "grader": "grader",
    "knew only codes? yes / no": "blind",
    "lamp or daylight": "light",
}


def test_what_the_record_sheets_ask_has_a_column(pages):
    page = pages["3_records.html"]
    record = page.split("<section")[1].split('<table class="temps')[0]
    asked = re.findall(r"<td[^>]*>(.*?)</td>", record)
    assert asked == list(ASKED_OF_A_BAKE)
    assert set(ASKED_OF_A_BAKE.values()) <= set(BAKES.column_names)
    readings = re.findall(r'<th scope="col">(.*?)</th>', page.split("<section")[1])
    # Readings become rows of probes; splits are counted for their sum.
    assert readings == [
        "minute",
        "pit's gauge",
        "grate probe",
        "other probe",
        "split added?",
    ]


def test_what_the_grading_sheets_ask_has_a_column(pages):
    page = pages["4_grading.html"]
    facts = page.split('<p class="facts clip">')[1].split("</p>")[0]
    asked = re.findall(r"<span>(.*?) ?(?:<span class=\"blank\">|</span>)", facts)
    assert asked == list(ASKED_OF_A_GRADING)
    assert set(ASKED_OF_A_GRADING.values()) <= set(BAKES.column_names)
