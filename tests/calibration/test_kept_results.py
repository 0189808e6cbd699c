"""What the kept results must show, by the rules that stand in their commands."""

import json
import math
from pathlib import Path

from pitstats.analysis.rates.pairs import FALSE_CALLS_AT_WORST, MANY_TIMES
from pitstats.report.sections.method import OWN_SPREADS_HELD
from pitstats.stats.borrowed_spread import BORROWED_WEIGHT
from pitstats.stats.stopping import stopping_levels
from tests.calibration.looks_sessions import CELLS, PLANS

HERE = Path(__file__).parent


def kept(name):
    """A kept result."""
    return json.loads((HERE / f"{name}.json").read_text("utf-8"))


def test_sessions_lead_by_every_clause_of_their_rule():
    found = kept("sessions")
    assert len(found["cells"]) == 23
    assert {cell["cell"]["pits"] for cell in found["cells"].values()} == {2, 3, 4}
    power = found["summary"]["power"]
    for bakes, least in (("3", 0.46), ("4", 0.64), ("5", 0.85)):
        assert power[bakes] >= least
    assert found["summary"]["clauses"] == [True] * 4


def test_the_model_of_the_thirds_is_the_one_that_qualifies_and_agrees_with_its_whole():
    found = kept("evenness")
    assert len(found["cells"]) == 24
    taken, before = found["summary"]["tilt, whole"], found["summary"]["before"]
    assert taken["qualifies"]
    assert taken["coherent"]
    assert not before["qualifies"]


def test_the_weight_of_a_borrowed_spread_is_the_one_chosen_by_the_rule():
    found = kept("borrowed")
    assert found["weight"] == BORROWED_WEIGHT
    for cell in found["cells"]:
        assert cell["sets"] >= 2000
        if cell["ratio"] <= 1.5:
            assert cell["covered"][str(BORROWED_WEIGHT)] >= 0.93


def test_rates_of_a_season_hold_where_pits_differ_in_mood():
    cells = kept("season")
    assert len(cells) == 12
    assert min(cell["sets"] for cell in cells) >= 300
    assert min(cell["own"]["rates"] for cell in cells) >= 0.93


def test_false_calls_beyond_8_percent_are_those_that_a_caveat_announces():
    lines = (HERE / "before_after.md").read_text("utf-8").splitlines()
    start = lines.index(next(line for line in lines if "Own spreads" in line))
    announced = []
    for line in lines[start + 4 :]:
        if not line.startswith("|"):
            break
        bakes, _, rates, *_, called = (cell.strip() for cell in line.split("|")[1:-1])
        if len(set(rates.split(", "))) > 1:
            continue
        few, *_, many = sorted(map(int, bakes.split(", ")))
        if many >= MANY_TIMES * few:
            announced.append(float(called))
        else:
            assert float(called) <= 0.08
    assert len(announced) >= 8
    assert FALSE_CALLS_AT_WORST - 1 < 100 * max(announced) <= FALSE_CALLS_AT_WORST + 0.5


def test_looks_with_sessions_have_constants_that_are_large_enough():
    cells = kept("looks_sessions")
    assert len(cells) == len(CELLS) == 36
    for plan, looks in PLANS.items():
        constant = stopping_levels(looks, 2, 16, sessions=True).constant
        assert constant >= max(cell["plans"][plan]["needs"] for cell in cells)


def test_false_calls_at_looks_are_those_of_the_analysis_that_leads():
    (cell,) = kept("looks_sessions_lead")
    for name in ("every bake to 4", "every bake to 6", "2, 4, 6"):
        assert abs(cell[name]["tables"] - cell[name]["lead"]) <= 0.02


def test_three_pits_with_sessions_are_called_different_no_more_often_than_two():
    cells = kept("looks_sessions_three")
    assert len(cells) == 3
    for cell in cells:
        assert cell["sets"] == 3000
        for name in ("every bake to 4", "every bake to 6", "2, 4, 6"):
            assert cell[name]["upper"] <= 0.055


def test_a_change_within_a_pit_holds_in_every_setting():
    cells = kept("retest")
    assert len(cells) == 12
    assert min(cell["sets"] for cell in cells) >= 400
    for cell in cells:
        for outcome in ("burned", "near less far"):
            assert cell[outcome]["coverage"] >= 0.93


def test_shares_of_grades_hold_in_every_setting():
    found = kept("grades")
    assert len({json.dumps(row["cell"]) for row in found["table"]}) == 40
    assert min(found["sets"]) >= 250
    assert found["short"] == []
    assert found["small"]["studies"] >= 2000
    assert found["small"]["failed"] == []
    assert len(found["widths"]) == 4
    for cell in found["widths"]:
        for own in cell["outcomes"].values():
            assert own["all grades"]["width"] < own["alone"]["width"]


def test_looks_at_equal_pits_call_them_different_no_more_often_than_one_look_may():
    found = kept("looks")
    sizes = {(row["pits"], row["items"]) for row in found["false_calls"]}
    assert sizes == {(pits, items) for pits in (2, 3, 4) for items in (12, 16, 24)}
    for row in found["false_calls"]:
        assert row["tests"] >= 10_000
        assert row["largest_upper"] <= 0.055


def test_the_method_claims_no_more_than_own_spreads_held():
    cells = kept("own_spread")["cells"]
    two = [c["cell"] | c["found"]["0.50, half-normal(1.5)"] for c in cells]
    two = [c for c in two if len(c["bakes"]) == 2 and c["kind"] != "single"]
    alike = min(c["coverage"] for c in two if c["kind"] == "alike")
    unlike = min(c["coverage"] for c in two if c["kind"] == "unlike")
    rate = min(min(c["rate_coverage"]) for c in two)
    for share in (alike, unlike, rate):
        assert f"{math.floor(100 * share + 1e-9)}%" in " ".join(OWN_SPREADS_HELD)
