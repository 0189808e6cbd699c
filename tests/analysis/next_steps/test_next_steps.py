from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import pitstats as ps
from pitstats.analysis.next_steps.continuation import (
    PairDraws,
    _further_bakes,
    continue_pair,
    log_likelihoods,
    never_falling,
)
from pitstats.analysis.next_steps.levels import later_level
from pitstats.analysis.next_steps.suggest import WANTED
from pitstats.analysis.rates.looks import look_of
from pitstats.report.section import Picture
from pitstats.stats.bake_model import BakeModel, bake_rates
from pitstats.stats.stopping import stopping_levels
from pitstats.study.demo import demo_names
from pitstats.study.study import Study


def study(burned: list[list[int]], items: int = 16, **stated: object) -> Study:
    bakes = [(pit, y) for pit, own in zip("ABC", burned, strict=False) for y in own]
    made = ps.study_from_counts(
        [pit for pit, _ in bakes], [items] * len(bakes), [y for _, y in bakes]
    )
    return replace(made, settings=replace(made.settings, **stated))


OPEN = [[2, 3, 2], [6, 4, 7]]


@cache
def next_of_open() -> ps.NextStep:
    return ps.suggest_next(study(OPEN), continuations=600)


def known(burned: list[int], items: int, n_draws: int) -> PairDraws:
    posterior = bake_rates(burned, [items] * 6, [0, 0, 0, 1, 1, 1]).posterior
    rates, sd = posterior.draw(n_draws, np.random.default_rng(3))
    return PairDraws(
        rates=rates,
        bake_sd=np.broadcast_to(sd.reshape(n_draws, -1), rates.shape),
        session_sd=np.zeros(n_draws),
        weights=np.full(n_draws, 1 / n_draws),
        items=(items, items),
    )


def test_new_weights_give_the_verdicts_of_the_exact_posterior() -> None:
    # The same further bakes, analyzed anew on the exact grid: another route.
    before, n = [2, 3, 4, 6, 4, 7], 250
    draws = known(before, 16, 2048)
    truth = np.random.default_rng(1).integers(2048, size=n)
    rng = np.random.default_rng(5)
    tables = log_likelihoods(draws)
    found = continue_pair(draws, tables, truth, np.full(3, 0.025), n, rng)
    burned = _further_bakes(draws, truth, 3, n, np.random.default_rng(5))
    for more in (1, 3):
        new = [burned[:more, :, p].T for p in range(2)]
        old = np.tile(before, (n, 1))
        counts = np.hstack([old[:, :3], new[0], old[:, 3:], new[1]])
        model = BakeModel(np.full(6 + 2 * more, 16), np.repeat([0, 1], 3 + more))
        exact = model.p_values(counts)[:, 0]
        below = found.below[more - 1]
        ours = 2 * np.minimum(below, 1 - below)
        assert np.mean((exact < 0.05) == (ours < 0.05)) > 0.96
        ends = model.ends(counts[:60])
        wide = (found.high - found.low)[more - 1, :60]
        exact_width = (ends.high - ends.low).mean()
        assert wide.mean() == pytest.approx(exact_width, abs=0.015)


def test_sessions_shared_by_both_pits_take_their_spread_out_of_the_difference() -> None:
    draws = known([2, 3, 4, 6, 4, 7], 16, 512)
    with_days = replace(draws, session_sd=np.full(512, 0.8))
    truth = np.arange(200)
    tails = np.full(4, 0.025)
    plain, shared = (
        continue_pair(
            d, log_likelihoods(d), truth, tails, 200, np.random.default_rng(2)
        )
        for d in (draws, with_days)
    )
    assert np.isfinite(shared.below).all()
    gain = (shared.high - shared.low)[3].mean() / (plain.high - plain.low)[3].mean()
    # Items of other days differ more, but both pits share the day.
    assert gain < 1.25


def test_the_chance_of_a_verdict_never_falls_and_widths_shrink() -> None:
    step = next_of_open()
    assert step.advice in ("bake more", "too small")
    assert step.table["extra_bakes"].tolist() == list(range(13))
    assert step.table["settled"].is_monotonic_increasing
    assert (np.diff(step.table["width"]) < 0.02).all()
    later = step.table.iloc[1:]
    parts = later[["toward", "against", "within"]].sum(axis=1)
    assert np.abs(parts - later["settled"]).max() < 0.05
    assert (later["settled_error"] > 0).all()


