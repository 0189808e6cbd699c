"""Graders of a season: items graded twice, pooled over studies, bakes as the unit."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import pitstats as ps
from pitstats import stats
from pitstats.analysis.grading.regrading import join_regrades
from pitstats.study.demo import SimulatedPit
from pitstats.study.grading import deciding_code
from tests.analysis.second_gradings import regraded
from tests.report.sections.test_season import texts


def graded_twice(seed: int, *, grader: str | None = "Kim", step: int = 1) -> ps.Study:
    pits = [SimulatedPit(pit="North", rate=0.3), SimulatedPit(pit="South", rate=0.3)]
    rng = np.random.default_rng(seed)
    study = ps.simulate_study(pits, bakes=2, rng=rng).study
    study = replace(study, bakes=study.bakes.assign(grader="Ann"))
    return replace(
        study, regrades=regraded(study, share=0.5, step=step, grader=grader, seed=seed)
    )


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> ps.Season:
    folder = tmp_path_factory.mktemp("season")
    for name, study in {
        "May": graded_twice(1),
        "June": graded_twice(2),
        "July": graded_twice(3, grader="Ann", step=-1),
        "August": graded_twice(4, grader=None),
    }.items():
        bakes = study.bakes.assign(bake=study.bakes["bake"] + name)
        items = study.items.assign(bake=study.items["bake"] + name)
        again = study.regrades.assign(bake=study.regrades["bake"] + name)
        whole = replace(study, bakes=bakes, items=items, regrades=again)
        ps.write_study(whole, folder / name)
    return ps.read_season(folder)


def test_graders_are_compared_over_all_studies(season: ps.Season) -> None:
    table = ps.season_graders(season).set_index(["grader", "against"])
    assert set(table.index) == {
        ("Ann", "others"),
        ("Kim", "others"),
        ("Ann", "own first grades"),
    }
    kim, ann = table.loc[("Kim", "others")], table.loc[("Ann", "others")]
    assert (kim["n_studies"], kim["n_bakes"]) == (2, 8)
    assert kim["n_darker"] == ann["n_paler"] > 0
    assert kim["n_paler"] == ann["n_darker"] == 0
    assert kim["agree"] == pytest.approx(1 - kim["n_darker"] / kim["n_items"])
    assert kim["kappa"] == pytest.approx(ann["kappa"])
    own = table.loc[("Ann", "own first grades")]
    assert own["n_studies"] == 1
    assert own["n_paler"] > own["n_darker"] == 0


def test_kappa_is_that_of_all_items_with_bakes_left_out(season: ps.Season) -> None:
    first, second, bakes = [], [], []
    for name in ("June", "May"):
        study = season.studies[name]
        joined = join_regrades(study)
        codes = [deciding_code(own, study.settings) for own in joined.shared()]
        first += codes[0].astype(int).tolist()
        second += codes[1].astype(int).tolist()
        bakes += joined.pairs["bake"].tolist()
    known = stats.cohen_kappa(
        first, second, weights="linear", categories=range(5), cluster=bakes
    )
    table = ps.season_graders(season).set_index(["grader", "against"])
    row = table.loc[("Kim", "others")]
    ends = [row["weighted_kappa"], row["weighted_low"], row["weighted_high"]]
    assert ends == pytest.approx([known.estimate, known.low, known.high])


def test_two_bakes_leave_the_interval_unknown(tmp_path: Path) -> None:
    study = graded_twice(5)
    some = study.bakes["bake"].isin(study.bakes["bake"].iloc[:2])
    bakes = study.bakes.assign(
        status=np.where(some, "kept", "excluded"),
        reason=np.where(some, None, "rain"),
    )
    ps.write_study(replace(study, bakes=bakes), tmp_path / "one")
    results = ps.SeasonResults(ps.read_season(tmp_path))
    assert results.graders["n_bakes"].tolist() == [2, 2]
    assert results.graders["kappa"].notna().all()
    assert results.graders[["kappa_low", "weighted_high"]].isna().all(axis=None)
    section = ps.ask.season_graders(results)
    assert section.answer == "Too few bakes were graded twice to say."
    assert "interval unknown" in texts(section)


def test_the_page_says_how_alike_graders_see(season: ps.Season) -> None:
    section = ps.ask.season_graders(ps.SeasonResults(season))
    assert section.answer.startswith("Agreement beyond chance (1 is full, 0 none): ")
    assert "Kim with others 0." in section.answer


def test_a_season_without_second_gradings_has_nothing_to_say(tmp_path: Path) -> None:
    ps.write_study(ps.demo_study("one_bake_each"), tmp_path / "one")
    results = ps.SeasonResults(ps.read_season(tmp_path))
    assert results.graders.empty
    assert "graded twice" in ps.ask.season_graders(results).missing
