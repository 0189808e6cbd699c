from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import pitstats as ps
from pitstats.planning import simulation
from pitstats.planning.looks import boundary_in_words, checked_looks
from pitstats.planning.search import curve_sentence
from pitstats.planning.simulation import (
    ALIKE,
    SEPARATED,
    BakeDesign,
    Question,
    SimulationRules,
    run_designs,
    share_with_error,
)
from pitstats.stats.stopping import stopping_levels


@cache
def plan() -> ps.BakePlan:
    return ps.plan_bakes(
        items=16,
        rate=0.2,
        difference=0.4,
        looks=[1, 2, 4],
        margin=0.2,
        simulations=600,
        rng=1,
    )


def test_looks_trade_a_little_power_for_bakes() -> None:
    (row,) = plan().table.to_dict("records")
    assert row["looks"] == "1, 2, 4"
    assert row["power"] <= row["one_look_power"]
    assert row["power"] > row["one_look_power"] - 0.12
    assert 2 < row["mean_bakes"] < 4
    assert row["false_alarm"] < 0.05
    assert row["shown_too_large"] > 0


def test_chances_to_stop_add_up_to_the_power_and_the_false_alarm() -> None:
    stops, (row,) = plan().stops, plan().table.to_dict("records")
    assert stops["stop"].sum() == pytest.approx(row["power"])
    assert stops["stop_alike"].sum() == pytest.approx(row["false_alarm"])
    assert stops["stop"].iloc[0] == 0
    assert np.allclose(stops["level"], stopping_levels([1, 2, 4], items=16).levels)


def test_one_look_is_the_plan_without_looks_to_the_last_digit() -> None:
    asked = {"items": 12, "simulations": 300, "rng": 3}
    one = ps.plan_bakes(looks=[3], **asked).table.iloc[0]
    plain = ps.plan_bakes([3], **asked).table.iloc[0]
    for name in ("power", "false_alarm", "width", "power_error"):
        assert one[name] == plain[name]
    assert one["mean_bakes"] == 3


def test_looks_at_sessions_of_both_pits_keep_their_own_wider_boundary() -> None:
    asked = {"items": 12, "simulations": 200, "rng": 3, "sd_session": 0.6}
    asked |= {"rate": 0.2, "difference": 0.5, "margin": 0.4}
    found = ps.plan_bakes(looks=[1, 2, 4], **asked)
    stops, (row,) = found.stops, found.table.to_dict("records")
    levels = stopping_levels([1, 2, 4], items=12, sessions=True).levels
    assert np.allclose(stops["level"], levels)
    assert (levels[1:] < stopping_levels([1, 2, 4], items=12).levels[1:]).all()
    assert stops["stop"].iloc[0] == 0
    assert stops["stop"].sum() == pytest.approx(row["power"])
    assert 0.5 < row["power"] <= row["one_look_power"]
    assert 2 < row["mean_bakes"] < 4
    assert row["false_alarm"] < 0.05
    assert row["no_difference"] > 0.1


def test_one_look_at_sessions_is_the_plan_without_looks() -> None:
    asked = {"items": 12, "simulations": 60, "rng": 3, "sd_session": 0.6}
    one = ps.plan_bakes(looks=[3], **asked).table.iloc[0]
    plain = ps.plan_bakes([3], **asked).table.iloc[0]
    assert one["power"] == plain["power"]
    assert one["mean_bakes"] == 3


def test_chunks_change_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"items": 12, "simulations": 1200, "rng": 3}
    few = ps.plan_bakes(looks=[2, 3], **asked)
    monkeypatch.setattr(simulation, "CHUNK", 500)
    many = ps.plan_bakes(looks=[2, 3], **asked)
    assert many.table.equals(few.table)
    assert many.stops.equals(few.stops)


def test_three_pits_are_judged_with_all_pairs_allowed_for() -> None:
    found = ps.plan_bakes(
        items=12, difference=0.5, looks=[2, 3], pits=3, simulations=100, rng=1,
    )  # fmt: skip
    row = found.table.iloc[0]
    assert 0.1 < row["power"] <= row["one_look_power"] + 1e-9


def test_the_boundary_in_words() -> None:
    lines = boundary_in_words(plan())
    assert (
        lines[0] == "After 1 bake of each pit say nothing: one bake allows no verdict."
    )
    level = stopping_levels([1, 2, 4], items=16).levels[1]
    assert f"the {100 * (1 - level):.1f}% interval" in lines[1]
    assert boundary_in_words(ps.plan_bakes(2, 12, simulations=100, rng=1)) == []


