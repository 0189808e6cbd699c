"""Plans judged with a spread borrowed from earlier tests."""

from __future__ import annotations

from functools import cache

import pytest
from click.testing import CliRunner

import pitstats as ps
from pitstats.cli import main
from pitstats.report.sections.plan import earlier_sentences
from pitstats.study.demo import demo_folder


@cache
def plan(sd: float = 0.6) -> ps.BakePlan:
    return ps.plan_bakes(
        [2, 4], 16, difference=0.3, sd_bake=sd, earlier=(0.6, 1.5),
        simulations=600, rng=1,
    )  # fmt: skip


def test_the_borrowed_answer_stands_beside_the_plain_one() -> None:
    alone = ps.plan_bakes([2, 4], 16, difference=0.3, simulations=600, rng=1).table
    table = plan().table
    assert table[alone.columns].equals(alone)
    assert (table["borrowed_power"] > table["power"] + 0.03).all()
    assert (table["borrowed_width"] < table["width"]).all()
    assert (table["borrowed_false_alarm"] < 0.06).all()
    assert table["unknown_weight"].between(0.2, 0.6).all()
    risk = table["moodier_false_alarm"]
    assert (risk > table["moodier_plain_false_alarm"]).all()


def test_borrowing_is_refused_where_the_new_bakes_contradict_it() -> None:
    assert (plan(2.0).table["refused"] > plan().table["refused"]).all()


def test_what_is_said_of_it(snapshot: object) -> None:
    assert earlier_sentences(plan(), 0.8) == snapshot
    assert earlier_sentences(ps.plan_bakes(2, 8, simulations=50, rng=1), 0.8) == []


def test_earlier_studies_lend_their_spread() -> None:
    study = ps.demo_study("four_pits")
    found = ps.plan_bakes(2, 8, earlier=[study], simulations=50, rng=1)
    assert found.earlier == ps.earlier_spread([study])
    words = ["plan", "--simulations", "50", "--bakes", "2", "--items", "8"]
    told = CliRunner().invoke(
        main, [*words, "--earlier", str(demo_folder("four_pits"))]
    )
    assert told.exit_code == 0
    assert "known from earlier tests within a factor of" in told.output
    assert "With the earlier spread" in told.output


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"earlier": (0.6, 0.5)}, "such as \\(0.6, 1.5\\)"),
        ({"earlier": (9.0, 1.5)}, "earlier is"),
        ({"earlier": (0.6,)}, "earlier is"),
        ({"earlier": (0.6, 1.5), "looks": [2, 4]}, "one look"),
        ({"earlier": (0.6, 1.5), "sd_session": 0.3}, "one look"),
        ({"earlier": []}, "No earlier study"),
    ],
)
def test_what_cannot_be_borrowed(asked: dict[str, object], says: str) -> None:
    with pytest.raises(ps.DesignError, match=says):
        ps.plan_bakes(items=12, simulations=50, rng=1, **asked)
