"""Plans by simulation: the same judgement as for real studies, repeatable anywhere."""

import tracemalloc

import numpy as np
import pandas as pd
import pytest
from joblib import parallel_config
from scipy.optimize import brentq
from scipy.special import expit

import pitstats as ps
from pitstats.analysis.rates.compare import pair_table
from pitstats.errors import DesignError
from pitstats.planning import power as planning
from pitstats.planning import simulation
from pitstats.planning.allocation import best_split
from pitstats.planning.designs import explain_spread, make_design, spread_of
from pitstats.planning.formulas import best_items_per_bake, rate_icc
from pitstats.planning.precision import upper_bound_if_none_burn, width_for_one_pit
from pitstats.planning.questions import one_more_bake, smallest_difference
from pitstats.planning.simulation import (
    ALIKE,
    SEPARATED,
    BakeDesign,
    SimulatedTruth,
    Task,
    blocks_of,
    run_task,
    simulate_burned,
)
from pitstats.stats import bake_rates
from pitstats.stats.marginal import marginal_rate
from tests.cluster import on_a_dask_cluster


def one_by_one(design, truth, n_studies, rng, conf_level=0.95):
    """Simulate studies item by item in a plain loop; judge each as a report would."""
    sd = float(truth.sd_bake[0])
    intercept = np.array(
        [
            brentq(lambda a, r=r: float(marginal_rate(a, sd)) - r, -30, 30)
            for r in truth.rates[0]
        ]
    )
    separated, any_pair, width = 0, 0, []
    for _ in range(n_studies):
        chance = expit(intercept[design.pit] + sd * rng.normal(size=design.pit.size))
        burned = [
            int((rng.random(n) < p).sum())
            for n, p in zip(design.total, chance, strict=True)
        ]
        found = bake_rates(burned, design.total, design.pit, conf_level).differences
        low, high = found.simultaneous_low, found.simultaneous_high
        out = (low > 0) | (high < 0)
        separated += bool(out[0])
        any_pair += bool(out.any())
        width.append(high[0] - low[0])
    return separated / n_studies, any_pair / n_studies, np.array(width)


DESIGNS = [
    (2, 12, 2, 0.05, 0.5, 0.3),
    (3, 20, 2, 0.2, 0.35, 0.6),
    (4, 12, 2, 0.4, -0.3, 0.6),
    (6, 24, 2, 0.2, 0.2, 1.0),
    ((2, 5), (24, 10), 2, 0.15, 0.45, 0.3),
    (3, 12, 3, 0.1, 0.5, 0.6),
    (2, 18, 4, 0.1, 0.6, 0.3),
    (3, 12, 6, 0.1, 0.6, 0.3),
]


def agrees(design, n_studies):
    bakes, items, pits, rate, difference, sd = design
    plan = ps.plan_bakes(
        [bakes],
        [items],
        rate,
        difference,
        sd,
        pits,
        rng=11,
        simulations=2000,
    )
    row = plan.table.iloc[0]
    made = make_design(bakes, items, pits)
    rates = np.full((1, pits), rate)
    alike = SimulatedTruth(rates.copy(), np.array([sd]))
    rates[:, 1:] += difference
    apart = SimulatedTruth(rates, np.array([sd]))
    power, _, width = one_by_one(made, apart, n_studies, np.random.default_rng(21))
    error = np.hypot(row["power_error"], np.sqrt(power * (1 - power) / n_studies))
    assert row["power"] == pytest.approx(power, abs=3 * error + 1e-3)
    error = np.hypot(row["width_error"], width.std() / np.sqrt(n_studies))
    assert row["width"] == pytest.approx(width.mean(), abs=3 * error)
    _, alarm, _ = one_by_one(made, alike, n_studies, np.random.default_rng(22))
    error = np.hypot(
        row["false_alarm_error"],
        np.sqrt((alarm + 0.5 / n_studies) * (1 - alarm) / n_studies),
    )
    assert row["false_alarm"] == pytest.approx(alarm, abs=3 * error)
    return row


def test_plan_agrees_with_studies_one_by_one():
    agrees(DESIGNS[1], 150)


@pytest.mark.slow
@pytest.mark.parametrize("design", DESIGNS, ids=str)
def test_plans_agree_with_studies_one_by_one(design):
    row = agrees(design, 1000)
    # Alarms stay at or under the stated level.
    assert row["false_alarm"] <= 0.05 + 3 * row["false_alarm_error"]


