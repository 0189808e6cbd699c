"""Words of sensitivity and of second gradings, and the sections that show them."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.analysis.rates.pairs import largest_difference
from pitstats.analysis.sensitivity.sensitivity import FEWER_BAKES
from pitstats.report.numbers import MINUS, signed_size
from pitstats.report.section import Kept, Picture, Table
from pitstats.report.sections import answer, sensitivity
from pitstats.report.sections import grading as agreement
from pitstats.report.words import more_span
from pitstats.study.demo import SimulatedPit
from tests.analysis.second_gradings import (
    both,
    found,
    gradings,
    regraded,
    rich,
    rich_study,
    with_regrades,
)
from tests.report.studies import results_of

FORBIDDEN = re.compile(r"significan|\bnever\b|\bidentical|\bproves?\b", re.IGNORECASE)


def simulated(n_bakes: int, rates: tuple[float, float]):
    settings = ps.Settings(
        title="T",
        question="Q",
        temperature_rule="same grate",
        temperature_unit="F",
        length_unit="in",
    )
    pits = [
        SimulatedPit(pit=name, rate=rate, grates={"main": (2, 4)})
        for name, rate in zip("AB", rates, strict=True)
    ]
    return ps.simulate_study(
        pits, bakes=n_bakes, settings=settings, rng=np.random.default_rng(7)
    ).study


@pytest.fixture(scope="module")
def results() -> ps.StudyResults:
    """Return the results that a page asks for, the comparison worked out already."""
    own = ps.StudyResults(rich())
    own.__dict__["both"] = both()
    return own


def test_sentences_of_a_full_study(snapshot: SnapshotAssertion) -> None:
    assert sensitivity.sensitivity_sentences(found()) == snapshot


def test_table_and_captions_of_a_full_study(snapshot: SnapshotAssertion) -> None:
    text = sensitivity.sensitivity_table(found()).shown.to_csv(index=False, sep="|")
    captions = [
        sensitivity.sensitivity_table(found()).caption,
        sensitivity.sensitivity_caption(found()),
        sensitivity.not_tried_sentence(found()),
        *found().caveats,
    ]
    assert [*text.splitlines(), *captions] == snapshot


def test_one_second_grader_has_sentences_and_a_section() -> None:
    study = with_regrades(rich(), regraded(rich()))
    said = agreement.agreement_sentences(ps.compare_gradings(study))
    assert len(said) >= 1
    assert not any("Fleiss" in sentence for sentence in said)
    assert list(ps.ask.grading(ps.StudyResults(study)).body)


def lead() -> pd.Series:
    """The pair that differs most by the first grades."""
    table = gradings().conclusions
    return largest_difference(table.assign(estimate=table["base_estimate"]))


def test_sentences_of_second_gradings(snapshot: SnapshotAssertion) -> None:
    assert [
        *agreement.agreement_sentences(gradings()),
        *agreement.conclusion_sentences(gradings(), lead()),
        *gradings().caveats,
        agreement.agreement_table(gradings()).caption,
    ] == snapshot


@pytest.mark.parametrize("n_bakes", [1, 3])
@pytest.mark.parametrize("rates", [(0.2, 0.3), (0.0, 0.6), (0.95, 0.95)])
def test_sentences_over_evidence(
    n_bakes: int, rates: tuple[float, float], snapshot: SnapshotAssertion
) -> None:
    study = simulated(n_bakes, rates)
    got = ps.check_sensitivity(study, refit=False)
    sentences = [
        *sensitivity.sensitivity_sentences(got),
        sensitivity.not_tried_sentence(got),
    ]
    assert not FORBIDDEN.search(" ".join(sentences))
    assert sentences == snapshot


def test_no_forbidden_word_anywhere() -> None:
    texts = [
        *sensitivity.sensitivity_sentences(found()),
        sensitivity.sensitivity_caption(found()),
        *found().caveats,
        *agreement.agreement_sentences(gradings()),
        *agreement.conclusion_sentences(gradings(), lead()),
        *gradings().caveats,
        gradings().method,
        agreement.NOTHING_GRADED_TWICE,
    ]
    assert not FORBIDDEN.search(" ".join(texts))


def test_the_alternative_that_tips_is_named_with_its_share() -> None:
    tipping = found().tipping
    assert tipping is not None
    told = " ".join(sensitivity.sensitivity_sentences(found()))
    share = sensitivity.of_half_width(tipping["shift_share"])
    assert f"The answer tips with '{tipping['alternative']}': " in told
    assert share in told
    assert f"with '{tipping['alternative']}'" in sensitivity.in_short(found())


def test_all_choices_that_tip_are_counted_where_one_is_named() -> None:
    one = found()
    alone = one.tried()["tips"] & ~one.tried()["family"].isin(FEWER_BAKES)
    assert alone.sum() == 1
    assert "other choice" not in sensitivity.falls_when(one)
    table = one.table.copy()
    pair = table[["pit_a", "pit_b"]].isin(one.leading_pair).all(axis=1)
    table.loc[pair & table["family"].isin(["places", "grading"]), "tips"] = True
    told = sensitivity.falls_when(replace(one, table=table))
    assert told.endswith("or two other choices")


def test_where_nothing_tips_the_furthest_is_named() -> None:
    table = found().table.assign(tips=False)
    members = found().members.assign(tips=False)
    calm = replace(found(), table=table, members=members)
    told = " ".join(sensitivity.sensitivity_sentences(calm))
    assert "No alternative that keeps every bake tips the answer" in told
    furthest = calm.largest_shift
    assert furthest is not None
    assert f"the furthest, '{furthest['alternative']}', moves" in told
    assert sensitivity.in_short(calm).startswith("Not by what was tried; the furthest")
    assert "the verdict stays" in told


def test_bakes_whose_loss_changes_the_verdict_are_counted() -> None:
    study = ps.study_from_counts(["A"] * 3 + ["B"] * 3, [20] * 6, [9, 12, 8, 3, 5, 2])
    close = ps.check_sensitivity(study)
    assert close.reported["verdict"] == "differs"
    n, falls = close.n_left_out, close.n_falls
    assert 0 < falls <= n == 6
    told = " ".join(sensitivity.sensitivity_sentences(close))
    assert f"Left out alone, {falls} of these 6 bakes change the verdict" in told
    assert f"without one bake ({falls} of 6)" in sensitivity.falls_when(close)
    assert sensitivity.in_short(close).startswith("Only with one bake less; ")
    assert "to which the loss of data alone contributes" in told


def test_the_first_page_says_that_a_spread_is_borrowed() -> None:
    study = ps.study_from_counts(["A"] * 2 + ["B"] * 2, [16] * 4, [2, 3, 7, 9])
    stated = {"earlier_sd": 0.3, "earlier_declared": "yes"}
    lent = replace(study, settings=replace(study.settings, **stated))
    plain = ps.compare_pits(study).table.iloc[0]
    span = more_span(-plain["simultaneous_high"], -plain["simultaneous_low"])
    told = " ".join(answer.number(ps.StudyResults(lent)).lines)
    assert f"borrowed from earlier tests; without that {span} for B." in told
    undeclared = replace(study, settings=replace(study.settings, earlier_sd=0.3))
    for own in (study, undeclared):
        lines = answer.number(ps.StudyResults(own)).lines
        assert "earlier tests" not in " ".join(lines)


def test_the_loss_of_a_bake_is_not_blamed_for_a_verdict_that_it_gives() -> None:
    burned = [12, 11, 12, 12, 6, 5, 6, 12]
    study = ps.study_from_counts(["A"] * 4 + ["B"] * 4, [20] * 8, burned)
    open_ = ps.check_sensitivity(study)
    assert open_.reported["verdict"] == "cannot tell"
    assert open_.n_falls == 1
    told = " ".join(sensitivity.sensitivity_sentences(open_))
    assert "Left out alone, 1 of these 8 bakes changes the verdict." in told


def test_a_session_whose_loss_changes_the_verdict_is_told_wherever_it_is_firm() -> None:
    results = results_of("nothing_burned")
    calm = results.sensitivity
    assert (calm.n_falls, calm.tipping, sum(calm.session_falls)) == (0, None, 1)
    assert sensitivity.in_short(calm).startswith("Only with one session less; ")
    told = " ".join(sensitivity.sensitivity_sentences(calm))
    assert "Left out alone, 1 of the 3 sessions changes the verdict, to which" in told
    firm = answer.firmness(results)
    assert firm.endswith("It changes without one session (1 of 3).")
    assert "Firm" not in firm


def test_the_first_page_tells_in_points_how_far_an_alternative_moves() -> None:
    table = found().table.assign(tips=False)
    calm = replace(found(), table=table, members=found().members.assign(tips=False))
    assert calm.largest_shift is not None
    by = signed_size(calm.largest_shift["shift"])
    assert sensitivity.in_short(calm).endswith(f"moves the difference by {by}.")


def test_a_count_that_says_otherwise_to_begin_with_is_named() -> None:
    table = found().table.copy()
    table.loc[table["against"] == "counted", "base_verdict"] = "cannot tell"
    odd = replace(found(), table=table)
    told = " ".join(sensitivity.sensitivity_sentences(odd))
    assert "which gives 'cannot tell' to begin with" in told
    assert "to begin with" not in " ".join(sensitivity.sensitivity_sentences(found()))


def test_no_sentence_counts_ways() -> None:
    texts = [
        *sensitivity.sensitivity_sentences(found()),
        sensitivity.in_short(found()),
    ]
    assert not re.search(r"\d+ of \d+ (other )?(ways|alternatives)", " ".join(texts))


def test_the_table_has_a_row_an_idea() -> None:
    shown = sensitivity.sensitivity_table(found()).shown
    tried = found().tried()
    assert len(shown) == len(tried)
    assert (shown["Tips"] == "yes").tolist() == tried["tips"].tolist()
    heat = tried[tried["family"] == "grate temperature"].iloc[0]
    row = shown[shown["What"] == "Grate temperature"].iloc[0]
    assert row["Of the half width"] == sensitivity.share_text(heat["shift_share"])


def test_kappa_that_is_not_defined_is_said() -> None:
    row = dict.fromkeys(["kappa", "kappa_low", "kappa_high"], float("nan"))
    assert agreement.kappa()(row) == "not defined"


def test_the_section_keeps_a_figure_and_tables(results: ps.StudyResults) -> None:
    section = ps.ask.sensitivity(results)
    tables = {p.name: p for p in section.body if isinstance(p, Table)}
    kept = [p.name for p in section.body if isinstance(p, Kept)]
    assert list(tables) == ["sensitivity"]
    assert kept == ["sensitivity_not_tried"]
    quick = results.sensitivity
    assert tables["sensitivity"].values is quick.table
    # Without the second fit of the model a family of three pairs is left out.
    left = set(found().table["family"]) - set(quick.table["family"])
    assert left == {"load time"}
    assert any(isinstance(part, Picture) for part in section.body)


def test_the_section_on_gradings_keeps_a_figure_and_tables(
    results: ps.StudyResults,
) -> None:
    section = ps.ask.grading(results)
    kept = [part.name for part in section.body if isinstance(part, Kept | Table)]
    assert sorted(kept) == [
        "grading_agreement",
        "grading_burned",
        "grading_conclusions",
        "grading_confusion",
        "grading_several",
        "grading_where",
    ]
    assert any(isinstance(part, Picture) for part in section.body)
    assert section.answer.startswith("Burned or not would change for")


def test_second_gradings_are_told_for_the_pair_that_the_page_leads_with() -> None:
    for estimate, ahead in ((0.2, "West"), (-0.2, "South")):
        lead = pd.Series({"pit_a": "West", "pit_b": "South", "estimate": estimate})
        told = agreement.conclusion_sentences(gradings(), lead)[0]
        behind = {"West": "South", "South": "West"}[ahead]
        assert told.startswith(f"{ahead} {MINUS} {behind}, counted as baked")


def test_thin_studies_are_shown_without_an_error() -> None:
    counts = ps.study_from_counts(["A", "A", "B", "B"], [20] * 4, [9, 12, 3, 5])
    alone = ps.study_from_counts(["A", "B"], [20, 20], [9, 3])
    said: list[str] = []
    for study in (counts, alone, simulated(1, (0.0, 0.3))):
        said += sensitivity.sensitivity_sentences(ps.check_sensitivity(study))
        missing = ps.ask.grading(ps.StudyResults(study)).missing
        assert "No item was graded twice" in missing
    assert "no alternative" in " ".join(said).lower()


def test_regrades_without_grades_are_said_to_be_missing() -> None:
    study = rich_study()
    empty = study.items.tail(5)[["bake", "code"]]
    section = ps.ask.grading(ps.StudyResults(with_regrades(study, empty)))
    assert "No item of a kept bake was graded twice" in section.missing


def test_how_many_bakes_could_be_left_out_is_told_beside_how_many_there_are() -> None:
    bakes = ["A"] * 6 + ["B"]
    lone = ps.study_from_counts(bakes, [20] * 7, [1, 2, 1, 2, 1, 2, 9])
    firm = answer.firmness(ps.StudyResults(lone))
    assert "without any one of 6 of the 7 bakes" in firm
    calm = answer.firmness(results_of("totals, clear"))
    assert calm == (
        "The verdict stands without any one of 8 bakes; nothing else could be tried."
    )
    even = ps.study_from_counts(
        ["A"] * 4 + ["B"] * 4, [20] * 8, [6, 7, 6, 7, 6, 7, 6, 8]
    )
    open_ = answer.firmness(ps.StudyResults(even))
    assert open_ == "No verdict either without any one of 8 bakes."


def test_a_firm_pair_does_not_hide_that_alternatives_change_others() -> None:
    found_ = found()
    table = found_.table.assign(tips=False)
    pair = table[["pit_a", "pit_b"]].isin(found_.leading_pair).all(axis=1)
    other = table.index[~pair & table["family"].eq("deciding face")][0]
    table.loc[other, "tips"] = True
    members = found_.members.assign(tips=False)
    one = replace(found_, table=table, members=members)
    assert (one.fragile, one.n_others_tipped) == (False, 1)
    told = sensitivity.in_short(one)
    assert told.startswith("Not for the largest difference; ")
    assert told.endswith("; alternatives change one other pair.")
    calm = replace(found_, table=table.assign(tips=False), members=members)
    assert "other pair" not in sensitivity.in_short(calm)
    results = ps.StudyResults(rich())
    results.__dict__.update(both=both(), sensitivity=one)
    assert answer.firmness(results).startswith("Firm for this pair: the verdict")


def test_only_pits_that_were_set_up_otherwise_are_compared_as_set_up() -> None:
    study = ps.study_from_counts(["A", "A", "B", "B", "C", "C"], [20] * 6, [9] * 6)
    opened = [1.0, 1.0, 1.0, 1.0, 0.5, 0.5]
    burned = {"A": (19, 18), "B": (1, 2), "C": (9, 10)}
    for far, expected in (("B", False), ("C", True)):
        numbers = {**burned, far: (1, 2), "BC".replace(far, ""): (9, 10)}
        rows = [numbers[pit][k] for pit in "ABC" for k in range(2)]
        own = replace(
            study,
            bakes=study.bakes.assign(damper_open=opened),
            counts=study.counts.assign(n_burned=rows),
        )
        first, *_ = answer.number(ps.StudyResults(own)).lines
        assert first.startswith(f"A minus {far}")
        assert (", as set up" in first) == expected
