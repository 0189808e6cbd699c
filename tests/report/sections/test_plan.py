"""The page of plans: answer, every question short, nothing of what was not stated."""

import pytest

import pitstats as ps
from pitstats.report.numbers import percent
from pitstats.report.section import Questions, Sentences, Table, Text
from pitstats.report.sections import noise, plan
from tests.report.overclaims import overclaims, said, sentences_of

SECTIONS = (
    *(ps.ask.plans, ps.ask.findable, ps.ask.plan_spreads, ps.ask.one_more_bake),
    *(ps.ask.one_pit, ps.ask.budget, ps.ask.order_and_shopping),
)
STATED = {"budget": 300.0, "cost_per_bake": 20.0, "cost_per_item": 0.5}


def planned(bakes: list[object], **more: float) -> ps.PlanResults:
    found = ps.plan_bakes(bakes, [12], 0.2, 0.5, [0.3, 0.6], simulations=100, rng=1)
    layout = ps.randomize_layout({"Quarry": [3, 6], "Ferry": [3, 5]}, bakes=2, seed=1)
    return ps.PlanResults(found, **more, layout=layout if more else None)


@pytest.fixture(scope="module")
def full() -> ps.PlanResults:
    return planned([2, 4, 6], **STATED)


def test_the_first_page_is_short_and_answers(full: ps.PlanResults) -> None:
    page = ps.pages.plan_bakes(full)
    first = next(part.text for part in page.body if isinstance(part, Text))
    best = full.plan.table.query("sd_bake == 0.3 and power >= 0.8").iloc[0]
    assert first.startswith("With steady fires (spread 0.3)")
    assert f"it takes {best['bakes']} bakes of every pit with 12 items each" in first
    asked = next(part.sections for part in page.body if isinstance(part, Questions))
    assert len(asked) == len(SECTIONS)
    texts = [*said(page), *(own.answer for own in asked)]
    # The alternative text of the picture lists the plans.
    assert sum(len(text.split()) for text in texts) <= 600
    for text in texts:
        assert overclaims(text) == []
        assert all(len(own.split()) <= 30 for own in sentences_of(text))


@pytest.mark.parametrize("ask", SECTIONS)
def test_sections_are_answered_in_short_sentences(ask, full) -> None:  # type: ignore[no-untyped-def]
    section = ask(full)
    assert not section.missing
    assert len(section.answer.split()) <= 30
    for text in said(section):
        assert overclaims(text) == []
        assert all(len(own.split()) <= 45 for own in sentences_of(text)), text


def test_a_long_table_shows_the_plan_that_answers_and_its_neighbors() -> None:
    found = ps.plan_bakes(
        [2, 3, 4, 6], [8, 12, 18], 0.2, 0.5, [0.3, 0.6, 1.0], simulations=60, rng=1
    )
    best = found.usual.cheapest(0.8)
    assert best is not None
    table, *_ = ps.ask.plans(ps.PlanResults(found)).body
    assert isinstance(table, Table)
    assert table.values is not None
    assert len(table.values) == 36
    shown = plan.nearest_plans(found, 0.8).table
    own = shown.query(f"bakes == {best['bakes']} and items == {best['items']}")
    assert own["sd_bake"].tolist() == [0.3, 0.6, 1.0]
    others = shown.drop(own.index)
    assert (best["bakes"], best["items"]) == (3, 12)
    assert others["sd_bake"].eq(0.6).all()
    neighbors = set(zip(others["bakes"], others["items"], strict=True))
    assert neighbors == {(2, 12), (4, 12), (3, 8), (3, 18)}
    assert len(table.shown) == len(shown)
    asked = ps.plan_bakes(
        [6, 2, 4, 3], [18, 8, 12], 0.2, 0.5, [0.3, 0.6, 1.0], simulations=60, rng=1
    )
    anyhow = plan.nearest_plans(asked, 0.8).table
    pair = ["bakes", "items"]
    assert set(anyhow[pair].apply(tuple, axis=1)) == set(
        shown[pair].apply(tuple, axis=1)
    )
    text = plan.left_out(found, plan.nearest_plans(found, 0.8), "elsewhere")
    assert "All 36 rows are elsewhere" in text
    few = planned([2, 4]).plan
    assert plan.nearest_plans(few, 0.8) is few
    assert plan.left_out(few, few, "elsewhere") == ""
    spreads = [k / 10 for k in range(1, 10)]
    one = ps.plan_bakes([3], [8], 0.2, 0.5, spreads, simulations=60, rng=1)
    assert plan.nearest_plans(one, 0.8) is one


