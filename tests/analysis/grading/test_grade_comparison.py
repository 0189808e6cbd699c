"""All grades of all pits from one model, and what stands beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats import stats
from pitstats.analysis.grading.grade_comparison import AGREE_WITHIN
from pitstats.analysis.rates.pairs import PAIR_COLUMNS
from pitstats.report.sections import grades

GRADES = ("raw", "light", "golden", "dark", "burned")


def graded_study(
    counts: dict[str, list[list[int]]],
    *,
    totals: dict[str, list[tuple[int, int]]] | None = None,
    **settings: object,
) -> ps.Study:
    """Pits with bakes of counts by grade, one face each; more bakes as totals only."""
    stated = ps.Settings(
        title="T",
        question="Q",
        temperature_rule="tuned",
        **settings,  # type: ignore[arg-type]
    )
    bakes, items, kept = [], [], []
    for pit, own in counts.items():
        for k, row in enumerate(own):
            bake = f"{pit}{k}"
            bakes.append({"bake": bake, "pit": pit})
            grades = np.repeat(stated.grades, row)
            items += [
                {"bake": bake, "column": i + 1, "grade_top": grade}
                for i, grade in enumerate(grades)
            ]
        for k, (n, burned) in enumerate((totals or {}).get(pit, [])):
            bake = f"{pit}-total{k}"
            bakes.append({"bake": bake, "pit": pit})
            kept.append({"bake": bake, "n_items": n, "n_burned": burned})
    return ps.Study(
        settings=stated,
        pits=pd.DataFrame({"pit": list(counts)}),
        bakes=pd.DataFrame(bakes),
        items=pd.DataFrame(items),
        **({"counts": pd.DataFrame(kept)} if kept else {}),
    )


QUARRY = [[1, 2, 6, 3, 2], [0, 3, 5, 4, 2], [1, 1, 7, 2, 3]]
FERRY = [[0, 1, 4, 5, 4], [0, 2, 3, 4, 5], [1, 1, 4, 4, 4]]


@pytest.fixture(scope="module")
def study() -> ps.Study:
    return graded_study({"Quarry": QUARRY, "Ferry": FERRY})


@pytest.fixture(scope="module")
def found(study: ps.Study) -> ps.GradeComparison:
    return ps.compare_grades(study)


def of_pit(table: pd.DataFrame, pit: str) -> pd.Series:
    return table[table["pit"] == pit].set_index("outcome")["estimate"]


def test_grades_of_a_pit_add_up_and_outcomes_follow_from_them(
    found: ps.GradeComparison,
) -> None:
    assert found.one_face
    assert list(found.table.columns) == [
        "pit",
        "outcome",
        "estimate",
        "conf_low",
        "conf_high",
    ]
    assert not found.table.duplicated(["pit", "outcome"]).any()
    for pit in ("Quarry", "Ferry"):
        own = of_pit(found.table, pit)
        assert own[list(GRADES)].sum() == pytest.approx(1)
        assert own["under-baked"] == pytest.approx(own["raw"])
        assert own["good"] == pytest.approx(own["golden"])


def test_it_is_the_posterior_of_the_counts(found: ps.GradeComparison) -> None:
    posterior = stats.grade_rates(QUARRY + FERRY, [0, 0, 0, 1, 1, 1])
    burned = found.table[found.table["outcome"] == "burned"]
    np.testing.assert_allclose(
        burned[["estimate", "conf_low", "conf_high"]].to_numpy().T,
        np.array(posterior.at_least)[:, :, 4],
    )
    cut = found.cut_differences[found.cut_differences["burned_from"] == "dark"]
    assert cut["conf_low"].item() == pytest.approx(posterior.differences.low[0, 3])
    assert list(found.cut_differences.columns[2:]) == list(PAIR_COLUMNS)
    assert list(found.differences.columns) == ["outcome", *PAIR_COLUMNS]
    assert f"seed {found.seed}" in found.method


def test_every_cut_stands_beside_its_exact_answer(
    study: ps.Study, found: ps.GradeComparison
) -> None:
    for cut in GRADES[2:]:
        changed = replace(
            study,
            settings=replace(
                study.settings,
                burned_from=cut,
                target_grades=("light",),
                raw_to="raw",
            ),
        )
        alone = ps.estimate_burn_rates(changed).table.set_index("pit")
        own = found.cuts[found.cuts["burned_from"] == cut].set_index("pit")
        for ours, theirs in (
            ("n_burned", "n_burned"),
            ("exact_estimate", "estimate"),
            ("exact_low", "conf_low"),
            ("exact_high", "conf_high"),
        ):
            np.testing.assert_allclose(own[ours], alone.loc[own.index, theirs])
    assert found.cuts.groupby("burned_from")["headline"].all().sum() == 1
    away = (found.cuts["estimate"] - found.cuts["exact_estimate"]).abs().max()
    assert any("At one cut" in c for c in found.caveats) == (away > AGREE_WITHIN)


@pytest.mark.parametrize("name", ["four_pits", "one_bake_each"])
def test_burned_agrees_with_the_exact_answer_or_says_why(name: str) -> None:
    study = ps.demo_study(name)
    found = ps.compare_grades(study)
    exact = ps.estimate_burn_rates(study).table.set_index("pit")["estimate"]
    burned = found.table[found.table["outcome"] == "burned"].set_index("pit")
    gap = (burned["estimate"] - exact[burned.index]).abs().max()
    said = any("by more than 5 points" in caveat for caveat in found.caveats)
    assert (gap > AGREE_WITHIN) == said
    own = found.differences[found.differences["outcome"] == "burned"]
    leading = ps.compare_pits(study).table
    turned = own["verdict"].to_numpy() != leading["verdict"].to_numpy()
    assert any("different verdicts" in c for c in found.caveats) == turned.any()
    # Several faces were graded in every demo study.
    assert not found.one_face
    good = ps.estimate_shares(study, "good").table.set_index("pit")
    own = found.table[found.table["outcome"] == "good"].set_index("pit")
    np.testing.assert_allclose(own["estimate"], good.loc[own.index, "estimate"])
    pale = ps.estimate_shares(study, "underbaked").table.set_index("pit")["estimate"]
    under = found.table[found.table["outcome"] == "under-baked"].set_index("pit")
    np.testing.assert_allclose(under["estimate"], pale[under.index], atol=0.1)
    for pit in burned.index:
        assert of_pit(found.table, pit)[list(GRADES)].sum() == pytest.approx(1)


def test_bakes_without_grades_count_in_the_answer_that_leads_only() -> None:
    study = graded_study(
        {"Quarry": QUARRY, "Ferry": FERRY},
        totals={"Quarry": [(14, 13), (14, 14), (14, 12)]},
    )
    found = ps.compare_grades(study)
    said = [own for own in found.caveats if "by more than 5 points" in own]
    assert any("only burned or not is known" in caveat for caveat in said)
    assert any("Left out here, for want" in caveat for caveat in found.caveats)


def test_a_grade_with_the_name_of_an_outcome_is_told_apart() -> None:
    study = graded_study(
        {"Quarry": QUARRY, "Ferry": FERRY},
        grades=("pale", "good", "brown", "burned", "black"),
        burned_from="burned",
        target_grades=("good", "brown"),
    )
    found = ps.compare_grades(study)
    assert found.table["outcome"].unique().tolist() == [
        "under-baked",
        "good",
        "burned",
        "pale",
        "good (the grade)",
        "brown",
        "burned (the grade)",
        "black",
    ]
    own = of_pit(found.table, "Ferry")
    assert own["burned"] == pytest.approx(own["burned (the grade)"] + own["black"])
    assert own["good"] == pytest.approx(own["good (the grade)"] + own["brown"])


def test_pits_that_differ_in_scale_are_told_from_pits_that_differ_in_level() -> None:
    narrow = [[0, 1, 28, 1, 0]] * 6
    wide = [[5, 6, 8, 6, 5]] * 6
    found = ps.compare_grades(graded_study({"Quarry": narrow, "Ferry": wide}))
    row = found.scales.iloc[0]
    assert row["verdict"] == "differs"
    assert row["conf_low"] > 1
    lines = grades.grade_sentences(found)
    assert any("Ferry over more grades than Quarry" in line for line in lines)
    darker = ps.compare_grades(graded_study({"Quarry": QUARRY, "Ferry": FERRY}))
    assert darker.scales["verdict"].tolist() == ["cannot tell"]
    told = [s for s in grades.grade_sentences(darker) if "how widely" in s]
    assert len(told) == 1
    assert told[0].startswith("Cannot tell the pits apart in these bakes")


def test_the_typical_grade_is_the_one_that_half_of_the_items_reach(
    found: ps.GradeComparison,
) -> None:
    typical = found.typical.set_index("pit")
    assert typical.loc["Quarry", "grade"] == "golden"
    assert typical.loc["Ferry", "grade"] == "dark"
    code = {grade: i for i, grade in enumerate(GRADES)}
    steps = found.typical[["grade_low", "grade", "grade_high"]]
    assert (np.diff(steps.map(code.get).to_numpy(dtype=int), axis=1) >= 0).all()


def test_one_bake_each_gives_no_verdict() -> None:
    found = ps.compare_grades(graded_study({"Quarry": QUARRY[:1], "Ferry": FERRY[:1]}))
    for table in (found.differences, found.cut_differences, found.scales):
        assert set(table["verdict"]) == {"one bake each"}
        assert table[["p_value", "p_adjusted"]].isna().all(axis=None)
    assert any("baked once" in caveat for caveat in found.caveats)
    (typical,) = grades.grade_sentences(found)
    assert typical.startswith("The grade that half of the items reach")


def test_one_bake_beside_two_gives_no_verdict_and_no_p_value() -> None:
    dark, pale = [0, 0, 0, 1, 17], [0, 2, 15, 1, 0]
    found = ps.compare_grades(graded_study({"Quarry": [dark], "Ferry": [pale, pale]}))
    for table in (found.differences, found.cut_differences, found.scales):
        assert set(table["verdict"]) == {"cannot tell"}
        assert table[["p_value", "p_adjusted"]].isna().all(axis=None)
    assert (found.differences["conf_low"] > 0).any()
    assert any("gets a verdict only beside" in caveat for caveat in found.caveats)
    three = {"Quarry": [dark], "Ferry": [pale] * 3}
    burned = ps.compare_grades(graded_study(three)).differences.set_index("outcome")
    assert burned.loc["burned", "verdict"] == "differs"


def test_one_pit_alone() -> None:
    alone = ps.compare_grades(graded_study({"Quarry": QUARRY}))
    assert alone.differences.empty
    assert len(grades.grade_sentences(alone)) == 1


def test_a_pit_without_grades_is_named() -> None:
    study = graded_study({"Quarry": QUARRY, "Ferry": FERRY, "Mill": []})
    found = ps.compare_grades(study)
    assert any(caveat.startswith("Mill has no graded") for caveat in found.caveats)
    assert set(found.table["pit"]) == {"Quarry", "Ferry"}


def test_without_grades_there_is_nothing_to_compare() -> None:
    study = ps.study_from_counts(["Quarry", "Ferry"], [12, 12], [3, 5])
    with pytest.raises(ps.DesignError, match="no grade scale"):
        ps.compare_grades(study)


def test_sessions_without_a_name_are_days_of_their_own(study: ps.Study) -> None:
    bakes = study.bakes.copy()
    bakes["session"] = ["1", "2", None, "1", "2", None]
    found = ps.compare_grades(replace(study, bakes=bakes))
    assert any("Sessions are in the model" in caveat for caveat in found.caveats)


def test_the_table_for_readers_has_a_column_per_pit(found: ps.GradeComparison) -> None:
    table = grades.grade_table(found)
    assert table.columns.tolist() == ["Outcome", "Quarry", "Ferry"]
    # The share burned has its answer elsewhere.
    assert {*table["Outcome"], "burned"} == set(found.table["outcome"])
    assert "burned" not in set(table["Outcome"])
    assert table["Quarry"].str.contains(" to ").all()
