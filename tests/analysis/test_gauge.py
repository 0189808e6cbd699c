"""Gauges against the grate: truth found, bakes as the unit, lost probes bridged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats as sps

import pitstats as ps
from pitstats.analysis.gauge import cell_deviations
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
    assert gauges.agreements["Quarry", "lid"].lower == pytest.approx(row["lower"])


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


def test_cell_deviations_follow_the_fall_of_the_grate(demo: ps.Study) -> None:
    deviations = cell_deviations(ps.summarize_probes(demo))
    quarry = deviations["Quarry"]
    assert quarry.sum() == pytest.approx(0)
    # 44 °F from wall to wall; columns 1 and 6 lie 5/6 of that apart.
    assert quarry["main 1 1"] - quarry["main 1 6"] == pytest.approx(44 * 5 / 6, abs=1)


def test_bakes_that_share_no_cell_are_not_bridged(demo: ps.Study) -> None:
    summary = ps.summarize_probes(demo)
    table = summary.table.copy()
    table["column"] = table["column"].where(table["bake"] != "Quarry-2", pd.NA)
    table["probe"] = table["probe"].where(table["bake"] != "Quarry-2", "q")
    apart = cell_deviations(replace(summary, table=table))
    assert (apart["Quarry"] == 0).all()


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