def test_columns_and_what_they_mean():
    plan = ps.plan_bakes(
        bakes=[1, 3],
        items=[12, 24],
        sd_bake=["steady", 1.0],
        margin=0.3,
        cost_per_bake=20,
        cost_per_item=0.5,
        simulations=500,
        rng=np.random.default_rng(3),
    )
    table = plan.to_frame()
    first = ["bakes", "items", "sd_bake", "power", "power_error", "width"]
    assert list(table.columns[:6]) == first
    for name in ("false_alarm", "cost", "no_difference", "naive_power", "note"):
        assert name in table
    assert len(table) == 8
    assert table.loc[0, "cost"] == 2 * 1 * (20 + 12 * 0.5)
    assert set(table["sd_bake"]) == {0.3, 1.0}
    single = table[table["bakes"] == 1]
    assert np.all(single[["power", "power_error", "false_alarm"]] == 0)
    assert np.all(single["note"] == "no verdict from one bake each")
    assert np.all(single["width"] > table[table["bakes"] == 3]["width"].max())
    more = table[table["bakes"] == 3].set_index(["items", "sd_bake"])
    assert more.loc[(24, 0.3), "power"] > more.loc[(24, 1.0), "power"]
    assert more.loc[(24, 0.3), "no_difference"] > more.loc[(12, 1.0), "no_difference"]
    assert np.all(more["naive_power"] > more["power"])
    assert more.loc[(12, 1.0), "icc"] == pytest.approx(rate_icc(0.2, 1.0))
    assert any(
        "0" in caveat and "one bake" in caveat.lower() for caveat in plan.caveats
    )
    assert "<table" in plan._repr_html_()


def test_no_difference_follows_the_verdict():
    """The batch's conclusion equals the verdict of `compare_pits`, study by study."""
    design = make_design(5, 24, 2)
    truth = SimulatedTruth(np.full((1, 2), 0.1), np.array([0.3]))
    task = Task(design, truth, ALIKE, 5, 0, 60, 60, 0.2, 0.95)
    tally = run_task(task)
    verdicts = [
        pair_table(
            pd.DataFrame(
                {
                    "pit": np.where(design.pit == 0, "A", "B"),
                    "n_items": design.total,
                    "n_burned": burned,
                }
            ),
            ["A", "B"],
            0.95,
            0.2,
        )["verdict"].iloc[0]
        for burned in blocks_of(task)
    ]
    expected = [verdict == "no difference beyond the margin" for verdict in verdicts]
    assert 5 < sum(expected) < 55
    assert tally.inside.tolist() == expected


def test_same_seed_same_numbers(monkeypatch):
    asked = {"bakes": [2, 3], "items": [9], "simulations": 1200, "rng": 77}
    base = ps.plan_bakes(**asked)
    assert base.seed == 77
    for chunk in (500, 1):
        monkeypatch.setattr(simulation, "CHUNK", chunk)
        assert ps.plan_bakes(**asked).table.equals(base.table), chunk
    for backend in ("threading", "loky"):
        with parallel_config(backend=backend, n_jobs=2):
            assert ps.plan_bakes(**asked).table.equals(base.table)
    drawn = ps.plan_bakes(**(asked | {"rng": np.random.default_rng(1)}))
    again = ps.plan_bakes(**(asked | {"rng": drawn.seed}))
    assert again.table.equals(drawn.table)
    fresh = ps.plan_bakes(bakes=2, items=4, simulations=100)
    assert fresh.seed != ps.plan_bakes(bakes=2, items=4, simulations=100).seed


def test_a_plan_does_not_depend_on_its_neighbors():
    one = ps.plan_bakes([3], [10], simulations=600, rng=5).table
    many = ps.plan_bakes([2, 3], [8, 10], simulations=600, rng=5).table
    same = many[(many["bakes"] == 3) & (many["items"] == 10)].reset_index(drop=True)
    assert same.equals(one)


def test_same_numbers_on_a_dask_cluster(monkeypatch):
    monkeypatch.setattr(simulation, "CHUNK", 500)
    asked = {"bakes": [2], "items": [8, 10], "simulations": 1000, "rng": 9}
    base = ps.plan_bakes(**asked)
    with on_a_dask_cluster():
        other = ps.plan_bakes(**asked)
    assert other.table.equals(base.table)


