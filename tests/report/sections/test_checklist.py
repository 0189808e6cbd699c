"""The reporting checklist is filled from the study, or says what is not recorded."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import logistic
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.sections.checklist import NOT_RECORDED, icc_text, latent_icc
from tests.analysis.planted import fair_study, with_plan
from tests.analysis.rates.test_rates import counts_study, house_example


def checklist(study: ps.Study) -> pd.Series:
    rates = ps.estimate_burn_rates(study)
    frame = ps.reporting_checklist(study, ps.compare_pits(study), rates)
    assert list(frame.columns) == ["topic", "item", "guideline", "answer", "recorded"]
    assert (frame["answer"].str.len() > 0).all()
    assert frame["topic"].is_unique
    assert (frame["recorded"] == (frame["answer"] != NOT_RECORDED)).all()
    return frame.set_index("topic")["answer"]


def test_items_that_must_not_be_missing() -> None:
    answers = checklist(ps.demo_study("four_pits"))
    assert {
        "Unit of replication",
        "Allocation",
        "Randomization",
        "Blinding",
        "Excluded bakes",
        "Estimate",
        "Intraclass correlation",
        "Numerators and denominators",
        "Software",
        "Multiplicity",
        "Missing items",
    } <= set(answers.index)


@pytest.mark.parametrize("name", ["four_pits", "one_bake_each"])
def test_answers_of_the_demos(name: str, snapshot: SnapshotAssertion) -> None:
    answers = checklist(ps.demo_study(name))
    fixed = answers.drop("Software")
    assert [f"{topic}: {answer}" for topic, answer in fixed.items()] == snapshot


def test_counts_alone_leave_most_unrecorded() -> None:
    answers = checklist(house_example())
    for topic in ("Allocation", "Blinding", "Graders", "Missing items", "Stop rule"):
        assert answers[topic] == NOT_RECORDED
    assert answers["Numerators and denominators"] == (
        "A 15/60 in three bakes and B 24/60 in three bakes"
    )


def test_excluded_bakes_stand_with_their_reasons(study: ps.Study) -> None:
    answers = checklist(study)
    assert answers["Excluded bakes"] == "1 of 5: B2 (door left open)"
    assert "graded blind in 1 of 3 bakes; not recorded for 1" in answers["Blinding"]
    assert answers["Number of bakes beforehand"].startswith("five bakes in the plan")


def test_what_the_user_or_the_layout_adds_is_taken_up() -> None:
    study = house_example()
    told = replace(
        study,
        settings=replace(
            study.settings, extra={"randomization": "dice", "interests": "own pits"}
        ),
    )
    answers = checklist(told)
    assert answers["Randomization"] == "dice"
    assert answers["Interests"] == "own pits"
    laid = replace(
        study,
        settings=replace(
            study.settings, extra={"layout_seed": 7, "layout_rules": ["a", "b"]}
        ),
    )
    answers = checklist(laid)
    assert answers["Randomization"].endswith("seed 7")
    assert answers["Protocol"] == "two rules written down with the layout"
    assert answers["Number of bakes beforehand"] == "six bakes in the plan"


def test_several_pits_are_allowed_for() -> None:
    four = checklist(ps.demo_study("four_pits"))
    assert "all 6 pairs" in four["Multiplicity"]
    assert "none needed" in checklist(house_example())["Multiplicity"]


@pytest.mark.parametrize("sd", [0.0, 0.5, 1.0, 2.5])
def test_latent_icc_is_the_share_of_variance_between_bakes(sd: float) -> None:
    # Goldstein, Browne & Rasbash 2002: the latent item variance is that of the
    # standard logistic distribution.
    assert latent_icc(sd) == pytest.approx(sd**2 / (sd**2 + float(logistic.var())))


def test_latent_icc_is_the_correlation_of_two_items_of_one_bake() -> None:
    rng = np.random.default_rng(5)
    bake = 0.9 * rng.standard_normal(200_000)
    first, second = (bake + rng.logistic(size=bake.size) for _ in range(2))
    seen = np.corrcoef(first, second)[0, 1]
    assert latent_icc(0.9) == pytest.approx(seen, abs=0.01)


def test_icc_has_an_interval_and_says_which_definition_it_is() -> None:
    rates = ps.estimate_burn_rates(house_example())
    text = icc_text(rates)
    for row in rates.bake_sd.to_dict("records"):
        at, low, high = (
            f"{latent_icc(row[name]):.2f}"
            for name in ("estimate", "conf_low", "conf_high")
        )
        assert f"{row['pit']} {at} ({low} to {high})" in text
    assert "latent logistic scale" in text
    single = counts_study(
        pd.DataFrame(
            {"bake": ["a", "b"], "pit": ["A", "B"], "n_items": 20, "n_burned": [3, 7]}
        )
    )
    assert icc_text(ps.estimate_burn_rates(single)).startswith("unknown")


def test_a_margin_that_is_not_the_planned_one_is_told() -> None:
    study = fair_study()
    answers = checklist(with_plan(study, margin=0.25))
    told = answers["Smallest difference of interest"]
    assert told == "15 points; margin = 0.25 in the frozen plan"
    assert checklist(study)["Smallest difference of interest"] == "15 points"
