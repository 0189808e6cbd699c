"""A page of a notebook or report: shows sections, and keeps copies of what they show.

The same calls serve JupyterLab, where things are only shown, and a rendered report,
where every figure is also kept as PNG and SVG and every table as CSV.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Iterable
from functools import cache, singledispatchmethod
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.report import section
from pitstats.report.made_files import MadeFiles
from pitstats.study.csv_text import harmless_frame
from pitstats.study.html_text import isolated, isolated_in_template

_TEMPLATES = Path(__file__).parent / "template"
# Characters up to which a cell of a table stays on one line: verdicts, no intervals.
_SHORT_CELL = 12


class Page:
    """Show sections one after the other, and keep copies where a folder is given.

    Parameters
    ----------
    folder : path-like or None
        Where ``figures/`` and ``tables/`` go. None or an empty text: show only.
    about : str, default ""
        What the page is about. Files that an earlier page about the same made in this
        folder are replaced; `pitstats.json` beside them lists them.

    Raises
    ------
    ExistsError
        If the folder holds other figures or tables; nothing is written then.

    Examples
    --------
    >>> import pitstats as ps
    >>> results = ps.StudyResults(ps.demo_study("one_bake_each"))
    >>> ps.Page().html(ps.ask.pairs(results)).startswith('<section id="pairs"')
    True
    """

    def __init__(self, folder: str | Path | None = None, about: str = "") -> None:
        self._made = MadeFiles(Path(folder), about) if folder else None

    def show(self, shown: section.Section | section.FirstPage) -> None:
        """Show a section, or nothing where the record has nothing to say to it.

        Parameters
        ----------
        shown : Section or FirstPage
            As the functions of ``ps.ask`` and ``ps.pages`` return them.
        """
        from IPython.display import display

        html = self.html(shown)
        if html:
            data = {"text/html": html, "text/plain": _plain(shown)}
            display(data, raw=True)  # type: ignore[no-untyped-call]

    def html(self, shown: section.Section | section.FirstPage) -> str:
        """Write a section as HTML and keep its figures and tables.

        Parameters
        ----------
        shown : Section or FirstPage
            What to write.

        Returns
        -------
        str
            Whatever users typed is escaped in it. Empty without anything to say.
        """
        if isinstance(shown, section.FirstPage):
            return f'<div class="first">{self._all(shown.body)}</div>'
        if shown.missing:
            return ""
        answer = (
            f'<p class="answer">{isolated(shown.answer)}</p>' if shown.answer else ""
        )
        return (
            f'<section id="{escape(shown.id)}"><h3>{isolated(shown.question)}</h3>'
            f"{answer}{self._all(shown.body)}</section>"
        )

    def _all(self, parts: Iterable[section.Part]) -> str:
        return "\n".join(self._part(part) for part in parts)

    @singledispatchmethod
    def _part(self, part: object) -> str:
        raise TypeError(f"A page cannot show {type(part).__name__}.")

    @_part.register
    def _(self, part: section.Text) -> str:
        if not part.text:
            return ""
        kind = "" if part.kind == "text" else f' class="{part.kind}"'
        return f"<p{kind}>{isolated(part.text)}</p>"

    @_part.register
    def _(self, part: section.Sentences) -> str:
        items = "".join(f"<li>{isolated(own)}</li>" for own in part.sentences if own)
        return f"<ul>{items}</ul>" if items else ""

    @_part.register
    def _(self, part: section.Heading) -> str:
        return f"<h2>{isolated(part.text)}</h2>" if part.text else ""

    @_part.register
    def _(self, part: section.Title) -> str:
        question = f'<p class="kicker">{isolated(part.question)}</p>'
        return f"<h1>{isolated(part.title)}</h1>{question}"

    @_part.register
    def _(self, part: section.Number) -> str:
        # Paragraphs: JupyterLab, which has no style of ours, keeps them apart too.
        lines = "".join(f"<p>{isolated(line)}</p>" for line in part.lines)
        number = f"<p><strong>{isolated(part.number)}</strong></p>"
        return f'<div class="number">{number}{lines}</div>'

    @_part.register
    def _(self, part: section.Callout) -> str:
        lines = "".join(
            f"<p>{f'<strong>{isolated(label)}</strong> ' if label else ''}"
            f"{isolated(text)}</p>"
            for label, text in part.lines
        )
        heading = f"<b>{isolated(part.heading)}</b>" if part.heading else ""
        return f'<div class="finding {part.kind}">{heading}{lines}</div>'

    @_part.register
    def _(self, part: section.Questions) -> str:
        rows = "".join(
            f'<li><a href="#{escape(own.id)}">{isolated(own.question)}</a> '
            f"{isolated(own.answer)}</li>"
            for own in part.sections
        )
        return f'<ul class="questions">{rows}</ul>' if rows else ""

    @_part.register
    def _(self, part: section.Links) -> str:
        links = ", ".join(
            f'<a href="#{escape(own.id)}">{isolated(own.topic or own.question)}</a>'
            for own in part.sections
        )
        return f'<p class="note">{isolated(part.lead)} {links}.</p>' if links else ""

    @_part.register
    def _(self, part: section.Kept) -> str:
        if self._made is not None and len(part.values):
            text = harmless_frame(part.values).to_csv(index=False)
            self._made.keep("tables", {f"{part.name}.csv": text.encode("utf-8")})
        return ""

    @_part.register
    def _(self, part: section.ResultFiles) -> str:
        if self._made is not None:
            self._made.keep("results", part.made())
        return ""

    @_part.register
    def _(self, part: section.Table) -> str:
        values = part.shown if part.values is None else part.values
        self._part(section.Kept(part.name, values))
        return table_html(part.shown, part.caption) if len(part.shown) else ""

    @_part.register
    def _(self, part: section.Photograph) -> str:
        return part.html

    @_part.register
    def _(self, part: section.Pictures) -> str:
        pictures = self._all(part.pictures)
        return f'<div class="pictures">{pictures}</div>' if pictures else ""

    @_part.register
    def _(self, part: section.Picture) -> str:
        from pitstats.figures.printing import print_figure

        printed = print_figure(part.draw(), svg=self._made is not None)
        if self._made is not None and printed.svg is not None:
            files = {f"{part.name}.png": printed.png, f"{part.name}.svg": printed.svg}
            self._made.keep("figures", files)
        code = b64encode(printed.png).decode("ascii")
        caption = f"<figcaption>{isolated(part.caption)}</figcaption>"
        figure = (
            f'<figure><img src="data:image/png;base64,{code}" alt="{escape(part.alt)}">'
            f"{caption if part.caption else ''}</figure>"
        )
        if not part.beside:
            return figure
        return f'<div class="beside">{figure}<div>{part.beside}</div></div>'


def _plain(shown: section.Section | section.FirstPage) -> str:
    """What a place that shows no HTML gets: the question and its answer."""
    if isinstance(shown, section.Section):
        return f"{shown.question}\n{shown.answer}".strip()
    return "\n".join(part.text for part in shown.body if isinstance(part, section.Text))


def table_html(frame: pd.DataFrame, caption: str) -> str:
    """Turn a frame into an HTML table with a caption and header scopes.

    Cells are escaped; each carries its column's name, which a narrow screen shows
    beside it when rows are stacked. The first column becomes row headers.
    """
    kinds = [
        "number" if pd.api.types.is_numeric_dtype(frame[name]) else "text"
        for name in frame.columns
    ]
    return str(
        _table_template()(
            caption=caption,
            columns=list(zip(frame.columns, kinds, strict=True)),
            rows=frame.itertuples(index=False, name=None),
            short=_SHORT_CELL,
        )
    )


@cache
def _table_template() -> Callable[..., Any]:
    from jinja2 import Environment, FileSystemLoader

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        finalize=isolated_in_template,
    )
    render: Callable[..., Any] = environment.get_template("table.html.j2").render
    return render
