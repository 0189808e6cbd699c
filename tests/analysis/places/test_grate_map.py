"""Cells of the grates: every cell a row, every item counted once, bakes apart."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.places.grate_map import map_temperatures
from tests.conftest import small_settings, small_tables


def grated(**changes: pd.DataFrame) -> ps.Study:
    return ps.Study(settings=small_settings(), **(small_tables() | changes))


def at(cells: pd.DataFrame, **place: object) -> pd.Series:
    own = cells
    for name, value in place.items():
        own = own[own[name] == value]
    assert len(own) == 1
    return own.iloc[0]


def test_burned_cells_of_the_small_study(study: ps.Study) -> None:
    cells = ps.map_cells(study)
    assert list(cells.columns) == [
        "pit", "grate", "level", "row", "column", "n_items", "n_missing", "n_burned",
        "share",
    ]  # fmt: skip
    assert len(cells) == 6 + 4 + 2
    assert at(cells, pit="A", row=1, column=3)["share"] == 1
    lost = at(cells, pit="A", row=2, column=2)
    assert (lost["n_items"], lost["n_missing"]) == (0, 1)
    assert np.isnan(lost["share"])
    # The excluded bake B2 adds nothing.
    assert at(cells, pit="B", grate="lower", row=1, column=1)["n_items"] == 1


def test_maps_of_bakes_add_up_to_the_map_of_all() -> None:
    study = ps.demo_study("four_pits")
    both = ["pit", "grate", "row", "column"]
    for value in ("burned", "grade", "rise"):
        whole = ps.map_cells(study, value)
        parts = ps.map_cells(study, value, by_bake=True)
        numbers = ["n_items", "n_missing"] + (["n_burned"] if value == "burned" else [])
        summed = parts.groupby(both)[numbers].sum()
        pd.testing.assert_frame_equal(
            summed, whole.set_index(both)[numbers].sort_index()
        )
    assert parts.groupby("bake").size().loc["Mill-1"] == 4 * 5 + 2 * 5


def test_a_face_of_its_own(study: ps.Study) -> None:
    top = ps.map_cells(study, face="top")
    bottom = ps.map_cells(study, "grade", face="bottom")
    assert at(top, pit="A", row=1, column=3)["share"] == 1
    assert at(bottom, pit="A", row=1, column=3)["grade"] == "dark"
    # Only burned or not was noted in B.
    assert (top.loc[top["pit"] == "B", "n_items"] == 0).all()


def test_grades_are_ordered_and_never_averaged() -> None:
    tables = small_tables()
    items = pd.DataFrame(
        {
            "bake": ["A1", "A3", "A1", "A3"],
            "row": 1,
            "column": [1, 1, 2, 2],
            "grade_top": ["raw", "burned", "dark", "dark"],
        }
    )
    bakes = tables["bakes"].assign(status=None)
    bakes = bakes[bakes["bake"].isin(["A1", "A3"])]
    none = pd.DataFrame()
    study = grated(items=items, bakes=bakes, counts=none, probes=none, regrades=none)
    cells = ps.map_cells(study, "grade")
    mixed = at(cells, pit="A", row=1, column=1)
    assert (mixed["grade"], mixed["darkest"], mixed["code"]) == ("burned", "burned", 4)
    assert at(cells, pit="A", row=1, column=2)["grade"] == "dark"
    assert pd.isna(at(cells, pit="A", row=2, column=2)["grade"])


def test_rise_is_a_mean_of_what_was_measured(study: ps.Study) -> None:
    items = study.items.assign(rise_mm=[30.0, None, 34.0] + [None] * 9)
    rise = ps.map_cells(dataclasses.replace(study, items=items), "rise")
    assert at(rise, pit="A", row=1, column=1)["rise_mm"] == 30
    other = at(rise, pit="A", row=1, column=2)
    assert np.isnan(other["rise_mm"])
    assert other["n_missing"] == 1


@pytest.mark.parametrize("by_bake", [False, True])
@pytest.mark.parametrize("value", ["burned", "grade", "rise"])
def test_nothing_placed_gives_an_empty_frame(value: str, by_bake: bool) -> None:
    tables = small_tables()
    items = tables["items"].assign(row=None, column=None)
    study = grated(items=items, regrades=pd.DataFrame())
    cells = ps.map_cells(study, value, by_bake=by_bake)  # type: ignore[arg-type]
    assert cells.empty
    assert {"n_items", "n_missing", "row"} <= set(cells.columns)


def test_a_bake_of_which_every_item_was_lost_is_still_on_the_map() -> None:
    tables = small_tables()
    items = tables["items"].assign(
        missing=lambda t: t["missing"].where(t["bake"] != "A1", "fallen")
    )
    cells = ps.map_cells(grated(items=items), by_bake=True)
    own = cells[cells["bake"] == "A1"]
    assert (own["n_items"].sum(), own["n_missing"].sum(), len(own)) == (0, 6, 6)


def test_unknown_choices_are_named(study: ps.Study) -> None:
    with pytest.raises(ps.DesignError, match="burned, grade, rise"):
        ps.map_cells(study, "shade")  # type: ignore[arg-type]
    with pytest.raises(ps.DesignError, match="top, bottom, side"):
        ps.map_cells(study, face="lid")  # type: ignore[arg-type]


def test_temperatures_weigh_bakes_alike(study: ps.Study) -> None:
    readings = pd.DataFrame(
        {
            "bake": ["A1", "A1", "A3", "A1"],
            "pit": "A",
            "grate": "main",
            "row": [1, 1, 1, None],
            "column": [1, 1, 1, None],
            "temp": [300.0, 310.0, 345.0, 999.0],
        }
    )
    cells = map_temperatures(study, readings)
    own = at(cells, row=1, column=1)
    assert (own["temp"], own["n_bakes"]) == (325.0, 2)
    assert cells["temp"].count() == 1
    apart = map_temperatures(study, readings, by_bake=True)
    assert at(apart, bake="A1", row=1, column=1)["temp"] == 305.0
    assert map_temperatures(study, readings.iloc[3:]).empty
