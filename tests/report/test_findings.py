"""Findings as readers meet them: on the page, beside the numbers, in the terminal."""

from dataclasses import replace

import pytest
from click.testing import CliRunner
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.cli import main
from pitstats.report import old_page as page_module
from pitstats.report.design_sections import DesignSections
from pitstats.report.old_page import Page
from pitstats.report.wording.design import (
    design_sentences,
    design_table,
    extra_bakes_sentences,
    extra_bakes_table,
)
from pitstats.report.wording.findings import (
    HEADINGS,
    findings_by_weight,
    findings_text,
    read_with,
)
from pitstats.study.demo import demo_folder, demo_names
from tests.analysis.planted import PLANTED, fair_study

NASTY = "<script>alert(1)</script> & so on"


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """What a page displays, as HTML and as text."""
    seen: list[tuple[str, str]] = []
    monkeypatch.setattr(
        page_module, "_display_html", lambda html, plain: seen.append((html, plain))
    )
    monkeypatch.setattr(Page, "figure", lambda *args, **kwargs: None)
    return seen


def finding(severity: str = "weakens", **changes: object) -> ps.Finding:
    made = ps.Finding(
        "lid",
        severity,  # type: ignore[arg-type]
        "The lid was open.",
        "Close it.",
        why="Heat is lost.",
        wording="Say so.",
        touches=("difference", "map"),
        short="lid open",
    )
    return replace(made, **changes)  # type: ignore[arg-type]


# --- on the page ----------------------------------------------------------------------


def test_the_gravest_come_first_and_notes_share_one_frame(
    shown: list[tuple[str, str]],
) -> None:
    found = [
        finding("note"),
        finding("note", id="two"),
        finding("weakens"),
        finding("spoils"),
        finding("note", id="ask_cut", message="Was it?"),
    ]
    Page().findings(found)
    ((html, plain),) = shown
    assert html.count('<div class="finding') == 4
    places = [html.index(heading) for heading in HEADINGS.values()]
    assert places == sorted(places)
    assert "What to write:" in html
    assert plain == findings_text(found)


def test_the_first_screen_is_brief(shown: list[tuple[str, str]]) -> None:
    Page().findings([finding("spoils")], brief=True)
    ((html, _),) = shown
    assert "Close it." in html
    assert "Heat is lost." not in html


def test_whatever_users_typed_is_shown_as_text(shown: list[tuple[str, str]]) -> None:
    nasty = finding(message=NASTY, fix=NASTY, why=NASTY, wording=NASTY, short=NASTY)
    Page().findings([nasty, replace(nasty, severity="note")])
    assert "<script>" not in shown[0][0]


def test_nothing_is_shown_where_nothing_was_found(
    shown: list[tuple[str, str]],
) -> None:
    Page().findings([])
    assert shown == []


# --- beside the numbers ---------------------------------------------------------------


def test_a_line_names_what_touches_a_number_gravest_first() -> None:
    found = [
        finding("spoils", short="order fixed"),
        finding("note", short="no margin"),
        finding("note", id="ask_cut", short="cut"),
        finding("weakens", short="lid open", touches=("rates",)),
    ]
    line = read_with(found, "difference")
    assert line == "Read with: order fixed (may spoil the comparison); no margin."
    assert read_with(found, "rates", notes=False) == "Read with: lid open."
    assert read_with(found, "temperature") == ""


def test_every_section_names_what_touches_it(shown: list[tuple[str, str]]) -> None:
    study = ps.demo_study("one_bake_each")
    both, rates = ps.compare_both_ways(study), ps.estimate_burn_rates(study)
    topics = ("difference", "rates", "map", "evenness", "settings", "grades")
    found = [finding(short=f"about {t}", touches=(t,)) for t in topics]
    page = ps.ComparisonPage(study)
    page.show_answer(both.leading, rates, found)
    assert any("Read with: about difference." in plain for _, plain in shown)
    for topic, show in (
        ("difference", lambda: page.show_pairs(both.leading)),
        ("rates", lambda: page.show_rates(rates)),
        ("map", page.show_maps),
        ("evenness", page.show_evenness),
        ("settings", page.show_settings),
        ("grades", page.show_grades),
    ):
        shown.clear()
        show()
        lines = [plain for _, plain in shown if plain.startswith("Read with")]
        assert lines == [f"Read with: about {topic}."]


@pytest.mark.parametrize("mistake", ["order kept in every session", "items moved"])
def test_a_planted_mistake_stands_beside_the_number_it_touches(mistake: str) -> None:
    expected, _, make = PLANTED[mistake]
    found = ps.audit_fairness(make())
    (own,) = [f for f in found if f.id == expected]
    for topic in own.touches:
        assert own.short in read_with(found, topic)


# --- in the terminal ------------------------------------------------------------------


@pytest.mark.parametrize("name", demo_names())
def test_findings_of_the_demos(name: str, snapshot: SnapshotAssertion) -> None:
    study = ps.demo_study(name)
    more = ps.suggest_bakes(study)
    lines = [
        findings_text(ps.audit_fairness(study)),
        *design_sentences(ps.audit_design(study)),
        design_table(ps.audit_design(study)).to_string(index=False),
        *extra_bakes_sentences(more),
        extra_bakes_table(more).to_string(index=False),
    ]
    assert "\n".join(lines) == snapshot


def test_lines_fit_a_terminal() -> None:
    text = findings_text(ps.audit_fairness(ps.demo_study("unfair_order")))
    assert max(map(len, text.splitlines())) <= 88


def test_check_prints_findings_and_the_bakes_that_would_help() -> None:
    folder = str(demo_folder("unfair_order"))
    run = CliRunner().invoke(main, ["check", folder])
    assert run.exit_code == 0
    assert run.output.index(HEADINGS["spoils"]) < run.output.index(HEADINGS["weakens"])
    assert "Three further bakes would separate" in run.output
    assert "new session" in run.output


def test_a_fair_study_needs_no_further_bakes(shown: list[tuple[str, str]]) -> None:
    page = DesignSections(fair_study())
    page.show_design()
    page.show_extra_bakes()
    text = " ".join(plain for _, plain in shown)
    assert "Nothing on record went so closely with the pits" in text
    assert "No further bake is needed" in text


def test_the_groups_of_findings_lose_none() -> None:
    found = ps.audit_fairness(ps.demo_study("unfair_order"))
    groups = findings_by_weight(found)
    assert sorted(f.id for own in groups.values() for f in own) == sorted(
        f.id for f in found
    )
