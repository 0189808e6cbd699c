from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pitstats as ps
from pitstats import stats
from pitstats.analysis.rates.early_stop import early_stop
from pitstats.analysis.rates.looks import look_of
from pitstats.stats.stopping import stopping_levels
from pitstats.stats.stopping_trials import Trials
from pitstats.study.study import Study


def study(burned: list[list[int]], items: int = 16, **stated: object) -> Study:
    """A study from counts, one list a pit, with settings of looks."""
    bakes = [(pit, y) for pit, own in zip("AB", burned, strict=True) for y in own]
    made = ps.study_from_counts(
        [pit for pit, _ in bakes], [items] * len(bakes), [y for _, y in bakes]
    )
    return replace(made, settings=replace(made.settings, **stated))


FOUR = [[2, 3, 2, 4], [8, 6, 9, 7]]


def test_one_look_gives_the_numbers_of_a_study_without_looks() -> None:
    plain = ps.compare_pits(study(FOUR))
    for stated in (
        {"looks_taken": (4,)},
        {"looks_planned": (4,)},
        {"looks_planned": (4,), "looks_taken": (4,)},
    ):
        found = ps.compare_pits(study(FOUR, **stated))
        assert found.conf_level == plain.conf_level == 0.95
        assert found.table.equals(plain.table)


def test_a_planned_look_uses_its_level_and_the_p_values_match() -> None:
    looked = study(FOUR, looks_planned=(2, 4, 6), looks_taken=(2, 4))
    found = ps.compare_pits(looked)
    level = stats.stopping_levels([2, 4, 6], items=16).levels[1]
    assert found.conf_level == pytest.approx(1 - level)
    assert found.look.early
    row, plain = found.table.iloc[0], ps.compare_pits(study(FOUR)).table.iloc[0]
    assert row["p_value"] == pytest.approx(plain["p_value"])
    excludes = row["conf_low"] > 0 or row["conf_high"] < 0
    assert excludes == (row["p_adjusted"] < level)
    wide = row["conf_high"] - row["conf_low"]
    assert wide > plain["conf_high"] - plain["conf_low"]


def test_the_present_look_need_not_be_written_down() -> None:
    assert look_of(study(FOUR, looks_planned=(2, 4, 6))).level == pytest.approx(
        look_of(study(FOUR, looks_planned=(2, 4, 6), looks_taken=(2, 4))).level
    )


@pytest.mark.parametrize(
    "stated",
    [
        {"looks_taken": (2, 4)},
        {"looks_taken": (2, 3)},
        {"looks_planned": (2, 5), "looks_taken": (2,)},
        {"looks_planned": (2, 4, 6), "looks_taken": (3, 4)},
    ],
)
def test_looks_that_were_not_planned_face_a_look_after_every_bake(
    stated: dict[str, tuple[int, ...]],
) -> None:
    look = look_of(study(FOUR, **stated))
    assert look.kind == "undeclared"
    assert look.boundary == tuple(range(2, 13))
    assert look.level == pytest.approx(
        stats.stopping_levels(range(2, 13), items=16).levels[2]
    )
    assert look.unguarded > 0.02


def spoiled(made: Study, rows: list[int]) -> Study:
    """The study with these bakes left out."""
    out = made.bakes.index.isin(rows)
    status, reason = (
        made.bakes["status"].mask(out, "excluded"),
        np.where(out, "hail", None),
    )
    return replace(made, bakes=made.bakes.assign(status=status, reason=reason))


def test_a_bake_that_was_left_out_does_not_move_a_planned_look() -> None:
    four = study(FOUR, looks_planned=(2, 4))
    look = look_of(spoiled(four, [2]))
    assert (look.kind, look.bakes, look.early) == ("planned", 4, False)
    assert look.level == look_of(four).level
    one_short = study([FOUR[0], FOUR[1][:3]], looks_planned=(2, 4))
    assert look_of(one_short).kind == "undeclared"
    # The kept bakes are a planned look of their own: the stricter one.
    half = look_of(spoiled(four, [2, 3, 6, 7]))
    assert (half.kind, half.bakes) == ("planned", 2)


