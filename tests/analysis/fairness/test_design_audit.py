"""What a design can never separate, and the fewest bakes that would."""

from dataclasses import replace
from functools import cache
from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.fairness.design_audit import audit_factors, verdict
from pitstats.analysis.fairness.factors import read_factors
from pitstats.report.sections.design import extra_bakes_sentences
from pitstats.study.demo import SimulatedPit, simulate_study
from tests.analysis.planted import by_pit, fair_study, with_bakes, with_items


def pit_row(design: ps.DesignAudit, factor: str) -> pd.Series:
    table = design.table
    (row,) = [
        row
        for _, row in table.iterrows()
        if row["factor_a"] == "pit" and row["factor_b"] == factor
    ]
    return row


def plan(**columns: list[object]) -> ps.Study:
    """A plan of nothing but its bakes."""
    n = len(columns["pit"])
    return ps.Study(
        settings=ps.Settings(title="T", question="Q", temperature_rule="same grate"),
        pits=pd.DataFrame({"pit": list(dict.fromkeys(columns["pit"]))}),
        bakes=pd.DataFrame(
            {"bake": [str(i) for i in range(n)], "status": "planned", **columns}
        ),
    )


# --- the design as it is --------------------------------------------------------------


def test_turned_order_and_shared_sessions_hide_nothing() -> None:
    design = ps.audit_design(fair_study())
    contrasts = design.contrasts
    chosen = contrasts[contrasts["factors"].isin(["session", "order"])]
    assert (chosen["verdict"] == "apart").all()
    np.testing.assert_allclose(chosen["share"], 0.0, atol=1e-9)


def test_constants_and_what_was_not_recorded_are_named() -> None:
    design = ps.audit_design(with_bakes(fair_study(), wood=None))
    text = " ".join(design.caveats)
    assert "damper opening (1)" in text
    assert "Not recorded, so it cannot be checked: wood." in text


def test_only_the_pits_that_had_their_own_lot_are_hidden() -> None:
    study = with_bakes(fair_study(), lot=by_pit(Quarry="A", Ferry="A", Orchard="B"))
    rows = ps.audit_design(study).of("lot").set_index(["pit_a", "pit_b"])
    assert rows["verdict"].to_dict() == {
        ("Quarry", "Ferry"): "apart",
        ("Quarry", "Orchard"): "fully",
        ("Ferry", "Orchard"): "fully",
    }


