"""The spread that a plan borrows from earlier studies."""

from pathlib import Path

import pytest

import pitstats as ps
from tests.analysis.season.test_season import counted


def test_studies_folders_and_seasons_say_the_same(tmp_path: Path) -> None:
    studies = [ps.demo_study(name) for name in ("four_pits", "moved_damper")]
    ps.write_study(studies[0], tmp_path / "day 1")
    ps.write_study(studies[1], tmp_path / "day 2.xlsx")
    one = ps.earlier_spread(studies)
    assert ps.earlier_spread([tmp_path]) == one
    assert ps.earlier_spread([ps.read_season(tmp_path)]) == one
    assert ps.earlier_spread([tmp_path / "day 1", tmp_path / "day 2.xlsx"]) == one
    assert 0.3 < one[0] < 1.0
    assert 1.5 <= one[1] <= 4


def test_more_studies_know_the_spread_better() -> None:
    pair = [("A", "", 2), ("A", "", 6), ("A", "", 3), ("B", "", 9), ("B", "", 4)]
    few = ps.earlier_spread([counted("day", pair)])
    many = ps.earlier_spread([counted(f"day {k}", pair) for k in range(4)])
    assert many[1] < few[1]


@pytest.mark.parametrize(
    ("bakes", "n"), [([("A", "", 2), ("A", "", 3)], 2), ([("A", "", 2)], 1)]
)
def test_too_few_bakes_are_refused_in_words(
    bakes: list[tuple[str, str, int]], n: int
) -> None:
    with pytest.raises(ps.DesignError, match=f"{n} graded bakes?, too few"):
        ps.earlier_spread([counted("day", bakes)])
    with pytest.raises(ps.DesignError, match="No earlier study"):
        ps.earlier_spread([])


def test_other_ways_of_counting_are_refused_in_words() -> None:
    bakes = [("A", "", 2), ("A", "", 3), ("A", "", 5)]
    other = counted(
        "other",
        bakes,
        grades=("pale", "brown", "black"),
        target_grades=("brown",),
    )
    with pytest.raises(ps.DesignError, match=r"different ways.*other: pale < brown"):
        ps.earlier_spread([counted("day", bakes), other])
