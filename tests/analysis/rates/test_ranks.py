"""Ranks of the pits of a study agree with its comparison, or are withheld."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from tests.analysis.rates.test_rates import counts_study


def pits_with(
    shares: dict[str, float], n_bakes: int = 4, n_items: int = 20
) -> ps.Study:
    return counts_study(
        pd.DataFrame(
            [
                (f"{pit} {i}", pit, n_items, round(n_items * share))
                for pit, share in shares.items()
                for i in range(n_bakes)
            ],
            columns=["bake", "pit", "n_items", "n_burned"],
        )
    )


def test_columns_and_order() -> None:
    ranks = ps.rank_pits(pits_with({"A": 0.9, "B": 0.05, "C": 0.5}))
    assert list(ranks.table.columns) == [
        "pit",
        "n_bakes",
        "n_items",
        "n_burned",
        "estimate",
        "conf_low",
        "conf_high",
        "mean_rank",
        "rank_low",
        "rank_high",
        "chance_lowest",
        "chance_highest",
    ]
    assert ranks.table["pit"].tolist() == ["B", "C", "A"]
    assert ranks.to_frame().equals(ranks.table)
    assert "rank by long-run burn rate" in ranks._repr_html_()


def test_separated_pits_have_one_rank_each() -> None:
    ranks = ps.rank_pits(pits_with({"A": 0.95, "B": 0.05, "C": 0.5}, n_items=60))
    assert ranks.n_separated == ranks.n_pairs == 3
    assert ranks.table["rank_low"].tolist() == [1, 2, 3]
    assert ranks.table["rank_high"].tolist() == [1, 2, 3]
    assert ranks.table["chance_lowest"].iloc[0] > 0.99


def test_equal_pits_share_all_ranks() -> None:
    ranks = ps.rank_pits(pits_with({"A": 0.3, "B": 0.3, "C": 0.3, "D": 0.3}))
    assert (ranks.table["rank_low"] == 1).all()
    assert (ranks.table["rank_high"] == 4).all()
    np.testing.assert_allclose(ranks.chances["chance"], 0.25, atol=0.01)


def test_names_and_order_of_pits_do_not_matter() -> None:
    one = ps.rank_pits(pits_with({"A": 0.6, "B": 0.1, "C": 0.3}))
    other = ps.rank_pits(pits_with({"C": 0.3, "A": 0.6, "B": 0.1}))
    assert one.table["pit"].tolist() == other.table["pit"].tolist()
    np.testing.assert_allclose(
        one.table["mean_rank"], other.table["mean_rank"], atol=0.01
    )


@pytest.mark.parametrize("layout", [None, "common", "own"])
def test_ranks_follow_the_verdicts_of_the_comparison(layout: str | None) -> None:
    study = ps.demo_study("four_pits")
    if layout == "own":
        cells = ps.compare_pits(study, layout="common").cells
        assert cells is not None
        comparison = ps.compare_pits(study, layout=cells[["grate", "distance"]])
    else:
        comparison = ps.compare_pits(study, layout=layout)  # type: ignore[arg-type]
    ranks = ps.rank_pits(study, comparison)
    table = ranks.table.set_index("pit")
    differs = comparison.table["verdict"].str.startswith("differs")
    assert ranks.n_separated == differs.sum()
    widths = table["rank_high"] - table["rank_low"]
    assert widths.sum() == 12 - 2 * ranks.n_separated
    for row in comparison.table[differs].to_dict("records"):
        less, more = row["pit_a"], row["pit_b"]
        if row["estimate"] > 0:
            less, more = more, less
        assert table.loc[less, "rank_high"] < 4
        assert table.loc[more, "rank_low"] > 1
    sums = ranks.chances.groupby("pit")["chance"].sum()
    np.testing.assert_allclose(sums, 1)
    # The estimates of the comparison and the draws are of one posterior.
    order = comparison.rates.set_index("pit")["estimate"].sort_values().index
    assert order[0] == ranks.table["pit"].iloc[0]
    assert order[-1] == ranks.table["pit"].iloc[-1]


def test_one_bake_each_is_withheld() -> None:
    study = pits_with({"A": 0.1, "B": 0.5, "C": 0.9}, n_bakes=1)
    with pytest.raises(ps.DesignError, match="no verdict and no ranking"):
        ps.rank_pits(study)


def test_two_pits_are_not_ranked() -> None:
    with pytest.raises(ps.DesignError, match="three pits or more"):
        ps.rank_pits(pits_with({"A": 0.1, "B": 0.5}))


def test_a_pit_without_items_is_left_out_and_one_baked_once_is_named() -> None:
    frame = pd.DataFrame(
        {
            "bake": list("abcde"),
            "pit": ["A", "A", "B", "B", "C"],
            "n_items": 20,
            "n_burned": [1, 2, 5, 6, 9],
        }
    )
    study = counts_study(frame)
    study = replace(study, pits=pd.DataFrame({"pit": ["D", "A", "B", "C"]}))
    ranks = ps.rank_pits(study)
    assert sorted(ranks.table["pit"]) == ["A", "B", "C"]
    assert any("C was baked once" in text for text in ranks.caveats)
