"""Names from right-to-left scripts: escaped and kept apart from what follows them."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import pitstats as ps
from pitstats.planning.layout import randomize_layout
from pitstats.planning.sheets import render_sheets
from pitstats.report.page import table_html
from pitstats.report.section import Heading, Section, Sentences, Text
from pitstats.study import html_text
from pitstats.study.html_text import isolated, notebook_html

HEBREW = "\u05d0\u05d1\u05df \u05d7\u05dd"
ARABIC = "\u0641\u0631\u0646"


@pytest.mark.parametrize("name", [HEBREW, ARABIC, f"{HEBREW} 2 {ARABIC}"])
def test_a_name_is_one_piece_and_numbers_after_it_are_outside(name: str) -> None:
    assert isolated(f"{name} 3 of 18") == f"<bdi>{name}</bdi> 3 of 18"
    assert isolated(f"Mill and {name}: 5%") == f"Mill and <bdi>{name}</bdi>: 5%"


def test_names_of_a_list_are_pieces_of_their_own() -> None:
    found = isolated(f"{HEBREW}, {ARABIC} (3), Mill")
    assert found == f"<bdi>{HEBREW}</bdi>, <bdi>{ARABIC}</bdi> (3), Mill"


def test_other_texts_are_escaped_and_no_more() -> None:
    assert isolated("<b> & 'Quarry' °F") == "&lt;b&gt; &amp; &#x27;Quarry&#x27; °F"
    assert isolated(f"<{HEBREW}>") == f"&lt;<bdi>{HEBREW}</bdi>&gt;"


def test_tables_isolate_cells_headers_and_captions_but_not_attributes() -> None:
    html = table_html(pd.DataFrame({"Pit": ["A"], HEBREW: [ARABIC]}), f"{HEBREW} 1")
    assert f"<caption><bdi>{HEBREW}</bdi> 1</caption>" in html
    assert f"><bdi>{HEBREW}</bdi></th>" in html
    assert f"><bdi>{ARABIC}</bdi></td>" in html
    assert f'data-name="{HEBREW}"' in html


def test_a_section_isolates_question_answer_and_sentences() -> None:
    section = Section(
        id="a",
        question=f"{HEBREW}?",
        answer=f"{ARABIC} 3 of 18.",
        body=(Text(HEBREW), Heading(ARABIC), Sentences((f"{HEBREW} 2.",))),
    )
    html = ps.Page().html(section)
    assert html.count("<bdi>") == html.count("</bdi>") == 5


def test_sheets_isolate_names_outside_of_titles() -> None:
    planned = randomize_layout(
        pd.DataFrame(
            {"pit": [HEBREW, "Mill"], "grate": "main", "rows": 2, "columns": 3}
        ),
        bakes=1,
        settings={"title": f"{ARABIC} 7", "question": "Q?", "temperature_unit": "F"},
        seed=9,
    )
    pages = render_sheets(planned.study)
    assert any(f"pit <bdi>{HEBREW}</bdi>" in page for page in pages.values())
    for page in pages.values():
        assert "<bdi>" not in page.partition("<title>")[2].partition("</title>")[0]
    assert any(f"<bdi>{ARABIC}</bdi> 7" in page for page in pages.values())


NASTY = "<img src=x onerror=alert(1)> \u05d0\u05d1"


def test_tables_in_notebooks_keep_texts_as_texts() -> None:
    table = pd.DataFrame({NASTY: [NASTY, None], "rate": [0.25, float("nan")]})
    shown = notebook_html(NASTY, table, [NASTY])
    assert "<img" not in shown
    assert shown.count("&lt;img") == shown.count("<bdi>\u05d0\u05d1</bdi>") == 4
    assert "0.250" in shown
    assert "None" not in shown
    assert "nan" not in shown.casefold()


def test_whatever_is_shown_in_a_notebook_goes_through_one_place() -> None:
    sources = Path(html_text.__file__).parents[1].rglob("*.py")
    by_hand = [
        path.name
        for path in sources
        if ".to_html(" in path.read_text("utf-8") and path.name != "html_text.py"
    ]
    assert by_hand == []


def test_results_keep_names_of_pits_as_texts() -> None:
    study = ps.demo_study("one_bake_each")
    names = {"Quarry": NASTY, "Ferry": "\u05d2\u05d3"}
    renamed = replace(
        study,
        pits=study.pits.replace({"pit": names}),
        grates=study.grates.replace({"pit": names}),
        bakes=study.bakes.replace({"pit": names}),
    )
    shown = (
        ps.estimate_burn_rates(renamed),
        ps.compare_pits(renamed),
        ps.randomize_layout({NASTY: (2, 2), "B": (2, 2)}, bakes=1, seed=1),
    )
    for result in shown:
        html = result._repr_html_()
        assert "<img" not in html
        assert "&lt;img" in html
        assert "<bdi>\u05d0\u05d1</bdi>" in html
