"""Ranks as a section of a page."""

import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.section import Table
from pitstats.report.sections import ranks as words
from tests.analysis.rates.test_ranks import pits_with
from tests.analysis.rates.test_rates import house_example
from tests.report.studies import results_of


def test_ranks_of_four_pits() -> None:
    results = results_of("four_pits")
    section = ps.ask.ranks(results)
    table = next(part for part in section.body if isinstance(part, Table))
    assert table.values is not None
    assert {"rank_low", "rank_high", "chance_lowest"} <= set(table.values.columns)
    apart = results.comparison.table["verdict"].str.startswith("differs").sum()
    order = f"These bakes show the order of {apart or 'none'} of 6 pairs"
    assert section.answer.startswith(order)


@pytest.mark.parametrize(
    ("study", "reason"),
    [
        (house_example(), "three pits or more"),
        (pits_with({"A": 0.1, "B": 0.5, "C": 0.9}, n_bakes=1), "no ranking"),
    ],
)
def test_no_ranking_is_shown_where_it_means_nothing(
    study: ps.Study, reason: str
) -> None:
    section = ps.ask.ranks(ps.StudyResults(study))
    assert reason in section.missing
    assert not section.body


def test_words_of_ranks(snapshot: SnapshotAssertion) -> None:
    shown = {}
    for name, shares in {
        "separated": {"A": 0.95, "B": 0.05, "C": 0.5},
        "not separated": {"A": 0.3, "B": 0.3, "C": 0.35},
        "partly": {"A": 0.1, "B": 0.2, "C": 0.9},
    }.items():
        ranks = ps.rank_pits(pits_with(shares, n_items=60))
        table = words.ranks_table(ranks, "in these conditions").shown
        shown[name] = [words.how_firm(ranks), *table.to_csv(index=False).splitlines()]
    assert shown == snapshot


def test_a_spoiled_comparison_ranks_these_bakes_only() -> None:
    for name, where in (("unfair_order", "these bakes"), ("four_pits", "conditions")):
        section = ps.ask.ranks(results_of(name))
        table = next(part for part in section.body if isinstance(part, Table))
        assert f"in {where}" in table.caption or f"in these {where}" in table.caption


def test_figure_holds_the_ranks_and_their_chances() -> None:
    ranks = ps.rank_pits(pits_with({"A": 0.1, "B": 0.2, "C": 0.9}))
    axes = ps.plot_ranks(ranks).axes[0]
    bars = [line for line in axes.lines if line.get_gid() == "rank interval"]
    ends = [
        [round(float(x[0]) + 0.32), round(float(x[1]) - 0.32)]
        for x in (bar.get_xdata() for bar in bars)
    ]
    assert ends == ranks.table[["rank_low", "rank_high"]].to_numpy().tolist()
    dots = next(c for c in axes.collections if c.get_gid() == "chances")
    shown = ranks.chances[ranks.chances["chance"] >= 0.005]
    assert len(dots.get_offsets()) == len(shown)
    assert {t.get_text() for t in axes.texts} == {
        f"{100 * chance:.0f}%" if chance < 0.995 else ">99%"
        for chance in shown["chance"]
    }
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == ranks.table["pit"].tolist()
