from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pitstats.cli import main
from pitstats.commands.plan import (
    FEW_SPREADS,
    FEW_STUDIES,
    USUAL_BAKES,
    USUAL_SPREADS,
    USUAL_STUDIES,
    plan,
)
from pitstats.errors import DesignError
from pitstats.planning import power

BOOK = Path(__file__).parents[2] / "notebooks" / "plan_bakes.ipynb"


def run(*words: str) -> tuple[int, str]:
    found = CliRunner().invoke(main, ["plan", "--simulations", "200", *words])
    return found.exit_code, found.output


def test_looks_are_planned_and_their_boundary_is_said() -> None:
    code, text = run(
        "--looks", "2,3", "--items", "12", "--sd-bake", "0.6", "--difference", "60%"
    )
    assert code == 0
    assert "Mean bakes a pit" in text
    assert "After 3 bakes of each pit say 'differs' only if the" in text
    assert "80%" in text
    assert "a difference of 60 points" in text


def test_where_no_plan_will_do_the_number_is_searched() -> None:
    code, text = run(
        "--bakes", "2", "--items", "12", "--sd-bake", "0.6", "--difference", "0.5"
    )
    assert code == 0
    assert "It takes" in text
    assert "bakes of each pit you can find" in text
    assert "points (12 items a bake, spread 0.6, chance 80%)" in text


def test_what_all_pairs_cost_is_said() -> None:
    code, text = run(
        *("--pits", "3", "--bakes", "2,3", "--items", "8"),
        *("--sd-bake", "0.6", "--difference", "0.6"),
    )
    assert code == 0
    assert "Looking at all pairs of 3 pits has its price" in text
    assert "points between a pair named beforehand (8 items a bake" in text


def test_command_and_notebook_ask_for_the_same_plans() -> None:
    context = plan.make_context("plan", [])
    defaults = context.params
    book = json.loads(BOOK.read_text(encoding="utf-8"))
    (cell,) = (
        c for c in book["cells"] if "parameters" in c["metadata"].get("tags", [])
    )
    asked: dict[str, object] = {}
    exec("".join(cell["source"]), asked)
    for name in ("pits", "items", "rate", "difference", "power", "seed"):
        assert asked[name] == defaults[name], name
    assert asked["simulations"] == USUAL_STUDIES
    assert asked["sd_bake"] == USUAL_SPREADS
    assert asked["bakes"] == list(USUAL_BAKES)


def test_a_budget_is_split() -> None:
    code, text = run("--budget", "200", "--cost-per-bake", "20", "--cost-per-item", "1")
    assert code == 0
    assert "Cost" in text
    code, text = run("--budget", "200")
    assert code == 2
    assert "--budget needs --cost-per-bake and --cost-per-item" in text
    costs = ("--budget", "200", "--cost-per-bake", "20", "--cost-per-item", "1")
    code, text = run(*costs, "--format", "json")
    assert {row["cost"] <= 200 for row in json.loads(text)} == {True}
    for words in (("--sd-session", "0.5"), ("--bakes", "2"), ("--looks", "2,3")):
        code, text = run(*costs, *words)
        assert code == 2
        assert f"--budget is split without {words[0]}" in text


@pytest.mark.parametrize(
    ("words", "studies", "spreads"),
    [
        ((), USUAL_STUDIES, USUAL_SPREADS),
        (("--pits", "3"), USUAL_STUDIES, USUAL_SPREADS),
        (("--sd-session", "0.5"), USUAL_STUDIES, USUAL_SPREADS),
        (("--pits", "3", "--sd-session", "0.5"), FEW_STUDIES, FEW_SPREADS),
        (
            ("--pits", "3", "--sd-session", "0.5", "--simulations", "900"),
            900,
            FEW_SPREADS,
        ),
        (
            ("--pits", "3", "--sd-session", "0.5", "--sd-bake", "0.3,1"),
            FEW_STUDIES,
            [0.3, 1.0],
        ),
    ],
)
def test_slow_studies_are_simulated_less_often(
    words: tuple[str, ...],
    studies: int,
    spreads: list[float],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[int, object]] = []

    def noted(*, simulations: int, sd_bake: object, **others: object) -> None:
        asked.append((simulations, sd_bake))
        raise DesignError("enough")

    monkeypatch.setattr(power, "plan_bakes", noted)
    assert CliRunner().invoke(main, ["plan", *words]).exit_code == 2
    assert asked == [(studies, spreads)]


def test_what_cannot_be_read_is_refused() -> None:
    for words in (("--rate", "x%"), ("--looks", "2,b"), ("--looks", "4,2")):
        assert run(*words)[0] == 2