def test_unequal_items_and_bakes_per_pit():
    plan = ps.plan_bakes(
        [(2, 4)],
        [(24, 12), 16],
        simulations=300,
        rng=2,
        cost_per_bake=1.0,
    )
    assert plan.table["bakes"].tolist() == ["2, 4", "2, 4"]
    assert plan.table["items"].tolist() == ["24, 12", 16]
    assert plan.table["total_items"].tolist() == [96, 96]
    assert plan.table["cost"].tolist() == [6.0, 6.0]
    assert plan.cheapest(0.0) is not None


def test_cheapest():
    plan = ps.plan_bakes(
        [2, 8],
        [12, 24],
        difference=0.4,
        sd_bake=[0.3, 0.6],
        simulations=300,
        cost_per_bake=10,
        cost_per_item=0.1,
        rng=4,
    )
    best = plan.cheapest(0.7)
    assert (best["bakes"], best["items"]) == (8, 12)
    assert best["sd_bake"] == 0.6  # the harder of the spreads must reach it, too
    assert plan.cheapest(0.9999)["items"] == 24
    weak = ps.plan_bakes([2], [6], simulations=100, rng=4)
    assert weak.cheapest(0.8) is None


def test_more_than_two_pits_pay_for_all_pairs():
    two = ps.plan_bakes([3], [20], 0.1, 0.4, 0.3, 2, simulations=500, rng=6)
    four = ps.plan_bakes([3], [20], 0.1, 0.4, 0.3, 4, simulations=500, rng=6)
    assert four.table["power"][0] < two.table["power"][0] + 0.05
    assert four.table["false_alarm"][0] < 0.08
    assert four.pits == 4


# ---- pilot -------------------------------------------------------------------------


def test_pilot_averages_over_what_it_leaves_unknown():
    short = ([2, 6], [12, 12], [0, 0])
    long = ([2, 6] * 30, [12] * 60, [0] * 60)
    plans = [
        ps.plan_bakes(
            [4],
            [16],
            difference=0.3,
            pilot=p,
            simulations=500,
            rng=8,
        )
        for p in (short, long)
    ]
    assert plans[1].rate == pytest.approx(1 / 3, abs=0.03)
    for plan in plans:
        assert any("assurance" in caveat for caveat in plan.caveats)
    # With much known, the assurance is the power at the known rate and spread.
    known = ps.plan_bakes(
        [4],
        [16],
        rate=plans[1].rate,
        difference=0.3,
        sd_bake=float(plans[1].table["sd_bake"][0]),
        simulations=500,
        rng=8,
    )
    error = np.hypot(known.table["power_error"][0], plans[1].table["power_error"][0])
    assert plans[1].table["power"][0] == pytest.approx(
        known.table["power"][0], abs=3 * error + 0.02
    )


def test_pilot_study(tmp_path):
    study = ps.demo_study("one_bake_each")
    pit = study.pits["pit"].iloc[-1]
    plan = ps.plan_bakes(
        2,
        12,
        pilot=study,
        pilot_pit=pit,
        simulations=200,
        rng=1,
    )
    assert f"pit {pit}" in " ".join(plan.caveats)
    assert any("one bake in each pit" in caveat for caveat in plan.caveats)
    with pytest.raises(DesignError, match="the pilot has no pit Nowhere"):
        ps.plan_bakes(2, 12, pilot=study, pilot_pit="Nowhere")


@pytest.mark.parametrize("difference", [None, "observed"])
def test_observed_power_is_refused(difference):
    finished = ([3, 5, 8, 9], [12] * 4, [0, 0, 1, 1])
    with pytest.raises(DesignError, match=r"observed power.*Hoenig"):
        ps.plan_bakes(2, 12, difference=difference, pilot=finished)
    with pytest.raises(DesignError, match="observed power"):
        ps.plan_bakes(2, 12, difference=difference)


# ---- the smaller questions ---------------------------------------------------------


def test_smallest_difference_is_found_as_often_as_asked():
    found = smallest_difference(
        5,
        20,
        rate=0.1,
        sd_bake=0.3,
        simulations=600,
        rng=12,
    )
    assert 0.15 < found.difference < 0.45
    assert found.difference_error < 0.05
    plan = ps.plan_bakes(
        5,
        20,
        0.1,
        found.difference,
        0.3,
        simulations=1000,
        rng=99,
    )
    error = np.hypot(plan.table["power_error"][0], 0.4 / np.sqrt(600))
    assert plan.table["power"][0] == pytest.approx(0.8, abs=3 * error)
    assert found.table["difference"].is_monotonic_increasing
    down = smallest_difference(
        5,
        20,
        rate=0.9,
        sd_bake=0.3,
        direction=-1,
        simulations=600,
        rng=12,
    )
    assert down.difference == pytest.approx(-found.difference, abs=0.08)
    never = smallest_difference(2, 3, rate=0.6, simulations=100, rng=1)
    assert np.isnan(never.difference)
    assert "bake more often" in never.caveats[-1]
    assert "<table" in never._repr_html_()