def test_a_number_of_bakes_has_its_simulation_error_beside_it() -> None:
    step = next_of_open()
    later = step.table.iloc[1:].set_index("extra_bakes")
    low, high = step.extra_span
    for bakes, sign in ((low, 1), (high, -1)):
        share = later["settled"] + sign * 2 * later["settled_error"]
        assert share.get(bakes, 1.0) >= 0.8
        assert share.get(bakes - 1, 0.0) < 0.8
    assert low <= step.extra <= high
    span = f"{low} to {high}" if high <= 12 else f"{low} to over 12"
    assert step.sentence.startswith(f"About {step.extra} ({span}) more bakes each of")
    few = replace(step, table=step.table.assign(settled_error=0.0))
    assert few.extra_span == (step.extra, step.extra)
    assert few.sentence.startswith(f"About {step.extra} more bakes each of")


def test_no_difference_stays_unlikely_to_be_told_and_says_so() -> None:
    step = ps.suggest_next(study([[4, 4, 3], [4, 4, 4]]), continuations=300)
    assert step.advice == "too small"
    assert step.extra is None
    assert step.sentence.startswith("Even 12 more bakes each of A and B would settle")
    assert "state a margin before the next test" in step.sentence


def test_a_chance_just_short_of_the_wanted_one_is_not_told_as_that_one() -> None:
    counts = [15, 17, 20, 15, 16, 18], [2, 4, 9, 2, 1, 2]
    study = ps.study_from_counts(["A"] * 3 + ["B"] * 3, *counts)
    step = ps.suggest_next(study)
    assert step.advice == "too small"
    assert 0.75 < step.table["settled"].iloc[-1] < 0.8
    assert "in not quite 8 in 10 tests." in step.sentence


def test_a_margin_lets_equal_pits_be_settled() -> None:
    near = [[4, 4, 3], [4, 4, 4]]
    with_margin = ps.suggest_next(study(near, 24, margin=0.15), continuations=300)
    without = ps.suggest_next(study(near, 24), continuations=300)
    assert with_margin.table["settled"].iloc[-1] > without.table["settled"].iloc[-1]
    assert with_margin.table["within"].iloc[-1] > 0.3


def test_one_bake_each_gives_no_percentages() -> None:
    step = ps.suggest_next(study([[2], [9]]))
    assert step.advice == "bake twice"
    assert len(step.table) == 1
    assert "at least twice more, on two further days, in random order" in step.sentence
    assert "%" not in step.sentence
    assert step.note == ""


def test_settled_pairs_need_nothing_more() -> None:
    step = ps.suggest_next(study([[0, 1, 0, 1], [14, 15, 13, 15]]))
    assert step.advice == "settled"
    assert step.table["settled"].tolist() == [1.0]


@pytest.mark.parametrize(
    ("burned", "advice"),
    [
        ([[2, 2], [6, 6, 7, 6, 5, 6, 6]], "bake more"),
        ([[0, 1], [14, 15, 13, 15, 14, 15, 14]], "settled"),
    ],
)
def test_few_bakes_beside_many_are_named_in_the_step_and_the_note(
    burned: list[list[int]], advice: str
) -> None:
    made = study(burned)
    step = ps.suggest_next(made, continuations=200)
    (note,) = (c for c in ps.compare_pits(made).caveats if "moodier" in c)
    assert step.advice == advice
    assert step.few == ("A",)
    assert note.endswith("More bakes of A mend that.")
    asked = "Begin with A," if advice == "bake more" else "bake A again"
    assert asked in step.sentence
    assert "no further bake" not in step.sentence
    assert all(len(s.split()) <= 30 for s in step.sentence.split(". "))


def test_the_same_seed_gives_the_same_advice() -> None:
    again = ps.suggest_next(study(OPEN), continuations=600)
    assert again.table.equals(next_of_open().table)
    other = ps.suggest_next(study(OPEN), continuations=600, seed=2)
    gap = np.abs(other.table["settled"] - again.table["settled"])
    assert 0 < gap.max() < 0.15


def test_what_leads_is_continued() -> None:
    made = ps.demo_study("four_pits")
    both = ps.compare_both_ways(made)
    step = ps.suggest_next(made, both=both, continuations=100)
    assert step.layout == both.leading.layout
    row = both.leading.table.set_index(["pit_a", "pit_b"]).loc[(step.pit_a, step.pit_b)]
    width = row["simultaneous_high"] - row["simultaneous_low"]
    assert step.table["width"].iloc[0] == pytest.approx(width)
    assert row["verdict"] == "cannot tell"


