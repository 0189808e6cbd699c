"""Why was something not asked? Questions that this record cannot speak to."""

from __future__ import annotations

from collections.abc import Sequence

from pitstats.errors import DesignError
from pitstats.report.section import Answered, Section, Sentences, asks
from pitstats.report.words import one_line, sentence


def in_one_line(sections: Sequence[Section]) -> str:
    """All questions without a record in one sentence; empty if there are none."""
    topics = list(dict.fromkeys(own.topic for own in sections if own.missing))
    return f"Beyond this record: {', '.join(topics)}." if topics else ""


@asks("not-asked", "what was not asked", "What was not asked, and why?")
def reasons(sections: Sequence[Section]) -> Answered:
    """Each of them with its reason."""
    said = [
        f"{own.topic.capitalize()}: {sentence(one_line(own.missing))}"
        for own in sections
        if own.missing
    ]
    if not said:
        raise DesignError("everything was asked")
    yield ""
    yield Sentences(said)
