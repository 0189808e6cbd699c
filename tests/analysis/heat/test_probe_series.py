"""Probe readings of a study: window, cells, offsets, faults, thin data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.study.demo import demo_names, simulate_demo_probes
from pitstats.study.simulate_probes import ProbedPit, simulate_probes

NAMES = ["bake", "pit", "grate", "row", "column", "temp", "n_readings"]


@pytest.fixture(scope="module")
def demo() -> ps.Study:
    return ps.demo_study("probed_pits")


def series(
    probe: str = "p1",
    *,
    minute: object,
    temp: object,
    bake: str = "Quarry-1",
    row: int | None = 1,
    column: int | None = 1,
) -> pd.DataFrame:
    frame = pd.DataFrame({"minute": minute, "temp": temp}, dtype=float)
    return frame.assign(bake=bake, probe=probe, row=row, column=column)


def with_probes(*frames: pd.DataFrame, **changes: object) -> ps.Study:
    """One bake of 20 minutes at 325 °F with these readings."""
    study = ps.demo_study("one_bake_each")
    bakes = study.bakes.assign(minutes=20.0, target_temp=325.0)
    probes = pd.concat(frames, ignore_index=True)
    return replace(study, bakes=bakes, probes=probes, **changes)


def flags(summary: ps.ProbeSummary) -> list[str]:
    return summary.table["flags"].tolist()


def test_the_table_of_cells_begins_with_what_others_rely_on(demo: ps.Study) -> None:
    cells = ps.summarize_probes(demo).cells
    assert cells.columns[:7].tolist() == NAMES
    assert not cells.duplicated(["bake", "grate", "row", "column"]).any()
    assert cells["row"].dtype == cells["column"].dtype == np.dtype(int)
    assert set(cells["bake"]) == set(demo.bakes["bake"])


def test_the_demo_is_the_simulation_and_its_truth_is_found(demo: ps.Study) -> None:
    made, truth = simulate_demo_probes("probed_pits")
    assert made == demo
    summary = ps.summarize_probes(demo)
    assert truth.stuck is not None
    assert truth.gap is not None
    assert truth.sd_bake == 5.0
    keys = ["bake", "grate", "row", "column"]
    found = summary.cells.merge(truth.cells, on=keys, suffixes=("", "_true"))
    assert len(found) == len(summary.cells) == 56
    whole = found[found["flags"] == ""]
    assert len(whole) == 54
    # Noise of 0.6 °F averages out; offsets are known to 0.4 °F; the lag leaves up to
    # time constant x (end - start)/window, below 1 °F.
    error = whole["temp"] - whole["temp_true"]
    assert error.abs().max() < 1.2
    assert abs(error.mean()) < 0.4
    table = summary.table.set_index(["bake", "probe"])
    assert table.loc[truth.stuck, "flags"] == "stuck, short"
    assert np.isnan(table.loc[truth.stuck, "temp"])
    assert table.loc[truth.gap, "flags"] == "gap"
    offsets = ps.probe_offsets(demo).set_index("probe")["offset"]
    expected = pd.Series(dict(truth.offsets))
    assert (offsets - expected).abs().max() < 0.5


def test_undoing_the_lag_comes_nearer_to_the_truth(demo: ps.Study) -> None:
    _, truth = simulate_demo_probes("probed_pits")
    errors = []
    for lag in (False, True):
        cells = ps.summarize_probes(demo, lag=lag).cells
        both = cells.merge(truth.cells, on=NAMES[:5], suffixes=("", "_true"))
        whole = both[both["flags"] == ""]
        errors.append((whole["temp"] - whole["temp_true"]).abs().mean())
    assert errors[1] < errors[0]
    factors = ps.summarize_probes(demo, lag=True).table
    assert factors.loc[~factors["lid"], "noise_factor"].between(1.2, 1.5).all()
    assert (factors.loc[factors["lid"], "noise_factor"] == 1).all()


def test_without_the_check_offsets_stay_in(demo: ps.Study) -> None:
    bare = ps.summarize_probes(replace(demo, probe_checks=pd.DataFrame()))
    with_check = ps.summarize_probes(demo)
    both = bare.table.merge(with_check.table, on=["bake", "probe"])
    grate = both[~both["lid_x"]].dropna(subset=["temp_x"])
    moved = grate["temp_x"] - grate["temp_y"]
    assert moved.to_numpy() == pytest.approx(grate["offset_y"].to_numpy())
    assert any("No probe check" in caveat for caveat in bare.caveats)


def test_the_window_starts_five_time_constants_after_the_lid_was_closed() -> None:
    minute = np.arange(0, 20.1, 0.5)
    study = with_probes(series(minute=minute, temp=300 + minute))
    rules = ps.ProbeRules(time_constant=60, lid_closed=2)
    row = ps.summarize_probes(study, rules=rules).bakes.iloc[0]
    assert (row["window_start"], row["window_end"]) == (7, 20)
    summary = ps.summarize_probes(study, rules=rules)
    assert summary.cells["temp"].item() == pytest.approx(313.5)
    assert summary.cells["drift"].item() == pytest.approx(10)
    open_end = replace(study, bakes=study.bakes.assign(minutes=np.nan))
    assert ps.summarize_probes(open_end).bakes["end_by"].item() == "last reading"


def test_limits_come_from_the_target_or_as_given() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    study = with_probes(series(minute=minute, temp=np.linspace(290, 375, 35)))
    cells = ps.summarize_probes(study).cells.iloc[0]
    # 14 K are 25.2 °F, not 57.2: a difference is never shifted by 32.
    assert cells["minutes_below"] == pytest.approx(17 * (299.8 - 290) / 85)
    assert cells["minutes_above"] == pytest.approx(17 * (375 - 350.2) / 85)
    given = ps.summarize_probes(study, low=300, high=370).cells.iloc[0]
    assert given["minutes_below"] == pytest.approx(2)
    assert given["minutes_above"] == pytest.approx(1)
    none = replace(study, bakes=study.bakes.assign(target_temp=np.nan))
    assert np.isnan(ps.summarize_probes(none).cells["minutes_above"].item())
    with pytest.raises(ps.DesignError, match="swap"):
        ps.summarize_probes(study, low=370, high=300)


def test_unsorted_and_doubled_minutes_change_nothing() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    own = series(minute=minute, temp=320 + np.sin(minute))
    plain = ps.summarize_probes(with_probes(own))
    shuffled = own.sample(frac=1, random_state=3)
    mixed = ps.summarize_probes(with_probes(shuffled))
    pd.testing.assert_frame_equal(plain.cells, mixed.cells)
    doubled = ps.summarize_probes(with_probes(own, own.iloc[:3]))
    assert doubled.cells["temp"].item() == pytest.approx(plain.cells["temp"].item())
    assert flags(doubled) == ["duplicates"]
    assert any("several readings for one minute" in text for text in doubled.caveats)


def test_a_probe_that_stands_still_while_others_move_is_left_out() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    moving = 320 + 10 * np.sin(minute / 2)
    frozen = np.where(minute < 14, moving, 331.0)
    study = with_probes(
        series(minute=minute, temp=frozen),
        series("p2", minute=minute, temp=moving, column=2),
    )
    summary = ps.summarize_probes(study)
    assert flags(summary) == ["stuck", ""]
    alone = series(minute=minute[minute < 14], temp=moving[minute < 14])
    expected = ps.summarize_probes(with_probes(alone)).cells["temp"].item()
    assert summary.cells["temp"].iloc[0] == pytest.approx(expected)
    left_out = summary.readings["in_window"] & ~summary.readings["used"]
    assert left_out.sum() == (minute >= 14).sum()


def test_a_coarse_dial_is_not_stuck() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    moving = 320 + 8 * np.sin(minute / 2)
    study = with_probes(
        series("lid", minute=minute, temp=np.where(minute < 8, 320.0, 330.0), row=None),
        series("p2", minute=minute, temp=moving, column=2),
    )
    assert flags(ps.summarize_probes(study)) == ["constant", ""]


def test_constant_temperature_is_a_result() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    study = with_probes(
        series(minute=minute, temp=np.full(35, 325.0)),
        series("p2", minute=minute, temp=np.full(35, 330.0), column=2),
    )
    summary = ps.summarize_probes(study)
    assert flags(summary) == ["constant", "constant"]
    assert summary.cells["temp"].tolist() == [325, 330]
    assert summary.cells["swing"].tolist() == [0, 0]
    lag = ps.summarize_probes(study, lag=True)
    assert lag.cells["temp"].tolist() == pytest.approx([325, 330])


def test_gaps_short_series_and_single_readings_are_flagged() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    holed = minute[(minute < 8) | (minute > 12)]
    study = with_probes(
        series(minute=holed, temp=np.linspace(320, 330, holed.size)),
        series("p2", minute=minute[:8], temp=np.linspace(320, 330, 8), column=2),
        series("p3", minute=[10], temp=[318], column=3),
        series("p4", minute=[0, 1], temp=[318, 319], column=4),
    )
    summary = ps.summarize_probes(study)
    assert flags(summary) == ["no reading in the window", "gap", "short", "one reading"]
    assert summary.table["probe"].tolist() == ["p4", "p1", "p2", "p3"]
    cells = summary.cells.set_index("column")
    assert cells.loc[3, "temp"] == 318
    assert np.isnan(cells.loc[4, "temp"])
    assert cells.loc[1, "minutes"] == pytest.approx(4.5 + 7.5)
    assert len(summary.caveats) >= 5


def test_readings_by_hand_every_five_minutes_are_no_gaps() -> None:
    study = with_probes(
        series(minute=[0, 5, 10, 15, 20], temp=[300, 320, 330, 320, 318])
    )
    summary = ps.summarize_probes(study)
    assert flags(summary) == [""]
    assert summary.cells["temp"].item() == pytest.approx((325 + 325 + 319) / 3)


def test_probes_without_a_place_and_lid_gauges_have_no_cell() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    lid = series("Lid", minute=minute, temp=minute + 300, row=None, column=None)
    loose = series("air", minute=minute, temp=minute + 310, row=None, column=None)
    summary = ps.summarize_probes(with_probes(lid, loose))
    assert summary.cells.empty
    assert summary.cells.columns[:7].tolist() == NAMES
    assert summary.table["lid"].tolist() == [True, False]
    assert any("No place is recorded for air" in text for text in summary.caveats)
    only = ps.summarize_probes(with_probes(lid))
    assert any("Only lid gauges" in text for text in only.caveats)


def test_probes_of_excluded_bakes_stay_out_and_are_named(demo: ps.Study) -> None:
    bakes = demo.bakes.copy()
    bakes.loc[0, ["status", "reason"]] = ["excluded", "lid left open"]
    summary = ps.summarize_probes(replace(demo, bakes=bakes))
    assert "Quarry-1" not in set(summary.readings["bake"])
    assert any("Quarry-1" in text for text in summary.caveats)
    none = bakes.assign(status="excluded", reason="rain")
    with pytest.raises(ps.DesignError, match="planned or excluded"):
        ps.summarize_probes(replace(demo, bakes=none))


def test_two_probes_in_one_cell_are_averaged() -> None:
    minute = np.arange(3.0, 20.1, 0.5)
    study = with_probes(
        series(minute=minute, temp=minute + 300),
        series("p2", minute=minute, temp=minute + 304),
    )
    cell = ps.summarize_probes(study).cells.iloc[0]
    assert (cell["n_probes"], cell["n_readings"]) == (2, 70)
    assert cell["temp"] == pytest.approx(302 + 11.5)


def test_an_empty_window_is_said() -> None:
    study = with_probes(series(minute=[0, 1, 2], temp=[300, 310, 320]))
    short = replace(study, bakes=study.bakes.assign(minutes=2.0))
    summary = ps.summarize_probes(short)
    assert np.isnan(summary.cells["temp"].item())
    assert any("is empty" in text for text in summary.caveats)


@pytest.mark.parametrize("name", [n for n in demo_names() if n != "probed_pits"])
def test_studies_without_probes_are_told_so(name: str) -> None:
    with pytest.raises(ps.DesignError, match="the table probes"):
        ps.summarize_probes(ps.demo_study(name))


@pytest.mark.parametrize(
    "change", [{"gap": 0}, {"time_constant": -1}, {"least_cover": 2}]
)
def test_impossible_rules_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(ps.DesignError):
        ps.ProbeRules(**change)  # type: ignore[arg-type]


def checks(**columns: list[object]) -> ps.Study:
    minute = np.arange(3.0, 20.1, 0.5)
    own = series(minute=minute, temp=minute + 300)
    return with_probes(own, probe_checks=pd.DataFrame(columns))


def test_offsets_against_a_reference_typed_once() -> None:
    study = checks(
        probe=["p1", "p2", "p1", "p2"],
        minute=[0, 0, 5, 5],
        temp=[213.0, 210, 214, 211],
        reference_temp=[211.0, None, 212, None],
    )
    found = ps.probe_offsets(study)
    assert found["offset"].tolist() == [2, -1]
    assert found["std_error"].tolist() == [0, 0]
    assert set(found["reference"]) == {"reference thermometer"}
    assert ps.summarize_probes(study).table["offset"].item() == 2


def test_a_lid_gauge_keeps_its_own_reading() -> None:
    # The probe check says that the gauge reads 29 high; that is the question itself,
    # so it is reported and never taken off.
    minute = np.arange(3.0, 20.1, 0.5)
    lid = series("lid", minute=minute, temp=np.full(35, 340.0), row=None, column=None)
    own = series(minute=minute, temp=np.full(35, 300.0))
    table = pd.DataFrame(
        {"probe": ["p1", "lid"], "temp": [213.0, 240.0], "reference_temp": [211.0] * 2}
    )
    study = with_probes(own, lid, probe_checks=table)
    assert ps.probe_offsets(study).set_index("probe").loc["lid", "offset"] == 29
    found = ps.summarize_probes(study).table.set_index("probe")
    assert found["offset"].to_dict() == {"p1": 2.0, "lid": 0.0}
    assert found["temp"].to_dict() == pytest.approx({"p1": 298.0, "lid": 340.0})
    gauges = ps.compare_gauges(study)
    lid_rows = gauges.table[gauges.table["gauge"] == "lid"]
    assert lid_rows["bias"].item() == pytest.approx(42.0)


def test_offsets_against_the_mean_of_the_probes() -> None:
    study = checks(probe=["p1", "p2", "p3", "lid"], temp=[213.0, 210, 210, 240])
    found = ps.probe_offsets(study).set_index("probe")
    assert found.loc[["p1", "p2", "p3"], "offset"].tolist() == [2, -1, -1]
    assert found.loc["lid", "offset"] == 29
    caveats = ps.summarize_probes(study).caveats
    assert any("no reference thermometer" in text for text in caveats)
    alone = ps.probe_offsets(checks(probe=["p1"], temp=[213.0]))
    assert alone.empty


def test_simulated_readings_are_refused_without_cells(demo: ps.Study) -> None:
    pit = ProbedPit(pit="Quarry", gauge_offset=0, fall=0, cells=[])
    with pytest.raises(ps.DesignError, match="at least one"):
        simulate_probes(demo, [pit], rng=np.random.default_rng(1))


def test_celsius_and_fahrenheit_say_the_same(demo: ps.Study) -> None:
    settings = replace(demo.settings, temperature_unit="C")

    def celsius(frame: pd.DataFrame) -> pd.DataFrame:
        columns = [c for c in frame if c.endswith("temp")]
        return frame.assign(**{c: (frame[c] - 32) / 1.8 for c in columns})

    other = replace(
        demo,
        settings=settings,
        bakes=celsius(demo.bakes),
        probes=celsius(demo.probes),
        probe_checks=celsius(demo.probe_checks),
    )
    one, two = ps.summarize_probes(demo), ps.summarize_probes(other)
    assert two.cells["flags"].tolist() == one.cells["flags"].tolist()
    for name, shift in (("swing", 0), ("drift", 0), ("temp", 32)):
        expected = one.cells[name].to_numpy()
        back = two.cells[name].to_numpy() * 1.8 + shift
        assert back == pytest.approx(expected, nan_ok=True)
    for name in ("minutes_above", "minutes_below"):
        expected = one.cells[name].to_numpy()
        assert two.cells[name].to_numpy() == pytest.approx(expected, nan_ok=True)
