"""Whatever is said of a study is held to the level of the present look."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

import pitstats as ps


def looked_at_often(name: str) -> ps.Study:
    study = ps.demo_study(name)
    return replace(study, settings=replace(study.settings, looks_taken=(2, 3)))


@pytest.mark.parametrize(
    ("analysis", "name"),
    [
        (ps.estimate_burn_rates, "four_pits"),
        (ps.compare_grades, "four_pits"),
        (ps.compare_evenness, "four_pits"),
        (ps.compare_faces, "four_pits"),
        (ps.map_patterns, "four_pits"),
        (ps.estimate_usable_area, "four_pits"),
        (ps.compare_temperatures, "probed_pits"),
        (ps.compare_rise, "probed_pits"),
        (ps.compare_settings, "moved_damper"),
    ],
)
def test_every_verdict_of_a_look_has_its_level(
    analysis: Callable[..., Any], name: str
) -> None:
    study = looked_at_often(name)
    level = ps.compare_pits(study).conf_level
    assert level > study.settings.conf_level
    assert analysis(study).conf_level == level
    assert analysis(study, conf_level=0.9).conf_level == 0.9
    assert analysis(ps.demo_study(name)).conf_level == study.settings.conf_level
