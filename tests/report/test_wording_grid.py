"""Zones are told as far as the bakes show them."""

import re

import pytest

import pitstats as ps
from pitstats.analysis.places.end_counts import count_ends
from pitstats.report.wording import evenness as evenness_wording


@pytest.mark.parametrize(
    ("demo", "allowed", "forbidden"),
    [
        ("unequal_layouts", "repeatably hotter near the firebox", "always|never"),
        (
            "one_bake_each",
            "estimated from this bake",
            "repeatabl|in these conditions|hotter",
        ),
    ],
)
def test_zones_are_told_by_their_bakes(demo: str, allowed: str, forbidden: str) -> None:
    study = ps.demo_study(demo)
    evenness = ps.compare_evenness(study)
    made = [
        *evenness_wording.evenness_sentences(evenness),
        *evenness_wording.zone_sentences(evenness, count_ends(study)),
    ]
    assert any(re.search(allowed, text) for text in made)
    assert [text for text in made if re.search(forbidden, text)] == []
