"""Before against after: sides, pairs of days, matched cells, and what else changed."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.analysis.grading.regrading import join_regrades
from pitstats.analysis.retest.compare import _joined
from pitstats.analysis.retest.sides import make_sides
from pitstats.cli import main
from pitstats.report.section import Heading, Text
from pitstats.report.sections import retest


def moved_damper(n_before: int = 2, n_after: int = 2, better: bool = True) -> ps.Study:
    """Pit A with its damper moved in every session; pit B as it was."""
    rng = np.random.default_rng(4)
    bakes, items = [], []
    for session in range(max(n_before, n_after)):
        plan = [("A", 1.0, 0.5 if better else 0.2), ("A", 0.5, 0.2), ("B", 1.0, 0.3)]
        for order, (pit, damper, rate) in enumerate(plan):
            if pit == "A" and session >= (n_before if damper == 1.0 else n_after):
                continue
            name = f"{pit}-{session}-{damper:g}"
            bakes.append((name, pit, f"day {session}", 1 + order + 3 * session, damper))
            for row in (1, 2):
                for column in range(1, 7):
                    burned = rng.random() < rate * (1.4 - 0.13 * column)
                    grade = "burned" if burned else rng.choice(["golden", "light"])
                    items.append((name, row, column, grade))
    return ps.Study(
        settings=ps.Settings(
            title="Damper",
            question="Did it help?",
            temperature_rule="same grate",
            length_unit="in",
        ),
        pits=pd.DataFrame({"pit": ["A", "B"]}),
        grates=pd.DataFrame(
            {
                "pit": ["A", "B"],
                "grate": "main",
                "rows": 2,
                "columns": 6,
                "cell_length": 4.0,
                "cell_width": 4.0,
            }
        ),
        bakes=pd.DataFrame(
            bakes, columns=["bake", "pit", "session", "order", "damper_open"]
        ),
        items=pd.DataFrame(items, columns=["bake", "row", "column", "grade_top"]),
    )


@cache
def over_three_days() -> ps.SettingComparison:
    return ps.compare_settings(moved_damper(3, 3))


def test_every_outcome_has_a_change_with_its_interval() -> None:
    found = ps.compare_settings(moved_damper(4, 4))
    table = found.table.set_index("outcome")
    assert set(table.index) == {
        "burned",
        "target grade",
        "usable area",
        "near less far",
    }
    columns = "pit outcome before after change conf_low conf_high verdict"
    assert list(found.table.columns) == columns.split()
    levels = found.levels.set_index(["outcome", "side"])
    for side in ("before", "after"):
        own = levels.xs(side, level="side")
        assert own["estimate"].to_dict() == table[side].to_dict()
        assert (own["conf_low"] < own["estimate"]).all()
        assert (own["estimate"] < own["conf_high"]).all()
    burned = table.loc["burned"]
    assert burned["change"] == pytest.approx(
        burned["after"] - burned["before"], abs=0.01
    )
    assert burned["change"] < -0.1
    assert (
        (table["conf_low"] < table["change"]) & (table["change"] < table["conf_high"])
    ).all()
    assert found.setting == "damper_open"
    assert found.bakes["n_bakes"].tolist() == [4, 4]
    assert found.bakes["damper_open"].tolist() == [1.0, 0.5]


def test_before_and_after_can_be_turned_round() -> None:
    one = over_three_days().table.set_index("outcome")
    turned = ps.compare_settings(moved_damper(3, 3), before=0.5)
    two = turned.table.set_index("outcome")
    assert two.loc["burned", "change"] == pytest.approx(
        -one.loc["burned", "change"], abs=0.01
    )


def test_one_pair_of_bakes_is_reported_as_one_pair() -> None:
    found = ps.compare_settings(moved_damper(1, 1))
    assert set(found.table["verdict"]) == {"one bake each"}
    assert any("one pair of bakes" in caveat for caveat in found.caveats)


def test_only_cells_that_both_sides_graded_count() -> None:
    study = moved_damper(2, 2)
    gone = study.items["bake"].str.endswith("-0.5") & (study.items["column"] == 6)
    found = ps.compare_settings(replace(study, items=study.items[~gone]))
    assert found.n_unmatched == 4
    assert found.bakes["n_items"].tolist() == [20, 20]
    assert any("4 items were left out" in caveat for caveat in found.caveats)


def test_what_else_changed_is_found_by_the_audit() -> None:
    study = moved_damper(3, 3)
    after = study.bakes["bake"].str.endswith("-0.5")
    bakes = study.bakes.assign(tender=np.where(after, "one", "two"))
    with_tender = ps.compare_settings(replace(study, bakes=bakes))
    alone = over_three_days()
    open_items = [f.message for f in alone.findings if f.id == "not_recorded"]
    assert open_items
    assert not any("damper" in text for text in open_items)
    messages = " ".join(f.message for f in with_tender.findings)
    assert "tender" in messages
    assert "damper" not in " ".join(
        f.message for f in alone.findings if f.severity == "spoils"
    )


def test_how_the_changed_pit_stands_to_another_is_not_asked() -> None:
    """B always comes first; the sides of A lie at one place of their sessions."""
    study = moved_damper(4, 4)
    bakes = study.bakes
    early = bakes["session"].isin(["day 0", "day 2"])
    left_out = bakes["pit"].eq("A") & early.eq(bakes["damper_open"].eq(0.5))
    bakes = bakes[~left_out].assign(order=bakes["pit"].eq("A") + 1)
    items = study.items[study.items["bake"].isin(bakes["bake"])]
    alternating = replace(study, bakes=bakes, items=items)
    found = {f.id for f in ps.compare_settings(alternating).findings}
    assert "order_fixed" not in found
    assert "order_fixed" in {f.id for f in ps.audit_fairness(alternating)}
    always_after = {f.id for f in ps.compare_settings(study).findings}
    assert "order_fixed" in always_after


def test_a_retest_is_of_one_pair_not_of_the_largest_of_many() -> None:
    study = ps.demo_study("moved_damper")
    assert len(study.pits) == 2  # both sides of one of them, and the other
    found = ps.compare_settings(study)
    assert found.findings
    assert "many_pits" not in {finding.id for finding in found.findings}


def test_the_command_says_how_to_name_the_setting() -> None:
    said = CliRunner().invoke(main, ["retest", "data/four_pits"])
    assert said.exit_code == 1
    assert "made before and after: --setting COLUMN." in said.stderr


def test_the_setting_must_be_plain() -> None:
    study = moved_damper(2, 2)
    with pytest.raises(ps.DesignError, match="No setting was varied"):
        ps.compare_settings(ps.demo_study("four_pits"))
    with pytest.raises(ps.DesignError, match="no column 'flap'"):
        ps.compare_settings(study, "flap")
    after = study.bakes["bake"].str.endswith("-0.5")
    both = replace(study, bakes=study.bakes.assign(plate=np.where(after, "p", "q")))
    with pytest.raises(ps.DesignError, match="damper_open and plate"):
        ps.compare_settings(both)
    three = study.bakes.assign(damper_open=[0.1 * k for k in range(len(study.bakes))])
    with pytest.raises(ps.DesignError, match="before and after are two"):
        ps.compare_settings(replace(study, bakes=three))


def _halves() -> tuple[ps.Study, ps.Study]:
    study = moved_damper(3, 3)
    after = study.bakes["bake"].str.endswith("-0.5")
    is_b = study.bakes["pit"] == "B"
    second = is_b & study.bakes["session"].isin(["day 1", "day 2"])
    first = (is_b & ~second) | (~is_b & ~after)
    return tuple(
        replace(
            study,
            bakes=study.bakes[own],
            items=study.items[study.items["bake"].isin(study.bakes.loc[own, "bake"])],
        )
        for own in (first, ~first)
    )  # type: ignore[return-value]


def test_two_studies_with_an_unchanged_pit_tell_change_from_day() -> None:
    before, after = _halves()
    found = ps.retest(before, after, unchanged=["B"])
    assert set(found.table["pit"]) == {"A"}
    assert not found.days_alike
    assert "days assumed alike" not in set(found.table["verdict"])
    told, changed = retest.what_changed(found)
    assert told.startswith("B was baked unchanged on both sides")
    assert changed == "A: damper opening 1 before, 0.5 after."
    alone = ps.retest(before, after)
    assert alone.days_alike
    assert not [text for text in retest.what_changed(alone) if "unchanged" in text]


def _two_days(*pits: str) -> ps.Study:
    """Dampers moved between one day and the next, three bakes a day; no places."""
    burned = {"A": ([13, 11, 14], [2, 1, 2]), "B": ([13, 12, 11], [3, 2, 2])}
    burned["C"] = ([6, 5, 7], [6, 7, 5])
    rows = [
        (f"{pit}{day}{k}", pit, f"day {day}", damper if pit != "C" else 1.0, 18, n)
        for pit in pits
        for day, damper, own in zip((1, 2), (1.0, 0.5), burned[pit], strict=True)
        for k, n in enumerate(own)
    ]
    columns = ["bake", "pit", "session", "damper_open", "n_items", "n_burned"]
    table = pd.DataFrame(rows, columns=columns)
    return ps.Study(
        settings=ps.Settings(
            title="Damper", question="Did it help?", temperature_rule="same grate"
        ),
        pits=pd.DataFrame({"pit": list(pits)}),
        bakes=table[["bake", "pit", "session", "damper_open"]],
        counts=table[["bake", "n_items", "n_burned"]],
    )


def test_one_record_of_two_days_and_two_records_answer_alike() -> None:
    both = _two_days("A")
    first = both.bakes["session"] == "day 1"
    halves = [
        replace(
            both,
            bakes=both.bakes[own],
            counts=both.counts[both.counts["bake"].isin(both.bakes.loc[own, "bake"])],
        )
        for own in (first, ~first)
    ]
    one, two = ps.compare_settings(both), ps.retest(*halves)
    pd.testing.assert_frame_equal(one.table, two.table)
    assert one.table["verdict"].tolist() == ["days assumed alike"]
    assert retest.in_short(one).endswith("if the days were alike.")
    assert one.caveats == two.caveats
    assert one.setting == two.setting == "damper_open"
    # What was changed is not what else changed.
    for found in (one, two):
        assert not [f for f in found.findings if "damper" in f.message.lower()]


def test_every_changed_pit_is_answered_and_the_unchanged_one_is_named() -> None:
    found = ps.compare_settings(_two_days("A", "B", "C"))
    assert found.table["verdict"].tolist() == ["differs", "differs"]
    assert found.links == ("C",)
    said = retest.in_short(found)
    assert "A: burned share is lower after" in said
    assert "B: burned share is lower after" in said
    assert retest.what_changed(found)[0].startswith("C was baked unchanged on both")


def _graded_again(study: ps.Study) -> ps.Study:
    """The same, with codes that every study draws alike and four items graded twice."""
    codes = [f"{k:03}" for k in range(len(study.items))]
    items = study.items.assign(code=codes)
    by_place = items.iloc[3:4][["bake", "grate", "row", "column"]]
    again = pd.concat([pd.DataFrame({"code": codes[:3]}), by_place])
    return replace(study, items=items, regrades=again.assign(grade_top="golden"))


def test_second_gradings_stay_with_their_items() -> None:
    before, after = map(_graded_again, _halves())
    together = ps.retest(before, after, unchanged=["B"])
    one = ps.compare_settings(_graded_again(moved_damper(3, 3)))
    for found in (together, one):
        assert "not_regraded" not in {finding.id for finding in found.findings}
    joined, side_of = _joined(before, after, {"B"})
    assert len(join_regrades(make_sides(joined, side_of).study).pairs) == 8


def test_an_area_is_told_in_the_unit_of_the_study() -> None:
    study = moved_damper(3, 3)
    found = over_three_days()
    assert found.area_unit == "sq in"
    told = [retest.table(found).caption, *retest.sentences(found)]
    assert "(the usable area in sq in)" in told[0]
    assert any("sq in (95% interval" in text for text in told[1:])
    unsized = study.grates.drop(columns=["cell_length", "cell_width"])
    bare = ps.compare_settings(replace(study, grates=unsized))
    assert bare.area_unit == ""
    told = [retest.table(bare).caption, *retest.sentences(bare)]
    assert not [text for text in told if "area" in text or "sq" in text.split()]


def test_two_studies_without_one_do_not() -> None:
    before, after = _halves()
    found = ps.retest(before, after)
    assert found.days_alike
    assert set(found.table["verdict"]) == {"days assumed alike"}
    assert any("cannot be told apart" in caveat for caveat in found.caveats)
    # The days are one remark, not one for every pair of sides of different pits.
    assert not [
        f for f in found.findings if f.id in ("session_with_pit", "order_fixed")
    ]
    assert found.findings
    named = [f.message for f in found.findings if "A (before)" in f.message]
    assert not [f for f in found.findings if ", before" in f.message]
    assert named


def test_studies_that_do_not_fit_are_refused_in_words() -> None:
    before, after = _halves()
    other = replace(after, settings=replace(after.settings, burned_from="dark"))
    with pytest.raises(ps.DesignError, match="count burned items alike"):
        ps.retest(before, other)
    with pytest.raises(ps.DesignError, match="Neither study has a pit 'Z'"):
        ps.retest(before, after, unchanged=["Z"])
    with pytest.raises(ps.DesignError, match="both before and after"):
        ps.retest(before, after, unchanged=["A", "B"])


def test_two_studies_that_cannot_be_joined_are_refused_in_a_sentence() -> None:
    study = moved_damper(2, 2)
    with pytest.raises(ps.DesignError, match="one and the same"):
        ps.retest(study, study)
    metric = replace(study, settings=replace(study.settings, length_unit="cm"))
    with pytest.raises(ps.DesignError, match="differ in length_unit"):
        ps.retest(study, metric)
    totals = replace(
        study,
        settings=replace(study.settings, length_unit=None),
        grates=study.grates.iloc[:0],
        items=study.items.iloc[:0],
        counts=pd.DataFrame(
            {"bake": study.bakes["bake"], "n_items": 12, "n_burned": 3}
        ),
    )
    for pair in ((study, totals), (totals, study)):
        with pytest.raises(ps.DesignError, match="both in totals"):
            ps.retest(*pair)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--unchanged", "B"], "here is one"),
        (["other", "--setting", "x"], "within one"),
    ],
)
def test_an_option_that_would_do_nothing_is_refused(
    words: list[str], said: str
) -> None:
    told = CliRunner().invoke(main, ["retest", "study", *words])
    assert told.exit_code == 2
    assert said in told.output


def test_the_terminal_answers_first_and_names_its_unit(tmp_path: Path) -> None:
    ps.write_study(ps.demo_study("moved_damper"), tmp_path / "s")
    said = CliRunner().invoke(main, ["retest", str(tmp_path / "s")])
    assert said.exit_code == 0, said.output
    answer, changed, what_next, _, caption, *_ = said.output.splitlines()
    assert answer.startswith("Quarry, burned share: this test cannot tell")
    assert changed == "Quarry: damper opening 1 before, 0.5 after."
    assert what_next.startswith("What to do next: About 10")
    assert "unit of replication: the bake" in caption
    assert "95% intervals" in caption


@pytest.mark.parametrize(
    ("column", "said"),
    [
        ("damper", "Known: 'damper_open', 'intake_open'"),
        ("photo", "photo is empty in every kept bake."),
    ],
)
def test_a_column_that_says_no_side_is_named(
    tmp_path: Path, column: str, said: str
) -> None:
    ps.write_study(ps.demo_study("moved_damper"), tmp_path / "s")
    words = ["retest", str(tmp_path / "s"), "--setting", column]
    assert said in CliRunner().invoke(main, words).output


def in_totals(before: list[int], after: list[int]) -> ps.Study:
    """Bakes of 20 items of one pit, of which these burned on either side."""
    rows = [("before", n) for n in before] + [("after", n) for n in after]
    bakes = [f"b{k}" for k in range(len(rows))]
    return ps.Study(
        settings=ps.Settings(title="t", question="q", temperature_rule="same grate"),
        pits=pd.DataFrame({"pit": ["A"]}),
        bakes=pd.DataFrame(
            {"bake": bakes, "pit": "A", "plate": [side for side, _ in rows]}
        ),
        counts=pd.DataFrame(
            {"bake": bakes, "n_items": 20, "n_burned": [n for _, n in rows]}
        ),
    )


def test_one_bake_beside_two_gives_no_verdict_as_between_pits() -> None:
    for sides in (([20], [0, 0]), ([20, 20], [0])):
        found = ps.compare_settings(in_totals(*sides))
        assert found.table["verdict"].tolist() == ["cannot tell"]
        assert found.table["conf_high"].item() < 0
        assert any("gets a verdict only beside" in text for text in found.caveats)
    enough = ps.compare_settings(in_totals([20], [0, 0, 0]))
    assert enough.table["verdict"].tolist() == ["differs"]
    many = ps.compare_settings(in_totals([20, 19], [0, 1, 0, 1, 0, 1]))
    assert any("at least 3 times as often" in text for text in many.caveats)


def test_where_it_cannot_be_told_it_is_said_what_it_would_take() -> None:
    open_, told = in_totals([9, 6], [4, 5]), in_totals([18, 19, 18], [1, 2, 1])
    found = ps.compare_settings(open_)
    assert found.next_step is not None
    assert {found.next_step.pit_a, found.next_step.pit_b} == {"A (after)", "A (before)"}
    # Judged as a pair of pits of its own would be, at one look now and one then.
    settled = found.next_step.table["settled"]
    assert settled.iloc[0] == 0
    assert settled.iloc[-1] > 0.3
    assert settled.is_monotonic_increasing
    assert (found.next_step.table["level"].iloc[1:] < 0.05).all()
    text = retest.next_in_short(found)
    assert text == found.next_step.sentence
    body = retest.retest(found, "T").body
    assert Heading("What to do next") in body
    assert Text(text) in body
    assert ps.ask.further(found).answer == text
    done = ps.compare_settings(told)
    assert done.table["verdict"].tolist() == ["differs"]
    assert done.next_step is None
    assert retest.next_in_short(done) == ""
    assert ps.ask.further(done).missing
    assert Heading("What to do next") not in retest.retest(done, "T").body
    once = ps.compare_settings(in_totals([9], [4]))
    assert retest.next_in_short(once).startswith("Bake A at least twice more")


def test_a_pit_beside_the_changed_one_bears_on_its_next_bakes_not_on_its_name() -> None:
    found = ps.compare_settings(moved_damper(3, 3, better=False))
    assert found.table["verdict"].iloc[0] == "cannot tell"
    assert found.next_step is not None
    assert {found.next_step.pit_a, found.next_step.pit_b} == {"A (after)", "A (before)"}
    width = found.table["conf_high"].iloc[0] - found.table["conf_low"].iloc[0]
    assert found.next_step.table["width"].iloc[0] == pytest.approx(width)


def test_a_retest_that_was_looked_at_before_is_held_to_its_boundary() -> None:
    study = moved_damper(3, 3)
    looked = replace(study.settings, looks_planned=(2, 3, 6), looks_taken=(2,))
    found = ps.compare_settings(replace(study, settings=looked))
    plain = over_three_days()
    assert found.conf_level > plain.conf_level
    assert found.table["conf_high"].iloc[0] > plain.table["conf_high"].iloc[0]
    asked = ps.compare_settings(replace(study, settings=looked), conf_level=0.95)
    assert asked.conf_level == plain.conf_level