def test_one_more_bake_beats_more_items():
    plan = one_more_bake(
        3,
        24,
        difference=0.3,
        sd_bake=0.8,
        simulations=600,
        rng=3,
    )
    power = plan.table.set_index("note")["power"]
    assert power["as planned"] < power["one more bake"] < power["two more bakes"]
    assert power["one more bake"] > power["twice the items"] - 0.02
    assert plan.table["items"].tolist() == [24, 24, 24, 48]


def test_width_for_one_pit():
    plan = width_for_one_pit(
        [1, 2, 6],
        [12],
        rate=0.3,
        simulations=150,
        rng=4,
        cost_per_item=1,
    )
    table = plan.to_frame()
    assert table["width"].is_monotonic_decreasing
    assert np.all(table["naive_width"] < table["width"])
    assert np.all((table["low"] < 0.3) & (table["high"] > 0.3))
    assert table["cost"].tolist() == [12, 24, 72]
    # By hand: the mean width of `bake_rates` intervals of the same counts.
    design = BakeDesign((6,), (12,))
    truth = SimulatedTruth(np.array([[0.3]]), np.array([0.6]))
    counts = simulate_burned(design, truth, np.random.default_rng(1), 150)
    width = [
        (found.high - found.low)[0]
        for found in (bake_rates(y, design.total, design.pit).rates for y in counts)
    ]
    error = np.hypot(table["width_error"][2], np.std(width) / np.sqrt(150))
    assert table["width"][2] == pytest.approx(np.mean(width), abs=3 * error)
    assert "<table" in plan._repr_html_()


def test_upper_bound_if_none_burn():
    table = upper_bound_if_none_burn([1, 3, 6], [12, 48]).to_frame()
    expected = bake_rates([0, 0, 0], [12, 12, 12], [0, 0, 0]).rates.high[0]
    row = table[(table["bakes"] == 3) & (table["items"] == 12)].iloc[0]
    assert row["upper"] == pytest.approx(expected, abs=1e-12)
    assert row["exact"] == pytest.approx(1 - 0.05 ** (1 / 36))
    assert row["rule_of_three"] == pytest.approx(3 / 36)
    assert np.all(table["upper"] > table["one_sided"])
    # 48 items of one fire prove less than 12 of each of four; the rule sees no odds.
    one_fire = table[(table["bakes"] == 1) & (table["items"] == 48)].iloc[0]
    assert one_fire["one_sided"] > one_fire["rule_of_three"]


def test_best_split():
    split = best_split(
        400,
        30,
        0.5,
        rate=0.2,
        difference=0.35,
        sd_bake=0.8,
        simulations=500,
        rng=5,
    )
    table = split.to_frame()
    assert np.all(table["cost"] <= 400 + 1e-9)
    assert split.best["power"] == table["power"].max()
    items = best_items_per_bake(30, 0.5, rate_icc(0.2, 0.8))
    assert split.formula.items == pytest.approx(items)
    # The best lies among several bakes, not in one or two huge ones.
    assert split.best["bakes"] >= 3
    with pytest.raises(DesignError, match="does not buy two bakes"):
        best_split(50, 30, 0.5)
    flat = best_split(100, 10, 1, sd_bake=0, simulations=100, rng=1)
    assert flat.formula is None


# ---- simulation itself -------------------------------------------------------------


def test_simulated_counts_have_the_rate_and_the_spread():
    design = BakeDesign((3, 2), (10, 30))
    truth = SimulatedTruth(np.array([[0.1, 0.5]]), np.array([0.9]))
    counts = simulate_burned(design, truth, np.random.default_rng(2), 40_000)
    share = counts / design.total
    for bake, rate in enumerate([0.1, 0.1, 0.1, 0.5, 0.5]):
        assert share[:, bake].mean() == pytest.approx(rate, abs=0.004)
        n, icc = design.total[bake], rate_icc(rate, 0.9)
        variance = rate * (1 - rate) * (1 + (n - 1) * icc) / n
        assert share[:, bake].var() == pytest.approx(variance, rel=0.04)
    assert abs(np.corrcoef(share[:, 0], share[:, 1])[0, 1]) < 0.02