def test_lots_of_items_count_by_their_shares() -> None:
    study = fair_study(pits=2, bakes=2)
    half = with_items(study, lot=["A", "B"] * (len(study.items) // 2))
    assert not any(f.name == "lot" for f in read_factors(half).varied)
    pit = study.items["bake"].str.split("-").str[0]
    own = with_items(study, lot=pit.map({"Quarry": "A", "Ferry": "B"}))
    assert ps.audit_design(own).of("lot")["verdict"].tolist() == ["fully"]


def test_a_nearly_tied_number_is_given_its_share() -> None:
    # Damper 1, 1, 0.9 against 0.5: R2 of the pit on the damper by hand.
    study = with_bakes(fair_study(pits=2), damper_open=[1, 0.5, 1, 0.5, 0.9, 0.5])
    row = pit_row(ps.audit_design(study), "damper_open")
    damper = np.array([1, 0.5, 1, 0.5, 0.9, 0.5])
    r = np.corrcoef(damper, [1, 0, 1, 0, 1, 0])[0, 1]
    assert row["share"] == pytest.approx(r**2)
    assert row["verdict"] == "nearly"


def test_a_combination_hides_what_no_part_of_it_hides() -> None:
    study = plan(
        pit=["Quarry", "Ferry", "Ferry"] * 3,
        session=["day 1", "day 1", "day 2"] * 3,
        lot=["A", "B", "A"] * 3,
    )
    design = ps.audit_design(study)
    assert pit_row(design, "session")["verdict"] == "apart"
    assert pit_row(design, "lot")["verdict"] == "apart"
    assert design.combinations == [("session", "lot")]
    assert pit_row(design, "session + lot")["rank_lost"] == 1
    (finding,) = [f for f in ps.audit_fairness(study) if f.id == "together_with_pit"]
    assert "session and lot of dough together" in finding.message


def test_too_few_bakes_for_all_at_once_are_no_combination() -> None:
    # Two bakes each in a square of session and order: four bakes cannot also tell a
    # tender apart, whatever he did.
    study = with_bakes(fair_study(pits=2, bakes=2), tender=["one", "two", "two", "one"])
    assert ps.audit_design(study).combinations == []


def test_pits_compared_through_a_third_are_not_hidden_by_days() -> None:
    study = plan(
        pit=["A", "B", "B", "C", "C", "A"],
        session=["1", "1", "2", "2", "3", "3"],
        order=[1, 2, 1, 2, 1, 2],
    )
    rows = ps.audit_design(study).of("session")
    # A balanced incomplete block design: blocks of two of three, efficiency 3/4.
    np.testing.assert_allclose(rows["share"], 0.25)


def test_a_plan_is_looked_at_before_any_fire_is_lit() -> None:
    study = plan(pit=["A", "B"] * 3, session=list("112233"), order=[1, 2] * 3)
    found = ps.audit_fairness(study)
    assert found[0].id == "order_fixed"
    ids = {f.id for f in found}
    assert not ids & {"gauge_unchecked", "not_regraded", "items_missing"}
    assert {f.severity for f in found if f.id == "blind_unknown"} == {"note"}


def test_the_audit_does_not_depend_on_the_order_of_rows_or_the_names() -> None:
    study = with_bakes(fair_study(), order=by_pit(Quarry=1, Ferry=2, Orchard=3))
    mixed = replace(study, bakes=study.bakes.sample(frac=1, random_state=3))
    one = ps.audit_design(study).table.set_index(["factor_a", "factor_b"])["share"]
    two = ps.audit_design(mixed).table.set_index(["factor_a", "factor_b"])["share"]
    pd.testing.assert_series_equal(one.sort_index(), two.sort_index(), atol=1e-9)


@pytest.mark.parametrize(
    ("share", "word"),
    [(1.0, "fully"), (0.8, "nearly"), (0.5, "partly"), (0.49, "apart"), (0, "apart")],
)
def test_words_for_shares(share: float, word: str) -> None:
    assert verdict(share) == word


# --- the bakes that would help --------------------------------------------------------


def test_nothing_is_added_to_a_fair_design() -> None:
    more = ps.suggest_bakes(fair_study())
    assert more.table.empty
    assert more.goals == more.unmet == more.single == ()


HELPED = {
    "order": with_bakes(fair_study(), order=by_pit(Quarry=1, Ferry=2, Orchard=3)),
    "lot": with_bakes(fair_study(), lot=by_pit(Quarry="A", Ferry="B", Orchard="A")),
    "grader": with_bakes(fair_study(pits=2), grader=by_pit(Quarry="x", Ferry="y")),
    "days": with_bakes(fair_study(pits=2), session=list("123456"), order=1),
    "damper": with_bakes(fair_study(pits=2), damper_open=by_pit(Quarry=1, Ferry=0.5)),
    "once": fair_study(bakes=1),
}


@pytest.mark.parametrize("case", HELPED)
def test_the_bakes_suggested_separate_what_was_hidden(case: str) -> None:
    more = ps.suggest_bakes(HELPED[case])
    assert more.goals or more.single
    assert more.unmet == ()
    assert len(more.table) == more.table["order"].max()
    names = {name for name in more.before.contrasts["factors"] if "temp" not in name}
    for name in names:
        after = more.after.of(name)
        assert (after["verdict"] != "fully").all(), name
        assert (after["verdict"] != "nearly").all(), name
    assert more.after.combinations == []


def test_the_set_is_the_smallest_that_a_full_search_finds() -> None:
    # Order always Quarry, Ferry: by hand, sets of one bake and of two in every order.
    study = with_bakes(fair_study(pits=2), order=by_pit(Quarry=1, Ferry=2))
    more = ps.suggest_bakes(study)
    assert more.exhaustive
    factors = more.before.factors

    def share(pits: tuple[str, ...]) -> float:
        n = len(pits)
        grown = [
            factor.with_rows(range(1, n + 1))
            if factor.name == "order"
            else replace(
                factor,
                levels=(*factor.levels, "new"),
                matrix=np.vstack(
                    [
                        np.hstack([factor.matrix, np.zeros((6, 1))]),
                        np.tile([0.0, 0, 0, 1], (n, 1)),
                    ]
                ),
            )
            for factor in factors.recorded
            if factor.name in ("session", "order")
        ]
        new = replace(
            factors,
            pit=np.append(factors.pit, pits),
            session=np.append(factors.session, ["new"] * n),
            recorded=tuple(grown),
        )
        return float(audit_factors(new).of("order")["share"].iloc[0])

    assert min(share((pit,)) for pit in ("Quarry", "Ferry")) >= 0.5
    two = {pits: share(pits) for pits in product(("Quarry", "Ferry"), repeat=2)}
    assert min(two, key=lambda pits: two[pits]) == tuple(more.table["pit"])
    assert two["Ferry", "Quarry"] < 0.5


def test_a_large_search_goes_step_by_step_and_says_so() -> None:
    study = with_bakes(
        fair_study(pits=4, bakes=4),
        lot=by_pit(Quarry="A", Ferry="B", Orchard="C", Mill="D"),
    )
    more = ps.suggest_bakes(study)
    assert not more.exhaustive
    assert "may exist" in more.method
    assert more.unmet == ()
    # None of the bakes is idle.
    assert 3 <= len(more.table) <= 8


def test_a_long_record_is_searched_too() -> None:
    rng = np.random.default_rng(1)
    pits = [SimulatedPit(pit=name, rate=0.3, grates={"main": (1, 2)}) for name in "ABC"]
    study = simulate_study(pits, bakes=[90, 90, 1], rng=rng).study
    more = ps.suggest_bakes(study)
    assert more.table["pit"].tolist() == ["C"]
    assert more.unmet == ()
    assert more.n_sets == 1


def test_bakes_that_separate_nothing_are_not_proposed() -> None:
    rng = np.random.default_rng(1)
    pits = [
        SimulatedPit(pit=name, rate=0.3, grates={"main": (1, 2)}) for name in "ABCD"
    ]
    study = simulate_study(pits, bakes=75, rng=rng).study
    crew = study.bakes["pit"].map({"A": "crew 1", "B": "crew 2"}).fillna("crew 3")
    more = ps.suggest_bakes(with_bakes(study, tender=crew))
    # A dozen bakes do not outweigh 75 of each pit with a fire tender of its own.
    assert len(more.goals) == 1
    assert more.unmet == more.goals
    assert more.table.empty
    assert 0 < more.n_sets <= 1500 + 12 * 12
    assert "No bakes were found" in " ".join(extra_bakes_sentences(more))


def test_settings_that_a_rule_lets_differ_are_left_alone() -> None:
    study = HELPED["damper"]
    tuned = replace(study, settings=replace(study.settings, temperature_rule="tuned"))
    assert ps.suggest_bakes(tuned).goals == ()
    assert ps.suggest_bakes(study).chosen == ("damper_open",)


def test_every_order_of_the_pits_gets_as_many_bakes() -> None:
    lengths = set()
    for names in permutations(("Quarry", "Ferry", "Orchard")):
        kept = dict(zip(names, (1, 2, 3), strict=True))
        study = with_bakes(fair_study(), order=by_pit(**kept))
        lengths.add(len(ps.suggest_bakes(study).table))
    assert len(lengths) == 1


# --- thin records ---------------------------------------------------------------------


@cache
@cache
def thin_studies() -> dict[str, ps.Study]:
    fair = fair_study(pits=2, bakes=2)
    return {
        "counts only": ps.study_from_counts(["A", "B", "A"], [9, 9, 9], [1, 2, 3]),
        "one count each": ps.study_from_counts(["A", "B"], [9, 9], [0, 9]),
        "one pit": ps.study_from_counts(["A", "A"], [9, 9], [1, 2]),
        "one bake": ps.study_from_counts(["A"], [9], [1]),
        "only planned": plan(pit=["A", "B", "A"]),
        "one planned": plan(pit=["A"]),
        "all excluded": replace(
            fair,
            bakes=fair.bakes.assign(status="excluded", reason="rain"),
        ),
        "all but one excluded": replace(
            fair,
            bakes=fair.bakes.assign(
                status=["kept"] + ["excluded"] * 3, reason=[None] + ["rain"] * 3
            ),
        ),
        "nothing graded": with_items(
            fair, grade_top=None, grade_bottom=None, missing="fallen"
        ),
        "one bake lost": with_items(
            fair,
            grade_top=lambda t: t["grade_top"].where(t["bake"] != "Ferry-1"),
            grade_bottom=lambda t: t["grade_bottom"].where(t["bake"] != "Ferry-1"),
            missing=lambda t: pd.Series("fallen", index=t.index).where(
                t["bake"] == "Ferry-1"
            ),
        ),
        "one row of cells": fair_study(pits=2, bakes=2, n_columns=1),
        "celsius": replace(
            fair,
            settings=replace(fair.settings, temperature_unit="C"),
            bakes=fair.bakes.assign(
                target_temp=163.0,
                indicated_temp=163.0,
                grate_temp=[163.0, 180.0] * 2,
                ambient_temp=12.0,
            ),
        ),
        "only burned marks": with_items(
            fair, grade_top=None, grade_bottom=None, burned=False
        ),
        "no places": with_items(fair, row=pd.NA, column=pd.NA, load_rank=pd.NA),
    }


@pytest.mark.parametrize("case", list(thin_studies()))
def test_thin_records_are_audited_without_a_trace(case: str) -> None:
    study = thin_studies()[case]
    for finding in ps.audit_fairness(study):
        assert "nan" not in finding.message.lower().split()
    design = ps.audit_design(study)
    assert design.table["share"].between(0, 1).all()
    more = ps.suggest_bakes(study)
    assert len(more.table) <= 12


def test_weather_that_went_with_the_pits_cannot_be_told_from_them():
    study = fair_study()
    rain = study.bakes["pit"].eq(study.pits["pit"].iloc[0])
    bakes = study.bakes.assign(weather=rain.map({True: "rain", False: "sun"}))
    assert pit_row(ps.audit_design(replace(study, bakes=bakes)), "weather")[
        "verdict"
    ] == ("fully")
    assert "weather" not in [f.name for f in read_factors(study).recorded]
