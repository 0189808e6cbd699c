"""What places differ by within a pit: the bake is the unit, not the cell."""

from functools import cache

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.heat.common_places import end_places
from pitstats.analysis.heat.place_contrasts import contrasts_over_bakes
from pitstats.analysis.heat.place_model import fit_places, place_frame
from pitstats.study.settings import Settings

ROWS, COLUMNS, N_BAKES = 3, 6, 3
FALL = -5.0
TRUTH = FALL * (1.0 - 5.0) / COLUMNS  # middles of the end thirds lie 4 columns apart


@cache
def two_pits(n_bakes: int) -> ps.Study:
    """The record beside the readings, of which no reading changes anything."""
    bakes = [(f"{pit}{k}", pit) for pit in "AB" for k in range(n_bakes)]
    return ps.Study(
        settings=Settings(
            title="Falls",
            question="?",
            temperature_rule="tuned",
            temperature_unit="F",
        ),
        pits=pd.DataFrame({"pit": ["A", "B"]}),
        grates=pd.DataFrame(
            {"pit": ["A", "B"], "grate": "main", "rows": ROWS, "columns": COLUMNS}
        ),
        bakes=pd.DataFrame(bakes, columns=["bake", "pit"]),
        counts=pd.DataFrame(
            {"bake": [bake for bake, _ in bakes], "n_items": 18, "n_burned": 1}
        ),
    )


def measured(rng: np.random.Generator, sd_slope: float, n_bakes: int = N_BAKES):
    """Two pits; every bake has a fire and a fall along the grate of its own."""
    study = two_pits(n_bakes)
    distance = (np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5
    parts = []
    for bake, pit in study.bakes[["bake", "pit"]].itertuples(index=False):
        fall = FALL + rng.normal(0, sd_slope)
        level = 40 + rng.normal(0, 3) + fall * distance
        temp = np.tile(level, (ROWS, 1)) + rng.normal(0, 2, (ROWS, COLUMNS))
        row, column = np.indices(temp.shape) + 1
        cells = {"row": row.ravel(), "column": column.ravel(), "temp": temp.ravel()}
        parts.append(pd.DataFrame(cells).assign(bake=bake, pit=pit, grate="main"))
    return study, pd.concat(parts, ignore_index=True)


def falls(study: ps.Study, readings: pd.DataFrame, level: float = 0.95):
    model = fit_places(place_frame(study, readings, "temp"), ["A", "B"])
    sides = {pit: end_places(model.cells(pit)) for pit in model.pits}
    return contrasts_over_bakes(model, sides, level), model, sides


def plain(readings: pd.DataFrame) -> pd.DataFrame:
    """Near less far mean of every bake, by hand."""
    near = readings[readings["column"] <= 2].groupby(["pit", "bake"])["temp"].mean()
    far = readings[readings["column"] >= 5].groupby(["pit", "bake"])["temp"].mean()
    return (near - far).rename("fall").reset_index()


def test_complete_bakes_are_a_t_interval_of_their_own_differences() -> None:
    study, readings = measured(np.random.default_rng(1), 3.0)
    found, _, _ = falls(study, readings)
    by_pit = plain(readings).groupby("pit")["fall"]
    assert found["estimate"].to_numpy() == pytest.approx(by_pit.mean().to_numpy())
    error = np.sqrt(by_pit.var() / N_BAKES).to_numpy()
    half = (found["conf_high"] - found["conf_low"]).to_numpy() / 2
    assert half == pytest.approx(4.3026527 * error)  # t with 2 df, any table
    assert found["df"].tolist() == [2.0, 2.0]


@pytest.mark.parametrize("sd_slope", [0.0, 6.0])
def test_intervals_hold_when_the_pattern_changes_from_bake_to_bake(
    sd_slope: float,
) -> None:
    rng = np.random.default_rng(7)
    held = []
    for _ in range(60):
        found, _, _ = falls(*measured(rng, sd_slope))
        held += list((found["conf_low"] <= TRUTH) & (found["conf_high"] >= TRUTH))
    # 95 % of 120, give or take three standard errors of pairs that share a variance.
    assert np.mean(held) > 0.87


def test_a_bake_that_lost_cells_is_allowed_for() -> None:
    study, readings = measured(np.random.default_rng(2), 1.0)
    lost = (readings["bake"] == "A0") & (readings["column"] == 1)
    found, _, _ = falls(study, readings[~lost])
    whole, _, _ = falls(study, readings)
    assert found.loc["B", "estimate"] == pytest.approx(whole.loc["B", "estimate"])
    assert found.loc["A", "estimate"] == pytest.approx(
        whole.loc["A", "estimate"], abs=1.5
    )


def test_one_bake_each_keeps_the_interval_of_the_model() -> None:
    study, readings = measured(np.random.default_rng(3), 1.0, n_bakes=1)
    found, model, sides = falls(study, readings)
    for pit, (near, far) in sides.items():
        row = model.mean_row(pit, near) - model.mean_row(pit, far)
        low, high = model.contrast(pit, row[None]).interval(0.95)
        assert found.loc[pit, "conf_low"] == pytest.approx(float(low[0]), nan_ok=True)
        assert found.loc[pit, "conf_high"] == pytest.approx(float(high[0]), nan_ok=True)


def test_a_pit_with_one_bake_has_no_interval_beside_one_with_more() -> None:
    study, readings = measured(np.random.default_rng(4), 1.0)
    kept = (readings["pit"] == "A") | (readings["bake"] == "B0")
    found, _, _ = falls(study, readings[kept])
    assert np.isfinite(found.loc["A", "conf_low"])
    assert np.isfinite(found.loc["B", "estimate"])
    assert found.loc["B", ["conf_low", "conf_high", "p_value"]].isna().all()


def test_the_fall_of_a_steady_pit_owes_nothing_to_a_moody_one() -> None:
    study, readings = measured(np.random.default_rng(5), 0.5)
    moody = readings["pit"] == "B"
    shaken = readings.copy()
    bake = pd.factorize(shaken["bake"])[0]
    shaken.loc[moody, "temp"] += (10.0 * bake * shaken["column"])[moody]
    before, _, _ = falls(study, readings)
    after, _, _ = falls(study, shaken)
    ends = ["conf_low", "conf_high"]
    assert after.loc["A", ends].tolist() == pytest.approx(
        before.loc["A", ends].tolist()
    )
    width = after["conf_high"] - after["conf_low"]
    assert width["B"] > 5 * width["A"]
