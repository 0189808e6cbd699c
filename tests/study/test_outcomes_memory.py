"""Outcomes are remembered for the next caller, and never longer than they hold."""

from dataclasses import replace

import pandas as pd

import pitstats as ps
from pitstats.study.outcomes import bake_totals, item_outcomes


def test_a_table_changed_in_place_is_counted_anew() -> None:
    study = ps.demo_study("one_bake_each")
    before = bake_totals(study)
    row = int(study.items["missing"].isna().to_numpy().argmax())
    study.items.loc[row, "missing"] = "fallen"
    after = bake_totals(study)
    assert after["n_missing"].sum() == before["n_missing"].sum() + 1
    assert item_outcomes(study).loc[row, "missing"] == "fallen"


def test_other_settings_are_counted_anew() -> None:
    study = ps.demo_study("one_bake_each")
    stricter = replace(study.settings, burned_from=study.settings.grades[2])
    other = ps.Study.from_checked(stricter, study.tables, ())
    burned = [int(bake_totals(s)["n_burned"].sum()) for s in (study, other, study)]
    assert burned[0] == burned[2] < burned[1]


def test_what_a_caller_does_to_the_frame_stays_with_him() -> None:
    study = ps.demo_study("one_bake_each")
    first = item_outcomes(study)
    kept = first.copy()
    first.loc[:, "burned"] = 9.0
    first["more"] = 1
    pd.testing.assert_frame_equal(item_outcomes(study), kept)


def test_two_studies_in_turn_do_not_mix() -> None:
    a, b = ps.demo_study("one_bake_each"), ps.demo_study("nothing_burned")
    for _ in range(2):
        assert set(bake_totals(a)["pit"]) == set(a.pits["pit"])
        assert set(bake_totals(b)["pit"]) == set(b.pits["pit"])
