"""The audit: what it finds in planted mistakes, and what it leaves alone."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.rates.posterior import bake_posterior
from pitstats.study.demo import SimulatedPit, simulate_study
from pitstats.study.outcomes import bake_totals
from tests.analysis.planted import PLANTED, fair_study, with_items


def changed(demo: str, **columns: object) -> ps.Study:
    """A demo study with columns of bakes replaced."""
    study = ps.demo_study(demo)
    return ps.Study(
        settings=study.settings,
        pits=study.pits,
        grates=study.grates,
        bakes=study.bakes.assign(**columns),
        items=study.items,
    )


def ids(study: ps.Study) -> set[str]:
    return {finding.id for finding in ps.audit_fairness(study)}


def test_a_fair_test_has_no_spoiler() -> None:
    found = ps.audit_fairness(ps.demo_study("four_pits"))
    assert not [finding for finding in found if finding.severity == "spoils"]


def test_planted_mistakes_are_found_gravest_first() -> None:
    found = ps.audit_fairness(ps.demo_study("unfair_order"))
    assert found[0].id == "order_fixed"
    assert {"setting_damper_open", "not_blind"} <= {finding.id for finding in found}
    order = ["spoils", "weakens", "note"]
    ranks = [order.index(finding.severity) for finding in found]
    assert ranks == sorted(ranks)
    assert all(finding.fix for finding in found)


def test_an_order_is_told_only_of_pits_that_share_a_session() -> None:
    order = [("A", 1), ("C", 2)] * 2 + [("B", 1), ("D", 2)] * 2
    bakes = pd.DataFrame(order, columns=["pit", "order"]).assign(
        session=np.repeat(["1", "2", "3", "4"], 2), bake=[f"b{k}" for k in range(8)]
    )
    study = ps.Study(
        settings=ps.Settings(title="T", question="?", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": list("ABCD")}),
        bakes=bakes,
        counts=pd.DataFrame({"bake": bakes["bake"], "n_items": 16, "n_burned": 4}),
    )
    told = {f.id: f.message.partition(":")[0] for f in ps.audit_fairness(study)}
    assert told["order_fixed"] == "A and C, B and D"
    assert "A and B" in told["sessions_not_shared"]


def test_two_pits_tied_to_a_setting_are_enough() -> None:
    study = ps.demo_study("unfair_order")
    damper = study.bakes["damper_open"].copy()
    damper[study.bakes["bake"] == "Orchard-1"] = 0.4
    found = ps.audit_fairness(changed("unfair_order", damper_open=damper))
    (finding,) = [f for f in found if f.id == "setting_damper_open"]
    assert "Orchard" not in finding.message
    assert "Quarry 0.5" in finding.message


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ({"lot": ["A", "B"] * 3}, "lot_with_pit"),
        ({"tender": ["one", "two"] * 3}, "tender_with_pit"),
        ({"rotated": [True] + [False] * 5}, "rotated"),
        ({"openings": [3, 0] * 3}, "openings_differ"),
        ({"grate_temp": [365.0, 325.0] * 3}, "gauge_offset"),
        ({"blind": pd.array([pd.NA] * 6, dtype="boolean")}, "blind_unknown"),
        ({"session": [str(i) for i in range(6)]}, "sessions_not_shared"),
    ],
)
def test_each_detector_sees_its_mistake(
    columns: dict[str, object], expected: str
) -> None:
    assert expected not in ids(ps.demo_study("nothing_burned"))
    assert expected in ids(changed("nothing_burned", **columns))


def test_one_bake_each_spoils() -> None:
    (finding,) = [
        f
        for f in ps.audit_fairness(ps.demo_study("one_bake_each"))
        if f.severity == "spoils"
    ]
    assert finding.id == "one_bake_each"


def test_a_plan_is_audited_too() -> None:
    layout = ps.randomize_layout({"Oak": (3, 6), "Creek": (3, 5)}, bakes=2, seed=11)
    found = ids(layout.study)
    assert "blind_unknown" in found
    assert "order_fixed" not in found


def one(name: str, study: ps.Study) -> ps.Finding:
    (finding,) = [f for f in ps.audit_fairness(study) if f.id == name]
    return finding


def test_a_layout_of_every_other_cell_is_no_omission() -> None:
    study = fair_study()
    half = replace(study, items=study.items[study.items["column"] % 2 == 1])
    assert "cells_left_out" not in ids(half)
    pale = with_items(half, grade_top="golden", grade_bottom="golden")
    assert "cells_left_out" not in ids(pale)
    black = with_items(half, grade_top="burned", grade_bottom="burned")
    found = [f for f in ps.audit_fairness(black) if f.id == "cells_left_out"]
    assert {f.severity for f in found} == {"weakens"}
    assert "only 9 of 18 cells" in found[0].message
    assert "every item on record is burned" in found[0].message


def test_the_face_that_decides_is_named_when_only_another_was_graded() -> None:
    study = PLANTED["the deciding face was not graded"][2]()
    message = one("face_not_graded", study).message
    assert "in 162 of 162 items the top has no grade" in message
    assert "(the bottom)" in message
    # Not blamed twice, as items that were lost.
    assert "items_missing" not in ids(study)


@pytest.mark.parametrize(("n_lost", "verb"), [(1, "has"), (2, "have")])
def test_one_item_has_no_grade_and_two_have_none(n_lost: int, verb: str) -> None:
    demo = ps.demo_study("one_bake_each")
    n_items = len(demo.items)
    lost = ["fallen"] * n_lost + [None] * (n_items - n_lost)
    study = replace(demo, items=demo.items.assign(missing=lost))
    message = one("items_missing", study).message
    share = f"{100 * n_lost / n_items:.0f}%"
    assert message == f"{n_lost} of {n_items} items ({share}) {verb} no grade."


def test_one_bake_of_totals_changes_what_is_advised() -> None:
    study = PLANTED["different places, one bake of totals"][2]()
    with_places = PLANTED["different places"][2]()
    assert one("layouts_differ", with_places).fix.startswith("Read the comparison on")
    assert "places of every bake" in one("layouts_differ", study).fix
    assert "Quarry-1" in one("totals_only", study).message


def test_a_gauge_offset_is_put_as_a_factor_of_browning_speed() -> None:
    # 25 degrees F are 13.9 K; a tenfold step of 35 K (25 to 60) makes 10^(13.9/35), or
    # 2.5 (1.7 to 3.6).
    study = fair_study(temperature_rule="same indicated")
    bakes = study.bakes.assign(
        indicated_temp=325.0, grate_temp=[325.0, 350.0, 325.0] * 3
    )
    message = one("gauge_offset", replace(study, bakes=bakes)).message
    assert "25 °F" in message
    assert ": worth a factor of about 2.5 in browning speed (1.7 to 3.6, by" in message
    # Matched at the grate, the pits were as hot: only their gauges differ.
    at_grate = replace(study.settings, temperature_rule="same grate")
    found = one("gauge_offset", replace(study, bakes=bakes, settings=at_grate))
    assert ": at one reading of the gauges it would be worth a factor" in found.message
    assert found.fix == "Pass on grate temperatures, not readings of the gauges."


def test_gauges_are_read_from_probes_where_bakes_have_no_means() -> None:
    study = fair_study(pits=2, bakes=2, temperature_rule="same indicated")
    bakes = study.bakes.assign(indicated_temp=None, grate_temp=None)
    probes = pd.DataFrame(
        [
            (bake, probe, minute, 325.0 + (30.0 if off else 0.0))
            for bake in bakes["bake"]
            for probe, off in (("lid", False), ("mid", bake.startswith("Ferry")))
            for minute in (0, 10)
        ],
        columns=["bake", "probe", "minute", "temp"],
    )
    assert (
        "30 °F"
        in one("gauge_offset", replace(study, bakes=bakes, probes=probes)).message
    )


def test_the_audit_and_the_gauges_speak_of_one_gap() -> None:
    study = ps.demo_study("probed_pits")
    bias = ps.compare_gauges(study).table.set_index("pit")["bias"]
    message = one("gauge_offset", study).message
    assert f"by {bias.max() - bias.min():.0f} °F" in message
    for pit, offset in bias.items():
        assert f"{pit} {-offset:+.0f}".replace("-", "\N{MINUS SIGN}") in message


def test_loading_is_judged_within_bakes_and_beside_the_distance() -> None:
    fair = fair_study(bakes=5)
    assert not {"load_with_place", "load_with_grade"} & ids(fair)
    # From the near end and from the far end in turn: no place is always first.
    late = 3 * (fair.items["column"] - 1) + fair.items["row"]
    turn = fair.items["bake"].str[-1].astype(int) % 2 == 0
    turned = with_items(fair, load_rank=late.where(turn, 19 - late))
    assert "load_with_place" not in ids(turned)


def test_settings_named_by_the_rule_are_no_unfairness() -> None:
    study = fair_study(temperature_rule="tuned")
    damper = study.bakes["pit"].map({"Quarry": 1, "Ferry": 0.5, "Orchard": 1})
    found = one(
        "setting_damper_open",
        replace(study, bakes=study.bakes.assign(damper_open=damper)),
    )
    assert found.severity == "note"


def test_a_grate_temperature_from_probes_is_recorded() -> None:
    study = ps.demo_study("probed_pits")
    without = replace(study, bakes=study.bakes.assign(grate_temp=float("nan")))
    message = one("not_recorded", without).message
    assert "grate temperature" not in message
    # Lid gauges alone tell nothing about the grate, nor do probes of one pit.
    lid = study.probes["probe"].eq("lid")
    ferry = study.probes["bake"].str.startswith("Ferry")
    for probes in (study.probes[lid], study.probes[lid | ferry]):
        message = one("not_recorded", replace(without, probes=probes)).message
        assert "grate temperature" in message


@pytest.mark.parametrize("status", [["planned", "planned"], ["excluded", "planned"]])
def test_a_reason_beside_a_planned_bake_does_not_stop_the_audit(
    status: list[str],
) -> None:
    demo = ps.demo_study("one_bake_each")
    results = ["grade_top", "grade_bottom", "grade_side", "burned", "missing"]
    study = replace(
        demo,
        bakes=demo.bakes.assign(status=status, reason=["door open", "waits for wood"]),
        items=demo.items.assign(**dict.fromkeys(results)),
    )
    plain = replace(study, bakes=study.bakes.assign(reason=["door open", None]))
    assert ids(study) == ids(plain)


def test_what_items_of_many_bakes_are_worth_is_what_the_posterior_says() -> None:
    pits = [
        SimulatedPit(pit=name, rate=0.35, grates={"main": (3, 5)})
        for name in ("A", "B")
    ]
    made = simulate_study(pits, bakes=110, sd_bake=1.0, rng=np.random.default_rng(2))
    (finding,) = [
        f for f in ps.audit_fairness(made.study) if f.id == "items_share_fire"
    ]
    counts = re.findall(r"[AB]: 1650 items like (\d+)", finding.message)
    exact = bake_posterior(bake_totals(made.study), 0.95).effective_items
    np.testing.assert_allclose(np.array(counts, dtype=float), exact, rtol=0.15)


def test_a_pit_of_which_nothing_was_graded_makes_no_pair() -> None:
    study = fair_study()
    pit_of = study.items["bake"].map(study.bakes.set_index("bake")["pit"])
    lost = pit_of.eq("Orchard")
    items = study.items.assign(missing=study.items["missing"].mask(lost, "lost"))
    for face in ("grade_top", "grade_bottom"):
        items[face] = items[face].mask(lost)
    assert "many_pits" in ids(study)
    assert "many_pits" not in ids(replace(study, items=items))