def test_every_bake_and_what_cannot_be() -> None:
    assert checked_looks("every", 4) == (2, 3, 4)
    assert checked_looks("every", None) == (2, 3, 4, 5, 6)
    for wrong in ([4, 2], [], [0, 2], [2, 2.5], "often"):
        with pytest.raises(ps.DesignError, match="looks is"):
            checked_looks(wrong, None)
    with pytest.raises(ps.DesignError, match="last look is after 4"):
        ps.plan_bakes(6, looks=[2, 4], simulations=100)


# --- the planner finds the number -----------------------------------------------------


def test_the_search_finds_the_first_number_that_reaches_the_chance() -> None:
    asked = {"simulations": 500, "rng": 1}
    found = ps.find_bakes(18, 0.1, 0.4, **asked)
    direct = ps.plan_bakes(
        [found.bakes - 1, found.bakes], 18, rate=0.1, difference=0.4, **asked
    ).table["power"]
    assert direct[0] < 0.8 <= direct[1]
    assert f"It takes {found.bakes} bakes" in found.sentence
    none = ps.find_bakes(6, 0.2, 0.05, most=3, **asked)
    assert none.bakes is None
    assert "look for a larger difference" in none.sentence
    with pytest.raises(ps.DesignError, match="between 0 and 1"):
        ps.find_bakes(power=2)
    with pytest.raises(ps.DesignError, match="2 to 200"):
        ps.find_bakes(most=1)


def test_more_bakes_find_smaller_differences() -> None:
    curve = ps.findable_differences([3, 6], 18, simulations=300, rng=1)
    assert curve["difference"].is_monotonic_decreasing
    assert curve_sentence(curve).startswith("With 3 and 6 bakes of each pit you can")
    assert "None" in curve_sentence(curve.assign(difference=np.nan))


def test_a_reference_gets_its_share() -> None:
    found = ps.split_with_reference(9, 12, simulations=200, rng=1)
    assert found.table["bakes"].tolist() == ["5, 2, 2", 3]
    with pytest.raises(ps.DesignError, match="plan at least 6"):
        ps.split_with_reference(5)


# --- exact power --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bakes", "items", "difference", "sd"),
    [
        ((2, 2), (12, 12), 0.5, 0.6),
        ((3, 3), (6, 6), 0.5, (0.3, 1.0)),
        ((2, 3), (10, 7), 0.6, 0.3),
    ],
)
def test_simulation_agrees_with_enumeration(
    bakes: tuple[int, ...],
    items: tuple[int, ...],
    difference: float,
    sd: float | tuple[float, ...],
) -> None:
    row = ps.plan_bakes(
        [bakes], [items], difference=difference, sd_bake=[sd], simulations=50, rng=1
    ).table.iloc[0]
    assert row["power_error"] == row["false_alarm_error"] == 0
    sds = sd if isinstance(sd, tuple) else None
    asked = Question(
        BakeDesign(bakes, items), 0.2, difference, 0.6 if sds else sd, sd_of_pits=sds
    )
    rules = SimulationRules(4000, 1, 0.95)
    apart, alike = run_designs([(asked, SEPARATED), (asked, ALIKE)], rules, label="")
    for name, found in (("power", apart), ("false_alarm", alike)):
        share, error = share_with_error(found.separated, found.studies)
        assert row[name] == pytest.approx(share, abs=3.5 * error)


def test_a_plan_uses_the_enumeration() -> None:
    row = ps.plan_bakes(3, 8, difference=0.4, simulations=50, rng=1).table.iloc[0]
    assert row["power"] == ps.exact_power(3, 8, difference=0.4)
    large = ps.plan_bakes(4, 8, difference=0.4, simulations=50, rng=1).table.iloc[0]
    assert large["power_error"] > 0


def test_exact_power_at_its_limits() -> None:
    assert ps.exact_power(1, 12) == 0
    swapped = ps.exact_power(2, 8, rate=0.3, difference=0.5)
    mirrored = ps.exact_power(2, 8, rate=0.7, difference=-0.5)
    assert swapped == pytest.approx(mirrored, abs=1e-3)
    with pytest.raises(ps.DesignError, match="too many to enumerate"):
        ps.exact_power(4, 12)
