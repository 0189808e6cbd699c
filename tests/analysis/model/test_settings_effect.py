"""The effect of a setting, within the pits in which it was varied."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.results import SettingEffect
from pitstats.study.demo import SimulatedPit, simulate_study
from tests.analysis.rates.test_rates import counts_study

COLUMNS = [
    "pit",
    "from_value",
    "to_value",
    "adjusted_for",
    "n_bakes_from",
    "n_bakes_to",
    "estimate",
    "conf_low",
    "conf_high",
    "p_value",
    "verdict",
]


def says(result: SettingEffect, words: str) -> bool:
    return any(words in caveat for caveat in result.caveats)


def damper_study(*, same_day: bool = False, **bakes: object) -> ps.Study:
    """Six bakes of A, half of them with the damper half shut; B always open."""
    rng = np.random.default_rng(17)
    rates = {0.5: 0.65, 1.0: 0.2}
    parts = [
        simulate_study(
            [SimulatedPit(pit="A", rate=rate, bake={"damper_open": open_})],
            bakes=3,
            sd_bake=0.3,
            rng=rng,
        ).study
        for open_, rate in rates.items()
    ]
    other = simulate_study([SimulatedPit(pit="B", rate=0.3)], bakes=4, rng=rng).study
    tables = {
        name: pd.concat(
            [
                parts[0].tables[name].assign(**shift("x", name, parts[0])),
                parts[1].tables[name].assign(**shift("y", name, parts[1])),
                other.tables[name].assign(**shift("z", name, other)),
            ],
            ignore_index=True,
        )
        for name in ("bakes", "items")
    }
    tables["items"] = tables["items"].drop(columns="code")
    if not same_day:
        tables["bakes"]["session"] = tables["bakes"]["bake"]
    return ps.Study(
        settings=other.settings,
        pits=pd.concat([parts[0].pits, other.pits], ignore_index=True),
        grates=pd.concat([parts[0].grates, other.grates], ignore_index=True),
        bakes=tables["bakes"].assign(**bakes),
        items=tables["items"],
    )


def shift(letter: str, name: str, study: ps.Study) -> dict[str, object]:
    """Other names for the bakes, so that two studies go together."""
    names = {"bake": letter + study.tables[name]["bake"]}
    return names | ({"order": None} if name == "bakes" else {})


@pytest.fixture(scope="module")
def damper() -> SettingEffect:
    return ps.estimate_setting_effect(damper_study(), "damper_open")


def test_finds_the_effect_where_the_setting_varied(damper: SettingEffect) -> None:
    assert list(damper.table.columns) == COLUMNS
    row = damper.table.iloc[0]
    assert (row["pit"], row["from_value"], row["to_value"]) == ("A", 0.5, 1.0)
    assert (row["n_bakes_from"], row["n_bakes_to"]) == (3, 3)
    assert row["conf_low"] < 0.2 - 0.65 < row["conf_high"]
    assert row["conf_high"] < 0
    assert row["verdict"] == "differs"


def test_a_pit_that_never_varied_it_is_as_set_up(damper: SettingEffect) -> None:
    row = damper.table.iloc[-1]
    assert (row["pit"], row["verdict"]) == ("B", "as set up")
    assert np.isnan(row["estimate"])
    assert says(damper, "B: damper opening was 1 in every bake")
    assert says(damper, "speak of B as set up")


def test_with_and_without_grate_temperature(damper: SettingEffect) -> None:
    assert damper.table["adjusted_for"].tolist() == ["", "grate_temp", ""]
    assert says(damper, "Adjusted for grate temperature")
    bare = damper_study(grate_temp=np.nan)
    again = ps.estimate_setting_effect(bare, "damper_open")
    assert again.table["adjusted_for"].tolist() == ["", ""]
    assert not says(again, "Adjusted for grate temperature")


def test_setting_and_day_are_told_apart_or_not(damper: SettingEffect) -> None:
    assert says(damper, "changed only from one session to another")
    together = ps.estimate_setting_effect(damper_study(same_day=True), "damper_open")
    assert not says(together, "changed only from one session to another")


def test_words_are_set_against_the_first() -> None:
    study = damper_study(plate=["in", "out", "none"] * 3 + ["in"])
    effect = ps.estimate_setting_effect(study, "plate")
    plain = effect.table[effect.table["adjusted_for"] == ""]
    steps = list(zip(plain["pit"], plain["from_value"], plain["to_value"], strict=True))
    assert steps == [
        ("A", "in", "none"),
        ("A", "in", "out"),
        ("B", "in", "none"),
        ("B", "in", "out"),
        ("all", "in", "none"),
        ("all", "in", "out"),
    ]
    assert says(effect, "B: plate was out in one bake only")
    assert says(effect, "Coverage little measured")


def test_turning_the_values_turns_the_sign(damper: SettingEffect) -> None:
    study = damper_study()
    turned = study.bakes.assign(damper_open=1.5 - study.bakes["damper_open"])
    again = ps.estimate_setting_effect(
        ps.Study(**{**study.tables, "bakes": turned}, settings=study.settings),
        "damper_open",
    )
    a, b = damper.table.iloc[0], again.table.iloc[0]
    assert a["estimate"] == pytest.approx(-b["estimate"], abs=0.01)
    assert a["conf_low"] == pytest.approx(-b["conf_high"], abs=0.02)


def test_totals_alone_are_enough() -> None:
    bakes = pd.DataFrame(
        {
            "bake": list("abcdef"),
            "pit": ["A"] * 4 + ["B"] * 2,
            "n_items": 20,
            "n_burned": [2, 3, 12, 14, 5, 6],
        }
    )
    study = counts_study(bakes)
    own = study.bakes.assign(intake_open=[0.2, 0.2, 0.8, 0.8, 0.5, 0.5])
    study = ps.Study(**{**study.tables, "bakes": own}, settings=study.settings)
    effect = ps.estimate_setting_effect(study, "intake_open")
    assert effect.formula == "pit + pit:intake_open"
    assert effect.table["estimate"][0] > 0.2


def test_a_pit_without_places_is_told() -> None:
    study = damper_study(intake_open=[0.2, 0.8] * 5)
    items = study.items.copy()
    items["column"] = items["column"].where(~items["bake"].str.startswith("z"))
    study = ps.Study(**{**study.tables, "items": items}, settings=study.settings)
    effect = ps.estimate_setting_effect(study, "intake_open")
    assert effect.table["pit"].tolist() == ["A", "A", "B"]
    assert says(effect, "B: no bake with graded items has intake opening")


def test_one_effect_for_all_pits_is_tighter() -> None:
    study = damper_study(intake_open=[0.2, 0.8] * 5)
    effect = ps.estimate_setting_effect(study, "intake_open")
    plain = effect.table[effect.table["adjusted_for"] == ""].set_index("pit")
    width = plain["conf_high"] - plain["conf_low"]
    assert width["all"] < width[["A", "B"]].min()


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("damper_opn", "Was 'damper_open' meant"),
        ("distance", "not a setting of bakes"),
        ("flow", "not a setting of bakes"),
        ("plate", "nothing is recorded"),
    ],
)
def test_what_is_no_setting_is_refused_in_words(column: str, words: str) -> None:
    with pytest.raises(ps.DesignError, match=words):
        ps.estimate_setting_effect(ps.demo_study("four_pits"), column)


@pytest.mark.parametrize(
    ("shut", "opened", "verdict"),
    [
        ([17], [1], "cannot tell"),
        ([17], [1, 2], "cannot tell"),
        ([17, 16], [1, 2], "differs"),
        ([17], [1, 2, 1], "differs"),
    ],
)
def test_an_effect_needs_as_many_bakes_for_a_verdict_as_two_pits(
    shut: list[int], opened: list[int], verdict: str
) -> None:
    made = [(0.5, n) for n in shut] + [(1.0, n) for n in opened]
    bakes = [f"b{k}" for k in range(len(made))]
    # A pit that bakes alike every time lends A its steadiness.
    steady = [f"c{k}" for k in range(4)]
    study = ps.Study(
        settings=ps.Settings(title="T", question="Q", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": ["A", "B"]}),
        bakes=pd.DataFrame(
            {
                "bake": bakes + steady,
                "pit": ["A"] * len(bakes) + ["B"] * len(steady),
                "damper_open": [open_ for open_, _ in made] + [1.0] * len(steady),
            }
        ),
        counts=pd.DataFrame(
            {
                "bake": bakes + steady,
                "n_items": 18,
                "n_burned": [n for _, n in made] + [9] * len(steady),
            }
        ),
    )
    effect = ps.estimate_setting_effect(study, "damper_open")
    row = effect.table.set_index("pit").loc["A"]
    assert row["verdict"] == verdict
    assert np.isnan(row["p_value"]) == (verdict == "cannot tell")
    assert row["conf_high"] < 0
    told = says(effect, "gets a verdict only where three bakes or more")
    assert told == (min(len(shut), len(opened)) == 1)
