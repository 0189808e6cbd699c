"""The audit: what it finds in planted mistakes, and what it leaves alone."""

import pandas as pd
import pytest

import pitstats as ps


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
