"""What no sentence about a result may say or look like, whatever the evidence."""

import re
from collections.abc import Iterable, Iterator

import pitstats as ps
from pitstats.report.section import (
    Callout,
    FirstPage,
    Number,
    Picture,
    Pictures,
    Section,
    Sentences,
    Table,
    Text,
)

OVERCLAIMS: dict[str, str] = {
    "significant": r"(?:in)?significan\w*",
    "never": r"never",
    "always": r"always",
    "identical": r"identical\w*",
    "prove": r"(?:dis)?prov(?:e|es|ed|en|ing|ably)|proofs?",
    "the same, as a claim": (
        r"(?:is|are|was|were|be|burn|burns|burned|bake|bakes|baked)"
        r"(?: all| about| exactly| just| equally| much)* the same|"
        r"equally (?:good|even|hot)|no difference at all|no difference between"
    ),
    "an open question, as a claim": r"none of [\w-]+ pairs differ|where they differ",
    "certain": r"certain(?:ly|ty)?|definite\w*|undoubted\w*|guarantee\w*|conclusive\w*",
    "better or worse pit": (
        r"(?:better|worse|best|worst|superior|inferior|winning|losing) "
        r"(?:pits?|smokers?)|winner|loser"
    ),
    "because of the pit": r"(?:because of|due to|caused by|thanks to) the pits?",
}
_PATTERNS = {
    name: re.compile(rf"\b(?:{pattern})\b", re.IGNORECASE)
    for name, pattern in OVERCLAIMS.items()
}

_NOUNS = (
    "bake|item|cell|pair|pit|probe|session|remark|finding|note|sentence|set|rule|"
    "grader|day"
)
_WRONG_NUMBER = re.compile(
    rf"(?<![\d.,])\b(?:one|1) (?:{_NOUNS}|point|degree)s\b"
    rf"|\b(?:two|three|four|five|six|seven|eight|nine|ten|\d*[2-9]) (?:{_NOUNS})\b"
    r"(?!'|-)|\b(?:one|1) studies\b|\b(?:two|three|four|\d*[2-9]) study\b"
)


def overclaims(text: str, typed: Iterable[str] = ()) -> list[str]:
    """Names of the claims in a text; what users typed is exempt."""
    # Longest first: one name may be part of another.
    for own in sorted(filter(None, typed), key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(own)}(?!\w)", "\N{BULLET}", text)
    return [name for name, pattern in _PATTERNS.items() if pattern.search(text)]


def typed_in(study: ps.Study) -> set[str]:
    """Everything that somebody typed into a study, on one line."""
    frames = (study.pits, study.grates, study.bakes, study.items)
    cells = [
        str(value)
        for frame in frames
        for name in frame.columns
        if frame[name].dtype == object or str(frame[name].dtype).startswith("str")
        for value in frame[name].dropna().unique()
    ]
    settings = study.settings
    cells += [settings.title, settings.question, settings.stop_rule, *settings.grades]
    return {" ".join(cell.split()) for cell in cells}


def said(shown: Section | FirstPage, *, notes: bool = False) -> Iterator[str]:
    """Texts of a section that a reader reads as prose, the answer first.

    Notes define and describe how numbers were made; captions and alternative texts of
    pictures are about results.
    """
    if isinstance(shown, Section):
        yield shown.answer
    for part in shown.body:
        match part:
            case Text(text, kind) if notes or kind != "note":
                yield text
            case Sentences(sentences):
                yield from sentences
            case Number(number, lines):
                yield from (number, *lines)
            case Callout(_, lines):
                yield from (text for _, text in lines)
            case Picture():
                yield from (part.alt, part.caption)
            case Pictures(pictures):
                yield from (text for own in pictures for text in (own.alt, own.caption))
            case Table(_, _, caption):
                yield caption
            case _:
                pass


def sentences_of(text: str) -> list[str]:
    """Split prose at full stops that end a sentence."""
    return [own for own in re.split(r"(?<=[.?!;])\s+(?=[A-Z'])", text) if own]


def unplain(text: str, most: int = 45) -> list[str]:
    """Nouns in the wrong number, and sentences of more than so many words."""
    found = [own[0] for own in _WRONG_NUMBER.finditer(text)]
    return found + [own for own in sentences_of(text) if len(own.split()) > most]
