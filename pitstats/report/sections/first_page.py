"""The first page: what a reader of nothing else takes away."""

from __future__ import annotations

from collections.abc import Sequence

from pitstats.report.section import (
    Callout,
    FirstPage,
    Heading,
    Links,
    Part,
    Picture,
    Pictures,
    Questions,
    ResultFiles,
    Section,
    Sentences,
    Text,
    Title,
)
from pitstats.report.sections.answer import answer, doubt_lines, number, picture
from pitstats.report.sections.limits import QUESTION as LIMITS
from pitstats.report.sections.limits import in_short as limits
from pitstats.report.sections.maps import picture as maps_picture
from pitstats.report.sections.not_asked import in_one_line
from pitstats.report.study_results import StudyResults
from pitstats.report.words import one_line

NEXT = "What to do next"


def first_page(results: StudyResults, sections: Sequence[Section]) -> FirstPage:
    """Answer, pictures, limits, next step, and every other question in a line."""
    settings = results.study.settings
    pictures = [picture(results), maps_picture(results)]
    body: list[Part] = [
        Title(settings.title, settings.question),
        Text(answer(results), "answer"),
    ]
    lines = [("", text) for text in doubt_lines(results)]
    if lines:
        body.append(Callout("May spoil the comparison", lines, "spoils"))
    body += [
        number(results),
        Pictures([own for own in pictures if own is not None]),
        Heading(LIMITS),
        Sentences(limits(results)),
        Heading(NEXT),
        Text(one_line(results.next_step.sentence)),
        *every_question(sections, in_lines=not results.comparison.one_bake_each),
    ]
    if results.as_packed:
        body.append(ResultFiles(results.files))
    return FirstPage(body)


def short_page(
    title: tuple[str, str],
    answer: str,
    body: Sequence[Part],
    unknown: Sequence[str],
    sections: Sequence[Section] = (),
    *,
    next_step: str = "",
) -> FirstPage:
    """First page of a notebook that compares no pits: answer, limits, questions."""
    shown = [Pictures([own]) if isinstance(own, Picture) else own for own in body]
    return FirstPage(
        [
            *(Title(*title), Text(answer, "answer"), *shown),
            *(Heading("What cannot be said"), Sentences(unknown)),
            *(Heading(NEXT * bool(next_step)), Text(next_step)),
            *every_question(sections),
        ]
    )


def every_question(sections: Sequence[Section], *, in_lines: bool = True) -> list[Part]:
    """Every other question in a line, and what stands further down beside them.

    Where the record can hardly answer any (one bake each), their names alone.
    """
    asked = [own for own in sections if own.answer and not own.missing]
    others = [own for own in sections if own.topic and not (own.answer or own.missing)]
    answers: Part = Questions(asked)
    if not in_lines:
        answers = Links("Further down:", asked)
    return [
        Heading("Every other question" * bool(asked or others)),
        answers,
        Links("Also on this page:", others),
        Text(in_one_line(sections), "note"),
    ]
