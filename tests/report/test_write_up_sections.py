"""Ranks and the checklist as sections of a page."""

from pathlib import Path

import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.report.wording import ranks as words
from pitstats.report.write_up_sections import WriteUpSections
from tests.analysis.rates.test_ranks import pits_with
from tests.analysis.rates.test_rates import house_example


def test_ranks_of_four_pits(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = ps.demo_study("four_pits")
    both = ps.compare_both_ways(study)
    WriteUpSections(study, tmp_path).show_ranks(both.leading, ps.audit_fairness(study))
    ranks = pd.read_csv(tmp_path / "tables" / "ranks.csv")
    assert {"rank_low", "rank_high", "chance_lowest"} <= set(ranks.columns)
    assert len(pd.read_csv(tmp_path / "tables" / "rank_chances.csv")) == 16
    assert (tmp_path / "figures" / "ranks.png").stat().st_size > 1000
    apart = both.leading.table["verdict"].str.startswith("differs").sum()
    order = f"These bakes show the order of {apart or 'none'} of 6 pairs"
    assert order in capsys.readouterr().out


@pytest.mark.parametrize(
    ("study", "reason"),
    [
        (house_example(), "three pits or more"),
        (pits_with({"A": 0.1, "B": 0.5, "C": 0.9}, n_bakes=1), "no ranking"),
    ],
)
def test_no_ranking_is_shown_where_it_means_nothing(
    study: ps.Study, reason: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    WriteUpSections(study, tmp_path).show_ranks(ps.compare_pits(study))
    assert reason in capsys.readouterr().out
    assert not (tmp_path / "tables").exists()
    assert not (tmp_path / "figures").exists()


@pytest.mark.parametrize("name", ps.demo_names())
def test_checklist_of_every_demo(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = ps.demo_study(name)
    comparison, rates = ps.compare_pits(study), ps.estimate_burn_rates(study)
    WriteUpSections(study, tmp_path).show_checklist(comparison, rates)
    kept = pd.read_csv(tmp_path / "tables" / "reporting_checklist.csv")
    assert kept["answer"].notna().all()
    assert f"{len(kept)} items; {(~kept['recorded']).sum()} of them not recorded" in (
        capsys.readouterr().out
    )


def test_words_of_ranks(snapshot: SnapshotAssertion) -> None:
    shown = {}
    for name, shares in {
        "separated": {"A": 0.95, "B": 0.05, "C": 0.5},
        "not separated": {"A": 0.3, "B": 0.3, "C": 0.35},
        "partly": {"A": 0.1, "B": 0.2, "C": 0.9},
    }.items():
        ranks = ps.rank_pits(pits_with(shares, n_items=60))
        shown[name] = [*words.rank_sentences(ranks), words.ranks_caption(ranks)]
    assert shown == snapshot


def test_a_spoiled_comparison_ranks_these_bakes_only() -> None:
    ranks = ps.rank_pits(pits_with({"A": 0.1, "B": 0.2, "C": 0.9}))
    spoiled = [ps.Finding("order_fixed", "spoils", "One order.", "Turn it.")]
    assert "in these bakes" in words.rank_sentences(ranks, spoiled)[1]
    assert "in these conditions" in words.rank_sentences(ranks)[1]


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
