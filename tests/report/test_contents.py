"""The list of sections: every link leads somewhere, nothing else gets into it."""

from urllib.parse import unquote

import nbformat

from pitstats.report.contents import with_contents
from pitstats.report.render import _page_exporter, _page_of


def page_of(*markdown: str) -> str:
    cells = [nbformat.v4.new_markdown_cell(text) for text in markdown]
    notebook = nbformat.v4.new_notebook(cells=cells)
    page = {"title": "T", "stamp": [], "style": ""}
    return with_contents(_page_of(_page_exporter(), notebook, page))


def test_links_lead_to_headings_with_odd_characters() -> None:
    heads = ["Top & bottom", "Each pit's rate", "Why? 100 %", "`code` and *more*", "Ä"]
    page = page_of("# Title", *(f"## {head}" for head in heads))
    links = [part.split('"')[0] for part in page.split('<li><a href="#')[1:]]
    assert len(links) == len(heads)
    for link in links:
        anchor = unquote(link).replace("&", "&amp;")
        assert f'<h2 id="{anchor}">' in page
    assert page.index("<nav") < page.index("<h2")
    assert page.index("<h1") < page.index("<nav")


def test_a_heading_in_an_output_is_not_taken_for_a_section() -> None:
    own = '<h2 id="own">Own</h2><p>long text</p>'
    page = page_of("## A", own, "## B", "## C", "## D")
    assert page.count("long text") == 1
    assert page.count("<li>") == 4


def test_a_short_page_needs_no_list() -> None:
    assert "<nav" not in page_of("## A", "## B", "## C")
