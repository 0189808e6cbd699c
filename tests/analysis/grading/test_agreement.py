"""Second gradings joined with the first, by code and by place; what they change."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import pitstats as ps
from pitstats import stats
from pitstats.analysis.grading import agreement
from pitstats.analysis.grading.regrading import UNNAMED, join_regrades
from tests.analysis.second_gradings import (
    GRADES,
    both,
    regraded,
    rich_study,
    with_regrades,
)


@cache
def rich() -> ps.Study:
    return rich_study()


def compared(*regrades: pd.DataFrame, study: ps.Study | None = None):
    base = rich() if study is None else study
    return ps.compare_gradings(with_regrades(base, *regrades), both=both())


def by_hand(study: ps.Study, again: pd.DataFrame) -> pd.DataFrame:
    """Join by a plain merge on the code, kept bakes only."""
    kept = study.bakes.loc[study.bakes["status"] == "kept", "bake"]
    items = study.items[study.items["bake"].isin(kept)]
    return items.merge(again, on=["bake", "code"], suffixes=("", "_again"))


def code(column: pd.Series) -> np.ndarray:
    return column.map({name: k for k, name in enumerate(GRADES)}).to_numpy()


def test_kappa_of_a_face_is_that_of_the_joined_grades() -> None:
    again = regraded(rich())
    joined = by_hand(rich(), again)
    row = compared(again).table.set_index("face").loc["top"]
    expected = stats.cohen_kappa(
        code(joined["grade_top"]),
        code(joined["grade_top_again"]),
        categories=range(5),
        cluster=joined["bake"].to_numpy(dtype=str),
    )
    assert row["n_items"] == len(joined)
    assert row["n_bakes"] == joined["bake"].nunique()
    assert_allclose(row["kappa"], expected.estimate)
    assert_allclose(
        [row["kappa_low"], row["kappa_high"]], [expected.low, expected.high]
    )
    assert row["interval"] == "jackknife over bakes"


def test_the_deciding_face_is_the_darkest_and_burned_follows() -> None:
    again = regraded(rich())
    joined = by_hand(rich(), again)
    first, second = (
        np.maximum(code(joined[f"grade_top{end}"]), code(joined[f"grade_bottom{end}"]))
        for end in ("", "_again")
    )
    found = compared(again)
    table = found.table.set_index("face")
    assert_allclose(table.loc["deciding", "agree"], (first == second).mean())
    assert_allclose(
        table.loc["burned", "agree"], ((first == 4) == (second == 4)).mean()
    )
    burned = found.burned.iloc[0]
    assert burned["n_became_burned"] == ((first < 4) & (second == 4)).sum()
    assert burned["n_no_longer_burned"] == 0
    counted = found.confusion[found.confusion["face"] == "deciding"]
    matrix = counted["n_items"].to_numpy().reshape(5, 5)
    expected = np.zeros((5, 5), dtype=int)
    np.add.at(expected, (first.astype(int), second.astype(int)), 1)
    assert matrix.tolist() == expected.tolist()


def test_code_and_place_mean_the_same_item() -> None:
    one, two = (compared(regraded(rich(), by=by)) for by in ("code", "place"))
    pd.testing.assert_frame_equal(one.table, two.table)
    pd.testing.assert_frame_equal(one.conclusions, two.conclusions)


def test_a_code_alone_is_enough_where_it_is_unique() -> None:
    items = rich().items.assign(code=[f"c{i}" for i in range(len(rich().items))])
    study = replace(rich(), items=items)
    again = regraded(study)
    alone = again.drop(columns="bake")
    pd.testing.assert_frame_equal(
        compared(again, study=study).table, compared(alone, study=study).table
    )


def test_a_code_of_no_item_is_refused_by_the_study() -> None:
    again = regraded(rich()).head(3).assign(code="no such code")
    with pytest.raises(ps.InvalidStudyError, match="no such code"):
        with_regrades(rich(), again)


def test_the_comparison_is_that_of_the_study_with_the_second_grades() -> None:
    again = regraded(rich())
    found = compared(again).conclusions
    own = found[found["alternative"] == "grades of Kim"]
    items = rich().items.copy()
    joined = items.reset_index().merge(again, on=["bake", "code"], suffixes=("", "_2"))
    for face in ("grade_top", "grade_bottom"):
        items.loc[joined["index"], face] = joined[f"{face}_2"].to_numpy()
    changed = ps.compare_pits(replace(rich(), items=items)).table
    assert_allclose(own["estimate"], changed["estimate"])
    assert_allclose(own["simultaneous_low"], changed["simultaneous_low"])
    assert own["verdict"].tolist() == changed["verdict"].tolist()
    assert (own["n_replaced"] == len(by_hand(rich(), again))).all()
    base = ps.compare_pits(rich()).table
    assert_allclose(own["base_estimate"], base["estimate"])


def test_the_stricter_and_the_milder_call_bracket_the_graders() -> None:
    found = compared(
        regraded(rich(), step=1),
        regraded(rich(), step=-1, grader="Lee", by="place"),
    )
    burned = found.burned.set_index("regrader")
    assert burned.loc["Kim", "n_became_burned"] > 0
    assert burned.loc["Kim", "n_no_longer_burned"] == 0
    assert burned.loc["Lee", "n_no_longer_burned"] > 0
    names = found.conclusions["alternative"].drop_duplicates().tolist()
    assert names[:2] == ["grades of Kim", "grades of Lee"]
    assert names[2:] == [agreement.DARKEST, agreement.PALEST]
    table = found.conclusions.set_index(["alternative", "pit_a", "pit_b"])["estimate"]
    # Kim is darker throughout, so the darker call of each item is Kim's.
    assert_allclose(table["grades of Kim"], table[agreement.DARKEST])
    assert_allclose(table["grades of Lee"], table[agreement.PALEST])


def test_several_graders_have_a_kappa_of_all_gradings() -> None:
    one = regraded(rich(), step=1)
    two = regraded(rich(), step=-1, grader="Lee", by="place")
    found = compared(one, two)
    row = found.several.set_index("face").loc["top"]
    joined = by_hand(rich(), one)
    lee = regraded(rich(), step=-1, grader="Lee")
    joined = joined.merge(lee, on=["bake", "code"], suffixes=("", "_lee"))
    grades = [
        code(joined[f"grade_top{end}"]).astype(int) for end in ("", "_again", "_lee")
    ]
    counts = sum(np.eye(5, dtype=int)[column] for column in grades)
    assert_allclose(row["kappa"], stats.fleiss_kappa(counts).estimate)
    assert row["n_graders"] == 3
    alone = compared(one).several
    assert alone.empty
    assert list(alone.columns) == list(found.several.columns)


def test_where_they_differ_adds_up() -> None:
    found = compared(regraded(rich()))
    deciding = found.confusion[found.confusion["face"] == "deciding"]
    differ = deciding.loc[deciding["first"] != deciding["second"], "n_items"].sum()
    sums = found.where.groupby("by")[["n_items", "n_differ"]].sum()
    assert set(sums.index) == {"grade", "pit", "third"}
    assert (sums["n_differ"] == differ).all()
    assert (sums["n_items"] == deciding["n_items"].sum()).all()
    assert (found.where["n_darker"] == found.where["n_differ"]).all()
    assert found.where["conf_low"].between(0, found.where["share"]).all()


def test_full_agreement() -> None:
    found = compared(regraded(rich(), step=0))
    assert (found.table["agree"] == 1).all()
    assert (found.table["kappa"] == 1).all()
    assert (found.table["interval"] == "bound").all()
    assert (found.table["kappa_low"] < 1).all()
    assert (found.burned["n_changed"] == 0).all()
    assert_allclose(found.conclusions["shift"], 0)


def test_nothing_burned_among_the_regraded_is_not_defined_but_said() -> None:
    items = rich().items
    pale = items[items["grade_top"].isin(["light", "golden"])]
    pale = pale[pale["grade_bottom"].isin(["light", "golden"])].head(20)
    again = pale[["bake", "code", "grade_top", "grade_bottom"]].assign(grader="Kim")
    row = compared(again).table.set_index("face").loc["burned"]
    assert np.isnan(row["kappa"])
    assert "one category" in row["note"]


def test_one_face_graded_again_leaves_the_other_as_it_was() -> None:
    again = regraded(rich()).drop(columns="grade_bottom")
    found = compared(again)
    assert found.table["face"].tolist() == ["top", "deciding", "burned"]
    top, deciding = found.table.iloc[0], found.table.iloc[1]
    assert_allclose(top["agree"], deciding["agree"])
    n = len(by_hand(rich(), again))
    assert agreement.FACES_UNEQUAL.format(n=n) in found.caveats


def test_burned_marks_alone_can_be_checked_against_grades() -> None:
    items = rich().items.copy()
    darkest = items[["grade_top", "grade_bottom"]].eq("burned").any(axis=1)
    again = regraded(rich())
    items["burned"] = darkest.where(items["missing"].isna())
    items[["grade_top", "grade_bottom"]] = None
    study = with_regrades(replace(rich(), items=items), again)
    found = ps.compare_gradings(study)
    assert found.table["face"].tolist() == ["burned"]
    assert found.where.empty
    assert found.confusion.empty
    full = compared(again)
    assert_allclose(
        found.table["kappa"].item(),
        full.table.set_index("face").loc["burned", "kappa"],
    )


def test_what_is_left_out_is_counted() -> None:
    items = rich().items
    lost = items[items["missing"].notna()].head(2)
    out = items[items["bake"] == "South-5"].head(3)
    more = pd.concat([lost, out])[["bake", "code"]].assign(
        grade_top="dark", grader="Kim"
    )
    again = regraded(rich())
    twice = again.head(4)
    empty = items.tail(5)[["bake", "code"]].assign(grader="Kim")
    study = with_regrades(rich(), again, more, twice, empty)
    joined = join_regrades(study)
    n_out = 3 + int((again["bake"] == "South-5").sum())
    assert joined.n_missing == int((lost["bake"] != "South-5").sum())
    assert joined.n_not_kept >= n_out
    assert joined.n_repeated == int((twice["bake"] != "South-5").sum())
    assert joined.n_empty == 5
    assert len(joined.pairs) == len(by_hand(rich(), again))
    text = " ".join(ps.compare_gradings(study, both=both()).caveats)
    for words in ("not kept", "missing by the record", "repeat", "without a grade"):
        assert words in text


def test_few_regrades_are_said_to_be_few() -> None:
    few = compared(regraded(rich(), share=0.1))
    assert any("less than a fifth" in text for text in few.caveats)
    enough = compared(regraded(rich(), share=0.3))
    assert not any("less than a fifth" in text for text in enough.caveats)


@pytest.mark.parametrize(
    ("grader", "same"), [("grader 1", "yes"), ("Kim", "no"), (None, "unknown")]
)
def test_one_person_twice_is_told_from_two(grader: str | None, same: str) -> None:
    found = compared(regraded(rich(), grader=grader))
    assert (found.table["same_person"] == same).all()
    assert (agreement.NAMES_UNKNOWN in found.caveats) == (grader is None)
    if grader is None:
        assert found.table["regrader"].unique().tolist() == [UNNAMED]


def test_nothing_graded_twice_is_refused_in_words() -> None:
    with pytest.raises(ps.DesignError, match="regrades"):
        ps.compare_gradings(rich())


def test_one_pit_has_agreement_and_no_comparison() -> None:
    keep = rich().bakes["pit"] == "North"
    bakes = rich().bakes[keep]
    items = rich().items[rich().items["bake"].isin(bakes["bake"])]
    study = replace(rich(), bakes=bakes, items=items)
    found = ps.compare_gradings(with_regrades(study, regraded(study)))
    assert found.conclusions.empty
    assert found.table["kappa"].notna().all()


def test_the_level_reaches_the_intervals() -> None:
    study = with_regrades(rich(), regraded(rich()))
    narrow = ps.compare_gradings(study, both=both(), conf_level=0.5).table
    wide = ps.compare_gradings(study, both=both()).table
    assert (narrow["kappa_low"] > wide["kappa_low"]).all()


@pytest.mark.slow
def test_kappa_of_a_known_share_of_moved_grades_is_recovered() -> None:
    """A grader who moves each face of a third of the items has a known agreement."""
    rng = np.random.default_rng(8)
    values = []
    for seed in range(12):
        study = rich_study(seed=100 + seed)
        again = regraded(study, share=1.0, seed=int(rng.integers(1000)))
        study = with_regrades(study, again)
        table = ps.compare_gradings(study).table.set_index("face")
        top = study.items.loc[study.items["missing"].isna(), "grade_top"]
        # The darkest grade cannot move further.
        values.append(table.loc["top", "agree"] - (1 - (top != "burned").mean() / 3))
    assert abs(np.mean(values)) < 0.02
