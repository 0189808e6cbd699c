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
    missing: dict[str, str] = {}
    for own in sections:
        # Sections about one topic lack one thing; the fullest reason says what to do.
        if len(own.missing) > len(missing.get(own.topic, "")):
            missing[own.topic] = own.missing
    if not missing:
        raise DesignError("everything was asked")
    yield ""
    yield Sentences(
        [
            f"{topic.capitalize()}: {sentence(one_line(reason))}"
            for topic, reason in missing.items()
        ]
    )
