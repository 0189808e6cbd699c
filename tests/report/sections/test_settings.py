"""What settings did is told in a cook's words, not in names of columns."""

import re

import pytest

import pitstats as ps
from pitstats.report.section import Sentences, Text
from tests.report.studies import results_of


@pytest.mark.parametrize("name", ["moved_damper", "four_pits"])
def test_settings_are_named_in_words(name: str) -> None:
    section = ps.ask.settings(results_of(name))
    told = [section.answer]
    for part in section.body:
        told += list(part.sentences) if isinstance(part, Sentences) else []
        told += [part.text] if isinstance(part, Text) else []
    assert any("damper opening" in text.lower() for text in told)
    assert not [text for text in told if re.search(r"_(open|temp)|\blooks?\b", text)]


def test_estimates_that_show_nothing_are_counted() -> None:
    answer = ps.ask.settings(results_of("moved_damper")).answer
    assert answer == "Of two estimates of what settings did, neither shows an effect."
