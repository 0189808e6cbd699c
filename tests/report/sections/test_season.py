"""Pages of a season and of a re-test: every sentence from the result, nothing more."""

from pathlib import Path

import pytest

import pitstats as ps
from pitstats.report.section import Section, Sentences, Table, Text
from pitstats.report.sections import retest, season
from tests.analysis.retest.test_retest import moved_damper
from tests.analysis.season.test_season import counted


@pytest.fixture
def results(tmp_path: Path) -> ps.SeasonResults:
    days = {
        "day 1": [("A", "1", 2), ("R", "1", 5), ("A", "2", 1), ("R", "2", 6)],
        "day 2": [("B", "1", 12), ("R", "1", 6), ("B", "2", 14), ("R", "2", 5)],
        "day 3": [("C", "1", 3)],
    }
    for name, bakes in days.items():
        ps.write_study(counted(name, bakes), tmp_path / name)
    return ps.SeasonResults(ps.read_season(tmp_path))


def texts(section: Section) -> str:
    parts = []
    for part in section.body:
        if isinstance(part, Sentences):
            parts += part.sentences
        elif isinstance(part, Table):
            parts.append(part.shown.to_string())
        elif isinstance(part, Text):
            parts.append(part.text)
    return "\n".join(parts)


def test_the_first_page_of_a_season_answers(results: ps.SeasonResults) -> None:
    page = ps.pages.season(results)
    answer = next(p.text for p in page.body if isinstance(p, Text))
    assert answer.startswith("Over the season B burned more than A")
    said = next(p.sentences for p in page.body if isinstance(p, Sentences))
    assert any("was never baked in one study with" in sentence for sentence in said)


def test_sections_of_a_season(results: ps.SeasonResults) -> None:
    assert "no bridge" in texts(ps.ask.season_pairs(results))
    assert "100%" in texts(ps.ask.season_pairs(results))
    assert "Spread between studies" in texts(ps.ask.season_rates(results))
    course = ps.ask.season_course(results)
    assert "unknown" in texts(course)
    assert "next plan may borrow a spread" in texts(course)
    assert "was not applied" in texts(ps.ask.season_pairs(results))
    assert course.answer == "No pit's later studies can be told from its earlier ones."


def test_days_alike_are_labeled(results: ps.SeasonResults) -> None:
    alike = ps.SeasonResults(results.season, days_alike=True)
    assert season.in_short_pairs(alike).startswith("If all days were alike")


@pytest.mark.parametrize("n", [1, 3])
def test_words_of_a_retest(n: int) -> None:
    changes = ps.compare_settings(moved_damper(n, n))
    lines = retest.sentences(changes)
    assert len(lines) == len(changes.table)
    if n == 1:
        assert all("no verdict" in line for line in lines)
    else:
        assert "interval" in lines[0]
    assert max(len(line.split()) for line in lines) <= 30
    page = ps.pages.retest(changes, "Damper")
    assert any(isinstance(p, Text) and p.text == lines[0] for p in page.body)
    assert "before" in texts(ps.ask.changes(changes))
    assert ps.ask.what_else(changes).answer.startswith("The audit has")


def test_the_demo_holds_its_truth() -> None:
    changes = ps.compare_settings(ps.demo_study("moved_damper"))
    burned = changes.table.set_index("outcome").loc["burned"]
    assert burned["conf_low"] < 0.20 - 0.55 < burned["conf_high"]
