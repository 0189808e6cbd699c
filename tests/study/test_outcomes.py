from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pitstats.study import (
    Settings,
    Study,
    bake_totals,
    item_outcomes,
)

NAN = float("nan")


def of_bake(frame: pd.DataFrame, bake: str) -> pd.DataFrame:
    return frame[frame["bake"] == bake].reset_index(drop=True)


def test_outcomes_of_a_bake_worked_by_hand(study: Study) -> None:
    a1 = of_bake(item_outcomes(study), "A1")
    # golden+golden, dark+golden, burned+dark, golden+light, fallen, raw+nothing
    assert a1["burned"].tolist() == pytest.approx([0, 0, 1, 0, NAN, 0], nan_ok=True)
    assert a1["underbaked"].tolist() == pytest.approx([0, 0, 0, 0, NAN, 1], nan_ok=True)
    assert a1["good"].tolist() == pytest.approx([1, 0, 0, 0, NAN, 0], nan_ok=True)
    assert a1["missing"].fillna("").tolist() == ["", "", "", "", "fallen", ""]
    assert a1["pit"].unique() == ["A"]
    assert a1["session"].unique() == ["Sat"]


def test_places(study: Study) -> None:
    a1 = of_bake(item_outcomes(study), "A1")
    assert a1["distance"].tolist() == pytest.approx([1 / 6, 1 / 2, 5 / 6] * 2)
    assert a1["across"].tolist() == pytest.approx([0.25] * 3 + [0.75] * 3)
    assert a1["distance_length"].tolist() == pytest.approx([2, 6, 10] * 2)
    b1 = of_bake(item_outcomes(study), "B1")
    # the upper grate has two columns of unknown length
    assert b1["distance"].tolist() == pytest.approx([1 / 8, 3 / 8, 1 / 4, 3 / 4])
    assert b1["distance_length"].tolist() == pytest.approx(
        [2.25, 6.75, NAN, NAN], nan_ok=True
    )


def test_all_columns_of_items_are_there_and_excluded_or_planned_bakes_are_not(
    study: Study,
) -> None:
    outcomes = item_outcomes(study)
    assert set(study.items.columns) < set(outcomes.columns)
    assert outcomes["bake"].unique().tolist() == ["A1", "B1"]
    assert outcomes["weight"].iloc[0] == 20.5


def test_a_burned_mark_alone_says_nothing_about_raw_or_good(study: Study) -> None:
    b1 = of_bake(item_outcomes(study), "B1")
    assert b1["burned"].tolist() == pytest.approx([1, 0, NAN, 0], nan_ok=True)
    assert b1["underbaked"].isna().all()
    assert b1["good"].isna().all()
    assert b1["missing"].fillna("").tolist() == ["", "", "not recorded", ""]
    (said,) = [text for text in study.assumptions if "no grade, burned" in text]
    assert said.endswith("counted as missing, 'not recorded' (row 10)")


@pytest.mark.parametrize(
    ("face", "burned", "reasons"),
    [
        ("worst", [0, 0, 1, 0, NAN, 0], ["", "", "", "", "fallen", ""]),
        ("top", [0, 0, 1, 0, NAN, 0], ["", "", "", "", "fallen", ""]),
        (
            "bottom",
            [0, 0, 0, 0, NAN, NAN],
            ["", "", "", "", "fallen", "bottom not graded"],
        ),
        (
            "side",
            [NAN] * 6,
            ["side not graded"] * 4 + ["fallen", "side not graded"],
        ),
    ],
)
def test_the_deciding_face(
    study: Study, face: str, burned: list[float], reasons: list[str]
) -> None:
    settings = dataclasses.replace(study.settings, face=face)
    changed = dataclasses.replace(study, settings=settings)
    a1 = of_bake(item_outcomes(changed), "A1")
    assert a1["burned"].tolist() == pytest.approx(burned, nan_ok=True)
    said = [t for t in changed.assumptions if f"no grade of the {face}" in t]
    assert len(said) == any("not graded" in reason for reason in reasons)
    assert a1["missing"].fillna("").tolist() == reasons
    # what is missing is missing for every outcome
    assert a1.loc[a1["burned"].isna(), ["underbaked", "good"]].isna().all(axis=None)


