"""Text typed by users is shown as text, and what is shown is kept."""

import json
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.made_files import LIST_NAME
from pitstats.report.page import Page, table_html
from pitstats.report.section import Kept, Picture, Section, Table, Text

NASTY = "<script>alert(1)</script> & \"quotes\" '=1+1' $x^2$ \n second line"


class Tags(HTMLParser):
    """Collect the tags of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.found.append(tag)


def tags(html: str) -> list[str]:
    parser = Tags()
    parser.feed(html)
    return parser.found


def test_tables_escape_cells_headers_and_captions() -> None:
    html = table_html(pd.DataFrame({NASTY: [NASTY], "n": [1]}), NASTY)
    assert set(tags(html)) == {
        "div",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
    }
    assert html.count("&lt;script&gt;") == 3


def test_tables_have_a_caption_and_header_scopes() -> None:
    html = table_html(pd.DataFrame({"Pit": ["A"], "Bakes": [3]}), "Bakes per pit")
    assert "<caption>Bakes per pit</caption>" in html
    assert html.count('scope="col"') == 2
    assert html.count('scope="row"') == 1


def test_a_page_with_a_folder_keeps_figures_and_tables(tmp_path: Path) -> None:
    page = Page(tmp_path)
    rates = ps.estimate_burn_rates(ps.demo_study("one_bake_each"))
    body = [
        Picture("rates", lambda: ps.plot_rates(rates), "words"),
        Table("rates", rates.table.round(2), "Rates", rates.table),
    ]
    page.html(Section(id="rates", question="Q?", body=body))
    assert (tmp_path / "figures" / "rates.png").read_bytes().startswith(b"\x89PNG")
    assert "<svg" in (tmp_path / "figures" / "rates.svg").read_text("utf-8")
    kept = pd.read_csv(tmp_path / "tables" / "rates.csv")
    pd.testing.assert_series_equal(kept["estimate"], rates.table["estimate"])


def test_a_page_without_a_folder_writes_nothing(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    page = Page("")
    body = [Text(NASTY), Table("t", pd.DataFrame({"a": [1]}), "T")]
    assert "<script>" not in page.html(Section(id="t", question="Q?", body=body))
    assert list(tmp_path.iterdir()) == []


def keep(folder: Path, about: str, *names: str) -> None:
    page = Page(folder, about)
    for name in names:
        body = [Kept(name, pd.DataFrame({"about": [about]}))]
        page.html(Section(id=name, question="Q?", body=body))


def held(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_a_page_lists_what_it_made_and_makes_it_anew(tmp_path: Path) -> None:
    out = tmp_path / "out"
    keep(out, "Two pits", "rates", "pairs")
    assert json.loads((out / LIST_NAME).read_text("utf-8")) == {
        "made by": "pitstats",
        "about": "Two pits",
        "files": ["tables/pairs.csv", "tables/rates.csv"],
    }
    (out / "tables" / "rates.csv").write_text("earlier")
    (out / "tables" / ".DS_Store").write_text("of the system")
    keep(out, "Two pits", "rates", "ways")
    assert (out / "tables" / "rates.csv").read_text() == "about\nTwo pits\n"
    keep(out, "Two pits", "pairs")  # what the last run did not make is still known
    assert set(json.loads((out / LIST_NAME).read_text("utf-8"))["files"]) == {
        f"tables/{name}.csv" for name in ("pairs", "rates", "ways")
    }


def kept(name: str) -> Section:
    body = [Kept(name, pd.DataFrame({"a": [1]}))]
    return Section(id=name, question="Q?", body=body)


def test_pages_about_one_study_may_share_a_folder(tmp_path: Path) -> None:
    first, second = Page(tmp_path, "Two pits"), Page(tmp_path, "Two pits")
    first.html(
        Section(
            id="rates", question="Q?", body=[Kept("rates", pd.DataFrame({"a": [1]}))]
        )
    )
    second.html(
        Section(
            id="pairs", question="Q?", body=[Kept("pairs", pd.DataFrame({"a": [1]}))]
        )
    )
    first.html(
        Section(id="ways", question="Q?", body=[Kept("ways", pd.DataFrame({"a": [1]}))])
    )
    Page(tmp_path, "Two pits")


@pytest.mark.parametrize("theirs", ["figures/differences.png", "tables/mine.csv"])
@pytest.mark.parametrize("after", [False, True])
def test_a_page_leaves_the_work_of_others_alone(
    theirs: str, after: bool, tmp_path: Path
) -> None:
    if after:
        keep(tmp_path, "Two pits", "rates")
    mine = tmp_path / theirs
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("drawn by hand")
    before = held(tmp_path)
    with pytest.raises(ps.ExistsError, match=f"{theirs}, not made by a page") as error:
        Page(tmp_path, "Two pits")
    assert "output_folder" in str(error.value)
    assert held(tmp_path) == before


def test_a_page_leaves_the_pages_about_other_studies_alone(tmp_path: Path) -> None:
    keep(tmp_path, "Two pits", "rates")
    before = held(tmp_path)
    with pytest.raises(ps.ExistsError, match="made by a page about 'Two pits'"):
        Page(tmp_path, "Four pits")
    assert held(tmp_path) == before
    (tmp_path / "tables" / "rates.csv").unlink()
    keep(tmp_path, "Four pits", "rates")
    with pytest.raises(ps.ExistsError, match="made by a page about 'Four pits'"):
        Page(tmp_path, "Two pits")


@pytest.mark.parametrize("content", ["[1, 2]", "{}", "not a list", '{"about": 1}'])
def test_a_list_that_is_none_of_ours_is_left_alone(
    content: str, tmp_path: Path
) -> None:
    (tmp_path / LIST_NAME).write_text(content)
    with pytest.raises(ps.ExistsError, match=LIST_NAME):
        Page(tmp_path, "Two pits")
    assert held(tmp_path) == {LIST_NAME: content.encode()}


@pytest.mark.parametrize("file", ["out", "out/figures", "out/tables"])
def test_a_file_in_the_place_of_a_folder_is_left_alone(
    file: str, tmp_path: Path
) -> None:
    (tmp_path / file).parent.mkdir(exist_ok=True)
    (tmp_path / file).write_text("mine")
    with pytest.raises(ps.ExistsError, match="is a file and was left as it is"):
        Page(tmp_path / "out", "Two pits")


def test_pages_are_about_a_study_and_its_folder(tmp_path: Path) -> None:
    ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "mine")
    study = ps.read_study(tmp_path / "mine")
    results = ps.StudyResults(study)
    ps.Page(tmp_path / "out", results.about).html(ps.ask.rates(results))
    listed = json.loads((tmp_path / "out" / LIST_NAME).read_text("utf-8"))
    assert listed["about"] == f"{study.settings.title} (study mine)"
    assert set(listed["files"]) == set(held(tmp_path / "out")) - {LIST_NAME}
    ps.Page(tmp_path / "out", ps.ProbeResults(study).about)
    with pytest.raises(ps.ExistsError):
        ps.Page(tmp_path / "out", "Four pits in one yard")
    with pytest.raises(ps.ExistsError):
        ps.Page(tmp_path / "out", "plans for new bakes")