def test_a_later_look_is_held_to_its_boundary() -> None:
    plan = study([[2, 3], [6, 4]], looks_planned=(2, 4, 6))
    look, levels = look_of(plan), stopping_levels([2, 4, 6]).levels
    chosen = [later_level(look, 0.95, 2, extra) for extra in (1, 2, 3, 4)]
    assert chosen == pytest.approx([levels[0], levels[1], levels[1], levels[2]])
    single = look_of(study(OPEN))
    two = stopping_levels([3, 5]).levels
    assert later_level(single, 0.95, 2, 2) == pytest.approx(two[1])
    undeclared = look_of(study(OPEN, looks_taken=(2, 3)))
    every = stopping_levels(range(2, 13)).levels
    assert later_level(undeclared, 0.95, 2, 1) == pytest.approx(every[2])
    assert 0 < later_level(single, 0.95, 2, 12) <= 0.05
    assert later_level(None, 0.9, 2, 3) == pytest.approx(0.1)


def test_a_plan_of_looks_is_kept_to_its_end() -> None:
    going = ps.suggest_next(study(OPEN, looks_planned=(3, 5, 6)))
    assert going.planned == (5, 2)
    assert going.sentence.startswith("Bake on to the next planned look, after 5 bakes")
    share = round(10 * going.table["settled"].iloc[2])
    assert f"settled in {share} in 10 tests" in going.sentence
    over = ps.suggest_next(study(OPEN, looks_planned=(2, 3)))
    assert not over.planned
    assert over.plan_over
    assert "planned look," not in over.sentence
    told = any("planned looks are over" in line for line in over.sentences)
    assert told == (over.extra is not None)
    assert not ps.suggest_next(study(OPEN)).plan_over


def test_looks_to_write_down_follow_the_advice() -> None:
    step = next_of_open()
    if step.extra is not None:
        assert step.looks == (3, 3 + step.extra)
        assert any("[looks] planned" in line for line in step.sentences)
    assert ps.suggest_next(study([[2], [9]])).looks == (3,)


def test_shares_that_fall_by_chance_are_leveled() -> None:
    assert never_falling(np.array([0.2, 0.1])).tolist() == pytest.approx([0.15, 0.15])
    rising = np.array([0.1, 0.2, 0.5])
    assert never_falling(rising).tolist() == rising.tolist()


def test_too_few_continuations_are_refused() -> None:
    with pytest.raises(ps.DesignError, match="fewer than 100"):
        ps.suggest_next(study(OPEN), continuations=10)


def test_the_curve_shows_what_the_table_holds() -> None:
    step = next_of_open()
    (axes,) = ps.plot_next_step(step).axes
    drawn = axes.lines[0].get_ydata()
    assert np.allclose(drawn, step.table["settled"])
    assert "Further bakes of A and B" in axes.get_xlabel()


def test_no_other_sentence_says_how_many_bakes_to_add() -> None:
    """What to do next is said in one place: no finding of the audit competes."""
    competing = re.compile(r"(\w+ |twice )more bakes?\b|(twice|times) more")
    for name in demo_names():
        for finding in ps.audit_fairness(ps.demo_study(name)):
            assert not competing.search(f"{finding.message} {finding.fix}".lower()), (
                finding.id
            )


def test_the_figure_has_the_line_of_enough_and_words_for_it() -> None:
    results = ps.StudyResults(study(OPEN))
    (axes,) = ps.plot_next_step(results.next_step).axes
    assert [line.get_ydata()[0] for line in axes.lines][-1] == WANTED
    (picture,) = (p for p in ps.ask.next_steps(results).body if isinstance(p, Picture))
    step = results.next_step
    assert f"80% is reached after {step.extra}" in picture.alt
    assert f"{step.table['settled'].iloc[12]:.0%} after 12" in picture.alt
    for part in ("1000 simulated", "seed 1", "unit of replication: the bake"):
        assert part in picture.caption


def test_one_bake_each_draws_nothing() -> None:
    body = ps.ask.next_steps(ps.StudyResults(study([[2], [9]]))).body
    assert not any(isinstance(part, Picture) for part in body)


def test_a_fragile_verdict_at_a_planned_look_is_baked_on_to_the_next_one() -> None:
    early = ps.demo_study("early_stop")
    step = ps.suggest_next(early)
    assert (step.advice, step.planned) == ("fragile", (6, 2))
    assert step.sentence.startswith(
        "Bake on to the next planned look, after 6 bakes of each pit, before relying"
    )
    alone = ps.suggest_next(ps.demo_study("unequal_layouts"))
    assert (alone.advice, alone.planned) == ("fragile", ())
    assert alone.sentence.startswith("Bake each pit again before relying on it")