def test_one_bake_each_gives_no_verdict_at_any_look() -> None:
    found = ps.compare_pits(study([[2], [9]], looks_planned=(1, 2, 3)))
    assert set(found.table["verdict"]) == {"one bake each"}
    assert np.isfinite(found.conf_level)


def test_a_level_of_ones_own_is_used_as_it_is() -> None:
    found = ps.compare_pits(study(FOUR, looks_taken=(2, 4)), conf_level=0.9)
    assert found.conf_level == 0.9
    assert found.look is None


@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(2, 12), min_size=1, max_size=5), st.integers(2, 12))
def test_more_looks_never_narrow_an_interval(looks: set[int], extra: int) -> None:
    few, many = sorted(looks), sorted({*looks, extra})
    levels = stats.stopping_levels(few).levels
    stricter = dict(zip(many, stats.stopping_levels(many).levels, strict=True))
    assert all(stricter[k] <= x + 1e-12 for k, x in zip(few, levels, strict=True))


# --- a difference seen at an early stop --------------------------------------------


def test_an_early_stop_shows_too_much_as_the_plan_says() -> None:
    """Two routes: trials of the analysis, and the planner's studies."""
    levels = stopping_levels([2, 4, 6], items=16).levels
    trials = Trials((2, 4, 6), (16, 16), (0.2, 0.5), 0.6)
    shown = -trials.shown_at_early_stop(levels, (0, 1), 1, 2000)
    row = ps.plan_bakes(
        items=16, difference=0.3, looks=[2, 4, 6], simulations=2000, rng=1
    ).table.iloc[0]
    error = shown.std() / np.sqrt(shown.size)
    assert shown.mean() - 0.3 == pytest.approx(row["shown_too_large"], abs=5 * error)
    assert shown.mean() > 0.3 + 5 * error


def test_the_warning_stands_where_a_test_stopped_early() -> None:
    both = ps.compare_both_ways(ps.demo_study("early_stop"))
    found = early_stop(both)
    assert abs(found.shown) > abs(found.difference) + 2 * found.error
    assert f"{round(100 * abs(found.shown))} on average" in found.sentence
    last = ps.demo_study("early_stop")
    settings = replace(last.settings, looks_planned=(2, 4))
    assert early_stop(ps.compare_both_ways(replace(last, settings=settings))) is None
    assert early_stop(ps.compare_both_ways(ps.demo_study("four_pits"))) is None


def test_no_early_stop_is_blamed_where_nearly_every_test_would_stop() -> None:
    clear = study([[1, 2, 1, 2], [15, 14, 15, 16]], looks_planned=(2, 4, 6))
    both = ps.compare_both_ways(clear)
    assert both.leading.table["verdict"].item() == "differs"
    assert both.leading.look.early
    assert early_stop(both) is None


def test_what_is_said_of_looks(snapshot: object) -> None:
    undeclared = study([[2, 3, 4, 2], [7, 9, 8, 9]], looks_taken=(2, 3, 4))
    planned = ps.demo_study("early_stop")
    said = {
        name: [f"{f.message} {f.fix}" for f in ps.audit_fairness(s) if "looks" in f.id]
        for name, s in (("undeclared", undeclared), ("planned", planned))
    }
    said["early stop"] = [early_stop(ps.compare_both_ways(planned)).sentence]
    assert said == snapshot


def test_looks_are_stricter_where_sessions_hold_both_pits() -> None:
    made = ps.demo_study("early_stop")
    look = look_of(made)
    assert look.sessions
    apart = replace(made, bakes=made.bakes.assign(session=made.bakes["bake"]))
    alone = look_of(apart)
    assert not alone.sessions
    assert (np.array(look.levels) < np.array(alone.levels)).all()
    sizes = {"looks": [2, 4, 6], "items": 18}
    for found in (look, alone):
        levels = stopping_levels(**sizes, sessions=found.sessions).levels
        np.testing.assert_allclose(found.levels, levels)
    assert stopping_levels([4], sessions=True).levels[0] == pytest.approx(0.05)
