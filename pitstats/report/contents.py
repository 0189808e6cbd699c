"""The list of sections of a page, closed until somebody opens it."""

from __future__ import annotations

import re
from html import unescape
from urllib.parse import quote

# As nbconvert writes the headings of Markdown cells.
_HEADING = re.compile(
    r'<h2 id="([^"]*)">((?:(?!</h2>).)*?)<a class="anchor-link"', re.DOTALL
)
_FEWEST = 4


def with_contents(page: str) -> str:
    """Put a list of its sections before the first section of a page.

    Parameters
    ----------
    page : str
        HTML as nbconvert writes it.

    Returns
    -------
    str
        The same page, with the list if there are four sections or more.

    Examples
    --------
    >>> heads = [f'<h2 id="No.-{i}">No. {i}<a class="anchor-link"' for i in range(4)]
    >>> with_contents("".join(heads)).count("<li>")
    4
    >>> with_contents(heads[0]) == heads[0]
    True
    """
    found = list(_HEADING.finditer(page))
    if len(found) < _FEWEST:
        return page
    items = "\n".join(
        f'<li><a href="#{quote(unescape(heading[1]))}">{heading[2]}</a></li>'
        for heading in found
    )
    start = found[0].start()
    contents = (
        '<nav class="contents" aria-label="Sections of this page"><details>\n'
        f"<summary>{len(found)} sections on this page</summary>\n"
        f"<ul>\n{items}\n</ul></details></nav>\n"
    )
    return f"{page[:start]}{contents}{page[start:]}"
