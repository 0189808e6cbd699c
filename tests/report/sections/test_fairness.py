"""Findings as readers meet them: on the page, beside the numbers, in the terminal."""

from dataclasses import replace

import pytest
from click.testing import CliRunner
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.cli import main
from pitstats.report.section import Sentences
from pitstats.report.sections.design import (
    design_sentences,
    design_table,
    extra_bakes_sentences,
    extra_bakes_table,
)
from pitstats.report.sections.fairness import (
    HEADINGS,
    finding_callouts,
    findings_by_weight,
    findings_text,
    in_short,
    rules_sentence,
)
from pitstats.report.words import read_with
from pitstats.study.demo import demo_folder, demo_names
from tests.analysis.planted import PLANTED, fair_study


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


def test_the_gravest_come_first_and_notes_share_one_callout() -> None:
    found = [
        finding("note"),
        finding("note", id="two"),
        finding("weakens"),
        finding("spoils"),
        finding("note", id="ask_cut", message="Was it?"),
    ]
    callouts = list(finding_callouts(found))
    assert [callout.heading for callout in callouts] == list(HEADINGS.values())
    kinds = [callout.kind for callout in callouts]
    assert kinds == ["spoils", "weakens", "note", "note"]
    assert ("What to write", "Say so.") in callouts[0].lines
    assert len(callouts[2].lines) == 2
    assert not list(finding_callouts([]))


def test_how_fair_in_one_sentence() -> None:
    assert in_short([]) == "No unfairness was found in the record."
    assert in_short([finding("note")]).endswith("one note for the reader.")
    assert "one finding weakens it" in in_short([finding()])
    assert "read them before" in in_short([finding("spoils"), finding("spoils")])


# --- beside the numbers ---------------------------------------------------------------


def test_a_line_names_what_touches_a_number_gravest_first() -> None:
    found = [
        finding("spoils", short="order fixed"),
        finding("note", short="no margin"),
        finding("note", id="ask_cut", short="cut"),
        finding("weakens", short="lid open", touches=("rates",)),
    ]
    line = read_with(found, "difference")
    assert line == "Read with: order fixed (may spoil the comparison)."
    assert read_with(found, "rates") == "Read with: lid open."
    assert read_with(found, "temperature") == ""


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
        design_table(ps.audit_design(study)).shown.to_string(index=False),
        *extra_bakes_sentences(more),
        extra_bakes_table(more).to_string(index=False),
    ]
    assert "\n".join(lines) == snapshot


@pytest.mark.parametrize("name", demo_names())
def test_only_a_small_share_hidden_is_called_little_or_nothing(name: str) -> None:
    shown = design_table(ps.audit_design(ps.demo_study(name))).shown
    share = shown["Share hidden"].str.rstrip("%").astype(float)
    assert share[shown["In words"] == "hides little or nothing"].le(10).all()
    assert (
        share[shown["In words"] == "hides less than half of it"].between(10, 50).all()
    )


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


def test_a_fair_study_needs_no_further_bakes() -> None:
    section = ps.ask.design(ps.StudyResults(fair_study()))
    said = [p.sentences for p in section.body if isinstance(p, Sentences)]
    text = " ".join(sentence for sentences in said for sentence in sentences)
    assert "No further bake is needed" in text
    assert section.answer.startswith("Nothing on record")


def test_rules_name_the_temperature_first() -> None:
    text = rules_sentence(ps.demo_study("four_pits").settings)
    assert text.startswith("Temperature rule: same")


def test_the_groups_of_findings_lose_none() -> None:
    found = ps.audit_fairness(ps.demo_study("unfair_order"))
    groups = findings_by_weight(found)
    assert sorted(f.id for own in groups.values() for f in own) == sorted(
        f.id for f in found
    )
