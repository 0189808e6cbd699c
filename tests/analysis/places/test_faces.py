"""Faces of one item: pairs are pairs, bakes are the unit, one bake speaks of itself."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.places.faces import compare_faces
from pitstats.stats import tango_paired_difference
from tests.conftest import small_settings, small_tables


def row(faces: object, **where: object) -> pd.Series:
    own = faces.table  # type: ignore[attr-defined]
    for name, value in where.items():
        own = own[own[name] == value]
    assert len(own) == 1
    return own.iloc[0]


def faced(bakes: dict[str, list[tuple[str, str]]], **more: object) -> ps.Study:
    """One pit A; per bake top and bottom of the cells of one row."""
    items = [
        {
            "bake": bake,
            "row": 1,
            "column": i + 1,
            "grade_top": top,
            "grade_bottom": low,
        }
        for bake, cells in bakes.items()
        for i, (top, low) in enumerate(cells)
    ]
    return ps.Study(
        settings=small_settings(**more),
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": list(bakes), "pit": "A"}),
        items=pd.DataFrame(items),
    )


DARK_BELOW = [("golden", "burned")] * 4 + [("burned", "burned"), ("raw", "raw")]


def test_one_bake_by_hand() -> None:
    faces = compare_faces(faced({"1": DARK_BELOW}))
    own = row(faces, part="all")
    assert (own["first"], own["second"]) == ("top", "bottom")
    assert (own["n_bakes"], own["n_items"]) == (1, 6)
    assert own["first_burned"] == pytest.approx(1 / 6)
    assert own["second_burned"] == pytest.approx(5 / 6)
    assert own["burned_difference"] == pytest.approx(-4 / 6)
    assert (own["burned_low"], own["burned_high"]) == pytest.approx(
        tango_paired_difference(0, 4, 6)
    )
    assert (own["first_darker"], own["second_darker"]) == pytest.approx((0, 4 / 6))
    near, far = row(faces, part="near"), row(faces, part="far")
    assert (near["n_items"], far["n_items"]) == (2, 2)
    assert far["burned_difference"] == 0


def test_darker_counts_steps_once_however_many() -> None:
    cells = [("raw", "burned"), ("golden", "light"), ("dark", "golden")]
    own = row(compare_faces(faced({"1": cells})), part="all")
    assert (own["first_darker"], own["second_darker"]) == pytest.approx((2 / 3, 1 / 3))
    assert own["first_burned"] == 0


def test_bakes_weigh_the_same_and_are_the_unit() -> None:
    faces = compare_faces(faced({"1": DARK_BELOW, "2": [("golden", "golden")] * 3}))
    own = row(faces, part="all")
    assert own["burned_difference"] == pytest.approx(-(4 / 6) / 2)
    # Two bakes that disagree this much say little: t with one degree of freedom.
    assert own["burned_low"] == -1
    assert own["burned_high"] == 1


def test_the_fire_side_against_the_top() -> None:
    study = faced({"1": DARK_BELOW})
    items = study.items.assign(grade_side=["burned", "dark", None, None, "raw", "raw"])
    faces = compare_faces(dataclasses.replace(study, items=items))
    own = row(faces, contrast="side - top", part="all")
    assert own["n_items"] == 4
    assert own["first_burned"] == pytest.approx(1 / 4)
    assert own["second_burned"] == pytest.approx(1 / 4)
    assert own["first_darker"] == pytest.approx(2 / 4)
    assert own["second_darker"] == pytest.approx(1 / 4)


def test_missing_items_are_no_pairs_but_an_ungraded_deciding_face_may_be() -> None:
    study = faced({"1": DARK_BELOW}, face="side")
    assert row(compare_faces(study), part="all")["n_items"] == 6
    lost = study.items.assign(missing=["torn"] + [None] * 5)
    fewer = compare_faces(dataclasses.replace(study, items=lost))
    assert row(fewer, part="all")["n_items"] == 5


def test_items_without_a_place_count_in_the_whole_only() -> None:
    study = faced({"1": DARK_BELOW})
    items = study.items.assign(row=None, column=None)
    bare = dataclasses.replace(study, items=items, grates=pd.DataFrame())
    assert compare_faces(bare).table["part"].tolist() == ["all"]


def test_without_two_faces_there_is_a_sentence() -> None:
    tables = small_tables()
    items = tables["items"].assign(grade_bottom=None)
    study = ps.Study(settings=small_settings(), **(tables | {"items": items}))
    with pytest.raises(ps.DesignError, match="two faces"):
        compare_faces(study)


def test_the_demo_has_a_row_for_every_pit_and_third() -> None:
    faces = compare_faces(ps.demo_study("four_pits"))
    assert len(faces.table) == 4 * 4
    assert (faces.n_bakes == 4).all()
    table = faces.table
    for kind in ("burned", "darker"):
        gap = table[f"first_{kind}"] - table[f"second_{kind}"]
        np.testing.assert_allclose(gap, table[f"{kind}_difference"], atol=1e-12)
        assert (table[f"{kind}_low"] <= table[f"{kind}_difference"]).all()
        assert (table[f"{kind}_difference"] <= table[f"{kind}_high"]).all()
    assert "one_bake" not in faces._repr_html_()
