"""Why was something not asked? Questions that this record cannot speak to."""

from __future__ import annotations

from collections.abc import Sequence

from pitstats.report.section import Section, Sentences
from pitstats.report.words import one_line, sentence


def in_one_line(sections: Sequence[Section]) -> str:
    """All questions without a record in one sentence; empty if there are none."""
    topics = list(dict.fromkeys(own.topic for own in sections if own.missing))
    return f"Beyond this record: {', '.join(topics)}." if topics else ""


def reasons(sections: Sequence[Section]) -> Section:
    """Each of them with its reason."""
    said = [
        f"{own.topic.capitalize()}: {sentence(one_line(own.missing))}"
        for own in sections
        if own.missing
    ]
    return Section(
        id="not-asked",
        question="What was not asked, and why?",
        body=[Sentences(said)],
        topic="what was not asked",
        missing="" if said else "everything was asked",
    )
