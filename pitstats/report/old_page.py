"""One page of a report: shows sentences, tables and figures, and keeps copies of them.

The same calls serve JupyterLab, where things are only shown, and a rendered report,
where every figure is also kept as PNG and SVG and every table as CSV.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple

import pandas as pd

from pitstats.analysis.fairness import Finding
from pitstats.report.drawing import Drawing, Shown
from pitstats.report.made_files import MadeFiles
from pitstats.report.page import table_html
from pitstats.report.sections.fairness import (
    HEADINGS,
    findings_by_weight,
    findings_text,
)
from pitstats.study.csv_text import harmless_frame
from pitstats.study.html_text import isolated

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Kind = Literal["answer", "text", "note", "kicker"]

_TAG: dict[str, tuple[str, str]] = {
    "answer": ('<p class="answer">', "</p>"),
    "text": ("<p>", "</p>"),
    "note": ('<p class="note">', "</p>"),
    "kicker": ('<p class="kicker">', "</p>"),
}


class Picture(NamedTuple):
    """A figure that is not drawn yet, and what is said about it; see `Page.figure`."""

    name: str
    draw: Callable[[], Figure]
    alt: str
    caption: str = ""
    beside: str = ""


class Page:
    """Show results one after the other, and keep copies where a folder is given.

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
    """

    def __init__(self, folder: str | Path | None = None, about: str = "") -> None:
        self._folder = Path(folder) if folder else None
        self._made: MadeFiles | None = None
        if self._folder is not None:
            self._made = MadeFiles(self._folder, about)

    def html(self, html: str, plain: str) -> None:
        """Show HTML that is safe already, and what stands for it as text."""
        _display_html(html, plain)

    def say(self, text: str, kind: Kind = "text") -> None:
        """Show a sentence; whatever it contains is shown as text."""
        start, end = _TAG[kind]
        _display_html(f"{start}{isolated(text)}{end}", text)

    def say_all(self, sentences: Iterable[str]) -> None:
        """Show sentences as a list."""
        sentences = list(sentences)
        items = "".join(f"<li>{isolated(sentence)}</li>" for sentence in sentences)
        _display_html(f"<ul>{items}</ul>", "\n".join(f"- {s}" for s in sentences))

    def title(self, title: str, question: str) -> None:
        """Show the title and the question of a study."""
        html = f'<h1>{isolated(title)}</h1><p class="kicker">{isolated(question)}</p>'
        _display_html(html, f"{title}\n{question}")

    def number(self, number: str, text: str) -> None:
        """Show the one number of the first screen and what it means."""
        start = f'<p class="number"><strong>{isolated(number)}</strong><br>'
        html = f"{start}{isolated(text)}</p>"
        _display_html(html, f"{number}: {text}")

    def findings(self, findings: Sequence[Finding], *, brief: bool = False) -> None:
        """Show what was found about fairness, gravest first, each with its remedy.

        Parameters
        ----------
        findings : sequence of Finding
            Graver ones each in a frame with why, what to do and what to write; notes
            and questions in one frame each.
        brief : bool, default False
            What was found and what to do only, for the first screen.
        """
        blocks = []
        for name, own in findings_by_weight(findings).items():
            if name in ("spoils", "weakens"):
                blocks += [_finding_html(finding, brief=brief) for finding in own]
                continue
            items = "".join(
                f"<li>{isolated(finding.message)} <i>{isolated(finding.fix)}</i></li>"
                for finding in own
            )
            heading = f"<b>{HEADINGS[name]}</b>"
            blocks.append(f'<div class="finding note">{heading}<ul>{items}</ul></div>')
        if blocks:
            _display_html("".join(blocks), findings_text(findings))

    def cautions(self, sentences: Sequence[str], closing: str) -> None:
        """Show safety cautions in a frame, ending with whom to defer to."""
        items = "".join(f"<li>{isolated(sentence)}</li>" for sentence in sentences)
        html = (
            f'<div class="caution"><ul>{items}</ul>'
            f"<p><strong>{isolated(closing)}</strong></p></div>"
        )
        _display_html(html, "\n".join([*sentences, closing]))

    def table(
        self,
        name: str,
        shown: pd.DataFrame,
        caption: str,
        *,
        values: pd.DataFrame | None = None,
    ) -> None:
        """Show a table and keep its numbers.

        Parameters
        ----------
        name : str
            File name, without ending.
        shown : pandas.DataFrame
            Words and rounded numbers for the reader.
        caption : str
            What the table is.
        values : pandas.DataFrame, optional
            What to keep as CSV where it should be unrounded; ``shown`` if not given.
        """
        self.keep_table(name, shown if values is None else values)
        _display_html(table_html(shown, caption), f"{caption}\n{shown.to_string()}")

    def keep_table(self, name: str, values: pd.DataFrame) -> None:
        """Keep the numbers behind a figure or sentence as CSV, without showing them."""
        if self._folder is not None:
            harmless_frame(values).to_csv(
                self._place("tables", name, "csv"), index=False
            )

    def figure(
        self,
        name: str,
        figure: Figure | Callable[[], Figure],
        *,
        alt: str,
        caption: str = "",
        beside: str = "",
    ) -> None:
        """Show a figure with a text alternative and keep it as PNG and SVG.

        Parameters
        ----------
        name : str
            File name, without ending.
        figure : matplotlib.figure.Figure or callable
            What to show, or what draws it when called. ``partial(plot_x, result)``
            lets a report draw it on another core than the one that computes.
        alt : str
            The figure in words, for those who cannot see it.
        caption : str, default ""
            Text under the figure.
        beside : str, default ""
            HTML, safe already, to stand beside the figure where there is room.
        """
        draw = figure if callable(figure) else lambda: figure
        if self._folder is not None:
            self._place("figures", name, "png", "svg")
        drawing = self._drawing(Picture(name, draw, alt, caption))
        if beside:
            picture = drawing.shown().data["image/png"]
            self.html(_side_by_side(picture, alt, caption, beside), alt)
            return
        _display(drawing.shown())

    def pictures(self, pictures: Iterable[Picture]) -> None:
        """Show pictures one after the other, each as `figure` does."""
        for name, draw, alt, caption, beside in pictures:
            self.figure(name, draw, alt=alt, caption=caption, beside=beside)

    def order(self, pictures: Iterable[Picture]) -> None:
        """Draw nothing ahead."""

    _renderer_keeps: ClassVar[bool] = False

    def _drawing(self, picture: Picture) -> Drawing:
        path = self._folder and self._folder / "figures" / picture.name
        return Drawing(
            draw=picture.draw, alt=picture.alt, caption=picture.caption, path=path
        )

    def _place(self, kind: str, name: str, *endings: str) -> Path:
        """Make room for files of one name; return the path of the first."""
        assert self._folder is not None
        files = [f"{name}.{ending}" for ending in endings]
        if self._made is not None:
            self._made.claim(*(f"{kind}/{file}" for file in files))
        place = self._folder / kind
        place.mkdir(parents=True, exist_ok=True)
        return place / files[0]


def _finding_html(finding: Finding, *, brief: bool) -> str:
    heading = f"<b>{HEADINGS[finding.severity]}</b>"
    todo = f"<strong>What to do:</strong> {isolated(finding.fix)}"
    if brief:
        text = f"<p>{isolated(finding.message)} {todo}</p>"
    else:
        text = (
            f"<p>{isolated(finding.message)} {isolated(finding.why)}</p><p>{todo}<br>"
            f"<strong>What to write:</strong> {isolated(finding.wording)}</p>"
        )
    return f'<div class="finding {finding.severity}">{heading}{text}</div>'


def _side_by_side(picture: str, alt: str, caption: str, beside: str) -> str:
    return (
        '<div style="display:flex;flex-wrap:wrap;gap:0 1rem;align-items:flex-start">'
        '<figure style="flex:2 1 20rem;max-width:38rem">'
        f'<img src="data:image/png;base64,{picture}" alt="{escape(alt)}">'
        f"<figcaption>{isolated(caption)}</figcaption></figure>"
        f'<div style="flex:1 1 14rem">{beside}</div></div>'
    )


# Filled while a section is shown that is not data yet.
_collected: list[str] | None = None


def collect(call: Callable[[], object]) -> str:
    """HTML of what calls show."""
    global _collected
    _collected = []
    try:
        call()
        return "\n".join(_collected)
    finally:
        _collected = None


def _display(shown: Shown) -> None:
    if _collected is None:
        from IPython.display import display

        display(shown.data, raw=True, metadata=shown.metadata)  # type: ignore[no-untyped-call]
        return
    if "text/html" in shown.data:
        _collected.append(shown.data["text/html"])
        return
    about = shown.metadata["image/png"]
    _collected.append(
        f'<figure><img src="data:image/png;base64,{shown.data["image/png"]}" '
        f'alt="{escape(about["alt"])}">'
        f"<figcaption>{isolated(about['caption'])}</figcaption></figure>"
    )


def _display_html(html: str, plain: str) -> None:
    _display(Shown({"text/html": html, "text/plain": plain}, {}))