def test_memory_does_not_grow_with_simulations(monkeypatch):
    monkeypatch.setattr(simulation, "CHUNK", 500)

    def peak(simulations):
        tracemalloc.start()
        ps.plan_bakes(3, 12, simulations=simulations, rng=1)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(500)
    assert peak(4000) < 1.5 * peak(1000)


def test_explained_spreads():
    assert spread_of("moody") == 1.0
    assert "between 9% and 33%" in explain_spread("usual", 0.2)
    with pytest.raises(DesignError, match='sd_bake is "wild"'):
        spread_of("wild")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bakes": 0}, "bakes holds 0"),
        ({"bakes": [2.5]}, "bakes holds 2.5"),
        ({"items": [0]}, "items holds 0"),
        ({"items": [5000]}, "items holds 5000"),
        ({"items": [(3, 4, 5)]}, "3 numbers for 2 pits"),
        ({"items": ["many"]}, "items holds many"),
        ({"bakes": []}, "at least one number of bakes"),
        ({"rate": 20}, "rate is 20"),
        ({"rate": "a"}, "rate is a"),
        ({"rate": 0.9}, "rate of 1.1"),
        ({"difference": 0}, "difference is 0"),
        ({"difference": float("nan")}, "difference is nan"),
        ({"sd_bake": -1}, "sd_bake is -1"),
        ({"sd_bake": [0.3, 9]}, "sd_bake is 9"),
        ({"pits": 1}, "--notebook plan_bakes"),
        ({"pits": 7}, "2 to 6 pits"),
        ({"margin": 5}, "margin is 5"),
        ({"simulations": 1}, "from 2 up"),
        ({"conf_level": 95}, "conf_level is 95"),
        ({"cost_per_bake": -3}, "a cost cannot be negative"),
        ({"rng": -4}, "seed is -4"),
        ({"pilot": ([1], [0], [0])}, "the pilot bakes cannot be read|no graded item"),
        ({"pilot": ([3], [2], [0])}, "the pilot bakes cannot be read"),
    ],
)
def test_bad_input_is_named(change, message):
    with pytest.raises(DesignError, match=message):
        ps.plan_bakes(**({"bakes": 2, "items": 12} | change))


def test_bad_questions_are_named():
    with pytest.raises(DesignError, match="with one bake in every pit"):
        smallest_difference(1, 12)
    with pytest.raises(DesignError, match="direction is 0"):
        smallest_difference(2, 12, direction=0)
    with pytest.raises(DesignError, match="power is 80"):
        smallest_difference(2, 12, power=80)
    with pytest.raises(DesignError, match="bakes holds 0"):
        upper_bound_if_none_burn(0, 12)
    with pytest.raises(DesignError, match="rate is 3"):
        width_for_one_pit(2, 12, rate=3)
    with pytest.raises(DesignError, match="budget is 0"):
        best_split(0, 1, 1)
    assert planning.NO_VERDICT == "no verdict from one bake each"
    assert SEPARATED != ALIKE


class TestSessions:
    def test_shared_days_are_planned_with_their_effect(self):
        settings = {"bakes": 4, "items": 18, "rate": 0.2, "difference": 0.3}
        settings |= {"sd_bake": 0.4, "simulations": 400, "rng": 3}
        shared = ps.plan_bakes(**settings, sd_session=0.6).table.iloc[0]
        # Days of their own add up with the bakes: the same total spread.
        settings["sd_bake"] = float(np.hypot(0.4, 0.6))
        alone = ps.plan_bakes(**settings).table.iloc[0]
        assert shared["power"] > alone["power"] + 0.05
        assert shared["false_alarm"] <= 0.07
        assert shared["width"] < alone["width"]

    def test_says_what_the_plan_assumes(self):
        plan = ps.plan_bakes(2, 12, simulations=100, rng=1, sd_session=0.5)
        assert "session effect" in plan.method
        assert any("SD of 0.5" in caveat for caveat in plan.caveats)

    @pytest.mark.parametrize(
        ("more", "message"),
        [({"sd_session": 3.0}, "between 0 and 2.5"),
         ({"sd_session": 0.5, "looks": [2, 4], "pits": 3}, "plan without looks")],
    )  # fmt: skip
    def test_refuses(self, more, message):
        with pytest.raises(DesignError, match=message):
            ps.plan_bakes(items=12, rng=1, **more)
