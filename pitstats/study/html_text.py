"""Text that users typed, as HTML: escaped, and names of right-to-left scripts apart."""

from __future__ import annotations

import re
from collections.abc import Iterable
from html import escape
from typing import Any

import pandas as pd

from pitstats.study.cells import changed_texts

# Hebrew, Arabic, Syriac, Thaana, N'Ko and their neighbors, with their shaped forms.
_LETTER = (
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
    "\U00010800-\U00010fff\U0001e800-\U0001efff]"
)
# Spaces, marks and digits between two such letters belong to the name.
_NAME = re.compile(rf"{_LETTER}(?:[^A-Za-z.,;:<>&()]*{_LETTER})*")


def isolated(text: str) -> str:
    """Escape a text for the inside of an element; names keep to their own place.

    Notes
    -----
    Without `<bdi>`, a name from a right-to-left script takes the numbers and signs that
    follow it along to its other side, and a sentence tells another number than it says.

    References
    ----------
    .. [1] Davis M, Lanin A, Glass A, Unicode Bidirectional Algorithm, Unicode Standard
       Annex 9, sec. 2.4 and 2.7 (isolates, and the markup that stands for them).

    Examples
    --------
    >>> isolated("<Quarry>")
    '&lt;Quarry&gt;'
    >>> isolated("\u05d0\u05d1: 3 of 18").startswith("<bdi>")
    True
    """
    return _NAME.sub(r"<bdi>\g<0></bdi>", escape(text))


def table_html(table: pd.DataFrame, number: str = "{:.3f}") -> str:
    """Write a table for a notebook; texts and headers are isolated.

    Examples
    --------
    >>> import pandas as pd
    >>> "<td>&lt;b&gt;</td>" in table_html(pd.DataFrame({"pit": ["<b>"]}))
    True
    """
    html: str = changed_texts(table, isolated).to_html(
        index=False, escape=False, border=0, na_rep="", float_format=number.format
    )
    return html


def notebook_html(
    sentence: str,
    table: pd.DataFrame,
    notes: Iterable[str] = (),
    number: str = "{:.3f}",
) -> str:
    """Write a table with what it says above and its notes below, for a notebook."""
    lines = "".join(f"<li>{isolated(note)}</li>" for note in notes)
    above = f"<p>{isolated(sentence)}</p>" if sentence else ""
    return f"{above}{table_html(table, number)}{f'<ul>{lines}</ul>' if lines else ''}"


def isolated_in_template(value: Any) -> Any:
    """Isolate the texts that a template writes (its `finalize`); the rest as it is.

    What stands in an attribute or a title goes through `forceescape` first.
    """
    from markupsafe import Markup

    if isinstance(value, str) and not isinstance(value, Markup):
        return Markup(isolated(value))
    return value
