"""The gate that every sentence about a result passes.

In a report the gate is open: it returns the text it is given and looks at nothing.
Inside `strict`, which the tests of the sentences switch on, it reads the text and
raises where a word claims more than bakes can show. What users typed, such as the name
of a pit, is exempt; cautions, definitions and descriptions of methods do not pass here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import ParamSpec, TypeVar

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
    "certain": r"certain(?:ly|ty)?|definite\w*|undoubted\w*|guarantee\w*|conclusive\w*",
    "better or worse pit": (
        r"(?:better|worse|best|worst|superior|inferior|winning|losing) "
        r"(?:pits?|smokers?)|winner|loser"
    ),
    "because of the pit": r"(?:because of|due to|caused by|thanks to) the pits?",
}
"""What no sentence about a result may say, each as a regular expression."""

_PATTERNS = {
    name: re.compile(rf"\b(?:{pattern})\b", re.IGNORECASE)
    for name, pattern in OVERCLAIMS.items()
}

# Texts typed by users since the gate was closed; None while it is open.
_typed: set[str] | None = None


class OverclaimError(AssertionError):
    """A sentence about a result claims more than its evidence; raised in tests only."""


def overclaims(text: str, typed: frozenset[str] = frozenset()) -> list[str]:
    """List what a text claims that no number of bakes could show.

    Parameters
    ----------
    text : str
        A sentence about a result.
    typed : frozenset of str
        Users' own texts, which are exempt.

    Returns
    -------
    list of str
        Names of `OVERCLAIMS`; empty if there are none.

    Examples
    --------
    >>> overclaims("Ferry never burns.")
    ['never']
    >>> overclaims("Never again burned none of 12 items.", frozenset({"Never again"}))
    []
    """
    # Longest first: one name may be part of another.
    for own in sorted(filter(None, typed), key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(own)}(?!\w)", "\N{BULLET}", text)
    return [name for name, pattern in _PATTERNS.items() if pattern.search(text)]


def sentence(text: str) -> str:
    """Let a sentence about a result pass.

    Parameters
    ----------
    text : str
        One or more sentences.

    Returns
    -------
    str
        The text, unchanged.

    Raises
    ------
    OverclaimError
        Inside `strict` only, if the text claims too much.
    """
    if _typed is not None:
        found = overclaims(text, frozenset(_typed))
        if found:
            raise OverclaimError(f"{', '.join(found)}: {text}")
    return text


Arguments = ParamSpec("Arguments")
Words = TypeVar("Words", bound=str | list[str])


def passes(words: Callable[Arguments, Words]) -> Callable[Arguments, Words]:
    """Let everything that a function says about a result pass; for use as a decorator.

    Parameters
    ----------
    words : callable
        Returns a sentence, or a list of them.

    Returns
    -------
    callable
        Returns the same.

    Examples
    --------
    >>> @passes
    ... def order(pits: list[str]) -> str:
    ...     return f"{pits[0]} always burns most."
    >>> with strict():
    ...     order(["Q"])
    Traceback (most recent call last):
    ...
    pitstats.report.wording.guard.OverclaimError: always: Q always burns most.
    """

    @wraps(words)
    def say(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Words:
        said = words(*args, **kwargs)
        for text in [said] if isinstance(said, str) else said:
            sentence(text)
        return said

    return say


def typed_by_user(text: str) -> str:
    """Return a user's text; inside `strict` it is remembered as such."""
    if _typed is not None:
        _typed.add(text)
    return text


@contextmanager
def strict() -> Iterator[None]:
    """Read every sentence about a result inside this block.

    Examples
    --------
    >>> with strict():
    ...     sentence("Quarry always burns.")
    Traceback (most recent call last):
    ...
    pitstats.report.wording.guard.OverclaimError: always: Quarry always burns.
    """
    global _typed
    before, _typed = _typed, set()
    try:
        yield
    finally:
        _typed = before
