"""Pages of a season and of a re-test: every sentence from the result, nothing more."""

from collections.abc import Iterable, Sequence
from functools import cache
from itertools import product
from pathlib import Path

import pytest

import pitstats as ps
from pitstats.report.section import FirstPage, Pictures, Section, Sentences, Table, Text
from pitstats.report.sections import retest, season
from tests.analysis.retest.test_retest import moved_damper
from tests.analysis.season.test_season import counted
from tests.report.overclaims import overclaims, said, typed_in, unplain


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
    (picture,) = next(p.pictures for p in page.body if isinstance(p, Pictures))
    assert "nearer to 50% than every study" in picture.caption
    said = next(p.sentences for p in page.body if isinstance(p, Sentences))
    assert any(
        "have no bake that counts in one study with" in sentence for sentence in said
    )
    answer = ps.ask.season_pairs(results).answer
    assert answer == (
        "One of three pairs is told apart; nothing links the pits of three pairs."
    )


def test_pairs_that_are_not_told_apart_are_not_called_alike(tmp_path: Path) -> None:
    bakes = [("A", "1", 3), ("R", "1", 4), ("A", "2", 4), ("R", "2", 3)]
    ps.write_study(
        counted("day 1", [*bakes, ("B", "1", 4), ("B", "2", 3)]), tmp_path / "1"
    )
    same = ps.SeasonResults(ps.read_season(tmp_path))
    assert ps.ask.season_pairs(same).answer == "None of three pairs are told apart."


def test_sections_of_a_season(results: ps.SeasonResults) -> None:
    assert "no bridge" in texts(ps.ask.season_pairs(results))
    assert "100%" in texts(ps.ask.season_pairs(results))
    assert "Spread between studies" in texts(ps.ask.season_rates(results))
    course = ps.ask.season_course(results)
    assert "unknown" in texts(course)
    assert "next plan may borrow a spread" in texts(course)
    assert "was not applied" in texts(ps.ask.season_pairs(results))
    assert course.answer == "No pit's later studies can be told from its earlier ones."


def test_a_level_asked_for_reaches_every_table(results: ps.SeasonResults) -> None:
    narrow = ps.SeasonResults(results.season, conf_level=0.5)
    for name in ("change", "repeatability", "progress"):
        wide, own = getattr(results, name), getattr(narrow, name)
        low, high = (
            next(c for c in own if str(c).endswith(e)) for e in ("low", "high")
        )
        known = own[low].notna() & wide[low].notna()
        assert known.any()
        assert ((own[high] - own[low]) < (wide[high] - wide[low]))[known].all()


def test_days_alike_are_labeled(results: ps.SeasonResults) -> None:
    alike = ps.SeasonResults(results.season, days_alike=True)
    assert season.in_short_pairs(alike).startswith("If all days were alike")
    assert "no bridge" not in texts(ps.ask.season_pairs(alike))
    assert alike.estimate.caveats[0].startswith("Days assumed alike")


@cache
def a_retest(n: int, better: bool) -> tuple[ps.Study, ps.SettingComparison]:
    """A damper moved within n sessions; 0: the demo."""
    study = moved_damper(n, n, better) if n else ps.demo_study("moved_damper")
    return study, ps.compare_settings(study)


@pytest.mark.parametrize("n", [1, 4])
def test_words_of_a_retest(n: int) -> None:
    _, changes = a_retest(n, True)
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


SEASON = (
    ps.ask.season_rates,
    ps.ask.season_pairs,
    ps.ask.season_course,
    ps.ask.season_graders,
)


def held(
    first: FirstPage, sections: Sequence[Section], studies: Iterable[ps.Study]
) -> None:
    """No sentence is long or counts wrongly, no answer claims more than it can."""
    typed = {own for study in studies for own in typed_in(study)}
    for text in said(first):
        assert unplain(text, 30) == [], text
    for own in (first, *sections):
        for text in said(own):
            assert unplain(text) == [], text
    answers = [part.text for part in first.body if isinstance(part, Text)]
    for text in (*answers, *(own.answer for own in sections)):
        assert overclaims(text, typed) == [], text


def test_a_season_speaks_plainly(results: ps.SeasonResults) -> None:
    for own in (results, ps.SeasonResults(results.season, days_alike=True)):
        sections = [ask(own) for ask in SEASON]
        held(ps.pages.season(own), sections, own.season.studies.values())


@pytest.mark.parametrize("name", ["one afternoon", "demo"])
def test_a_small_season_speaks_plainly(name: str, tmp_path: Path) -> None:
    study = ps.demo_study("one_bake_each" if name == "one afternoon" else "four_pits")
    ps.write_study(study, tmp_path / "season" / "day")
    own = ps.SeasonResults(ps.read_season(tmp_path / "season"))
    held(ps.pages.season(own), [ask(own) for ask in SEASON], [study])


@pytest.mark.parametrize(
    ("n", "better"),
    [(0, True), *product([1, 2, 4], [True, False])],
)
def test_a_retest_speaks_plainly(n: int, better: bool) -> None:
    study, changes = a_retest(n, better)
    sections = [ps.ask.changes(changes), ps.ask.what_else(changes)]
    held(ps.pages.retest(changes, "Damper"), sections, [study])


def test_the_demo_holds_its_truth() -> None:
    _, changes = a_retest(0, True)
    burned = changes.table.set_index("outcome").loc["burned"]
    assert burned["conf_low"] < 0.20 - 0.55 < burned["conf_high"]
