"""Patterns: one bake speaks of itself, repeatable means every bake."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.places.pattern import _holm
from tests.conftest import small_settings, small_tables


def grid_study(
    bakes: dict[str, np.ndarray], pit: str = "A", n_columns: int = 6, **more: object
) -> ps.Study:
    """Bakes of one pit from grids of burned (1), not (0) and missing (NaN)."""
    items = []
    for bake, grid in bakes.items():
        for (row, column), burned in np.ndenumerate(np.asarray(grid, dtype=float)):
            gone = np.isnan(burned)
            items.append(
                {
                    "bake": bake,
                    "row": row + 1,
                    "column": column + 1,
                    "burned": None if gone else bool(burned),
                    "missing": "fallen" if gone else None,
                }
            )
    return ps.Study(
        settings=small_settings(),
        pits=pd.DataFrame({"pit": [pit]}),
        bakes=pd.DataFrame({"bake": list(bakes), "pit": pit, **more}),
        items=pd.DataFrame(items),
    )


def near(n_columns: int = 6) -> np.ndarray:
    grid = np.zeros((3, n_columns))
    grid[:, :2] = 1
    return grid


def row(found: ps.GratePatterns) -> pd.Series:
    assert len(found.table) == 1
    return found.table.iloc[0]


def test_one_bake_with_a_dark_end_is_a_pattern_in_this_bake() -> None:
    own = row(ps.map_patterns(grid_study({"1": near()})))
    assert own["verdict"] == "in this bake"
    assert (own["zone"], own["zone_share"], own["other_share"]) == ("near", 1, 0)
    # One of the 18,564 layouts of six in 18 is this, and its mirror image far away.
    assert own["p_pattern"] < 0.001
    assert np.isnan(own["p_repeat"])


def test_the_same_zone_in_every_bake_is_repeatable() -> None:
    weak = near()
    weak[0, 1] = weak[2, 0] = 0
    weak[1, 4] = 1
    found = ps.map_patterns(grid_study({"1": near(), "2": weak, "3": weak[::-1]}))
    own = row(found)
    assert own["verdict"] == "repeatable"
    assert (own["zone"], own["n_standing_out"], own["n_telling"]) == ("near", 3, 3)
    assert len(found.bakes) == 3
    assert found.bakes["p_bb"].notna().all()


def test_patterns_that_wander_are_not_repeatable() -> None:
    far, door = near()[:, ::-1], np.zeros((3, 6))
    door[0] = 1
    own = row(ps.map_patterns(grid_study({"1": near(), "2": far, "3": door})))
    assert own["verdict"] == "in these bakes"


def test_a_pattern_in_one_bake_of_three_is_not_repeatable() -> None:
    rng = np.random.default_rng(5)
    noise = [rng.permuted(np.repeat([1.0, 0], [4, 14])).reshape(3, 6) for _ in "ab"]
    own = row(ps.map_patterns(grid_study({"1": near(), "2": noise[0], "3": noise[1]})))
    assert own["verdict"] != "repeatable"


def test_bakes_in_which_all_or_none_burned_tell_nothing() -> None:
    found = ps.map_patterns(
        grid_study({"1": near(), "2": np.zeros((3, 6)), "3": np.ones((3, 6))})
    )
    own = row(found)
    assert (own["n_bakes"], own["n_telling"]) == (3, 1)
    assert own["verdict"] == "in this bake"
    assert any("only one bake" in caveat for caveat in found.caveats)
    none = row(ps.map_patterns(grid_study({"1": np.zeros((3, 6))})))
    assert none["verdict"] == "cannot be judged"
    assert np.isnan(none["p_pattern"])


def test_missing_cells_leave_the_test() -> None:
    grid = near()
    grid[0, 0] = np.nan
    found = ps.map_patterns(grid_study({"1": grid, "2": np.full((3, 6), np.nan)}))
    own = row(found)
    assert (own["n_cells"], own["n_bakes"]) == (17, 1)
    assert any("19 items" in caveat for caveat in found.caveats)


def test_turned_items_have_no_place() -> None:
    study = grid_study({"1": near(), "2": near()}, rotated=[True, False])
    found = ps.map_patterns(study)
    assert row(found)["n_bakes"] == 1
    assert any("turned" in caveat for caveat in found.caveats)


@pytest.mark.parametrize(
    "grid", [[[1, 1, 0, 0]], [[1], [0], [1]], [[1, 0]], [[1]], [[np.nan, 1, np.nan, 0]]]
)
def test_small_grates_give_a_result(grid: list[list[float]]) -> None:
    own = row(ps.map_patterns(grid_study({"1": np.array(grid)})))
    assert own["verdict"] in ("none shown", "cannot be judged")


def test_grades_are_ranked_within_bakes() -> None:
    study = ps.demo_study("unequal_layouts")
    one = ps.map_patterns(study, "grade")
    # Other names, one of them twice as far from the next: ranks do not see it.
    grades = ("raw", "light", "golden", "dark", "burned")
    longer = (*grades[:4], "nearly burned", "burned")
    settings = dataclasses.replace(study.settings, grades=longer)
    two = ps.map_patterns(dataclasses.replace(study, settings=settings), "grade")
    pd.testing.assert_frame_equal(one.table, two.table)
    assert (one.table["verdict"] == "repeatable").all()
    assert one.bakes["bb"].isna().all()


def test_the_same_seed_gives_the_same_numbers_and_is_named() -> None:
    study = ps.demo_study("four_pits")
    one, two = (ps.map_patterns(study, seed=7) for _ in range(2))
    pd.testing.assert_frame_equal(one.table, two.table)
    assert "seed 7" in one.method
    assert one.seed == 7


def test_what_could_have_been_shown_falls_with_more_bakes() -> None:
    rng = np.random.default_rng(2)
    grids = {
        str(k): rng.permuted(np.repeat([1.0, 0], [6, 12])).reshape(3, 6)
        for k in range(5)
    }
    few = row(ps.map_patterns(grid_study({"0": grids["0"]})))
    many = row(ps.map_patterns(grid_study(grids)))
    assert many["detectable"] < few["detectable"] - 0.1


def test_holms_adjustment() -> None:
    # Holm (1979): smallest times three, next times two, never falling.
    np.testing.assert_allclose(
        _holm([0.02, np.nan, 0.01, 0.5]), [0.04, np.nan, 0.03, 0.5]
    )


def test_what_is_not_offered_is_named(study: ps.Study) -> None:
    with pytest.raises(ps.DesignError, match="burned, grade, rise"):
        ps.map_patterns(study, "shade")  # type: ignore[arg-type]
    with pytest.raises(ps.DesignError, match="rook, queen"):
        ps.map_patterns(study, adjacency="bishop")  # type: ignore[arg-type]
    with pytest.raises(ps.DesignError, match="row and column"):
        ps.map_patterns(study, "rise")
    tables = small_tables()
    bare = tables["items"].assign(row=None, column=None)
    unplaced = ps.Study(
        settings=small_settings(),
        **(tables | {"items": bare, "regrades": pd.DataFrame()}),
    )
    with pytest.raises(ps.DesignError, match="row and column"):
        ps.map_patterns(unplaced)


def verdicts(share: np.ndarray, n_bakes: int, n_studies: int) -> pd.Series:
    rng = np.random.default_rng(100 + n_bakes)
    said = []
    for _ in range(n_studies):
        logit = np.log(share / (1 - share)) + rng.normal(0, 0.6, (n_bakes, 1, 1))
        burned = rng.random(logit.shape[:1] + share.shape) < 1 / (1 + np.exp(-logit))
        grids = {str(k): grid * 1.0 for k, grid in enumerate(burned)}
        said.append(row(ps.map_patterns(grid_study(grids)))["verdict"])
    return pd.Series(said).value_counts(normalize=True)


@pytest.mark.slow
@pytest.mark.parametrize("n_bakes", [1, 2, 4])
def test_false_alarms_over_all_steps(n_bakes: int) -> None:
    # Error of a share of 300 studies near 0.05: 0.013.
    said = verdicts(np.full((3, 6), 0.3), n_bakes, 300)
    calm = said.get("none shown", 0) + said.get("cannot be judged", 0)
    assert 1 - calm <= 0.09
    assert said.get("repeatable", 0) <= 0.05


@pytest.mark.slow
def test_a_planted_fall_is_found_and_called_repeatable() -> None:
    steep = np.tile([0.8, 0.65, 0.15, 0.1, 0.1, 0.1], (3, 1))
    said = verdicts(steep, 4, 100)
    assert said.get("repeatable", 0) >= 0.8
