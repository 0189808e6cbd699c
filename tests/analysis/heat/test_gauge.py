"""Gauges against the grate: truth found, bakes as the unit, lost probes bridged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats as sps

import pitstats as ps
from pitstats.stats import limits_of_agreement
from pitstats.study.demo import SimulatedPit, simulate_demo_probes, simulate_study
from pitstats.study.simulate_probes import ProbedPit, simulate_probes


@pytest.fixture(scope="module")
def demo() -> ps.Study:
    return ps.demo_study("probed_pits")


@pytest.fixture(scope="module")
def gauges(demo: ps.Study) -> ps.GaugeComparison:
    return ps.compare_gauges(demo)


def means_only(indicated: list[float], grate: list[float], bakes: int) -> ps.Study:
    """Two pits of which only means over the bake are known."""
    pits = [SimulatedPit(pit="A", rate=0.2), SimulatedPit(pit="B", rate=0.2)]
    study = simulate_study(pits, bakes=bakes, rng=np.random.default_rng(1)).study
    known = study.bakes.assign(indicated_temp=indicated, grate_temp=grate)
    return replace(study, bakes=known)


def test_the_true_offsets_of_the_demo_lie_in_their_intervals(
    gauges: ps.GaugeComparison,
) -> None:
    truth = simulate_demo_probes("probed_pits").truth.pits.set_index("pit")
    table = gauges.table.set_index("pit")
    for pit in ("Quarry", "Ferry"):
        offset = truth.loc[pit, "gauge_offset"]
        assert table.loc[pit, "conf_low"] < offset < table.loc[pit, "conf_high"]
    pair = gauges.differences.iloc[0]
    assert pair["conf_low"] < -26 - 7 < pair["conf_high"]
    assert pair["p_value"] < 0.01


def test_the_bake_is_the_unit(gauges: ps.GaugeComparison) -> None:
    own = gauges.bakes.loc[gauges.bakes["pit"] == "Quarry", "difference"]
    half = sps.t.ppf(0.975, 3) * own.std() / 2
    row = gauges.table.iloc[0]
    assert row["n_bakes"] == 4
    assert row["n_readings"] == 180
    assert row["bias"] == pytest.approx(own.mean())
    assert row["conf_high"] - row["bias"] == pytest.approx(half)
    agreed = limits_of_agreement(own, np.zeros(4))
    assert row["lower_low"] == pytest.approx(agreed.lower_interval.low)
    assert row["lower"] == pytest.approx(agreed.lower)


def test_several_readings_are_handled_as_readings_of_their_bake(
    gauges: ps.GaugeComparison,
) -> None:
    own = gauges.readings[gauges.readings["pit"] == "Ferry"]
    agreed = limits_of_agreement(own["indicated"], own["grate"], own["bake"])
    row = gauges.table.set_index("pit").loc["Ferry"]
    assert row["reading_upper"] == pytest.approx(agreed.upper)
    assert agreed.n_groups == 4


def test_offsets_become_browning_rates_by_five_ninths_alone(
    gauges: ps.GaugeComparison,
) -> None:
    assert sorted(gauges.factors["z"].unique()) == [25, 35, 60]
    bias = gauges.table["bias"].iloc[0]
    row = gauges.factors[
        (gauges.factors["pit"] == "Quarry") & (gauges.factors["z"] == 35)
    ]
    # A gauge that reads low hides heat: the factor is above 1.
    assert row["factor"].item() == pytest.approx(10 ** (-bias * 5 / 9 / 35))
    assert row["conf_low"].item() < row["factor"].item() < row["conf_high"].item()
    pair = gauges.pair_factors[gauges.pair_factors["z"] == 60]
    difference = gauges.differences["estimate"].item()
    assert pair["factor"].item() == pytest.approx(10 ** (-difference * 5 / 9 / 60))


def test_a_chosen_z_is_shown_beside_the_three(demo: ps.Study) -> None:
    chosen = ps.compare_gauges(demo, z=33)
    assert sorted(chosen.factors["z"].unique()) == [25, 33, 35, 60]
    with pytest.raises(ps.DesignError, match="above 0 K"):
        ps.compare_gauges(demo, z=0)


def test_a_lost_probe_does_not_move_the_grate(demo: ps.Study) -> None:
    whole = ps.compare_gauges(demo).bakes.set_index("bake")["difference"]
    # Without the hottest cell of one bake the plain mean would fall by 3 °F.
    hot = demo.probes["bake"].eq("Quarry-2") & demo.probes["column"].eq(1)
    hot = (hot & demo.probes["row"].eq(1)).fillna(False)
    assert hot.any()
    less = ps.compare_gauges(replace(demo, probes=demo.probes[~hot]))
    moved = less.bakes.set_index("bake")["difference"] - whole
    assert moved.abs().max() < 0.3


def probed_by_hand(
    grate: dict[str, dict[int, float]], lid: dict[str, float]
) -> ps.Study:
    """One pit, one reading of each probe; ``grate`` by bake and column."""
    study = ps.study_from_counts(["A"] * len(lid), [20] * len(lid), [5] * len(lid))
    bakes = study.bakes["bake"].tolist()
    names = dict(zip(lid, bakes, strict=True))
    rows = [
        (names[bake], f"p{column}", "main", 2, column, 10.0, temp)
        for bake, cells in grate.items()
        for column, temp in cells.items()
    ]
    rows += [(names[b], "lid", None, None, None, 10.0, temp) for b, temp in lid.items()]
    columns = ["bake", "probe", "grate", "row", "column", "minute", "temp"]
    probes = pd.DataFrame(rows, columns=columns)
    probes = probes.astype({"row": "Int64", "column": "Int64"})
    grates = pd.DataFrame({"pit": ["A"], "grate": ["main"], "rows": 3, "columns": 6})
    settings = replace(study.settings, temperature_unit="F")
    return replace(study, settings=settings, grates=grates, probes=probes)


def test_a_cell_probed_in_one_bake_only_stays_out_of_the_level() -> None:
    study = probed_by_hand({"a": {1: 400, 6: 340}, "b": {1: 390}}, {"a": 355, "b": 349})
    found = ps.compare_gauges(study)
    # Both levels are readings of the one cell that both bakes have.
    assert found.bakes["grate"].tolist() == pytest.approx([400, 390])
    assert found.bakes["difference"].tolist() == pytest.approx([-45, -41])
    assert found.bakes["n_cells"].tolist() == [1, 1]
    assert found.bakes["n_filled"].tolist() == [0, 0]
    assert found.bakes["n_left_out"].tolist() == [1, 0]
    half = sps.t.ppf(0.975, 1) * 2
    assert found.table["conf_high"].item() == pytest.approx(-43 + half)
    (said,) = [text for text in found.caveats if "one bake only are left out" in text]
    assert "the one cell at row 2, column 1 on main" in said
    assert "row 2, column 6 on main" in said


def test_a_cell_of_one_bake_moves_no_other_bake() -> None:
    gauge = {"a": 355.0, "b": 345.0}
    levels = [
        ps.compare_gauges(
            probed_by_hand({"a": {1: 400, 6: far}, "b": {1: 390}}, gauge)
        ).bakes["grate"]
        for far in (340.0, 300.0)
    ]
    # The reading at column 6 in the first bake says nothing about the second.
    assert levels[0].tolist() == pytest.approx(levels[1].tolist())


def test_bakes_that_all_agree_give_no_interval() -> None:
    study = probed_by_hand({"a": {1: 400}, "b": {1: 390}}, {"a": 355, "b": 345})
    found = ps.compare_gauges(study)
    row = found.table.iloc[0]
    assert row["bias"] == -45
    assert row["sd"] == 0
    ends = ["conf_low", "conf_high", "lower", "upper", "reading_lower", "upper_high"]
    assert row[ends].isna().all()
    assert found.factors["conf_low"].isna().all()
    assert any("spread of zero" in text for text in found.caveats)
    assert not any("few bakes" in text for text in found.caveats)


def test_bakes_without_common_cells_have_their_own_means() -> None:
    grate = {"a": {1: 400.0, 2: 380.0}, "b": {5: 350.0, 6: 330.0}}
    found = ps.compare_gauges(probed_by_hand(grate, {"a": 360, "b": 345}))
    assert found.bakes["grate"].tolist() == pytest.approx([390, 340])
    assert found.bakes[["n_filled", "n_left_out"]].eq(0).all(axis=None)
    (said,) = [text for text in found.caveats if "in common" in text]
    a, b = found.bakes["bake"]
    assert f"({a}; {b})" in said


def test_groups_of_linked_bakes_are_bridged_within_themselves() -> None:
    grate = {
        "a": {1: 400.0, 2: 380.0},
        "b": {1: 410.0, 2: 390.0},
        "c": {5: 350.0, 6: 330.0},
        "d": {5: 356.0, 6: 336.0},
        "e": {6: 340.0},
    }
    study = probed_by_hand(grate, dict.fromkeys(grate, 350.0))
    found = ps.compare_gauges(study)
    assert found.bakes["grate"].tolist() == pytest.approx([390, 400, 340, 346, 350])
    assert found.bakes["n_filled"].tolist() == [0, 0, 0, 0, 1]
    # A chain links bakes that have no cell in common themselves.
    chain = {"a": {1: 400.0}, "b": {1: 410.0, 6: 350.0}, "c": {6: 346.0}}
    linked = ps.compare_gauges(probed_by_hand(chain, dict.fromkeys(chain, 350.0)))
    assert linked.bakes["grate"].tolist() == pytest.approx([370, 380, 376])
    assert not any("in common" in text for text in linked.caveats)


def held_with_lost_probes(n_bakes: int, lost: float, seed: int) -> bool:
    """Whether the interval of one simulated study holds the offset of its cells."""
    rng = np.random.default_rng([47, n_bakes, seed])
    fall = {1: 12.0, 2: 6.0, 4: 0.0, 5: -6.0, 6: -12.0}
    grate, lid = {}, {}
    for bake in map(str, range(n_bakes)):
        level = 350 + rng.normal(0, 5)
        lid[bake] = level - 15 + rng.normal(0, 3)
        kept = [column for column in fall if rng.random() > lost]
        grate[bake] = {c: level + fall[c] + rng.normal(0, 2) for c in kept or [4]}
    study = probed_by_hand(grate, lid)
    summary = ps.summarize_probes(study)
    # A cell probed once is left out unless its bake shares none with the others; the
    # offset is that from the cells that serve.
    times = pd.Series([c for cells in grate.values() for c in cells]).value_counts()
    used = {
        c
        for cells in grate.values()
        for c in cells
        if times[c] > 1 or not any(times[other] > 1 for other in cells)
    }
    places = np.mean([fall[c] for c in used])
    row = ps.compare_gauges(study, summary=summary).table.iloc[0]
    return bool(row["conf_low"] <= -15 - places <= row["conf_high"])


@pytest.mark.slow
def test_intervals_hold_the_truth_with_lost_probes() -> None:
    held = [held_with_lost_probes(4, 0.25, seed) for seed in range(100)]
    assert np.mean(held) >= 0.9


def test_means_of_gauge_and_grate_are_enough() -> None:
    study = means_only([325, 325, 330, 320], [335, 320, 342, 314], 2)
    found = ps.compare_gauges(study)
    assert found.table["bias"].tolist() == [-11, 5.5]
    assert found.readings.empty
    assert set(found.bakes["source"]) == {"indicated_temp and grate_temp"}
    assert found.table["reading_lower"].isna().all()
    assert any("means over the bake only" in text for text in found.caveats)


def test_one_bake_has_a_difference_and_no_interval() -> None:
    study = means_only([325, 325], [335, 320], 1)
    found = ps.compare_gauges(study)
    assert found.table["bias"].tolist() == [-10, 5]
    assert found.table[["conf_low", "lower", "upper_high"]].isna().all(axis=None)
    assert found.differences["estimate"].item() == -15
    assert np.isnan(found.differences["conf_low"].item())
    assert any("one bake only" in text for text in found.caveats)


def test_indicated_temp_goes_with_grate_probes_where_no_lid_was_read(
    demo: ps.Study,
) -> None:
    lid = demo.probes["probe"].eq("lid") & demo.probes["bake"].eq("Ferry-2")
    found = ps.compare_gauges(replace(demo, probes=demo.probes[~lid]))
    row = found.bakes.set_index("bake").loc["Ferry-2"]
    assert row["source"] == "indicated_temp and grate probes"
    assert row["gauge"] == "lid"
    full = ps.compare_gauges(demo).bakes.set_index("bake").loc["Ferry-2"]
    assert row["grate"] == pytest.approx(full["grate"], abs=0.3)


def test_only_lid_gauges_fall_back_on_grate_temp(demo: ps.Study) -> None:
    lid = demo.probes[demo.probes["probe"].eq("lid")]
    found = ps.compare_gauges(replace(demo, probes=lid))
    assert len(found.bakes) == 8
    neither = replace(demo, probes=lid, bakes=demo.bakes.assign(grate_temp=np.nan))
    with pytest.raises(ps.DesignError, match="begins with lid"):
        ps.compare_gauges(neither)


def test_two_lid_gauges_are_told_apart(demo: ps.Study) -> None:
    lid = demo.probes[demo.probes["probe"].eq("lid")]
    second = lid.assign(probe="lid 2", temp=lid["temp"] + 5)
    both = pd.concat([demo.probes, second], ignore_index=True)
    found = ps.compare_gauges(replace(demo, probes=both)).table
    assert found["gauge"].tolist() == ["lid", "lid 2", "lid", "lid 2"]
    assert found["bias"].diff()[1] == pytest.approx(5)


def test_three_pits_allow_for_all_pairs() -> None:
    rng = np.random.default_rng(11)
    pits = [SimulatedPit(pit=name, rate=0.2) for name in "ABC"]
    study = simulate_study(pits, bakes=3, rng=rng).study
    probed = [
        ProbedPit(pit=name, gauge_offset=offset, fall=10, cells=[(1, 1), (2, 4)])
        for name, offset in (("A", -20), ("B", 0), ("C", 20))
    ]
    made = simulate_probes(study, probed, step=1.0, rng=rng).study
    found = ps.compare_gauges(made)
    assert len(found.differences) == 3
    wide = (
        found.differences["simultaneous_high"] - found.differences["simultaneous_low"]
    )
    alone = found.differences["conf_high"] - found.differences["conf_low"]
    assert (wide > alone).all()


@pytest.mark.slow
def test_intervals_of_the_bias_hold_the_truth() -> None:
    """Coverage over simulated studies: three bakes of one pit, five probes."""
    held = []
    pit = ProbedPit(
        pit="A",
        gauge_offset=-15,
        fall=30,
        cells=[(1, 1), (2, 2), (3, 3), (2, 5), (1, 6)],
    )
    base = simulate_study(
        [SimulatedPit(pit="A", rate=0.2)], bakes=3, rng=np.random.default_rng(1)
    ).study
    for seed in range(300):
        rng = np.random.default_rng([41, seed])
        study = simulate_probes(base, [pit], step=1.0, rng=rng).study
        row = ps.compare_gauges(study).table.iloc[0]
        held.append(row["conf_low"] <= -15 <= row["conf_high"])
    # 0.95 less three standard errors of 300 studies.
    assert np.mean(held) > 0.91
