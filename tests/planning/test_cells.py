"""Grates cut into cells, and cells matched between pits."""

import numpy as np
import pandas as pd
import pytest

from pitstats.errors import DesignError
from pitstats.planning.cells import (
    cell_sizes,
    cell_table,
    comparable_cells,
    cut_grate,
    read_grates,
)


def test_cut_keeps_whole_cells_and_tells_the_rest():
    cut = cut_grate(31, 18.5, cell_length=4, cell_width=5, clearance=1)
    assert (cut.rows, cut.columns) == (3, 7)
    assert (cut.spare_length, cut.spare_width) == (1.0, 1.5)


def test_cut_is_not_fooled_by_decimals():
    assert cut_grate(12, 1.2, cell_length=0.1).columns == 120


@pytest.mark.parametrize(
    ("sizes", "message"),
    [
        ({"length": 0}, "length is 0. Give a size above 0"),
        ({"cell_length": float("nan")}, "cell_length is nan"),
        ({"clearance": -1}, "Give 0 or more"),
        ({"clearance": 9}, "Choose smaller cells or less clearance"),
    ],
)
def test_cut_refuses_sizes_that_make_no_sense(sizes, message):
    arguments = {"length": 30, "width": 18, "cell_length": 4} | sizes
    length, width = arguments.pop("length"), arguments.pop("width")
    with pytest.raises(DesignError, match=message):
        cut_grate(length, width, **arguments)


def test_grates_read_alike_from_all_forms():
    from_sizes = read_grates({"Oak": {"low": (3, 6), "high": (2, 6)}, "Creek": (3, 5)})
    from_table = read_grates(
        pd.DataFrame(
            {
                "pit": ["Oak", "Oak", "Creek"],
                "grate": ["low", "high", None],
                "rows": [3, 2, 3],
                "columns": [6, 6, 5],
            }
        )
    )
    shown = [(g.pit, g.grate, g.rows, g.columns) for g in from_sizes]
    assert shown == [
        ("Oak", "low", 3, 6),
        ("Oak", "high", 2, 6),
        ("Creek", "main", 3, 5),
    ]
    assert [(g.pit, g.grate, g.rows, g.columns) for g in from_table] == shown


@pytest.mark.parametrize(
    ("grates", "message"),
    [
        ({}, "no grate"),
        ({"Oak": 12}, r"Give \(rows, columns\)"),
        ({"Oak": (0, 4)}, "grate 'main' of pit 'Oak' has rows '0'"),
        ({"Oak": (3.5, 4)}, "has 3.5 rows. Give a whole number from 1 to 200"),
        ({"Oak": (3, "many")}, "has columns 'many'. Give a number above 0"),
        ({"Oak": (3, 201)}, "has 201 columns"),
        ({"Oak": (None, 3)}, "has no number of rows"),
        ({" ": (3, 4)}, "Name the pit"),
        (pd.DataFrame({"pit": ["Oak"], "rows": [3]}), "no column columns"),
        (
            pd.DataFrame({"pit": ["Oak"] * 2, "rows": [3, 3], "columns": [4, 4]}),
            "has several grates. Name each",
        ),
        (
            pd.DataFrame(
                {"pit": ["Oak"] * 2, "grate": "x", "rows": [3, 3], "columns": [4, 4]}
            ),
            "given 2 times",
        ),
    ],
)
def test_grates_that_make_no_sense_are_refused(grates, message):
    with pytest.raises(DesignError, match=message):
        read_grates(grates)


def test_positions_are_scaled_from_the_firebox():
    table = pd.DataFrame(
        {"pit": ["Oak"], "rows": [2], "columns": [4], "cell_length": 5, "cell_width": 4}
    )
    cells = cell_table(read_grates(table))
    assert cells["column"].tolist() == [1, 2, 3, 4] * 2
    np.testing.assert_allclose(cells["distance"][:4], [0.125, 0.375, 0.625, 0.875])
    np.testing.assert_allclose(cells["distance_length"][:4], [2.5, 7.5, 12.5, 17.5])
    assert cells["across"].unique().tolist() == [0.25, 0.75]
    assert cells["comparable"].all()  # the only pit: nothing to differ from


def test_equal_grates_match_cell_by_cell():
    pairs = comparable_cells(read_grates({"A": (3, 4), "B": (3, 4)}))
    assert len(pairs) == 12
    assert (pairs["gap"] == 0).all()
    assert (pairs["column_a"] == pairs["column_b"]).all()
    assert (pairs["row_a"] == pairs["row_b"]).all()


@pytest.mark.parametrize(("n_a", "n_b"), [(6, 5), (6, 3), (9, 3), (7, 4), (2, 5)])
def test_a_match_lies_inside_both_cells_and_is_the_only_one(n_a, n_b):
    pairs = comparable_cells(read_grates({"A": (1, n_a), "B": (1, n_b)}))
    center_a = (pairs["column_a"] - 0.5) / n_a
    center_b = (pairs["column_b"] - 0.5) / n_b
    assert ((center_a - center_b).abs() < 0.5 / max(n_a, n_b)).all()
    assert pairs["column_a"].is_unique
    assert pairs["column_b"].is_unique
    mirrored = pairs.assign(
        column_a=n_a + 1 - pairs["column_a"], column_b=n_b + 1 - pairs["column_b"]
    )
    key = ["column_a", "column_b"]  # firebox end and far end are treated alike
    pd.testing.assert_frame_equal(
        mirrored[key].sort_values(key, ignore_index=True), pairs[key]
    )


def test_three_to_one_matches_the_middle_cell_exactly():
    pairs = comparable_cells(read_grates({"A": (1, 9), "B": (1, 3)}))
    assert pairs["column_a"].tolist() == [2, 5, 8]
    assert (pairs["gap"] == 0).all()


def test_levels_decide_over_names_and_missing_grates_match_nothing():
    table = pd.DataFrame(
        {
            "pit": ["A", "A", "B"],
            "grate": ["low", "high", "main"],
            "rows": 2,
            "columns": 2,
            "level": [1, 2, 1],
        }
    )
    pairs = comparable_cells(read_grates(table))
    assert set(pairs["grate_a"]) == {"low"}
    cells = cell_table(read_grates(table))
    assert cells.groupby("grate")["comparable"].all().to_dict() == {
        "low": True,
        "high": False,
        "main": True,
    }


def test_cell_sizes_are_compared_in_words():
    table = pd.DataFrame(
        {"pit": ["A", "B"], "rows": 2, "columns": 2, "cell_length": 4, "cell_width": 4}
    )
    assert cell_sizes(read_grates(table), "in") == (
        True,
        "All cells are 4 in long and 4 in wide.",
    )
    equal, sentence = cell_sizes(read_grates(table.assign(cell_width=[4, 3])), "in")
    assert not equal
    assert "grate 'main' of pit 'B': 4 by 3 in" in sentence
    equal, sentence = cell_sizes(read_grates(table.assign(cell_width=[4, None])), "in")
    assert equal
    assert "not stated" in sentence