def test_the_order_of_bakes_is_explained_once(full: ps.PlanResults) -> None:
    assert full.layout is not None
    explained = full.layout.balance.explanation
    body = ps.ask.order_and_shopping(full).body
    lines = [s for p in body if isinstance(p, Sentences) for s in p.sentences]
    lines += [p.text for p in body if isinstance(p, Text)]
    assert sum(explained in line for line in lines) == 1


def test_notes_name_no_column(full: ps.PlanResults) -> None:
    looked = ps.plan_bakes(items=12, looks=[2, 3], simulations=60, rng=1)
    for found in (full.plan, looked):
        assert not [
            c
            for c in found.caveats
            for name in found.table
            if "_" in name and name in c
        ]


def test_what_was_not_stated_is_not_asked() -> None:
    bare = planned([2])
    assert "No budget" in ps.ask.budget(bare).missing
    assert "No grates" in ps.ask.order_and_shopping(bare).missing
    asked = [p for p in ps.pages.plan_bakes(bare).body if isinstance(p, Questions)]
    assert len(asked[0].sections) == len(SECTIONS) - 2


def test_no_plan_reaches_the_chance() -> None:
    few = planned([2])
    text = plan.in_short(few.plan, 0.9)
    assert "none of these plans reaches a chance of" in text
    page = " ".join(
        p.text for p in ps.pages.plan_bakes(few).body if isinstance(p, Text)
    )
    assert few.needed.sentence.startswith("It takes")
    assert few.needed.sentence in page


def test_one_number_of_bakes_is_named_and_says_what_it_leaves_out() -> None:
    usual_does = ps.PlanResults(
        ps.plan_bakes([4], [24], difference=0.5, sd_bake=[0.6, 2.0, 0.3],
                      simulations=100, rng=1)
    )  # fmt: skip
    assert "it takes 4 bakes" in plan.in_short(usual_does.plan, 0.8)
    assert usual_does.needed is None
    early = ps.PlanResults(ps.plan_bakes(items=12, looks=[2, 3], simulations=60, rng=1))
    assert early.of_search("It takes 9.") == "It takes 9, reckoned without looks."
    assert planned([2]).of_search("It takes 9.") == "It takes 9."


def test_one_bake_is_told_in_the_singular_and_what_is_exact_as_exact() -> None:
    single = planned([1]).plan
    assert "; 1 bake with 12 items each comes nearest." in plan.in_short(single, 0.8)
    assert plan.chances(single, 0.8).endswith("(exact).")


def test_unequal_pits_have_no_next_bake_but_all_else() -> None:
    uneven = planned([(2, 3)])
    assert "one plan with equal numbers" in ps.ask.one_more_bake(uneven).missing
    assert "bakes by pit" in plan.in_short(uneven.plan, 0.8)
    assert ps.ask.one_pit(uneven).answer.startswith("In 3 bakes of 12 items")


def test_one_pit_keeps_to_the_level_of_the_plan(full: ps.PlanResults) -> None:
    table = next(p for p in ps.ask.one_pit(full).body if isinstance(p, Table))
    assert "95% interval" in table.caption
    assert full.one_pit.conf_level == full.plan.conf_level


def test_an_estimated_spread_is_told_with_two_digits_and_its_scale() -> None:
    found = ps.plan_bakes([2], [12], sd_bake=0.53906, simulations=50, rng=1)
    texts = [
        plan.in_short(found, 0.8),
        plan.naive_plan_sentence(found, 0.8),
        plan.plan_table(found).to_string(),
    ]
    assert "a spread of 0.54 between bakes (usual fires have 0.6)" in texts[0]
    assert all("0.54" in text and "0.539" not in text for text in texts)


def test_a_new_test_names_both_truths() -> None:
    study = ps.study_from_counts(["A"] * 3 + ["B"] * 3, [18] * 6, [2, 3, 2, 9, 8, 10])
    section = noise.new_test(ps.StudyResults(study), 100)
    lines = next(p.sentences for p in section.body if isinstance(p, Sentences))
    assert "were the truth" in lines[0]
    assert all("cry wolf" in line for line in lines[1:])
    assert len(lines) == 4
    assert all(len(own.split()) <= 45 for t in lines for own in sentences_of(t))
    # Two and three bakes of two pits are reckoned exactly, five are simulated.
    assert lines[1].endswith("(exact).")
    assert "simulation error up to" in lines[3]


def test_the_formula_is_held_against_the_plan_that_the_page_begins_with(
    full: ps.PlanResults,
) -> None:
    row = full.plan.usual.cheapest(0.8)
    if row is None:
        table = full.plan.usual.table
        row = table.iloc[int(table["power"].argmax())]
    said = plan.naive_plan_sentence(full.plan, 0.8)
    assert f"for {row['bakes']} bakes of {row['items']} items" in said
    assert f"finds {percent(row['power'])} (spread {row['sd_bake']:.2g}" in said