def test_cuts_of_the_settings_are_used(study: Study) -> None:
    settings = dataclasses.replace(
        study.settings,
        raw_to="light",
        burned_from="dark",
        target_grades=("golden",),
    )
    items = study.items.assign(burned=None)
    a1 = of_bake(
        item_outcomes(dataclasses.replace(study, settings=settings, items=items)), "A1"
    )
    assert a1["burned"].tolist() == pytest.approx([0, 1, 1, 0, NAN, 0], nan_ok=True)
    assert a1["underbaked"].tolist() == pytest.approx([0, 0, 0, 1, NAN, 1], nan_ok=True)


def test_a_reason_counts_as_missing_even_beside_a_grade(study: Study) -> None:
    items = study.items.copy()
    items.loc[2, "missing"] = "torn"
    changed = dataclasses.replace(study, items=items)
    assert np.isnan(item_outcomes(changed)["burned"].iloc[2])
    assert any("and a reason in missing" in text for text in changed.assumptions)


def test_totals_mix_items_and_counts(study: Study) -> None:
    totals = bake_totals(study)
    expected = pd.DataFrame(
        {
            "bake": ["A1", "B1", "A2"],
            "pit": ["A", "B", "A"],
            "session": ["Sat", "Sat", "Sun"],
            "order": pd.array([1, 2, 1], dtype="Int64"),
            "source": ["items", "items", "counts"],
            "n_placed": [6, 4, 6],
            "n_items": [5, 3, 6],
            "n_burned": [1, 1, 2],
            "n_raw": [1, NAN, NAN],
            "n_good": [1, NAN, NAN],
            "n_missing": [1, 1, 0],
        }
    )
    pd.testing.assert_frame_equal(totals, expected)


def test_totals_of_counts_alone_and_of_a_bake_with_nothing_graded(
    settings: Settings,
) -> None:
    study = Study(
        settings=settings,
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": ["1", "2"], "pit": ["A", "A"]}),
        counts=pd.DataFrame(
            {"bake": ["1"], "n_items": [9], "n_burned": [3], "n_raw": [2]}
        ),
        items=pd.DataFrame({"bake": ["2"], "missing": ["stuck"]}),
    )
    totals = bake_totals(study)
    assert totals["n_raw"].tolist() == [2, 0]
    assert totals["n_items"].tolist() == [9, 0]
    assert totals["n_missing"].tolist() == [0, 1]
    only_counts = dataclasses.replace(
        study, items=pd.DataFrame(), bakes=study.bakes.iloc[:1]
    )
    assert bake_totals(only_counts)["n_burned"].tolist() == [3]
    assert item_outcomes(only_counts).empty


def test_totals_agree_with_outcomes_summed_by_another_way(
    settings: Settings, rng: np.random.Generator
) -> None:
    n = 200
    items = pd.DataFrame(
        {
            "bake": rng.choice(["1", "2", "3"], n),
            "grade_top": rng.choice([*settings.grades, None], n),
            "grade_side": rng.choice([*settings.grades, None], n),
        }
    )
    items.loc[items["grade_top"].isna() & items["grade_side"].isna(), "missing"] = "-"
    study = Study(
        settings=settings,
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame({"bake": ["1", "2", "3"], "pit": "A"}),
        items=items,
    )
    totals = bake_totals(study).set_index("bake")
    rank = {name: k for k, name in enumerate(settings.grades)}
    for bake, rows in study.items.groupby("bake"):
        faces = [
            [rank[g] for g in pair if isinstance(g, str)]
            for pair in zip(rows["grade_top"], rows["grade_side"], strict=True)
        ]
        graded = [f for f in faces if f]
        row = totals.loc[bake]
        assert row["n_placed"] == len(faces)
        assert row["n_items"] == len(graded)
        assert row["n_burned"] == sum(max(f) == 4 for f in graded)
        assert row["n_raw"] == sum(min(f) == 0 for f in graded)
        assert row["n_good"] == sum(set(f) == {2} for f in graded)
