"""A section of a page as data: one question, its answer, and what it shows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, wraps
from typing import TYPE_CHECKING, Literal, ParamSpec, TypeAlias, cast

import pandas as pd

from pitstats.errors import ArgumentError, DesignError

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Part:
    """Something that a page shows, or keeps beside it."""


@dataclass(frozen=True)
class Text(Part):
    """A paragraph; a note is set smaller, one without words is not shown."""

    text: str
    kind: Literal["text", "note", "answer", "kicker"] = "text"


@dataclass(frozen=True)
class Sentences(Part):
    """Sentences as a list; those without words are left out."""

    sentences: Sequence[str]


@dataclass(frozen=True, eq=False)
class Table(Part):
    """A table for the reader, and its unrounded numbers; not shown without rows."""

    name: str
    shown: pd.DataFrame
    caption: str
    values: pd.DataFrame | None = None


@dataclass(frozen=True, eq=False)
class Kept(Part):
    """Numbers behind a sentence or picture: kept as CSV, not shown."""

    name: str
    values: pd.DataFrame


@dataclass(frozen=True, eq=False)
class ResultFiles(Part):
    """Results as a package carries them: kept as files beside a page, not shown."""

    made: Callable[[], Mapping[str, bytes]]


@dataclass(frozen=True)
class Picture(Part):
    """A figure that is drawn when it is shown, and what is said about it.

    ``beside`` is HTML, safe already, to stand beside the figure where there is room.
    """

    name: str
    draw: Callable[[], Figure]
    alt: str
    caption: str = ""
    beside: str = ""


@dataclass(frozen=True)
class Photograph(Part):
    """HTML of a photograph, safe already."""

    html: str


@dataclass(frozen=True)
class Callout(Part):
    """Something set apart: a heading, and lines that may begin with a label."""

    heading: str
    lines: Sequence[tuple[str, str]]
    kind: Literal["spoils", "weakens", "note", "caution"] = "note"


@dataclass(frozen=True)
class Heading(Part):
    """A heading within a first page."""

    text: str


@dataclass(frozen=True)
class Title(Part):
    """What the page is about."""

    title: str
    question: str


@dataclass(frozen=True)
class Number(Part):
    """The number of the first page, what it is, and how firm it is."""

    number: str
    lines: Sequence[str]


@dataclass(frozen=True)
class Pictures(Part):
    """Pictures side by side where there is room."""

    pictures: Sequence[Picture]


@dataclass(frozen=True)
class Questions(Part):
    """Questions with their answers in a sentence; each links to its section."""

    sections: Sequence[Section]


@dataclass(frozen=True)
class Links(Part):
    """Sections that answer no question, by name."""

    lead: str
    sections: Sequence[Section]


@dataclass(frozen=True, kw_only=True)
class Section:
    """One question, answered from one study.

    Attributes
    ----------
    id : str
        Anchor on the page; unique, lower case.
    question : str
        Heading of the section, and its line on the first page.
    answer : str
        One sentence. Empty for a section that documents and answers nothing.
    body : iterable of Part
        What is shown, in order.
    topic : str
        What it is about in a word or two, for the line of what was not recorded.
    missing : str
        Why there is nothing to say; empty where there is.
    """

    id: str
    question: str
    answer: str = ""
    body: Iterable[Part] = ()
    topic: str = ""
    missing: str = ""


@dataclass(frozen=True)
class FirstPage:
    """What stands on top of a page and is useful alone."""

    body: Sequence[Part]


class _Body:
    """Parts of a section, made when they are first shown and then kept."""

    def __init__(self, parts: Iterator[Part]) -> None:
        self._parts = parts

    @cached_property
    def _made(self) -> tuple[Part, ...]:
        return tuple(self._parts)

    def __iter__(self) -> Iterator[Part]:
        """Make them, if this was not done before."""
        return iter(self._made)


Asked = ParamSpec("Asked")
Answered: TypeAlias = Iterator[str | Part]


def asks(
    id: str, topic: str, question: str, *, unrecorded: str = ""
) -> Callable[[Callable[Asked, Answered]], Callable[Asked, Section]]:
    """Make a section of a function that yields its answer, then the parts of its body.

    What stands behind the answer is worked out when the section is shown: an answer
    alone costs no picture. A `DesignError` before it says why the record has nothing to
    say, unless it is about what was asked; ``unrecorded`` is the topic then, where it
    is another. A section that documents and answers nothing yields an empty answer.
    """

    def made(answered: Callable[Asked, Answered]) -> Callable[Asked, Section]:
        @wraps(answered)
        def section(*args: Asked.args, **kwargs: Asked.kwargs) -> Section:
            parts = answered(*args, **kwargs)
            try:
                answer = next(parts)
            except ArgumentError:
                raise
            except DesignError as reason:
                about, why = unrecorded or topic, str(reason)
                return Section(id=id, question=question, topic=about, missing=why)
            assert isinstance(answer, str), f"{id} does not begin with its answer"
            # After the answer come parts; a page refuses anything else.
            body = _Body(cast("Iterator[Part]", parts))
            return Section(
                id=id, question=question, answer=answer, body=body, topic=topic
            )

        return section

    return made
