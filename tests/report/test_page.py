"""Text typed by users is shown as text, and what is shown is kept."""

from html.parser import HTMLParser
from pathlib import Path

import pandas as pd

import pitstats as ps
from pitstats.report.page import Page, table_html
from pitstats.study.demo import simulate_demo

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
    rates = ps.estimate_burn_rates(simulate_demo("one_bake_each").study)
    page.figure("rates", ps.plot_rates(rates), alt="words")
    page.table("rates", rates.table.round(2), "Rates", values=rates.table)
    assert (tmp_path / "figures" / "rates.png").read_bytes().startswith(b"\x89PNG")
    assert "<svg" in (tmp_path / "figures" / "rates.svg").read_text("utf-8")
    kept = pd.read_csv(tmp_path / "tables" / "rates.csv")
    pd.testing.assert_series_equal(kept["estimate"], rates.table["estimate"])


def test_a_page_without_a_folder_writes_nothing(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    page = Page("")
    page.say(NASTY)
    page.table("t", pd.DataFrame({"a": [1]}), "T")
    assert list(tmp_path.iterdir()) == []
