"""From a finished notebook to one page that opens offline."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pitstats.report.render.chapters import with_chapters

_TEMPLATES = Path(__file__).parents[1] / "template"
# Links into a page that has no more than its first page would lead nowhere.
_LINK = re.compile(r'<a href="#[^"]*">(.*?)</a>', re.DOTALL)


def page_html(
    notebook: Any,
    stamp: list[tuple[str, str]],
    title: str,
    *,
    brief: bool = False,
    data: str = "",
) -> str:
    """Write the page of a finished notebook; ``data`` is a link to its data."""
    page = {
        "title": title,
        "stamp": stamp,
        "style": (_TEMPLATES / "page.css").read_text("utf-8"),
        "script": (_TEMPLATES / "page.js").read_text("utf-8"),
        "brief": brief,
        "data": data,
    }
    html = _filled(with_chapters(notebook), page)
    return _LINK.sub(r"\1", html) if brief else html


def _filled(notebook: Any, page: Mapping[str, object]) -> str:
    """Fill the template.

    `HTMLExporter` would then read the whole page again, pictures and all, to find
    images without a text; the template gives each a text of its own.
    """
    from nbconvert import HTMLExporter, TemplateExporter
    from nbconvert.filters import Highlight2HTML
    from nbconvert.filters.widgetsdatatypefilter import WidgetsDataTypeFilter

    exporter = HTMLExporter(
        template_name="template",
        extra_template_basedirs=[str(_TEMPLATES.parent)],
        # Once, not after each of a dozen steps.
        optimistic_validation=True,
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
    # Its templates name these filters.
    exporter.register_filter("highlight_code", Highlight2HTML(parent=exporter))
    shown = WidgetsDataTypeFilter(notebook_metadata=notebook.metadata, parent=exporter)
    exporter.register_filter("filter_data_type", shown)
    body, _ = TemplateExporter.from_notebook_node(
        exporter, notebook, resources={"page": page}
    )
    return str(body)
